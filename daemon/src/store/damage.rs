//! A store that is damaged is put aside under a number, never deleted, and a new one is begun: whoever comes to the
//! machine on Monday finds the readings of the weekend, and what was there before.
//!
//! Put aside is only what SQLite itself finds to be no store any more. A disk that fails, a lock, a missing permission,
//! a store of a later version are other troubles, and the file stays where it is.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use super::{Severity, StoreFault, log, numbers, open_for_writing};

/// Found damaged while running so often, a store that is too large to be read through at a start is put aside.
const BELIEVED_UP_TO: usize = 2;
/// How long a store that was found damaged may be read through at a start.
const READ_WITHIN: std::time::Duration = std::time::Duration::from_secs(30);

/// What was found at a start.
#[derive(Debug, Default)]
pub struct Found {
    /// What a person has to know.
    pub told: Vec<String>,
    /// The last commits may be gone, so numbers go on behind what was given out.
    pub rolled_back: bool,
}

/// Looks at the store before the writer does. Call with the writer's lock in hand.
pub fn look(store: &Path) -> Result<Found, StoreFault> {
    let mut found = Found::default();
    let log_of = with(store, "-wal");
    let log_length = length(&log_of)?;
    if length(store)?.unwrap_or(0) == 0 {
        // SQLite would take it for a new store, and throw the log away.
        if log_length.unwrap_or(0) > 0 || (length(store)?.is_some() && numbers::were_given(store)) {
            found.told.push(put_aside(store, "it is empty")?);
        }
        return Ok(found);
    }
    if let log::State::Damaged(frame) = log::look(&log_of)? {
        let kept = with(&free_name(store)?, "-wal");
        fs::copy(&log_of, &kept)?;
        fs::File::open(&kept)?.sync_all()?;
        numbers::sync_folder(store)?;
        found.rolled_back = true;
        found.told.push(format!(
            "the log beside the store {} is damaged from frame {frame} on: what was committed last before this start may \
             be missing; the log was kept as {}",
            store.display(),
            kept.display()
        ));
    }
    if let Err(fault) = sound(store).or_else(|fault| look_again(store, fault)) {
        if fault.severity() != Severity::Damaged {
            return Err(fault);
        }
        found.told.push(put_aside(store, &fault.to_string())?);
    }
    Ok(found)
}

/// SQLite calls a read that fails (EIO) damage as well. A disk that can't be read is no reason to begin a new store, so
/// every byte is read here, and damage must show twice.
pub fn look_again(store: &Path, fault: StoreFault) -> Result<(), StoreFault> {
    if fault.severity() != Severity::Damaged {
        return Err(fault);
    }
    for suffix in ["", "-wal"] {
        match fs::File::open(with(store, suffix)) {
            Ok(mut file) => drop(std::io::copy(&mut file, &mut std::io::sink())?),
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(error.into()),
        }
    }
    sound(store)
}

/// Puts store, log and index of the log aside under the next number; says what happened and what can be done.
pub fn put_aside(store: &Path, why: &str) -> Result<String, StoreFault> {
    let aside = free_name(store)?;
    // An empty log holds nothing, and its index nothing of its own.
    if length(&with(store, "-wal"))?.unwrap_or(0) == 0 {
        for suffix in ["-wal", "-shm"] {
            let _ = fs::remove_file(with(store, suffix));
        }
    }
    // The store first: a crash behind it leaves a log without a store, which the next start puts aside as well.
    for suffix in ["", "-wal", "-shm"] {
        match fs::rename(with(store, suffix), with(&aside, suffix)) {
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            other => other?,
        }
    }
    numbers::sync_folder(store)?;
    let _ = fs::remove_file(with(store, SUSPECT));
    Ok(format!(
        "the store {} was damaged ({why}): it was put aside as {}, nothing was deleted, and a new store was begun. No job \
         is open in it, and what was not delivered yet is not in it. {}",
        store.display(),
        aside.display(),
        way_out(&aside)
    ))
}

/// What a person can do with a store that was put aside.
pub fn way_out(aside: &Path) -> String {
    format!(
        "Put a copy made by `ridgepost backup` in the store's place while the daemon is stopped, or save what can be read \
         with `sqlite3 {} .recover`; then move it elsewhere",
        aside.display()
    )
}

/// Stores and logs that were put aside and still lie beside the store.
pub fn aside(store: &Path) -> Vec<PathBuf> {
    let (Some(folder), Some(prefix)) = (store.parent(), prefix(store)) else { return vec![] };
    let Ok(entries) = fs::read_dir(folder) else { return vec![] };
    let mut found: Vec<PathBuf> = entries
        .flatten()
        .filter(|entry| number_of(&entry.file_name().to_string_lossy(), &prefix).is_some())
        .map(|entry| entry.path())
        .collect();
    found.sort();
    found
}

