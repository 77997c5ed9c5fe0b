//! The readings of one measurement, judged by the open job: which piece and slot each is for, and what each makes of them.

use std::collections::BTreeMap;

use ridgepost_config::{Characteristic, Gate, Gauge, Job};
use ridgepost_parsers::{Mark, Reading};

use crate::closing::{close, describe, name, place, verdict_row};
use crate::conditions::Measured;
use crate::context::Held;
use crate::hint::Specimens;
use crate::piece::{Attempt, Piece};
use crate::plausible::broken_order;
use crate::row::{GaugeState, Kind, Mode, Outcome, Reason, Row};
use crate::rule::{Unjudgeable, check};
use crate::standing::{by_rule, cautions, on_its_own, stand};
use crate::told::Told;

/// What is known beside the readings.
#[derive(Clone, Copy, Debug)]
pub struct Circumstances<'a> {
    /// The job that was open at the credible time of measuring; `None` where none was or the time is not credible.
    pub job: Option<&'a Job>,
    /// Id of the gauge, registered or not; empty where not even that is known.
    pub gauge_id: &'a str,
    /// Its entry in the register.
    pub gauge: Option<&'a Gauge>,
    /// Its state: [`crate::gauge_state`], or what verifications since have made of it.
    pub gauge_state: GaugeState,
    /// Name of the station the readings came from.
    pub station: &'a str,
    /// What the cell was doing. Only readings of production are judged by the job.
    pub mode: Mode,
    /// The readings are of a specimen: they belong to a verification of the gauge, and to no part.
    pub of_specimen: bool,
    /// The readings come late (an export found after the fact): treated as if each came from the instrument's
    /// memory.
    pub late: bool,
    /// What labels say of readings that are taken now. It does not touch readings of another time.
    pub given: Given<'a>,
    /// What the way to their file says of the readings.
    pub place: Place<'a>,
    /// The cycle that parts are in which are made again; any other is in its first.
    pub cycles: &'a Cycles,
    /// The specimens of the register: a reading that is like one of them is marked.
    pub specimens: &'a Specimens,
    /// What is due on the piece behind the one at hand, should the readings turn to it; empty where everything is.
    pub next_due: &'a [bool],
}

/// Cycles by serial number.
pub type Cycles = BTreeMap<String, u32>;

/// What labels say of the readings of a station.
#[derive(Clone, Copy, Debug, Default)]
pub struct Given<'a> {
    /// The piece they are of.
    pub serial: Held<'a>,
    /// The characteristic they are for.
    pub balloon: Held<'a>,
    /// Something else that must be known is not: who measures, or what the cell is doing.
    pub unknown: bool,
}

/// What the way to a file says of its readings; nothing where they did not come in a file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Place<'a> {
    /// The part that they are of.
    pub part: Option<&'a str>,
    /// The characteristic that they are for.
    pub balloon: Option<&'a str>,
    /// It names another job than the open one, or nothing that anybody knows.
    pub astray: bool,
}

/// What judging yields.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Judgement {
    /// Rows to be stored, in order: each reading, behind it the verdict it brings, last the part.
    pub rows: Vec<Row>,
    /// The piece as it stands now: the `piece` of the next call.
    pub piece: Piece,
}

/// Judges the readings of one measurement (one record of one frame).
///
/// Every reading yields exactly one row: kind `reading`, or `notice` where the job's gate refuses the gauge. All of
/// a measurement's readings belong to one piece: it is closed behind the last of them once its slots are full, and
/// before the first where they name another part. Without a job `piece` is handed back as it came; any will do.
///
/// # Errors
/// Where the job can't be judged by, or `piece` is none of its own: see [`Unjudgeable`].
pub fn judge(circumstances: &Circumstances, piece: &Piece, readings: &[&Reading]) -> Result<Judgement, Unjudgeable> {
    if let Some(job) = circumstances.job {
        check(job, piece)?;
    }
    let mut bench = Bench { at: circumstances, rows: Vec::new(), piece: piece.clone() };
    bench.turn_to_first(readings);
    for (index, (reading, broken)) in readings.iter().zip(broken_order(readings)).enumerate() {
        bench.take(index, reading, broken);
    }
    if let Some(job) = circumstances.job
        && bench.piece.is_complete()
    {
        bench.close(job);
    }
    Ok(Judgement { rows: bench.rows, piece: bench.piece })
}

