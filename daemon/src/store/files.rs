//! Files of folder stations: known by content, recorded batch by batch, a repeat noted and not counted.

use std::sync::Arc;

use ridgepost_config::Place;
use rusqlite::{OptionalExtension, params};

use super::StoreFault;
use super::perform::event;
use super::record::{Heard, Provenance, Recorder, Tally};
use super::request::{FileBegin, FileState};

/// What is known of a file; a new one is begun with its first frames.
pub(super) fn begin(recorder: &mut Recorder, file: &FileBegin) -> Result<(FileState, Tally), StoreFault> {
    if let Some(state) = known_file(recorder, file)? {
        return Ok((state, Tally::default()));
    }
    let station = &file.station.name;
    let place = file.station.source.place(&file.name);
    let twins: Vec<(i64, String)> = recorder
        .tx
        .prepare_cached(
            "SELECT transmission, name FROM file WHERE station = ?1 AND sha256 = ?2 AND state IN ('recorded', 'archived')",
        )?
        .query_map(params![station, file.sha256], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<_, _>>()?;
    // The same bytes of another part are another measurement.
    let twin = twins.into_iter().find(|(_, name)| file.station.source.place(name) == place);
    if let Some((transmission, _)) = twin {
        let id = insert_file(recorder, file, transmission, "repeat")?;
        let text = format!("{} holds the same bytes as transmission {transmission}: noted, not counted", file.name);
        event(recorder, Some(station), "repeat", &text, Some(transmission))?;
        return Ok((FileState::Repeat { file: id, transmission }, Tally::default()));
    }
    let known = continued(recorder, file)?;
    let transmission =
        recorder.transmission(&file.origin, &file.station, &file.name, &file.received, (&file.sha256, &file.raw))?;
    let id = insert_file(recorder, file, transmission, if file.last { "recorded" } else { "recording" })?;
    let from = Provenance {
        transmission,
        station: Arc::clone(&file.station),
        received: file.received.clone(),
        taken: file.taken,
        place: Arc::new(place),
    };
    let fresh: Vec<Heard> = file.frames.iter().filter(|heard| heard.number > known).cloned().collect();
    let tally = recorder.frames(&from, &fresh)?;
    let done = file.frames.last().map_or(0, |heard| heard.number).max(known);
    Ok((FileState::Begun { file: id, transmission, done }, tally))
}

/// How many leading frames of a file are recorded already, because it begins with every byte of an earlier file of its
/// name: an exporter that adds rows to one file. What was cut short at the end of the earlier one is read anew.
fn continued(recorder: &Recorder, file: &FileBegin) -> Result<u32, StoreFault> {
    let earlier: Option<(i64, i64)> = recorder
        .tx
        .prepare_cached(
            "SELECT f.transmission, length(t.raw) FROM file AS f JOIN transmission AS t ON t.id = f.transmission \
             WHERE f.station = ?1 AND f.name = ?2 AND f.state IN ('recorded', 'archived') ORDER BY f.id DESC LIMIT 1",
        )?
        .query_row(params![file.station.name, file.name], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let Some((transmission, bytes)) = earlier else { return Ok(0) };
    let beginning = usize::try_from(bytes).ok().and_then(|bytes| file.raw.get(..bytes));
    let Some(beginning) = beginning else { return Ok(0) };
    let goes_on = recorder
        .tx
        .prepare_cached("SELECT raw FROM transmission WHERE id = ?1")?
        .query_row([transmission], |row| Ok(row.get_ref(0)?.as_blob().is_ok_and(|raw| raw == beginning)))?;
    if !goes_on {
        return Ok(0);
    }
    let known = known_frames(recorder, transmission)?;
    let text = format!("{} goes on from transmission {transmission}: {known} records are known", file.name);
    event(recorder, Some(&file.station.name), "continued", &text, Some(transmission))?;
    Ok(known)
}

/// Number of the last frame of a transmission that more bytes behind it can't change. Only a last frame with readings
/// is surely whole; frames before the first one written were known from an earlier transmission still.
fn known_frames(recorder: &Recorder, transmission: i64) -> Result<u32, StoreFault> {
    let sql = "SELECT min(first), max(last) FROM (SELECT number AS first, number AS last FROM single_frame \
               WHERE transmission = ?1 UNION ALL SELECT first, last FROM frame_page WHERE transmission = ?1)";
    let (first, last): (Option<u32>, Option<u32>) =
        recorder.tx.query_row(sql, [transmission], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let (Some(first), Some(last)) = (first, last) else { return Ok(0) };
    let sql = "SELECT outcome = 'accepted' AND coalesce(json_array_length(report, '$.readings'), 0) > 0 FROM single_frame \
               WHERE transmission = ?1 AND number = ?2 UNION ALL \
               SELECT coalesce(json_array_length(body, '$[#-1].readings'), 0) > 0 FROM frame_page \
               WHERE transmission = ?1 AND last = ?2";
    let whole: bool = recorder.tx.query_row(sql, [transmission, i64::from(last)], |row| row.get(0))?;
    Ok(if whole { last } else { last.saturating_sub(1).max(first.saturating_sub(1)) })
}

/// Writes more frames of a file, which is recorded with its last ones; not where those before them are missing.
pub(super) fn go_on(
    recorder: &mut Recorder,
    (file, last): (i64, bool),
    from: &Provenance,
    after: u32,
    frames: &[Heard],
) -> Result<Tally, StoreFault> {
    if last_frame(recorder, from.transmission)? < after {
        return Err(StoreFault::Gap);
    }
    let tally = recorder.frames(from, frames)?;
    if last {
        set_state(recorder, file, "recorded")?;
    }
    Ok(tally)
}

/// Number of the last frame of a transmission that is written; 0 where none is.
fn last_frame(recorder: &Recorder, transmission: i64) -> Result<u32, StoreFault> {
    let sql = "SELECT max(coalesce((SELECT max(number) FROM single_frame WHERE transmission = ?1), 0), \
               coalesce((SELECT max(last) FROM frame_page WHERE transmission = ?1 AND first = \
               (SELECT max(first) FROM frame_page WHERE transmission = ?1)), 0))";
    Ok(recorder.tx.prepare_cached(sql)?.query_row([transmission], |row| row.get(0))?)
}

/// This very file (station, name, fingerprint, bytes), if the store has it.
fn known_file(recorder: &Recorder, file: &FileBegin) -> Result<Option<FileState>, StoreFault> {
    let row = recorder
        .tx
        .prepare_cached(
            "SELECT id, transmission, state FROM file \
             WHERE station = ?1 AND name = ?2 AND fingerprint = ?3 AND sha256 = ?4",
        )?
        .query_row(params![file.station.name, file.name, file.fingerprint, file.sha256], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, String>(2)?))
        })
        .optional()?;
    let Some((id, transmission, state)) = row.or(begun_elsewhere(recorder, file)?) else { return Ok(None) };
    if state != "recording" {
        return Ok(Some(FileState::Recorded { file: id }));
    }
    let done = last_frame(recorder, transmission)?;
    Ok(Some(FileState::Begun { file: id, transmission, done }))
}

