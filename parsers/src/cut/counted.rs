//! Frames that say how long they are.
//!
//! After damage a start mark is believed only where a whole, proven frame begins: its length field is in bounds, its
//! end mark in place, its check value right. What lies before is one damaged frame.

use std::ops::Range;

use super::{Cutter, Phase, Shape, Step};
use crate::check::Check;
use crate::definition::{Counts, LengthWritten};
use crate::frame::Close;

/// Places in a damaged frame that are watched at the same time for a whole frame.
const CANDIDATES_MAX: usize = 64;

/// Bytes looked at to prove frames inside a damaged frame, per byte of it.
const EFFORT_MAX: usize = 32;

/// A frame with a length field.
#[derive(Clone, Debug)]
pub(crate) struct Counted {
    pub(crate) start: Vec<u8>,
    /// Bytes between start mark and field.
    pub(crate) at: usize,
    pub(crate) written: LengthWritten,
    /// Bytes of the field; of one that counts its own digits, of what says how many they are.
    pub(crate) width: usize,
    /// Whether a field that counts its own digits may have none, and the frame lasts until silence then.
    pub(crate) silence_ends: bool,
    pub(crate) counts: Counts,
    pub(crate) times: u64,
    pub(crate) add: i64,
    /// Bytes of a check value before the end mark.
    pub(crate) check_within: usize,
    pub(crate) end: Vec<u8>,
    /// Bytes of check value and tail behind the end mark.
    pub(crate) behind: usize,
    pub(crate) check: Option<Check>,
    pub(crate) tail: Vec<u8>,
}

/// The parts of a counted frame, as ranges of its bytes from the start mark on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Layout {
    /// Start mark, header and length field.
    pub(crate) head: Range<usize>,
    /// What lies between length field and end mark, a check value there included.
    pub(crate) body: Range<usize>,
    /// All of it.
    pub(crate) total: usize,
}

/// Whole frames that may begin inside a damaged one.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Rescue {
    /// Where each begins, and where it would end once its length is known.
    candidates: Vec<(usize, Option<usize>)>,
    /// Bytes looked at so far.
    effort: usize,
}

impl Counted {
    /// Bytes up to the end of the length field; `None` where that is not known yet.
    fn head(&self, frame: &[u8]) -> Option<usize> {
        let known = self.start.len() + self.at + self.width;
        match self.written {
            LengthWritten::CountedDecimal => {
                let digits = frame.get(..known)?.last().filter(|byte| byte.is_ascii_digit());
                Some(known + usize::from(digits.map_or(0, |byte| byte - b'0')))
            }
            _ => Some(known),
        }
    }

    /// Whether the frame says that it ends where its message ends: what a digit 0 in place of the number of digits means.
    pub(super) fn is_endless(&self, frame: &[u8]) -> bool {
        self.silence_ends && frame.get(self.start.len() + self.at) == Some(&b'0')
    }

    /// The parts of a frame that silence has ended; `None` where it is too short for what must stand behind.
    pub(super) fn endless_layout(&self, frame: &[u8]) -> Option<Layout> {
        let head = self.head(frame)?;
        let end = frame.len().checked_sub(self.end.len() + self.behind).filter(|end| *end >= head)?;
        Some(Layout { head: 0..head, body: head..end, total: frame.len() })
    }

    /// The number that the field of a frame states; `None` where it is none or not there yet.
    fn stated(&self, frame: &[u8]) -> Option<u64> {
        let field = frame.get(self.start.len() + self.at..self.head(frame)?)?;
        let digits = |field: &[u8], radix: u32| {
            let text = std::str::from_utf8(field).ok()?;
            let fits = text.bytes().all(|byte| char::from(byte).is_digit(radix));
            u64::from_str_radix(text, radix).ok().filter(|_| fits)
        };
        let join = |number: u64, byte: &u8| number << 8 | u64::from(*byte);
        match self.written {
            LengthWritten::U8 | LengthWritten::U16Be | LengthWritten::U32Be => Some(field.iter().fold(0, join)),
            LengthWritten::U16Le | LengthWritten::U32Le => Some(field.iter().rev().fold(0, join)),
            LengthWritten::Decimal => digits(field, 10),
            LengthWritten::CountedDecimal => digits(&field[self.width..], 10),
            LengthWritten::Hex => digits(field, 16),
        }
    }