/// Notes that the store was found damaged while it was in use; the next start reads it through. SQLite takes some reads
/// that fail for damage: where the disk does not take the note either, it is the disk that failed, and that is given back.
pub fn suspect(store: &Path, fault: StoreFault) -> StoreFault {
    if fault.severity() != Severity::Damaged {
        return fault;
    }
    let path = with(store, SUSPECT);
    let before = fs::read_to_string(&path).unwrap_or_default();
    let noted = fs::write(&path, format!("{before}{}\n", fault.to_string().replace('\n', " ")));
    match noted.and_then(|()| fs::File::open(&path)?.sync_all()) {
        Ok(()) => fault,
        Err(error) if super::of_io(error.kind()) == Severity::Disk => {
            std::io::Error::other(format!("{fault}, but the disk fails too: {}: {error}", path.display())).into()
        }
        Err(error) => {
            tracing::error!(code = "store-damaged", "{} could not be written: {error}", path.display());
            fault
        }
    }
}

const SUSPECT: &str = ".suspect";

/// Whether the store can be opened and, where it was found damaged, is sound after all.
fn sound(store: &Path) -> Result<(), StoreFault> {
    let mut connection = open_for_writing(store)?;
    // A damaged log must stay until numbers go on behind it, whatever happens in between.
    connection.set_db_config(rusqlite::config::DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    connection.query_row("SELECT max(seq) FROM entry", [], |_| Ok(()))?;
    let suspected = match fs::read_to_string(with(store, SUSPECT)) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(error.into()),
    };
    tracing::warn!(code = "store-damaged", "the store was found damaged by its last run and is read through now");
    match read_through(&mut connection)? {
        Some(true) => {
            tracing::warn!(code = "store-damaged", "every page is sound: the store is used on");
            fs::remove_file(with(store, SUSPECT))?;
            Ok(())
        }
        None if suspected.lines().count() > BELIEVED_UP_TO => {
            Err(StoreFault::Damaged(suspected.trim().replace('\n', "; ")))
        }
        _ => {
            tracing::warn!(code = "store-damaged", "it is too large to be read through at a start and is used on");
            Ok(())
        }
    }
}

/// Whether every page is sound; `None` where there was no time to read them all.
fn read_through(connection: &mut Connection) -> Result<Option<bool>, StoreFault> {
    let until = std::time::Instant::now() + READ_WITHIN;
    connection.progress_handler(10_000, Some(move || std::time::Instant::now() > until))?;
    let check = connection.query_row("PRAGMA integrity_check(1)", [], |row| row.get::<_, String>(0));
    connection.progress_handler(0, None::<fn() -> bool>)?;
    match check {
        Ok(said) if said == "ok" => Ok(Some(true)),
        Ok(said) => Err(StoreFault::Damaged(said)),
        Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::OperationInterrupted) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// `store.db.damaged-N`, N behind every number in use.
fn free_name(store: &Path) -> Result<PathBuf, StoreFault> {
    let missing = || std::io::Error::new(ErrorKind::InvalidInput, "a store needs a folder and a name");
    let prefix = prefix(store).ok_or_else(missing)?;
    let folder = store.parent().ok_or_else(missing)?;
    let mut last = 0;
    for entry in fs::read_dir(folder)? {
        last = last.max(number_of(&entry?.file_name().to_string_lossy(), &prefix).unwrap_or(0));
    }
    Ok(folder.join(format!("{prefix}{}", last + 1)))
}

fn prefix(store: &Path) -> Option<String> {
    Some(format!("{}.damaged-", store.file_name()?.to_string_lossy()))
}

fn number_of(name: &str, prefix: &str) -> Option<u64> {
    let number = name.strip_prefix(prefix)?;
    number.trim_end_matches("-wal").trim_end_matches("-shm").parse().ok()
}

fn with(store: &Path, suffix: &str) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

fn length(path: &Path) -> Result<Option<u64>, StoreFault> {
    match fs::metadata(path) {
        Ok(file) => Ok(Some(file.len())),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error.into()),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    #[test]
    fn numbers_of_stores_put_aside_are_never_used_twice() {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("store.db");
        let name = |path: PathBuf| path.file_name().unwrap().to_string_lossy().into_owned();
        assert_eq!(name(free_name(&store).unwrap()), "store.db.damaged-1");
        for made in ["store.db.damaged-9", "store.db.damaged-12-wal", "store.db.damaged-x", "other.db.damaged-40"] {
            fs::write(folder.path().join(made), b"").unwrap();
        }
        assert_eq!(name(free_name(&store).unwrap()), "store.db.damaged-13");
        let names: Vec<String> = aside(&store).into_iter().map(name).collect();
        assert_eq!(names, ["store.db.damaged-12-wal", "store.db.damaged-9"]);
    }

    #[test]
    fn an_empty_store_loses_no_log() {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("store.db");
        assert!(look(&store).unwrap().told.is_empty(), "no store yet");
        fs::write(&store, b"").unwrap();
        assert!(look(&store).unwrap().told.is_empty(), "a start that was cut off before its first write");
        fs::write(with(&store, "-wal"), b"frames").unwrap();
        assert_eq!(look(&store).unwrap().told.len(), 1);
        assert_eq!(fs::read(folder.path().join("store.db.damaged-1-wal")).unwrap(), b"frames");
        assert!(!store.exists());
        fs::write(with(&store, "-wal"), b"more").unwrap();
        assert_eq!(look(&store).unwrap().told.len(), 1, "a crash between the two renames left a log alone");
        assert_eq!(fs::read(folder.path().join("store.db.damaged-2-wal")).unwrap(), b"more");
    }
}