/// A file that an earlier run began to record and did not end, under another name or time by now: the same bytes go
/// on where they were left.
fn begun_elsewhere(recorder: &Recorder, file: &FileBegin) -> Result<Option<(i64, i64, String)>, StoreFault> {
    // Where names say what files are of, another name is another file.
    let any_name = file.station.source.place(&file.name) == Place::default();
    Ok(recorder
        .tx
        .prepare_cached(
            "UPDATE OR REPLACE file SET name = ?3, fingerprint = ?4 WHERE id = (SELECT min(id) FROM file \
             WHERE station = ?1 AND sha256 = ?2 AND state = 'recording' AND (?5 OR name = ?3)) \
             RETURNING id, transmission, state",
        )?
        .query_row(params![file.station.name, file.sha256, file.name, file.fingerprint, any_name], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })
        .optional()?)
}

fn insert_file(recorder: &Recorder, file: &FileBegin, transmission: i64, state: &str) -> Result<i64, StoreFault> {
    Ok(recorder
        .tx
        .prepare_cached(
            "INSERT INTO file (station, name, fingerprint, sha256, transmission, state) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT (station, name, fingerprint) DO UPDATE SET \
             sha256 = excluded.sha256, transmission = excluded.transmission, state = excluded.state RETURNING id",
        )?
        .query_row(
            params![file.station.name, file.name, file.fingerprint, file.sha256, transmission, state],
            |row| row.get(0),
        )?)
}

/// Notes what became of a file; a repeat stays one.
pub(super) fn set_state(recorder: &Recorder, file: i64, state: &str) -> Result<(), StoreFault> {
    recorder
        .tx
        .prepare_cached("UPDATE file SET state = ?2 WHERE id = ?1 AND state <> 'repeat'")?
        .execute(params![file, state])?;
    Ok(())
}
