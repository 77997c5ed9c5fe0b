//! Numbers to heights: a measured profile, exact, with its points counted and none invented.

use rust_decimal::Decimal;

use crate::assemble::{Scope, conditions, identity, length};
use crate::definition::WrittenHeights;
use crate::envelope::Rejection;
use crate::number;
use crate::plan::{Plan, ValueMark};
use crate::reading::{LengthText, Mark, Reason, Trace, TraceGap};
use crate::role::Role;
use crate::unit::Unit;
use crate::value::Value;

/// Points of one profile.
const POINTS_MAX: usize = 1_000_000;

/// What a definition says about profiles.
#[derive(Clone, Debug, Default)]
pub(crate) struct TraceForm {
    pub(crate) scale: Option<LengthText>,
    pub(crate) spacing: Option<LengthText>,
    pub(crate) written: WrittenHeights,
    pub(crate) hex_digits: usize,
    pub(crate) between: Vec<char>,
    pub(crate) marks: Vec<ValueMark>,
    pub(crate) optional: bool,
}

/// Heights as they were sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Heights {
    Text(String),
    Numbers(Vec<Point>),
}

/// One height of a binary array.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Point {
    Number(Value),
    /// A floating point number that is none.
    Word(&'static str),
}

impl Heights {
    /// Adds more of the text of a profile.
    pub(crate) fn add_text(heights: &mut Option<Heights>, more: &str) {
        match heights {
            Some(Heights::Text(text)) => {
                text.push(' ');
                text.push_str(more);
            }
            _ => *heights = Some(Heights::Text(more.to_owned())),
        }
    }
}

/// A profile in the making.
#[derive(Default)]
struct Points {
    heights: Vec<Option<Value>>,
    marks: Vec<TraceGap>,
}

impl Points {
    fn add(&mut self, height: Result<Value, Mark>) -> Result<(), Rejection> {
        let at = self.heights.len();
        if at == POINTS_MAX {
            return Err(Rejection::damaged(Reason::TooLong, format!("a profile of more than {POINTS_MAX} points")));
        }
        self.heights.push(height.ok());
        let Err(mark) = height else { return Ok(()) };
        match self.marks.last_mut() {
            Some(gap) if gap.from + gap.points == at && gap.mark == mark => gap.points += 1,
            _ => self.marks.push(TraceGap { from: at, points: 1, mark }),
        }
        Ok(())
    }
}

/// The length of one count, ready to multiply with: `mantissa` x 10^-`scale` µm.
#[derive(Clone, Copy)]
struct Count {
    mantissa: i128,
    scale: i64,
}

impl Count {
    fn new(length: LengthText, exponent: i64) -> Option<Count> {
        // Micrometres in one unit, as digits and power of ten.
        let (factor, decimals) = match length.unit {
            Unit::Micrometre => (1, 0),
            Unit::Nanometre => (1, 3),
            Unit::Millimetre => (1, -3),
            Unit::Metre => (1, -6),
            Unit::Inch => (254, -2),
            Unit::Microinch => (254, 4),
            Unit::Mil => (254, 1),
            _ => return None,
        };
        let number = length.value.decimal();
        let mantissa = number.mantissa().checked_mul(factor)?;
        Some(Count { mantissa, scale: i64::from(number.scale()) + decimals - exponent })
    }

    fn times(self, number: Decimal) -> Option<Value> {
        let mantissa = number.mantissa().checked_mul(self.mantissa)?;
        Value::from_parts(mantissa, i64::from(number.scale()) + self.scale).ok()
    }
}

