//! Pieces judged anew inside the writer's transaction: from the rows that stand, and from what was decoded of readings that join
//! it. What comes out otherwise than it stands becomes a correction.

use std::collections::BTreeMap;
use std::sync::Arc;

use ridgepost_config::Job;
use ridgepost_judge::{self as judge, Anew, GaugeState, Joins, Kind, Outcome, Piece, Reason, Row, Step};
use ridgepost_parsers::{Reading, kept_readings};
use rusqlite::{OptionalExtension, params};
use serde_json::Value as Json;

use super::StoreFault;
use super::correct::{piece_of, plural};
use super::held::Spoken;
use super::record::Recorder;
use super::row::Beside;
use super::standing::{self, Standing};

/// An opening of a job, and the job as it was then.
pub(super) type Run = (i64, Arc<Job>);

/// A reading that joins a piece, as it was decoded.
pub(super) struct Joining {
    pub(super) standing: Standing,
    pub(super) reading: Reading,
}

/// Judges pieces anew for one decision.
pub(super) struct Rejudging<'r, 'a> {
    recorder: &'r mut Recorder<'a>,
    /// The person's decision; none where a later definition reads otherwise.
    decision: Option<i64>,
    /// What a row says that nothing is left of.
    gone: Reason,
    corrected: BTreeMap<&'static str, usize>,
}

impl<'a> Recorder<'a> {
    pub(super) fn anew(&mut self, decision: Option<i64>, gone: Reason) -> Rejudging<'_, 'a> {
        Rejudging { recorder: self, decision, gone, corrected: BTreeMap::new() }
    }

    /// An opening of a job with the job's text of then; `None` where that can't be read any more.
    pub(super) fn run_of(&mut self, run: i64) -> Result<Option<Run>, StoreFault> {
        if let Some(open) = self.context.open.as_ref().filter(|open| open.run == run) {
            return Ok(Some((run, Arc::clone(&open.job))));
        }
        if let Some(known) = self.context.runs.get(&run) {
            return Ok(Some((run, Arc::clone(known))));
        }
        let sql = "SELECT w.body FROM job_event AS j JOIN wording AS w ON w.hash = j.job_hash WHERE j.id = ?1";
        let body: Option<String> = self.tx.prepare_cached(sql)?.query_row([run], |row| row.get(0)).optional()?;
        let job = body.and_then(|body| self.cell.kept_job(&body));
        if let Some(job) = &job {
            self.context.runs.insert(run, Arc::clone(job));
        }
        Ok(job.map(|job| (run, job)))
    }

    /// An opening of a job by which pieces can be judged anew.
    pub(super) fn judged_by(&mut self, run: i64) -> Result<Option<Run>, StoreFault> {
        let run = self.run_of(run)?;
        Ok(run.filter(|(_, job)| judge::check(job, &Piece::fresh(job, 1)).is_ok()))
    }

    /// The readings as they were decoded then, from what was kept of their frames.
    pub(super) fn decoded(&self, standing: &[Standing]) -> Result<Result<Vec<Joining>, String>, StoreFault> {
        let mut found = Vec::with_capacity(standing.len());
        for standing in standing {
            let Some((transmission, frame, field)) = standing.place else {
                return Ok(Err(format!("result {} rests on no bytes", standing.root)));
            };
            if standing.was_reread {
                return Ok(Err(format!(
                    "result {} was read anew by a later definition, and what it says now can't be judged; void it and measure again",
                    standing.root
                )));
            }
            let sql = "SELECT report FROM single_frame WHERE transmission = ?1 AND number = ?2 UNION ALL \
                       SELECT body -> (?2 - first) FROM frame_page WHERE transmission = ?1 AND ?2 BETWEEN first AND last";
            let report: Option<String> =
                self.tx.prepare_cached(sql)?.query_row(params![transmission, frame], |row| row.get(0)).optional()?;
            let report: Json = report.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default();
            let readings = kept_readings(&report).unwrap_or_default();
            let Some(reading) = readings.into_iter().find(|reading| reading.field == field) else {
                return Ok(Err(format!("what was kept of result {} can't be read by this version", standing.root)));
            };
            found.push(Joining { standing: standing.clone(), reading });
        }
        Ok(Ok(found))
    }
}