    /// Where the parts of a frame lie by its own length field; `None` where the field is no number or impossible. One that
    /// ends with its message is taken as whole.
    pub(crate) fn layout(&self, frame: &[u8], bytes_max: usize) -> Option<Layout> {
        if self.is_endless(frame) {
            return self.endless_layout(frame);
        }
        let stated = i64::try_from(self.stated(frame)?.checked_mul(self.times)?).ok()?.checked_add(self.add)?;
        let counted = usize::try_from(stated).ok()?;
        let head = self.head(frame)?;
        let outside = self.end.len() + self.behind;
        let body = match self.counts {
            Counts::Payload => counted.checked_add(self.check_within)?,
            Counts::PayloadCheck => counted,
            Counts::Rest => counted.checked_sub(outside)?,
            Counts::Frame => counted.checked_sub(outside + head)?,
        };
        let total = head.checked_add(body)?.checked_add(outside)?;
        let fits = body >= self.check_within && total <= bytes_max;
        fits.then(|| Layout { head: 0..head, body: head..head + body, total })
    }

    /// Whether `frame` is whole as far as its marks and check value can tell; `None` where it has neither.
    fn is_proven(&self, frame: &[u8], layout: &Layout) -> Option<bool> {
        let end = layout.body.end..layout.body.end + self.end.len();
        let tail = &frame[layout.total.saturating_sub(self.tail.len())..layout.total];
        if frame.get(end) != Some(self.end.as_slice()) || tail != self.tail {
            return Some(false);
        }
        match &self.check {
            Some(check) => Some(crate::envelope::counted_payload(self, check, frame, layout).is_ok()),
            None if self.end.is_empty() && self.tail.is_empty() => None,
            None => Some(true),
        }
    }

    /// Whether damage can be noticed at all before a frame is read.
    fn can_prove(&self) -> bool {
        !self.start.is_empty() && (self.check.is_some() || !self.end.is_empty() || !self.tail.is_empty())
    }

