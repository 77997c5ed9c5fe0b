//! What proves a frame whole: marks, length, check value.

use std::borrow::Cow;

use crate::check::Check;
use crate::cut::{Block, Counted, Cut, End, Layout, LineEnd, Start};
use crate::definition::{ChecksumPlace, Written};
use crate::encoding::{BadText, decode};
use crate::frame::Frame;
use crate::plan::Plan;
use crate::reading::{Outcome, Reason};
use crate::wire::BadStuffing;

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
    let raw = clear(plan, &frame.raw)?;
    let payload = payload(plan, &raw, frame)?;
    let text = text_of(plan, &payload)?;
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
    let start_line = mark_line(plan.start_line.is_some(), &raw[..frame.body.start], true)?;
    let end_line = mark_line(plan.end_line.is_some(), &raw[frame.body.end..], false)?;
    Ok(Opened { text, start_line, end_line })
}

pub(crate) fn text_of(plan: &Plan, bytes: &[u8]) -> Result<String, Rejection> {
    plan.shape.text(bytes).map_err(|bad| match bad {
        BadText::Noise => Rejection::damaged(Reason::Noise, "control characters that no message has"),
        BadText::Undecodable => Rejection::damaged(Reason::Encoding, "bytes that the encoding does not have"),
    })
}

/// The lines of a text, by the definition's line end.
pub(crate) fn lines<'a>(plan: &Plan, text: &'a str) -> Vec<&'a str> {
    match &plan.shape.line_end {
        LineEnd::OneOf(ends) => split_at_any(plan, text, ends),
        LineEnd::Any => text.split(['\r', '\n']).collect(),
    }
}

/// Splits at any of several line ends, the longest one that fits.
fn split_at_any<'a>(plan: &Plan, text: &'a str, ends: &[Vec<u8>]) -> Vec<&'a str> {
    let spelled = |end: &Vec<u8>| match plan.shape.encoding {
        encoding if crate::encoding::is_wide(encoding) => decode(encoding, end).ok(),
        _ => Some(end.iter().map(|byte| char::from(*byte)).collect()),
    };
    let ends: Vec<String> = ends.iter().filter_map(spelled).filter(|end: &String| !end.is_empty()).collect();
    let mut lines = Vec::new();
    let (mut begin, mut at) = (0, 0);
    while let Some(rest) = text.get(at..).filter(|rest| !rest.is_empty()) {
        match ends.iter().filter(|end| rest.starts_with(end.as_str())).map(String::len).max() {
            Some(length) => {
                lines.push(&text[begin..at]);
                at += length;
                begin = at;
            }
            None => at += rest.chars().next().map_or(1, char::len_utf8),
        }
    }
    lines.push(&text[begin..]);
    lines
}

/// The bytes that a frame means: without marks, check value, parity and escapes.
pub(crate) fn meant(plan: &Plan, frame: &Frame) -> Result<Vec<u8>, Rejection> {
    let raw = clear(plan, &frame.raw)?;
    payload(plan, &raw, frame).map(Cow::into_owned)
}

/// The bytes of a document, byte marks and line marks of a block included: they are part of it.
pub(crate) fn document(plan: &Plan, frame: &Frame) -> Result<Vec<u8>, Rejection> {
    let raw = clear(plan, &frame.raw)?;
    let payload = payload(plan, &raw, frame)?;
    let Cut::Block(block) = &plan.shape.cut else { return Ok(payload.into_owned()) };
    let before: &[u8] = match &block.start {
        Start::Anything => &[],
        Start::Bytes(mark) => mark,
        Start::Line(_) => &raw[..frame.body.start],
    };
    let has_check_within = plan.check.as_ref().is_some_and(|check| check.place != ChecksumPlace::AfterEnd);
    let behind: &[u8] = match &block.end {
        End::Bytes(mark) if !has_check_within => mark,
        End::Line(_) => &raw[frame.body.end..],
        _ => &[],
    };
    Ok([before, &payload, behind].concat())
}

/// The bytes without parity.
pub(crate) fn clear<'a>(plan: &Plan, raw: &'a [u8]) -> Result<Cow<'a, [u8]>, Rejection> {
    let Some(seven) = plan.shape.seven else { return Ok(Cow::Borrowed(raw)) };
    let wrong = raw.iter().position(|byte| !seven.is_sound(*byte));
    match (seven.clear_all(raw), wrong) {
        (Some(clear), _) => Ok(Cow::Owned(clear)),
        (None, at) => {
            let detail = format!("byte {} has the wrong parity", at.map_or(0, |at| at + 1));
            Err(Rejection::damaged(Reason::Encoding, detail))
        }
    }
}

