//! What would have made a damaged frame readable: hints for people about settings, never readings.

use std::sync::Arc;

use crate::cut::{Cut, LineEnd, Shape};
use crate::definition::{EncodingName, Numbers, Parity};
use crate::encoding::is_wide;
use crate::frame::{Close, Frame, Framer, Tick};
use crate::plan::Plan;
use crate::read::{Stream, Told, read};
use crate::reading::{Reason, Remark};
use crate::wire::Seven;

/// Bytes of a frame that are read on trial; hints need no more.
const TRIAL_MAX: usize = 4_096;

/// A hint: the remark, and what a person might try.
pub(crate) type Hint = (Remark, String);

/// The complete frames that bytes are cut into.
fn frames(plan: &Plan, bytes: &[u8]) -> Vec<Frame> {
    // An echo that may be the beginning of a frame is taken for that here.
    let shape = match plan.shape.signals.is_empty() {
        true => plan.shape.clone(),
        false => Arc::new(Shape { signals: Arc::new([]), ..plan.shape.as_ref().clone() }),
    };
    let mut framer = Framer::new(shape);
    framer.push(bytes, Tick(0));
    let mut frames: Vec<Frame> = std::iter::from_fn(|| framer.poll()).collect();
    frames.extend(std::iter::from_fn(|| framer.finish()));
    frames.retain(|frame| frame.close != Close::Residue);
    frames
}

/// What bytes tell that are exactly one frame. Nothing is remembered.
pub(crate) fn read_whole(plan: &Plan, stream: &Stream, bytes: &[u8]) -> Option<Told> {
    let frames = frames(plan, bytes);
    let [frame] = frames.as_slice() else { return None };
    if frame.close != Close::Complete {
        return None;
    }
    read(plan, frame, stream).0.ok()
}

/// Whether one of the frames in `bytes` holds readings.
fn reads_any(plan: &Plan, stream: &Stream, bytes: &[u8]) -> bool {
    let frames = frames(plan, &bytes[..bytes.len().min(TRIAL_MAX)]);
    frames.iter().filter(|frame| frame.close == Close::Complete).any(|frame| {
        let (told, _) = read(plan, frame, stream);
        told.is_ok_and(|told| !(told.readings.is_empty() && told.traces.is_empty()))
    })
}

/// The plan with another shape.
fn reshaped(plan: &Plan, change: impl FnOnce(&mut Shape)) -> Plan {
    let mut shape = plan.shape.as_ref().clone();
    change(&mut shape);
    Plan { shape: Arc::new(shape), ..plan.clone() }
}

/// Which setting is probably wrong, given that a frame was damaged for `reason`.
pub(crate) fn suspect(plan: &Plan, stream: &Stream, frame: &Frame, reason: Reason) -> Option<Hint> {
    if let Some(hint) = other_line_ends(plan, frame) {
        return Some(hint);
    }
    let is_long = frame.raw.len() > TRIAL_MAX;
    match reason {
        // In the wrong byte order there is no line end, and all of a file is one frame.
        _ if is_long && is_wide(plan.shape.encoding) => encoding(plan, stream, frame),
        _ if is_long => None,
        Reason::Encoding | Reason::Noise | Reason::CutOff | Reason::TooLong | Reason::StartMark => {
            parity(plan, stream, frame).or_else(|| encoding(plan, stream, frame))
        }
        Reason::Unit | Reason::MissingField => encoding(plan, stream, frame),
        Reason::Number => decimal_mark(plan, stream, frame),
        _ => None,
    }
}

/// Seven bits and parity that were read as eight bits, or another parity than declared.
fn parity(plan: &Plan, stream: &Stream, frame: &Frame) -> Option<Hint> {
    let is_narrow = matches!(plan.shape.encoding, EncodingName::Ascii | EncodingName::Utf8);
    if !is_narrow || (plan.shape.seven.is_none() && frame.raw.is_ascii()) {
        return None;
    }
    let seven = reshaped(plan, |shape| shape.seven = Some(Seven::Unchecked));
    if !reads_any(&seven, stream, &frame.raw) {
        return None;
    }
    // A lone damaged bit is no other setting: hint only where every byte has the parity that is named.
    let kinds = [
        (Parity::Even, "even parity (7E1)"),
        (Parity::Odd, "odd parity (7O1)"),
        (Parity::Mark, "mark parity (7M1)"),
        (Parity::Space, "space parity, or 8 data bits without parity (8N1)"),
    ];
    let fits = |parity: Parity| frame.raw.iter().all(|byte| Seven::Checked(parity).is_sound(*byte));
    let (_, words) = kinds.into_iter().find(|(parity, _)| fits(*parity))?;
    Some((Remark::SuspectParity, format!("all bytes fit 7 data bits and {words}")))
}

