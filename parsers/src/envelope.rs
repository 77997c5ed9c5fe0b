//! What proves a frame whole: marks, length, check value.

use std::ops::Range;

use crate::cut::{Block, Cut, End, LineEnd, Start};
use crate::definition::{ChecksumKind, ChecksumPlace, Covers, Written};
use crate::encoding::{BadText, decode};
use crate::frame::Frame;
use crate::plan::{Check, Plan};
use crate::reading::{Outcome, Reason};

/// Why a frame gives no readings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Rejection {
    pub(crate) outcome: Outcome,
    pub(crate) reason: Option<Reason>,
    pub(crate) detail: String,
}

impl Rejection {
    pub(crate) fn damaged(reason: Reason, detail: impl Into<String>) -> Rejection {
        Rejection { outcome: Outcome::Damaged, reason: Some(reason), detail: detail.into() }
    }
}

/// A frame that holds together, as text.
#[derive(Clone, Debug)]
pub(crate) struct Opened {
    /// What lies between the marks, without check value.
    pub(crate) text: String,
    /// The first and the last line of a block that has line marks.
    pub(crate) start_line: Option<String>,
    pub(crate) end_line: Option<String>,
}

/// Opens a complete frame.
pub(crate) fn open(plan: &Plan, frame: &Frame) -> Result<Opened, Rejection> {
    let payload = payload(plan, frame)?;
    let text = text_of(plan, &frame.raw[payload])?;
    if let Some(length) = plan.length
        && text.chars().count() != length
    {
        let count = text.chars().count();
        return Err(Rejection::damaged(Reason::Length, format!("{count} characters instead of {length}")));
    }
    let mark_line = |wanted: bool, bytes: &[u8], last: bool| match wanted {
        true => {
            let text = text_of(plan, bytes)?;
            let mut lines = lines(plan, &text).into_iter().filter(|line| !line.trim().is_empty());
            let line = if last { lines.next_back() } else { lines.next() };
            Ok(line.map(str::to_owned))
        }
        false => Ok(None),
    };
    let start_line = mark_line(plan.start_line.is_some(), &frame.raw[..frame.body.start], true)?;
    let end_line = mark_line(plan.end_line.is_some(), &frame.raw[frame.body.end..], false)?;
    Ok(Opened { text, start_line, end_line })
}

pub(crate) fn text_of(plan: &Plan, bytes: &[u8]) -> Result<String, Rejection> {
    decode(plan.shape.encoding, bytes).map_err(|bad| match bad {
        BadText::Noise => Rejection::damaged(Reason::Noise, "control characters that no message has"),
        BadText::Undecodable => Rejection::damaged(Reason::Encoding, "bytes that the encoding does not have"),
    })
}

/// The lines of a text, by the definition's line end.
pub(crate) fn lines<'a>(plan: &Plan, text: &'a str) -> Vec<&'a str> {
    match &plan.shape.line_end {
        LineEnd::Exact(end) => match decode(plan.shape.encoding, end) {
            Ok(end) => text.split(end.as_str()).collect(),
            Err(_) => vec![text],
        },
        LineEnd::Any => text.split(['\r', '\n']).collect(),
    }
}

/// The bytes of a document, byte marks and line marks of a block included: they are part of it.
pub(crate) fn document<'a>(plan: &Plan, frame: &'a Frame) -> Result<&'a [u8], Rejection> {
    let mut range = payload(plan, frame)?;
    if let Cut::Block(block) = &plan.shape.cut {
        match &block.start {
            Start::Anything => {}
            Start::Bytes(mark) => range.start -= mark.len(),
            Start::Line(_) => range.start = 0,
        }
        match &block.end {
            End::Bytes(mark) if range.end == frame.body.end => range.end += mark.len(),
            End::Line(_) => range.end = frame.raw.len(),
            _ => {}
        }
    }
    Ok(frame.raw.get(range).unwrap_or(&[]))
}

/// Checks marks and check value; the range of `raw` between them.
pub(crate) fn payload(plan: &Plan, frame: &Frame) -> Result<Range<usize>, Rejection> {
    let (raw, marks) = (&frame.raw, &plan.marks);
    let mut payload = frame.body.clone();
    match &plan.shape.cut {
        Cut::Lines { .. } | Cut::Gap => {
            if matches!(plan.shape.cut, Cut::Gap) && !marks.start.is_empty() {
                payload.start += raw[payload.clone()].iter().take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
            }
            if !raw[payload.clone()].starts_with(&marks.start) {
                return Err(Rejection::damaged(Reason::StartMark, "the start mark is missing"));
            }
            payload.start += marks.start.len();
        }
        Cut::Length { length, .. } => {
            let bytes = raw.len() + marks.start.len() - payload.start;
            if bytes != *length {
                return Err(Rejection::damaged(Reason::Length, format!("{bytes} bytes instead of {length}")));
            }
        }
        Cut::Block(block) => no_mark_within(plan, &raw[payload.clone()], block)?,
    }
    match &plan.check {
        Some(check) => verify(plan, check, raw, payload),
        None => {
            let tail = &raw[(payload.end + marks.end.len()).min(raw.len())..];
            if matches!(plan.shape.cut, Cut::Block(Block { end: End::Bytes(_), .. })) && tail != marks.tail {
                return Err(Rejection::damaged(Reason::EndMark, "what follows the end mark is not as declared"));
            }
            Ok(payload)
        }
    }
}

