//! One writer per store: a lock file beside it, held while a daemon (or a command that writes) runs, and a lock on the
//! store itself, because a store may have more than one path: a link, a mount.
//!
//! The kernel drops the lock when its holder dies, however it dies. The file's text says who holds it and where
//! its control socket is, so that commands find a running daemon.

use std::fs::File;
use std::io::{ErrorKind, Read, Seek, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};
use serde::{Deserialize, Serialize};

/// Who holds a store.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holder {
    /// Process number.
    pub pid: u32,
    /// Control socket of a daemon; none while a command holds the lock.
    pub socket: Option<PathBuf>,
}

/// The writer's lock. Dropped with the process at the latest.
#[derive(Debug)]
pub struct Lock {
    _file: File,
    /// The store's own file, and earlier ones that were put aside. To be closed only when no connection of this process
    /// is open: closing lets go of SQLite's own locks, which belong to the process (fcntl(2)).
    stores: Vec<File>,
}

/// Why the lock was not got.
#[derive(Debug, thiserror::Error)]
pub enum LockFault {
    /// Another process has it.
    #[error("the store is in use by {}; stop it first, or use the commands, which talk to it", .0.as_ref().map_or("a process that came by another path".to_owned(), |holder| format!("process {}", holder.pid)))]
    Held(Option<Holder>),
    /// The store's file has a second name.
    #[error("the store {0} has {1} names (hard links), and its log belongs to one of them: remove the others")]
    Linked(PathBuf, u64),
    /// The lock file can't be used.
    #[error("{0}, which must be locked, can't be used: {1}; {way}", way = way_out(.1))]
    Io(PathBuf, std::io::Error),
}

fn way_out(error: &std::io::Error) -> &'static str {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "make room there",
        _ => "the user of the service must be able to write there",
    }
}

/// The lock lies beside the store, wherever links lead.
fn lock_path(store: &Path) -> PathBuf {
    let mut name = std::fs::canonicalize(store).unwrap_or_else(|_| store.to_owned()).into_os_string();
    name.push(".lock");
    name.into()
}

impl Lock {
    /// Takes the lock of a store, or says who has it.
    pub fn take(store: &Path, socket: Option<PathBuf>) -> Result<Lock, LockFault> {
        let path = lock_path(store);
        let fault = |error: std::io::Error| LockFault::Io(path.clone(), error);
        let mut file =
            File::options().read(true).write(true).create(true).truncate(false).open(&path).map_err(fault)?;
        if !wait_for(&file) {
            return Err(LockFault::Held(read_holder(&mut file)));
        }
        let stores = lock_store(store)?.into_iter().collect();
        let holder = Holder { pid: std::process::id(), socket };
        let text = serde_json::to_vec(&holder).unwrap_or_default();
        file.set_len(0).and_then(|()| file.rewind()).and_then(|()| file.write_all(&text)).map_err(fault)?;
        Ok(Lock { _file: file, stores })
    }

    /// Takes the lock of the store's own file where that was made, or took another one's place, since [`Lock::take`].
    pub fn cover(&mut self, store: &Path) -> Result<(), LockFault> {
        let fault = |error: std::io::Error| LockFault::Io(store.to_owned(), error);
        let now = std::fs::metadata(store).map_err(fault)?;
        let same = |file: &File| file.metadata().is_ok_and(|held| (held.dev(), held.ino()) == (now.dev(), now.ino()));
        if !self.stores.iter().any(same) {
            self.stores.extend(lock_store(store)?);
        }
        Ok(())
    }
}

/// Locks the store's own file, if there is one.
fn lock_store(store: &Path) -> Result<Option<File>, LockFault> {
    let fault = |error: std::io::Error| LockFault::Io(store.to_owned(), error);
    let file = match File::options().read(true).write(true).open(store) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        other => other.map_err(fault)?,
    };
    let names = file.metadata().map_err(fault)?.nlink();
    if names > 1 {
        return Err(LockFault::Linked(store.to_owned(), names));
    }
    match wait_for(&file) {
        true => Ok(Some(file)),
        // Who it is stands beside the path that they came by.
        false => Err(LockFault::Held(None)),
    }
}

/// Takes the lock, or gives up: whoever only asks for the holder has it shared for a moment.
fn wait_for(file: &File) -> bool {
    for _ in 0..50 {
        if flock(file, FlockOperation::NonBlockingLockExclusive).is_ok() {
            return true;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    false
}

fn read_holder(file: &mut File) -> Option<Holder> {
    let mut text = String::new();
    file.rewind().ok()?;
    file.read_to_string(&mut text).ok()?;
    serde_json::from_str(&text).ok()
}

/// Who holds the store now; `None` where nobody does.
pub fn holder(store: &Path) -> Option<Holder> {
    let mut file = File::open(lock_path(store)).ok()?;
    match flock(&file, FlockOperation::NonBlockingLockShared) {
        Ok(()) => None,
        Err(_) => read_holder(&mut file),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    #[test]
    fn a_second_writer_is_told_who_has_it() {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("store.db");
        assert_eq!(holder(&store), None);
        let lock = Lock::take(&store, Some("/run/x.sock".into())).unwrap();
        let expected = Holder { pid: std::process::id(), socket: Some("/run/x.sock".into()) };
        assert_eq!(holder(&store), Some(expected.clone()));
        assert!(matches!(Lock::take(&store, None), Err(LockFault::Held(Some(found))) if found == expected));
        drop(lock);
        assert_eq!(holder(&store), None);
        assert!(Lock::take(&store, None).is_ok());
    }

    #[test]
    fn a_store_is_locked_itself_wherever_it_came_from_and_is_never_made() {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("store.db");
        let mut lock = Lock::take(&store, None).unwrap();
        assert!(!store.exists(), "a store that is missing is not an empty one");
        let is_free = || flock(File::open(&store).unwrap(), FlockOperation::NonBlockingLockExclusive).is_ok();
        std::fs::write(&store, "made since").unwrap();
        assert!(is_free());
        lock.cover(&store).unwrap();
        assert!(!is_free());
        std::fs::rename(&store, folder.path().join("aside")).unwrap();
        std::fs::write(&store, "in its place").unwrap();
        assert!(is_free());
        lock.cover(&store).unwrap();
        lock.cover(&store).unwrap();
        assert!(!is_free() && lock.stores.len() == 2);
        drop(lock);
        std::fs::hard_link(&store, folder.path().join("linked")).unwrap();
        assert!(matches!(Lock::take(&store, None), Err(LockFault::Linked(_, 2))));
    }
}
