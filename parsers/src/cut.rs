//! Where frames begin and end: one step per byte, so the result can't depend on how the bytes were split.

use std::ops::Range;

use crate::definition::EncodingName;
use crate::frame::Close;

mod block;

pub(crate) use block::{Block, End, Start};

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
    /// These bytes only.
    Exact(Vec<u8>),
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
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Quoted {
    #[default]
    CellStart,
    Plain,
    Within,
    Closing,
}

/// Fill: what may stand between frames without being noise.
pub(crate) fn is_blank(byte: u8) -> bool {
    matches!(byte, b' ' | b'\t' | b'\r' | b'\n')
}

fn all_blank(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| is_blank(*byte))
}

impl Cutter {
    fn begin(&mut self, body_start: usize) {
        *self = Cutter { phase: Phase::Inside { body_start }, line_start: body_start, ..Cutter::default() };
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
        match &self.cut {
            Cut::Lines { quote } => self.step_line(cutter, open, *quote),
            Cut::Block(block) => block.step(self, cutter, open),
            Cut::Length { start, length, end, behind } => step_length(cutter, open, start, *length, (end, *behind)),
            Cut::Gap => Step::More,
        }
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
            _ => all_blank(bytes),
        }
    }

    /// Whether the fill that is open may be the beginning of a line: blanks behind the last line end.
    pub(crate) fn is_blank_beginning(&self, cutter: &Cutter, open: &[u8]) -> bool {
        let may_begin_blank = matches!(&self.cut, Cut::Lines { .. } | Cut::Block(Block { start: Start::Anything, .. }));
        may_begin_blank && !self.is_begun(cutter, open) && open.last().is_some_and(|last| matches!(last, b' ' | b'\t'))
    }

    /// Whether anything but fill is open.
    pub(crate) fn is_begun(&self, cutter: &Cutter, open: &[u8]) -> bool {
        match &self.cut {
            Cut::Gap => !all_blank(open),
            Cut::Length { start, .. } if start.is_empty() => !all_blank(open),
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

    /// Bytes of the line end that `open` ends with, 0 where there is none.
    fn line_end_at(&self, open: &[u8], unit: u8) -> usize {
        match &self.line_end {
            LineEnd::Any if matches!(unit, b'\r' | b'\n') => self.unit_width(),
            LineEnd::Exact(end) if open.ends_with(end) => end.len(),
            _ => 0,
        }
    }

    fn step_line(&self, cutter: &mut Cutter, open: &[u8], quote: Option<Quoting>) -> Step {
        let Some(unit) = self.last_unit(open) else { return Step::More };
        if let Some(quote) = quote
            && !self.is_byte_order_mark(&open[cutter.line_start..])
        {
            cutter.quoted = cutter.quoted.next(unit, quote);
        }
        let end = self.line_end_at(open, unit);
        if end == 0 || (cutter.quoted == Quoted::Within && !cutter.skipping) {
            // A line may begin with blanks; line ends before it are fill.
            if cutter.phase == Phase::Outside && matches!(unit, b'\r' | b'\n') {
                cutter.line_start = open.len();
            }
            if cutter.phase == Phase::Outside && !is_blank(unit) {
                cutter.phase = Phase::Inside { body_start: cutter.line_start };
            }
            return Step::More;
        }
        let body = cutter.line_start.min(open.len() - end)..open.len() - end;
        if !cutter.skipping && self.is_fill(&open[body.clone()]) {
            *cutter = Cutter { line_start: open.len(), ..Cutter::default() };
            return Step::More;
        }
        cutter.close(body)
    }

    /// Whether a frame is a whole file.
    pub(crate) fn is_of_files(&self) -> bool {
        matches!(self.cut, Cut::Gap) && self.unterminated_last_row
    }

    fn has_start(&self) -> bool {
        match &self.cut {
            Cut::Block(block) => !matches!(block.start, Start::Anything),
            Cut::Length { start, .. } => !start.is_empty(),
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

    /// What silence makes of the open frame.
    pub(crate) fn silence(&self, cutter: &Cutter, open: &[u8]) -> (Range<usize>, Close) {
        match self.body_at_end(cutter, open).filter(|_| self.gap_ms.is_some()) {
            Some(body) => (body, Close::Complete),
            None => (0..open.len(), self.hang_up(cutter)),
        }
    }

    /// What a hang-up makes of the open frame.
    pub(crate) fn hang_up(&self, cutter: &Cutter) -> Close {
        let has_start = self.has_start();
        match cutter.phase {
            _ if cutter.skipping => Close::TooLong,
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
            _ => None,
        }
    }
}

impl Quoted {
    /// RFC 4180: a quotation mark opens only at the beginning of a cell, and a doubled one stands for itself.
    fn next(self, unit: u8, quoting: Quoting) -> Quoted {
        let is_quote = unit == quoting.quote;
        match self {
            Quoted::CellStart if is_quote => Quoted::Within,
            Quoted::Within if is_quote => Quoted::Closing,
            Quoted::Within => Quoted::Within,
            Quoted::Closing if is_quote => Quoted::Within,
            _ if unit == quoting.delimiter || matches!(unit, b'\r' | b'\n') => Quoted::CellStart,
            _ => Quoted::Plain,
        }
    }
}

/// One step of a frame of `length` bytes. Where its end mark is not in its place the frame goes on to the next
/// end mark, so that one damaged frame does not shift all later ones.
fn step_length(cutter: &mut Cutter, open: &[u8], start: &[u8], length: usize, (end, behind): (&[u8], usize)) -> Step {
    if cutter.phase == Phase::Outside {
        if !open.ends_with(start) {
            return Step::More;
        }
        // Without a start mark the first byte is the first of the body already.
        let mark = start.len().max(1);
        let at = open.len() - mark;
        let body_start = start.len();
        if at > 0 && !all_blank(&open[..at]) {
            cutter.begin(body_start);
            return Step::Split { at, body: 0..at, close: Close::Stray };
        }
        cutter.begin(at + body_start);
    }
    let Phase::Inside { body_start } = cutter.phase else { return Step::More };
    let taken = open.len() - (body_start - start.len());
    let body_end = open.len().saturating_sub(behind + end.len()).max(body_start);
    if taken < length || !open[..open.len().saturating_sub(behind)].ends_with(end) {
        return Step::More;
    }
    cutter.close(body_start..body_end)
}
