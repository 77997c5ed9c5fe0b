//! One request, inside the writer's transaction.

use rusqlite::{OptionalExtension, params};

use super::StoreFault;
use super::files;
use super::growth;
use super::parcel;
use super::record::{Burst, Recorder, Tally};
use super::request::{Answer, What};

/// Does what is asked; the writer commits.
pub(super) fn perform(recorder: &mut Recorder, what: &What) -> Result<Answer, StoreFault> {
    let answer = act(recorder, what)?;
    recorder.context.postings.write(recorder.tx)?;
    Ok(answer)
}

fn act(recorder: &mut Recorder, what: &What) -> Result<Answer, StoreFault> {
    let tx = recorder.tx;
    match what {
        What::Bursts(bursts) => {
            let mut total = Tally::default();
            for burst in bursts {
                let tally = recorder.burst(burst)?;
                total.new += tally.new;
                total.seen += tally.seen;
                total.rejected += tally.rejected;
                total.not_kept += tally.not_kept;
            }
            Ok(Answer::Tally(total))
        }
        What::FileBegin(file) => files::begin(recorder, file).map(|(state, tally)| Answer::File(state, tally)),
        What::FileFrames { file, from, after, frames, last } => {
            files::go_on(recorder, (*file, *last), from, *after, frames).map(Answer::Tally)
        }
        What::Grown(grown) => growth::grow(recorder, grown).map(|(generation, tally)| Answer::Grown(generation, tally)),
        What::FilesArchived(files) => {
            files.iter().try_for_each(|file| files::set_state(recorder, *file, "archived"))?;
            Ok(Answer::Done)
        }
        What::Reread(changes) => recorder.reread(changes),
        What::Label(typed) => recorder.typed(typed).map(Answer::Label),
        What::Job(command) => recorder.job(command).map(Answer::Job),
        What::Decide(decision) => recorder.decision(decision).map(Answer::Label),
        What::Gauge(command) => recorder.gauge_command(command).map(Answer::Label),
        What::Deaf { station, cause, since } => {
            tx.prepare_cached(
                "INSERT INTO coverage (station, cause, from_at, from_us) SELECT ?1, ?2, ?3, ?4 \
                 WHERE NOT EXISTS (SELECT 1 FROM coverage WHERE station = ?1 AND until_us IS NULL \
                 AND cause NOT LIKE 'babbles:%')",
            )?
            .execute(params![station, cause, since.at, since.us])?;
            Ok(Answer::Done)
        }
        What::Listening(station) => listening(recorder, station).map(|()| Answer::Done),
        What::Event { station, code, text, transmission } => {
            event(recorder, station.as_deref(), code, text, *transmission).map(|()| Answer::Done)
        }
        What::Fact { key, value } => {
            tx.prepare_cached(
                "INSERT INTO fact (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
            )?
            .execute(params![key, value])?;
            Ok(Answer::Done)
        }
        What::Damaged(why) => Err(StoreFault::Damaged(why.clone())),
        What::Ping => Ok(Answer::Done),
        What::Alive => {
            recorder.context.postings.close_timed(tx, recorder.plan, recorder.now.us)?;
            recorder.midnight()?;
            let now = recorder.now.clone();
            recorder.end_old_verifications(now.us, &now)?;
            alive(recorder).map(|()| Answer::Done)
        }
        What::Adopt(cell, _) => {
            recorder.context.postings.forget();
            recorder.adopt(cell).map(|()| Answer::Done)
        }
        What::Started(stations) => started(recorder, stations).map(|()| Answer::Done),
        What::Delivered(_) | What::Parked { .. } | What::Waiting { .. } | What::Retry | What::Again { .. } => {
            delivery(recorder, what)
        }
    }
}

/// The last resort where readings could not be written: their bytes are kept, named as damaged, and nothing is
/// lost that a later version could not read again.
pub(super) fn keep_raw(recorder: &mut Recorder, bursts: &[Burst], fault: &StoreFault) -> Result<(), StoreFault> {
    for burst in bursts {
        let mut raw = burst.clone();
        let decoded = &mut raw.heard.decoded;
        decoded.readings.clear();
        decoded.traces.clear();
        decoded.outcome = ridgepost_parsers::Outcome::Damaged;
        decoded.reason = Some(ridgepost_parsers::Reason::Sanity);
        decoded.detail = Some(format!("the store refused its readings: {fault}"));
        recorder.keep(&raw)?;
    }
    recorder.context.postings.write(recorder.tx)
}

