//! A file appears under its name whole or not at all, and never in place of another one.
//!
//! Written under a temporary name, fsynced, renamed without overwriting, file and folder fsynced. If a file of that name
//! with the same bytes is there already, the delivery was made before a crash: that is success.
//!
//! The file is synced a second time because of FAT, as on memory sticks: there a rename writes a new entry that knows
//! neither size nor place of the file until the file itself is written back (seen with Linux 6.1, `fs/fat/namei_vfat.c`).
//! A stick that is pulled in between keeps an empty file under the final name. Results are never empty, so on FAT such a
//! file is what is left of ours, and is replaced.

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::os::fd::OwnedFd;
use std::path::Path;

use rustix::fs::{
    Advice, AtFlags, Mode, OFlags, RenameFlags, fadvise, fsync, linkat, openat, renameat, renameat_with, statat,
    statfs, unlinkat,
};
use rustix::io::Errno;

use super::Undelivered;

/// The kernel's number for the file systems of memory sticks (linux/magic.h, MSDOS_SUPER_MAGIC).
const FAT: i64 = 0x4d44;

/// A folder that is held open: what happens in it happens in one place, even if a share is mounted over it, or
/// unmounted, meanwhile.
struct Held<'p> {
    folder: OwnedFd,
    path: &'p Path,
}

/// Puts `bytes` into `folder` under `name`. With a marker, only while a file of that name is there.
pub fn place(folder: &Path, marker: Option<&str>, name: &str, bytes: &[u8]) -> Result<(), Undelivered> {
    let held = Held::open(folder)?;
    if let Some(marker) = marker {
        held.look_for(marker)?;
    }
    if held.holds(name) {
        return held.same(name, bytes);
    }
    let part = format!(".{name}.part");
    let placed = held.write(&part, bytes, true).and_then(|file| held.rename(&part, name).map(|()| file));
    match placed {
        Ok(file) => held.sync(&file),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            held.remove(&part);
            held.same(name, bytes)
        }
        Err(error) if matches!(error.kind(), ErrorKind::InvalidFilename | ErrorKind::InvalidInput) => {
            Err(Undelivered::Never(format!("{}: the folder takes no such name: {error}", folder.join(name).display())))
        }
        Err(error) => {
            held.remove(&part);
            Err(held.later(name, &error))
        }
    }
}

/// Puts `bytes` into `folder` under `name`, whole, in place of what was there. `durable` waits for the disk; without it
/// a power cut may leave nothing or an older file.
pub fn replace(folder: &Path, name: &str, bytes: &[u8], durable: bool) -> Result<(), Undelivered> {
    Held::open(folder)?.replace(name, bytes, durable)
}

/// Whether a folder lies on a file system of memory sticks.
pub(crate) fn is_fat(folder: &Path) -> bool {
    statfs(folder).is_ok_and(|system| system.f_type == FAT)
}

impl<'p> Held<'p> {
    fn open(path: &'p Path) -> Result<Held<'p>, Undelivered> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        match openat(rustix::fs::CWD, path, flags, Mode::empty()) {
            Ok(folder) => Ok(Held { folder, path }),
            Err(Errno::NOENT | Errno::NOTDIR) => {
                Err(Undelivered::Later(format!("the folder {} is not there", path.display())))
            }
            Err(errno) => Err(Undelivered::Later(format!("{}: {}", path.display(), std::io::Error::from(errno)))),
        }
    }

    /// Whether the marker is there.
    fn look_for(&self, marker: &str) -> Result<(), Undelivered> {
        match statat(&self.folder, marker, AtFlags::empty()) {
            Ok(_) => Ok(()),
            Err(Errno::NOENT) => Err(Undelivered::Later(format!(
                "{} holds no `{marker}`: the share is probably not mounted",
                self.path.display()
            ))),
            Err(errno) => Err(self.later(marker, &errno.into())),
        }
    }

    fn holds(&self, name: &str) -> bool {
        statat(&self.folder, name, AtFlags::empty()).is_ok()
    }

    fn write(&self, part: &str, bytes: &[u8], durable: bool) -> std::io::Result<File> {
        let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::TRUNC | OFlags::CLOEXEC;
        let mut file = File::from(openat(&self.folder, part, flags, Mode::from_raw_mode(0o666))?);
        file.write_all(bytes)?;
        if durable {
            file.sync_all()?;
        }
        Ok(file)
    }

