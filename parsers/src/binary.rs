//! Frames that are no text: bytes to fields by their places.

mod number;

use std::collections::BTreeMap;

use crate::definition::{BinaryKind, Event, Repeat};
use crate::encoding::decode;
use crate::envelope::Rejection;
use crate::fields::checked;
use crate::gathered::Gathered;
use crate::plan::Plan;
use crate::reading::{Mark, Reason};
use crate::role::{Item, NumberForm, Role};
use crate::trace::{Heights, Point};
use crate::value::Value;

use number::raw;
pub(crate) use number::{Linear, Raw};

/// Records, and points of a profile, of one frame.
const REPEATS_MAX: usize = 1_000_000;

/// A layout.
#[derive(Clone, Debug, Default)]
pub(crate) struct BinaryForm {
    pub(crate) field: Vec<Part>,
    pub(crate) record: Vec<Part>,
    pub(crate) records: Option<Repeat>,
    pub(crate) behind: Vec<Part>,
}

/// One field of a layout.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    /// Its name as the definition has it.
    pub(crate) name: String,
    pub(crate) role: Option<Role>,
    pub(crate) kind: BinaryKind,
    pub(crate) at: Option<usize>,
    pub(crate) width: usize,
    pub(crate) is_big: bool,
    pub(crate) equals: Option<String>,
    pub(crate) linear: Option<Linear>,
    pub(crate) decimals: Option<u8>,
    pub(crate) states: BTreeMap<String, Mark>,
    pub(crate) words: BTreeMap<String, String>,
    pub(crate) bits: Vec<Bits>,
    pub(crate) count: Option<Repeat>,
}

/// Part of a whole number: `width` bits from bit `from` on.
#[derive(Clone, Debug)]
pub(crate) struct Bits {
    pub(crate) from: u32,
    pub(crate) width: u32,
    pub(crate) role: Option<Role>,
    pub(crate) words: BTreeMap<String, String>,
    pub(crate) equals: Option<u64>,
    pub(crate) event: Option<Event>,
}

impl BinaryForm {
    /// Every field, in order.
    pub(crate) fn parts(&self) -> impl Iterator<Item = &Part> {
        self.field.iter().chain(&self.record).chain(&self.behind)
    }

    /// The roles that a frame may fill.
    pub(crate) fn roles(&self) -> impl Iterator<Item = &Role> {
        self.parts().flat_map(|part| part.role.iter().chain(part.bits.iter().filter_map(|bits| bits.role.as_ref())))
    }
}

/// Bytes that fields of a fixed number of bytes take; `None` where an array is among them.
pub(crate) fn width(parts: &[Part]) -> Option<usize> {
    parts.iter().try_fold(0_usize, |end, part| match &part.count {
        None => Some(part.at.unwrap_or(end) + part.width),
        Some(Repeat::Times(times)) => Some(part.at.unwrap_or(end) + part.width.checked_mul(*times)?),
        Some(Repeat::Field(_)) => None,
    })
}

/// What a frame told beside its fields.
pub(crate) type Events = Vec<(Event, String)>;

/// Reads the bytes between the marks.
pub(crate) fn read_binary(plan: &Plan, form: &BinaryForm, bytes: &[u8]) -> Result<(Gathered, Events), Rejection> {
    let mut reader = Reader { plan, bytes, at: 0, numbers: BTreeMap::new(), events: vec![] };
    let mut gathered = Gathered::default();
    let behind = width(&form.behind).unwrap_or(0);
    let after_field = if form.record.is_empty() { behind } else { 0 };
    let (mut head, heights) = reader.parts(&form.field, after_field)?;
    gathered.heights = heights;
    let mut records = Vec::new();
    if let Some(repeat) = &form.records {
        let record = width(&form.record).unwrap_or(0);
        for _ in 0..reader.times(repeat, record, behind)? {
            records.push(reader.parts(&form.record, 0)?);
        }
    }
    let (more, heights) = reader.parts(&form.behind, 0)?;
    head.extend(more);
    gathered.heights = gathered.heights.or(heights);
    if reader.at != bytes.len() {
        let detail = format!("{} bytes where the layout has {}", bytes.len(), reader.at);
        return Err(Rejection::damaged(Reason::Length, detail));
    }
    let events = reader.events;
    let head = checked(plan, head)?;
    let has_value = head.iter().any(|item| item.role.is_value());
    let (own, around): (Vec<Item>, Vec<Item>) = head.into_iter().partition(|item| has_value && goes_with(&item.role));
    gathered.add_header(around);
    if has_value {
        gathered.add_record(own, false);
    }
    for (items, heights) in records {
        match heights {
            Some(_) => gathered.add_profile(checked(plan, items)?, heights),
            None => gathered.add_record(checked(plan, items)?, false),
        }
    }
    Ok((gathered, events))
}