fn delivery(recorder: &Recorder, what: &What) -> Result<Answer, StoreFault> {
    let tx = recorder.tx;
    let rows = match what {
        What::Delivered(parcels) => {
            let mut statement = tx.prepare_cached(
                "UPDATE parcel SET state = 'delivered', attempts = attempts + 1, reason = NULL, sha256 = ?2, \
                 delivered_at = ?3 WHERE id = ?1",
            )?;
            for (parcel, sha256) in parcels {
                statement.execute(params![parcel, sha256, recorder.now.at])?;
            }
            parcels.len()
        }
        What::Parked { parcel, reason } => tx
            .prepare_cached("UPDATE parcel SET state = 'parked', attempts = attempts + 1, reason = ?2 WHERE id = ?1")?
            .execute(params![parcel, reason])?,
        What::Waiting { parcel, reason } => tx
            .prepare_cached("UPDATE parcel SET attempts = attempts + 1, reason = ?2 WHERE id = ?1 AND state = 'due'")?
            .execute(params![parcel, reason])?,
        What::Retry => tx.execute(parcel::RETRY, [])?,
        What::Again { from, to } => tx
            .prepare_cached(
                "UPDATE parcel SET state = 'due' WHERE state IN ('delivered', 'parked') AND id IN \
                 (SELECT parcel FROM stretch WHERE last >= ?1 AND first <= ?2)",
            )?
            .execute(params![from, to])?,
        _ => 0,
    };
    Ok(Answer::Count(rows as u64))
}

pub(super) fn event(
    recorder: &Recorder,
    station: Option<&str>,
    code: &str,
    text: &str,
    transmission: Option<i64>,
) -> Result<(), StoreFault> {
    recorder
        .tx
        .prepare_cached(
            "INSERT INTO event (at, at_us, station, code, text, transmission) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )?
        .execute(params![recorder.now.at, recorder.now.us, station, code, text, transmission])?;
    Ok(())
}

/// A station's gap ends. None ends before it begins: where the clock was set back meanwhile, it has no length and says so.
fn listening(recorder: &Recorder, station: &str) -> Result<(), StoreFault> {
    recorder
        .tx
        .prepare_cached(
            "UPDATE coverage SET until_at = ?2, until_us = ?3 WHERE station = ?1 AND until_us IS NULL \
             AND cause NOT LIKE 'babbles:%' AND from_us <= ?3",
        )?
        .execute(params![station, recorder.now.at, recorder.now.us])?;
    recorder
        .tx
        .prepare_cached(
            "UPDATE coverage SET until_at = from_at, until_us = from_us, \
             cause = cause || '; the clock was set back meanwhile, it ended at ' || ?2 \
             WHERE station = ?1 AND until_us IS NULL AND cause NOT LIKE 'babbles:%'",
        )?
        .execute(params![station, recorder.now.at])?;
    Ok(())
}

fn alive(recorder: &Recorder) -> Result<(), StoreFault> {
    recorder
        .tx
        .prepare_cached(
            "INSERT INTO fact (key, value) VALUES ('alive_at', ?1), ('alive_us', ?2) \
             ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        )?
        .execute(params![recorder.now.at, recorder.now.us.to_string()])?;
    Ok(())
}

/// Nobody listened between the last sign of life and now: every station gets a gap that ends when it listens.
fn started(recorder: &Recorder, stations: &[String]) -> Result<(), StoreFault> {
    // What was received after the last sign of life is a later one.
    let sql = "SELECT at, us FROM (SELECT at.value AS at, CAST(us.value AS INTEGER) AS us FROM fact AS at, fact AS us \
               WHERE at.key = 'alive_at' AND us.key = 'alive_us' UNION ALL \
               SELECT received_at, received_us FROM transmission WHERE id = (SELECT max(id) FROM transmission)) \
               ORDER BY us DESC LIMIT 1";
    let last =
        recorder.tx.query_row(sql, [], |row| Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?))).optional()?;
    let cause = match recorder.restored {
        true => "the store was restored: what was recorded since is not in it",
        false => "ridgepost was not running",
    };
    for station in stations {
        let Some((at, us)) = &last else { break };
        recorder
            .tx
            .prepare_cached(
                "INSERT INTO coverage (station, cause, from_at, from_us) SELECT ?1, ?4, ?2, ?3 \
                 WHERE NOT EXISTS (SELECT 1 FROM coverage WHERE station = ?1 AND until_us IS NULL \
                 AND cause NOT LIKE 'babbles:%')",
            )?
            .execute(params![station, at, us, cause])?;
    }
    alive(recorder)
}
