//! Adds what stored bytes say by today's definition and did not say then. What was said stays as it is.

use std::collections::BTreeSet;

use ridgepost_config::Gauge;
use ridgepost_judge::{self as judge, Kind, Mode, Outcome, Piece, Reason, Row};
use ridgepost_parsers::{Quantity, Reading};
use rusqlite::{OptionalExtension, params};

use super::held::Spoken;
use super::parcel::Posted;
use super::record::{Provenance, Recorder};
use super::request::Answer;
use super::row::Around;
use super::{StoreFault, correct, standing};

/// One reading that comes out otherwise than it stands in the store.
#[derive(Clone, Debug)]
pub struct Change {
    /// The transmission that holds it.
    pub from: Provenance,
    /// The frame that it was, or would have been, of.
    pub frame: u32,
    /// Its number among the readings of the frame.
    pub field: i64,
    /// What it says now; `None` where it is no reading any more.
    pub reading: Option<Reading>,
    /// The result whose place it takes; `None` where nobody had seen it.
    pub supersedes: Option<String>,
    /// Its quantity.
    pub quantity: String,
}

impl Recorder<'_> {
    /// Adds a row for each change; a reading of a known identity is none.
    pub(super) fn reread(&mut self, changes: &[Change]) -> Result<Answer, StoreFault> {
        let (mut new, mut corrected) = (0, 0);
        let mut posted = Vec::new();
        let mut pieces = BTreeSet::new();
        for change in changes {
            let station = &change.from.station;
            let gauge = change.reading.as_ref().and_then(|reading| self.gauge_id(&station.gauge, reading));
            let key = change.reading.as_ref().and_then(|reading| station.instrument.identity_key(reading));
            if change.supersedes.is_none()
                && let Some(reading) = &change.reading
                && self.known(&change.from, gauge.as_deref(), reading)?
            {
                continue;
            }
            let Some(mut row) = self.late_row(change, gauge.as_deref())? else { continue };
            if change.supersedes.is_some() {
                row.kind = Kind::Correction;
            }
            let numbered = change.reading.clone().map(|mut reading| {
                reading.field = u32::try_from(change.field).unwrap_or(u32::MAX);
                reading
            });
            let reading = numbered.as_ref().map(|reading| (change.frame, reading));
            let spoken = Spoken::default();
            let seq =
                self.row(&row, Around { from: Some(&change.from), reading, run: None, spoken: &spoken, beside: None })?;
            if let Some(id) = &change.supersedes {
                self.tx
                    .prepare_cached("UPDATE entry SET supersedes = ?2, frame = ?3 WHERE seq = ?1")?
                    .execute(params![seq, id, change.frame])?;
                self.stand_beside(seq, id)?;
                pieces.extend(standing::of(self.tx, seq)?.as_ref().and_then(correct::piece_of));
                corrected += 1;
            } else {
                new += 1;
            }
            if let Some(key) = key {
                self.tx
                    .prepare_cached("INSERT OR IGNORE INTO identity (gauge, key, seq) VALUES (?1, ?2, ?3)")?
                    .execute(params![gauge.as_deref().unwrap_or(&station.name), key, seq])?;
            }
            posted.push(Posted::new(seq, &row, None));
        }
        self.post(&posted)?;
        // What a slot holds is another reading now: what was decided by it is settled anew.
        let mut anew = self.anew(None, Reason::Superseded);
        for piece in pieces {
            anew.piece(piece, (None, None), &[], &[])?;
        }
        Ok(Answer::Reread { new, corrected })
    }

    /// A correction is of what it takes the place of: the job and its text, piece, operator, what the cell was doing. Only
    /// what was read differs.
    fn stand_beside(&self, seq: i64, superseded: &str) -> Result<(), StoreFault> {
        // An id ends with the number of its row; one of another store has no row here.
        let Some(number) = superseded.rsplit('-').next().and_then(|number| number.parse::<i64>().ok()) else {
            return Ok(());
        };
        let earlier: Option<i64> = self
            .tx
            .prepare_cached("SELECT seq FROM result WHERE seq = ?1 AND result_id = ?2")?
            .query_row(params![number, superseded], |row| row.get(0))
            .optional()?;
        let Some(earlier) = earlier else { return Ok(()) };
        self.tx
            .prepare_cached(
                "UPDATE entry SET (serial, run, piece, context, root) = \
                 (SELECT serial, run, piece, context, coalesce(root, seq) FROM entry WHERE seq = ?2) WHERE seq = ?1",
            )?
            .execute(params![seq, earlier])?;
        self.tx.prepare_cached(BASIS_BESIDE)?.execute(params![seq, earlier])?;
        self.tx
            .prepare_cached("UPDATE entry SET basis = ?2 WHERE seq = ?1")?
            .execute(params![seq, self.tx.last_insert_rowid()])?;
        Ok(())
    }

    /// What a row says of a reading that is read late: no job judges it.
    fn late_row(&self, change: &Change, gauge_id: Option<&str>) -> Result<Option<Row>, StoreFault> {
        let Some(reading) = &change.reading else {
            let mut row = Row::blank(Kind::Correction, Mode::Production);
            row.quantity = Quantity::parse(&change.quantity);
            row.outcome = Some(Outcome::Unjudged);
            row.reasons = vec![Reason::Voided.code().to_owned()];
            return Ok(Some(row));
        };
        let gauge: Option<&Gauge> = gauge_id.and_then(|id| self.plan.gauges.get(id));
        let then = jiff::Timestamp::from_microsecond(change.from.received.us).ok();
        let day = then.map(|then| then.to_zoned_datetime(self.plan.cell.time_zone.clone()).date());
        // Results from there on are no older than these bytes.
        let first =
            "SELECT seq FROM entry WHERE field IS NOT NULL AND transmission >= ?1 ORDER BY transmission, seq LIMIT 1";
        let first =
            self.tx.prepare_cached(first)?.query_row([change.from.transmission], |row| row.get(0)).optional()?;
        let since = super::gauge::since(self.tx, self.plan, gauge_id.unwrap_or(""), first.unwrap_or(i64::MAX))?;
        let as_of = judge::AsOf { us: change.from.received.us, day, zone: self.plan.cell.time_zone.clone() };
        let gauge_state = judge::gauge_state_since(gauge, since.as_ref(), &as_of);
        let circumstances = judge::Circumstances {
            job: None,
            gauge_id: gauge_id.unwrap_or(""),
            gauge,
            gauge_state,
            of_specimen: false,
            station: &change.from.station.name,
            mode: Mode::Production,
            late: true,
            given: judge::Given::default(),
            cycles: &judge::Cycles::new(),
            specimens: &self.plan.specimens,
            next_due: &[],
            place: judge::Place::default(),
        };
        let judgement = judge::judge(&circumstances, &Piece::default(), &[reading]).ok();
        Ok(judgement.and_then(|judgement| judgement.rows.into_iter().next()))
    }
}

