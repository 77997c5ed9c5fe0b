//! From what an engineer wrote to a plan: every fault at once, each with its place and a way out.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::assemble::fits;
use crate::cut::{Cut, End, LineEnd, Quoting, Shape, Start};
use crate::definition::{ChecksumPlace, Definition, Fault, Field, FramingKind, SignPlace, Step, VerdictWord, Written};
use crate::encoding::{is_wide, mark_bytes};
use crate::pattern::{LinePattern, beginning, whole};
use crate::plan::{Check, Column, FieldForm, FrameMarks, Place, Plan, Reader, ReadingForm, Rule, TableForm, ValueMark};
use crate::quantity::Quantity;
use crate::reading::Verdict;
use crate::role::{Beside, Role, Words};
use crate::stamp::StampForm;
use crate::unit::{Unit, UnitKind};

/// Faults found so far.
#[derive(Default)]
struct Faults(Vec<Fault>);

/// A place in the document.
macro_rules! at {
    ($($step:expr),*) => { &[$(Step::from($step)),*] };
}

impl From<&str> for Step {
    fn from(key: &str) -> Self {
        Step::Key(key.to_owned())
    }
}

impl From<&String> for Step {
    fn from(key: &String) -> Self {
        Step::Key(key.clone())
    }
}

impl From<usize> for Step {
    fn from(index: usize) -> Self {
        Step::Index(index)
    }
}

impl Faults {
    fn add(&mut self, path: &[Step], message: impl Into<String>, help: &str) {
        let help = Some(help.to_owned()).filter(|help| !help.is_empty());
        self.0.push(Fault { path: path.to_vec(), message: message.into(), help });
    }

    fn keep<T>(&mut self, path: &[Step], result: Result<T, String>, help: &str) -> Option<T> {
        result.map_err(|message| self.add(path, message, help)).ok()
    }

    fn regex(&mut self, path: &[Step], result: Result<regex::Regex, String>) -> Option<regex::Regex> {
        self.keep(path, result.map_err(bad_pattern), PATTERN_HELP)
    }

    fn line_pattern(&mut self, path: &[Step], pattern: &str, words: &Words) -> Option<LinePattern> {
        self.keep(path, LinePattern::compile(pattern, words).map_err(bad_pattern), PATTERN_HELP)
    }

    fn unit(&mut self, path: &[Step], text: &str) -> Option<Unit> {
        let unit = Unit::parse(text).ok_or_else(|| format!("unknown unit `{text}`"));
        let known: Vec<&str> = Unit::all().map(Unit::symbol).collect();
        self.keep(path, unit, &format!("one of {}", known.join(" ")))
    }

    fn quantity(&mut self, path: &[Step], text: &str) -> Option<Quantity> {
        let quantity = Quantity::parse(text).ok_or_else(|| format!("unknown quantity `{text}`"));
        let known: Vec<&str> = Quantity::symbols().collect();
        self.keep(path, quantity, &format!("one of {}", known.join(" ")))
    }

    /// The one character of a text, as a byte where `ascii` asks for it.
    fn character(&mut self, path: &[Step], text: &str) -> Option<char> {
        let mut characters = text.chars();
        match (characters.next(), characters.next()) {
            (Some(character), None) if character.is_ascii() => Some(character),
            _ => {
                self.add(path, format!("`{text}` is not one plain character"), "example: \";\"");
                None
            }
        }
    }
}

const PATTERN_HELP: &str = "write the pattern in single quotes, so that TOML leaves its backslashes alone";

fn bad_pattern(error: String) -> String {
    format!("the pattern can't be read: {error}")
}

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
    let shape = shape(said, &marks, check.as_ref(), (&start_line, &end_line), &mut faults);
    let rules = rules(said, &words, &mut faults);
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
        reading: reading(said, &mut faults),
        marks,
        check,
        rules,
        reader,
        words,
    };
    sense(said, &plan, &mut faults);
    if faults.0.is_empty() { Ok(plan) } else { Err(faults.0) }
}

