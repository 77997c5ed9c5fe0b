//! Writes one row of a result: what judging knows of it, and what capture and store add. What many rows have in common
//! is written once (table `basis`) and remembered by its content.

use std::collections::HashMap;
use std::fmt::Write;
use std::sync::Arc;

use ridgepost_config::Job;
use ridgepost_judge::{Kind, Row};
use ridgepost_parsers::Reading;
use rusqlite::{ToSql, params};

use super::StoreFault;
use super::held::Spoken;
use super::record::{Provenance, Recorder};
use super::standing::Standing;

/// Combinations that are remembered; beyond, remembering begins anew, which costs a row each.
const REMEMBERED: usize = 4_096;

/// The rows of `basis` written so far, by their content.
#[derive(Clone, Debug, Default)]
pub(super) struct Bases {
    known: Arc<HashMap<String, i64>>,
    /// The content at hand; kept for its room.
    key: String,
}

/// What may differ from row to row beside what judging knows: where it comes from and the run it belongs to.
#[derive(Clone, Copy)]
pub(super) struct Around<'a> {
    /// The transmission, where the row rests on one.
    pub(super) from: Option<&'a Provenance>,
    /// Number of the frame, and the reading.
    pub(super) reading: Option<(u32, &'a Reading)>,
    /// The opening of the job, and the job.
    pub(super) run: Option<&'a (i64, Arc<Job>)>,
    /// What labels said.
    pub(super) spoken: &'a Spoken,
    /// The row that it is a correction of, or is about.
    pub(super) beside: Option<&'a Beside<'a>>,
}

/// What a row that a person's decision makes has from the one it is about.
#[derive(Clone, Copy)]
pub(super) struct Beside<'a> {
    /// The earlier row.
    pub(super) of: &'a Standing,
    /// Whether it takes that one's place.
    pub(super) supersedes: bool,
}

impl Around<'_> {
    fn station(&self) -> Option<&str> {
        let of_beside = || self.beside.and_then(|beside| beside.of.station.as_deref());
        self.from.map(|from| from.station.name.as_str()).or_else(of_beside)
    }
}

impl Recorder<'_> {
    /// Writes a row of a result under the next number.
    pub(super) fn row(&mut self, row: &Row, around: Around) -> Result<i64, StoreFault> {
        let basis = self.basis(row, around)?;
        let received = around.from.map_or(self.now, |from| &from.received);
        let tells_of_one = matches!(row.kind, Kind::Reading | Kind::Notice);
        let beside = around.beside.map(|beside| beside.of);
        let instead_of = around.beside.filter(|beside| beside.supersedes).map(|beside| beside.of);
        self.tx.prepare_cached(INSERT_ENTRY)?.execute(params![
            basis,
            received.at,
            received.us,
            around
                .reading
                .and_then(|(_, reading)| reading.identity.time.as_deref())
                .or(beside.and_then(|of| of.measured_at.as_deref())),
            row.serial,
            around.run.map(|(run, _)| *run),
            row.piece.and_then(|piece| i64::try_from(piece).ok()),
            row.value.map(|value| value.to_string()),
            row.value_as_sent,
            row.trace,
            row.attempt,
            around.from.map(|from| from.transmission).or(beside.and_then(|of| of.transmission)),
            around.reading.map(|(frame, _)| frame).or(beside.and_then(|of| of.place).map(|(_, frame, _)| frame)),
            around.reading.filter(|_| tells_of_one).map(|(_, reading)| reading.field),
            around.spoken.context,
            instead_of.map(|of| &of.id),
            instead_of.map(|of| of.root),
        ])?;
        Ok(self.tx.last_insert_rowid())
    }

    /// The row of `basis` that says what this row shares with others.
    fn basis(&mut self, row: &Row, around: Around) -> Result<i64, StoreFault> {
        let synced = around.from.map_or(self.now, |from| &from.received).synced;
        let mut key = std::mem::take(&mut self.context.bases.key);
        write_key(&mut key, row, around, synced);
        let known = self.context.bases.known.get(&key).copied();
        let basis = match known {
            Some(basis) => basis,
            None => {
                let basis = self.new_basis(row, around, synced)?;
                let known = Arc::make_mut(&mut self.context.bases.known);
                if known.len() >= REMEMBERED {
                    known.clear();
                }
                known.insert(key.clone(), basis);
                basis
            }
        };
        self.context.bases.key = key;
        Ok(basis)
    }

    fn new_basis(&self, row: &Row, around: Around, synced: bool) -> Result<i64, StoreFault> {
        let job = around.run.map(|(_, job)| &**job);
        let text = |value: Option<ridgepost_parsers::Value>| value.map(|value| value.to_string());
        let values: [&dyn ToSql; 34] = [
            &self.store_id,
            &row.kind.code(),
            &synced,
            &self.plan.cell.name,
            &around.station(),
            &row.gauge,
            &around.spoken.operator,
            &job.map(|job| job.id.as_str()),
            &job.map(|job| job.part_number.as_str()),
            &job.map(|job| job.revision.as_str()),
            &job.map(|job| job.operation.as_str()),
            &row.cycle,
            &row.mode.code(),
            &row.balloon,
            &row.feature,
            &row.quantity.as_ref().map(ToString::to_string),
            &row.unit.map(|unit| unit.symbol()),
            &row.unit_as_sent,
            &row.mark,
            &text(row.lower),
            &text(row.upper),
            &row.rule,
            &row.outcome.map(|outcome| outcome.code()),
            &row.reasons.join(" "),
            &text(row.cutoff_mm),
            &row.sections,
            &text(row.lambda_s_um),
            &row.filter,
            &row.standard,
            &row.conditions_source.map(|source| source.code()),
            &row.gauge_state.map(|state| state.code()),
            &row.instrument_verdict,
            &job.map(|job| job.text.hash.as_str()),
            &env!("CARGO_PKG_VERSION"),
        ];
        self.tx.prepare_cached(INSERT_BASIS)?.execute(&values[..])?;
        Ok(self.tx.last_insert_rowid())
    }
}

