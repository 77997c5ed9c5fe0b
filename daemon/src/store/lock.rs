//! One writer per store: a lock file beside it, held while a daemon (or a command that writes) runs.
//!
//! The kernel drops the lock when its holder dies, however it dies. The file's text says who holds it and where
//! its control socket is, so that commands find a running daemon.

use std::fs::File;
use std::io::{Read, Seek, Write};
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
}

/// Why the lock was not got.
#[derive(Debug, thiserror::Error)]
pub enum LockFault {
    /// Another process has it.
    #[error("the store is in use by process {}; stop it first, or use the commands, which talk to it", .0.as_ref().map_or(0, |holder| holder.pid))]
    Held(Option<Holder>),
    /// The lock file can't be used.
    #[error("the lock file {0} can't be used: {1}")]
    Io(PathBuf, std::io::Error),
}

fn lock_path(store: &Path) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
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
        let holder = Holder { pid: std::process::id(), socket };
        let text = serde_json::to_vec(&holder).unwrap_or_default();
        file.set_len(0).and_then(|()| file.rewind()).and_then(|()| file.write_all(&text)).map_err(fault)?;
        Ok(Lock { _file: file })
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
}
