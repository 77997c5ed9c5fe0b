//! How a folder station gets at its files: by itself, or through a process of its own where touching the folder may
//! hang. A thread that hangs in the kernel would keep the whole program from ending, with the store's lock and every
//! port in its hands.

use std::io::{Error, Result};
use std::path::{Path, PathBuf};

use ridgepost_config::Folder;
use serde::{Deserialize, Serialize};

use super::arrival::Fingerprint;
use super::disk::{self, Left, PutAway};
use super::listing::{Listing, Wanted, list};
use crate::aside::{Aside, serve};
use crate::deliver::porter::may_hang;

/// The hidden command that makes this program fetch files for a folder station.
pub const COMMAND: &str = "fetch";

/// What is asked of the other process.
#[derive(Debug, Serialize, Deserialize)]
enum Errand {
    List(Wanted),
    LookAt(PathBuf),
    Read(PathBuf, Fingerprint),
    Piece(PathBuf, u64, u64),
    Archive(PathBuf, String, Fingerprint),
    Remove(PathBuf, Fingerprint),
    SettleArchive(PathBuf, Vec<PathBuf>),
}

/// What came of it.
#[derive(Debug, Serialize, Deserialize)]
enum Found {
    Listed(Listing),
    Seen(Fingerprint),
    /// The bytes follow.
    Bytes,
    /// The same, of a file that was this.
    Piece(Fingerprint),
    PutAway(PutAway),
    Settled,
    Left(Left),
    Failed {
        errno: Option<i32>,
        words: String,
    },
}

/// The way to an export folder's files.
pub(super) struct Reach {
    folder: Folder,
    aside: Aside,
    /// Whether the folder lay on what may hang when it was listed last.
    far: bool,
}

impl Reach {
    /// The way for a station.
    pub(super) fn new(station: &str, folder: &Folder) -> Self {
        let aside = Aside::new(COMMAND, &format!("station {station}"));
        Reach { folder: folder.clone(), aside, far: true }
    }

    /// Whether touching the folder may hang. Hints can't be asked for there: asking may hang too, and the kernel
    /// knows nothing of what other machines do.
    pub(super) fn is_far(&mut self) -> bool {
        self.far = may_hang(&self.folder.path);
        self.far
    }

    pub(super) fn list(&mut self) -> Result<Listing> {
        let Folder { path, pattern, subfolders, marker, .. } = self.folder.clone();
        let wanted = Wanted { path, pattern, subfolders, marker };
        if !self.is_far() {
            return list(&wanted, &mut || {});
        }
        match self.send(&Errand::List(wanted))? {
            (Found::Listed(listing), _) => Ok(listing),
            other => Err(unexpected(&other.0)),
        }
    }

    pub(super) fn look_at(&mut self, path: &Path) -> Result<Fingerprint> {
        if !self.far {
            return disk::look_at(path);
        }
        match self.send(&Errand::LookAt(path.to_owned()))? {
            (Found::Seen(fingerprint), _) => Ok(fingerprint),
            other => Err(unexpected(&other.0)),
        }
    }

    pub(super) fn read(&mut self, path: &Path, expected: Fingerprint) -> std::result::Result<Vec<u8>, Left> {
        if !self.far {
            return disk::read(path, expected, &mut || {});
        }
        // Where it hangs the next listing tells.
        match self.send(&Errand::Read(path.to_owned(), expected)) {
            Ok((Found::Bytes, raw)) => Ok(raw),
            Ok((Found::Left(left), _)) => Err(left),
            _ => Err(Left::Later),
        }
    }

    /// Bytes of a file that may be written to, from a place on.
    pub(super) fn piece(
        &mut self,
        path: &Path,
        from: u64,
        most: u64,
    ) -> std::result::Result<(Fingerprint, Vec<u8>), Left> {
        if !self.far {
            return disk::piece(path, from, most);
        }
        match self.send(&Errand::Piece(path.to_owned(), from, most)) {
            Ok((Found::Piece(fingerprint), raw)) => Ok((fingerprint, raw)),
            Ok((Found::Left(left), _)) => Err(left),
            _ => Err(Left::Later),
        }
    }

    /// Moves a file, by its name relative to the folder, into the archive.
    pub(super) fn archive(&mut self, name: &str, recorded: Fingerprint) -> Result<PutAway> {
        let root = self.folder.path.clone();
        match self.far {
            true => self.put_away(&Errand::Archive(root, name.to_owned(), recorded)),
            false => disk::archive(&root, name, recorded),
        }
    }

    /// Waits until what was moved into the archive out of these folders, relative to this one, is there whatever happens.
    pub(super) fn settle_archive(&mut self, inner: Vec<PathBuf>) -> Result<()> {
        if !self.far {
            return disk::settle_archive(&self.folder.path, &inner);
        }
        match self.send(&Errand::SettleArchive(self.folder.path.clone(), inner))? {
            (Found::Settled, _) => Ok(()),
            other => Err(unexpected(&other.0)),
        }
    }

    pub(super) fn remove(&mut self, path: &Path, recorded: Fingerprint) -> Result<PutAway> {
        match self.far {
            true => self.put_away(&Errand::Remove(path.to_owned(), recorded)),
            false => disk::remove(path, recorded),
        }
    }

    fn put_away(&mut self, errand: &Errand) -> Result<PutAway> {
        match self.send(errand)? {
            (Found::PutAway(put_away), _) => Ok(put_away),
            other => Err(unexpected(&other.0)),
        }
    }

    fn send(&mut self, errand: &Errand) -> Result<(Found, Vec<u8>)> {
        match self.aside.ask(errand, &[]).map_err(Error::other)? {
            (Found::Failed { errno: Some(errno), .. }, _) => Err(Error::from_raw_os_error(errno)),
            (Found::Failed { words, .. }, _) => Err(Error::other(words)),
            found => Ok(found),
        }
    }
}

fn unexpected(found: &Found) -> Error {
    Error::other(format!("an answer to another question: {found:?}"))
}

/// The other side: fetches what is asked for on stdin until it ends.
pub fn fetch() -> Result<()> {
    serve(|errand: Errand, _, beats| {
        let mut beat = || beats.beat();
        let found = match errand {
            Errand::List(wanted) => list(&wanted, &mut beat).map(Found::Listed),
            Errand::LookAt(path) => disk::look_at(&path).map(Found::Seen),
            Errand::Read(path, expected) => match disk::read(&path, expected, &mut beat) {
                Ok(raw) => return (Found::Bytes, raw),
                Err(left) => Ok(Found::Left(left)),
            },
            Errand::Piece(path, from, most) => match disk::piece(&path, from, most) {
                Ok((fingerprint, raw)) => return (Found::Piece(fingerprint), raw),
                Err(left) => Ok(Found::Left(left)),
            },
            Errand::Archive(root, name, recorded) => disk::archive(&root, &name, recorded).map(Found::PutAway),
            Errand::Remove(path, recorded) => disk::remove(&path, recorded).map(Found::PutAway),
            Errand::SettleArchive(root, inner) => disk::settle_archive(&root, &inner).map(|()| Found::Settled),
        };
        let failed = |error: Error| Found::Failed { errno: error.raw_os_error(), words: error.to_string() };
        (found.unwrap_or_else(failed), Vec::new())
    })
}
