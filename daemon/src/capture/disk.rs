//! What a folder station does with the file system: list, read, move away.

use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use ridgepost_config::Folder;
use rustix::fs::{FlockOperation, RenameFlags, flock};

use super::arrival::Fingerprint;
use super::folder::Left;

/// A file larger than this is left where it is, and told.
const BYTES_MAX: u64 = 512 * 1024 * 1024;
/// Where recorded files go, inside the folder.
pub const ARCHIVE: &str = "recorded";

/// Regular files whose names fit, with their fingerprints. Hidden files are somebody's work in progress.
pub(super) fn list(folder: &Folder) -> std::io::Result<Vec<(String, Fingerprint)>> {
    let mut files = Vec::new();
    for entry in fs::read_dir(&folder.path)? {
        let entry = entry?;
        let Ok(name) = entry.file_name().into_string() else { continue };
        if name.starts_with('.') || !ridgepost_config::matches(&folder.pattern, &name) {
            continue;
        }
        match fs::metadata(entry.path()) {
            Ok(metadata) if metadata.is_file() => files.push((name, fingerprint(&metadata))),
            Ok(_) => {}
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
    }
    Ok(files)
}

fn fingerprint(metadata: &fs::Metadata) -> Fingerprint {
    Fingerprint {
        size: metadata.len(),
        changed_ns: i128::from(metadata.mtime()) * 1_000_000_000 + i128::from(metadata.mtime_nsec()),
        inode: metadata.ino(),
    }
}

/// The bytes of a file that did not change while they were read.
pub(super) fn read(path: &Path, expected: Fingerprint) -> Result<Vec<u8>, Left> {
    if expected.size > BYTES_MAX {
        let words = format!("is larger than {} MiB; it is left where it is", BYTES_MAX / 1024 / 1024);
        return Err(Left::Told("too-large", words));
    }
    let mut file = File::open(path).map_err(left)?;
    if flock(&file, FlockOperation::NonBlockingLockShared).is_err() {
        return Err(Left::Told("locked-file", "is locked by its writer; it is tried again".into()));
    }
    let mut raw = Vec::with_capacity(usize::try_from(expected.size).unwrap_or(0));
    file.by_ref().take(BYTES_MAX + 1).read_to_end(&mut raw).map_err(left)?;
    let now = file.metadata().map_err(left)?;
    if fingerprint(&now) != expected || raw.len() as u64 != expected.size {
        return Err(Left::Later);
    }
    Ok(raw)
}

fn left(error: std::io::Error) -> Left {
    match error.kind() {
        ErrorKind::NotFound => {
            Left::Told("vanished-file", "was gone before it could be read; nothing of it is recorded".into())
        }
        _ => Left::Told("unreadable-file", format!("can't be read: {error}; it is tried again")),
    }
}

/// What became of a file that was to be put away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum PutAway {
    /// The file that was recorded is away.
    Gone,
    /// Another file, or more of it, lies under its name by now: it stays, to be read.
    Changed,
}

/// Moves a recorded file into the archive folder, never over another one.
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
    File::open(&target)?.sync_all()?;
    File::open(folder)?.sync_all()?;
    Ok(PutAway::Gone)
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
    Ok(PutAway::Gone)
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
            assert_eq!(put_away(&path, recorded).unwrap(), PutAway::Gone);
            assert!(!path.exists());
        }
    }

    #[test]
    fn the_archive_keeps_every_file_of_a_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.csv");
        for text in ["one", "two", "three"] {
            fs::write(&path, text).unwrap();
            let recorded = fingerprint(&fs::metadata(&path).unwrap());
            assert_eq!(archive(&path, recorded).unwrap(), PutAway::Gone);
        }
        let kept = |name: &str| fs::read_to_string(folder.path().join(ARCHIVE).join(name)).unwrap();
        assert_eq!([kept("x.csv"), kept("x.csv.2"), kept("x.csv.3")], ["one", "two", "three"]);
    }
}
