//! Writes one row of a result: what judging knows of it, and what capture and store add.

use std::sync::Arc;

use ridgepost_config::Job;
use ridgepost_judge::Row;
use ridgepost_parsers::Reading;
use rusqlite::params;

use super::StoreFault;
use super::record::{Provenance, Recorder};

impl Recorder<'_> {
    /// Writes a row of a result under the next number.
    pub fn row(
        &self,
        row: &Row,
        from: Option<&Provenance>,
        reading: Option<(u32, &Reading)>,
        run: Option<&(i64, Arc<Job>)>,
    ) -> Result<i64, StoreFault> {
        let seq: i64 = self.tx.query_row(
            "SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'result'), 0) + 1",
            [],
            |row| row.get(0),
        )?;
        let job = run.map(|(_, job)| &**job);
        let received = from.map_or(self.now, |from| &from.received);
        self.tx.prepare_cached(INSERT_RESULT)?.execute(params![
            seq,
            format!("{}-{seq}", self.store_id),
            row.kind.code(),
            received.at,
            received.us,
            reading.and_then(|(_, reading)| reading.identity.time.clone()),
            received.synced,
            self.plan.cell.name,
            from.map(|from| from.station.name.as_str()),
            row.gauge,
            None::<String>,
            job.map(|job| job.id.as_str()),
            job.map(|job| job.part_number.as_str()),
            job.map(|job| job.revision.as_str()),
            job.map(|job| job.operation.as_str()),
            row.serial,
            row.piece.and_then(|piece| i64::try_from(piece).ok()),
            row.cycle,
            row.mode.code(),
            row.balloon,
            row.feature,
            row.quantity.as_ref().map(ToString::to_string),
            row.value.map(|value| value.to_string()),
            row.unit.map(|unit| unit.symbol()),
            row.value_as_sent,
            row.unit_as_sent,
            row.mark,
            row.lower.map(|value| value.to_string()),
            row.upper.map(|value| value.to_string()),
            row.rule,
            row.outcome.map(|outcome| outcome.code()),
            row.reasons.join(" "),
            row.trace,
            row.attempt,
            row.cutoff_mm.map(|value| value.to_string()),
            row.sections,
            row.lambda_s_um.map(|value| value.to_string()),
            row.filter,
            row.standard,
            row.conditions_source.map(|source| source.code()),
            row.gauge_state.map(|state| state.code()),
            row.instrument_verdict,
            from.map(|from| from.transmission),
            job.map(|job| job.text.hash.as_str()),
            None::<String>,
            reading.map(|(frame, _)| frame),
            reading.map(|(_, reading)| reading.field),
            run.map(|(run, _)| *run),
            env!("CARGO_PKG_VERSION"),
        ])?;
        Ok(seq)
    }
}

const INSERT_RESULT: &str = "INSERT INTO result (seq, result_id, kind, received_at, received_us, measured_at, \
    clock_synced, cell, station, gauge, operator, job, part_number, revision, operation, serial, piece, cycle, mode, \
    balloon, feature, quantity, value, unit, value_as_sent, unit_as_sent, mark, lower, upper, rule, outcome, reasons, \
    trace, attempt, cutoff_mm, sections, lambda_s_um, filter, standard, conditions_source, gauge_state, \
    instrument_verdict, transmission, job_hash, supersedes, frame, field, run, program_version) VALUES (?1, ?2, ?3, \
    ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23, ?24, ?25, ?26, \
    ?27, ?28, ?29, ?30, ?31, ?32, ?33, ?34, ?35, ?36, ?37, ?38, ?39, ?40, ?41, ?42, ?43, ?44, ?45, ?46, ?47, ?48, ?49)";
