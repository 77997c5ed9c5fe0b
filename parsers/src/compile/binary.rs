//! The layout of `[binary]`.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::at;
use super::faults::Faults;
use crate::binary::{BinaryForm, Bits, Linear, Part, width};
use crate::definition::{
    Binary, BinaryBit, BinaryField, BinaryKind, ByteOrder, Definition, FramingKind, Repeat, StateWord, Step,
};
use crate::reading::Mark;
use crate::role::{Role, Words};
use crate::value::Value;

pub(super) fn binary(said: &Definition, words: &Words, faults: &mut Faults) -> Option<BinaryForm> {
    let binary = said.binary.as_ref()?;
    if matches!(said.framing.kind, FramingKind::Lines | FramingKind::Rows) {
        let message = "binary frames have no lines: their bytes may be line ends";
        faults.add(
            at!["framing", "kind"],
            message,
            "a fixed length, a length that the frame states, silence, or a file",
        );
    }
    if !said.line.is_empty() {
        faults.add(at!["line"], "binary frames have no lines", "leave out the `[[line]]` rules");
    }
    let mut layout = Layout { binary, words, faults, numbers: vec![], rests: 0 };
    let field = layout.parts("field", &binary.field, true);
    let record = layout.parts("record", &binary.record, false);
    if let Some(records) = &binary.records {
        layout.repeat(at!["binary", "records"], records, width(&record).is_some());
    }
    let behind = layout.parts("behind", &binary.behind, true);
    let (rests, names) = (layout.rests, layout.numbers);
    if binary.records.is_some() == binary.record.is_empty() {
        faults.add(
            at!["binary", "records"],
            "`records` and `record` go together",
            "records = \"count\" and `[[binary.record]]`",
        );
    }
    if rests > 1 || (rests == 1 && width(&behind).is_none()) {
        faults.add(at!["binary"], "only one thing can take what is left of the frame", "state the other counts");
    }
    if names.is_empty() && field.is_empty() && record.is_empty() {
        faults.add(at!["binary"], "the layout has no field", "give `[[binary.field]]`");
    }
    Some(BinaryForm { field, record, records: binary.records.clone(), behind })
}

struct Layout<'a> {
    binary: &'a Binary,
    words: &'a Words,
    faults: &'a mut Faults,
    /// Names of whole numbers so far.
    numbers: Vec<String>,
    rests: usize,
}

/// Bytes of the kinds that have a width of their own.
fn own_width(kind: BinaryKind) -> Option<usize> {
    use BinaryKind::{Bcd, F32, F64, I8, I16, I24, I32, I64, Skip, Text, U8, U16, U24, U32, U64};
    Some(match kind {
        U8 | I8 => 1,
        U16 | I16 => 2,
        U24 | I24 => 3,
        U32 | I32 | F32 => 4,
        U64 | I64 | F64 => 8,
        Bcd | Text | Skip => return None,
    })
}

fn is_float(kind: BinaryKind) -> bool {
    matches!(kind, BinaryKind::F32 | BinaryKind::F64)
}

