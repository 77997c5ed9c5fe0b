//! Where lines end, and where a quoted cell keeps one open.

use super::{Cutter, LineEnd, Phase, Quoting, Shape, Step, is_blank};
use crate::wire::Guard;

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Quoted {
    #[default]
    CellStart,
    Plain,
    Within,
    Closing,
}

impl Shape {
    /// Bytes of the line end that `open` ends with, 0 where there is none.
    pub(super) fn line_end_at(&self, cutter: &Cutter, open: &[u8], unit: u8) -> usize {
        let ends_with = |end: &Vec<u8>| self.ends_with(cutter, open, 0, end);
        match &self.line_end {
            LineEnd::Any
                if matches!(unit, b'\r' | b'\n') && self.ends_with(cutter, open, 0, &open[open.len() - 1..]) =>
            {
                self.unit_width()
            }
            LineEnd::Any => 0,
            LineEnd::OneOf(ends) => ends.iter().filter(|end| ends_with(end)).map(Vec::len).max().unwrap_or(0),
        }
    }

    /// The line end that `open` ends with, by its number among the declared ones.
    pub(super) fn which_line_end(&self, open: &[u8]) -> Option<usize> {
        let LineEnd::OneOf(ends) = &self.line_end else { return None };
        (0..ends.len()).filter(|at| open.ends_with(&ends[*at])).max_by_key(|at| ends[*at].len())
    }

    /// What lies between two frames without meaning: fill, behind the rest of a line end.
    pub(super) fn is_between(&self, cutter: &Cutter, bytes: &[u8]) -> bool {
        let rest = (1..=bytes.len().min(8)).find(|length| self.is_rest_of_line_end(cutter, &bytes[..*length], 0));
        self.is_fill(bytes) || rest.is_some_and(|length| self.is_fill(&bytes[length..]))
    }

    /// Whether what stands behind `line_start` completes a longer line end whose beginning has ended a line already:
    /// the LF of a CR LF where CR alone is a line end too.
    pub(super) fn is_rest_of_line_end(&self, cutter: &Cutter, open: &[u8], line_start: usize) -> bool {
        let LineEnd::OneOf(ends) = &self.line_end else { return false };
        let (before, rest) = open.split_at(line_start.min(open.len()));
        ends.iter().any(|longer| {
            let Some(shorter) = longer.strip_suffix(rest).filter(|_| !rest.is_empty()) else { return false };
            let ended_by = cutter.ended_by.and_then(|at| ends.get(at));
            match before.is_empty() {
                true => ended_by.is_some_and(|end| end == shorter),
                false => ends.iter().any(|end| end == shorter) && before.ends_with(shorter),
            }
        })
    }

    pub(super) fn step_line(&self, cutter: &mut Cutter, open: &[u8], quote: Option<Quoting>) -> Step {
        let Some(unit) = self.last_unit(open) else { return Step::More };
        if let Some(quote) = quote
            && !self.is_byte_order_mark(&open[cutter.line_start..])
        {
            cutter.quoted = cutter.quoted.next(unit, quote);
        }
        if cutter.phase == Phase::Outside && self.is_rest_of_line_end(cutter, open, cutter.line_start) {
            cutter.line_start = open.len();
            return Step::More;
        }
        let end = self.line_end_at(cutter, open, unit);
        if end == 0 || (cutter.quoted == Quoted::Within && !cutter.skipping) {
            // A line may begin with blanks; line ends before it are fill.
            let is_fill = self.fill.contains(&unit);
            if cutter.phase == Phase::Outside && (matches!(unit, b'\r' | b'\n') || is_fill) {
                cutter.line_start = open.len();
            }
            if cutter.phase == Phase::Outside && !is_blank(unit) && !is_fill {
                cutter.phase = Phase::Inside { body_start: cutter.line_start };
            }
            return Step::More;
        }
        let body = cutter.line_start.min(open.len() - end)..open.len() - end;
        if !cutter.skipping && self.is_blank_line(&open[body.clone()]) {
            *cutter = Cutter { line_start: open.len(), guard: Guard::at(open.len()), ..Cutter::default() };
            return Step::More;
        }
        let ended_by = self.which_line_end(open);
        let step = cutter.close(body);
        cutter.ended_by = ended_by;
        step
    }
}

impl Quoted {
    /// RFC 4180: a quotation mark opens only at the beginning of a cell, and a doubled one stands for itself.
    pub(super) fn next(self, unit: u8, quoting: Quoting) -> Quoted {
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