/// Why a reading can't be assigned to a piece of the job, whatever it says.
fn apart(at: &Circumstances, reading: &Reading) -> Option<Reason> {
    let late = at.late || reading.stored;
    if at.of_specimen {
        Some(Reason::SpecimenReading)
    } else if at.mode != Mode::Production {
        Some(Reason::Mode)
    } else if late && (at.job.is_none() || own_part(at, reading).is_none()) {
        Some(Reason::StoredReading)
    } else if at.job.is_none() {
        Some(Reason::NoJob)
    } else if is_unassigned(at, reading) {
        Some(Reason::Unassigned)
    } else {
        None
    }
}

/// What labels say of a reading: nothing of one that was taken at another time.
fn given<'a>(at: &Circumstances<'a>, reading: &Reading) -> Given<'a> {
    if at.late || reading.stored { Given::default() } else { at.given }
}

/// Whether nobody knows what a reading is of: what must be known is not, or two of label, instrument and way name two parts.
fn is_unassigned(at: &Circumstances, reading: &Reading) -> bool {
    let (given, own) = (given(at, reading), own_part(at, reading));
    let no_part = given.serial == Held::Unknown && own.is_none();
    let named = [own, at.place.part, given.serial.known()];
    let two_parts = named.iter().flatten().any(|part| own.is_some_and(|own| own != *part));
    no_part || two_parts || at.place.astray || given.balloon == Held::Unknown || given.unknown
}

/// The part that the instrument names, or the way to its file; blanks name none.
fn own_part<'a>(at: &Circumstances<'a>, reading: &'a Reading) -> Option<&'a str> {
    reading.identity.part.as_deref().filter(|part| !part.trim().is_empty()).or(at.place.part)
}

/// The part that a reading is of: by the instrument's word, else by a label's.
fn part<'a>(at: &Circumstances<'a>, reading: &'a Reading) -> Option<&'a str> {
    own_part(at, reading).or_else(|| given(at, reading).serial.known())
}

/// The part that a measurement is of, as far as the open job asks for its readings and takes them.
pub fn part_named<'a>(at: &Circumstances<'a>, readings: &[&'a Reading]) -> Option<&'a str> {
    let job = at.job?;
    if gate(at, job).is_some_and(|(gate, _)| gate == Gate::Block) {
        return None;
    }
    let assigned = |reading: &&&Reading| apart(at, reading).is_none() && !candidates(at, job, reading).is_empty();
    readings.iter().filter(assigned).find_map(|reading| part(at, reading))
}

/// What the gate makes of the gauge's state: whose reason, and how strict.
pub(crate) fn gate(at: &Circumstances, job: &Job) -> Option<(Gate, Reason)> {
    at.gauge_state.reason().map(|reason| (job.gate, reason))
}

/// Positions of the characteristics that a reading of this station can be for.
fn candidates(at: &Circumstances, job: &Job, reading: &Reading) -> Vec<usize> {
    let fits = |characteristic: &Characteristic| {
        (characteristic.quantity == reading.quantity || is_deviation_of(reading, characteristic))
            && characteristic.trace.is_some() == reading.computed
            && characteristic.station.as_deref().is_none_or(|station| station == at.station)
            && given(at, reading).balloon.known().is_none_or(|balloon| balloon == characteristic.balloon)
            && at.place.balloon.is_none_or(|balloon| balloon == characteristic.balloon)
    };
    (0..job.characteristics.len()).filter(|index| job.characteristics.get(*index).is_some_and(fits)).collect()
}

/// Whether a reading is a deviation of the size that is asked for: of the one it names, or of any that has a master.
fn is_deviation_of(reading: &Reading, characteristic: &Characteristic) -> bool {
    let named = match reading.quantity.argument() {
        Some(symbol) => characteristic.quantity.symbol() == symbol,
        None => characteristic.master.is_some(),
    };
    reading.quantity.is_deviation() && characteristic.quantity.is_size() && named
}

/// One measurement on its way through.
pub(crate) struct Bench<'a> {
    pub(crate) at: &'a Circumstances<'a>,
    pub(crate) rows: Vec<Row>,
    pub(crate) piece: Piece,
}

