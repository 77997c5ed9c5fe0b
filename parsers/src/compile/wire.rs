//! What a definition says about parity, escapes and printer codes, and about frames with a length field.

use super::at;
use super::faults::{Faults, PATTERN_HELP};
use crate::check::Check;
use crate::cut::Counted;
use crate::definition::{ChecksumPlace, Definition, EncodingName, Escape, FramingKind, LengthWritten, Step};
use crate::encoding::mark_bytes;
use crate::plan::FrameMarks;
use crate::wire::{Meaning, Seven, Stuffing};

/// Seven bits that arrive as eight.
pub(super) fn seven(said: &Definition, faults: &mut Faults) -> Option<Seven> {
    let text = &said.text;
    if text.parity.is_some() && text.strip_high_bit {
        let message = "the highest bit is parity, or it means nothing";
        faults.add(at!["text", "strip_high_bit"], message, "leave it out: `parity` is checked and taken off");
    }
    let seven = text.parity.map(Seven::Checked).or(text.strip_high_bit.then_some(Seven::Unchecked))?;
    if text.encoding != EncodingName::Ascii {
        let message = "seven bits are ASCII";
        faults.add(at!["text", "encoding"], message, "leave out `encoding`, or `parity` and `strip_high_bit`");
    }
    Some(seven)
}

/// Printer codes: one pattern for all of them.
pub(super) fn strip(said: &Definition, faults: &mut Faults) -> Option<regex::bytes::Regex> {
    let mut good = Vec::new();
    for (index, pattern) in said.text.strip.iter().enumerate() {
        let path = at!["text", "strip", index];
        // Alone first, so that a fault is told of the pattern that has it.
        let Some(regex) = faults.keep(path, bytes_pattern(pattern), PATTERN_HELP) else { continue };
        if regex.is_match(b"") {
            faults.add(path, "the pattern fits nothing at all", "for example '\\x1b@'");
        }
        good.push(format!("(?:{pattern})"));
    }
    if !good.is_empty() && crate::encoding::is_wide(said.text.encoding) {
        faults.add(at!["text", "strip"], "printer codes in UTF-16 are not supported", "leave it out");
        return None;
    }
    (!good.is_empty()).then(|| bytes_pattern(&good.join("|")).ok()).flatten()
}

fn bytes_pattern(pattern: &str) -> Result<regex::bytes::Regex, String> {
    let mut builder = regex::bytes::RegexBuilder::new(pattern);
    builder.unicode(false).dot_matches_new_line(true).build().map_err(|error| match error {
        regex::Error::Syntax(text) => text.lines().last().unwrap_or("").trim_start_matches("error: ").to_owned(),
        other => other.to_string(),
    })
}

/// One byte, written as one character.
fn byte(path: &[Step], text: &str, faults: &mut Faults) -> Option<u8> {
    let mut bytes = mark_bytes(EncodingName::Latin1, text).unwrap_or_default();
    let byte = bytes.pop().filter(|_| bytes.is_empty());
    if byte.is_none() {
        faults.add(path, format!("`{}` is not one byte", text.escape_default()), "for example \"\\u0010\"");
    }
    byte
}

/// How marks inside a frame are made safe.
pub(super) fn stuffing(said: &Definition, marks: &FrameMarks, faults: &mut Faults) -> Option<Stuffing> {
    let escape = said.framing.escape.as_ref()?;
    if !matches!(said.framing.kind, FramingKind::Lines | FramingKind::Block | FramingKind::Gap) {
        let message = "escapes go with frames that end by a mark";
        faults.add(at!["framing", "escape"], message, "kind = \"block\" or kind = \"lines\"");
    }
    if crate::encoding::is_wide(said.text.encoding) {
        faults.add(at!["framing", "escape"], "escapes in UTF-16 are not supported", "");
    }
    let escape_byte = byte(at!["framing", "escape", "byte"], &escape.byte, faults)?;
    let meaning = meaning(escape, faults);
    let of = escape.of.as_ref().map(|of| mark_bytes(EncodingName::Latin1, of));
    if of == Some(None) || of == Some(Some(vec![])) {
        faults.add(at!["framing", "escape", "of"], "these are no bytes", "for example \"\\u0002\\u0003\\u0010\"");
    }
    let of = of.flatten().filter(|of| !of.is_empty());
    let known = [&marks.start, &marks.end].into_iter().filter(|mark| mark.first() == Some(&escape_byte));
    let known: Vec<Vec<u8>> = known.cloned().collect();
    if known.iter().any(|mark| mark.len() < 2) {
        let message = "a mark of the escape byte alone can't be told from an escape";
        faults.add(at!["framing", "escape", "byte"], message, "such a mark has a second byte, like DLE ETX");
    }
    let unclear = |second: u8| match (&meaning, &of) {
        (Meaning::Table(table), _) => table.contains_key(&second),
        (Meaning::Xor(xor), Some(of)) => of.contains(&(second ^ xor)),
        (Meaning::Xor(_), None) => false,
    };
    if known.iter().any(|mark| mark.get(1).is_some_and(|second| unclear(*second))) {
        let message = "a mark that begins with the escape byte reads as an escaped byte";
        faults.add(at!["framing", "escape", "of"], message, "leave the second byte of that mark out");
    }
    Some(Stuffing { byte: escape_byte, of, meaning, marks: known })
}