/// Whether a field goes with a value rather than with the measurement.
fn goes_with(role: &Role) -> bool {
    use Role::{Beside, Decimals, LimitLower, LimitUpper, Measured, Quantity, State, Unit, Value, Verdict};
    matches!(
        role,
        Quantity | Value | Unit | Decimals | Measured(_) | Beside(..) | State | Verdict | LimitUpper | LimitLower
    )
}

struct Reader<'a> {
    plan: &'a Plan,
    bytes: &'a [u8],
    at: usize,
    /// Whole numbers read so far, by name.
    numbers: BTreeMap<&'a str, i128>,
    events: Events,
}

fn sanity(detail: String) -> Rejection {
    Rejection::damaged(Reason::Sanity, detail)
}

impl<'a> Reader<'a> {
    /// The fields `parts`; `behind` bytes are known to follow them.
    fn parts(&mut self, parts: &'a [Part], behind: usize) -> Result<(Vec<Item>, Option<Heights>), Rejection> {
        let start = self.at;
        let mut items = Vec::new();
        let mut heights = None;
        for (index, part) in parts.iter().enumerate() {
            if let Some(at) = part.at {
                self.pass(start + at)?;
            }
            match &part.count {
                Some(count) => {
                    let behind = behind + width(&parts[index + 1..]).unwrap_or(0);
                    let times = self.times(count, part.width, behind)?;
                    heights = Some(Heights::Numbers(self.array(part, times)?));
                }
                None => self.one(part, &mut items)?,
            }
        }
        Ok((items, heights))
    }