/// A reading that found its slot.
pub(crate) struct Placed<'a> {
    index: usize,
    pub(crate) reading: &'a Reading,
    pub(crate) conditions: Measured,
    /// Position of characteristic and slot.
    slot: usize,
    pub(crate) characteristic: &'a Characteristic,
    /// What it tells of the part, or why nothing.
    pub(crate) told: Result<Option<Told>, Reason>,
    /// It takes part in a broken order of its record.
    pub(crate) broken: bool,
}

impl<'a> Bench<'a> {
    /// Before any reading is taken: turns to the part that the measurement names.
    fn turn_to_first(&mut self, readings: &[&Reading]) {
        if let (Some(job), Some(part)) = (self.at.job, part_named(self.at, readings)) {
            self.turn_to(job, part);
        }
    }

    /// Makes the piece that of `part`: an untouched one takes the name, any other is closed first.
    fn turn_to(&mut self, job: &Job, part: &str) {
        if self.piece.serial.as_deref() == Some(part) {
            return;
        }
        if !self.piece.is_untouched() {
            self.close(job);
            self.piece.due = self.at.next_due.to_vec();
        }
        self.piece.serial = Some(part.to_owned());
        self.piece.cycle = self.at.cycles.get(part).copied().unwrap_or(1);
    }

    fn close(&mut self, job: &Job) {
        let (row, piece) = close(job, &self.piece);
        self.rows.push(row);
        self.piece = piece;
    }

    /// One reading: its row, and what follows from it.
    pub(crate) fn take(&mut self, index: usize, reading: &Reading, broken: bool) {
        let conditions = Measured::of(reading, self.at.gauge.map(|gauge| &gauge.settings));
        let (Some(job), None) = (self.at.job, apart(self.at, reading)) else {
            let reason = apart(self.at, reading).unwrap_or(Reason::NoJob);
            self.set_aside(index, reading, &conditions, reason);
            return;
        };
        if let Some((Gate::Block, reason)) = gate(self.at, job) {
            self.rows.push(refusal(self.at, index, reading, reason));
            return;
        }
        let candidates = candidates(self.at, job, reading);
        if let (Some(part), false) = (part(self.at, reading), candidates.is_empty()) {
            self.turn_to(job, part);
        }
        let open = |index: &&usize| self.piece.slots.get(**index).is_some_and(|slot| slot.decided.is_none());
        // Of several that wait for this quantity, the first that is measured under these conditions.
        let suits = |index: &&usize| {
            let asked = job.characteristics.get(**index);
            asked.is_some_and(|asked| conditions.obstacles(asked, job.accept_unknown_conditions, None).is_empty())
        };
        let waiting = || candidates.iter().filter(open);
        let is_due = |index: &&usize| self.piece.is_due(**index);
        let slot = waiting().filter(is_due).find(suits).or(waiting().find(suits));
        let slot = slot.or(waiting().find(is_due)).or(waiting().next()).or(candidates.last()).copied();
        let Some((slot, characteristic)) = slot.and_then(|slot| Some((slot, job.characteristics.get(slot)?))) else {
            self.set_aside(index, reading, &conditions, Reason::NoCharacteristic);
            return;
        };
        let told = Told::of(reading, characteristic);
        self.fill(job, &Placed { index, reading, conditions, slot, characteristic, told, broken });
    }

    /// A reading that is for no slot: kept, not judged.
    fn set_aside(&mut self, index: usize, reading: &Reading, conditions: &Measured, reason: Reason) {
        let mut row = reading_row(self.at, index, reading);
        conditions.fill(&mut row, reading.quantity.is_texture(), None);
        row.serial = part(self.at, reading).filter(|_| !self.at.of_specimen).map(str::to_owned);
        let same_part = row.serial.is_none() || row.serial == self.piece.serial;
        if reason == Reason::NoCharacteristic && same_part {
            place(&mut row, &self.piece);
        }
        let reason = if reading.mark.is_some() { Reason::Mark } else { reason };
        row.outcome = Some(Outcome::Unjudged);
        row.reasons = vec![reason.code().to_owned()];
        self.rows.push(row);
    }

