//! Where frames begin and end: one step per byte, so the result can't depend on how the bytes were split.

use std::ops::Range;
use std::sync::Arc;

use regex::bytes::Regex;

use crate::definition::EncodingName;
use crate::encoding::{BadText, decode};
use crate::frame::Close;
use crate::wire::{Guard, Seven, Stuffing, stripped};

mod block;
mod counted;
mod fixed;
mod line;

pub(crate) use block::{Block, End, Start};
use counted::Rescue;
pub(crate) use counted::{Counted, Layout};
use fixed::step_length;
use line::Quoted;

/// How a definition cuts a stream.
#[derive(Clone, Debug)]
pub(crate) struct Shape {
    pub(crate) cut: Cut,
    pub(crate) line_end: LineEnd,
    pub(crate) encoding: EncodingName,
    /// An open frame is closed as too long when it holds this many bytes.
    pub(crate) bytes_max: usize,
    pub(crate) idle_ms: Option<u64>,
    pub(crate) gap_ms: Option<u64>,
    pub(crate) unterminated_last_row: bool,
    /// What may stand between frames by itself.
    pub(crate) signals: Arc<[Signal]>,
    /// Seven bits that arrive as eight. The cutter is given seven.
    pub(crate) seven: Option<Seven>,
    pub(crate) stuffing: Option<Stuffing>,
    /// Bytes beside blanks and line ends that may stand between frames.
    pub(crate) fill: Vec<u8>,
    /// What is taken out before bytes are read as text.
    pub(crate) strip: Option<Regex>,
}

/// Bytes that are known by themselves where a frame might begin: an echo of what was sent, an enquiry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Signal {
    pub(crate) bytes: Vec<u8>,
    /// An echo comes once before an answer, not again before a frame came or something was sent.
    pub(crate) is_echo: bool,
}

impl Default for Shape {
    fn default() -> Self {
        Shape {
            cut: Cut::Lines { quote: None },
            line_end: LineEnd::Any,
            encoding: EncodingName::Ascii,
            bytes_max: 65_536,
            idle_ms: Some(2_000),
            gap_ms: None,
            unterminated_last_row: false,
            seven: None,
            stuffing: None,
            fill: vec![],
            strip: None,
            signals: Arc::new([]),
        }
    }
}

/// What ends a frame.
#[derive(Clone, Debug)]
pub(crate) enum Cut {
    /// A line end; not within quotation marks.
    Lines { quote: Option<Quoting> },
    /// Marks.
    Block(Block),
    /// A number of bytes from the start mark on; `end` and `behind` are counted in.
    Length { start: Vec<u8>, length: usize, end: Vec<u8>, behind: usize },
    /// A number of bytes that the frame states itself.
    Counted(Counted),
    /// Silence only.
    Gap,
}

/// Quotation mark and delimiter of rows.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Quoting {
    pub(crate) quote: u8,
    pub(crate) delimiter: u8,
}

/// What ends a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum LineEnd {
    /// CR, LF or CR LF.
    Any,
    /// Any of these.
    OneOf(Vec<Vec<u8>>),
}

/// What one more byte did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    More,
    /// The open bytes are a frame.
    Close {
        body: Range<usize>,
        close: Close,
    },
    /// The first `at` open bytes are a frame, and another one has begun.
    Split {
        at: usize,
        body: Range<usize>,
        close: Close,
    },
    /// The open bytes up to `at` are a damaged frame with `before` as its body; a whole frame reaches from there to
    /// `end`, with `body` counted from `at`.
    Rescue {
        at: usize,
        before: Range<usize>,
        body: Range<usize>,
        end: usize,
    },
}

/// Where in a frame the stream is. Positions count from the first open byte.
#[derive(Clone, Debug, Default)]
pub(crate) struct Cutter {
    phase: Phase,
    /// Where the current line begins.
    line_start: usize,
    quoted: Quoted,
    /// Bytes are dropped into too-long frames until the stream is in step again.
    skipping: bool,
    /// From where on marks may begin, where bytes are escaped.
    guard: Guard,
    /// What the length field of the open frame says.
    layout: Option<Layout>,
    rescue: Rescue,
    /// Lines that the open block still has, and empty lines in a row.
    lines_left: Option<usize>,
    /// Which of the declared line ends ended the frame before.
    ended_by: Option<usize>,
    blank_lines: usize,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
enum Phase {
    #[default]
    Outside,
    Inside {
        body_start: usize,
    },
    /// Behind the end mark, with `taken` bytes of check value and tail.
    Behind {
        body: Range<usize>,
        taken: usize,
    },
    /// In a damaged frame that began at `begin` and should have ended at `expected`.
    Lost {
        begin: usize,
        expected: Option<usize>,
    },
}

/// Fill: what may stand between frames without being noise.
pub(crate) fn is_blank(byte: u8) -> bool {
    matches!(byte, b' ' | b'\t' | b'\r' | b'\n')
}

fn all_blank(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| is_blank(*byte))
}

