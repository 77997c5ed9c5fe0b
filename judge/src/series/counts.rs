//! Which readings a series is made of, and why others are left out of it.

use crate::row::{Mode, Reason};

/// What a reading is that wants to be counted, as it stands: where a later row took its place, that one.
#[derive(Clone, Copy, Debug)]
pub struct Candidate<'a> {
    /// What the cell was doing; none where nobody knows.
    pub mode: Option<Mode>,
    /// Whether it has a number.
    pub has_value: bool,
    /// Whether its place is taken by an earlier reading that counts: then it is a retest.
    pub is_retest: bool,
    /// Codes of why its outcome is what it is, blank-separated.
    pub reasons: &'a str,
}

/// Reasons that say that a number is not the characteristic's, or was not measured as it must be. Others (no job, a gauge
/// that is not verified) don't touch the number.
const DOUBTED: &[Reason] = &[
    Reason::Voided,
    Reason::Superseded,
    Reason::Mark,
    Reason::ConditionsMismatch,
    Reason::NoMaster,
    Reason::Converted,
    Reason::ProgramMismatch,
    Reason::UnitSuspect,
    Reason::Implausible,
    Reason::OrderBroken,
    Reason::GaugeFailed,
    Reason::TraceDisagrees,
    Reason::Skidded,
    Reason::SpecimenReading,
];

/// Why a reading is left out of a series of `wanted` readings, as a code; `None` where it counts. Retests are left out
/// because they are asked for by the value of the first; a reading
/// behind one without a number is none.
pub fn left_out(candidate: &Candidate<'_>, wanted: Mode) -> Option<&'static str> {
    let says = |reasons: &str, reason: Reason| reasons.split(' ').any(|code| code == reason.code());
    match candidate.mode {
        Some(mode) if mode == wanted => {}
        Some(mode) => return Some(mode.code()),
        None => return Some("mode-unknown"),
    }
    if let Some(reason) = DOUBTED.iter().find(|reason| says(candidate.reasons, **reason)) {
        return Some(reason.code());
    }
    if !candidate.has_value {
        return Some(Reason::Mark.code());
    }
    candidate.is_retest.then_some("retest")
}
