//! What a folder station does with the file system: list, read, move away.

use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, RenameFlags, flock};

use serde::{Deserialize, Serialize};

use super::arrival::Fingerprint;
use crate::deliver::porter;

/// A file larger than this is left where it is, and told.
const BYTES_MAX: u64 = 512 * 1024 * 1024;
/// Bytes read between two beats.
const PIECE: u64 = 1024 * 1024;
/// Where recorded files go, inside the folder.
pub const ARCHIVE: &str = "recorded";

/// What is told of a file that was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Told {
    TooLarge,
    Locked,
    Open,
    Vanished,
    Unreadable,
    NotRecorded,
}

impl Told {
    pub(super) fn code(self) -> &'static str {
        match self {
            Told::TooLarge => "too-large",
            Told::Locked => "locked-file",
            Told::Open => "open-file",
            Told::Vanished => "vanished-file",
            Told::Unreadable => "unreadable-file",
            Told::NotRecorded => "not-recorded",
        }
    }
}

/// Why a file was not taken.
#[derive(Debug, Serialize, Deserialize)]
pub(super) enum Left {
    /// Named case, told once.
    Told(Told, String),
    /// It changed or vanished while it was read; the next listing tells.
    Later,
    /// The writer has ended.
    Ended,
}

/// What an export folder holds.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(super) struct Listing {
    /// Regular files whose names fit, with their fingerprints.
    pub(super) files: Vec<(String, Fingerprint)>,
    /// Entries whose names fit and that can't be read, with what is wrong.
    pub(super) odd: Vec<(String, String)>,
}

/// Lists the files of a folder whose names fit a pattern, with a beat for each entry. Hidden files are somebody's work in
/// progress; an odd entry keeps no other one from being read.
pub(super) fn list(folder: &Path, pattern: &str, beat: &mut dyn FnMut()) -> std::io::Result<Listing> {
    let mut listing = Listing::default();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        beat();
        let shown = entry.file_name().to_string_lossy().into_owned();
        if shown.starts_with('.') || !ridgepost_config::matches(pattern, &shown) {
            continue;
        }
        match (entry.file_name().into_string(), fs::metadata(entry.path())) {
            (_, Err(error)) if error.kind() == ErrorKind::NotFound => {}
            (_, Err(error)) => listing.odd.push((shown, format!("can't be looked at: {error}"))),
            (_, Ok(metadata)) if !metadata.is_file() => {}
            (Err(name), Ok(_)) => {
                let bytes = name.as_encoded_bytes().escape_ascii();
                listing.odd.push((shown, format!("has a name that is no UTF-8 ({bytes}); rename it and it is read")));
            }
            (Ok(name), Ok(metadata)) => listing.files.push((name, fingerprint(&metadata))),
        }
    }
    Ok(listing)
}

/// What tells this state of a file from another one.
pub(super) fn look_at(path: &Path) -> std::io::Result<Fingerprint> {
    Ok(fingerprint(&fs::metadata(path)?))
}

/// Whether a program has the file open for writing (fcntl(2): a read lease is refused with EAGAIN). Only the owner of
/// a file, and root, may ask; for others nothing is known, and the settling time has to do. Means nothing on a share:
/// there a lease is refused, too, where the server has not promised that nobody else touches the file.
#[expect(unsafe_code, reason = "no kept crate offers leases; the call takes numbers only")]
fn has_writer(file: &File) -> bool {
    use std::os::fd::AsRawFd;
    let lease = |kind: libc::c_int| {
        // SAFETY: the descriptor is open while `file` is borrowed, and the call touches no memory of ours.
        unsafe { libc::fcntl(file.as_raw_fd(), libc::F_SETLEASE, kind) }
    };
    let refused = lease(libc::F_RDLCK) < 0;
    let busy = refused && std::io::Error::last_os_error().raw_os_error() == Some(libc::EAGAIN);
    if !refused {
        lease(libc::F_UNLCK);
    }
    busy
}

