//! Files that grow: rows and how far they are taken are written in one transaction, so each row is taken once whatever
//! happens in between.

use std::collections::BTreeMap;
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, params};

use super::StoreFault;
use super::record::{Heard, Provenance, Recorder, Tally, sha256};
use super::taken::Taken;
use super::weaken::Weakened;
use crate::clock::Stamp;

/// How far a file is taken.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Growth {
    /// Which writing of the file this is, by the key of its first transmission; none before that one.
    pub generation: Option<i64>,
    /// Bytes taken.
    pub last: u64,
    /// SHA-256 of these.
    pub sha256: String,
    /// The file system's number for the file.
    pub inode: u64,
    /// The writing whose rows stand in this one again.
    pub before: Option<i64>,
    /// Up to which byte they may.
    pub until: u64,
}

/// Rows of a file that grows.
#[derive(Clone, Debug)]
pub struct Grown {
    /// Origin of the transmission.
    pub origin: String,
    /// Which station found them.
    pub station: Arc<ridgepost_config::Station>,
    /// Name of the file.
    pub name: String,
    /// When they were read.
    pub received: Stamp,
    /// When their readings were taken.
    pub taken: Taken,
    /// Where they begin in the file.
    pub first: u64,
    /// How far the file is taken with them.
    pub growth: Growth,
    /// Their bytes; none where a file goes on under another name.
    pub raw: Vec<u8>,
    /// Those that were not recorded before.
    pub frames: Vec<Heard>,
}

/// Writes rows, and how far their file is taken. Refused where the rows before them are not the last ones taken.
pub(super) fn grow(recorder: &mut Recorder, grown: &Grown) -> Result<(i64, Tally), StoreFault> {
    let (station, growth) = (&grown.station, &grown.growth);
    let last: Option<(i64, i64)> = match growth.generation {
        None => None,
        Some(generation) => recorder
            .tx
            .prepare_cached(
                "SELECT last, transmission FROM growth WHERE station = ?1 AND generation = ?2 ORDER BY last DESC, id DESC LIMIT 1",
            )?
            .query_row(params![station.name, generation], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?,
    };
    let first = number(grown.first);
    if last.map_or(0, |(last, _)| last) != first {
        return Err(StoreFault::Gap);
    }
    let (transmission, tally) = match (&grown.raw[..], last) {
        ([], Some((_, transmission))) => (transmission, Tally::default()),
        (raw, _) => {
            let bytes = (&*sha256(raw), raw);
            let transmission = recorder.transmission(&grown.origin, station, &grown.name, &grown.received, bytes)?;
            let (station, received) = (Arc::clone(station), grown.received.clone());
            let place = Arc::new(station.source.place(&grown.name));
            let from = Provenance { transmission, station, received, taken: grown.taken, place };
            (transmission, recorder.frames(&from, &grown.frames)?)
        }
    };
    let generation = growth.generation.unwrap_or(transmission);
    recorder
        .tx
        .prepare_cached(
            "INSERT INTO growth (station, name, generation, first, last, sha256, inode, before, until, transmission) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        )?
        .execute(params![
            station.name,
            grown.name,
            generation,
            first,
            number(growth.last),
            growth.sha256,
            growth.inode.cast_signed(),
            growth.before,
            number(growth.until),
            transmission
        ])?;
    Ok((generation, tally))
}

fn number(bytes: u64) -> i64 {
    i64::try_from(bytes).unwrap_or(i64::MAX)
}

/// How far each file of a station is taken, by name.
pub fn growths(store: &Connection, station: &str) -> Result<BTreeMap<String, Growth>, StoreFault> {
    if Weakened::from_environment() == Weakened::ForgetGrowth {
        return Ok(BTreeMap::new());
    }
    let mut statement = store.prepare(
        "SELECT name, generation, last, sha256, inode, before, until FROM growth WHERE id IN \
         (SELECT max(id) FROM growth WHERE station = ?1 GROUP BY name)",
    )?;
    let unsigned = |row: &rusqlite::Row, at| row.get::<_, i64>(at).map(|it| u64::try_from(it).unwrap_or(0));
    let rows = statement.query_map([station], |row| {
        let growth = Growth {
            generation: Some(row.get(1)?),
            last: unsigned(row, 2)?,
            sha256: row.get(3)?,
            inode: row.get::<_, i64>(4)?.cast_unsigned(),
            before: row.get(5)?,
            until: unsigned(row, 6)?,
        };
        Ok((row.get(0)?, growth))
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Hands out the bytes of one writing of a file in their order, piece by piece; the writing before it, if it says one.
pub fn generation(
    store: &Connection,
    generation: i64,
    piece: &mut dyn FnMut(&[u8]),
) -> Result<Option<i64>, StoreFault> {
    let mut statement = store.prepare(
        "SELECT t.raw, g.before FROM growth AS g JOIN transmission AS t ON t.id = g.transmission \
         WHERE g.generation = ?1 AND g.last > g.first ORDER BY g.first, g.id",
    )?;
    let mut rows = statement.query([generation])?;
    let mut before = None;
    while let Some(row) = rows.next()? {
        piece(row.get_ref(0)?.as_blob().unwrap_or_default());
        before = row.get(1)?;
    }
    Ok(before)
}

/// SHA-256 and length of what was recorded of a file as a whole, before its rows were taken one by one.
pub fn recorded_whole(store: &Connection, station: &str, name: &str) -> Result<Option<(String, u64)>, StoreFault> {
    let sql = "SELECT f.sha256, length(t.raw) FROM file AS f JOIN transmission AS t ON t.id = f.transmission \
               WHERE f.station = ?1 AND f.name = ?2 AND f.state <> 'recording' ORDER BY f.id DESC LIMIT 1";
    let row = store.query_row(sql, [station, name], |row| Ok((row.get(0)?, row.get::<_, i64>(1)?))).optional()?;
    Ok(row.map(|(sha256, length)| (sha256, u64::try_from(length).unwrap_or(0))))
}
