//! From what an engineer wrote to a plan: every fault at once, each with its place and a way out.

mod binary;
mod dialogue;
mod faults;
mod framing;
mod proof;
mod reader;
mod sense;
mod trace;
mod tree;
mod wire;

use std::collections::BTreeMap;
use std::sync::Arc;

use self::faults::Faults;
use self::framing::{frame_marks, mark_patterns, shape};
use self::proof::check;
use self::reader::{reader, rules};
use self::sense::sense;
use self::trace::{trace, trace_makes_sense};
use crate::assemble::fits;
use crate::definition::{Definition, Fault, Field, FramingKind, SignPlace, StateWord, Step, VerdictWord};
use crate::numbering::Numbering;
use crate::pattern::{anywhere, beginning, whole};
use crate::plan::{FieldForm, Plan, ReadingForm, ValueMark, one_micro};
use crate::reading::{Mark, Verdict};
use crate::role::{Role, Words};
use crate::stamp::StampForm;
use crate::unit::{Unit, UnitKind};

/// A place in the document.
macro_rules! at {
    ($($step:expr),*) => { &[$(Step::from($step)),*] };
}
use at;

/// Compiles a definition.
pub(crate) fn compile(said: &Definition) -> Result<Plan, Vec<Fault>> {
    let mut faults = Faults::default();
    let words = words(said);
    if said.instrument.name.trim().is_empty() {
        faults.add(at!["instrument", "name"], "the name is empty", "a station refers to the definition by it");
    }
    numbers(said, &mut faults);
    let marks = frame_marks(said, &mut faults);
    let check = check(said, &mut faults);
    let (start_line, end_line) = mark_patterns(said, &words, &mut faults);
    let mut shape = shape(said, &marks, check.as_ref(), (&start_line, &end_line), &mut faults);
    let dialogue = dialogue::dialogue(said, &mut faults);
    shape.signals = dialogue::signals(said.dialogue.as_ref(), dialogue.as_ref()).into();
    let new = said.dialogue.as_ref().and_then(|dialogue| dialogue.poll.as_ref()?.new.as_ref());
    let new = new.and_then(|new| faults.regex(at!["dialogue", "poll", "new"], anywhere(new)));
    let mut rules = rules(said, &words, &mut faults);
    rules.extend(dialogue::expected(said, &words));
    let reader = reader(said, &words, &mut faults);
    let plan = Plan {
        shape: Arc::new(shape),
        length: said.envelope.length,
        mine: said.envelope.mine.as_ref().and_then(|mine| faults.regex(at!["envelope", "mine"], beginning(mine))),
        is_single_line: matches!(said.framing.kind, FramingKind::Lines | FramingKind::Rows),
        is_rows: said.framing.kind == FramingKind::Rows,
        start_line,
        end_line,
        units: units(said, &mut faults),
        numbers: said.numbers.clone(),
        fields: fields(said, &mut faults),
        value_marks: value_marks(said, &mut faults),
        verdicts: said.verdicts.iter().map(|(text, word)| (text.clone(), verdict(*word))).collect(),
        states: said.states.iter().map(|(word, state)| (word.clone(), mark_of(*state))).collect(),
        trace: trace(said, &mut faults),
        reading: reading(said, &mut faults),
        dialogue: dialogue.map(Arc::new),
        new,
        marks,
        check,
        rules,
        reader,
        words,
    };
    sense(said, &plan, &mut faults);
    trace_makes_sense(said, &plan, &mut faults);
    if faults.0.is_empty() { Ok(plan) } else { Err(faults.0) }
}

fn verdict(word: VerdictWord) -> Verdict {
    match word {
        VerdictWord::In => Verdict::In,
        VerdictWord::Out => Verdict::Out,
    }
}

/// What a word for a state says against a value.
fn mark_of(word: StateWord) -> Option<Mark> {
    Some(match word {
        StateWord::Good => return None,
        StateWord::Over => Mark::Over,
        StateWord::Under => Mark::Under,
        StateWord::None => Mark::None,
        StateWord::Error => Mark::Error,
        StateWord::Unstable => Mark::Unstable,
    })
}

fn words(said: &Definition) -> Words {
    let names = said.names.iter().map(|(word, name)| (word.clone(), Role::of(name))).collect();
    let mut labels: BTreeMap<String, (Role, Option<String>)> = BTreeMap::new();
    for (language, words) in &said.labels {
        for (label, name) in words {
            let shared = labels.contains_key(label);
            labels.insert(label.clone(), (Role::of(name), Some(language.clone()).filter(|_| !shared)));
        }
    }
    Words { names, labels }
}

fn numbers(said: &Definition, faults: &mut Faults) {
    let numbers = &said.numbers;
    let bad = |marks: &str| marks.chars().any(|mark| mark.is_ascii_alphanumeric() || matches!(mark, '+' | '-'));
    if numbers.decimal.is_empty() || bad(&numbers.decimal) {
        let message = format!("`{}` can't be a decimal mark", numbers.decimal);
        faults.add(at!["numbers", "decimal"], message, "\".\" or \",\", or both as \".,\"");
    }
    if bad(&numbers.grouping) {
        let message = format!("`{}` can't be a grouping mark", numbers.grouping);
        faults.add(at!["numbers", "grouping"], message, "a blank, an apostrophe, a point or a comma");
    }
    if numbers.decimals.is_some_and(|decimals| decimals > 28) {
        faults.add(at!["numbers", "decimals"], "more than 28 decimals", "");
    }
    if numbers.exponent && numbers.sign == SignPlace::After {
        faults.add(at!["numbers", "sign"], "a sign after an exponent can't be told from its own", "");
    }
}

