//! Labels: every rule says something, every name leads somewhere, and no two rules are seen to fit one label.

use std::collections::{BTreeMap, BTreeSet};

use regex::Regex;

use super::{Names, duplicates, plain_id};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::labels::{CAPTURES, Command, Item, Keep, Label, Labels, Rule, VALUE_CHARACTERS_MAX, unfit};
use crate::nearest::advice;
use crate::plan::Text;
use crate::said::{LabelSaid, LabelsFile, SetSaid, UntilSaid};
use crate::samples::samples;
use crate::sheet::Sheet;

/// A pattern that takes more memory than this is refused, in bytes.
const PATTERN_BYTES_MAX: usize = 1 << 20;

/// What a rule can refer to.
#[derive(Debug, Default)]
pub(crate) struct Around {
    /// Stations with an instrument.
    pub(crate) stations: Names,
    /// Jobs.
    pub(crate) jobs: Names,
}

fn at(index: usize) -> Path {
    Path::top().key("label").index(index)
}

/// The grammar. A faulty file has no rules at all: with one left out, others might mean more than was meant.
pub(crate) fn check(sheet: &mut Sheet, said: &LabelsFile, around: &Around, text: Text) -> Labels {
    let rules = said.label.as_deref().unwrap_or_default();
    let names: Vec<_> = rules.iter().enumerate().map(|(index, said)| (at(index), said.name.clone())).collect();
    duplicates(sheet, "label", &names, "name");
    let read: Vec<_> = rules.iter().enumerate().map(|(index, said)| rule(sheet, &at(index), said, around)).collect();
    overlapping(sheet, &read);
    let keep = [
        (Item::Serial, &said.keep.serial),
        (Item::Operator, &said.keep.operator),
        (Item::Balloon, &said.keep.balloon),
        (Item::Mode, &said.keep.mode),
    ];
    let keep: BTreeMap<Item, Keep> =
        keep.into_iter().filter_map(|(item, said)| Some((item, until(item, said.as_ref()?)))).collect();
    let need: BTreeSet<Item> = said.need.iter().copied().collect();
    for item in &need {
        let is_said = read.iter().flatten().any(|rule| says(rule, *item));
        if !is_said && read.iter().all(Option::is_some) {
            let message = format!("`{}` is needed and no rule says it", item.word());
            sheet.fault(&Path::top().key("need"), Code::Contradiction, message, "no reading would ever be judged");
        }
    }
    let rules = if sheet.is_faulty(&Path::top()) { vec![] } else { read.into_iter().flatten().collect() };
    Labels { rules, need, keep, text }
}

fn until(item: Item, said: &UntilSaid) -> Keep {
    Keep {
        ms: said.minutes.map(|minutes| u64::from(minutes) * 60_000),
        readings: said.readings.map(u64::from),
        piece: said.piece.unwrap_or(Keep::unwritten(item).piece),
    }
}

fn says(rule: &Rule, item: Item) -> bool {
    rule.set.items.contains_key(&item) || rule.pattern.capture_names().flatten().any(|name| name == item.word())
}

fn rule(sheet: &mut Sheet, path: &Path, said: &LabelSaid, around: &Around) -> Option<Rule> {
    if let Some(name) = &said.name {
        plain_id(sheet, &path.key("name"), name);
    }
    let pattern = said.pattern.as_ref().and_then(|pattern| compile(sheet, &path.key("pattern"), pattern));
    let captures: Vec<&str> = pattern.iter().flat_map(|pattern| pattern.capture_names().flatten()).collect();
    known_captures(sheet, path, said, &captures);
    let mut set = set(sheet, &path.key("set"), &said.set, around);
    set.rule = said.name.clone().unwrap_or_default();
    set.command = said.command;
    set.reason.clone_from(&said.reason);
    reason(sheet, path, said);
    set.forget = said.forget.iter().copied().collect();
    void_alone(sheet, path, &set, &captures);
    for name in &captures {
        if sheet.has(&path.key("set").key(name)) {
            let message = format!("`{name}` is captured and set");
            sheet.fault_of_key(&path.key("set").key(name), Code::Contradiction, message, "keep one of the two");
        }
    }
    if !sheet.is_faulty(path) && set.is_empty() && !captures.iter().any(|name| CAPTURES.contains(name)) {
        let message = "this label says nothing".to_owned();
        let help = "name a capture, as in (?<serial>[0-9]+), or write `set`, `forget` or `command`";
        sheet.fault(path, Code::MissingKey, message, help);
    }
    let check = said.check.map(|check| (check, said.check_over.clone()));
    Some(Rule { name: said.name.clone()?, pattern: pattern?, check, set })
}

/// A reading is void for a reason, and nothing else has one.
fn reason(sheet: &mut Sheet, path: &Path, said: &LabelSaid) {
    let at = path.key("reason");
    let voids = said.command == Some(Command::Void);
    match &said.reason {
        None if voids && sheet.lacks(&at) => {
            let message = "`command = \"void\"` without `reason`".to_owned();
            sheet.fault(path, Code::MissingKey, message, "write why the reading counts for nothing: reason = \"dirt\"");
        }
        Some(text) if voids && unfit(text).is_some() => {
            let message = format!("`{}` is no reason", text.escape_debug());
            sheet.fault(&at, Code::WrongValue, message, "write words that can be printed");
        }
        Some(_) if !voids && (said.command.is_some() || sheet.lacks(&path.key("command"))) => {
            let message = "`reason` without `command = \"void\"`".to_owned();
            sheet.fault_of_key(&at, Code::Contradiction, message, "only a reading that is void has a reason");
        }
        _ => {}
    }
}