    /// One more byte: the last of `open`.
    pub(super) fn step(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8]) -> Step {
        match cutter.phase.clone() {
            Phase::Outside => self.step_outside(shape, cutter, open),
            Phase::Inside { body_start } => self.step_inside(shape, cutter, open, body_start - self.start.len()),
            Phase::Lost { begin, expected } => self.step_lost(shape, cutter, open, begin, expected),
            Phase::Behind { .. } => Step::More,
        }
    }

    fn step_outside(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8]) -> Step {
        if !open.ends_with(&self.start) {
            return Step::More;
        }
        // Without a start mark the first byte that is no fill is the first of the frame already.
        if self.start.is_empty() && open.last().is_some_and(|last| shape.fill.contains(last)) {
            return Step::More;
        }
        let at = open.len() - self.start.len().max(1);
        if at > 0 && !shape.is_fill(&open[..at]) && !self.start.is_empty() {
            cutter.begin(self.start.len());
            return Step::Split { at, body: 0..at, close: Close::Stray };
        }
        cutter.begin(at + self.start.len());
        self.step_inside(shape, cutter, open, at)
    }

    fn step_inside(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8], begin: usize) -> Step {
        let taken = open.len() - begin;
        if self.is_endless(&open[begin..]) {
            return Step::More;
        }
        if self.head(&open[begin..]) == Some(taken) {
            cutter.layout = self.layout(&open[begin..], shape.bytes_max);
            if cutter.layout.is_none() {
                return self.lose(shape, cutter, open, begin, None);
            }
        }
        let Some(layout) = cutter.layout.clone().filter(|layout| layout.total == taken) else { return Step::More };
        match self.is_proven(&open[begin..], &layout) {
            None | Some(true) => cutter.close(begin + self.start.len()..begin + layout.body.end),
            Some(false) => self.lose(shape, cutter, open, begin, Some(open.len())),
        }
    }

    /// The frame is damaged: what is open is looked through for a whole one, and then every further byte.
    fn lose(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8], begin: usize, expected: Option<usize>) -> Step {
        cutter.phase = Phase::Lost { begin, expected };
        let mut rescue = Rescue::default();
        for end in begin + 1..=open.len() {
            if let Some(found) = self.watch(shape, &mut rescue, &open[..end], begin) {
                return self.found(begin, found);
            }
        }
        cutter.rescue = rescue;
        Step::More
    }

    fn step_lost(
        &self,
        shape: &Shape,
        cutter: &mut Cutter,
        open: &[u8],
        begin: usize,
        expected: Option<usize>,
    ) -> Step {
        // A start mark right where the damaged frame should end: its length was right, so the stream is in step.
        if let Some(expected) = expected
            && let Some(at) = open.len().checked_sub(self.start.len())
            && at >= expected
            && open.ends_with(&self.start)
            && shape.is_fill(&open[expected..at])
            && !self.start.is_empty()
        {
            cutter.begin(self.start.len());
            return Step::Split { at, body: begin + self.start.len()..at, close: Close::Complete };
        }
        let mut rescue = std::mem::take(&mut cutter.rescue);
        let found = self.watch(shape, &mut rescue, open, begin);
        cutter.rescue = rescue;
        match found {
            Some(found) => self.found(begin, found),
            None => Step::More,
        }
    }

    fn found(&self, begin: usize, (at, layout): (usize, Layout)) -> Step {
        // A start mark may begin in the last bytes of the one before.
        let before = (begin + self.start.len()).min(at)..at;
        Step::Rescue { at, before, body: self.start.len()..layout.body.end, end: at + layout.total }
    }

    /// One more byte of a damaged frame: the whole frame that ends with it, if there is one.
    fn watch(&self, shape: &Shape, rescue: &mut Rescue, open: &[u8], begin: usize) -> Option<(usize, Layout)> {
        if !self.can_prove() {
            return None;
        }
        let start_at = open.len().checked_sub(self.start.len()).filter(|at| *at > begin);
        if let Some(at) = start_at.filter(|_| open.ends_with(&self.start))
            && rescue.candidates.len() < CANDIDATES_MAX
        {
            rescue.candidates.push((at, None));
        }
        let mut found = None;
        rescue.candidates.retain_mut(|(at, end)| {
            let frame = &open[*at..];
            // Nothing but its own beginning would prove it.
            if self.is_endless(frame) {
                return false;
            }
            if self.head(frame) == Some(frame.len()) {
                *end = self.layout(frame, shape.bytes_max).map(|layout| *at + layout.total);
                if end.is_none() {
                    return false;
                }
            }
            if *end != Some(open.len()) {
                return true;
            }
            rescue.effort += frame.len();
            if found.is_none()
                && rescue.effort <= (open.len() - begin).max(1_024) * EFFORT_MAX
                && let Some(layout) = self.layout(frame, shape.bytes_max)
                && self.is_proven(frame, &layout) == Some(true)
            {
                found = Some((*at, layout));
            }
            false
        });
        found
    }

    /// The first whole frame inside bytes that silence or the end has closed.
    pub(super) fn rescue(&self, shape: &Shape, cutter: &Cutter, open: &[u8]) -> Option<Step> {
        let begin = match cutter.phase {
            Phase::Inside { body_start } => body_start - self.start.len(),
            _ => return None,
        };
        // Any byte may stand in it, the beginning of a whole frame as well.
        if self.is_endless(&open[begin..]) {
            return None;
        }
        let mut rescue = Rescue::default();
        for end in begin + 1..=open.len() {
            if let Some(found) = self.watch(shape, &mut rescue, &open[..end], begin) {
                return Some(self.found(begin, found));
            }
        }
        None
    }
}