fn units(said: &Definition, faults: &mut Faults) -> BTreeMap<String, Unit> {
    let mut units = BTreeMap::new();
    for (spelling, unit) in &said.units {
        if let Some(unit) = faults.unit(at!["units", spelling], unit) {
            units.insert(one_micro(spelling), unit);
        }
    }
    units
}

fn fields(said: &Definition, faults: &mut Faults) -> BTreeMap<String, FieldForm> {
    said.field.iter().map(|(name, field)| (name.clone(), field_form(name, field, faults))).collect()
}

fn field_form(name: &str, field: &Field, faults: &mut Faults) -> FieldForm {
    let role = Role::of(name);
    let is_length = role.is_length();
    let has_unit = role.is_value() || is_length;
    if !has_unit && (field.unit.is_some() || field.unit_in_text.is_some() || field.decimals.is_some()) {
        let message = format!("`{name}` is no number with a unit");
        let help = "`unit`, `unit_in_text` and `decimals` go with a quantity, `value` and lengths such as `cutoff`";
        faults.add(at!["field", name], message, help);
    }
    if field.format.is_some() && !matches!(role, Role::Date | Role::Time) {
        faults.add(at!["field", name, "format"], "only `date` and `time` have a format", "");
    }
    let may_convert = match &role {
        Role::Value => true,
        Role::Measured(quantity) => quantity.unit_kind() == UnitKind::Hardness,
        _ => false,
    };
    if field.converted_from.is_some() && !may_convert {
        let help = "lengths are exact in any unit: leave it out";
        faults.add(at!["field", name, "converted_from"], "only a hardness is converted from another scale", help);
    }
    let unit = field.unit.as_ref().and_then(|unit| faults.unit(at!["field", name, "unit"], unit));
    if let (Some(unit), Role::Measured(quantity)) = (unit, &role)
        && !fits(quantity, unit)
    {
        faults.add(at!["field", name, "unit"], format!("{quantity} does not come in {unit}"), "");
    }
    if unit.is_some_and(|unit| is_length && unit.kind() != UnitKind::Length) {
        faults.add(at!["field", name, "unit"], format!("`{name}` is a length"), "µm, mm or in");
    }
    let format = field.format.as_ref().and_then(|format| {
        let help = "letters of ISO 8601, for example \"DD.MM.YYYY hh:mm:ss\"";
        faults.keep(at!["field", name, "format"], StampForm::compile(format), help)
    });
    FieldForm {
        unit,
        unit_in_text: field.unit_in_text,
        pattern: field.pattern.as_ref().and_then(|pattern| faults.regex(at!["field", name, "pattern"], whole(pattern))),
        format,
        decimals: field.decimals,
        converted_from: field.converted_from.clone(),
        ignore: field.ignore,
    }
}

fn value_marks(said: &Definition, faults: &mut Faults) -> Vec<ValueMark> {
    let mut marks = Vec::new();
    for (index, mark) in said.mark.iter().enumerate() {
        if let Some(pattern) = faults.regex(at!["mark", index, "pattern"], whole(&mark.pattern)) {
            marks.push(ValueMark { pattern, means: mark.means });
        }
    }
    marks
}

fn reading(said: &Definition, faults: &mut Faults) -> ReadingForm {
    let rule = &said.reading;
    let quantity = rule.quantity.as_ref().and_then(|text| faults.quantity(at!["reading", "quantity"], text));
    let unit = rule.unit.as_ref().and_then(|text| faults.unit(at!["reading", "unit"], text));
    if let (Some(quantity), Some(unit)) = (&quantity, unit)
        && !fits(quantity, unit)
    {
        faults.add(at!["reading", "unit"], format!("{quantity} does not come in {unit}"), "");
    }
    let mut unique_by = Vec::new();
    for (index, name) in rule.unique_by.iter().enumerate() {
        let role = Role::of(name);
        let known = [Role::Number, Role::Time, Role::Program, Role::Part, Role::Channel, Role::Remark];
        if !known.contains(&role) {
            let message = format!("`{name}` does not tell measurements apart");
            faults.add(at!["reading", "unique_by", index], message, "number, time, program, part, channel or remark");
        }
        unique_by.push(role);
    }
    let first = rule.number_first.unwrap_or(1);
    if rule.number_first.is_some() && rule.number_last.is_none() {
        let message = "`number_first` says where numbering begins anew, and nothing says when";
        faults.add(at!["reading", "number_first"], message, "give `number_last`, or leave it out");
    }
    if rule.number_last.is_some_and(|last| last <= first) {
        faults.add(at!["reading", "number_last"], format!("the last number is not above {first}"), "for example 9999");
    }
    let numbering = Numbering { first, last: rule.number_last };
    let required = rule.required.iter().map(|name| Role::of(name)).collect();
    ReadingForm {
        quantity,
        unit,
        required,
        unique_by,
        numbering,
        stored: rule.stored,
        quantity_again: rule.quantity_again,
    }
}