/// What a correction (`n`) shares with others, with what it has of the row whose place it takes (`o`).
const BASIS_BESIDE: &str = "INSERT INTO basis (store_id, kind, clock_synced, cell, station, gauge, operator, job, part_number, \
    revision, operation, cycle, mode, balloon, feature, quantity, unit, unit_as_sent, mark, lower, upper, rule, outcome, \
    reasons, cutoff_mm, sections, lambda_s_um, filter, standard, conditions_source, gauge_state, instrument_verdict, \
    job_hash, program_version) SELECT n.store_id, n.kind, n.clock_synced, n.cell, n.station, coalesce(n.gauge, o.gauge), \
    o.operator, o.job, o.part_number, o.revision, o.operation, o.cycle, o.mode, o.balloon, o.feature, n.quantity, n.unit, \
    n.unit_as_sent, n.mark, n.lower, n.upper, n.rule, n.outcome, n.reasons, n.cutoff_mm, n.sections, n.lambda_s_um, \
    n.filter, n.standard, n.conditions_source, n.gauge_state, n.instrument_verdict, o.job_hash, n.program_version \
    FROM basis AS n, basis AS o WHERE n.id = (SELECT basis FROM entry WHERE seq = ?1) \
    AND o.id = (SELECT basis FROM entry WHERE seq = ?2)";
