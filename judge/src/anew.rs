//! A piece judged anew, because a person said that a reading is void, or of another piece, or of this one after all.
//!
//! Everything that was read and recorded stays what it was; only what counts for a slot is settled again, in the order of
//! measuring. Where nothing was said, judging anew changes nothing.

use ridgepost_config::{Amount, Characteristic, Gate, Gauge, Job, Settings};
use ridgepost_parsers::{Identity, Reading, Unit};

use crate::closing::{close, place, verdict_row};
use crate::context::Held;
use crate::decision::Guard;
use crate::hint::Specimens;
use crate::judging::{Bench, Circumstances, Cycles, Given, Place};
use crate::piece::{Attempt, Piece, Slot};
use crate::plausible::broken_order;
use crate::row::{GaugeState, Kind, Mode, Outcome, Reason, Row};
use crate::rule::{Unjudgeable, check};
use crate::standing::{Found, by_rule, found, on_its_own};

/// One step of a piece, in the order of measuring.
#[derive(Clone, Copy, Debug)]
pub enum Step<'a> {
    /// A reading that stays one of the piece. Whether it counts may change.
    Stays(&'a Row),
    /// A reading that is declared void: kept as an attempt, and it counts for nothing.
    Void(&'a Row),
    /// Readings of one measurement that are given to the piece.
    Joins(Joins<'a>),
}

/// Readings of one measurement that a person gives to a piece.
#[derive(Clone, Copy, Debug)]
pub struct Joins<'a> {
    /// Name of the station they came from.
    pub station: &'a str,
    /// Id of the gauge; empty where it is not known.
    pub gauge_id: &'a str,
    /// Its entry in the register.
    pub gauge: Option<&'a Gauge>,
    /// Its state when they were taken.
    pub gauge_state: GaugeState,
    /// The specimens of the register.
    pub specimens: &'a Specimens,
    /// The characteristic they are for, where a person names it.
    pub balloon: Option<&'a str>,
    /// As they were decoded, each with the row that was recorded of it: what was known of the conditions stands there.
    pub readings: &'a [(&'a Reading, &'a Row)],
}

/// A piece as it stands after judging it anew.
#[derive(Clone, Debug, PartialEq)]
pub struct Anew {
    /// Rows of readings: for each step its own, in order.
    pub readings: Vec<Vec<Row>>,
    /// The verdicts of the slots that are decided, in the order in which they were.
    pub verdicts: Vec<Row>,
    /// The piece as a whole, if it ended here.
    pub part: Row,
    /// The piece.
    pub piece: Piece,
}

/// Judges a piece anew. `piece` says which one (counter, serial number, cycle); what its slots hold is worked out from the
/// steps. `gauge` looks a gauge up in the register, for uncertainties that decision rules ask for.
///
/// # Errors
/// Where the job can't be judged by: see [`Unjudgeable`].
pub fn judge_anew<'a>(
    job: &Job,
    piece: &Piece,
    steps: &[Step],
    gauge: impl Fn(&str) -> Option<&'a Gauge>,
) -> Result<Anew, Unjudgeable> {
    let (serial, due) = (piece.serial.clone(), piece.due.clone());
    let fresh = Piece { serial, cycle: piece.cycle, due, ..Piece::fresh(job, piece.counter) };
    check(job, &fresh)?;
    let mut anew = Anew {
        readings: Vec::with_capacity(steps.len()),
        verdicts: Vec::new(),
        part: Row::blank(Kind::Part, Mode::Production),
        piece: fresh,
    };
    for step in steps {
        let rows = match step {
            Step::Stays(row) => vec![stays(job, &mut anew, row, &gauge)],
            Step::Void(row) => vec![voided(job, &mut anew.piece, row)],
            Step::Joins(joins) => join(job, &mut anew, joins)?,
        };
        anew.readings.push(rows);
    }
    anew.part = close(job, &anew.piece).0;
    Ok(anew)
}

/// The slot that a row of a reading was for.
fn slot_of(job: &Job, row: &Row) -> Option<usize> {
    let asked = |characteristic: &Characteristic| {
        row.balloon.as_ref() == Some(&characteristic.balloon)
            && row.quantity.as_ref().is_none_or(|quantity| *quantity == characteristic.quantity)
    };
    job.characteristics.iter().position(asked)
}

fn codes(row: &Row) -> Vec<Reason> {
    row.reasons.iter().filter_map(|code| Reason::parse(code)).collect()
}

fn attempt(row: &Row, unit: Unit) -> Attempt {
    Attempt {
        gauge: row.gauge.clone(),
        value: row.value.filter(|_| row.unit == Some(unit)),
        outcome: row.outcome.unwrap_or(Outcome::Unjudged),
        reasons: codes(row),
        attempt: row.attempt.unwrap_or(1),
        trace: row.trace,
    }
}