/// Another character encoding in which the bytes would be read.
fn encoding(plan: &Plan, stream: &Stream, frame: &Frame) -> Option<Hint> {
    let bytes = &frame.raw;
    let hint = |name: &str| Some((Remark::SuspectEncoding, format!("the bytes look like {name}")));
    let marked = match bytes.as_slice() {
        [0xff, 0xfe, ..] => Some((EncodingName::Utf16Le, "utf-16le, by their byte order mark")),
        [0xfe, 0xff, ..] => Some((EncodingName::Utf16Be, "utf-16be, by their byte order mark")),
        _ => None,
    };
    if let Some((_, words)) = marked.filter(|(name, _)| *name != plan.shape.encoding) {
        return hint(words);
    }
    if bytes.is_ascii() && !is_wide(plan.shape.encoding) {
        return None;
    }
    let others = [
        (EncodingName::Utf8, "utf-8"),
        (EncodingName::Windows1252, "windows-1252"),
        (EncodingName::Cp437, "cp437 or cp850"),
        (EncodingName::ShiftJis, "shift-jis"),
        (EncodingName::Utf16Le, "utf-16le"),
        (EncodingName::Utf16Be, "utf-16be"),
    ];
    let found = others.into_iter().filter(|(other, _)| *other != plan.shape.encoding).find(|(other, _)| {
        // Marks are bytes; they don't widen with the encoding.
        let can_widen = matches!((&plan.shape.cut, &plan.shape.line_end), (Cut::Lines { .. }, LineEnd::Any));
        if is_wide(*other) != is_wide(plan.shape.encoding) && !can_widen {
            return false;
        }
        let other = reshaped(plan, |shape| shape.encoding = *other);
        // A heading holds no reading and is understood all the same.
        let is_short = bytes.len() <= TRIAL_MAX;
        reads_any(&other, stream, bytes) || (is_short && read_whole(&other, stream, bytes).is_some())
    });
    found.and_then(|(_, name)| hint(name))
}

/// Comma and point the other way round.
fn decimal_mark(plan: &Plan, stream: &Stream, frame: &Frame) -> Option<Hint> {
    let swap = |byte: u8| match byte {
        b',' => b'.',
        b'.' => b',',
        other => other,
    };
    let swapped: Vec<u8> = frame.raw.iter().copied().map(swap).collect();
    let (found, wanted) = match plan.numbers.decimal.as_str() {
        "," => (".", ","),
        _ => (",", "."),
    };
    let words = format!("the numbers are written with `{found}` where the definition says `{wanted}`");
    if read_whole(plan, stream, &swapped).is_some_and(|told| !told.readings.is_empty()) {
        return Some((Remark::SuspectDecimalMark, words));
    }
    // Other fields may hold these marks as they should; then only the numbers are at fault.
    let numbers = Numbers { decimal: found.to_owned(), grouping: String::new(), ..plan.numbers.clone() };
    let plan = Plan { numbers, ..plan.clone() };
    read_whole(&plan, stream, &frame.raw)
        .is_some_and(|told| !told.readings.is_empty())
        .then_some((Remark::SuspectDecimalMark, words))
}

/// A line that holds other line ends than the declared one.
fn other_line_ends(plan: &Plan, frame: &Frame) -> Option<Hint> {
    let ends = match (&plan.shape.cut, &plan.shape.line_end) {
        (Cut::Lines { quote: None }, LineEnd::OneOf(ends)) => ends,
        _ => return None,
    };
    let is_end = |byte: &u8| matches!(byte, b'\r' | b'\n');
    let line: Vec<u8> = frame.raw[frame.body.clone()].iter().copied().skip_while(is_end).collect();
    // A line that was cut within a declared CR LF looks the same.
    let cut_within = frame.close == Close::CutOff && ends.iter().any(|end| end.len() > 1 && line.last() == end.first());
    let line = if cut_within { &line[..line.len() - 1] } else { &line[..] };
    let found = line.iter().find(|byte| is_end(byte))?;
    let name = if *found == b'\r' { "CR" } else { "LF" };
    Some((Remark::SuspectTerminator, format!("it holds {name}, which the definition does not take for a line end")))
}