/// A label that makes a reading void says nothing else: it is obeyed whole or not at all.
fn void_alone(sheet: &mut Sheet, path: &Path, set: &Label, captures: &[&str]) {
    let says_more = set.job.is_some() || set.station.is_some() || !set.items.is_empty() || !set.forget.is_empty();
    if set.command == Some(Command::Void) && (says_more || captures.iter().any(|name| CAPTURES.contains(name))) {
        let message = "a label that makes a reading void says something else as well".to_owned();
        sheet.fault_of_key(&path.key("command"), Code::Contradiction, message, "write two labels");
    }
}

/// A pattern over a whole label.
fn compile(sheet: &mut Sheet, path: &Path, pattern: &str) -> Option<Regex> {
    let build = |pattern: &str| regex::RegexBuilder::new(pattern).size_limit(PATTERN_BYTES_MAX).build();
    // Alone first: a group left open must not close in what is put around it.
    match build(pattern).and_then(|_| build(&format!(r"\A(?:{pattern})\z"))) {
        Ok(regex) => Some(regex),
        Err(error) => {
            let words = match error {
                regex::Error::Syntax(text) => {
                    text.lines().last().unwrap_or("").trim_start_matches("error: ").to_owned()
                }
                regex::Error::CompiledTooBig(_) => "it grows too large".to_owned(),
                other => other.to_string(),
            };
            let help = "a regular expression in single quotes, so that TOML leaves backslashes alone";
            sheet.fault(path, Code::WrongValue, format!("the pattern can't be used: {words}"), help);
            None
        }
    }
}

fn known_captures(sheet: &mut Sheet, path: &Path, said: &LabelSaid, captures: &[&str]) {
    for name in captures {
        let is_checked = said.check_over.as_deref() == Some(*name);
        if !CAPTURES.contains(name) && !is_checked {
            let message = format!("capture `{name}` means nothing here");
            sheet.fault(&path.key("pattern"), Code::UnknownKey, message, advice(name, &CAPTURES));
        }
    }
    let Some(over) = &said.check_over else { return };
    let at = path.key("check_over");
    if said.check.is_none() && sheet.lacks(&path.key("check")) {
        let message = "`check_over` without `check`".to_owned();
        sheet.fault_of_key(&at, Code::Contradiction, message, "write check = \"mod 10\" or check = \"mod 43\"");
    } else if said.pattern.is_some() && !captures.contains(&over.as_str()) && !sheet.is_faulty(&path.key("pattern")) {
        let message = format!("the pattern has no capture `{over}`");
        sheet.fault(&at, Code::MissingReference, message, advice(over, captures));
    }
}

/// What a rule says by itself.
fn set(sheet: &mut Sheet, path: &Path, said: &SetSaid, around: &Around) -> Label {
    let mut text = |key: &str, said: &Option<String>| {
        let (at, text) = (path.key(key), said.clone()?);
        let long = text.chars().count() > VALUE_CHARACTERS_MAX;
        if unfit(&text).is_some() || long || text.trim().is_empty() {
            let message = format!("no label can say `{}`", text.escape_debug());
            sheet.fault(&at, Code::WrongValue, message, "write up to 128 characters that can be printed");
        }
        Some(text)
    };
    let (job, station) = (text("job", &said.job), text("station", &said.station));
    let items = [
        (Item::Serial, text("serial", &said.serial)),
        (Item::Operator, text("operator", &said.operator)),
        (Item::Balloon, text("balloon", &said.balloon)),
        (Item::Mode, said.mode.map(|mode| mode.word().to_owned())),
    ];
    if let Some(job) = &job {
        around.jobs.refer(sheet, &path.key("job"), "job", "jobs/", job);
    }
    if let Some(station) = &station {
        around.stations.refer(sheet, &path.key("station"), "station with an instrument", "cell.toml", station);
    }
    let items = items.into_iter().filter_map(|(item, text)| Some((item, text?))).collect();
    Label { job, station, items, ..Label::default() }
}

/// Tells rules that one and the same text fits, as far as texts are found; the others are told when such a label
/// comes.
fn overlapping(sheet: &mut Sheet, read: &[Option<Rule>]) {
    let written = |rule: &Rule| {
        let samples = samples(rule.pattern.as_str()).into_iter();
        samples.filter(|text| unfit(text).is_none() && rule.pattern.is_match(text)).collect::<Vec<_>>()
    };
    let texts: Vec<Vec<String>> = read.iter().map(|rule| rule.as_ref().map(written).unwrap_or_default()).collect();
    for (index, second) in read.iter().enumerate() {
        let Some(second) = second else { continue };
        let found = read[..index].iter().zip(&texts).enumerate().find_map(|(place, (first, of_first))| {
            let first = first.as_ref()?;
            let fits_second = of_first.iter().find(|text| second.pattern.is_match(text));
            let both = fits_second.or_else(|| texts[index].iter().find(|text| first.pattern.is_match(text)))?;
            Some((place, first.name.clone(), both.clone()))
        });
        let Some((place, first, both)) = found else { continue };
        let line = sheet.line(&at(place).key("pattern"));
        let message = format!("label `{both}` fits this rule and rule `{first}`, on line {line}");
        let help = "let the patterns exclude each other: a label that fits two rules is refused";
        sheet.fault(&at(index).key("pattern"), Code::Contradiction, message, help);
    }
}
