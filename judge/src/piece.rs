//! The piece being measured: which slots are filled, by which attempt, with what outcome.
//!
//! A piece is plain data: the daemon keeps it between readings and rebuilds it from stored rows after a restart.

use ridgepost_config::{Characteristic, Job};
use ridgepost_parsers::{Quantity, Unit, Value};

use crate::row::{Outcome, Reason, Row};

/// One piece of a job and how far its measuring sequence has come.
///
/// A piece has a serial number only once an attempt named it: an untouched piece has none.
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
    /// Whether each of them is due on this piece; empty where all are. See [`Piece::is_due`].
    pub due: Vec<bool>,
}

/// What is known of one characteristic on one piece.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Slot {
    /// In order of arrival: the attempts that count, and of those that don't the latest with each set of reasons.
    /// The store keeps every one; a slot that nobody fills must not grow with each try.
    pub attempts: Vec<Attempt>,
    /// The outcome, once the rule has decided; attempts that come later never change it.
    pub decided: Option<Outcome>,
}

/// One value, or mark, that was meant for a slot.
#[derive(Clone, Debug, PartialEq)]
pub struct Attempt {
    /// Gauge it was taken with.
    pub gauge: Option<String>,
    /// The value in the limit's unit, as its row prints it; `None` beside a mark or where the unit is of another kind.
    pub value: Option<Value>,
    /// Its own outcome. The attempt that lets the rule decide carries the slot's.
    pub outcome: Outcome,
    /// Why.
    pub reasons: Vec<Reason>,
    /// Number of the attempt at this trace, from 1.
    pub attempt: u32,
    /// Number of the value among those that count, from 1; `None` where it doesn't count.
    pub trace: Option<u32>,
}

/// A stored `reading` row, as far as a piece is rebuilt from it.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredReading {
    /// Serial number of the piece.
    pub serial: Option<String>,
    /// Rework cycle of the piece.
    pub cycle: Option<u32>,
    /// Balloon number; `None` for readings that no characteristic asks for.
    pub balloon: Option<String>,
    /// What was measured.
    pub quantity: Option<Quantity>,
    /// Gauge.
    pub gauge: Option<String>,
    /// The value in `unit`.
    pub value: Option<Value>,
    /// Unit of the value.
    pub unit: Option<Unit>,
    /// Outcome of the reading.
    pub outcome: Outcome,
    /// Reasons, as stored.
    pub reasons: Vec<String>,
    /// Number of the measured value in its slot.
    pub trace: Option<u32>,
    /// Number of the attempt; empty for the first.
    pub attempt: Option<u32>,
}

impl StoredReading {
    /// What a row says; `None` for rows that are no reading of a piece.
    pub fn of(row: &Row) -> Option<Self> {
        if row.kind != crate::Kind::Reading || row.piece.is_none() {
            return None;
        }
        Some(StoredReading {
            serial: row.serial.clone(),
            cycle: row.cycle,
            balloon: row.balloon.clone(),
            quantity: row.quantity.clone(),
            gauge: row.gauge.clone(),
            value: row.value,
            unit: row.unit,
            outcome: row.outcome?,
            reasons: row.reasons.clone(),
            trace: row.trace,
            attempt: row.attempt,
        })
    }
}

impl Piece {
    /// An untouched piece of a job, in its first cycle; `counter` counts from 1.
    pub fn fresh(job: &Job, counter: u64) -> Self {
        Piece {
            counter,
            serial: None,
            cycle: 1,
            slots: vec![Slot::default(); job.characteristics.len()],
            due: Vec::new(),
        }
    }

    /// The piece with this counter as it stood when the last of `rows` was written: its `reading` rows, all of
    /// them, in order of `seq`. Rows without a balloon tell nothing of a slot and are passed over. A piece that
    /// has a `part` row is closed: don't rebuild it, take [`Piece::fresh`] with the next counter.
    pub fn rebuild(job: &Job, counter: u64, rows: &[StoredReading]) -> Self {
        let mut piece = Piece::fresh(job, counter);
        for row in rows {
            let Some(place) = job.characteristics.iter().position(|characteristic| asked_by(characteristic, row))
            else {
                continue;
            };
            piece.serial = row.serial.clone();
            piece.cycle = row.cycle.unwrap_or(1);
            let unit = job.characteristics.get(place).map(|characteristic| characteristic.unit);
            if let Some(slot) = piece.slots.get_mut(place) {
                slot.take(Attempt {
                    gauge: row.gauge.clone(),
                    value: row.value.filter(|_| row.unit == unit),
                    outcome: row.outcome,
                    reasons: row.reasons.iter().filter_map(|code| Reason::parse(code)).collect(),
                    attempt: row.attempt.unwrap_or(1),
                    trace: row.trace,
                });
            }
        }
        piece
    }

    /// Whether no attempt was made at any of its slots.
    pub fn is_untouched(&self) -> bool {
        self.slots.iter().all(|slot| slot.attempts.is_empty())
    }

    /// Whether this slot is due: by the job's sampling, or because it was begun.
    pub fn is_due(&self, at: usize) -> bool {
        let is_begun = || self.slots.get(at).is_some_and(|slot| !slot.attempts.is_empty());
        self.due.get(at).copied().unwrap_or(true) || is_begun()
    }

    /// Whether every slot that is due is decided.
    pub fn is_complete(&self) -> bool {
        let is_done = |(at, slot): (usize, &Slot)| slot.decided.is_some() || !self.is_due(at);
        !self.slots.is_empty() && !self.is_untouched() && self.slots.iter().enumerate().all(is_done)
    }
}

/// Whether a stored row was a reading for this characteristic.
fn asked_by(characteristic: &Characteristic, row: &StoredReading) -> bool {
    row.balloon.as_ref() == Some(&characteristic.balloon)
        && row.quantity.as_ref().is_none_or(|quantity| *quantity == characteristic.quantity)
}

impl Slot {
    /// The attempts whose values count, in order.
    pub fn counted(&self) -> impl Iterator<Item = &Attempt> {
        self.attempts.iter().filter(|attempt| attempt.trace.is_some())
    }

    /// Number of the attempt that comes next: the tries at a trace are numbered until one counts; after the rule
    /// has decided, every further one is another try at the last trace.
    pub(crate) fn next_attempt(&self) -> u32 {
        match self.attempts.last() {
            None => 1,
            Some(last) if self.decided.is_none() && last.trace.is_some() => 1,
            Some(last) => last.attempt.saturating_add(1),
        }
    }

    /// Number of the trace that the next value which counts will have.
    pub(crate) fn next_trace(&self) -> u32 {
        u32::try_from(self.counted().count()).map_or(u32::MAX, |count| count.saturating_add(1))
    }

    /// Keeps an attempt. One that counts and is decided decides the slot: first counts.
    pub(crate) fn take(&mut self, attempt: Attempt) {
        let decides = match attempt.outcome {
            Outcome::Conforms | Outcome::Nonconforming => true,
            // Decided, but by its uncertainty not to say.
            Outcome::Undecided => !attempt.reasons.contains(&Reason::MoreTracesNeeded),
            Outcome::Unjudged => false,
        };
        if self.decided.is_none() && attempt.trace.is_some() && decides {
            self.decided = Some(attempt.outcome);
        }
        if attempt.trace.is_none() {
            self.attempts.retain(|earlier| earlier.trace.is_some() || earlier.reasons != attempt.reasons);
        }
        self.attempts.push(attempt);
    }
}
