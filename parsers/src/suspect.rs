//! What would have made a damaged frame readable: hints for people about settings, never readings.

use std::sync::Arc;

use crate::cut::{Cut, LineEnd, Shape};
use crate::definition::EncodingName;
use crate::frame::{Close, Frame, Framer, Tick};
use crate::plan::Plan;
use crate::read::{Stream, Told, read};
use crate::reading::{Reason, Remark};

/// What bytes tell that are exactly one frame. Nothing is
/// remembered.
pub(crate) fn read_whole(plan: &Plan, stream: &Stream, bytes: &[u8]) -> Option<Told> {
    let mut framer = Framer::new(plan.shape.clone());
    framer.push(bytes, Tick(0));
    let mut frames: Vec<Frame> = std::iter::from_fn(|| framer.poll()).collect();
    frames.extend(std::iter::from_fn(|| framer.finish()));
    frames.retain(|frame| frame.close != Close::Residue);
    let [frame] = frames.as_slice() else { return None };
    if frame.close != Close::Complete {
        return None;
    }
    read(plan, frame, stream).0.ok()
}

/// Which setting is probably wrong, given that a frame was damaged for `reason`.
pub(crate) fn suspect(plan: &Plan, stream: &Stream, frame: &Frame, reason: Reason) -> Option<Remark> {
    if has_other_line_ends(plan, frame) {
        return Some(Remark::SuspectTerminator);
    }
    let reads_with = |change: fn(u8) -> u8| {
        let changed: Vec<u8> = frame.raw.iter().copied().map(change).collect();
        read_whole(plan, stream, &changed).is_some_and(|told| !told.readings.is_empty())
    };
    let is_narrow = matches!(plan.shape.encoding, EncodingName::Ascii | EncodingName::Utf8);
    match reason {
        // Seven bits and parity, read as eight bits.
        Reason::Encoding if is_narrow && reads_with(|byte| byte & 0x7f) => Some(Remark::SuspectParity),
        Reason::Encoding | Reason::Unit | Reason::MissingField if reads_in_another_encoding(plan, stream, frame) => {
            Some(Remark::SuspectEncoding)
        }
        Reason::Number if reads_with(swap_marks) => Some(Remark::SuspectDecimalMark),
        _ => None,
    }
}

fn swap_marks(byte: u8) -> u8 {
    match byte {
        b',' => b'.',
        b'.' => b',',
        other => other,
    }
}

fn reads_in_another_encoding(plan: &Plan, stream: &Stream, frame: &Frame) -> bool {
    if frame.raw.is_ascii() {
        return false;
    }
    let others = [EncodingName::Utf8, EncodingName::Windows1252].into_iter();
    others.filter(|encoding| *encoding != plan.shape.encoding).any(|encoding| {
        let shape = Shape { encoding, ..plan.shape.as_ref().clone() };
        let plan = Plan { shape: Arc::new(shape), ..plan.clone() };
        read_whole(&plan, stream, &frame.raw).is_some()
    })
}

/// A line that holds other line ends than the declared one.
pub(crate) fn has_other_line_ends(plan: &Plan, frame: &Frame) -> bool {
    let declared = match (&plan.shape.cut, &plan.shape.line_end) {
        (Cut::Lines { quote: None }, LineEnd::Exact(declared)) => declared,
        _ => return false,
    };
    let is_end = |byte: &u8| matches!(byte, b'\r' | b'\n');
    let line: Vec<u8> = frame.raw[frame.body.clone()].iter().copied().skip_while(is_end).collect();
    // A line that was cut within a declared CR LF looks the same.
    let cut_within = frame.close == Close::CutOff && declared.len() > 1 && line.last() == declared.first();
    let line = if cut_within { &line[..line.len() - 1] } else { &line[..] };
    line.iter().any(is_end)
}
