//! Fields to readings: which value belongs to which quantity and unit, and what goes with it.

use std::collections::BTreeMap;

use crate::besides::{converted_from, limits, with_scale};
use crate::definition::Numbers;
use crate::envelope::Rejection;
use crate::number::{self, BadNumber};
use crate::plan::{FieldForm, Plan};
use crate::quantity::Quantity;
use crate::reading::{Conditions, Identity, LengthText, Mark, Reading, Reason};
use crate::role::{Beside, Item, NumberForm, Role};
use crate::stamp::parse_iso;
use crate::unit::{Unit, UnitKind};
use crate::value::Value;

/// The fields that go with a value: its own line first, then what surrounds it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Scope<'a> {
    pub(crate) own: &'a [Item],
    /// Outer fields, the nearest first.
    pub(crate) around: &'a [&'a [Item]],
}

/// What a value field says.
struct Shown {
    value: Option<Value>,
    mark: Option<Mark>,
    code: Option<String>,
    /// The digits, or what stands in their place, to the letter.
    as_sent: String,
    unit: Option<String>,
}

impl<'a> Scope<'a> {
    fn own(&self, role: &Role) -> Option<&'a str> {
        self.own_item(role).map(|item| item.text.trim())
    }

    /// A field of the value's own line.
    pub(crate) fn own_item(&self, role: &Role) -> Option<&'a Item> {
        self.own.iter().find(|item| item.role == *role)
    }

    /// A field that says something, from the nearest place that states it.
    pub(crate) fn item(&self, role: &Role) -> Option<&'a Item> {
        let around = self.around.iter().flat_map(|items| items.iter());
        let mut items = self.own.iter().chain(around).filter(|item| item.role == *role);
        items.find(|item| !item.text.trim().is_empty())
    }

    /// Its text.
    pub(crate) fn text(&self, role: &Role) -> Option<&'a str> {
        self.item(role).map(|item| item.text.trim())
    }

    /// The texts of a field from everywhere.
    pub(crate) fn texts(&self, role: &Role) -> impl Iterator<Item = &'a str> {
        let around = self.around.iter().flat_map(|items| items.iter());
        self.own.iter().chain(around).filter(move |item| item.role == *role).map(|item| item.text.as_str())
    }

    fn kept(&self, role: &Role) -> Option<String> {
        let around = self.around.iter().flat_map(|items| items.iter());
        let mut texts = self.own.iter().chain(around).filter(|item| item.role == *role).map(|item| &item.text);
        texts.find(|text| !text.trim().is_empty()).cloned()
    }
}

/// The readings of one line, or of one block that is one record. `record` is given to all of them.
pub(crate) fn readings(
    plan: &Plan,
    scope: Scope<'_>,
    record: u32,
    languages: &mut Vec<String>,
) -> Result<Vec<Reading>, Rejection> {
    let values: Vec<&Item> = scope.own.iter().filter(|item| item.role.is_value()).collect();
    if values.is_empty() {
        return Err(Rejection::damaged(Reason::MissingField, "there is no value"));
    }
    let identity = identity(plan, scope)?;
    let conditions = conditions(plan, scope)?;
    let other = other(scope);
    let mut readings = Vec::new();
    for item in values {
        let quantity = quantity_of(plan, scope, item, languages)?;
        let shown = shown(plan, scope, item, &quantity)?;
        let stated = shown.unit.clone().or_else(|| unit_text(plan, scope, item, &quantity));
        let unit = unit_of(plan, &quantity, &item.role, stated.as_deref(), shown.mark.is_some())?;
        let verdict = beside(scope, &quantity, Beside::Verdict).or_else(|| scope.text(&Role::Verdict));
        let converted_from = converted_from(plan, scope, item, &quantity, unit);
        readings.push(Reading {
            value: shown.value,
            unit,
            value_as_sent: shown.as_sent,
            unit_as_sent: stated,
            mark: shown.mark,
            mark_code: shown.code,
            protected: plan.check.is_some(),
            instrument_verdict: verdict.map(str::to_owned),
            verdict: verdict.and_then(|verdict| plan.verdicts.get(verdict)).copied(),
            instrument_limits: limits(plan, scope, item, &quantity, unit),
            identity: identity.clone(),
            conditions: conditions.clone(),
            other: with_scale(&other, converted_from.as_deref()),
            converted_from,
            record,
            field: 0,
            stored: plan.reading.stored,
            computed: false,
            quantity,
        });
    }
    Ok(readings)
}