impl Rejudging<'_, '_> {
    /// Judges a piece anew. `serial`: the one it gets, if it has none. Of its readings those in `void` become void, unless they
    /// are among those that join.
    pub(super) fn piece(
        &mut self,
        (run, piece): (i64, i64),
        (serial, balloon): (Option<&str>, Option<&str>),
        void: &[Standing],
        joining: &[Joining],
    ) -> Result<(), StoreFault> {
        let Some(run) = self.recorder.judged_by(run)? else { return self.void_alone((run, piece), void) };
        let all = standing::of_piece(self.recorder.tx, run.0, piece)?;
        let joins = |root: i64| joining.iter().any(|joining| joining.standing.root == root);
        let stay: Vec<&Standing> = all
            .iter()
            .filter(|row| row.about == Kind::Reading && row.row.balloon.is_some() && !joins(row.root))
            .collect();
        let measured = measurements(joining);
        let pairs: Vec<Vec<(&Reading, &Row)>> = measured
            .iter()
            .map(|group| group.iter().map(|joining| (&joining.reading, &joining.standing.row)).collect())
            .collect();
        let plan = self.recorder.plan;
        let mut steps: Vec<(i64, Step, Vec<&Standing>)> = Vec::new();
        for row in &stay {
            let is_void = void.iter().any(|other| other.root == row.root);
            let step = if is_void { Step::Void(&row.row) } else { Step::Stays(&row.row) };
            steps.push((row.root, step, vec![row]));
        }
        for (group, readings) in measured.iter().zip(&pairs) {
            let Some(first) = group.first() else { continue };
            let id = first.standing.row.gauge.as_deref().unwrap_or("");
            let joins = Joins {
                station: first.standing.station.as_deref().unwrap_or(""),
                gauge_id: id,
                gauge: plan.gauges.get(id),
                gauge_state: first.standing.row.gauge_state.unwrap_or(GaugeState::Unknown),
                specimens: &plan.specimens,
                balloon,
                readings,
            };
            steps.push((first.standing.root, Step::Joins(joins), group.iter().map(|it| &it.standing).collect()));
        }
        steps.sort_by_key(|(root, ..)| *root);
        let known = |of: fn(&Row) -> Option<String>| stay.iter().rev().find_map(|row| of(&row.row));
        let counter = u64::try_from(piece).unwrap_or(1);
        let being_measured =
            self.recorder.context.open.as_ref().filter(|open| open.run == run.0 && open.piece.counter == counter);
        let due = match super::sample::due_then(&run.1, &all) {
            Some(due) => due,
            None => being_measured.map_or_else(Vec::new, |open| open.piece.due.clone()),
        };
        let which = Piece {
            due,
            serial: serial.map(str::to_owned).or_else(|| known(|row| row.serial.clone())),
            cycle: stay.iter().rev().find_map(|row| row.row.cycle).unwrap_or(1),
            ..Piece::fresh(&run.1, counter)
        };
        let only_steps: Vec<Step> = steps.iter().map(|(_, step, _)| *step).collect();
        let anew = judge::judge_anew(&run.1, &which, &only_steps, |id| plan.gauges.get(id));
        let Ok(anew) = anew else { return self.void_alone((run.0, piece), void) };
        let before: Vec<Vec<&Standing>> = steps.into_iter().map(|(.., before)| before).collect();
        self.write(&run, &anew, &before, &all)
    }

    /// What is void of a piece is written where its job's text can't be used any more; its verdicts stay as they are.
    fn void_alone(&mut self, piece: (i64, i64), void: &[Standing]) -> Result<(), StoreFault> {
        tracing::error!(
            code = "job-unreadable",
            "the kept text of the job that piece {} was measured by can't be used; its verdicts stay as they are",
            piece.1
        );
        let mut mine = void.iter().filter(|reading| piece_of(reading) == Some(piece));
        mine.try_for_each(|reading| self.recorder.instead(self.decision, reading, &judge::void(&reading.row), None))
    }

    /// Writes what comes out otherwise.
    fn write(&mut self, run: &Run, anew: &Anew, before: &[Vec<&Standing>], all: &[Standing]) -> Result<(), StoreFault> {
        for (rows, before) in anew.readings.iter().zip(before) {
            for (row, before) in rows.iter().zip(before) {
                if !says(before, row) || before.run != Some(run.0) {
                    self.correct(run, before, row)?;
                }
            }
        }
        self.settle(run, anew, before, all)
    }

