//! Numbers are given out once, whatever happens to the store's file.
//!
//! `seq` rises per cell, and result files are named by it. A store that is restored from a copy, or begun anew after
//! damage, would give numbers out again under which other results have left long ago. So a small file beside the store
//! (`store.db.numbers`) says up to where numbers may have been given out, in blocks, and which opening of which file was
//! the last one. A store that is not that one goes on *behind* those numbers and under a new id.

use std::fs::{self, File};
use std::io::{ErrorKind, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension, Transaction, params};
use serde::{Deserialize, Serialize};

use super::StoreFault;

/// Numbers set aside at a time: what a restored store skips at most where the file beside it can be believed.
const BLOCK: i64 = 10_000;
/// Numbers skipped where nothing says how many were given out.
const UNKNOWN: i64 = 1_000_000;

/// Fact of a store that `ridgepost backup` made: when.
pub const COPIED_AT: &str = "copied_at";
/// Fact of a store that a daemon has written: how often it was opened.
pub const OPENING: &str = "opening";

/// Numbers of the two rows that others refer to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Last {
    result: i64,
    transmission: i64,
}

impl Last {
    fn plus(self, more: i64) -> Last {
        Last { result: self.result + more, transmission: self.transmission + more }
    }

    fn or_more(self, other: Last) -> Last {
        Last { result: self.result.max(other.result), transmission: self.transmission.max(other.transmission) }
    }
}

/// What stands in the file beside the store.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Mark {
    store_id: String,
    /// Counts the openings for writing.
    opening: u64,
    /// The opening is noted here and perhaps not yet in the store.
    pending: bool,
    /// No number above these was given out.
    reserved: Last,
    /// Which file the store was: a copy put in its place is another one.
    file: Option<String>,
}

/// What the store says of itself.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Known {
    store_id: String,
    opening: Option<u64>,
    copied_at: Option<String>,
    last: Last,
    file: Option<String>,
}

/// Where numbers go on.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Course {
    /// Behind the last one in the store.
    On,
    /// Behind these, because the store is not the one that was written last.
    Behind(Last),
}

/// Pure: what is known to where numbers go on. `rolled_back`: the store may have lost its last rows.
fn course(mark: Option<&Mark>, known: &Known, rolled_back: bool) -> Course {
    let Some(mark) = mark else {
        let new_or_early = known.opening.is_none() && known.copied_at.is_none();
        return if new_or_early && !rolled_back { Course::On } else { Course::Behind(known.last.plus(UNKNOWN)) };
    };
    let given = mark.reserved.or_more(known.last);
    let Some(opening) = known.opening else {
        // Begun anew, or a copy that tells that it is one: everything given out is in the mark.
        return if given == Last::default() { Course::On } else { Course::Behind(given) };
    };
    let same_opening = opening == mark.opening || (mark.pending && opening + 1 == mark.opening);
    let same_file = mark.file.is_none() || known.file.is_none() || mark.file == known.file;
    match (known.store_id == mark.store_id && same_opening, same_file, rolled_back) {
        (true, true, false) => Course::On,
        (true, true, true) => Course::Behind(given),
        // The mark may be as old as the store: both were put back together.
        _ => Course::Behind(given.plus(UNKNOWN)),
    }
}

/// The numbers of an open store.
#[derive(Debug)]
pub(super) struct Numbers {
    path: PathBuf,
    mark: Mark,
    /// What to tell of a store that was put in place of another one.
    pub(super) told: Option<String>,
}

