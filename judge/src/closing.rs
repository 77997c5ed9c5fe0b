//! The rows that tell of more than one value: the `verdict` of a slot, the `part` row of a piece.

use ridgepost_config::{Characteristic, Job};
use ridgepost_parsers::Value;

use crate::judging::Judgement;
use crate::piece::{Attempt, Piece, Slot};
use crate::row::{Kind, Mode, Outcome, Reason, Row};
use crate::rule::{Unjudgeable, check, compared, deciding};

/// Ends a piece because a person said so: its `part` row and the next piece. A piece nobody has measured anything
/// on stays as it is, without a row.
pub fn end_piece(job: &Job, piece: &Piece) -> Result<Judgement, Unjudgeable> {
    check(job, piece)?;
    if piece.is_untouched() {
        return Ok(Judgement { rows: Vec::new(), piece: piece.clone() });
    }
    let (row, piece) = close(job, piece);
    Ok(Judgement { rows: vec![row], piece })
}

/// The `part` row of a piece and the piece that follows it.
pub(crate) fn close(job: &Job, piece: &Piece) -> (Row, Piece) {
    (part_row(job, piece), Piece::fresh(job, piece.counter.saturating_add(1)))
}

/// `conforms` only if every characteristic does, `nonconforming` if any is, else `unjudged`.
fn part_row(job: &Job, piece: &Piece) -> Row {
    let decided = |outcome| piece.slots.iter().any(|slot| slot.decided == Some(outcome));
    let conforms = |(at, slot): (usize, &Slot)| slot.decided == Some(Outcome::Conforms) || !piece.is_due(at);
    let outcome = if decided(Outcome::Nonconforming) {
        Outcome::Nonconforming
    } else if decided(Outcome::Conforms) && piece.slots.iter().enumerate().all(conforms) {
        Outcome::Conforms
    } else {
        Outcome::Unjudged
    };
    let mut row = Row::blank(Kind::Part, Mode::Production);
    place(&mut row, piece);
    row.outcome = Some(outcome);
    row.reasons = part_reasons(job, piece, outcome);
    row
}

/// What decided, what is missing, why attempts at what is missing were not judged, cautions beside what counts.
fn part_reasons(job: &Job, piece: &Piece, outcome: Outcome) -> Vec<String> {
    let mut reasons = Vec::new();
    if outcome == Outcome::Conforms {
        push(&mut reasons, Reason::WithinLimits.code());
    }
    let failed = piece.slots.iter().filter(|slot| slot.decided == Some(Outcome::Nonconforming));
    for attempt in failed.flat_map(Slot::counted).filter(|attempt| attempt.outcome == Outcome::Nonconforming) {
        codes(&mut reasons, attempt, |reason| !reason.is_caution());
    }
    let open = piece.slots.iter().filter(|slot| slot.decided == Some(Outcome::Undecided));
    for attempt in open.flat_map(Slot::counted) {
        codes(&mut reasons, attempt, |reason| !reason.is_caution() && reason != Reason::MoreTracesNeeded);
    }
    for reason in [balloons(job, piece, Reason::Missing, true), balloons(job, piece, Reason::NotDue, false)] {
        reason.into_iter().for_each(|reason| push(&mut reasons, &reason));
    }
    for attempt in piece.slots.iter().filter(|slot| slot.decided.is_none()).flat_map(|slot| &slot.attempts) {
        codes(&mut reasons, attempt, |_| attempt.outcome == Outcome::Unjudged);
    }
    for attempt in piece.slots.iter().flat_map(Slot::counted) {
        codes(&mut reasons, attempt, Reason::is_caution);
    }
    reasons
}

/// `missing:12,14` or `not-due:13`: the balloons without a decision that are due or not, in the job's order.
fn balloons(job: &Job, piece: &Piece, reason: Reason, is_due: bool) -> Option<String> {
    let slots = job.characteristics.iter().zip(&piece.slots).enumerate();
    let balloons: Vec<&str> = slots
        .filter(|(at, (_, slot))| slot.decided.is_none() && piece.is_due(*at) == is_due)
        .map(|(_, (characteristic, _))| characteristic.balloon.as_str())
        .collect();
    (!balloons.is_empty()).then(|| format!("{}:{}", reason.code(), balloons.join(",")))
}

/// The `verdict` row of a slot that was just decided by `reading`, the row of its last value.
pub(crate) fn verdict_row(characteristic: &Characteristic, slot: &Slot, piece: &Piece, reading: &Row) -> Row {
    let single = slot.counted().count() == 1;
    let mut row = if single { reading.clone() } else { Row::blank(Kind::Verdict, reading.mode) };
    row.kind = Kind::Verdict;
    (row.value_as_sent, row.unit_as_sent, row.instrument_verdict) = (None, None, None);
    (row.trace, row.attempt) = (None, None);
    place(&mut row, piece);
    describe(&mut row, characteristic);
    row.outcome = slot.decided;
    let decisive = deciding(slot, characteristic);
    row.value = compared(slot, characteristic);
    row.reading = reading.reading.filter(|_| decisive == slot.counted().last());
    row.gauge = shared_gauge(slot);
    row.reasons = verdict_reasons(slot);
    row
}

/// The reason of the last value that counts, then the cautions of all.
fn verdict_reasons(slot: &Slot) -> Vec<String> {
    let mut reasons = Vec::new();
    if let Some(last) = slot.counted().last() {
        codes(&mut reasons, last, |reason| !reason.is_caution());
    }
    for attempt in slot.counted() {
        codes(&mut reasons, attempt, Reason::is_caution);
    }
    reasons
}

/// The gauge of all values that count, if it is one.
fn shared_gauge(slot: &Slot) -> Option<String> {
    let first = slot.counted().next()?.gauge.clone()?;
    slot.counted().all(|attempt| attempt.gauge.as_ref() == Some(&first)).then_some(first)
}

/// Writes which piece a row is of.
pub(crate) fn place(row: &mut Row, piece: &Piece) {
    row.serial.clone_from(&piece.serial);
    row.piece = Some(piece.counter);
    row.cycle = Some(piece.cycle);
}

/// Writes which requirement a row is of, with its limits and their unit.
pub(crate) fn describe(row: &mut Row, characteristic: &Characteristic) {
    row.quantity = Some(characteristic.quantity.clone());
    row.unit = Some(characteristic.unit);
    row.lower = characteristic.lower.map(Value::from);
    row.upper = characteristic.upper.map(Value::from);
    name(row, characteristic);
}

/// Writes which requirement a row is of, without its limits.
pub(crate) fn name(row: &mut Row, characteristic: &Characteristic) {
    row.balloon = Some(characteristic.balloon.clone());
    row.feature = Some(characteristic.feature.clone());
    row.rule = Some(characteristic.rule.word());
}

fn codes(reasons: &mut Vec<String>, attempt: &Attempt, wanted: impl Fn(Reason) -> bool) {
    for reason in attempt.reasons.iter().filter(|reason| wanted(**reason)) {
        push(reasons, reason.code());
    }
}

fn push(reasons: &mut Vec<String>, reason: &str) {
    if !reasons.iter().any(|known| known == reason) {
        reasons.push(reason.to_owned());
    }
}