/// Checks that a record has every required field.
pub(crate) fn require(plan: &Plan, readings: &[Reading], scope: Scope<'_>) -> Result<(), Rejection> {
    for role in &plan.reading.required {
        let is_there = match role {
            Role::Measured(quantity) => readings.iter().any(|reading| reading.quantity == *quantity),
            role => scope.text(role).is_some(),
        };
        if !is_there {
            return Err(Rejection::damaged(Reason::MissingField, format!("there is no {}", role.name())));
        }
    }
    Ok(())
}

fn quantity_of(plan: &Plan, scope: Scope<'_>, item: &Item, languages: &mut Vec<String>) -> Result<Quantity, Rejection> {
    if let Role::Measured(quantity) = &item.role {
        return Ok(quantity.clone());
    }
    let text = match scope.own(&Role::Quantity).filter(|text| !text.is_empty()) {
        Some(text) => text,
        None => {
            let missing = || Rejection::damaged(Reason::MissingField, "the message names no quantity");
            return plan.reading.quantity.clone().ok_or_else(missing);
        }
    };
    let (quantity, language) = plan.words.quantity(text).ok_or_else(|| {
        Rejection::damaged(Reason::MissingField, format!("`{text}` is no quantity that the definition knows"))
    })?;
    languages.extend(language.map(str::to_owned));
    Ok(quantity)
}

/// What the definition says about a value: for its quantity, else for `value`.
pub(crate) fn field_of<'a>(plan: &'a Plan, quantity: &Quantity, role: &Role) -> Vec<&'a FieldForm> {
    let general = if *role == Role::Value { plan.field(&Role::Value) } else { None };
    plan.field_of_quantity(quantity).into_iter().chain(general).collect()
}

fn shown(plan: &Plan, scope: Scope<'_>, item: &Item, quantity: &Quantity) -> Result<Shown, Rejection> {
    let fields = field_of(plan, quantity, &item.role);
    let text = item.text.trim();
    let implied =
        match scope.own(&Role::Decimals) {
            Some(stated) => {
                Some(stated.parse::<u8>().ok().filter(|decimals| *decimals <= 28).ok_or_else(|| {
                    Rejection::damaged(Reason::Number, format!("`{stated}` is no number of decimals"))
                })?)
            }
            None => fields.iter().find_map(|field| field.decimals).or(plan.numbers.decimals),
        };
    let reads = |text: &str| read_number(plan, item.number, text, implied);
    let number = |text: &str| {
        reads(text).map_err(|bad| match bad {
            BadNumber::Malformed if text.is_empty() && plan.reader.is_of_frames() => {
                Rejection::damaged(Reason::MissingField, format!("{quantity}: there is nothing in place of a number"))
            }
            BadNumber::Malformed => Rejection::damaged(Reason::Number, format!("{quantity}: `{text}` is no number")),
            BadNumber::Ambiguous => {
                Rejection::damaged(Reason::AmbiguousNumber, format!("{quantity}: `{text}` can be read as two numbers"))
            }
        })
    };
    let in_text = fields.iter().find_map(|field| field.unit_in_text).unwrap_or(false);
    if let NumberForm::Marked(mark) = item.number {
        return Ok(Shown {
            value: None,
            mark: Some(mark),
            code: Some(text.to_owned()),
            as_sent: text.to_owned(),
            unit: None,
        });
    }
    let state = state(plan, scope, quantity)?;
    if let Some((mark, word)) = state
        && mark != Mark::Unstable
    {
        // Whatever stands beside such a word was not measured.
        let (digits, unit) = if in_text { split_unit(plan, text, |_| true) } else { (text, None) };
        let (as_sent, unit) = (digits.to_owned(), unit.map(str::to_owned));
        return Ok(Shown { value: None, mark: Some(mark), code: Some(word.to_owned()), as_sent, unit });
    }
    for mark in &plan.value_marks {
        let (digits, unit) =
            if in_text { split_unit(plan, text, |text| mark.pattern.is_match(text)) } else { (text, None) };
        let Some(captures) = mark.pattern.captures(digits) else { continue };
        let part = |name: &str| captures.name(name).map(|part| part.as_str().to_owned());
        let value = part("value").map(|text| number(text.trim())).transpose()?;
        let as_sent = part("value").unwrap_or_else(|| digits.to_owned());
        return Ok(Shown { value, mark: Some(mark.means), code: part("code"), as_sent, unit: unit.map(str::to_owned) });
    }
    let (digits, unit) = match in_text {
        true => split_unit(plan, text, |text| reads(text) != Err(BadNumber::Malformed)),
        false => (text, None),
    };
    let value = Some(number(digits)?);
    let (mark, code) = state.map_or((None, None), |(mark, word)| (Some(mark), Some(word.to_owned())));
    Ok(Shown { value, mark, code, as_sent: digits.to_owned(), unit: unit.map(str::to_owned) })
}