impl Numbers {
    /// Notes this opening and settles where numbers go on. Writes the store, in a transaction of its own.
    pub(super) fn open(connection: &mut Connection, store: &Path, rolled_back: bool) -> Result<Numbers, StoreFault> {
        let path = beside(store);
        let mark = read(&path)?;
        let known = known(connection, store)?;
        let course = course(mark.as_ref(), &known, rolled_back);
        let openings = mark.as_ref().map_or(0, |mark| mark.opening).max(known.opening.unwrap_or(0));
        let (last, store_id) = match &course {
            Course::On => (known.last, known.store_id.clone()),
            Course::Behind(last) => {
                (*last, connection.query_row("SELECT lower(hex(randomblob(6)))", [], |row| row.get(0))?)
            }
        };
        let reserved = match (&course, &mark) {
            (Course::On, Some(mark)) => mark.reserved.or_more(last.plus(1)),
            _ => last.plus(BLOCK),
        };
        let mut mark = Mark { store_id, opening: openings + 1, pending: true, reserved, file: known.file.clone() };
        write(&path, &mark)?;
        let tx = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        if let Course::Behind(last) = course {
            go_behind(&tx, last, &mark.store_id)?;
        }
        set_fact(&tx, OPENING, &mark.opening.to_string())?;
        tx.execute("DELETE FROM fact WHERE key = ?1", [COPIED_AT])?;
        tx.commit()?;
        mark.pending = false;
        write(&path, &mark)?;
        let told = (course != Course::On).then(|| tell(&known, last)).flatten();
        Ok(Numbers { path, mark, told })
    }

    /// A test's control: every trace that tells one store from another is gone.
    pub(super) fn forget(connection: &Connection, store: &Path) -> Result<(), StoreFault> {
        let _ = fs::remove_file(beside(store));
        connection.execute("DELETE FROM fact WHERE key IN (?1, ?2)", [OPENING, COPIED_AT])?;
        Ok(())
    }

    /// The store's id.
    pub(super) fn store_id(&self) -> &str {
        &self.mark.store_id
    }

    /// Before a COMMIT: sets more numbers aside where those of this transaction are not yet.
    pub(super) fn reserve(&mut self, tx: &Transaction) -> Result<(), StoreFault> {
        let last = last(tx)?;
        let reserved = self.mark.reserved;
        if last.result > reserved.result || last.transmission > reserved.transmission {
            let mark = Mark { reserved: reserved.or_more(last.plus(BLOCK)), ..self.mark.clone() };
            write(&self.path, &mark)?;
            self.mark = mark;
        }
        Ok(())
    }
}

/// In words, where a person put a store there; a store begun anew is told by whoever began it.
fn tell(known: &Known, last: Last) -> Option<String> {
    let first = last.result + 1;
    let whence = match (&known.copied_at, known.last.result) {
        (Some(at), _) => format!("was restored from a backup of {at}"),
        (None, 0) => return None,
        (None, _) => "is not the one that was written last".to_owned(),
    };
    Some(format!(
        "the store {whence}: results go on with number {first} under a new store id, so that nothing goes out twice \
         under one number; what was recorded in between is not in it"
    ))
}

/// The store continues as another one: new id, numbers behind `last`; what was being gathered for a file is closed,
/// because that file may have gone out with other rows.
fn go_behind(tx: &Transaction, last: Last, store_id: &str) -> Result<(), StoreFault> {
    set_fact(tx, "store_id", store_id)?;
    for (table, seq) in [("entry", last.result), ("transmission", last.transmission)] {
        tx.execute("DELETE FROM sqlite_sequence WHERE name = ?1", [table])?;
        tx.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (?1, ?2)", params![table, seq])?;
    }
    tx.execute("UPDATE parcel SET state = 'due', bundle = NULL WHERE state = 'filling'", [])?;
    Ok(())
}

fn set_fact(tx: &Transaction, key: &str, value: &str) -> Result<(), StoreFault> {
    let sql = "INSERT INTO fact (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = excluded.value";
    tx.execute(sql, [key, value])?;
    Ok(())
}

fn known(connection: &Connection, store: &Path) -> Result<Known, StoreFault> {
    let fact = |key: &str| -> Result<Option<String>, StoreFault> {
        let sql = "SELECT value FROM fact WHERE key = ?1";
        Ok(connection.query_row(sql, [key], |row| row.get(0)).optional()?)
    };
    Ok(Known {
        store_id: fact("store_id")?.unwrap_or_default(),
        opening: fact(OPENING)?.and_then(|text| text.parse().ok()),
        copied_at: fact(COPIED_AT)?,
        last: last(connection)?,
        file: identity(store),
    })
}

fn last(connection: &Connection) -> Result<Last, StoreFault> {
    let sql = "SELECT (SELECT seq FROM sqlite_sequence WHERE name = 'entry'), \
               (SELECT seq FROM sqlite_sequence WHERE name = 'transmission')";
    let number = |row: &rusqlite::Row, at: usize| row.get::<_, Option<i64>>(at).map(|seq| seq.unwrap_or(0));
    Ok(connection
        .prepare_cached(sql)?
        .query_row([], |row| Ok(Last { result: number(row, 0)?, transmission: number(row, 1)? }))?)
}

