//! Frames between marks.

use std::ops::Range;

use regex::Regex;

use super::{Cutter, LineEnd, Phase, Shape, Step, is_blank};
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
    /// So many empty lines in a row.
    BlankLines(usize),
    /// So many lines that are not empty, or as many as the start line states.
    Lines(Option<usize>),
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
            Phase::Lost { .. } => Step::More,
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
        if shape.is_between(cutter, &open[..at]) {
            cutter.begin(open.len());
            self.expect_lines(shape, cutter, &open[at..]);
            return Step::More;
        }
        cutter.begin(open.len() - at);
        self.expect_lines(shape, cutter, &open[at..]);
        Step::Split { at, body: 0..at, close: Close::Stray }
    }

    /// How many lines the block has that begins with `start`.
    fn expect_lines(&self, shape: &Shape, cutter: &mut Cutter, start: &[u8]) {
        let End::Lines(declared) = self.end else { return };
        let stated = || match &self.start {
            Start::Line(pattern) => stated_lines(shape, pattern, start),
            _ => None,
        };
        // A number that can't be read ends nothing: the frame grows too long, or silence ends it.
        cutter.lines_left = declared.or_else(stated);
    }

    /// A block without a start mark begins with the first line that is not empty.
    fn step_anything(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8]) -> Step {
        let last = open.last().copied().unwrap_or(b' ');
        if matches!(last, b'\r' | b'\n') {
            cutter.line_start = open.len();
        }
        if shape.fill.contains(&last) && cutter.line_start + 1 == open.len() {
            cutter.line_start = open.len();
            return Step::More;
        }
        if is_blank(last) {
            return Step::More;
        }
        let body_start = cutter.line_start;
        let guard = cutter.guard;
        cutter.begin(body_start);
        cutter.guard = guard;
        self.expect_lines(shape, cutter, &[]);
        self.step_inside(shape, cutter, open, body_start)
    }

    fn step_inside(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8], body_start: usize) -> Step {
        let is_first = open.len() == body_start + 1;
        if is_first && matches!(self.start, Start::Line(_)) && shape.line_end == LineEnd::Any && open.ends_with(b"\r\n")
        {
            // The CR has ended the first line; its LF is no part of the body.
            let lines_left = cutter.lines_left;
            cutter.begin(open.len());
            cutter.lines_left = lines_left;
            return Step::More;
        }
        let by_line = matches!(self.end, End::Line(_) | End::BlankLines(_) | End::Lines(_));
        let needs_lines = by_line || matches!(self.start, Start::Line(_));
        let line = if needs_lines { line_at_end(shape, cutter, open) } else { None };
        let is_start = |line: &Range<usize>| match &self.start {
            Start::Line(pattern) => fits(shape, pattern, &open[line.clone()]),
            _ => false,
        };
        // A block of counted lines that lost one must not swallow the beginning of the next block.
        let counts_past = matches!(self.end, End::Lines(_)) && line.as_ref().is_some_and(is_start);
        let line_to_end = line.as_ref().filter(|_| !counts_past);
        if let Some(body_end) = self.body_end(shape, cutter, open, body_start, line_to_end) {
            return self.end(shape, cutter, open, body_start..body_end);
        }
        if !self.restart && !matches!(self.end, End::NextStart) {
            return Step::More;
        }
        let next = match &self.start {
            Start::Bytes(mark) if shape.ends_with(cutter, open, body_start, mark) => Some(open.len() - mark.len()),
            Start::Line(_) => line.filter(is_start).map(|line| line.start),
            _ => None,
        };
        let Some(at) = next else { return Step::More };
        cutter.begin(open.len() - at);
        self.expect_lines(shape, cutter, &open[at..]);
        match self.end {
            End::NextStart => Step::Split { at, body: body_start..at, close: Close::Complete },
            _ => Step::Split { at, body: 0..at, close: Close::CutOff },
        }
    }

    /// Where the body ends, if `open` ends with what ends a block; `line` is the line that ends with `open`.
    fn body_end(
        &self,
        shape: &Shape,
        cutter: &mut Cutter,
        open: &[u8],
        body_start: usize,
        line: Option<&Range<usize>>,
    ) -> Option<usize> {
        match (&self.end, line) {
            (End::Bytes(mark), _) => shape.ends_with(cutter, open, body_start, mark).then(|| open.len() - mark.len()),
            (End::Line(pattern), Some(line)) => fits(shape, pattern, &open[line.clone()]).then_some(line.start),
            (End::BlankLines(wanted), Some(line)) => {
                if !shape.is_blank_line(&open[line.clone()]) {
                    cutter.blank_lines = 0;
                    return None;
                }
                cutter.blank_lines += usize::from(line.start > body_start);
                // The end of the last line that is not empty belongs to the end of the block.
                (cutter.blank_lines >= *wanted).then(|| without_blank_lines(shape, open, body_start, line.start))
            }
            (End::Lines(_), Some(line)) if !shape.is_blank_line(&open[line.clone()]) => {
                let left = cutter.lines_left?.saturating_sub(1);
                cutter.lines_left = Some(left);
                (left == 0).then_some(line.end)
            }
            _ => None,
        }
    }

    fn end(&self, shape: &Shape, cutter: &mut Cutter, open: &[u8], body: Range<usize>) -> Step {
        let has_more = self.check + self.tail.len() > 0;
        let is_empty = matches!(self.start, Start::Anything) && shape.is_blank_line(&open[body.clone()]);
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
            let ended_by = shape.which_line_end(open);
            let step = cutter.close(body);
            cutter.ended_by = ended_by;
            return step;
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
    if shape.is_rest_of_line_end(cutter, open, cutter.line_start) {
        cutter.line_start = open.len();
        return None;
    }
    let end = match shape.line_end_at(cutter, open, *open.last()?) {
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
    shape.text(line).is_ok_and(|line| pattern.is_match(&line))
}

/// The number of lines that a start line states, line end included in `line`.
fn stated_lines(shape: &Shape, pattern: &Regex, line: &[u8]) -> Option<usize> {
    let text = shape.text(&line[..without_blank_lines(shape, line, 0, line.len())]).ok()?;
    let captures = pattern.captures(&text)?;
    captures.name("lines")?.as_str().trim().parse().ok().filter(|lines| *lines > 0)
}

/// The end of the last line before `end` that is not empty.
fn without_blank_lines(shape: &Shape, open: &[u8], begin: usize, end: usize) -> usize {
    let mut end = end;
    let ends: Vec<&[u8]> = match &shape.line_end {
        LineEnd::Any => vec![b"\r", b"\n"],
        LineEnd::OneOf(ends) => ends.iter().map(Vec::as_slice).collect(),
    };
    while let Some(shorter) = ends.iter().find_map(|mark| open[begin..end].strip_suffix(*mark)) {
        end = begin + shorter.len();
    }
    end
}
