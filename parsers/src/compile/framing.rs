//! The framing, envelope and checksum of a definition.

use super::at;
use super::faults::Faults;
use super::wire::{counted, fill, seven, strip, stuffing};
use crate::check::Check;
use crate::cut::{Block, Cut, End, LineEnd, Quoting, Shape, Start};
use crate::definition::{ChecksumPlace, Definition, EncodingName, FramingKind, Step};
use crate::encoding::{is_wide, mark_bytes};
use crate::pattern::LinePattern;
use crate::plan::FrameMarks;
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
    let is_behind = |check: &&Check| check.place == ChecksumPlace::AfterEnd;
    let width = check.filter(is_behind).map_or(0, |check| check.width);
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
        FramingKind::Prefix => Cut::Counted(counted(said, marks, check, faults)),
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
    let idle_ms = framing.idle_ms.or(if is_rows || is_file { None } else { Some(2_000) });
    Shape {
        signals: std::sync::Arc::new([]),
        cut,
        line_end: line_end(said, faults),
        encoding: encoding(said),
        bytes_max,
        idle_ms,
        gap_ms: framing.gap_ms,
        unterminated_last_row: framing.unterminated_last_row || is_file,
        seven: seven(said, faults),
        stuffing: stuffing(said, marks, faults),
        fill: fill(said, faults),
        strip: strip(said, faults),
    }
}

fn line_end(said: &Definition, faults: &mut Faults) -> LineEnd {
    let Some(terminators) = &said.framing.terminator else { return LineEnd::Any };
    let bytes = |text: &String| mark_bytes(said.text.encoding, text).filter(|bytes| !bytes.is_empty());
    match terminators.all().iter().map(bytes).collect::<Option<Vec<_>>>() {
        Some(ends) if !ends.is_empty() => LineEnd::OneOf(ends),
        _ => {
            faults.add(at!["framing", "terminator"], "this can't be a line end", "for example \"\\r\\n\"");
            LineEnd::Any
        }
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
    use FramingKind::{Block, File, Gap, Length, Lines, Prefix, Rows};
    let framing = &said.framing;
    let keys: [(&str, bool, &[FramingKind]); 12] = [
        ("terminator", framing.terminator.is_some(), &[Lines, Rows, Block, Length, Prefix, Gap, File]),
        ("start", framing.start.is_some(), &[Lines, Rows, Block, Length, Prefix, Gap, File]),
        ("end", framing.end.is_some(), &[Block, Length, Prefix]),
        ("start_line", framing.start_line.is_some(), &[Block]),
        ("end_line", framing.end_line.is_some(), &[Block]),
        ("end_blank_line", framing.end_blank_line, &[Block]),
        ("blank_lines", framing.blank_lines.is_some(), &[Block]),
        ("lines", framing.lines.is_some(), &[Block]),
        ("length", framing.length.is_some(), &[Length]),
        ("length_field", framing.length_field.is_some(), &[Prefix]),
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
    if framing.tail.is_some() && framing.end.is_none() && framing.kind != Prefix {
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
    let states_lines =
        start_line.as_ref().is_some_and(|pattern| pattern.regex().capture_names().any(|name| name == Some("lines")));
    let by_blank = framing.end_blank_line || framing.blank_lines.is_some();
    let by_lines = states_lines || framing.lines.is_some();
    let ends = [framing.end.is_some(), framing.end_line.is_some(), by_blank, by_lines];
    let has_start = framing.start.is_some() || framing.start_line.is_some();
    let count = ends.iter().filter(|is_given| **is_given).count();
    if count == 0 && (!has_start || framing.gap_ms.is_none()) {
        let help = "give `end`, `end_line`, `end_blank_line` or `lines`; or a start mark and `gap_ms`";
        faults.add(at!["framing"], "nothing says where a block ends", help);
    }
    if count > 1 || (states_lines && framing.lines.is_some()) {
        let help = "only one of `end`, `end_line`, `end_blank_line`, `lines`, and the capture `lines` of `start_line`";
        faults.add(at!["framing"], "a block has one end", help);
    }
    for (key, number) in [("lines", framing.lines), ("blank_lines", framing.blank_lines)] {
        if number.is_some_and(|number| !(1..=65_536).contains(&number)) {
            faults.add(at!["framing", key], "this is no number of lines", "1 to 65536");
        }
    }
    if framing.start.is_some() && framing.start == framing.end {
        let message = "start and end are the same, so a lost byte would turn frames inside out";
        let help = "kind = \"lines\" with that mark as `terminator`: what stands between two marks is a frame";
        faults.add(at!["framing", "end"], message, help);
    }
    if framing.start.is_some() && framing.start_line.is_some() {
        faults.add(at!["framing", "start_line"], "a block has one start", "only one of `start`, `start_line`");
    }
    let start = match (start_line, marks.start.is_empty()) {
        (Some(pattern), _) => Start::Line(pattern.regex().clone()),
        (None, false) => Start::Bytes(marks.start.clone()),
        (None, true) => Start::Anything,
    };
    let end = match (end_line, marks.end.is_empty()) {
        (Some(pattern), _) => End::Line(pattern.regex().clone()),
        (None, false) => End::Bytes(marks.end.clone()),
        (None, true) if by_blank => End::BlankLines(framing.blank_lines.unwrap_or(1).max(1)),
        (None, true) if by_lines => End::Lines(framing.lines),
        (None, true) => End::NextStart,
    };
    Block { start, end, check, tail: marks.tail.clone(), restart: said.checksum.is_some() || states_lines }
}
