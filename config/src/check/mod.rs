//! What values mean together: units that fit, limits in order, references that lead somewhere, names used once.
//!
//! Every check works on whatever could be read, so that no fault hides another.

mod callouts;
pub(crate) mod cell;
mod devices;
pub(crate) mod gauges;
pub(crate) mod instruments;
pub(crate) mod jobs;
pub(crate) mod labels;
mod limits;
mod master;
pub(crate) mod sinks;
pub(crate) mod sources;
mod specimens;
pub(crate) mod stations;
mod verification;
pub(crate) mod watch;

use std::collections::BTreeMap;
use std::path::{Component, Path as FilePath, PathBuf};

use jiff::civil::Date;
use ridgepost_parsers::UnitKind;
use rust_decimal::Decimal;
use rust_decimal::dec;

use crate::amount;
use crate::diagnostic::Code;
use crate::document::Path;
use crate::plan::{Amount, Settings};
use crate::said::{AmountText, ConditionsSaid, DayText};
use crate::sheet::Sheet;

/// Names that can be referred to.
#[derive(Clone, Debug, Default)]
pub(crate) struct Names {
    /// Every name written, in faulty entries too: a fault in an entry is told there, not at each reference.
    pub(crate) written: Vec<String>,
    /// Whether more names may stand where a file could not be read.
    pub(crate) more: bool,
}

impl Names {
    /// Tells where `name` refers to nothing. `what` is the kind of thing, `home` where it would be written.
    fn refer(&self, sheet: &mut Sheet, path: &Path, what: &str, home: &str, name: &str) {
        if self.more || self.written.iter().any(|known| known == name) {
            return;
        }
        let known: Vec<&str> = self.written.iter().map(String::as_str).collect();
        let advice = crate::nearest::advice(name, &known);
        sheet.fault(path, Code::MissingReference, format!("there is no {what} `{name}` in {home}"), advice);
    }
}

/// Tells every name that was used before; both places are left out, for nobody can say which is meant.
fn duplicates(sheet: &mut Sheet, what: &str, names: &[(Path, Option<String>)], key: &str) {
    let mut seen: BTreeMap<&str, &Path> = BTreeMap::new();
    for (path, name) in names {
        let Some(name) = name else { continue };
        if let Some(first) = seen.get(name.as_str()) {
            let line = sheet.line(&first.key(key));
            let message = match key {
                "name" | "id" => format!("{what} `{name}` is there already, on line {line}"),
                _ => format!("{key} `{name}` is there already, on line {line}"),
            };
            sheet.fault(&path.key(key), Code::Duplicate, message, format!("give each {what} its own {key}"));
            sheet.blame(first);
        } else {
            seen.insert(name, path);
        }
    }
}

/// Tells a name that could not stand in file names, columns or on a screen.
fn plain_name(sheet: &mut Sheet, path: &Path, name: &str) {
    let bad = |char: char| char.is_control() || matches!(char, '/' | '\\');
    if name.contains(bad) || name.trim() != name || name.starts_with('.') {
        let message = format!("`{}` can't be a name", name.escape_debug());
        sheet.fault(
            path,
            Code::WrongValue,
            message,
            "write letters, digits, blanks, - and _, no slashes, no blank at the ends",
        );
    }
}

/// Tells an id that could not be typed or scanned.
fn plain_id(sheet: &mut Sheet, path: &Path, id: &str) {
    if id.contains(char::is_control) || id.trim() != id {
        let message = format!("`{}` can't be an id", id.escape_debug());
        sheet.fault(path, Code::WrongValue, message, "leave out control characters and blanks at the ends");
    }
}

/// A path of the configuration, made absolute and plain without asking the file system.
fn resolve(cell_dir: &FilePath, said: &str) -> PathBuf {
    let mut plain = PathBuf::new();
    for component in cell_dir.join(said).components() {
        match component {
            Component::CurDir => {}
            Component::ParentDir => {
                plain.pop();
            }
            other => plain.push(other),
        }
    }
    plain
}

/// Reads a number with its unit.
fn amount(sheet: &mut Sheet, path: &Path, said: &AmountText, kind: UnitKind) -> Option<Amount> {
    match amount::parse(&said.0, kind) {
        Ok(amount) => Some(amount),
        Err(fault) => {
            sheet.fault(path, fault.code, fault.message, fault.help);
            None
        }
    }
}

/// Reads a day.
fn day(sheet: &mut Sheet, path: &Path, said: &DayText) -> Option<Date> {
    let text = said.0.as_str();
    let digits = |range: std::ops::Range<usize>| {
        text.get(range).is_some_and(|part| part.bytes().all(|byte| byte.is_ascii_digit()))
    };
    let form =
        text.len() == 10 && digits(0..4) && digits(5..7) && digits(8..10) && &text[4..5] == "-" && &text[7..8] == "-";
    if !form {
        sheet.fault(
            path,
            Code::WrongValue,
            format!("`{text}` is no date"),
            "write year-month-day, as in \"2027-03-01\"",
        );
        return None;
    }
    match text.parse() {
        Ok(day) => Some(day),
        Err(_) => {
            sheet.fault(
                path,
                Code::WrongValue,
                format!("there is no day `{text}`"),
                "month and day must exist in that year",
            );
            None
        }
    }
}

/// Cutoffs of ISO 3274 (from memory) in millimetres; their inch forms .003, .010, .030, .100 and .300 in are close.
const CUTOFFS_MM: [Decimal; 5] = [dec!(0.08), dec!(0.25), dec!(0.8), dec!(2.5), dec!(8)];

/// Reads measuring conditions: declared ones of a gauge or required ones of a characteristic.
fn settings(sheet: &mut Sheet, path: &Path, said: &ConditionsSaid) -> Settings {
    let length = |sheet: &mut Sheet, key: &str, said: &Option<AmountText>| {
        let at = path.key(key);
        let amount = amount(sheet, &at, said.as_ref()?, UnitKind::Length)?;
        if amount.number <= Decimal::ZERO {
            sheet.fault(
                &at,
                Code::WrongValue,
                format!("`{key}` can't be {} {}", amount.number, amount.unit),
                "write a length above zero",
            );
            return None;
        }
        Some(amount)
    };
    let cutoff = length(sheet, "cutoff", &said.cutoff);
    let lambda_s = length(sheet, "lambda_s", &said.lambda_s);
    let in_um = |amount: Amount| amount.unit.to_micrometres(amount.number);
    if let (Some(cutoff), Some(lambda_s)) = (cutoff.and_then(in_um), lambda_s.and_then(in_um))
        && lambda_s >= cutoff
    {
        let message = "the short-wave cutoff is not below the cutoff".to_owned();
        sheet.fault(
            &path.key("lambda_s"),
            Code::Contradiction,
            message,
            "λs is a few micrometres, the cutoff λc some tenths of a millimetre",
        );
    }
    if let (Some(cutoff), Some(um)) = (cutoff, cutoff.and_then(in_um)) {
        let near = |nominal: &Decimal| (um / dec!(1000) - nominal).abs() <= nominal * dec!(0.06);
        if !CUTOFFS_MM.iter().any(near) {
            let message = format!("cutoff {} {} is none of the usual ones", cutoff.number, cutoff.unit);
            sheet.warn(
                &path.key("cutoff"),
                Code::WrongValue,
                message,
                "usual are 0.08, 0.25, 0.8, 2.5 and 8 mm: is it a slip of unit or point?",
            );
        }
    }
    Settings {
        cutoff,
        lambda_s,
        sections: said.sections,
        filter: said.filter.clone(),
        standard: said.standard.clone(),
        program: said.program.clone(),
    }
}
