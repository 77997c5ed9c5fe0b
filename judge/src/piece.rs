//! The piece being measured: which slots are filled, by which attempt, with what outcome.

use ridgepost_parsers::Value;

use crate::row::Outcome;

/// One piece of a job and how far its measuring sequence has come.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Piece {
    /// Counter within the job, from 1.
    pub counter: u64,
    /// Serial number, where a message named one.
    pub serial: Option<String>,
    /// Rework cycle, from 1.
    pub cycle: u32,
    /// One per characteristic of the job, in its order.
    pub slots: Vec<Slot>,
}

/// What is known of one characteristic on one piece.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Slot {
    /// Every attempt, in order of arrival.
    pub attempts: Vec<Attempt>,
    /// The outcome, once the rule has decided.
    pub decided: Option<Outcome>,
}

/// One value that was meant for a slot.
#[derive(Clone, Debug, PartialEq)]
pub struct Attempt {
    /// The value in the limit's unit.
    pub value: Option<Value>,
    /// Its own outcome.
    pub outcome: Outcome,
    /// Number of the attempt at this trace, from 1.
    pub attempt: u32,
    /// Number of the value among those that count, from 1; `None` where it doesn't count.
    pub trace: Option<u32>,
}