/// The number that a field states.
pub(crate) fn read_number(plan: &Plan, form: NumberForm, text: &str, implied: Option<u8>) -> Result<Value, BadNumber> {
    match form {
        NumberForm::Declared => number::parse(&plan.numbers, text, implied),
        NumberForm::Plain => number::parse(&Numbers { exponent: true, ..Numbers::default() }, text, implied),
        NumberForm::Exact(value) => Ok(value),
        NumberForm::Marked(_) => Err(BadNumber::Malformed),
    }
}

/// What stands against a value by the word for its state; `None` where it is good or nothing is said.
fn state<'a>(plan: &Plan, scope: Scope<'a>, quantity: &Quantity) -> Result<Option<(Mark, &'a str)>, Rejection> {
    // What holds for a whole measurement holds for each of its values.
    let stated = beside(scope, quantity, Beside::State).into_iter().chain(scope.texts(&Role::State));
    let mut against = None;
    for word in stated.map(str::trim).filter(|word| !word.is_empty()) {
        let Some(mark) = plan.states.get(word) else {
            let detail = format!("`{word}` is no state that the definition knows");
            return Err(Rejection::damaged(Reason::Sanity, detail));
        };
        against = against.or(mark.map(|mark| (mark, word)));
    }
    Ok(against)
}

/// Splits a known unit off the end of a text, where what is left is what `fits` wants.
pub(crate) fn split_unit<'a>(plan: &Plan, text: &'a str, fits: impl Fn(&str) -> bool) -> (&'a str, Option<&'a str>) {
    let splits = text.char_indices().map(|(at, _)| text.split_at(at));
    let found =
        splits.filter(|(digits, unit)| !unit.starts_with(' ') && !digits.is_empty() && plan.unit(unit).is_some());
    let found = found.map(|(digits, unit)| (digits.trim_end(), Some(unit))).find(|(digits, _)| fits(digits));
    found.unwrap_or((text, None))
}

fn beside<'a>(scope: Scope<'a>, quantity: &Quantity, beside: Beside) -> Option<&'a str> {
    scope.text(&Role::Beside(quantity.clone(), beside))
}

fn unit_text(plan: &Plan, scope: Scope<'_>, item: &Item, quantity: &Quantity) -> Option<String> {
    let stated = item.unit.as_deref().or_else(|| beside(scope, quantity, Beside::Unit)).or_else(|| {
        // One unit for all values of a line goes with those that it fits.
        let general = scope.own(&Role::Unit)?;
        let is_for_it = item.role == Role::Value || plan.unit(general).is_none_or(|unit| fits(quantity, unit));
        is_for_it.then_some(general)
    });
    stated.map(str::trim).filter(|text| !text.is_empty()).map(str::to_owned)
}

fn unit_of(
    plan: &Plan,
    quantity: &Quantity,
    role: &Role,
    stated: Option<&str>,
    marked: bool,
) -> Result<Option<Unit>, Rejection> {
    if let Some(text) = stated {
        let unit = plan.unit(text).ok_or_else(|| {
            Rejection::damaged(Reason::Unit, format!("`{text}` is no unit that the definition knows"))
        })?;
        return match fits(quantity, unit) {
            true => Ok(Some(unit)),
            false => Err(Rejection::damaged(Reason::Unit, format!("{quantity} in {unit}"))),
        };
    }
    let declared = field_of(plan, quantity, role).iter().find_map(|field| field.unit).or(plan.reading.unit);
    let number = (quantity.unit_kind() == UnitKind::Number).then_some(Unit::One);
    match declared.filter(|unit| fits(quantity, *unit)).or(number) {
        None if !marked => Err(Rejection::damaged(Reason::Unit, format!("{quantity} without a unit"))),
        unit => Ok(unit),
    }
}

/// Whether a quantity may carry a unit: its kind, and degrees for slopes, which the standard gives as numbers.
pub(crate) fn fits(quantity: &Quantity, unit: Unit) -> bool {
    let kind = quantity.unit_kind();
    unit.kind() == kind || (quantity.symbol() == "Rdq" && unit == Unit::Degree)
}