/// Everything that a row of `basis` holds and that can differ while the cell's name stays. Each text has its length in
/// front, so that neighbouring ones stay apart whatever they hold.
fn write_key(key: &mut String, row: &Row, around: Around, synced: bool) {
    key.clear();
    key.push_str(row.kind.code());
    key.push(if synced { '+' } else { '-' });
    let texts = [
        around.station(),
        around.run.map(|(_, job)| job.text.hash.as_str()),
        row.gauge.as_deref(),
        around.spoken.operator.as_deref(),
        row.balloon.as_deref(),
        row.feature.as_deref(),
        row.unit_as_sent.as_deref(),
        row.filter.as_deref(),
        row.standard.as_deref(),
        row.instrument_verdict.as_deref(),
        row.mark,
        row.rule,
        Some(row.mode.code()),
        row.outcome.map(|outcome| outcome.code()),
        row.conditions_source.map(|source| source.code()),
        row.gauge_state.map(|state| state.code()),
        row.unit.map(|unit| unit.symbol()),
    ];
    let mut add = |text: Option<&str>| {
        let _ = match text {
            Some(text) => write!(key, "{}:{text}", text.len()),
            None => write!(key, "."),
        };
    };
    texts.into_iter().for_each(&mut add);
    row.reasons.iter().for_each(|reason| add(Some(reason)));
    let numbers = [row.lower, row.upper, row.cutoff_mm, row.lambda_s_um];
    let _ = write!(key, "|{:?}|{:?}|{:?}", row.cycle, row.sections, row.quantity);
    for number in numbers {
        let _ = match number {
            Some(number) => write!(key, "|{number}"),
            None => write!(key, "|"),
        };
    }
}

const INSERT_ENTRY: &str = "INSERT INTO entry (basis, received_at, received_us, measured_at, serial, run, piece, value, \
    value_as_sent, trace, attempt, transmission, frame, field, context, supersedes, root) \
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)";

const INSERT_BASIS: &str = "INSERT INTO basis (store_id, kind, clock_synced, cell, station, gauge, operator, job, part_number, \
    revision, operation, cycle, mode, balloon, feature, quantity, unit, unit_as_sent, mark, lower, upper, rule, outcome, \
    reasons, cutoff_mm, sections, lambda_s_um, filter, standard, conditions_source, gauge_state, instrument_verdict, \
    job_hash, program_version) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, \
    ?19, ?20, ?21, ?22, ?23, ?24, ?25, ?26, ?27, ?28, ?29, ?30, ?31, ?32, ?33, ?34)";