impl Cutter {
    /// Whether a frame may begin here.
    pub(crate) fn is_outside(&self) -> bool {
        self.phase == Phase::Outside && !self.skipping
    }

    fn begin(&mut self, body_start: usize) {
        *self = Cutter {
            phase: Phase::Inside { body_start },
            line_start: body_start,
            guard: Guard::at(body_start),
            ..Cutter::default()
        };
    }

    fn close(&mut self, body: Range<usize>) -> Step {
        let close = if self.skipping { Close::TooLong } else { Close::Complete };
        *self = Cutter::default();
        Step::Close { body, close }
    }
}

impl Shape {
    /// One more byte: the last of `open`.
    pub(crate) fn step(&self, cutter: &mut Cutter, open: &[u8]) -> Step {
        if let Some(stuffing) = &self.stuffing
            && (cutter.phase != Phase::Outside || !self.has_start())
        {
            cutter.guard.step(stuffing, open);
        }
        match &self.cut {
            Cut::Lines { quote } => self.step_line(cutter, open, *quote),
            Cut::Block(block) => block.step(self, cutter, open),
            Cut::Length { start, length, end, behind } => step_length(cutter, open, start, *length, (end, *behind)),
            Cut::Counted(counted) => counted.step(self, cutter, open),
            Cut::Gap => Step::More,
        }
    }

    /// The text that bytes between marks are.
    pub(crate) fn text(&self, bytes: &[u8]) -> Result<String, BadText> {
        decode(self.encoding, &stripped(self.strip.as_ref(), bytes))
    }

    /// Whether `open` ends with a mark that begins at `from` at the earliest and is not escaped.
    fn ends_with(&self, cutter: &Cutter, open: &[u8], from: usize, mark: &[u8]) -> bool {
        let from = if self.stuffing.is_some() { from.max(cutter.guard.clear_from) } else { from };
        open.get(from..).is_some_and(|bytes| bytes.ends_with(mark))
    }

    /// The last character of `open` as an ASCII byte, if it ends at a character's bounds; other characters are
    /// told as 0xFF.
    fn last_unit(&self, open: &[u8]) -> Option<u8> {
        let last = *open.last()?;
        let (low, high) = match self.encoding {
            EncodingName::Utf16Le => (*open.get(open.len().checked_sub(2)?)?, last),
            EncodingName::Utf16Be => (last, *open.get(open.len().checked_sub(2)?)?),
            _ => return Some(last),
        };
        if !open.len().is_multiple_of(2) {
            return None;
        }
        Some(if high == 0 { low } else { 0xff })
    }

    /// Whether `bytes` are nothing but line ends and blanks.
    fn is_fill(&self, bytes: &[u8]) -> bool {
        match self.encoding {
            EncodingName::Utf16Le => {
                bytes.chunks(2).all(|unit| is_blank(unit[0]) && unit.get(1).is_none_or(|high| *high == 0))
            }
            EncodingName::Utf16Be => {
                bytes.chunks(2).all(|unit| unit[0] == 0 && unit.get(1).is_none_or(|low| is_blank(*low)))
            }
            _ => bytes.iter().all(|byte| is_blank(*byte) || self.fill.contains(byte)),
        }
    }

    /// Whether nothing is left of a line once printer codes are taken out.
    fn is_blank_line(&self, line: &[u8]) -> bool {
        self.is_fill(line) || (self.strip.is_some() && self.is_fill(&stripped(self.strip.as_ref(), line)))
    }

    /// Whether the fill that is open may be the beginning of a line: blanks behind the last line end.
    pub(crate) fn is_blank_beginning(&self, cutter: &Cutter, open: &[u8]) -> bool {
        let may_begin_blank = matches!(&self.cut, Cut::Lines { .. } | Cut::Block(Block { start: Start::Anything, .. }));
        may_begin_blank && !self.is_begun(cutter, open) && open.last().is_some_and(|last| matches!(last, b' ' | b'\t'))
    }

