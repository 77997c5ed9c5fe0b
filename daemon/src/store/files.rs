//! Files of folder stations: known by content, recorded batch by batch, a repeat noted and not counted.

use std::sync::Arc;

use rusqlite::{OptionalExtension, params};

use super::StoreFault;
use super::perform::event;
use super::record::{Provenance, Recorder, Tally};
use super::request::{FileBegin, FileState};

/// What is known of a file; a new one is begun with its first frames.
pub(super) fn begin(recorder: &mut Recorder, file: &FileBegin) -> Result<(FileState, Tally), StoreFault> {
    if let Some(state) = known_file(recorder, file)? {
        return Ok((state, Tally::default()));
    }
    let station = &file.station.name;
    let twin: Option<i64> = recorder
        .tx
        .prepare_cached(
            "SELECT transmission FROM file WHERE station = ?1 AND sha256 = ?2 AND state IN ('recorded', 'archived') \
             LIMIT 1",
        )?
        .query_row(params![station, file.sha256], |row| row.get(0))
        .optional()?;
    if let Some(transmission) = twin {
        let id = insert_file(recorder, file, transmission, "repeat")?;
        let text = format!("{} holds the same bytes as transmission {transmission}: noted, not counted", file.name);
        event(recorder, Some(station), "repeat", &text, Some(transmission))?;
        return Ok((FileState::Repeat { file: id, transmission }, Tally::default()));
    }
    let transmission = recorder.transmission(&file.origin, &file.station, &file.name, &file.received, &file.raw)?;
    let id = insert_file(recorder, file, transmission, if file.last { "recorded" } else { "recording" })?;
    let from = Provenance {
        transmission,
        station: Arc::clone(&file.station),
        received: file.received.clone(),
        taken: file.taken,
    };
    let tally = recorder.frames(&from, &file.frames)?;
    let done = file.frames.last().map_or(0, |heard| heard.number);
    Ok((FileState::Begun { file: id, transmission, done }, tally))
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
    let Some((id, transmission, state)) = row else { return Ok(None) };
    if state != "recording" {
        return Ok(Some(FileState::Recorded { file: id }));
    }
    let done = recorder.tx.query_row(
        "SELECT coalesce(max(number), 0) FROM frame WHERE transmission = ?1",
        [transmission],
        |row| row.get(0),
    )?;
    Ok(Some(FileState::Begun { file: id, transmission, done }))
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
