//! Where judging stood when the program ended: the open job as it was opened, and the piece being measured,
//! told by the rows that stand in the store.

use ridgepost_judge::{Outcome, Piece, StoredReading};
use ridgepost_parsers::{Quantity, Unit, Value};
use rusqlite::{Connection, OptionalExtension, params};

use super::StoreFault;
use super::record::{Context, OpenJob};
use crate::cell::Cell;

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
    let counter = last_ended(connection, &job.id)?.unwrap_or(0) + 1;
    let rows = rows_of(connection, run, counter)?;
    let piece = Piece::rebuild(&job, u64::try_from(counter).unwrap_or(1), &rows);
    Ok(Context { open: Some(OpenJob { run, job, opened_us, piece }), ..Context::default() })
}

/// Counter of the last piece of a job that was ended, over all its openings.
pub(super) fn last_ended(connection: &Connection, job: &str) -> Result<Option<i64>, StoreFault> {
    let sql = "SELECT max((SELECT piece FROM result WHERE run = j.id AND piece IS NOT NULL AND kind = 'part' \
               ORDER BY piece DESC LIMIT 1)) FROM job_event AS j WHERE j.job = ?1 AND j.kind = 'open'";
    Ok(connection.query_row(sql, [job], |row| row.get(0))?)
}

fn rows_of(connection: &Connection, run: i64, counter: i64) -> Result<Vec<StoredReading>, StoreFault> {
    let mut statement = connection.prepare(
        "SELECT serial, balloon, quantity, gauge, value, unit, outcome, reasons, trace, attempt FROM result \
         WHERE run = ?1 AND piece = ?2 AND kind = 'reading' ORDER BY seq",
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
        })
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}
