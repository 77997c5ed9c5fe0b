//! A file appears under its name whole or not at all, and never in place of another one.
//!
//! Written under a temporary name, fsynced, renamed without overwriting, folder fsynced. If a file of that name
//! with the same bytes is there already, the delivery was made before a crash: that is success.

use std::fs::{self, File};
use std::io::{ErrorKind, Write};
use std::path::Path;

use rustix::fs::{CWD, RenameFlags};
use rustix::io::Errno;

use super::Undelivered;

/// Puts `bytes` into `folder` under `name`. With a marker, only while a file of that name is there.
pub fn place(folder: &Path, marker: Option<&str>, name: &str, bytes: &[u8]) -> Result<(), Undelivered> {
    if !folder.is_dir() {
        return Err(Undelivered::Later(format!("the folder {} is not there", folder.display())));
    }
    if let Some(marker) = marker
        && !folder.join(marker).exists()
    {
        return Err(Undelivered::Later(format!(
            "{} holds no `{marker}`: the share is probably not mounted",
            folder.display()
        )));
    }
    let target = folder.join(name);
    let part = folder.join(format!(".{name}.part"));
    if target.exists() {
        return same(&target, bytes);
    }
    let written = write(&part, bytes).and_then(|()| rename(&part, &target));
    match written {
        Ok(()) => sync(folder),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            let _ = fs::remove_file(&part);
            same(&target, bytes)
        }
        Err(error) if matches!(error.kind(), ErrorKind::InvalidFilename | ErrorKind::InvalidInput) => {
            Err(Undelivered::Never(format!("{}: the folder takes no such name: {error}", target.display())))
        }
        Err(error) => {
            let _ = fs::remove_file(&part);
            Err(Undelivered::Later(format!("{}: {error}", target.display())))
        }
    }
}

/// Puts `bytes` into `folder` under `name`, whole, in place of what was there. `durable` waits for the disk; without it
/// a power cut may leave nothing or an older file.
pub fn replace(folder: &Path, name: &str, bytes: &[u8], durable: bool) -> Result<(), Undelivered> {
    let (target, part) = (folder.join(name), folder.join(format!(".{name}.part")));
    let written = match durable {
        true => write(&part, bytes),
        false => fs::write(&part, bytes),
    };
    if let Err(error) = written.and_then(|()| fs::rename(&part, &target)) {
        let _ = fs::remove_file(&part);
        return Err(Undelivered::Later(format!("{}: {error}", target.display())));
    }
    if durable { sync(folder) } else { Ok(()) }
}

fn write(part: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut file = File::create(part)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Renames without overwriting; where the file system can't do that in one step, by a link, or by looking first.
fn rename(part: &Path, target: &Path) -> std::io::Result<()> {
    match rustix::fs::renameat_with(CWD, part, CWD, target, RenameFlags::NOREPLACE) {
        Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) => {}
        other => return other.map_err(Into::into),
    }
    match fs::hard_link(part, target) {
        Ok(()) => return fs::remove_file(part),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => return Err(error),
        Err(_) => {}
    }
    if target.exists() {
        return Err(ErrorKind::AlreadyExists.into());
    }
    fs::rename(part, target)
}

fn sync(folder: &Path) -> Result<(), Undelivered> {
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|error| Undelivered::Later(format!("{}: {error}", folder.display())))
}

/// A file of that name is there: ours from before a crash, or somebody else's.
fn same(target: &Path, bytes: &[u8]) -> Result<(), Undelivered> {
    match fs::read(target) {
        Ok(found) if found == bytes => sync(target.parent().unwrap_or(target)),
        Ok(_) => Err(Undelivered::Never(format!(
            "{} is there already with other bytes; it is not overwritten",
            target.display()
        ))),
        Err(error) => Err(Undelivered::Later(format!("{}: {error}", target.display()))),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> =
            fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn a_repeat_with_the_same_bytes_is_success_and_other_bytes_are_never_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(place(folder.path(), None, "1.csv", b"a"), Ok(()));
        assert_eq!(place(folder.path(), None, "1.csv", b"a"), Ok(()));
        assert!(matches!(place(folder.path(), None, "1.csv", b"b"), Err(Undelivered::Never(_))));
        assert_eq!(fs::read(folder.path().join("1.csv")).unwrap(), b"a");
        assert_eq!(names(folder.path()), ["1.csv"]);
    }

    #[test]
    fn a_part_left_by_a_crash_does_not_stand_in_the_way() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join(".1.csv.part"), b"half").unwrap();
        assert_eq!(place(folder.path(), None, "1.csv", b"whole"), Ok(()));
        assert_eq!(names(folder.path()), ["1.csv"]);
    }

    #[test]
    fn a_missing_folder_is_never_made_and_an_unmounted_share_never_written_into() {
        let folder = tempfile::tempdir().unwrap();
        let absent = folder.path().join("mnt");
        assert!(matches!(place(&absent, None, "1.csv", b"a"), Err(Undelivered::Later(_))));
        assert!(!absent.exists());
        let unmounted = || place(folder.path(), Some("mounted"), "1.csv", b"a");
        assert!(matches!(unmounted(), Err(Undelivered::Later(_))));
        assert_eq!(names(folder.path()), Vec::<String>::new());
        fs::write(folder.path().join("mounted"), b"").unwrap();
        assert_eq!(unmounted(), Ok(()));
    }
}