/// Two frames that ran into one another, because the end of the first was lost.
fn no_mark_within(plan: &Plan, body: &[u8], block: &Block) -> Result<(), Rejection> {
    let merged = match &block.start {
        Start::Anything => false,
        Start::Bytes(mark) => {
            !matches!(block.end, End::NextStart) && body.windows(mark.len()).any(|bytes| bytes == mark)
        }
        Start::Line(pattern) => decode(plan.shape.encoding, body)
            .is_ok_and(|text| lines(plan, &text).iter().any(|line| pattern.is_match(line))),
    };
    match merged {
        true => Err(Rejection::damaged(Reason::EndMark, "another start mark before the end mark")),
        false => Ok(()),
    }
}

fn verify(plan: &Plan, check: &Check, raw: &[u8], body: Range<usize>) -> Result<Range<usize>, Rejection> {
    let width = match check.written {
        Written::Byte => 1,
        Written::Hex => 2,
        Written::Decimal => 3,
    };
    let missing = || Rejection::damaged(Reason::Checksum, "there is no check value in its place");
    let (payload, end_mark, value_at, rest) = match check.place {
        ChecksumPlace::AfterEnd => {
            let value_at = body.end + plan.marks.end.len();
            (body.clone(), body.end..value_at, value_at, value_at + width..raw.len())
        }
        ChecksumPlace::Last => {
            // Line ends behind digits are the frame's, not the value's.
            let is_end = |byte: &&u8| check.written != Written::Byte && matches!(**byte, b'\r' | b'\n');
            let ends = raw[body.clone()].iter().rev().take_while(is_end).count();
            let body = body.start..body.end - ends;
            let value_at = body.end.checked_sub(width).filter(|at| *at >= body.start).ok_or_else(missing)?;
            let end = value_at.checked_sub(check.after.len()).filter(|at| *at >= body.start).ok_or_else(missing)?;
            if raw[end..value_at] != check.after {
                return Err(missing());
            }
            (body.start..end, end..value_at, value_at, body.end..body.end)
        }
    };
    let stated =
        raw.get(value_at..value_at + width).and_then(|bytes| read(check.written, bytes)).ok_or_else(missing)?;
    let start = payload.start - plan.marks.start.len()..payload.start;
    let covered: [&[u8]; 3] = match check.covers {
        Covers::Payload => [&[], &raw[payload.clone()], &[]],
        Covers::PayloadEnd => [&[], &raw[payload.clone()], &raw[end_mark]],
        Covers::StartPayload => [&raw[start], &raw[payload.clone()], &[]],
        Covers::StartPayloadEnd => [&raw[start], &raw[payload.clone()], &raw[end_mark]],
    };
    let computed = compute(check.kind, covered.concat().as_slice());
    if computed != stated {
        let detail = format!("check value {stated:02X}, the bytes make {computed:02X}");
        return Err(Rejection::damaged(Reason::Checksum, detail));
    }
    let tail = raw.get(rest).unwrap_or(&[]);
    if check.place == ChecksumPlace::AfterEnd && tail != plan.marks.tail {
        return Err(Rejection::damaged(Reason::EndMark, "what follows the check value is not as declared"));
    }
    Ok(payload)
}

fn read(written: Written, bytes: &[u8]) -> Option<u8> {
    match written {
        Written::Byte => bytes.first().copied(),
        Written::Hex if bytes.iter().all(u8::is_ascii_hexdigit) => {
            u8::from_str_radix(std::str::from_utf8(bytes).ok()?, 16).ok()
        }
        Written::Decimal if bytes.iter().all(u8::is_ascii_digit) => std::str::from_utf8(bytes).ok()?.parse().ok(),
        _ => None,
    }
}

fn compute(kind: ChecksumKind, bytes: &[u8]) -> u8 {
    match kind {
        ChecksumKind::Xor => bytes.iter().fold(0, |check, byte| check ^ byte),
        ChecksumKind::Sum => bytes.iter().fold(0, |check, byte| check.wrapping_add(*byte)),
        ChecksumKind::Lrc => compute(ChecksumKind::Sum, bytes).wrapping_neg(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: 0x31 ^ 0x32 = 0x03; 0x31 + 0x32 = 0x63; 0x100 - 0x63 = 0x9D.
    #[test]
    fn check_values() {
        assert_eq!(compute(ChecksumKind::Xor, b"12"), 0x03);
        assert_eq!(compute(ChecksumKind::Sum, b"12"), 0x63);
        assert_eq!(compute(ChecksumKind::Lrc, b"12"), 0x9d);
        assert_eq!(compute(ChecksumKind::Sum, &[0xff, 0x02]), 0x01);
    }

    #[test]
    fn check_values_are_written_in_three_ways() {
        assert_eq!(read(Written::Hex, b"9D"), Some(0x9d));
        assert_eq!(read(Written::Hex, b"+1"), None);
        assert_eq!(read(Written::Decimal, b"157"), Some(157));
        assert_eq!(read(Written::Decimal, b"300"), None);
        assert_eq!(read(Written::Byte, b"\r"), Some(13));
    }
}
