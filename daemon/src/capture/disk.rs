//! What a folder station does with the files of its folder: read, move away. `listing.rs` finds them.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{ErrorKind, Read, Seek, SeekFrom};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, RenameFlags, flock};

use serde::{Deserialize, Serialize};

use super::arrival::Fingerprint;
use crate::deliver::drop::is_fat;
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

pub(super) fn fingerprint(metadata: &fs::Metadata) -> Fingerprint {
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

/// Bytes of a file from a place on, at most so many, and what the file was when they were read. Whoever writes it may have it
/// open.
pub(super) fn piece(path: &Path, from: u64, most: u64) -> Result<(Fingerprint, Vec<u8>), Left> {
    let mut file = File::open(path).map_err(left)?;
    if flock(&file, FlockOperation::NonBlockingLockShared).is_err() {
        return Err(Left::Told(Told::Locked, "is locked by its writer; it is tried again".into()));
    }
    file.seek(SeekFrom::Start(from)).map_err(left)?;
    let mut raw = Vec::new();
    file.by_ref().take(most).read_to_end(&mut raw).map_err(left)?;
    Ok((fingerprint(&file.metadata().map_err(left)?), raw))
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

/// Moves a recorded file of a folder, by its name relative to it, into the archive, where it keeps that name; never over
/// another one. It is surely there after [`settle_archive`].
pub(super) fn archive(root: &Path, name: &str, recorded: Fingerprint) -> std::io::Result<PutAway> {
    let path = root.join(name);
    let (_, last) = parts(&path)?;
    if !is_still(&path, recorded)? {
        return Ok(PutAway::Changed);
    }
    let target = archive_of(root, Path::new(name))?;
    let to = move_without_overwriting(&path, &target, last)?;
    if !is_still(&to, recorded)? {
        return give_back(&to, &path);
    }
    Ok(PutAway::Gone(Some(to)))
}

/// The folder of the archive for a file, made where it is not there yet; `root` itself is never made.
fn archive_of(root: &Path, name: &Path) -> std::io::Result<PathBuf> {
    let mut target = root.to_owned();
    let inner = name.parent().into_iter().flat_map(Path::components);
    for part in std::iter::once(ARCHIVE.as_ref()).chain(inner.map(|part| part.as_os_str())) {
        target.push(part);
        match fs::create_dir(&target) {
            Err(error) if error.kind() != ErrorKind::AlreadyExists => return Err(error),
            _ => {}
        }
    }
    Ok(target)
}

/// Waits until what was moved into the archive of a folder is there whatever happens: once for many files. `inner` are
/// the folders, relative to it, that they were moved out of.
pub(super) fn settle_archive(root: &Path, inner: &[PathBuf]) -> std::io::Result<()> {
    let archive = root.join(ARCHIVE);
    let touched: BTreeSet<&Path> = inner.iter().flat_map(|inner| inner.ancestors()).collect();
    for folder in touched {
        File::open(archive.join(folder))?.sync_all()?;
    }
    // A rename on FAT leaves an entry without size until the file itself is written back (see `deliver/drop.rs`).
    if is_fat(&archive) {
        rustix::fs::syncfs(File::open(&archive)?)?;
    }
    for folder in inner {
        match File::open(root.join(folder)) {
            // An exporter may clear away the folder that it emptied.
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            folder => folder?.sync_all()?,
        }
    }
    File::open(root)?.sync_all()
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
        type Away = fn(&Path, Fingerprint) -> std::io::Result<PutAway>;
        for put_away in [|path, recorded| archive(path.parent().unwrap(), "x.csv", recorded), remove] as [Away; 2] {
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
    fn the_archive_keeps_every_file_of_a_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.csv");
        for text in ["one", "two", "three"] {
            fs::write(&path, text).unwrap();
            let recorded = fingerprint(&fs::metadata(&path).unwrap());
            assert!(matches!(archive(folder.path(), "x.csv", recorded).unwrap(), PutAway::Gone(Some(_))));
        }
        let kept = |name: &str| fs::read_to_string(folder.path().join(ARCHIVE).join(name)).unwrap();
        assert_eq!([kept("x.csv"), kept("x.csv.2"), kept("x.csv.3")], ["one", "two", "three"]);
    }

    #[test]
    fn the_archive_keeps_the_way_to_a_file() {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir_all(folder.path().join("12/late")).unwrap();
        let path = folder.path().join("12/late/x.csv");
        fs::write(&path, "one").unwrap();
        let to = folder.path().join(ARCHIVE).join("12/late/x.csv");
        let recorded = look_at(&path).unwrap();
        assert_eq!(archive(folder.path(), "12/late/x.csv", recorded).unwrap(), PutAway::Gone(Some(to.clone())));
        fs::remove_dir_all(folder.path().join("12")).unwrap();
        settle_archive(folder.path(), &["12/late".into()]).unwrap();
        assert_eq!(fs::read(to).unwrap(), b"one");
    }

    #[test]
    fn a_folder_that_went_away_is_not_made_again() {
        let folder = tempfile::tempdir().unwrap();
        let gone = folder.path().join("stick");
        assert!(archive_of(&gone, Path::new("12/x.csv")).is_err());
        assert!(!gone.exists());
    }
}
