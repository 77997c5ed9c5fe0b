//! The acceptance rule of a characteristic: when the values of a slot decide, and what.

use ridgepost_config::{Characteristic, Job, Rule};
use ridgepost_parsers::Value;

use crate::limits::{Standing, margin};
use crate::piece::{Attempt, Piece, Slot};
use crate::row::{Outcome, Reason};

/// What keeps a job from being judged at all. Configuration refuses such jobs before they can be opened, so who
/// gets this has opened a job, or kept a piece, that it should not have: record the readings as without a job and
/// tell people.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unjudgeable {
    /// A rule that is not implemented.
    #[error(
        "characteristic {balloon} has the rule {rule}, which can't be judged by yet; nothing is judged by this job"
    )]
    Rule {
        /// Balloon number.
        balloon: String,
        /// The rule as the job writes it.
        rule: &'static str,
    },
    /// A characteristic without any limit.
    #[error("characteristic {balloon} has no limit to judge by; nothing is judged by this job")]
    NoLimit {
        /// Balloon number.
        balloon: String,
    },
    /// The piece has another number of slots than the job has characteristics.
    #[error("the piece has {slots} slots and the job {characteristics} characteristics: it is a piece of another job")]
    OtherPiece {
        /// Slots of the piece.
        slots: usize,
        /// Characteristics of the job.
        characteristics: usize,
    },
}

/// A rule that can be judged by. To add one: a variant here, its row in [`Acceptance::of`], its arm in
/// [`Acceptance::decide`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Acceptance {
    /// No value may pass the limit: ISO 4288:1996 5.3 (from memory), the default of ISO 21920-1 clause 4 (seen in
    /// excerpts). One that does decides at once; else the last of those due does.
    Max,
}

/// What a rule says once another value is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Decision {
    /// More values are due.
    More,
    /// It conforms.
    Conforms,
    /// It does not.
    Nonconforming,
}

impl Acceptance {
    fn of(rule: Rule) -> Option<Self> {
        match rule {
            Rule::Max => Some(Acceptance::Max),
            Rule::Sixteen | Rule::Median | Rule::Mean => None,
        }
    }

    /// The decision with the value number `trace` of those that count, which stands so; `due` values are needed.
    pub(crate) fn decide(self, standing: Standing, trace: u32, due: u32) -> Decision {
        match self {
            Acceptance::Max if standing != Standing::Within => Decision::Nonconforming,
            Acceptance::Max if trace >= due => Decision::Conforms,
            Acceptance::Max => Decision::More,
        }
    }
}

impl Standing {
    /// The reason that tells it.
    pub(crate) fn reason(self) -> Reason {
        match self {
            Standing::Within => Reason::WithinLimits,
            Standing::Above => Reason::AboveUpper,
            Standing::Below => Reason::BelowLower,
        }
    }

    /// The outcome of a value that stands so, judged on its own.
    pub(crate) fn outcome(self) -> Outcome {
        match self {
            Standing::Within => Outcome::Conforms,
            Standing::Above | Standing::Below => Outcome::Nonconforming,
        }
    }
}

/// The rule of a characteristic, if it can be judged by.
pub(crate) fn acceptance(characteristic: &Characteristic) -> Result<Acceptance, Unjudgeable> {
    Acceptance::of(characteristic.rule)
        .ok_or_else(|| Unjudgeable::Rule { balloon: characteristic.balloon.clone(), rule: characteristic.rule.word() })
}

/// Whether every characteristic of a job can be judged, and `piece` is one of this job.
pub fn check(job: &Job, piece: &Piece) -> Result<(), Unjudgeable> {
    for characteristic in &job.characteristics {
        acceptance(characteristic)?;
        if characteristic.upper.is_none() && characteristic.lower.is_none() {
            return Err(Unjudgeable::NoLimit { balloon: characteristic.balloon.clone() });
        }
    }
    let (slots, characteristics) = (piece.slots.len(), job.characteristics.len());
    if slots == characteristics { Ok(()) } else { Err(Unjudgeable::OtherPiece { slots, characteristics }) }
}

/// Of the values that count, the one that decides: nearest to its limit, or farthest beyond it. For an upper limit
/// that is the largest, for a lower one the smallest; of equals the first.
pub(crate) fn deciding<'a>(slot: &'a Slot, characteristic: &Characteristic) -> Option<&'a Attempt> {
    let margin = |attempt: &Attempt| attempt.value.and_then(|value: Value| margin(value, characteristic));
    slot.counted().filter(|attempt| margin(attempt).is_some()).min_by_key(|attempt| margin(attempt))
}
