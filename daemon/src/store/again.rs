//! A part that is measured again after it was told. Its readings are further attempts at the piece that it was, and no piece of
//! their own: else who measures until one passes would have a part that conforms. What was missing is filled, what was
//! decided stays; verdict and part are corrected where that changes them. A part that is made again is another matter:
//! its next cycle was opened by a person.

use std::sync::Arc;

use ridgepost_judge::{self as judge, Circumstances, GaugeState, Joins, Kind, Outcome, Piece, Reason, Row, Step};
use ridgepost_parsers::Reading;
use rusqlite::{OptionalExtension, params};

use super::StoreFault;
use super::held::Spoken;
use super::parcel::Posted;
use super::piece::OpenJob;
use super::record::{Provenance, Recorder};
use super::rejudge::Run;
use super::row::Around;
use super::standing::{self, Standing};
use super::taken::Taken;

/// Rows of a piece up to which more readings are judged anew with it, each time all of them. An instrument that names all parts
/// alike must not make the writer slower with each; what comes behind is kept, as too many retests.
const ROWS_MAX: u32 = 200;

/// Readings of one measurement of a part that was told.
pub(super) struct Again<'r> {
    pub(super) from: &'r Provenance,
    pub(super) frame: u32,
    pub(super) readings: &'r [&'r Reading],
    /// What was known of their conditions, as rows of a cell without a job.
    pub(super) recorded: Vec<Row>,
    pub(super) gauge_id: Option<&'r str>,
    pub(super) gauge_state: GaugeState,
    pub(super) spoken: Spoken,
    /// Whether labels were about them.
    pub(super) is_now: bool,
    pub(super) told: Told,
}

/// A piece that was told.
pub(super) struct Told {
    run: Run,
    piece: i64,
    serial: String,
    cycle: u32,
}