/// The parts of a frame that a check value may cover, and where it may stand. `body` is as meant, escapes undone.
struct Parts<'a> {
    start: &'a [u8],
    /// Header and length field.
    length: &'a [u8],
    body: Cow<'a, [u8]>,
    /// The body as it was sent, where that is something else.
    sent: Option<&'a [u8]>,
    end: &'a [u8],
    /// What stands behind the end mark.
    behind: &'a [u8],
}

/// Checks marks and check value; the bytes between them.
fn payload<'a>(plan: &Plan, raw: &'a [u8], frame: &Frame) -> Result<Cow<'a, [u8]>, Rejection> {
    let marks = &plan.marks;
    let mut body = frame.body.clone();
    match &plan.shape.cut {
        Cut::Lines { .. } | Cut::Gap => {
            if matches!(plan.shape.cut, Cut::Gap) && !marks.start.is_empty() {
                body.start += raw[body.clone()].iter().take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
            }
            if !raw[body.clone()].starts_with(&marks.start) {
                return Err(Rejection::damaged(Reason::StartMark, "the start mark is missing"));
            }
            body.start += marks.start.len();
        }
        Cut::Length { length, .. } => {
            let bytes = raw.len() + marks.start.len() - body.start;
            if bytes != *length {
                return Err(Rejection::damaged(Reason::Length, format!("{bytes} bytes instead of {length}")));
            }
        }
        Cut::Counted(counted) => {
            let begin = body.start.saturating_sub(marks.start.len());
            return counted_frame(plan, counted, &raw[begin..]).map(Cow::Owned);
        }
        Cut::Block(block) => no_mark_within(plan, &raw[body.clone()], block)?,
    }
    let sent = &raw[body.clone()];
    let meant = match &plan.shape.stuffing {
        Some(stuffing) => Cow::Owned(stuffing.undo(sent, &marks.start).map_err(bad_stuffing)?),
        None => Cow::Borrowed(sent),
    };
    let end = (body.end + marks.end.len()).min(raw.len());
    let has_end = matches!(plan.shape.cut, Cut::Block(Block { end: End::Bytes(_), .. }) | Cut::Length { .. });
    let parts = Parts {
        start: &raw[body.start - marks.start.len()..body.start],
        length: &[],
        body: meant,
        sent: plan.shape.stuffing.as_ref().map(|_| sent),
        end: if has_end { &raw[body.end..end] } else { &[] },
        behind: if has_end { &raw[end..] } else { &[] },
    };
    let is_block = matches!(plan.shape.cut, Cut::Block(_));
    prove(
        plan.check.as_ref(),
        parts,
        if has_end && (is_block || plan.check.is_some()) { Some(&marks.tail) } else { None },
    )
}

fn bad_stuffing(bad: BadStuffing) -> Rejection {
    match bad {
        BadStuffing::Mark => Rejection::damaged(Reason::EndMark, "another start mark before the end mark"),
        BadStuffing::Escape => Rejection::damaged(Reason::Sanity, "an escape byte with nothing known behind it"),
        BadStuffing::Bare(byte) => {
            Rejection::damaged(Reason::Sanity, format!("byte {byte:02X} should have been escaped"))
        }
    }
}

/// Checks a frame that states its own length; what it says, without its length field.
fn counted_frame(plan: &Plan, counted: &Counted, frame: &[u8]) -> Result<Vec<u8>, Rejection> {
    let Some(layout) = counted.layout(frame, plan.shape.bytes_max) else {
        return Err(Rejection::damaged(Reason::Length, "its length field states no possible length"));
    };
    if layout.total != frame.len() {
        let detail = format!("{} bytes instead of {}", frame.len(), layout.total);
        return Err(Rejection::damaged(Reason::Length, detail));
    }
    if frame.get(layout.body.end..layout.body.end + counted.end.len()) != Some(counted.end.as_slice()) {
        return Err(Rejection::damaged(Reason::EndMark, "the end mark is not where the length field says"));
    }
    let header = &frame[counted.start.len()..counted.start.len() + counted.at];
    let payload = counted_parts(counted, frame, &layout);
    let payload = prove(plan.check.as_ref(), payload, Some(&counted.tail))?;
    Ok([header, &payload].concat())
}