    fn take(&mut self, bytes: usize) -> Result<&'a [u8], Rejection> {
        let taken = self.at.checked_add(bytes).and_then(|end| self.bytes.get(self.at..end)).ok_or_else(|| {
            let detail = format!("{} bytes are too few for the layout", self.bytes.len());
            Rejection::damaged(Reason::Length, detail)
        })?;
        self.at += bytes;
        Ok(taken)
    }

    /// Goes on to `to`; what lies between has no field and must be 0.
    fn pass(&mut self, to: usize) -> Result<(), Rejection> {
        let from = self.at;
        let between = self.take(to.saturating_sub(from))?;
        match between.iter().position(|byte| *byte != 0) {
            Some(at) => Err(sanity(format!("byte {} should be 0", from + at))),
            None => Ok(()),
        }
    }

    fn times(&self, repeat: &Repeat, width: usize, behind: usize) -> Result<usize, Rejection> {
        let times = match repeat {
            Repeat::Times(times) => *times,
            Repeat::Field(name) if name == "rest" => {
                let rest = self.bytes.len().saturating_sub(self.at + behind);
                if width == 0 || !rest.is_multiple_of(width) {
                    let detail = format!("{rest} bytes are no whole number of {width} bytes each");
                    return Err(Rejection::damaged(Reason::Length, detail));
                }
                rest / width
            }
            Repeat::Field(name) => {
                let stated = self.numbers.get(name.as_str()).copied().unwrap_or(-1);
                let count =
                    || Rejection::damaged(Reason::Count, format!("`{name}` states {stated}, which is no count"));
                usize::try_from(stated).map_err(|_| count())?
            }
        };
        // What can't be in the frame is not waited for.
        let fits = times <= REPEATS_MAX
            && times.checked_mul(width.max(1)).is_some_and(|bytes| bytes <= self.bytes.len() - self.at);
        match fits {
            true => Ok(times),
            false => {
                let detail =
                    format!("{times} times {width} bytes are stated, {} are there", self.bytes.len() - self.at);
                Err(Rejection::damaged(Reason::Count, detail))
            }
        }
    }

    fn array(&mut self, part: &Part, times: usize) -> Result<Vec<Point>, Rejection> {
        let bytes = self.take(times * part.width)?;
        bytes
            .chunks(part.width.max(1))
            .map(|bytes| {
                Ok(match raw(part, bytes)? {
                    Raw::Word(word) => Point::Word(word),
                    Raw::Text(text) => Point::Number(number_of(&text)?),
                })
            })
            .collect()
    }

    fn one(&mut self, part: &'a Part, items: &mut Vec<Item>) -> Result<(), Rejection> {
        let bytes = self.take(part.width)?;
        let text = match part.kind {
            BinaryKind::Skip => return Ok(()),
            BinaryKind::Text => self.text(bytes)?,
            _ => match raw(part, bytes)? {
                Raw::Text(text) => text,
                Raw::Word(word) => word.to_owned(),
            },
        };
        if let Some(equals) = &part.equals
            && *equals != text
        {
            return Err(sanity(format!("`{text}` where the layout has `{equals}`")));
        }
        let whole = text.parse::<i128>().ok();
        if let Some(whole) = whole {
            self.numbers.insert(&part.name, whole);
        }
        if !part.bits.is_empty() {
            self.bits(part, whole.unwrap_or(0), items)?;
        }
        let Some(role) = &part.role else { return Ok(()) };
        let item = Item::new(role.clone(), word(&part.words, &text)?);
        items.push(match part.kind {
            BinaryKind::Text => item,
            _ if !part.words.is_empty() => item,
            _ => self.number(part, item)?,
        });
        Ok(())
    }

    /// A field that is a number: as it was sent, and what it comes to.
    fn number(&self, part: &Part, item: Item) -> Result<Item, Rejection> {
        if let Some(mark) = part.states.get(&item.text) {
            return Ok(Item { number: NumberForm::Marked(*mark), ..item });
        }
        let is_float = matches!(part.kind, BinaryKind::F32 | BinaryKind::F64);
        let number = match &part.linear {
            None if !is_float => NumberForm::Plain,
            linear => {
                let number = number_of(&item.text)?;
                let too_long = || Rejection::damaged(Reason::Number, format!("`{}` has too many digits", item.text));
                NumberForm::Exact(match linear {
                    Some(linear) => linear.of(number).ok_or_else(too_long)?,
                    None => number,
                })
            }
        };
        Ok(Item { number, ..item })
    }

    fn bits(&mut self, part: &Part, whole: i128, items: &mut Vec<Item>) -> Result<(), Rejection> {
        // A negative number has its sign bit where its width ends.
        let field = if part.width >= 8 { u64::MAX } else { (1_u64 << (8 * part.width)) - 1 };
        let whole = u64::try_from(whole & i128::from(u64::MAX)).unwrap_or(0) & field;
        let mut named = 0_u64;
        for bits in &part.bits {
            let mask = if bits.width >= 64 { u64::MAX } else { (1_u64 << bits.width) - 1 };
            named |= mask << bits.from;
            let value = (whole >> bits.from) & mask;
            if bits.equals.is_some_and(|equals| equals != value) {
                return Err(sanity(format!("{value} in the bits from {} on", bits.from)));
            }
            if let Some(event) = bits.event.filter(|_| value != 0) {
                self.events.push((event, word(&bits.words, &value.to_string())?));
            }
            if let Some(role) = &bits.role {
                items.push(Item::new(role.clone(), word(&bits.words, &value.to_string())?));
            }
        }
        match whole & !named {
            0 => Ok(()),
            other => Err(sanity(format!("bits that should be 0 are not: {other:#x}"))),
        }
    }

    fn text(&self, bytes: &[u8]) -> Result<String, Rejection> {
        let end = bytes.iter().rposition(|byte| !matches!(byte, 0 | b' ')).map_or(0, |last| last + 1);
        let bad = |_| Rejection::damaged(Reason::Encoding, "a text with bytes that the encoding does not have");
        decode(self.plan.shape.encoding, &bytes[..end]).map_err(bad)
    }
}

fn number_of(text: &str) -> Result<Value, Rejection> {
    Value::parse(text).map_err(|_| Rejection::damaged(Reason::Number, format!("`{text}` is no number of this program")))
}

/// What a code stands for; itself where no words are declared.
fn word(words: &BTreeMap<String, String>, code: &str) -> Result<String, Rejection> {
    if words.is_empty() {
        return Ok(code.to_owned());
    }
    words.get(code).cloned().ok_or_else(|| sanity(format!("the code {code} is none that the definition knows")))
}
