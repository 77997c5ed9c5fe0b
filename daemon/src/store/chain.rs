//! A hash chain over results and corrections: what was written can't be changed, taken out or put in between unnoticed.
//!
//! Each transaction seals the rows that it adds: SHA-256 (FIPS 180-4) over the seal before it and everything these rows say, with
//! what they share, the hash of their bytes and the decision that made them. The seal stands in the last of the rows. It
//! has no key: who may write the store can seal it anew, so its head has to be noted elsewhere from time to time (the
//! digest of each day names it).

use std::collections::HashMap;
use std::sync::Arc;

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row};
use sha2::{Digest, Sha256};

use super::{StoreFault, hex};

/// Hashes of rows of `basis` that are remembered; beyond, remembering begins anew.
const REMEMBERED: usize = 4_096;
/// Rows that are looked at in one go.
const STRETCH: i64 = 20_000;
/// Where the chain of a store begins that was made before there was one: nothing is said of rows up to this number.
const FROM: &str = "chain_from";

type Hash = [u8; 32];

/// The end of the chain, and what is remembered to go on with it.
#[derive(Clone, Debug, Default)]
pub(super) struct Chain {
    /// Number of the last sealed row with its seal; none before the first look.
    head: Option<(i64, Hash)>,
    bases: Arc<HashMap<i64, Hash>>,
}

const ENTRIES: &str = "SELECT e.basis, e.transmission, e.seq, e.received_at, e.received_us, e.measured_at, e.serial, e.run, e.piece, \
    e.value, e.value_as_sent, e.trace, e.attempt, e.frame, e.field, e.context, e.supersedes, e.root, d.id, d.at, d.at_us, d.kind, \
    d.by_whom, d.reason, d.body, e.chain FROM entry AS e LEFT JOIN decided AS of ON of.seq = e.seq \
    LEFT JOIN decision AS d ON d.id = of.decision WHERE e.seq > ?1 AND e.seq <= ?2 ORDER BY e.seq";
/// What of that is sealed: all but the keys in front, whose rows are hashed themselves, and the seal.
const SEALED: std::ops::Range<usize> = 2..25;
const SEAL: usize = 25;

const BASIS: &str = "SELECT store_id, kind, clock_synced, cell, station, gauge, operator, job, part_number, revision, operation, \
    cycle, mode, balloon, feature, quantity, unit, unit_as_sent, mark, lower, upper, rule, outcome, reasons, cutoff_mm, \
    sections, lambda_s_um, filter, standard, conditions_source, gauge_state, instrument_verdict, job_hash, program_version \
    FROM basis WHERE id = ?1";

/// Goes over rows in their order, seal by seal.
struct Walk<'c> {
    connection: &'c Connection,
    bases: Arc<HashMap<i64, Hash>>,
    /// The transmission at hand, and the hash of its bytes.
    bytes: Option<(i64, Vec<u8>)>,
    hasher: Sha256,
}

impl Walk<'_> {
    fn take(&mut self, row: &Row) -> Result<(), StoreFault> {
        let basis = self.basis(row.get(0)?)?;
        self.hasher.update(basis);
        if let Some(transmission) = row.get::<_, Option<i64>>(1)? {
            self.transmission(transmission)?;
        }
        for at in SEALED {
            add(&mut self.hasher, row.get_ref(at)?);
        }
        Ok(())
    }

    fn basis(&mut self, id: i64) -> Result<Hash, StoreFault> {
        if let Some(known) = self.bases.get(&id) {
            return Ok(*known);
        }
        let mut hasher = Sha256::new();
        let mut statement = self.connection.prepare_cached(BASIS)?;
        let columns = statement.column_count();
        let mut rows = statement.query([id])?;
        if let Some(row) = rows.next()? {
            (0..columns).try_for_each(|at| row.get_ref(at).map(|value| add(&mut hasher, value)))?;
        }
        let hash = hasher.finalize().into();
        let known = Arc::make_mut(&mut self.bases);
        if known.len() >= REMEMBERED {
            known.clear();
        }
        known.insert(id, hash);
        Ok(hash)
    }

    fn transmission(&mut self, id: i64) -> Result<(), StoreFault> {
        if self.bytes.as_ref().is_none_or(|(known, _)| *known != id) {
            let sql = "SELECT sha256 FROM transmission WHERE id = ?1";
            let sha256: Option<String> =
                self.connection.prepare_cached(sql)?.query_row([id], |row| row.get(0)).optional()?;
            self.bytes = Some((id, sha256.unwrap_or_default().into_bytes()));
        }
        if let Some((_, sha256)) = &self.bytes {
            self.hasher.update(id.to_le_bytes());
            add(&mut self.hasher, ValueRef::Text(sha256));
        }
        Ok(())
    }

    /// Ends a stretch with its seal; the next one goes on behind it.
    fn seal(&mut self) -> Hash {
        let seal: Hash = std::mem::take(&mut self.hasher).finalize().into();
        self.hasher.update(seal);
        seal
    }
}

/// A value with its kind and its length, so that neighbours can't flow into one another.
fn add(hasher: &mut Sha256, value: ValueRef) {
    let mut bytes = |kind: u8, bytes: &[u8]| {
        hasher.update([kind]);
        hasher.update((bytes.len() as u64).to_le_bytes());
        hasher.update(bytes);
    };
    match value {
        ValueRef::Null => bytes(b'-', &[]),
        ValueRef::Integer(number) => bytes(b'i', &number.to_le_bytes()),
        ValueRef::Real(number) => bytes(b'r', &number.to_le_bytes()),
        ValueRef::Text(text) => bytes(b't', text),
        ValueRef::Blob(blob) => bytes(b'b', blob),
    }
}