impl Layout<'_> {
    fn parts(&mut self, list: &str, fields: &[BinaryField], may_rest: bool) -> Vec<Part> {
        let mut parts: Vec<Part> = Vec::new();
        for (index, field) in fields.iter().enumerate() {
            let part = self.part(list, index, field, may_rest);
            match (width(&parts), part.at) {
                (Some(end), Some(at)) if at < end => {
                    let message = format!("byte {at} belongs to a field before it, which ends at {end}");
                    self.faults.add(
                        at!["binary", list, index, "at"],
                        message,
                        "fields stand in the order of their bytes",
                    );
                }
                (None, Some(_)) => {
                    let message = "where an array of unknown length ends, no place can be given";
                    self.faults.add(at!["binary", list, index, "at"], message, "leave out `at`");
                }
                _ => {}
            }
            parts.push(part);
        }
        parts
    }

    fn part(&mut self, list: &str, index: usize, field: &BinaryField, may_rest: bool) -> Part {
        let path = |key: &str| vec![Step::from("binary"), Step::from(list), Step::from(index), Step::from(key)];
        let own = own_width(field.kind);
        if own.is_some() == field.bytes.is_some() || field.bytes.is_some_and(|bytes| !(1..=65_536).contains(&bytes)) {
            let message = "`bytes` goes with the kinds bcd, text and skip, and they need it";
            self.faults.add(&path("bytes"), message, "bytes = 4");
        }
        let width = own.or(field.bytes).unwrap_or(1);
        // Packed digits are written as people write them, whatever the numbers do.
        let general = if field.kind == BinaryKind::Bcd { Some(ByteOrder::Big) } else { self.binary.order };
        let order = field.order.or(general);
        let has_order = width > 1 && !matches!(field.kind, BinaryKind::Text | BinaryKind::Skip | BinaryKind::Bcd);
        if has_order && order.is_none() {
            self.faults.add(
                &path("kind"),
                "nothing says which byte of the number comes first",
                "binary.order = \"little\"",
            );
        }
        let order = order.unwrap_or(ByteOrder::Little);
        let role = field.name.as_ref().map(|name| self.words.of_definition(name));
        self.fits(&path, field, role.as_ref());
        if let Some(count) = &field.count {
            self.repeat(&path("count"), count, may_rest);
        }
        let part = Part {
            name: field.name.clone().unwrap_or_default(),
            kind: field.kind,
            at: field.at,
            width,
            is_big: order == ByteOrder::Big,
            equals: self.equals(&path("equals"), field),
            linear: self.linear(&path, field),
            decimals: field.decimals,
            states: self.states(&path("states"), &field.states),
            words: field.words.clone(),
            bits: self.bits(&path, field, width),
            count: field.count.clone(),
            role,
        };
        let is_whole = !is_float(field.kind) && !matches!(field.kind, BinaryKind::Skip | BinaryKind::Text);
        if is_whole && field.count.is_none() {
            self.numbers.extend(field.name.clone());
        }
        part
    }

    /// Keys that say something only about other kinds of fields.
    fn fits(&mut self, path: &dyn Fn(&str) -> Vec<Step>, field: &BinaryField, role: Option<&Role>) {
        let is_text = matches!(field.kind, BinaryKind::Text | BinaryKind::Skip);
        let is_array = field.count.is_some();
        let keys = [
            ("scale", field.scale.is_some(), !is_text && !is_array && field.words.is_empty()),
            ("offset", field.offset.is_some(), !is_text && !is_array && field.words.is_empty()),
            ("decimals", field.decimals.is_some(), is_float(field.kind)),
            ("states", !field.states.is_empty(), !is_text && !is_array && field.words.is_empty()),
            ("words", !field.words.is_empty(), field.kind != BinaryKind::Skip && !is_float(field.kind) && !is_array),
            (
                "bit",
                !field.bit.is_empty(),
                !is_text && !is_float(field.kind) && field.kind != BinaryKind::Bcd && !is_array,
            ),
            ("equals", field.equals.is_some(), field.kind != BinaryKind::Skip && !is_float(field.kind) && !is_array),
            ("name", field.name.is_some(), field.kind != BinaryKind::Skip),
        ];
        for (key, is_given, fits) in keys {
            if is_given && !fits {
                self.faults.add(&path(key), format!("`{key}` means nothing for such a field"), "leave it out");
            }
        }
        if is_array != (role == Some(&Role::Heights)) {
            self.faults.add(
                &path("count"),
                "the field `heights` is an array, and only it",
                "name = \"heights\" and `count`",
            );
        }
        if field.words.is_empty() && role == Some(&Role::Heights) && is_text {
            self.faults.add(&path("kind"), "heights are numbers", "for example kind = \"i16\"");
        }
        if !field.states.is_empty() && !role.is_some_and(Role::is_value) {
            self.faults.add(&path("states"), "only a value has a state", "name a quantity, or `value`");
        }
    }

    fn repeat(&mut self, path: &[Step], repeat: &Repeat, may_rest: bool) {
        match repeat {
            Repeat::Times(1..=1_000_000) => {}
            Repeat::Times(_) => self.faults.add(path, "this is no count of anything", "1 to 1000000"),
            Repeat::Field(name) if name == "rest" && may_rest => self.rests += 1,
            Repeat::Field(name) if name == "rest" => {
                self.faults.add(path, "what repeats can't take what is left of the frame", "state its count");
            }
            Repeat::Field(name) if self.numbers.contains(name) => {}
            Repeat::Field(name) => {
                let message = format!("no whole number before it is named `{name}`");
                self.faults.add(path, message, "the name of an earlier field, a number, or \"rest\"");
            }
        }
    }

    fn equals(&mut self, path: &[Step], field: &BinaryField) -> Option<String> {
        let equals = field.equals.as_ref()?;
        if matches!(field.kind, BinaryKind::Text) {
            return Some(equals.trim_end_matches([' ', '\0']).to_owned());
        }
        if field.kind == BinaryKind::Bcd {
            return Some(equals.clone());
        }
        let number = match equals.strip_prefix("0x") {
            Some(digits) => i128::from_str_radix(digits, 16).ok(),
            None => equals.parse::<i128>().ok(),
        };
        self.faults
            .keep(path, number.ok_or_else(|| format!("`{equals}` is no whole number")), "\"0\", or \"0x5052\"")
            .map(|number| number.to_string())
    }

    fn linear(&mut self, path: &dyn Fn(&str) -> Vec<Step>, field: &BinaryField) -> Option<Linear> {
        if field.scale.is_none() && field.offset.is_none() {
            return None;
        }
        let mut decimal = |key: &str, text: &Option<String>| {
            let text = text.as_ref()?;
            let number = Value::parse(text).map_err(|_| format!("`{text}` is no decimal"));
            self.faults.keep(&path(key), number, "for example \"0.001\"").map(Value::decimal)
        };
        let scale = decimal("scale", &field.scale).unwrap_or(Decimal::ONE);
        let offset = decimal("offset", &field.offset);
        if scale.is_zero() {
            self.faults.add(&path("scale"), "times 0 every value is 0", "for example \"0.001\"");
        }
        Some(Linear { scale, offset })
    }

    fn states(&mut self, path: &[Step], said: &BTreeMap<String, StateWord>) -> BTreeMap<String, Mark> {
        let mut states = BTreeMap::new();
        for (code, word) in said {
            match super::mark_of(*word) {
                Some(mark) => drop(states.insert(code.clone(), mark)),
                None => self.faults.add(path, format!("the code {code} stands in place of a number"), "leave it out"),
            }
        }
        states
    }

    fn bits(&mut self, path: &dyn Fn(&str) -> Vec<Step>, field: &BinaryField, width: usize) -> Vec<Bits> {
        let mut all: Vec<Bits> = Vec::new();
        for (index, bit) in field.bit.iter().enumerate() {
            let path: Vec<Step> = path("bit").into_iter().chain([Step::from(index)]).collect();
            let (from, to) = bit.at.split_once('-').unwrap_or((&bit.at, &bit.at));
            let (Ok(from), Ok(to)) = (from.trim().parse::<u32>(), to.trim().parse::<u32>()) else {
                self.faults.add(&path, format!("`{}` are no bits", bit.at), "\"3\", or \"4-7\"");
                continue;
            };
            if from > to || usize::try_from(to).is_ok_and(|to| to >= 8 * width) {
                self.faults.add(
                    &path,
                    format!("`{}` are no bits of {width} bytes", bit.at),
                    "counted from 0, the lowest",
                );
                continue;
            }
            if all.iter().any(|other| other.from <= to && from < other.from + other.width) {
                self.faults.add(&path, format!("`{}` belong to another entry as well", bit.at), "");
            }
            says_something(&path, bit, self.faults);
            all.push(Bits {
                from,
                width: to - from + 1,
                role: bit.name.as_ref().map(|name| self.words.of_definition(name)),
                words: bit.words.clone(),
                equals: bit.equals,
                event: bit.event,
            });
        }
        all
    }
}

fn says_something(path: &[Step], bit: &BinaryBit, faults: &mut Faults) {
    if bit.name.is_none() && !bit.words.is_empty() && bit.event.is_none() {
        faults.add(path, "`words` of bits without a name", "give `name`");
    }
}