/// Which file this is, where the file system tells when it was made: its number alone is used again.
fn identity(store: &Path) -> Option<String> {
    let file = fs::metadata(store).ok()?;
    let made = file.created().ok()?.duration_since(std::time::UNIX_EPOCH).ok()?;
    Some(format!("{} {}.{:09}", file.ino(), made.as_secs(), made.subsec_nanos()))
}

fn beside(store: &Path) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(".numbers");
    name.into()
}

/// Whether numbers were given out here before.
pub(super) fn were_given(store: &Path) -> bool {
    read(&beside(store)).is_ok_and(|mark| mark.is_some())
}

/// A file that can't be understood is none; one that can't be read is a fault.
fn read(path: &Path) -> Result<Option<Mark>, StoreFault> {
    let bytes = match fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    let mark = serde_json::from_slice(&bytes);
    if let Err(error) = &mark {
        tracing::warn!(code = "numbers", "{} can't be understood and is written anew: {error}", path.display());
    }
    Ok(mark.ok())
}

/// On the disk, whole, before it returns.
fn write(path: &Path, mark: &Mark) -> Result<(), StoreFault> {
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let mut file = File::create(&part)?;
    file.write_all(&serde_json::to_vec(mark).unwrap_or_default())?;
    file.sync_all()?;
    fs::rename(&part, path)?;
    sync_folder(path)
}

/// Names in the folder of a file are on the disk.
pub fn sync_folder(file: &Path) -> Result<(), StoreFault> {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    Ok(File::open(folder)?.sync_all()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(result: i64) -> Last {
        Last { result, transmission: result + 5 }
    }

    fn mark() -> Mark {
        Mark { store_id: "s".into(), opening: 7, pending: false, reserved: at(10_000), file: Some("f".into()) }
    }

    fn store() -> Known {
        let file = Some("f".to_owned());
        Known { store_id: "s".into(), opening: Some(7), copied_at: None, last: at(42), file }
    }

    #[test]
    fn the_store_that_was_written_last_goes_on() {
        assert_eq!(course(Some(&mark()), &store(), false), Course::On);
        let noted_only_in_the_mark = Mark { opening: 8, pending: true, ..mark() };
        assert_eq!(course(Some(&noted_only_in_the_mark), &store(), false), Course::On);
        let silent_file_system = Known { file: None, ..store() };
        assert_eq!(course(Some(&mark()), &silent_file_system, false), Course::On);
        let new = Known { opening: None, last: Last::default(), ..store() };
        assert_eq!(course(None, &new, false), Course::On);
        let of_an_earlier_version = Known { opening: None, ..store() };
        assert_eq!(course(None, &of_an_earlier_version, false), Course::On);
    }

    #[test]
    fn any_other_store_goes_on_behind_what_was_given_out() {
        let anew = Known { opening: None, last: Last::default(), store_id: "t".into(), ..store() };
        let backup = Known { opening: None, copied_at: Some("noon".into()), file: Some("g".into()), ..store() };
        for known in [anew, backup.clone()] {
            assert_eq!(course(Some(&mark()), &known, false), Course::Behind(at(10_000)), "{known:?}");
        }
        assert_eq!(course(Some(&mark()), &store(), true), Course::Behind(at(10_000)), "the log was damaged");
        // Where the mark is gone, or may be as old as the store, nobody knows how many there were.
        assert_eq!(course(None, &backup, false), Course::Behind(at(42).plus(UNKNOWN)));
        assert_eq!(course(None, &store(), false), Course::Behind(at(42).plus(UNKNOWN)));
        let unclear = [
            Known { opening: Some(6), ..store() },
            Known { opening: Some(9), last: at(20_000), ..store() },
            Known { file: Some("g".into()), ..store() },
            Known { store_id: "t".into(), ..store() },
        ];
        for known in unclear {
            let given = mark().reserved.or_more(known.last);
            assert_eq!(course(Some(&mark()), &known, false), Course::Behind(given.plus(UNKNOWN)), "{known:?}");
        }
    }
}