    /// Whether anything but fill is open.
    pub(crate) fn is_begun(&self, cutter: &Cutter, open: &[u8]) -> bool {
        match &self.cut {
            Cut::Gap => !self.is_fill(open),
            Cut::Length { start, .. } if start.is_empty() => !self.is_fill(open),
            _ => cutter.skipping || cutter.phase != Phase::Outside || !self.is_fill(open),
        }
    }

    /// Whether `line` is the beginning of a byte order mark, or one: the cell behind it is the first of the row.
    fn is_byte_order_mark(&self, line: &[u8]) -> bool {
        match self.encoding {
            EncodingName::Utf8 => b"\xef\xbb\xbf".starts_with(line),
            EncodingName::Utf16Le => line == b"\xff\xfe",
            EncodingName::Utf16Be => line == b"\xfe\xff",
            _ => false,
        }
    }

    fn unit_width(&self) -> usize {
        if crate::encoding::is_wide(self.encoding) { 2 } else { 1 }
    }

    /// Whether a frame is a whole file.
    pub(crate) fn is_of_files(&self) -> bool {
        matches!(self.cut, Cut::Gap) && self.unterminated_last_row
    }

    fn has_start(&self) -> bool {
        match &self.cut {
            Cut::Block(block) => !matches!(block.start, Start::Anything),
            Cut::Length { start, .. } => !start.is_empty(),
            Cut::Counted(counted) => !counted.start.is_empty(),
            _ => false,
        }
    }

    /// The open frame is full: how it is closed, and how the stream gets in step again.
    pub(crate) fn overflow(&self, cutter: &mut Cutter, open: &[u8]) -> Close {
        if !self.is_begun(cutter, open) {
            *cutter = Cutter::default();
            return Close::Residue;
        }
        let has_start = self.has_start();
        let was_outside = has_start && cutter.phase == Phase::Outside;
        *cutter = Cutter { skipping: !has_start, ..Cutter::default() };
        if cutter.skipping {
            cutter.phase = Phase::Inside { body_start: 0 };
        }
        if was_outside { Close::Stray } else { Close::TooLong }
    }

    /// The first whole frame inside an open one that silence or the end cuts off.
    pub(crate) fn rescue(&self, cutter: &Cutter, open: &[u8]) -> Option<Step> {
        match &self.cut {
            Cut::Counted(counted) => counted.rescue(self, cutter, open),
            _ => None,
        }
    }

    /// What silence makes of the open frame.
    pub(crate) fn silence(&self, cutter: &Cutter, open: &[u8]) -> (Range<usize>, Close) {
        match self.body_at_end(cutter, open).filter(|_| self.gap_ms.is_some()) {
            _ if matches!(cutter.phase, Phase::Lost { .. }) => (self.lost_body(cutter, open), Close::Complete),
            Some(body) => (body, Close::Complete),
            None => (0..open.len(), self.hang_up(cutter)),
        }
    }

    /// The body of a frame that is damaged for certain: all of it.
    pub(crate) fn lost_body(&self, cutter: &Cutter, open: &[u8]) -> Range<usize> {
        match cutter.phase {
            Phase::Lost { begin, .. } => begin..open.len(),
            _ => 0..open.len(),
        }
    }

    /// What a hang-up makes of the open frame.
    pub(crate) fn hang_up(&self, cutter: &Cutter) -> Close {
        let has_start = self.has_start();
        match cutter.phase {
            _ if cutter.skipping => Close::TooLong,
            Phase::Lost { .. } => Close::Complete,
            Phase::Outside if has_start => Close::Stray,
            _ => Close::CutOff,
        }
    }

    /// The body of a last row that may do without a line end.
    pub(crate) fn end_of_file(&self, cutter: &Cutter, open: &[u8]) -> Option<Range<usize>> {
        self.body_at_end(cutter, open).filter(|_| self.unterminated_last_row)
    }

    /// The body of the open frame, if it may end here.
    fn body_at_end(&self, cutter: &Cutter, open: &[u8]) -> Option<Range<usize>> {
        let may_end = !cutter.skipping && cutter.quoted != Quoted::Within;
        match (&self.cut, &cutter.phase) {
            _ if !may_end => None,
            (Cut::Gap, _) => Some(0..open.len()),
            (Cut::Lines { .. } | Cut::Block(Block { end: End::NextStart, .. }), Phase::Inside { body_start }) => {
                Some(*body_start..open.len())
            }
            (Cut::Counted(counted), Phase::Inside { body_start }) => {
                let begin = body_start - counted.start.len();
                let frame = open.get(begin..).filter(|frame| counted.is_endless(frame))?;
                Some(*body_start..begin + counted.endless_layout(frame)?.body.end)
            }
            _ => None,
        }
    }
}