impl Recorder<'_> {
    /// The piece that a measurement is of, if that was told already, by the same text of the job and in the same cycle.
    pub(super) fn told_before(
        &self,
        open: Option<&OpenJob>,
        at: &Circumstances,
        readings: &[&Reading],
    ) -> Result<Option<Told>, StoreFault> {
        let (Some(open), Some(serial)) = (open, judge::part_named(at, readings)) else { return Ok(None) };
        let is_being_measured = open.piece.serial.as_deref() == Some(serial) && !open.piece.is_untouched();
        if is_being_measured {
            return Ok(None);
        }
        let Some((run, piece)) = standing::piece_of(self.tx, &open.job.id, serial)? else { return Ok(None) };
        let cycle = at.cycles.get(serial).copied().unwrap_or(1);
        let sql = "SELECT 1 FROM result WHERE run = ?1 AND piece = ?2 AND kind = 'part' AND job_hash = ?3 AND coalesce(cycle, 1) = ?4";
        let is_told = self.tx.prepare_cached(sql)?.exists(params![run, piece, open.job.text.hash, cycle])?;
        Ok(is_told.then(|| Told { run: (run, Arc::clone(&open.job)), piece, serial: serial.to_owned(), cycle }))
    }

    /// Judges and writes them as attempts at the piece that was told.
    pub(super) fn measured_again(&mut self, again: Again) -> Result<(), StoreFault> {
        self.end_begun()?;
        let Told { run, piece, serial, cycle } = &again.told;
        let is_full = self.has_more_rows(run.0, *piece)?;
        let all = if is_full { Vec::new() } else { standing::of_piece(self.tx, run.0, *piece)? };
        let stay: Vec<&Standing> =
            all.iter().filter(|row| row.about == Kind::Reading && row.row.balloon.is_some()).collect();
        let plan = self.plan;
        let pairs: Vec<(&Reading, &Row)> = again.readings.iter().copied().zip(&again.recorded).collect();
        let joins = Joins {
            station: &again.from.station.name,
            gauge_id: again.gauge_id.unwrap_or(""),
            gauge: again.gauge_id.and_then(|id| plan.gauges.get(id)),
            gauge_state: again.gauge_state,
            specimens: &plan.specimens,
            balloon: None,
            readings: &pairs,
        };
        let steps: Vec<Step> = stay.iter().map(|row| Step::Stays(&row.row)).chain([Step::Joins(joins)]).collect();
        let counter = u64::try_from(*piece).unwrap_or(1);
        let due = super::sample::due_then(&run.1, &all).unwrap_or_default();
        let which = Piece { serial: Some(serial.clone()), cycle: *cycle, due, ..Piece::fresh(&run.1, counter) };
        let anew = judge::judge_anew(&run.1, &which, &steps, |id| plan.gauges.get(id));
        let anew = match anew {
            Ok(anew) => anew,
            Err(fault) => {
                tracing::error!(code = "not-judged", "{fault}; the reading is kept, as if no job were open");
                let around =
                    Around { from: Some(again.from), reading: None, run: None, spoken: &again.spoken, beside: None };
                let (posted, _) = self.write(&again.recorded, around, (again.frame, again.readings), again.gauge_id)?;
                return self.post(&posted);
            }
        };
        let mut rows = anew.readings.last().cloned().unwrap_or_default();
        if is_full {
            rows.iter_mut().try_for_each(|row| self.too_many(row, run.0, *piece))?;
        }
        let rows = &rows[..];
        let around =
            Around { from: Some(again.from), reading: None, run: Some(run), spoken: &again.spoken, beside: None };
        let (_, written) = self.write(rows, around, (again.frame, again.readings), again.gauge_id)?;
        // What was delivered of the piece is closed: what comes later travels by itself.
        let posted: Vec<Posted> =
            written.iter().zip(rows).map(|((seq, _), row)| Posted::new(*seq, row, None)).collect();
        self.post(&posted)?;
        if !is_full {
            let mut fresh = Vec::with_capacity(written.len());
            for (seq, _) in &written {
                fresh.extend(standing::of(self.tx, *seq)?);
            }
            let before: Vec<Vec<&Standing>> =
                stay.iter().map(|row| vec![*row]).chain([fresh.iter().collect::<Vec<_>>()]).collect();
            self.anew(None, Reason::Superseded).settle(run, &anew, &before, &all)?;
        }
        self.told_of_retests(again.from, rows);
        self.labels_used(again.from, rows, again.is_now)?;
        if anew.piece.is_complete() {
            self.pieces_ended(std::slice::from_ref(&anew.part), &again.from.received)?;
        }
        match again.gauge_id.and_then(|id| plan.gauges.get(id)) {
            Some(gauge) => self.gauge_used(gauge, None, again.from, &written),
            None => Ok(()),
        }
    }

    fn has_more_rows(&self, run: i64, piece: i64) -> Result<bool, StoreFault> {
        let sql = "SELECT count(*) FROM (SELECT 1 FROM entry WHERE run = ?1 AND piece = ?2 LIMIT ?3)";
        let rows: u32 = self.tx.prepare_cached(sql)?.query_row(params![run, piece, ROWS_MAX + 1], |row| row.get(0))?;
        Ok(rows > ROWS_MAX)
    }

    /// Makes a row one retest too many: the number of the attempt goes on, nothing is judged.
    fn too_many(&self, row: &mut Row, run: i64, piece: i64) -> Result<(), StoreFault> {
        let sql = "SELECT attempt FROM result WHERE run = ?1 AND piece = ?2 AND balloon IS ?3 AND kind = 'reading' \
                   ORDER BY seq DESC LIMIT 1";
        let last: Option<Option<u32>> =
            self.tx.prepare_cached(sql)?.query_row(params![run, piece, row.balloon], |row| row.get(0)).optional()?;
        row.attempt = Some(last.flatten().unwrap_or(1).saturating_add(1));
        row.outcome = Some(Outcome::Unjudged);
        row.reasons = vec![Reason::RetestLimit.code().to_owned()];
        row.trace = None;
        Ok(())
    }

    /// The piece that was begun ends: another part is measured.
    fn end_begun(&mut self) -> Result<(), StoreFault> {
        let Some(mut open) = self.context.open.clone() else { return Ok(()) };
        let judgement = judge::end_piece(&open.job, &open.piece).unwrap_or_default();
        if judgement.rows.is_empty() {
            return Ok(());
        }
        self.part_rows(&open, &judgement, &Spoken::default())?;
        open.piece = judgement.piece;
        open.pass_over();
        self.context.open = Some(open);
        Ok(())
    }

    /// Says aloud that a part is measured more often than its job allows.
    pub(super) fn told_of_retests(&self, from: &Provenance, rows: &[Row]) {
        let is_too_many = |row: &&Row| row.reasons.iter().any(|code| code == Reason::RetestLimit.code());
        let Some(row) = rows.iter().find(is_too_many).filter(|_| from.taken == Taken::Live) else { return };
        let piece = row.serial.clone().unwrap_or_else(|| row.piece.map_or_else(String::new, |piece| piece.to_string()));
        tracing::warn!(
            code = Reason::RetestLimit.code(),
            station = from.station.name,
            "balloon {} of part {piece} was measured for the {}. time, more often than its job allows; the first measurement counts: \
             void it with a reason, or find out why it is measured again",
            row.balloon.as_deref().unwrap_or(""),
            row.attempt.unwrap_or(1)
        );
    }
}