fn meaning(escape: &Escape, faults: &mut Faults) -> Meaning {
    if escape.means.is_empty() {
        return Meaning::Xor(escape.xor.unwrap_or(0));
    }
    if escape.xor.is_some() {
        let message = "`xor` and `means` both say what an escaped byte means";
        faults.add(at!["framing", "escape", "xor"], message, "only one of them");
    }
    let mut table = std::collections::BTreeMap::new();
    for (sent, meant) in &escape.means {
        let path = at!["framing", "escape", "means", sent];
        if let (Some(sent), Some(meant)) = (byte(path, sent, faults), byte(path, meant, faults)) {
            table.insert(sent, meant);
        }
    }
    Meaning::Table(table)
}

/// Bytes that may stand between frames.
pub(super) fn fill(said: &Definition, faults: &mut Faults) -> Vec<u8> {
    let Some(text) = &said.framing.fill else { return vec![] };
    let bytes = mark_bytes(EncodingName::Latin1, text).filter(|bytes| !bytes.is_empty());
    match bytes.filter(|_| !crate::encoding::is_wide(said.text.encoding)) {
        Some(bytes) => bytes,
        None => {
            faults.add(at!["framing", "fill"], "these are no bytes", "for example \"\\u0000\\u007f\"");
            vec![]
        }
    }
}

/// A frame with a length field.
pub(super) fn counted(said: &Definition, marks: &FrameMarks, check: Option<&Check>, faults: &mut Faults) -> Counted {
    let field = said.framing.length_field.as_ref();
    if field.is_none() {
        let help = "for example length_field = { written = \"u8\" }";
        faults.add(at!["framing"], "kind \"prefix\" needs `length_field`", help);
    }
    let written = field.map_or(LengthWritten::U8, |field| field.written);
    let digits = field.and_then(|field| field.digits);
    let width = match written {
        LengthWritten::U8 => 1,
        LengthWritten::U16Be | LengthWritten::U16Le => 2,
        LengthWritten::U32Be | LengthWritten::U32Le => 4,
        LengthWritten::CountedDecimal => 1,
        LengthWritten::Decimal | LengthWritten::Hex => usize::from(digits.unwrap_or(0)),
    };
    let has_digits = matches!(written, LengthWritten::Decimal | LengthWritten::Hex);
    if has_digits && !(1..=8).contains(&width) {
        let message = "a length in digits needs `digits`, 1 to 8";
        faults.add(at!["framing", "length_field", "digits"], message, "for example digits = 3");
    }
    if !has_digits && digits.is_some() {
        faults.add(at!["framing", "length_field", "digits"], "such a length has no fixed digits", "leave it out");
    }
    if field.is_some_and(|field| field.at > 1_024) {
        faults.add(at!["framing", "length_field", "at"], "the field is too far from the start mark", "up to 1024");
    }
    if field.is_some_and(|field| field.times == Some(0)) {
        faults.add(at!["framing", "length_field", "times"], "each unit stands for 0 bytes", "1 or more");
    }
    let width_of_check = check.map_or(0, |check| check.width);
    let is_behind = check.is_some_and(|check| check.place == ChecksumPlace::AfterEnd);
    Counted {
        silence_ends: written == LengthWritten::CountedDecimal && said.framing.gap_ms.is_some(),
        start: marks.start.clone(),
        at: field.map_or(0, |field| field.at.min(1_024)),
        written,
        width: width.max(1),
        counts: field.map_or_else(Default::default, |field| field.counts),
        times: u64::from(field.and_then(|field| field.times).unwrap_or(1)),
        add: i64::from(field.map_or(0, |field| field.add)),
        check_within: if is_behind { 0 } else { width_of_check + check.map_or(0, |check| check.after.len()) },
        end: marks.end.clone(),
        behind: if is_behind { width_of_check } else { 0 } + marks.tail.len(),
        check: check.cloned(),
        tail: marks.tail.clone(),
    }
}
