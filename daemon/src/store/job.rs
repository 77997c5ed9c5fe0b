//! Opening and closing jobs, and ending pieces: what a person says about what is being made.

use std::sync::Arc;

use ridgepost_config::Job;
use ridgepost_judge::{self as judge, Ending, Judgement, Kind, Mode, Piece, Row};
use rusqlite::params;

use super::StoreFault;
use super::held::Spoken;
use super::parcel::Posted;
use super::piece::OpenJob;
use super::record::Recorder;
use super::row::Around;
use crate::cell::Cell;

/// What a person may say about the job.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JobCommand {
    /// Open this job; an open one is closed first.
    Open(String),
    /// Close the open job.
    Close,
    /// End the piece being measured.
    Next,
}

/// Why it was not done.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum JobFault {
    /// No such job.
    #[error("there is no job `{0}`; the cell's jobs are: {1}")]
    Unknown(String, String),
    /// Nothing is open.
    #[error("no job is open; open one with `ridgepost job open ID`")]
    NoneOpen,
    /// Nothing was measured.
    #[error("piece {0} has no reading yet, so there is nothing to end")]
    Untouched(u64),
    /// This version can't judge by it.
    #[error("job {0} can't be opened: {1}")]
    Unjudgeable(String, String),
}

impl Recorder<'_> {
    /// Does what was asked and says what came of it.
    pub fn job(&mut self, command: &JobCommand) -> Result<Result<String, JobFault>, StoreFault> {
        self.job_by(command, &Spoken::default())
    }

    /// The same by a label, with what labels had said.
    pub(super) fn job_by(&mut self, command: &JobCommand, by: &Spoken) -> Result<Result<String, JobFault>, StoreFault> {
        match command {
            JobCommand::Open(id) => self.open_job(id, by),
            JobCommand::Close => match self.context.open.is_some() {
                true => self.close_job(by).map(Ok),
                false => Ok(Err(JobFault::NoneOpen)),
            },
            JobCommand::Next => self.next_piece(by),
        }
    }

    fn open_job(&mut self, id: &str, by: &Spoken) -> Result<Result<String, JobFault>, StoreFault> {
        let Some(job) = self.plan.jobs.get(id).map(Arc::clone) else {
            let ids: Vec<&str> = self.plan.jobs.keys().map(String::as_str).collect();
            return Ok(Err(JobFault::Unknown(id.to_owned(), ids.join(", "))));
        };
        let piece = Piece::fresh(&job, self.next_counter(&job.id)?);
        if let Err(fault) = judge::check(&job, &piece) {
            return Ok(Err(JobFault::Unjudgeable(job.id.clone(), fault.to_string())));
        }
        if self.context.open.is_some() {
            self.close_job(by)?;
        }
        self.wording("job", &job.id, &job.text)?;
        self.job_event("open", &job)?;
        let run = self.tx.last_insert_rowid();
        let piece = Piece { counter: self.next_counter(&job.id)?, ..piece };
        let said = format!("job {id} is open, piece {} is next", piece.counter);
        let given_to = super::piece::given_to(self.tx, &job.id)?;
        let cycles = super::piece::cycles(self.tx, &job.id)?;
        self.context.open = Some(OpenJob { run, job, opened_us: self.now.us, piece, given_to, cycles });
        self.ended(Ending::Job, self.now)?;
        Ok(Ok(said))
    }

    fn close_job(&mut self, by: &Spoken) -> Result<String, StoreFault> {
        let Some(open) = self.context.open.take() else { return Ok(String::new()) };
        let judgement = judge::end_piece(&open.job, &open.piece).unwrap_or_default();
        self.part_rows(&open, &judgement, by)?;
        let lacking = super::sample::lacking_at_the_end(self.tx, &open.job, open.run)?;
        self.ended(Ending::Job, self.now)?;
        self.context.postings.close_run(self.tx, open.run)?;
        self.job_event("close", &open.job)?;
        if lacking.is_empty() {
            return Ok(format!("job {} is closed", open.job.id));
        }
        let lacking = lacking.join(", ");
        tracing::warn!(
            code = "last-piece",
            "job {} is closed, and its last piece has no verdict of {lacking}, due on last pieces: measure it and assign it",
            open.job.id
        );
        Ok(format!(
            "job {} is closed; its last piece has no verdict of {lacking}, which is due on last pieces",
            open.job.id
        ))
    }

    fn next_piece(&mut self, by: &Spoken) -> Result<Result<String, JobFault>, StoreFault> {
        let Some(open) = self.context.open.clone() else { return Ok(Err(JobFault::NoneOpen)) };
        let judgement = judge::end_piece(&open.job, &open.piece).unwrap_or_default();
        if judgement.rows.is_empty() {
            return Ok(Err(JobFault::Untouched(open.piece.counter)));
        }
        self.part_rows(&open, &judgement, by)?;
        self.job_event("next", &open.job)?;
        let said = format!("piece {} is ended, piece {} is next", open.piece.counter, judgement.piece.counter);
        let mut open = OpenJob { piece: judgement.piece, ..open };
        open.pass_over();
        self.context.open = Some(open);
        Ok(Ok(said))
    }

    pub(super) fn part_rows(&mut self, open: &OpenJob, judgement: &Judgement, by: &Spoken) -> Result<(), StoreFault> {
        let run = (open.run, Arc::clone(&open.job));
        let mut posted = Vec::new();
        for row in &judgement.rows {
            let seq = self.row(row, Around { from: None, reading: None, run: Some(&run), spoken: by, beside: None })?;
            posted.push(Posted::new(seq, row, Some(&run)));
        }
        self.pieces_ended(&judgement.rows, self.now)?;
        self.post(&posted)
    }

    /// Keeps the texts of a configuration without fault, so that a later start with faulty files can go on with
    /// it; says by a notice that the open job's file is another one now.
    pub fn adopt(&mut self, cell: &Cell) -> Result<(), StoreFault> {
        if cell.faults.is_empty() {
            let text = cell.kept_texts();
            self.wording("cell", &cell.plan.cell.name, &text)?;
            self.tx.execute(
                "INSERT INTO fact (key, value) VALUES ('plan', ?1) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                [&text.hash],
            )?;
        }
        self.context.runs.clear();
        self.forget_labels(cell.plan.labels.is_some())?;
        // A rule that holds for so many readings needs their count.
        self.context.gauges = super::gauge::load(self.tx, &cell.plan)?;
        let Some(open) = self.context.open.clone() else { return Ok(()) };
        let changed = cell.plan.jobs.get(&open.job.id).is_none_or(|job| job.text.hash != open.job.text.hash);
        let before = self.plan.jobs.get(&open.job.id).is_none_or(|job| job.text.hash != open.job.text.hash);
        if changed && !before {
            tracing::warn!(
                code = "job-changed",
                "the file of the open job {} changed; it is judged as it was opened until `ridgepost job open`",
                open.job.id
            );
            let run = (open.run, open.job);
            let row = Row::blank(Kind::Notice, Mode::Production);
            let seq = self.row(
                &row,
                Around { from: None, reading: None, run: Some(&run), spoken: &Spoken::default(), beside: None },
            )?;
            self.post(&[Posted::new(seq, &row, Some(&run))])?;
        }
        Ok(())
    }

    pub(super) fn job_event(&self, kind: &str, job: &Job) -> Result<(), StoreFault> {
        self.tx
            .prepare_cached("INSERT INTO job_event (at, at_us, kind, job, job_hash) VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![self.now.at, self.now.us, kind, job.id, job.text.hash])?;
        Ok(())
    }

    /// Pieces count on over every opening of a job.
    pub(super) fn next_counter(&self, job: &str) -> Result<u64, StoreFault> {
        let last = super::piece::last_ended(self.tx, job)?;
        Ok(last.and_then(|last| u64::try_from(last).ok()).unwrap_or(0) + 1)
    }
}