pub(crate) fn identity(plan: &Plan, scope: Scope<'_>) -> Result<Identity, Rejection> {
    let text = |role: Role| scope.text(&role).map(str::to_owned);
    Ok(Identity {
        number: text(Role::Number),
        time: time(plan, scope)?,
        program: text(Role::Program),
        part: scope.kept(&Role::Part),
        channel: text(Role::Channel),
        remark: scope.kept(&Role::Remark),
    })
}

fn time(plan: &Plan, scope: Scope<'_>) -> Result<Option<String>, Rejection> {
    let stamp = |role: &Role| {
        let Some(text) = scope.text(role) else { return Ok(None) };
        let stamp = match plan.field(role).and_then(|field| field.format.as_ref()) {
            Some(form) => form.parse(text),
            None => parse_iso(text),
        };
        stamp.map(Some).ok_or_else(|| Rejection::damaged(Reason::Sanity, format!("`{text}` is no {}", role.name())))
    };
    let (date, time) = (stamp(&Role::Date)?.unwrap_or_default(), stamp(&Role::Time)?.unwrap_or_default());
    let agree = |one: Option<String>, two: Option<String>| match (one, two) {
        (Some(one), Some(two)) if one != two => {
            Err(Rejection::damaged(Reason::Sanity, format!("the message states both {one} and {two}")))
        }
        (one, two) => Ok(one.or(two)),
    };
    Ok(match (agree(date.date, time.date)?, agree(date.time, time.time)?) {
        (Some(date), Some(time)) => Some(format!("{date}T{time}")),
        (date, time) => date.or(time),
    })
}

pub(crate) fn conditions(plan: &Plan, scope: Scope<'_>) -> Result<Conditions, Rejection> {
    let text = |role: Role| scope.text(&role).map(str::to_owned);
    Ok(Conditions {
        cutoff: length(plan, scope, &Role::Cutoff)?,
        lambda_s: length(plan, scope, &Role::LambdaS)?,
        sections: scope.text(&Role::Sections).map(sections).transpose()?,
        filter: text(Role::Filter),
        standard: text(Role::Standard),
        traverse: length(plan, scope, &Role::Traverse)?,
    })
}

fn sections(text: &str) -> Result<String, Rejection> {
    let digits = text.trim_start_matches('0');
    if text.is_empty() || !text.bytes().all(|byte| byte.is_ascii_digit()) || digits.is_empty() || digits.len() > 4 {
        return Err(Rejection::damaged(Reason::Number, format!("`{text}` is no number of sections")));
    }
    Ok(digits.to_owned())
}

/// A length that a message states.
pub(crate) fn length(plan: &Plan, scope: Scope<'_>, role: &Role) -> Result<Option<LengthText>, Rejection> {
    let Some(item) = scope.item(role) else { return Ok(None) };
    let text = item.text.trim();
    let field = plan.field(role);
    let reads = |text: &str| read_number(plan, item.number, text, field.and_then(|field| field.decimals));
    let in_text = field.and_then(|field| field.unit_in_text).unwrap_or(true);
    let (digits, stated) = match in_text && reads(text) == Err(BadNumber::Malformed) {
        true => split_unit(plan, text, |digits| reads(digits) != Err(BadNumber::Malformed)),
        false => (text, None),
    };
    let value = reads(digits).map_err(|bad| {
        let reason = if bad == BadNumber::Ambiguous { Reason::AmbiguousNumber } else { Reason::Number };
        Rejection::damaged(reason, format!("`{text}` is no {}", role.name()))
    })?;
    let beside = role.length_unit().and_then(|role| scope.text(&role));
    let unit = match (stated, beside) {
        (Some(one), Some(two)) if plan.unit(one) != plan.unit(two) => {
            return Err(Rejection::damaged(Reason::Unit, format!("{} in both {one} and {two}", role.name())));
        }
        (Some(stated), _) | (None, Some(stated)) => plan.unit(stated),
        (None, None) => field.and_then(|field| field.unit),
    };
    match unit.filter(|unit| unit.kind() == UnitKind::Length) {
        Some(unit) => Ok(Some(LengthText { value, unit })),
        None => Err(Rejection::damaged(Reason::Unit, format!("{} `{text}` without a unit of length", role.name()))),
    }
}

fn other(scope: Scope<'_>) -> BTreeMap<String, String> {
    let mut other = BTreeMap::new();
    let around = scope.around.iter().rev().flat_map(|items| items.iter());
    for item in around.chain(scope.own) {
        if let Role::Other(name) = &item.role
            && !item.text.trim().is_empty()
        {
            other.insert(name.clone(), item.text.trim().to_owned());
        }
    }
    other
}