fn fingerprint(metadata: &fs::Metadata) -> Fingerprint {
    Fingerprint {
        size: metadata.len(),
        changed_ns: i128::from(metadata.mtime()) * 1_000_000_000 + i128::from(metadata.mtime_nsec()),
        inode: metadata.ino(),
    }
}

/// The bytes of a file that did not change while they were read, with a beat for each piece.
pub(super) fn read(path: &Path, expected: Fingerprint, beat: &mut dyn FnMut()) -> Result<Vec<u8>, Left> {
    if expected.size > BYTES_MAX {
        let words = format!("is larger than {} MiB; it is left where it is", BYTES_MAX / 1024 / 1024);
        return Err(Left::Told(Told::TooLarge, words));
    }
    let mut file = File::open(path).map_err(left)?;
    if flock(&file, FlockOperation::NonBlockingLockShared).is_err() {
        return Err(Left::Told(Told::Locked, "is locked by its writer; it is tried again".into()));
    }
    if has_writer(&file) && !porter::may_hang(path) {
        return Err(Left::Told(Told::Open, "is still open for writing; it is read when its exporter closes it".into()));
    }
    let mut raw = Vec::with_capacity(usize::try_from(expected.size).unwrap_or(0));
    while raw.len() as u64 <= BYTES_MAX && file.by_ref().take(PIECE).read_to_end(&mut raw).map_err(left)? > 0 {
        beat();
    }
    let now = file.metadata().map_err(left)?;
    if fingerprint(&now) != expected || raw.len() as u64 != expected.size {
        return Err(Left::Later);
    }
    Ok(raw)
}

fn left(error: std::io::Error) -> Left {
    match error.kind() {
        ErrorKind::NotFound => {
            Left::Told(Told::Vanished, "was gone before it could be read; nothing of it is recorded".into())
        }
        _ => Left::Told(Told::Unreadable, format!("can't be read: {error}; it is tried again")),
    }
}

/// What became of a file that was to be put away.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum PutAway {
    /// The file that was recorded is away: where it lies now, unless it was removed.
    Gone(Option<PathBuf>),
    /// Another file, or more of it, lies under its name by now: it stays, to be read.
    Changed,
}

/// Moves a recorded file into the archive folder, never over another one. It is surely there after [`settle_archive`].
pub(super) fn archive(path: &Path, recorded: Fingerprint) -> std::io::Result<PutAway> {
    let (folder, name) = parts(path)?;
    if !is_still(path, recorded)? {
        return Ok(PutAway::Changed);
    }
    let target = folder.join(ARCHIVE);
    match fs::create_dir(&target) {
        Err(error) if error.kind() != ErrorKind::AlreadyExists => return Err(error),
        _ => {}
    }
    let to = move_without_overwriting(path, &target, name)?;
    if !is_still(&to, recorded)? {
        return give_back(&to, path);
    }
    Ok(PutAway::Gone(Some(to)))
}

/// Waits until what was moved into the archive of a folder is there whatever happens: once for many files.
pub(super) fn settle_archive(folder: &Path) -> std::io::Result<()> {
    File::open(folder.join(ARCHIVE))?.sync_all()?;
    File::open(folder)?.sync_all()
}

/// Removes a recorded file: out of the way first, so that what is removed is what was recorded.
pub(super) fn remove(path: &Path, recorded: Fingerprint) -> std::io::Result<PutAway> {
    let (folder, name) = parts(path)?;
    if !is_still(path, recorded)? {
        return Ok(PutAway::Changed);
    }
    let aside = move_without_overwriting(path, folder, &format!(".{name}.recorded"))?;
    if !is_still(&aside, recorded)? {
        return give_back(&aside, path);
    }
    fs::remove_file(&aside)?;
    Ok(PutAway::Gone(None))
}

fn parts(path: &Path) -> std::io::Result<(&Path, &str)> {
    let name = path.file_name().and_then(|name| name.to_str());
    path.parent().zip(name).ok_or_else(|| ErrorKind::InvalidFilename.into())
}

fn is_still(path: &Path, recorded: Fingerprint) -> std::io::Result<bool> {
    Ok(fingerprint(&fs::metadata(path)?) == recorded)
}