fn verdict(word: VerdictWord) -> Verdict {
    match word {
        VerdictWord::In => Verdict::In,
        VerdictWord::Out => Verdict::Out,
    }
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

fn frame_marks(said: &Definition, faults: &mut Faults) -> FrameMarks {
    let mut bytes = |key: &str, text: &Option<String>| {
        let Some(text) = text else { return vec![] };
        match mark_bytes(said.text.encoding, text).filter(|bytes| !bytes.is_empty()) {
            Some(bytes) => bytes,
            None => {
                let help = "each character up to U+00FF stands for one byte, for example \"\\u0002\"";
                faults.add(at!["framing", key], "this can't be a mark of bytes", help);
                vec![]
            }
        }
    };
    let framing = &said.framing;
    FrameMarks {
        start: bytes("start", &framing.start),
        end: bytes("end", &framing.end),
        tail: bytes("tail", &framing.tail),
    }
}

fn check(said: &Definition, faults: &mut Faults) -> Option<Check> {
    let checksum = said.checksum.as_ref()?;
    let is_block = said.framing.kind == FramingKind::Block && said.framing.end.is_some();
    let is_length = said.framing.kind == FramingKind::Length && said.framing.end.is_some();
    let place = checksum.place.unwrap_or(if is_block { ChecksumPlace::AfterEnd } else { ChecksumPlace::Last });
    if place == ChecksumPlace::AfterEnd && !is_block && !is_length {
        let message = "a check value behind the end mark needs an end mark";
        faults.add(at!["checksum", "place"], message, "give `framing.end`, or place = \"last\"");
    }
    if place == ChecksumPlace::AfterEnd && checksum.after.is_some() {
        faults.add(at!["checksum", "after"], "`after` belongs to a check value that stands last", "leave it out");
    }
    if place == ChecksumPlace::Last && checksum.written == Written::Byte && said.framing.kind != FramingKind::Length {
        let message = "a raw check byte before the end of the frame may equal the mark that ends it";
        faults.add(
            at!["checksum", "written"],
            message,
            "it stands behind the end mark, or the frame has a fixed length",
        );
    }
    let after = checksum.after.as_ref().map(|after| mark_bytes(said.text.encoding, after));
    if after == Some(None) {
        faults.add(at!["checksum", "after"], "this can't be a mark of bytes", "example: \"*\"");
    }
    let after = after.flatten().unwrap_or_default();
    Some(Check { kind: checksum.kind, covers: checksum.covers, written: checksum.written, place, after })
}

fn mark_patterns(said: &Definition, words: &Words, faults: &mut Faults) -> (Option<LinePattern>, Option<LinePattern>) {
    let mut pattern = |key: &str, text: &Option<String>| {
        text.as_ref().and_then(|text| faults.line_pattern(at!["framing", key], text, words))
    };
    (pattern("start_line", &said.framing.start_line), pattern("end_line", &said.framing.end_line))
}

/// Bytes behind the end mark.
fn behind(said: &Definition, marks: &FrameMarks, check: Option<&Check>) -> usize {
    let width = match check.filter(|check| check.place == ChecksumPlace::AfterEnd).map(|check| check.written) {
        None => 0,
        Some(Written::Byte) => 1,
        Some(Written::Hex) => 2,
        Some(Written::Decimal) => 3,
    };
    let tail = if said.framing.end.is_some() { marks.tail.len() } else { 0 };
    width + tail
}

fn shape(
    said: &Definition,
    marks: &FrameMarks,
    check: Option<&Check>,
    lines: (&Option<LinePattern>, &Option<LinePattern>),
    faults: &mut Faults,
) -> Shape {
    let framing = &said.framing;
    keys_fit_kind(said, faults);
    let is_rows = framing.kind == FramingKind::Rows;
    let behind = behind(said, marks, check);
    let cut = match framing.kind {
        FramingKind::Lines | FramingKind::Rows => Cut::Lines { quote: quoting(said, faults) },
        FramingKind::Block => block(said, marks, lines, behind, faults),
        FramingKind::Length => {
            let length = framing.length.unwrap_or(0);
            if length <= marks.start.len() + marks.end.len() + behind {
                faults.add(
                    at!["framing", "length"],
                    "kind \"length\" needs `length`, more bytes than its marks have",
                    "",
                );
            }
            Cut::Length { start: marks.start.clone(), length, end: marks.end.clone(), behind }
        }
        FramingKind::Gap => {
            if framing.gap_ms.is_none() {
                faults.add(
                    at!["framing"],
                    "kind \"gap\" needs `gap_ms`",
                    "the silence that ends a frame, for example 80",
                );
            }
            Cut::Gap
        }
    };
    let bytes_max = framing.bytes_max.unwrap_or(if is_rows { 1_048_576 } else { 65_536 });
    if bytes_max < 16 || bytes_max > 16_777_216 || framing.length.is_some_and(|length| length > bytes_max) {
        faults.add(at!["framing", "bytes_max"], format!("{bytes_max} bytes can't hold a frame"), "16 to 16777216");
    }
    let terminator = framing.terminator.as_ref().map(|text| mark_bytes(said.text.encoding, text));
    let line_end = match terminator {
        None => LineEnd::Any,
        Some(Some(bytes)) if !bytes.is_empty() => LineEnd::Exact(bytes),
        Some(_) => {
            faults.add(at!["framing", "terminator"], "this can't be a line end", "for example \"\\r\\n\"");
            LineEnd::Any
        }
    };
    let idle_ms = framing.idle_ms.or(if is_rows { None } else { Some(2_000) });
    Shape {
        cut,
        line_end,
        encoding: said.text.encoding,
        bytes_max,
        idle_ms,
        gap_ms: framing.gap_ms,
        unterminated_last_row: framing.unterminated_last_row,
    }
}

/// Keys of another kind of framing are a misunderstanding.
fn keys_fit_kind(said: &Definition, faults: &mut Faults) {
    use FramingKind::{Block, Gap, Length, Lines, Rows};
    let framing = &said.framing;
    let keys: [(&str, bool, &[FramingKind]); 9] = [
        ("terminator", framing.terminator.is_some(), &[Lines, Rows, Block, Length, Gap]),
        ("start", framing.start.is_some(), &[Lines, Rows, Block, Length, Gap]),
        ("end", framing.end.is_some(), &[Block, Length]),
        ("start_line", framing.start_line.is_some(), &[Block]),
        ("end_line", framing.end_line.is_some(), &[Block]),
        ("end_blank_line", framing.end_blank_line, &[Block]),
        ("length", framing.length.is_some(), &[Length]),
        ("quote", framing.quote.is_some(), &[Rows]),
        ("unterminated_last_row", framing.unterminated_last_row, &[Rows, Lines]),
    ];
    for (key, is_given, kinds) in keys {
        if is_given && !kinds.contains(&framing.kind) {
            let message = format!("`{key}` means nothing for framing of this kind");
            faults.add(at!["framing", key], message, "change `kind`, or leave it out");
        }
    }
    if framing.tail.is_some() && framing.end.is_none() {
        faults.add(at!["framing", "tail"], "`tail` follows an end mark, and there is none", "give `end`");
    }
    if is_wide(said.text.encoding) && !matches!(framing.kind, Lines | Rows) {
        let message = "UTF-16 is read in lines and rows only";
        faults.add(at!["text", "encoding"], message, "kind = \"lines\" or kind = \"rows\"");
    }
    if is_wide(said.text.encoding) && said.checksum.is_some() {
        faults.add(at!["checksum"], "a check value over UTF-16 is not supported", "");
    }
}

fn quoting(said: &Definition, faults: &mut Faults) -> Option<Quoting> {
    let quote = said.framing.quote.as_ref()?;
    let quote = faults.character(at!["framing", "quote"], quote)?;
    let Some(table) = &said.table else {
        faults.add(at!["framing", "quote"], "quotation marks need `[table]`", "give `table.delimiter`");
        return None;
    };
    let delimiter = table.delimiter.chars().next().filter(char::is_ascii)?;
    Some(Quoting { quote: u8::try_from(quote).ok()?, delimiter: u8::try_from(delimiter).ok()? })
}

fn block(
    said: &Definition,
    marks: &FrameMarks,
    (start_line, end_line): (&Option<LinePattern>, &Option<LinePattern>),
    behind: usize,
    faults: &mut Faults,
) -> Cut {
    let framing = &said.framing;
    let ends = [framing.end.is_some(), framing.end_line.is_some(), framing.end_blank_line];
    let has_start = framing.start.is_some() || framing.start_line.is_some();
    match ends.iter().filter(|is_given| **is_given).count() {
        0 if !has_start || framing.gap_ms.is_none() => {
            let help = "give `end`, `end_line` or `end_blank_line`; or a start mark and `gap_ms`";
            faults.add(at!["framing"], "nothing says where a block ends", help);
        }
        0 | 1 => {}
        _ => faults.add(at!["framing"], "a block has one end", "only one of `end`, `end_line`, `end_blank_line`"),
    }
    if framing.start.is_some() && framing.start_line.is_some() {
        faults.add(at!["framing", "start_line"], "a block has one start", "only one of `start`, `start_line`");
    }
    let start = match (start_line, marks.start.is_empty()) {
        (Some(pattern), _) => Start::Line(pattern.regex().clone()),
        (None, false) => Start::Bytes(marks.start.clone()),
        (None, true) => Start::Anything,
    };
    let end = match (end_line, marks.end.is_empty(), framing.end_blank_line) {
        (Some(pattern), ..) => End::Line(pattern.regex().clone()),
        (None, false, _) => End::Bytes(marks.end.clone()),
        (None, true, true) => End::BlankLine,
        (None, true, false) => End::NextStart,
    };
    Cut::Block { start, end, behind, restart: said.checksum.is_some() }
}

fn rules(said: &Definition, words: &Words, faults: &mut Faults) -> Vec<Rule> {
    let mut rules = Vec::new();
    for (index, rule) in said.line.iter().enumerate() {
        let path = at!["line", index, "pattern"];
        let Some(pattern) = faults.line_pattern(path, &rule.pattern, words) else { continue };
        let has_value = pattern.roles().any(Role::is_value);
        if has_value && (rule.ignore || rule.event.is_some()) {
            let message = "a line that is ignored or tells an event holds no value";
            faults.add(path, message, "leave out the capture of the value, or `ignore` and `event`");
        }
        if pattern.roles().any(|role| *role == Role::Quantity) && !has_value && !rule.ignore {
            faults.add(path, "a quantity without a value", "capture `value` as well");
        }
        let carry = rule.carry.unwrap_or(said.framing.kind == FramingKind::Rows);
        let (ignore, event, starts_record) = (rule.ignore, rule.event, rule.starts_record);
        rules.push(Rule { pattern, ignore, event, carry, starts_record, has_value });
    }
    rules
}

fn reader(said: &Definition, words: &Words, faults: &mut Faults) -> Reader {
    let given = [said.table.is_some(), said.places.is_some(), said.pairs.is_some()];
    let count = given.iter().filter(|is_given| **is_given).count();
    if count > 1 {
        faults.add(at![], "a line is read one way", "only one of `[table]`, `[places]`, `[pairs]`");
    }
    if count == 0 && said.line.is_empty() {
        faults.add(at![], "nothing says how a line is read", "give `[[line]]`, `[table]`, `[places]` or `[pairs]`");
    }
    if let Some(table) = table(said, words, faults) {
        return Reader::Table(table);
    }
    if let Some(said) = &said.places {
        return Reader::Places(places(said, words, faults));
    }
    match &said.pairs {
        Some(pairs) => {
            let empty = |text: &str| text.is_empty();
            if empty(&pairs.pair) || pairs.between.as_deref().is_some_and(empty) {
                faults.add(at!["pairs"], "a separator is empty", "for example pair = \"=\", between = \";\"");
            }
            if pairs.between.is_none() && matches!(said.framing.kind, FramingKind::Lines | FramingKind::Rows) {
                let message = "a line is one frame, so its pairs need a separator";
                faults.add(at!["pairs"], message, "give `between`; or frames of many lines (kind = \"block\")");
            }
            Reader::Pairs { pair: pairs.pair.clone(), between: pairs.between.clone() }
        }
        None => Reader::Nothing,
    }
}

fn table(said: &Definition, words: &Words, faults: &mut Faults) -> Option<TableForm> {
    let table = said.table.as_ref()?;
    let header = table.header.as_ref().and_then(|header| faults.regex(at!["table", "header"], whole(header)));
    if table.header.is_some() == table.columns.is_some() {
        let message = "columns are told by a header row or by the definition";
        faults.add(at!["table"], message, "give either `header` or `columns`");
    }
    if table.header.is_none() && (table.units_row || table.heading.is_some()) {
        faults.add(at!["table"], "`heading` and `units_row` go with a header row", "give `header`");
    }
    let heading = table.heading.as_ref().and_then(|heading| faults.regex(at!["table", "heading"], whole(heading)));
    if let Some(heading) = &heading {
        let names: Vec<&str> = heading.capture_names().flatten().collect();
        if !names.contains(&"quantity") || names.iter().any(|name| !["quantity", "unit"].contains(name)) {
            let message = "a heading captures `quantity` and perhaps `unit`";
            faults.add(at!["table", "heading"], message, r"for example '(?<quantity>\S+) \[(?<unit>\S+)\]'");
        }
    }
    let column = |name: &String| Column { role: words.of_definition(name), unit: None };
    Some(TableForm {
        delimiter: faults.character(at!["table", "delimiter"], &table.delimiter).unwrap_or(';'),
        quote: said.framing.quote.as_ref().and_then(|quote| quote.chars().next()),
        header,
        columns: table.columns.as_ref().map(|columns| columns.iter().map(column).collect()),
        heading,
        units_row: table.units_row,
    })
}

fn places(said: &BTreeMap<String, String>, words: &Words, faults: &mut Faults) -> Vec<Place> {
    let mut places: Vec<Place> = Vec::new();
    for (name, text) in said {
        let (from, to) = text.split_once('-').unwrap_or((text, text));
        let range = (from.trim().parse::<usize>(), to.trim().parse::<usize>());
        let (Ok(from @ 1..), Ok(to @ 1..=65_536)) = range else {
            faults.add(at!["places", name], format!("`{text}` are no places"), "for example \"1-4\", or \"28\"");
            continue;
        };
        if from > to {
            faults.add(at!["places", name], format!("`{text}` ends before it begins"), "");
            continue;
        }
        if let Some(other) = places.iter().find(|other| other.from < to && from <= other.to) {
            let message = format!("the places overlap with those of `{}`", other.role.name());
            faults.add(at!["places", name], message, "count from 1, both ends included");
        }
        places.push(Place { role: words.of_definition(name), from: from - 1, to });
    }
    places.sort_by_key(|place| place.from);
    places
}

fn units(said: &Definition, faults: &mut Faults) -> BTreeMap<String, Unit> {
    let mut units = BTreeMap::new();
    for (spelling, unit) in &said.units {
        if let Some(unit) = faults.unit(at!["units", spelling], unit) {
            units.insert(spelling.clone(), unit);
        }
    }
    units
}

fn fields(said: &Definition, faults: &mut Faults) -> BTreeMap<String, FieldForm> {
    said.field.iter().map(|(name, field)| (name.clone(), field_form(name, field, faults))).collect()
}

fn field_form(name: &str, field: &Field, faults: &mut Faults) -> FieldForm {
    let role = Role::of(name);
    let is_length = matches!(role, Role::Cutoff | Role::LambdaS | Role::Traverse);
    let has_unit = role.is_value() || is_length;
    if !has_unit && (field.unit.is_some() || field.unit_in_text.is_some() || field.decimals.is_some()) {
        let message = format!("`{name}` is no number with a unit");
        let help =
            "`unit`, `unit_in_text` and `decimals` go with a quantity, `value`, `cutoff`, `lambda_s`, `traverse`";
        faults.add(at!["field", name], message, help);
    }
    if field.format.is_some() && !matches!(role, Role::Date | Role::Time) {
        faults.add(at!["field", name, "format"], "only `date` and `time` have a format", "");
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
    let required = rule.required.iter().map(|name| Role::of(name)).collect();
    ReadingForm { quantity, unit, required, unique_by, stored: rule.stored, quantity_again: rule.quantity_again }
}

/// Roles that are known before any message has come; `None` where the message itself names its fields.
fn known_roles(plan: &Plan) -> Option<Vec<Role>> {
    let mut roles: Vec<Role> = plan.rules.iter().flat_map(|rule| rule.pattern.roles().cloned()).collect();
    let lines = plan.start_line.iter().chain(&plan.end_line);
    roles.extend(lines.flat_map(|pattern| pattern.roles().cloned()));
    match &plan.reader {
        Reader::Nothing => {}
        Reader::Places(places) => roles.extend(places.iter().map(|place| place.role.clone())),
        Reader::Table(table) => roles.extend(table.columns.as_ref()?.iter().map(|column| column.role.clone())),
        Reader::Pairs { .. } => return None,
    }
    Some(roles)
}

/// Whether what is read can become a reading: quantity and unit must come from the message or from here.
fn sense(said: &Definition, plan: &Plan, faults: &mut Faults) {
    for (index, rule) in said.line.iter().enumerate() {
        let Some(compiled) = LinePattern::compile(&rule.pattern, &plan.words).ok() else { continue };
        let roles: Vec<Role> = compiled.roles().cloned().collect();
        value_has_all(plan, &roles, at!["line", index, "pattern"], faults);
    }
    match &plan.reader {
        Reader::Places(places) => {
            let roles: Vec<Role> = places.iter().map(|place| place.role.clone()).collect();
            value_has_all(plan, &roles, at!["places"], faults);
        }
        Reader::Table(TableForm { columns: Some(columns), .. }) => {
            let roles: Vec<Role> = columns.iter().map(|column| column.role.clone()).collect();
            value_has_all(plan, &roles, at!["table", "columns"], faults);
        }
        _ => {}
    }
    let Some(known) = known_roles(plan) else { return };
    let names_quantity = known.contains(&Role::Quantity);
    for name in said.field.keys() {
        let role = Role::of(name);
        if !known.contains(&role) && !(names_quantity && matches!(role, Role::Measured(_))) {
            let message = format!("no pattern, column or place fills a field `{name}`");
            faults.add(at!["field", name], message, "field names are those of captures, columns and places");
        }
    }
    for (index, role) in plan.reading.required.iter().enumerate() {
        if !known.contains(role) && !(names_quantity && matches!(role, Role::Measured(_))) {
            let message = format!("no pattern, column or place fills a field `{}`", role.name());
            faults.add(at!["reading", "required", index], message, "name a field that the messages have");
        }
    }
}

fn value_has_all(plan: &Plan, roles: &[Role], path: &[Step], faults: &mut Faults) {
    let reading = &plan.reading;
    if roles.contains(&Role::Value) && !roles.contains(&Role::Quantity) && reading.quantity.is_none() {
        let help = "capture `quantity`, name the field by its quantity, or give `reading.quantity`";
        faults.add(path, "nothing says which quantity the value is of", help);
    }
    let general =
        plan.fields.get("value").is_some_and(|field| field.unit.is_some() || field.unit_in_text == Some(true));
    let help = "capture `unit`, or give `reading.unit` or the unit of the field";
    if roles.contains(&Role::Value)
        && !roles.contains(&Role::Unit)
        && !general
        && plan.value_marks.is_empty()
        && reading.unit.is_none()
        && !plan.fields.iter().any(|(name, field)| {
            Quantity::parse(name).is_some() && (field.unit.is_some() || field.unit_in_text == Some(true))
        })
        && reading.quantity.as_ref().is_none_or(|quantity| quantity.unit_kind() != UnitKind::Number)
    {
        faults.add(path, "nothing says which unit the value has", help);
    }
    for role in roles {
        let Role::Measured(quantity) = role else { continue };
        let field = plan.field_of_quantity(quantity);
        let has_unit = quantity.unit_kind() == UnitKind::Number
            || field.is_some_and(|field| field.unit.is_some() || field.unit_in_text == Some(true))
            || reading.unit.is_some_and(|unit| fits(quantity, unit))
            || roles.contains(&Role::Beside(quantity.clone(), Beside::Unit));
        if !has_unit {
            faults.add(path, format!("nothing says which unit {quantity} has"), help);
        }
    }
}
