//! What a folder station does with the file system: list, read, move away.

use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::os::unix::fs::MetadataExt;
use std::path::Path;

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

/// Moves a recorded file into the archive folder, never over another one.
pub(super) fn archive(folder: &Path, path: &Path, name: &str) -> std::io::Result<()> {
    let target = folder.join(ARCHIVE);
    match fs::create_dir(&target) {
        Err(error) if error.kind() != ErrorKind::AlreadyExists => return Err(error),
        _ => {}
    }
    for copy in 1..10_000 {
        let to = target.join(if copy == 1 { name.to_owned() } else { format!("{name}.{copy}") });
        match rustix::fs::renameat_with(rustix::fs::CWD, path, rustix::fs::CWD, &to, RenameFlags::NOREPLACE) {
            Ok(()) => {
                File::open(&target)?.sync_all()?;
                return File::open(folder)?.sync_all();
            }
            Err(rustix::io::Errno::EXIST) => {}
            Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) if !to.exists() => return fs::rename(path, &to),
            Err(error) => return Err(error.into()),
        }
    }
    Err(std::io::Error::other("ten thousand files of this name are archived already"))
}