/// The profile that `heights` are, with what `scope` says about them; `stated` are counts of its points.
pub(crate) fn trace(
    plan: &Plan,
    form: &TraceForm,
    heights: &Heights,
    scope: Scope<'_>,
    stated: &[String],
) -> Result<Trace, Rejection> {
    let missing =
        |what: &str| Rejection::damaged(Reason::MissingField, format!("nothing says the {what} of the profile"));
    let spacing = length(plan, scope, &Role::Spacing)?.or(form.spacing).ok_or_else(|| missing("spacing"))?;
    let scale = length(plan, scope, &Role::HeightScale)?.or(form.scale).ok_or_else(|| missing("height scale"))?;
    if spacing.value.decimal() <= Decimal::ZERO || scale.value.decimal() <= Decimal::ZERO {
        return Err(Rejection::damaged(Reason::Sanity, "spacing and height scale of a profile are above 0"));
    }
    let exponent = match scope.text(&Role::HeightExponent) {
        None => 0,
        Some(text) => text
            .parse::<i64>()
            .ok()
            .filter(|exponent| exponent.abs() <= 28)
            .ok_or_else(|| Rejection::damaged(Reason::Number, format!("`{text}` is no exponent of a height")))?,
    };
    let count = Count::new(scale, exponent).ok_or_else(|| missing("unit"))?;
    let points = match heights {
        Heights::Text(text) => of_text(plan, form, text, count)?,
        Heights::Numbers(numbers) => of_numbers(form, numbers, count)?,
    };
    let found = points.heights.len();
    let texts = stated.iter().map(String::as_str).chain(scope.texts(&Role::Points));
    for text in texts {
        if text.trim().parse() != Ok(found) {
            let detail = format!("{found} points where `{}` are stated", text.trim());
            return Err(Rejection::damaged(Reason::Count, detail));
        }
    }
    if found == 0 {
        return Err(Rejection::damaged(Reason::MissingField, "a profile without a point"));
    }
    Ok(Trace {
        points: found,
        spacing,
        heights: points.heights,
        marks: points.marks,
        // What can't be read of them spoils readings, and no profile.
        identity: identity(plan, scope).unwrap_or_default(),
        conditions: conditions(plan, scope).unwrap_or_default(),
        record: None,
    })
}

fn marked(form: &TraceForm, text: &str) -> Option<Mark> {
    form.marks.iter().find(|mark| mark.pattern.is_match(text)).map(|mark| mark.means)
}

fn of_numbers(form: &TraceForm, numbers: &[Point], count: Count) -> Result<Points, Rejection> {
    let mut points = Points::default();
    for point in numbers {
        let text = match point {
            Point::Word(word) => (*word).to_owned(),
            Point::Number(number) if !form.marks.is_empty() => number.to_string(),
            Point::Number(_) => String::new(),
        };
        let height = match (marked(form, &text), point) {
            (Some(mark), _) => Err(mark),
            (None, Point::Number(number)) => Ok(count.times(number.decimal()).ok_or_else(|| bad(&text))?),
            (None, Point::Word(_)) => return Err(bad(&text)),
        };
        points.add(height)?;
    }
    Ok(points)
}

fn bad(text: &str) -> Rejection {
    Rejection::damaged(Reason::Number, format!("`{text}` is no height"))
}

fn of_text(plan: &Plan, form: &TraceForm, text: &str, count: Count) -> Result<Points, Rejection> {
    let mut points = Points::default();
    let mut add = |token: &str| {
        if form.written == WrittenHeights::Hex {
            return hex(form, token, count, &mut points);
        }
        let height = match marked(form, token) {
            Some(mark) => Err(mark),
            None => {
                let number = number::parse(&plan.numbers, token, plan.numbers.decimals).map_err(|_| bad(token))?;
                Ok(count.times(number.decimal()).ok_or_else(|| bad(token))?)
            }
        };
        points.add(height)
    };
    let mut pieces = text.split(form.between.as_slice()).peekable();
    while let Some(piece) = pieces.next() {
        let mut tokens = piece.split_ascii_whitespace().peekable();
        // Two separators in a row have a point between them that was not sent; one at the very end has none behind.
        if tokens.peek().is_none() && !form.between.is_empty() && pieces.peek().is_some() {
            add("")?;
        }
        tokens.try_for_each(&mut add)?;
    }
    Ok(points)
}

/// Heights of a fixed number of hexadecimal digits, two's complement.
fn hex(form: &TraceForm, token: &str, count: Count, points: &mut Points) -> Result<(), Rejection> {
    let digits = form.hex_digits.max(1);
    if token.is_empty() || !token.bytes().all(|byte| byte.is_ascii_hexdigit()) {
        return Err(bad(token));
    }
    if !token.len().is_multiple_of(digits) {
        return Err(Rejection::damaged(Reason::Length, format!("`{token}` is no multiple of {digits} digits")));
    }
    for at in (0..token.len()).step_by(digits) {
        let text = &token[at..at + digits];
        let raw = i128::from_str_radix(text, 16).map_err(|_| bad(text))?;
        let bits = 4 * digits;
        let number = if raw >> (bits - 1) == 1 { raw - (1 << bits) } else { raw };
        let height = match marked(form, &number.to_string()) {
            Some(mark) => Err(mark),
            None => {
                let number = Value::from_parts(number, 0).map_err(|_| bad(text))?;
                Ok(count.times(number.decimal()).ok_or_else(|| bad(text))?)
            }
        };
        points.add(height)?;
    }
    Ok(())
}