    /// A reading that is for a slot: judged, unless something stands against it, and kept as an attempt.
    fn fill(&mut self, job: &Job, placed: &Placed) {
        let characteristic = placed.characteristic;
        let mut row = placed_row(self.at, &self.piece, placed);
        let Some(slot) = self.piece.slots.get_mut(placed.slot) else { return };
        let was_open = slot.decided.is_none();
        let value = row.value.filter(|_| row.unit == Some(characteristic.unit));
        let attempt = slot.next_attempt();
        let judged = stand(self.at, job, placed).and_then(|found| {
            let outcome = match was_open {
                true => by_rule(slot, characteristic, found, value).ok_or_else(|| vec![Reason::Implausible])?,
                false if attempt > job.retests.saturating_add(1) => return Err(vec![Reason::RetestLimit]),
                false => (on_its_own(found.finding), vec![found.finding.reason()]),
            };
            Ok((outcome, cautions(self.at, job, placed, found.finding.standing)))
        });
        let (outcome, reasons, trace) = match judged {
            Err(obstacles) => (Outcome::Unjudged, obstacles, None),
            Ok(((outcome, why), cautions)) => (outcome, [why, cautions].concat(), was_open.then(|| slot.next_trace())),
        };
        row.outcome = Some(outcome);
        row.reasons = reasons.iter().map(|reason| reason.code().to_owned()).collect();
        row.trace = trace;
        row.attempt = Some(attempt).filter(|attempt| *attempt > 1);
        slot.take(Attempt { gauge: row.gauge.clone(), value, outcome, reasons, attempt, trace });
        let verdict = (was_open && slot.decided.is_some()).then(|| slot.clone());
        let verdict = verdict.map(|slot| verdict_row(characteristic, &slot, &self.piece, &row));
        self.rows.push(row);
        self.rows.extend(verdict);
    }
}

/// What a row says of a reading, whatever becomes of it: value and unit as sent.
fn reading_row(at: &Circumstances, index: usize, reading: &Reading) -> Row {
    let mut row = Row::blank(Kind::Reading, at.mode);
    row.reading = Some(index);
    row.gauge = gauge_id(at);
    row.gauge_state = Some(at.gauge_state);
    row.quantity = Some(reading.quantity.clone());
    row.value = reading.value;
    row.unit = reading.unit;
    row.value_as_sent = Some(reading.value_as_sent.clone());
    row.unit_as_sent.clone_from(&reading.unit_as_sent);
    row.mark = reading.mark.map(Mark::code);
    row.instrument_verdict.clone_from(&reading.instrument_verdict);
    row
}

fn gauge_id(at: &Circumstances) -> Option<String> {
    Some(at.gauge_id).filter(|id| !id.is_empty()).map(str::to_owned)
}

/// What a row says of a reading for a slot: beside that the requirement, with value and limits in the limit's unit
/// where the value has one of its kind.
fn placed_row(at: &Circumstances, piece: &Piece, placed: &Placed) -> Row {
    let (reading, characteristic) = (placed.reading, placed.characteristic);
    let mut row = reading_row(at, placed.index, reading);
    placed.conditions.fill(&mut row, reading.quantity.is_texture(), Some(&characteristic.conditions));
    place(&mut row, piece);
    name(&mut row, characteristic);
    let shown = placed.told.ok().flatten().and_then(|told| told.shown);
    if shown.is_some() || reading.value.is_none() {
        describe(&mut row, characteristic);
        row.value = shown;
    }
    row
}

/// The notice in place of a reading whose gauge the job's gate refuses: what was refused and why, no value.
fn refusal(at: &Circumstances, index: usize, reading: &Reading, reason: Reason) -> Row {
    let mut row = Row::blank(Kind::Notice, at.mode);
    row.reading = Some(index);
    row.gauge = gauge_id(at);
    row.gauge_state = Some(at.gauge_state);
    row.quantity = Some(reading.quantity.clone());
    row.reasons = vec![reason.code().to_owned()];
    row
}
