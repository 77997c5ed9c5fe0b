//! The store: one SQLite file that holds what was received, how it was read, how it was judged and where it
//! went.
//!
//! One connection writes ([`writer`]); everybody else reads through connections of their own ([`query`]).
//! `synchronous=FULL` with a write-ahead log: a COMMIT that returned is on the disk.

mod again;
mod assign;
pub mod babble;
pub mod chain;
mod checkpoint;
pub mod correct;
pub mod damage;
pub mod fields;
mod files;
pub mod gauge;
pub mod growth;
pub mod happened;
pub mod held;
mod job;
mod label;
mod lock;
mod log;
pub mod measured;
pub mod numbers;
mod page;
mod parcel;
mod pen;
mod perform;
mod piece;
pub mod query;
mod record;
mod rejudge;
mod request;
mod reread;
mod row;
pub mod sample;
mod schema;
mod standing;
pub mod suspects;
mod taken;
#[cfg(test)]
mod tests;
mod traced;
mod transmission;
mod undecided;
mod verify;
pub mod weaken;
pub mod writer;

use std::path::Path;

use rusqlite::{Connection, OpenFlags};

pub use correct::{Decided, Decision, Disposition, Target};
pub use fields::{FIELDS, Form};
pub use gauge::GaugeCommand;
pub use job::{JobCommand, JobFault};
pub use label::Typed;
pub use lock::{Holder, Lock, LockFault, holder};
pub use pen::{Pen, PenFault, Promise};
pub use record::{Burst, Heard, Provenance, Tally, hex, sha256};
pub use request::{Answer, FileBegin, FileState, What};
pub use reread::Change;
pub use taken::Taken;
pub use undecided::{Undecided, undecided};

/// Why the store can't be used.
#[derive(Debug, thiserror::Error)]
pub enum StoreFault {
    /// the store was made by a later version of ridgepost (tables {found}, this version knows {known}); use that version
    #[error(
        "the store was made by a later version of ridgepost (tables {found}, this version knows {known}); use that version"
    )]
    Newer {
        /// Version of the tables in the file.
        found: u32,
        /// Newest version this program knows.
        known: u32,
    },
    /// the store does not exist yet: `ridgepost run` makes it
    #[error("the store {0} does not exist yet: `ridgepost run` makes it")]
    Absent(String),
    /// what it holds can't be trusted any more: {0}
    #[error("it is damaged: {0}")]
    Damaged(String),
    /// the frames before these were not written
    #[error("the frames before these were not written")]
    Gap,
    /// Something SQLite says.
    #[error("{0}")]
    Sqlite(#[from] rusqlite::Error),
    /// Something the file system says.
    #[error("{0}")]
    Io(#[from] std::io::Error),
}

/// What a failed write means for the writer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Severity {
    /// No room: nothing was written; try again when there is.
    Full,
    /// The disk failed: what is on it can't be told from here. End, and read it again from the start.
    Disk,
    /// The disk answers, and what it holds is no sound store any more. End; the next start puts it aside.
    Damaged,
    /// The rows themselves are at fault.
    Content,
}

impl StoreFault {
    /// What the writer should do about it.
    pub fn severity(&self) -> Severity {
        use rusqlite::ErrorCode;
        let code = match self {
            StoreFault::Sqlite(error) => error.sqlite_error_code(),
            StoreFault::Damaged(_) => return Severity::Damaged,
            StoreFault::Io(error) => return of_io(error.kind()),
            StoreFault::Newer { .. } | StoreFault::Absent(_) | StoreFault::Gap => None,
        };
        match code {
            Some(ErrorCode::DiskFull | ErrorCode::DatabaseBusy | ErrorCode::ReadOnly) => Severity::Full,
            Some(ErrorCode::SystemIoFailure | ErrorCode::CannotOpen) => Severity::Disk,
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => Severity::Damaged,
            _ => Severity::Content,
        }
    }
}

fn of_io(kind: std::io::ErrorKind) -> Severity {
    use std::io::ErrorKind;
    match kind {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::ReadOnlyFilesystem => Severity::Full,
        _ => Severity::Disk,
    }
}

/// Opens the store for the one writer, making or updating its tables.
fn open_for_writing(path: &Path) -> Result<Connection, StoreFault> {
    opened_for_writing(path).map_err(|fault| without_room(path, fault))
}

fn opened_for_writing(path: &Path) -> Result<Connection, StoreFault> {
    let mut connection = Connection::open(path)?;
    settle(&connection)?;
    connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    connection.pragma_update(None, "wal_autocheckpoint", 0)?;
    connection.pragma_update(None, "journal_size_limit", 16 * 1024 * 1024)?;
    connection.set_prepared_statement_cache_capacity(64);
    schema::migrate(&mut connection)?;
    Ok(connection)
}

/// Less room than the index of a log takes (32 KiB) is none.
const INDEX_BYTES: u64 = 32 * 1024;

/// SQLite tells an index of the log that finds no room as a disk that fails (`SQLITE_IOERR_SHMSIZE`, see its `unixShmMap`);
/// where there is no room, that is what is given back.
fn without_room(path: &Path, fault: StoreFault) -> StoreFault {
    let of_index = match &fault {
        StoreFault::Sqlite(rusqlite::Error::SqliteFailure(error, _)) => {
            error.extended_code == rusqlite::ffi::SQLITE_IOERR_SHMSIZE
        }
        _ => false,
    };
    let free = || rustix::fs::statvfs(path.parent()?).ok().map(|stat| stat.f_bavail.saturating_mul(stat.f_frsize));
    match of_index && free().is_some_and(|bytes| bytes < INDEX_BYTES) {
        true => {
            std::io::Error::new(std::io::ErrorKind::StorageFull, "the disk is full: no room for the log's index").into()
        }
        false => fault,
    }
}

/// Makes a store, or brings one up to date.
#[cfg(test)]
pub(crate) fn make(path: &Path) -> Result<(), StoreFault> {
    open_for_writing(path).map(drop)
}

/// Opens the store for reading only.
pub fn open_for_reading(path: &Path) -> Result<Connection, StoreFault> {
    if matches!(path.try_exists(), Ok(false)) {
        return Err(StoreFault::Absent(path.display().to_string()));
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags)?;
    settle(&connection)?;
    let version: u32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    if version == 0 {
        return Err(StoreFault::Absent(path.display().to_string()));
    }
    Ok(connection)
}

fn settle(connection: &Connection) -> Result<(), StoreFault> {
    connection.busy_timeout(std::time::Duration::from_secs(5))?;
    Ok(())
}

/// The tally in an answer; nothing in any other.
pub fn answered_tally(answer: &Answer) -> Tally {
    match answer {
        Answer::Tally(tally) => tally.clone(),
        _ => Tally::default(),
    }
}
