//! Frames between marks.

use std::ops::Range;

use regex::Regex;

use super::{Cutter, LineEnd, Phase, Shape, Step, all_blank, is_blank};
use crate::encoding::decode;
use crate::frame::Close;

/// A frame between marks.
#[derive(Clone, Debug)]
pub(crate) struct Block {
    pub(crate) start: Start,
    pub(crate) end: End,
    /// Bytes of check value behind the end mark; none of them is ever a mark.
    pub(crate) check: usize,
    /// Bytes behind those that belong to the frame.
    pub(crate) tail: Vec<u8>,
    /// Whether a start mark inside a frame begins another one.
    pub(crate) restart: bool,
}

/// What begins a block.
#[derive(Clone, Debug)]
pub(crate) enum Start {
    Anything,
    Bytes(Vec<u8>),
    Line(Regex),
}

/// What ends a block.
#[derive(Clone, Debug)]
pub(crate) enum End {
    Bytes(Vec<u8>),
    Line(Regex),
    BlankLine,
    /// The next start mark, or silence.
    NextStart,
}

impl Block {
    /// One more byte: the last of `open`.
    pub(super) fn step(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8]) -> Step {
        match cutter.phase.clone() {
            Phase::Outside => self.step_outside(shape, cutter, open),
            Phase::Inside { body_start } => self.step_inside(shape, cutter, open, body_start),
            Phase::Behind { body, taken } => self.step_behind(shape, cutter, open, body, taken + 1),
        }
    }

    fn step_outside(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8]) -> Step {
        let at = match &self.start {
            Start::Anything => return self.step_anything(shape, cutter, open),
            Start::Bytes(mark) if open.ends_with(mark) => open.len() - mark.len(),
            Start::Bytes(_) => return Step::More,
            Start::Line(pattern) => match line_at_end(shape, cutter, open) {
                Some(line) if fits(shape, pattern, &open[line.clone()]) => line.start,
                _ => return Step::More,
            },
        };
        if all_blank(&open[..at]) {
            cutter.begin(open.len());
            return Step::More;
        }
        cutter.begin(open.len() - at);
        Step::Split { at, body: 0..at, close: Close::Stray }
    }

    /// A block without a start mark begins with the first line that is not empty.
    fn step_anything(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8]) -> Step {
        let last = open.last().copied().unwrap_or(b' ');
        if matches!(last, b'\r' | b'\n') {
            cutter.line_start = open.len();
        }
        if is_blank(last) {
            return Step::More;
        }
        let body_start = cutter.line_start;
        cutter.begin(body_start);
        self.step_inside(shape, cutter, open, body_start)
    }

    fn step_inside(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8], body_start: usize) -> Step {
        let is_first = open.len() == body_start + 1;
        if is_first && matches!(self.start, Start::Line(_)) && shape.line_end == LineEnd::Any && open.ends_with(b"\r\n")
        {
            // The CR has ended the first line; its LF is no part of the body.
            cutter.begin(open.len());
            return Step::More;
        }
        let needs_lines = matches!(self.start, Start::Line(_)) || matches!(self.end, End::Line(_) | End::BlankLine);
        let line = if needs_lines { line_at_end(shape, cutter, open) } else { None };
        if let Some(body_end) = self.body_end(shape, open, body_start, line.as_ref()) {
            return self.end(cutter, open, body_start..body_end);
        }
        if !self.restart && !matches!(self.end, End::NextStart) {
            return Step::More;
        }
        let next = match &self.start {
            Start::Bytes(mark) if open[body_start..].ends_with(mark) => Some(open.len() - mark.len()),
            Start::Line(pattern) => {
                line.filter(|line| fits(shape, pattern, &open[line.clone()])).map(|line| line.start)
            }
            _ => None,
        };
        let Some(at) = next else { return Step::More };
        cutter.begin(open.len() - at);
        match self.end {
            End::NextStart => Step::Split { at, body: body_start..at, close: Close::Complete },
            _ => Step::Split { at, body: 0..at, close: Close::CutOff },
        }
    }

    /// Where the body ends, if `open` ends with what ends a block; `line` is the line that ends with `open`.
    fn body_end(&self, shape: &Shape, open: &[u8], body_start: usize, line: Option<&Range<usize>>) -> Option<usize> {
        match (&self.end, line) {
            (End::Bytes(mark), _) => open[body_start..].ends_with(mark).then(|| open.len() - mark.len()),
            (End::Line(pattern), Some(line)) => fits(shape, pattern, &open[line.clone()]).then_some(line.start),
            (End::BlankLine, Some(line)) if line.start > body_start && all_blank(&open[line.clone()]) => {
                // The end of the last line that is not empty belongs to the end of the block.
                let is_end = |byte: &u8| matches!(byte, b'\r' | b'\n');
                let ends = open[body_start..line.start].iter().rev().take_while(|byte| is_end(byte)).count();
                Some(line.start - ends)
            }
            _ => None,
        }
    }

    fn end(&self, cutter: &mut Cutter, open: &[u8], body: Range<usize>) -> Step {
        let has_more = self.check + self.tail.len() > 0;
        let is_empty = matches!(self.start, Start::Anything) && all_blank(&open[body.clone()]);
        if is_empty && !has_more && !cutter.skipping {
            if matches!(self.end, End::Bytes(_)) {
                // An end mark with nothing before it (an empty page) is no beginning of a frame.
                *cutter = Cutter::default();
                return Step::Close { body, close: Close::Residue };
            }
            *cutter = Cutter { line_start: open.len(), ..Cutter::default() };
            return Step::More;
        }
        if !has_more {
            return cutter.close(body);
        }
        cutter.phase = Phase::Behind { body, taken: 0 };
        Step::More
    }

    /// Behind the end mark, with `taken` bytes of check value and tail. A byte that is not the tail's belongs to
    /// what comes next: a lost tail costs one frame, not two.
    fn step_behind(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8], body: Range<usize>, taken: usize) -> Step {
        let tail = &open[open.len() - taken.saturating_sub(self.check)..];
        if !self.tail.starts_with(tail) {
            let at = open.len() - tail.len();
            let close = if cutter.skipping { Close::TooLong } else { Close::Complete };
            *cutter = Cutter::default();
            for end in at + 1..=open.len() {
                // Shorter than the tail, so it can't hold a whole frame.
                self.step(shape, cutter, &open[at..end]);
            }
            return Step::Split { at, body, close };
        }
        if taken == self.check + self.tail.len() {
            return cutter.close(body);
        }
        cutter.phase = Phase::Behind { body, taken };
        Step::More
    }
}

/// The line that `open` ends with the end of: its content.
fn line_at_end(shape: &Shape, cutter: &mut Cutter, open: &[u8]) -> Option<Range<usize>> {
    let end = match shape.line_end_at(open, *open.last()?) {
        0 => return None,
        end => end,
    };
    // The LF of a CR LF ends nothing that the CR has not ended.
    if shape.line_end == LineEnd::Any && open.ends_with(b"\r\n") && cutter.line_start == open.len() - 1 {
        cutter.line_start = open.len();
        return None;
    }
    let line = cutter.line_start.min(open.len() - end)..open.len() - end;
    cutter.line_start = open.len();
    Some(line)
}

fn fits(shape: &Shape, pattern: &Regex, line: &[u8]) -> bool {
    decode(shape.encoding, line).is_ok_and(|line| pattern.is_match(&line))
}
