//! The framing, envelope and checksum of a definition.

use super::at;
use super::faults::Faults;
use crate::cut::{Block, Cut, End, LineEnd, Quoting, Shape, Start};
use crate::definition::{ChecksumPlace, Definition, EncodingName, FramingKind, Step, Written};
use crate::encoding::{is_wide, mark_bytes};
use crate::pattern::LinePattern;
use crate::plan::{Check, FrameMarks};
use crate::role::Words;

pub(super) fn frame_marks(said: &Definition, faults: &mut Faults) -> FrameMarks {
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

pub(super) fn check(said: &Definition, faults: &mut Faults) -> Option<Check> {
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

pub(super) fn mark_patterns(
    said: &Definition,
    words: &Words,
    faults: &mut Faults,
) -> (Option<LinePattern>, Option<LinePattern>) {
    let mut pattern = |key: &str, text: &Option<String>| {
        text.as_ref().and_then(|text| faults.line_pattern(at!["framing", key], text, words))
    };
    (pattern("start_line", &said.framing.start_line), pattern("end_line", &said.framing.end_line))
}

/// Bytes of the check value behind the end mark.
fn check_width(check: Option<&Check>) -> usize {
    match check.filter(|check| check.place == ChecksumPlace::AfterEnd).map(|check| check.written) {
        None => 0,
        Some(Written::Byte) => 1,
        Some(Written::Hex) => 2,
        Some(Written::Decimal) => 3,
    }
}

pub(super) fn shape(
    said: &Definition,
    marks: &FrameMarks,
    check: Option<&Check>,
    lines: (&Option<LinePattern>, &Option<LinePattern>),
    faults: &mut Faults,
) -> Shape {
    let framing = &said.framing;
    keys_fit_kind(said, faults);
    let is_rows = framing.kind == FramingKind::Rows;
    let width = check_width(check);
    let behind = width + marks.tail.len();
    let cut = match framing.kind {
        FramingKind::Lines | FramingKind::Rows => Cut::Lines { quote: quoting(said, faults) },
        FramingKind::Block => Cut::Block(block(said, marks, lines, width, faults)),
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
        // It ends where the file does, which the framer is told as its last row needs no end.
        FramingKind::File => Cut::Gap,
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
    let is_file = framing.kind == FramingKind::File;
    let bytes_max = framing.bytes_max.unwrap_or(match framing.kind {
        FramingKind::Rows => 1_048_576,
        FramingKind::File => 16_777_216,
        _ => 65_536,
    });
    if !(16..=16_777_216).contains(&bytes_max) || framing.length.is_some_and(|length| length > bytes_max) {
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
    let idle_ms = framing.idle_ms.or(if is_rows || is_file { None } else { Some(2_000) });
    Shape {
        cut,
        line_end,
        encoding: encoding(said),
        bytes_max,
        idle_ms,
        gap_ms: framing.gap_ms,
        unterminated_last_row: framing.unterminated_last_row || is_file,
    }
}

/// JSON whose definition names no encoding is in UTF-8 (RFC 8259, 8.1).
fn encoding(said: &Definition) -> EncodingName {
    match said.text.encoding {
        EncodingName::Ascii if said.json.is_some() => EncodingName::Utf8,
        encoding => encoding,
    }
}

/// Keys of another kind of framing are a misunderstanding.
pub(super) fn keys_fit_kind(said: &Definition, faults: &mut Faults) {
    use FramingKind::{Block, File, Gap, Length, Lines, Rows};
    let framing = &said.framing;
    let keys: [(&str, bool, &[FramingKind]); 9] = [
        ("terminator", framing.terminator.is_some(), &[Lines, Rows, Block, Length, Gap, File]),
        ("start", framing.start.is_some(), &[Lines, Rows, Block, Length, Gap, File]),
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
    let silences = [("gap_ms", framing.gap_ms), ("idle_ms", framing.idle_ms)];
    for (key, _) in silences.iter().filter(|(_, given)| given.is_some() && framing.kind == File) {
        faults.add(at!["framing", *key], "a file is not ended by silence", "leave it out");
    }
    if framing.tail.is_some() && framing.end.is_none() {
        faults.add(at!["framing", "tail"], "`tail` follows an end mark, and there is none", "give `end`");
    }
    if is_wide(said.text.encoding) && !matches!(framing.kind, Lines | Rows | File) {
        let message = "UTF-16 is read in lines, rows and whole files only";
        faults.add(at!["text", "encoding"], message, "kind = \"lines\" or kind = \"rows\"");
    }
    if is_wide(said.text.encoding) && said.checksum.is_some() {
        faults.add(at!["checksum"], "a check value over UTF-16 is not supported", "");
    }
}

pub(super) fn quoting(said: &Definition, faults: &mut Faults) -> Option<Quoting> {
    let quote = said.framing.quote.as_ref()?;
    let quote = faults.character(at!["framing", "quote"], quote)?;
    let Some(table) = &said.table else {
        faults.add(at!["framing", "quote"], "quotation marks need `[table]`", "give `table.delimiter`");
        return None;
    };
    let delimiter = table.delimiter.chars().next().filter(char::is_ascii)?;
    Some(Quoting { quote: u8::try_from(quote).ok()?, delimiter: u8::try_from(delimiter).ok()? })
}

pub(super) fn block(
    said: &Definition,
    marks: &FrameMarks,
    (start_line, end_line): (&Option<LinePattern>, &Option<LinePattern>),
    check: usize,
    faults: &mut Faults,
) -> Block {
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
    Block { start, end, check, tail: marks.tail.clone(), restart: said.checksum.is_some() }
}
