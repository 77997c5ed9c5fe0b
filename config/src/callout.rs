//! Callouts of surface texture as a drawing writes them on one line, and back: `U "2RC" 0.008-0.8 / Ra 8max 3.1; L Ra 0.9`.
//!
//! Sources: ISO 1302:2002 for limit type, filter, transmission band, evaluation length, parameter, count of sampling lengths,
//! rule and value (from memory, parts seen in excerpts); ISO 21920-1 clause 4 for the acceptance rules `Tmax`, `T16%` and
//! `Tmed` behind the value (seen in excerpts; the spelling of its further items is not, so they are refused). Grades N1 to
//! N12: ISO 1302:1992 (seen). What is not written is left open: the edition says what it means, not this file.

use std::fmt;

use ridgepost_parsers::{Quantity, Unit};
use rust_decimal::Decimal;

use crate::plan::{Amount, Rule};
use crate::said::Edition;

mod reading;

use reading::Reader;

/// A callout: what is done to the surface, and what is asked of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Callout {
    /// Material removal: any, required or forbidden.
    pub process: Option<Process>,
    /// In the order they are written.
    pub requirements: Vec<Requirement>,
}

/// What may be done to the surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Process {
    /// Any process (`APA`).
    Any,
    /// Material is removed (`MRR`).
    Removed,
    /// No material is removed (`NMR`).
    Kept,
}

/// Which limit a value is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Upper; so is one that is not written.
    Upper,
    /// Lower.
    Lower,
}

/// One limit with what is written beside it. Lengths in mm.
#[derive(Clone, Debug, PartialEq)]
pub struct Requirement {
    /// Which limit.
    pub side: Side,
    /// Filter, as written in quotes.
    pub filter: Option<String>,
    /// Short-wave cutoff.
    pub lambda_s: Option<Decimal>,
    /// Long-wave cutoff.
    pub cutoff: Option<Decimal>,
    /// Evaluation length.
    pub evaluation: Option<Decimal>,
    /// Parameter.
    pub quantity: Quantity,
    /// Number of sampling lengths.
    pub count: Option<u32>,
    /// Acceptance rule.
    pub rule: Option<Rule>,
    /// The limit.
    pub value: Amount,
}

/// Why a callout can't be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CalloutFault {
    /// Where, in bytes from its start.
    pub at: usize,
    /// What is wrong there.
    pub message: String,
    /// A way out.
    pub help: String,
}

/// Filters as they are written in quotes, and what jobs and instruments call them.
const FILTERS: [(&str, &str); 2] = [("2RC", "2RC"), ("Gaussian", "gaussian")];

/// Most bytes of a callout: no drawing has more, and a slip of a quote must not swallow a file.
const LONGEST: usize = 500;

impl Callout {
    /// Reads a callout of a job of this edition.
    ///
    /// # Errors
    /// Where it can't be read, with the place in the text. Nothing is guessed.
    pub(crate) fn parse(text: &str, edition: Option<Edition>) -> Result<Callout, CalloutFault> {
        if text.len() > LONGEST {
            return Err(fault(0, "this is no callout: it is too long", "write one requirement after the other with ;"));
        }
        let mut reader = Reader::new(text, edition);
        let process = reader.process();
        let mut requirements = Vec::new();
        loop {
            requirements.push(reader.requirement()?);
            reader.skip_blanks();
            if !reader.take(";") && !reader.take("\n") {
                break;
            }
            reader.skip_all_blanks();
            if reader.rest().is_empty() {
                break;
            }
        }
        if !reader.rest().is_empty() {
            return Err(reader.here("nothing is expected here", "separate requirements with ;"));
        }
        Ok(Callout { process, requirements })
    }
}

fn fault(at: usize, message: impl Into<String>, help: impl Into<String>) -> CalloutFault {
    CalloutFault { at, message: message.into(), help: help.into() }
}

impl fmt::Display for Callout {
    /// The canonical form; it reads back to the same callout.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.process {
            Some(Process::Any) => f.write_str("APA ")?,
            Some(Process::Removed) => f.write_str("MRR ")?,
            Some(Process::Kept) => f.write_str("NMR ")?,
            None => {}
        }
        for (at, requirement) in self.requirements.iter().enumerate() {
            f.write_str(if at == 0 { "" } else { "; " })?;
            requirement.fmt(f)?;
        }
        Ok(())
    }
}

impl fmt::Display for Requirement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.side == Side::Upper { "U " } else { "L " })?;
        if let Some(filter) = &self.filter {
            let written =
                FILTERS.iter().find(|(_, name)| name == filter).map_or(filter.as_str(), |(written, _)| written);
            write!(f, "\"{written}\" ")?;
        }
        let length = |length: Option<Decimal>| length.map(|length| length.normalize().to_string()).unwrap_or_default();
        if self.lambda_s.is_some() || self.cutoff.is_some() {
            write!(f, "{}-{}/", length(self.lambda_s), length(self.cutoff))?;
        }
        if self.evaluation.is_some() {
            write!(f, "{}/", length(self.evaluation))?;
        }
        write!(f, "{}", self.quantity)?;
        match (self.count, self.rule) {
            (Some(count), Some(Rule::Max)) => write!(f, " {count}max")?,
            (Some(count), _) => write!(f, "{count}")?,
            (None, Some(Rule::Max)) => f.write_str(" max")?,
            (None, _) => {}
        }
        write!(f, " {}", self.value.number)?;
        if self.value.unit != Unit::One {
            write!(f, " {}", self.value.unit)?;
        }
        match self.rule {
            Some(Rule::Sixteen) => f.write_str(" T16%"),
            Some(Rule::Median) => f.write_str(" Tmed"),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests;