/// A reading that stays: it counts if its slot is open and nothing stood against it when it was taken.
fn stays<'a>(job: &Job, anew: &mut Anew, row: &Row, gauge: &impl Fn(&str) -> Option<&'a Gauge>) -> Row {
    let mut row = row.clone();
    let Some((at, characteristic)) = slot_of(job, &row).and_then(|at| Some((at, job.characteristics.get(at)?))) else {
        return row;
    };
    let Some(slot) = anew.piece.slots.get_mut(at) else { return row };
    let was_open = slot.decided.is_none();
    let reasons = codes(&row);
    let only_too_late = reasons.contains(&Reason::RetestLimit);
    let was_judged = row.outcome.is_some_and(|outcome| outcome != Outcome::Unjudged);
    if was_judged || (only_too_late && was_open) {
        let guard = Guard::of(characteristic, row.gauge.as_deref().and_then(gauge));
        let cautions = reasons.into_iter().filter(|reason| reason.is_caution() && *reason != Reason::RetestLimit);
        if let Some((outcome, why)) = guard.ok().and_then(|guard| settle(slot, characteristic, guard, &row)) {
            row.outcome = Some(outcome);
            row.reasons = why.into_iter().chain(cautions).map(|reason| reason.code().to_owned()).collect();
            row.trace = (was_open && outcome != Outcome::Unjudged).then(|| slot.next_trace());
        } else if was_judged {
            row.trace = was_open.then(|| slot.next_trace());
        }
    }
    slot.take(attempt(&row, characteristic.unit));
    decided(anew, characteristic, at, was_open, &row);
    row
}

/// Outcome and reasons of a value that was judged before, by what its slot holds now. `None` where its row does not hold what
/// that takes: then it stays what it was.
fn settle(slot: &Slot, characteristic: &Characteristic, guard: Guard, row: &Row) -> Option<(Outcome, Vec<Reason>)> {
    let value = row.value.filter(|_| row.unit == Some(characteristic.unit))?;
    let found: Found = match found(characteristic, guard, (value.decimal(), characteristic.unit)) {
        Ok(found) => found,
        Err(reasons) => return Some((Outcome::Unjudged, reasons)),
    };
    match slot.decided {
        None => by_rule(slot, characteristic, found, Some(value)),
        Some(_) => Some((on_its_own(found.finding), vec![found.finding.reason()])),
    }
}

fn decided(anew: &mut Anew, characteristic: &Characteristic, at: usize, was_open: bool, row: &Row) {
    let slot = anew.piece.slots.get(at).filter(|slot| was_open && slot.decided.is_some());
    anew.verdicts.extend(slot.map(|slot| verdict_row(characteristic, slot, &anew.piece, row)));
}

fn voided(job: &Job, piece: &mut Piece, row: &Row) -> Row {
    let row = void(row);
    if let Some(at) = slot_of(job, &row)
        && let Some((slot, characteristic)) = piece.slots.get_mut(at).zip(job.characteristics.get(at))
    {
        slot.take(attempt(&row, characteristic.unit));
    }
    row
}

/// A reading as it is once it was declared void.
pub fn void(row: &Row) -> Row {
    Row {
        outcome: Some(Outcome::Unjudged),
        reasons: vec![Reason::Voided.code().to_owned()],
        trace: None,
        ..row.clone()
    }
}

/// Readings that join are judged as if they had just been taken, of this piece by a person's word: the instrument's own word
/// about the part, and that they came late, do not count against that. Conditions and the gauge's state are those of their time.
fn join(job: &Job, anew: &mut Anew, joins: &Joins) -> Result<Vec<Row>, Unjudgeable> {
    // A gate that lets no result in at all has nothing to keep out any more: the reading is there.
    let gate = if job.gate == Gate::Block { Gate::Hold } else { job.gate };
    let job = Job { gate, ..job.clone() };
    check(&job, &anew.piece)?;
    let readings: Vec<Reading> = joins.readings.iter().map(|(reading, _)| of_nobody(reading)).collect();
    let broken = broken_order(&readings.iter().collect::<Vec<_>>());
    let mut rows = Vec::with_capacity(readings.len());
    for (index, ((reading, (_, recorded)), broken)) in readings.iter().zip(joins.readings).zip(broken).enumerate() {
        let gauge = joins.gauge.map(|gauge| Gauge { settings: declared_then(recorded, gauge), ..gauge.clone() });
        let circumstances = Circumstances {
            job: Some(&job),
            gauge_id: joins.gauge_id,
            gauge: gauge.as_ref(),
            gauge_state: joins.gauge_state,
            station: joins.station,
            mode: Mode::Production,
            of_specimen: false,
            late: false,
            given: Given {
                serial: Held::Unsaid,
                balloon: joins.balloon.map_or(Held::Unsaid, Held::Is),
                unknown: false,
            },
            cycles: &Cycles::new(),
            specimens: joins.specimens,
            next_due: &[],
            place: Place::default(),
        };
        let piece = std::mem::take(&mut anew.piece);
        let mut bench = Bench { at: &circumstances, rows: Vec::new(), piece };
        bench.take(index, reading, broken);
        anew.piece = bench.piece;
        let (verdicts, of_reading): (Vec<Row>, Vec<Row>) =
            bench.rows.into_iter().partition(|row| row.kind == Kind::Verdict);
        anew.verdicts.extend(verdicts);
        rows.extend(of_reading);
    }
    rows.iter_mut().for_each(|row| place(row, &anew.piece));
    Ok(rows)
}

/// A reading without its own word about the part and about when it was taken.
fn of_nobody(reading: &Reading) -> Reading {
    let identity = Identity { part: None, ..reading.identity.clone() };
    Reading { identity, stored: false, ..reading.clone() }
}

/// What a gauge was declared to be set to when a row was recorded, as far as that stands in it.
fn declared_then(row: &Row, gauge: &Gauge) -> Settings {
    let length =
        |value: Option<ridgepost_parsers::Value>, unit| value.map(|value| Amount { number: value.decimal(), unit });
    Settings {
        cutoff: length(row.cutoff_mm, Unit::Millimetre),
        lambda_s: length(row.lambda_s_um, Unit::Micrometre),
        sections: row.sections,
        filter: row.filter.clone(),
        standard: row.standard.clone(),
        program: gauge.settings.program.clone(),
    }
}