fn counted_parts<'a>(counted: &Counted, frame: &'a [u8], layout: &Layout) -> Parts<'a> {
    let end = layout.body.end + counted.end.len();
    Parts {
        start: &frame[..counted.start.len()],
        length: &frame[counted.start.len()..layout.head.end],
        body: Cow::Borrowed(&frame[layout.body.clone()]),
        sent: None,
        end: &frame[layout.body.end..end],
        behind: &frame[end..layout.total],
    }
}

/// The payload of a frame with a length field, if its check value agrees.
pub(crate) fn counted_payload(
    counted: &Counted,
    check: &Check,
    frame: &[u8],
    layout: &Layout,
) -> Result<(), Rejection> {
    prove(Some(check), counted_parts(counted, frame, layout), Some(&counted.tail)).map(drop)
}

/// Two frames that ran into one another, because the end of the first was lost.
fn no_mark_within(plan: &Plan, body: &[u8], block: &Block) -> Result<(), Rejection> {
    let merged = match &block.start {
        Start::Anything => false,
        // Escapes are looked through where they are undone.
        Start::Bytes(_) if plan.shape.stuffing.is_some() => false,
        Start::Bytes(mark) => {
            !matches!(block.end, End::NextStart) && body.windows(mark.len()).any(|bytes| bytes == mark)
        }
        Start::Line(pattern) => {
            plan.shape.text(body).is_ok_and(|text| lines(plan, &text).iter().any(|line| pattern.is_match(line)))
        }
    };
    match merged {
        true => Err(Rejection::damaged(Reason::EndMark, "another start mark before the end mark")),
        false => Ok(()),
    }
}

/// Checks the check value and what stands behind the end mark (`tail`, where anything may stand there); the payload.
fn prove<'a>(check: Option<&Check>, parts: Parts<'a>, tail: Option<&Vec<u8>>) -> Result<Cow<'a, [u8]>, Rejection> {
    let tail_is_right = |behind: &[u8]| tail.is_none_or(|tail| behind == tail.as_slice());
    let Some(check) = check else {
        return match tail_is_right(parts.behind) {
            true => Ok(parts.body),
            false => Err(Rejection::damaged(Reason::EndMark, "what follows the end mark is not as declared")),
        };
    };
    let missing = || Rejection::damaged(Reason::Checksum, "there is no check value in its place");
    let width = check.width;
    let (payload, stated, after, behind) = match check.place {
        ChecksumPlace::AfterEnd => {
            let (stated, behind) = parts.behind.split_at_checked(width).ok_or_else(missing)?;
            (0..parts.body.len(), stated, None, behind)
        }
        ChecksumPlace::First => {
            let stated = parts.body.get(..width).ok_or_else(missing)?;
            (width..parts.body.len(), stated, None, parts.behind)
        }
        ChecksumPlace::Last => {
            // Line ends behind digits are the frame's, not the value's.
            let is_raw = matches!(check.written, Written::Byte | Written::Bytes);
            let is_end = |byte: &&u8| !is_raw && parts.end.is_empty() && matches!(**byte, b'\r' | b'\n');
            let stop = parts.body.len() - parts.body.iter().rev().take_while(is_end).count();
            let value_at = stop.checked_sub(width).ok_or_else(missing)?;
            let end = value_at.checked_sub(check.after.len()).ok_or_else(missing)?;
            if parts.body[end..value_at] != check.after {
                return Err(missing());
            }
            (0..end, &parts.body[value_at..stop], Some(end..value_at), parts.behind)
        }
    };
    let covered: &[u8] = match parts.sent {
        Some(sent) if check.over_escaped => sent,
        _ => &parts.body[payload.clone()],
    };
    let end = match after {
        Some(after) if !after.is_empty() => &parts.body[after],
        _ => parts.end,
    };
    let nothing: &[u8] = &[];
    let part = |is_covered: bool, bytes| if is_covered { bytes } else { nothing };
    let start = part(check.covers.start, parts.start).iter();
    let bytes = start.chain(part(check.covers.length, parts.length)).chain(covered).chain(part(check.covers.end, end));
    let computed = check.compute(bytes.copied());
    match check.agrees(computed, stated) {
        None => return Err(missing()),
        Some(true) => {}
        Some(false) => {
            let detail = format!("check value {}, the bytes make {}", check.as_sent(stated), check.shown(computed));
            return Err(Rejection::damaged(Reason::Checksum, detail));
        }
    }
    if !tail_is_right(behind) {
        return Err(Rejection::damaged(Reason::EndMark, "what follows the check value is not as declared"));
    }
    Ok(match parts.body {
        Cow::Borrowed(body) => Cow::Borrowed(&body[payload]),
        Cow::Owned(body) => Cow::Owned(body[payload].to_vec()),
    })
}
