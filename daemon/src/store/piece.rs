//! Where judging stood when the program ended: the open job as it was opened, and the piece being measured,
//! told by the rows that stand in the store.

use std::sync::Arc;

use ridgepost_config::Job;
use ridgepost_judge::{Cycles, Outcome, Piece, StoredReading};
use ridgepost_parsers::{Quantity, Unit, Value};
use rusqlite::{Connection, OptionalExtension, params};

use super::StoreFault;
use super::record::Context;
use crate::cell::Cell;

/// The job that is open and the piece being measured.
#[derive(Clone, Debug)]
pub struct OpenJob {
    /// Key of the event that opened it.
    pub run: i64,
    /// The job as it was when it was opened.
    pub job: Arc<Job>,
    /// When it was opened, microseconds since 1970.
    pub opened_us: i64,
    /// The piece being measured.
    pub piece: Piece,
    /// The highest counter that a piece has which readings were given to later: no new piece gets it.
    pub given_to: u64,
    /// Serial numbers that are made again, each with its cycle.
    pub cycles: Arc<Cycles>,
}

impl OpenJob {
    /// An untouched piece gets no counter that a piece has which readings were given to.
    pub(super) fn pass_over(&mut self) {
        if self.piece.is_untouched() && self.piece.counter <= self.given_to {
            self.piece.counter = self.given_to + 1;
        }
    }
}

/// The open job and piece.
pub fn context(connection: &Connection, cell: &Cell) -> Result<Context, StoreFault> {
    let last: Option<(i64, String, String, String, i64)> = connection
        .query_row(
            "SELECT e.id, e.kind, w.name, w.body, e.at_us FROM job_event AS e JOIN wording AS w ON w.hash = e.job_hash \
             WHERE e.kind IN ('open', 'close') ORDER BY e.id DESC LIMIT 1",
            [],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)),
        )
        .optional()?;
    let Some((run, kind, name, body, opened_us)) = last else { return Ok(Context::default()) };
    if kind == "close" {
        return Ok(Context::default());
    }
    let Some(job) = cell.kept_job(&body) else {
        tracing::error!(
            code = "job-unreadable",
            "the kept text of the open job {name} can't be used any more; readings are kept unjudged until a job is opened"
        );
        return Ok(Context::default());
    };
    let counter = open_counter(connection, run, &job.id)?;
    let rows = rows_of(connection, run, counter)?;
    let counter = u64::try_from(counter).unwrap_or(1);
    let mut piece = Piece::rebuild(&job, counter, &rows);
    if let Some(begun_us) = super::sample::begun_us(connection, run, counter)? {
        piece.due = super::sample::due(connection, &job, (run, counter), begun_us)?;
    }
    let (given_to, cycles) = (given_to(connection, &job.id)?, cycles(connection, &job.id)?);
    let mut open = OpenJob { run, job, opened_us, piece, given_to, cycles };
    open.pass_over();
    Ok(Context { open: Some(open), ..Context::default() })
}

/// Counter of the piece being measured: the one that was begun in this opening and has no `part` row, else the one behind the
/// last of the job.
pub(super) fn open_counter(connection: &Connection, run: i64, job: &str) -> Result<i64, StoreFault> {
    let begun = "SELECT max(e.piece) FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis WHERE e.run = ?1 AND e.piece > \
                 coalesce((SELECT piece FROM result WHERE run = ?1 AND piece IS NOT NULL AND kind = 'part' \
                 ORDER BY piece DESC LIMIT 1), 0) AND b.kind = 'reading' AND b.balloon IS NOT NULL";
    let begun: Option<i64> = connection.query_row(begun, [run], |row| row.get(0))?;
    Ok(match begun {
        Some(begun) => begun,
        None => last_ended(connection, job)?.unwrap_or(0) + 1,
    })
}

/// The highest counter of a piece of a job which readings were given to later.
pub(super) fn given_to(connection: &Connection, job: &str) -> Result<u64, StoreFault> {
    let sql = "SELECT max((SELECT max(piece) FROM entry WHERE run = j.id AND piece IS NOT NULL)) \
               FROM job_event AS j WHERE j.job = ?1 AND j.kind = 'assign'";
    let last: Option<i64> = connection.query_row(sql, [job], |row| row.get(0))?;
    Ok(last.and_then(|last| u64::try_from(last).ok()).unwrap_or(0))
}

/// The cycles of a job's parts that are made again.
pub(super) fn cycles(connection: &Connection, job: &str) -> Result<Arc<Cycles>, StoreFault> {
    let mut statement = connection.prepare("SELECT serial, cycle FROM rework WHERE job = ?1")?;
    let rows = statement.query_map([job], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(Arc::new(rows.collect::<Result<_, _>>()?))
}

/// Counter of the last piece of a job that was ended, over all its openings.
pub(super) fn last_ended(connection: &Connection, job: &str) -> Result<Option<i64>, StoreFault> {
    let sql = "SELECT max((SELECT piece FROM result WHERE run = j.id AND piece IS NOT NULL AND kind = 'part' \
               ORDER BY piece DESC LIMIT 1)) FROM job_event AS j WHERE j.job = ?1 AND j.kind IN ('open', 'assign')";
    Ok(connection.query_row(sql, [job], |row| row.get(0))?)
}

fn rows_of(connection: &Connection, run: i64, counter: i64) -> Result<Vec<StoredReading>, StoreFault> {
    let mut statement = connection.prepare(
        "SELECT serial, balloon, quantity, gauge, value, unit, outcome, reasons, trace, attempt, cycle FROM result AS r \
         WHERE run = ?1 AND piece = ?2 AND (kind = 'reading' OR (kind = 'correction' AND \
         (SELECT o.kind FROM result AS o WHERE o.seq = r.root) = 'reading')) \
         AND NOT EXISTS (SELECT 1 FROM entry AS n WHERE n.root = coalesce(r.root, r.seq) AND n.seq > r.seq) \
         ORDER BY coalesce(root, seq)",
    )?;
    let rows = statement.query_map(params![run, counter], |row| {
        let text = |at: usize| row.get::<_, Option<String>>(at);
        Ok(StoredReading {
            serial: text(0)?,
            balloon: text(1)?,
            quantity: text(2)?.and_then(|text| Quantity::parse(&text)),
            gauge: text(3)?,
            value: text(4)?.and_then(|text| Value::parse(&text).ok()),
            unit: text(5)?.and_then(|text| Unit::parse(&text)),
            outcome: text(6)?.and_then(|code| Outcome::parse(&code)).unwrap_or(Outcome::Unjudged),
            reasons: row.get::<_, String>(7)?.split(' ').map(str::to_owned).collect(),
            trace: row.get(8)?,
            attempt: row.get(9)?,
            cycle: row.get(10)?,
        })
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}