    /// Writes what verdicts and part become by readings that are written already.
    pub(super) fn settle(
        &mut self,
        run: &Run,
        anew: &Anew,
        before: &[Vec<&Standing>],
        all: &[Standing],
    ) -> Result<(), StoreFault> {
        let of = |kind: Kind| all.iter().filter(move |row| row.about == kind);
        for characteristic in &run.1.characteristics {
            let is_of = |row: &Row| row.balloon.as_ref() == Some(&characteristic.balloon);
            let stands = of(Kind::Verdict).rfind(|standing| is_of(&standing.row));
            let now = anew.verdicts.iter().find(|row| is_of(row));
            match (now, stands) {
                (Some(now), Some(stands)) if !says(stands, now) => self.correct(run, stands, now)?,
                (Some(now), None) => self.add(run, now, before)?,
                (None, Some(stands)) if !is_gone(&stands.row) => {
                    let nothing = self.nothing_left(&stands.row);
                    self.correct(run, stands, &nothing)?;
                }
                _ => {}
            }
        }
        let is_being_measured = self.is_being_measured(run.0, anew.piece.counter);
        match of(Kind::Part).next_back() {
            Some(stands) => {
                let nothing = anew.readings.is_empty().then(|| self.nothing_left(&stands.row));
                let now = nothing.as_ref().unwrap_or(&anew.part);
                if !says(stands, now) {
                    self.correct(run, stands, now)?;
                }
            }
            None if is_being_measured => self.go_on(anew)?,
            None if !anew.readings.is_empty() => self.add(run, &anew.part, before)?,
            None => {}
        }
        Ok(())
    }

    fn is_being_measured(&self, run: i64, counter: u64) -> bool {
        self.recorder.context.open.as_ref().is_some_and(|open| open.run == run && open.piece.counter == counter)
    }

    /// The piece being measured is another one now; if that fills its last slot, it ends.
    fn go_on(&mut self, anew: &Anew) -> Result<(), StoreFault> {
        let Some(mut open) = self.recorder.context.open.clone() else { return Ok(()) };
        open.piece = anew.piece.clone();
        if open.piece.is_complete() {
            let judgement = judge::end_piece(&open.job, &open.piece).unwrap_or_default();
            self.recorder.part_rows(&open, &judgement, &Spoken::default())?;
            open.piece = judgement.piece;
        }
        open.pass_over();
        self.recorder.context.open = Some(open);
        Ok(())
    }

    fn correct(&mut self, run: &Run, of: &Standing, row: &Row) -> Result<(), StoreFault> {
        *self.corrected.entry(of.about.code()).or_default() += 1;
        self.recorder.instead(self.decision, of, row, Some(run))
    }

    /// A verdict or a part that nobody had told: a row of its own kind.
    fn add(&mut self, run: &Run, row: &Row, before: &[Vec<&Standing>]) -> Result<(), StoreFault> {
        let Some(of) = before.iter().flatten().last() else { return Ok(()) };
        let row = Row { reading: None, ..row.clone() };
        let is_part = row.kind == Kind::Part;
        let of = Standing {
            station: of.station.clone().filter(|_| !is_part),
            transmission: None,
            place: None,
            measured_at: None,
            ..(*of).clone()
        };
        self.recorder.decided(self.decision, &row, Some(run), Beside { of: &of, supersedes: false })
    }

    /// What a verdict or a part says once nothing is left that it rests on.
    fn nothing_left(&self, row: &Row) -> Row {
        Row { value: None, outcome: Some(Outcome::Unjudged), reasons: vec![self.gone.code().to_owned()], ..row.clone() }
    }

    /// What it came to, for people.
    pub(super) fn told(&self) -> String {
        let of = |kind: Kind| self.corrected.get(kind.code()).copied().unwrap_or(0);
        let (verdicts, parts) = (of(Kind::Verdict), of(Kind::Part));
        match (verdicts, parts) {
            (0, 0) => String::new(),
            (verdicts, parts) => format!(
                "; {} and {} corrected",
                plural(verdicts, "verdict", "verdicts"),
                plural(parts, "part", "parts")
            ),
        }
    }
}

/// Whether a verdict says that nothing is left of it.
fn is_gone(row: &Row) -> bool {
    let gone = [Reason::Voided.code(), Reason::Superseded.code()];
    row.outcome == Some(Outcome::Unjudged) && row.reasons.iter().any(|code| gone.contains(&code.as_str()))
}

/// Whether a row says what stands.
fn says(standing: &Standing, row: &Row) -> bool {
    let row = Row { reading: None, kind: standing.about, ..row.clone() };
    row == standing.row
}

/// Readings by measurement: of one record of one frame.
fn measurements(joining: &[Joining]) -> Vec<Vec<&Joining>> {
    let mut groups: BTreeMap<(i64, u32, u32), Vec<&Joining>> = BTreeMap::new();
    for joining in joining {
        let (transmission, frame, _) = joining.standing.place.unwrap_or_default();
        groups.entry((transmission, frame, joining.reading.record)).or_default().push(joining);
    }
    groups.into_values().collect()
}