/// Between the look and the move another file took the name: back it goes, to be read.
fn give_back(from: &Path, path: &Path) -> std::io::Result<PutAway> {
    match rename_new(from, path) {
        Ok(()) => Ok(PutAway::Changed),
        Err(error) => Err(std::io::Error::other(format!(
            "{} holds bytes that were not read and can't be put back ({error}); put them back by hand",
            from.display()
        ))),
    }
}

/// Moves a file into a folder under its name, or with a number behind it where that name is taken.
fn move_without_overwriting(path: &Path, folder: &Path, name: &str) -> std::io::Result<PathBuf> {
    for copy in 1..10_000 {
        let to = folder.join(if copy == 1 { name.to_owned() } else { format!("{name}.{copy}") });
        match rename_new(path, &to) {
            Ok(()) => return Ok(to),
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Err(std::io::Error::other("ten thousand files of this name lie there already"))
}

/// Renames without overwriting, as far as the file system can.
fn rename_new(from: &Path, to: &Path) -> std::io::Result<()> {
    match rustix::fs::renameat_with(rustix::fs::CWD, from, rustix::fs::CWD, to, RenameFlags::NOREPLACE) {
        Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) if to.exists() => Err(ErrorKind::AlreadyExists.into()),
        Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) => fs::rename(from, to),
        other => other.map_err(Into::into),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    #[test]
    fn only_the_file_that_was_recorded_is_put_away() {
        for put_away in [archive, remove] {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("x.csv");
            fs::write(&path, "one").unwrap();
            let recorded = fingerprint(&fs::metadata(&path).unwrap());
            fs::write(folder.path().join("new"), "two").unwrap();
            fs::rename(folder.path().join("new"), &path).unwrap();
            assert_eq!(put_away(&path, recorded).unwrap(), PutAway::Changed);
            assert_eq!(fs::read(&path).unwrap(), b"two");
            let recorded = fingerprint(&fs::metadata(&path).unwrap());
            assert!(matches!(put_away(&path, recorded).unwrap(), PutAway::Gone(_)));
            assert!(!path.exists());
        }
    }

    #[test]
    fn a_file_that_a_writer_has_open_is_not_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.csv");
        let writer = File::create(&path).unwrap();
        std::io::Write::write_all(&mut &writer, b"1;0.4").unwrap();
        assert!(matches!(read(&path, look_at(&path).unwrap(), &mut || {}), Err(Left::Told(Told::Open, _))));
        drop(writer);
        assert!(read(&path, look_at(&path).unwrap(), &mut || {}).is_ok_and(|raw| raw == b"1;0.4"));
    }

    #[test]
    fn an_odd_entry_keeps_no_other_one_from_being_read() {
        use std::os::unix::ffi::OsStrExt;
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &[u8]| folder.path().join(std::ffi::OsStr::from_bytes(name));
        fs::write(at(b"good.csv"), "x").unwrap();
        fs::write(at(b"caf\xe9.csv"), "x").unwrap();
        std::os::unix::fs::symlink("loop.csv", at(b"loop.csv")).unwrap();
        let listing = list(folder.path(), "*.csv", &mut || {}).unwrap();
        assert_eq!(listing.files.len(), 1);
        let odd: Vec<&str> = listing.odd.iter().map(|(_, what)| what.as_str()).collect();
        assert_eq!(odd.len(), 2);
        assert!(odd.iter().any(|what| what.contains("caf\\xe9.csv")), "{odd:?}");
    }

    #[test]
    fn the_archive_keeps_every_file_of_a_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.csv");
        for text in ["one", "two", "three"] {
            fs::write(&path, text).unwrap();
            let recorded = fingerprint(&fs::metadata(&path).unwrap());
            assert!(matches!(archive(&path, recorded).unwrap(), PutAway::Gone(Some(_))));
        }
        let kept = |name: &str| fs::read_to_string(folder.path().join(ARCHIVE).join(name)).unwrap();
        assert_eq!([kept("x.csv"), kept("x.csv.2"), kept("x.csv.3")], ["one", "two", "three"]);
    }
}