/// Seals what the transaction at hand added.
pub(super) fn seal(connection: &Connection, chain: &mut Chain) -> Result<(), StoreFault> {
    let (behind, before) = match chain.head {
        Some(head) => head,
        None => last(connection)?,
    };
    let mut walk = Walk { connection, bases: Arc::clone(&chain.bases), bytes: None, hasher: Sha256::new() };
    walk.hasher.update(before);
    let mut end = behind;
    {
        let mut statement = connection.prepare_cached(ENTRIES)?;
        let mut rows = statement.query([behind, i64::MAX])?;
        while let Some(row) = rows.next()? {
            walk.take(row)?;
            end = row.get(2)?;
        }
    }
    chain.head = Some((behind, before));
    if end > behind {
        let seal = walk.seal();
        connection.prepare_cached("UPDATE entry SET chain = ?2 WHERE seq = ?1")?.execute((end, &seal[..]))?;
        chain.head = Some((end, seal));
    }
    chain.bases = walk.bases;
    Ok(())
}

/// Number of the last sealed row and its seal; where the chain begins and no seal where there is none yet.
fn last(connection: &Connection) -> Result<(i64, Hash), StoreFault> {
    let sql = "SELECT seq, chain FROM entry WHERE chain IS NOT NULL ORDER BY seq DESC LIMIT 1";
    let last: Option<(i64, Vec<u8>)> =
        connection.query_row(sql, [], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
    match last {
        // One of another length was written by somebody else; whoever looks will find it.
        Some((seq, seal)) => Ok((seq, seal.try_into().unwrap_or_default())),
        None => Ok((begins(connection)?, Hash::default())),
    }
}

fn begins(connection: &Connection) -> Result<i64, StoreFault> {
    let sql = "SELECT CAST(value AS INTEGER) FROM fact WHERE key = ?1";
    Ok(connection.query_row(sql, [FROM], |row| row.get(0)).optional()?.unwrap_or(0))
}

/// The last sealed row that was received before a time (microseconds since 1970), with its seal in hexadecimal digits.
pub fn seal_before(connection: &Connection, us: i64) -> Result<Option<(i64, String)>, StoreFault> {
    let sql = "SELECT seq, chain FROM entry WHERE chain IS NOT NULL AND received_us < ?1 ORDER BY seq DESC LIMIT 1";
    let found = connection.query_row(sql, [us], |row| Ok((row.get(0)?, hex(&row.get::<_, Vec<u8>>(1)?))));
    Ok(found.optional()?)
}

/// What a look along the chain found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Looked {
    /// Rows that were looked at.
    pub rows: u64,
    /// Rows that were written before there was a chain.
    pub before: i64,
    /// Number of the last sealed row, and its seal in hexadecimal digits.
    pub head: Option<(i64, String)>,
    /// Stretches of rows that are not what was sealed: behind the first number, up to the second one.
    pub broken: Vec<(i64, i64)>,
}

/// Stretches that are named; more of them say nothing more.
const NAMED: usize = 10;

/// Looks along the chain: at all of it, or at so many of its last rows.
pub fn look(connection: &Connection, newest: Option<i64>) -> Result<Looked, StoreFault> {
    let last: i64 = connection.query_row("SELECT coalesce(max(seq), 0) FROM entry", [], |row| row.get(0))?;
    let start = begins(connection)?;
    let mut looked = Looked { before: start, ..Looked::default() };
    let (mut behind, mut before) = (start, Hash::default());
    if let Some(newest) = newest.filter(|newest| last - newest > start) {
        let sql = "SELECT seq, chain FROM entry WHERE chain IS NOT NULL AND seq <= ?1 ORDER BY seq DESC LIMIT 1";
        let from: Option<(i64, Vec<u8>)> =
            connection.query_row(sql, [last - newest], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
        if let Some((seq, seal)) = from {
            (behind, before) = (seq, seal.try_into().unwrap_or_default());
        }
    }
    let mut walk = Walk { connection, bases: Arc::default(), bytes: None, hasher: Sha256::new() };
    walk.hasher.update(before);
    let mut open = behind;
    let mut statement = connection.prepare(ENTRIES)?;
    while behind < last {
        let to = behind.saturating_add(STRETCH).min(last);
        let mut rows = statement.query([behind, to])?;
        while let Some(row) = rows.next()? {
            looked.rows += 1;
            walk.take(row)?;
            let Some(kept) = row.get::<_, Option<Vec<u8>>>(SEAL)? else { continue };
            let seq: i64 = row.get(2)?;
            if walk.seal()[..] != kept[..] {
                if looked.broken.len() < NAMED {
                    looked.broken.push((open, seq));
                }
                // The chain goes on with what stands there, so that one break is told once.
                walk.hasher = Sha256::new();
                walk.hasher.update(&kept);
            }
            (open, looked.head) = (seq, Some((seq, hex(&kept))));
        }
        behind = to;
    }
    if open < last && looked.broken.len() < NAMED {
        looked.broken.push((open, last));
    }
    Ok(looked)
}