    /// Renames without overwriting; where the file system can't do that in one step, by a link, or by looking first.
    fn rename(&self, part: &str, name: &str) -> std::io::Result<()> {
        match renameat_with(&self.folder, part, &self.folder, name, RenameFlags::NOREPLACE) {
            Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) => {}
            other => return other.map_err(Into::into),
        }
        match linkat(&self.folder, part, &self.folder, name, AtFlags::empty()) {
            Ok(()) => return Ok(unlinkat(&self.folder, part, AtFlags::empty())?),
            Err(Errno::EXIST) => return Err(ErrorKind::AlreadyExists.into()),
            Err(_) => {}
        }
        if self.holds(name) {
            return Err(ErrorKind::AlreadyExists.into());
        }
        Ok(renameat(&self.folder, part, &self.folder, name)?)
    }

    fn remove(&self, part: &str) {
        let _ = unlinkat(&self.folder, part, AtFlags::empty());
    }

    fn replace(&self, name: &str, bytes: &[u8], durable: bool) -> Result<(), Undelivered> {
        let part = format!(".{name}.part");
        let written = self.write(&part, bytes, durable);
        match written.and_then(|file| Ok(renameat(&self.folder, &part, &self.folder, name).map(|()| file)?)) {
            Ok(file) if durable => self.sync(&file),
            Ok(_) => Ok(()),
            Err(error) => {
                self.remove(&part);
                Err(self.later(name, &error))
            }
        }
    }

    /// Waits until a file is in the folder whatever happens.
    fn sync(&self, file: &File) -> Result<(), Undelivered> {
        let synced = file.sync_all().and_then(|()| Ok(fsync(&self.folder)?));
        synced.map_err(|error| Undelivered::Later(format!("{}: {error}", self.path.display())))
    }

    /// A file of that name is there: ours from before a crash, or somebody else's.
    fn same(&self, name: &str, bytes: &[u8]) -> Result<(), Undelivered> {
        match self.read(name) {
            Ok((found, file)) if found == bytes => self.sync(&file),
            Ok((found, _)) if found.is_empty() && is_fat(self.path) => self.replace(name, bytes, true),
            Ok(_) => Err(Undelivered::Never(format!(
                "{} is there already with other bytes; it is not overwritten",
                self.path.join(name).display()
            ))),
            Err(error) => Err(self.later(name, &error)),
        }
    }

    /// What a file holds, and the file. Read from the disk: after an fsync that failed the kernel counts what it has in
    /// memory as written, and a stick that is gone would seem to hold it.
    fn read(&self, name: &str) -> std::io::Result<(Vec<u8>, File)> {
        let flags = OFlags::RDONLY | OFlags::CLOEXEC;
        let mut found = Vec::new();
        let mut file = File::from(openat(&self.folder, name, flags, Mode::empty())?);
        file.sync_all()?;
        fadvise(&file, 0, None, Advice::DontNeed)?;
        file.read_to_end(&mut found)?;
        Ok((found, file))
    }

    fn later(&self, name: &str, error: &std::io::Error) -> Undelivered {
        Undelivered::Later(format!("{}: {error}", self.path.join(name).display()))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use std::fs;

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

    /// Between the look for the marker and the writing the share may go away: another folder takes its name.
    #[test]
    fn what_is_begun_in_one_folder_does_not_end_in_another() {
        let folder = tempfile::tempdir().unwrap();
        let (share, aside) = (folder.path().join("share"), folder.path().join("aside"));
        fs::create_dir(&share).unwrap();
        let held = Held::open(&share).unwrap();
        fs::rename(&share, &aside).unwrap();
        fs::create_dir(&share).unwrap();
        held.write(".1.csv.part", b"a", true).and_then(|_| held.rename(".1.csv.part", "1.csv")).unwrap();
        assert_eq!(held.same("1.csv", b"a"), Ok(()));
        assert_eq!((names(&share), names(&aside)), (vec![], vec!["1.csv".to_owned()]));
    }

    #[test]
    fn what_is_there_is_replaced_whole() {
        let folder = tempfile::tempdir().unwrap();
        for (bytes, durable) in [(b"longer".as_slice(), true), (b"short", false)] {
            assert_eq!(replace(folder.path(), "alive", bytes, durable), Ok(()));
            assert_eq!(fs::read(folder.path().join("alive")).unwrap(), bytes);
        }
        assert_eq!(names(folder.path()), ["alive"]);
    }
}
