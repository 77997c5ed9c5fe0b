//! What is due on the piece being measured, told by the rows of the pieces before it in the same opening of the job.

use ridgepost_config::{Characteristic, Job};
use ridgepost_judge::{self as judge, History, Kind, Outcome};
use rusqlite::{Connection, OptionalExtension, params};
use serde_json::{Value as Json, json};

use super::StoreFault;
use super::record::Recorder;
use super::standing::Standing;

/// Microseconds of a minute.
const MINUTE_US: i64 = 60_000_000;

/// Whether a characteristic was decided on a piece.
const DECIDED: &str = "SELECT 1 FROM result WHERE run = ?1 AND piece = ?2 AND kind = 'verdict' AND balloon = ?3";

/// Whether each characteristic is due on the piece with this counter, begun at this time (microseconds since 1970); empty
/// where the job asks for all of them on every piece.
pub(super) fn due(
    connection: &Connection,
    job: &Job,
    (run, counter): (i64, u64),
    at_us: i64,
) -> Result<Vec<bool>, StoreFault> {
    if job.characteristics.iter().all(|characteristic| characteristic.sampling.is_none()) {
        return Ok(Vec::new());
    }
    let pieces = before(connection, run, counter)?;
    let is_due = |characteristic: &Characteristic| {
        let history = history(connection, characteristic, (run, counter), (pieces, at_us))?;
        Ok(judge::is_due(characteristic.sampling.as_ref(), &history))
    };
    job.characteristics.iter().map(is_due).collect()
}

/// What is still due on the piece of the open job that is or will be measured, and for how many minutes it has been overdue,
/// as JSON for people; nothing where the job asks for everything on every piece.
pub fn still_due(connection: &Connection, job: &Job, piece: (i64, u64), now_us: i64) -> Result<Vec<Json>, StoreFault> {
    let begun_us = begun_us(connection, piece.0, piece.1)?;
    let due = due(connection, job, piece, begun_us.unwrap_or(now_us))?;
    let mut found = Vec::new();
    for (characteristic, _) in job.characteristics.iter().zip(due).filter(|(_, due)| *due) {
        let counter = i64::try_from(piece.1).unwrap_or(i64::MAX);
        if connection.prepare_cached(DECIDED)?.exists(params![piece.0, counter, characteristic.balloon])? {
            continue;
        }
        let history = history(connection, characteristic, piece, (1, now_us))?;
        let limit = characteristic.sampling.and_then(|sampling| sampling.minutes).map(i64::from);
        let overdue = limit.zip(history.minutes_ago).map(|(limit, ago)| ago - limit).filter(|over| *over >= 0);
        found.push(json!({ "balloon": characteristic.balloon, "overdue_minutes": overdue }));
    }
    Ok(found)
}

/// Pieces of this opening before one.
fn before(connection: &Connection, run: i64, counter: u64) -> Result<u64, StoreFault> {
    let sql = "SELECT min(piece) FROM entry WHERE run = ?1 AND piece IS NOT NULL";
    let first: Option<i64> = connection.prepare_cached(sql)?.query_row([run], |row| row.get(0))?;
    Ok(first.and_then(|first| u64::try_from(first).ok()).map_or(0, |first| counter.saturating_sub(first)))
}

/// What is known of one characteristic from the verdicts before, as they stand.
fn history(
    connection: &Connection,
    characteristic: &Characteristic,
    (run, counter): (i64, u64),
    (pieces, at_us): (u64, i64),
) -> Result<History, StoreFault> {
    let sql = "SELECT piece, received_us, outcome FROM (SELECT v.piece, v.received_us, coalesce((SELECT c.outcome FROM result AS c \
               WHERE c.root = v.seq ORDER BY c.seq DESC LIMIT 1), v.outcome) AS outcome FROM result AS v \
               WHERE v.run = ?1 AND v.piece < ?2 AND v.kind = 'verdict' AND v.balloon = ?3 ORDER BY v.piece DESC) \
               WHERE outcome <> 'unjudged' LIMIT ?4";
    let Some(sampling) = characteristic.sampling else { return Ok(History::default()) };
    let counter_before = i64::try_from(counter).unwrap_or(i64::MAX);
    let mut statement = connection.prepare_cached(sql)?;
    let rows = statement
        .query_map(params![run, counter_before, characteristic.balloon, sampling.tightened.max(1)], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, String>(2)?))
        })?;
    let rows = rows.collect::<Result<Vec<_>, _>>()?;
    let last = rows.first();
    Ok(History {
        pieces,
        pieces_ago: last.map(|(piece, ..)| counter.saturating_sub(u64::try_from(*piece).unwrap_or(0))),
        minutes_ago: last.map(|(_, us, _)| at_us.saturating_sub(*us).div_euclid(MINUTE_US)),
        outcomes: rows.iter().filter_map(|(.., outcome)| Outcome::parse(outcome)).collect(),
    })
}

/// When the first reading of a piece came; `None` where it has none.
pub(super) fn begun_us(connection: &Connection, run: i64, counter: u64) -> Result<Option<i64>, StoreFault> {
    let sql = "SELECT received_us FROM entry WHERE run = ?1 AND piece = ?2 ORDER BY seq LIMIT 1";
    let piece = i64::try_from(counter).unwrap_or(i64::MAX);
    Ok(connection.prepare_cached(sql)?.query_row(params![run, piece], |row| row.get(0)).optional()?)
}

/// What was due on a piece that was told, by the part row that stands.
pub(super) fn due_then(job: &Job, all: &[Standing]) -> Option<Vec<bool>> {
    let part = all.iter().rfind(|standing| standing.about == Kind::Part)?;
    Some(judge::due_by(job, &part.row.reasons))
}

/// Balloons that are due on last pieces and were not decided on the last one of this opening.
pub(super) fn lacking_at_the_end(connection: &Connection, job: &Job, run: i64) -> Result<Vec<String>, StoreFault> {
    let wanted = job.characteristics.iter().filter(|it| it.sampling.is_some_and(|sampling| sampling.last));
    let sql = "SELECT max(piece) FROM entry WHERE run = ?1 AND piece IS NOT NULL";
    let last: Option<i64> = connection.prepare_cached(sql)?.query_row([run], |row| row.get(0))?;
    let Some(last) = last else { return Ok(Vec::new()) };
    let mut lacking = Vec::new();
    for characteristic in wanted {
        if !connection.prepare_cached(DECIDED)?.exists(params![run, last, characteristic.balloon])? {
            lacking.push(characteristic.balloon.clone());
        }
    }
    Ok(lacking)
}

impl Recorder<'_> {
    /// Settles what is due on the piece that begins; what is due on the one behind it.
    pub(super) fn settle_due(&mut self, at_us: i64) -> Result<Vec<bool>, StoreFault> {
        let Some(open) = self.context.open.as_mut() else { return Ok(Vec::new()) };
        if open.piece.is_untouched() {
            open.piece.due = due(self.tx, &open.job, (open.run, open.piece.counter), at_us)?;
        }
        due(self.tx, &open.job, (open.run, open.piece.counter.saturating_add(1)), at_us)
    }
}
