//! Disks of guests: made from a folder, and read on the host as they lie there after a power cut.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use super::{output, run, text};

/// A raw image with an ext4 file system.
#[derive(Clone, Debug)]
pub struct Disk {
    /// The image.
    pub path: PathBuf,
}

impl Disk {
    /// Makes an image of `megabytes` that holds what is in `folder`.
    pub fn of(path: &Path, folder: &Path, megabytes: u64) -> Disk {
        File::create(path).unwrap().set_len(megabytes << 20).unwrap();
        run("mke2fs", &["-q", "-F", "-t", "ext4", "-E", "root_owner=0:0", "-d", text(folder), text(path)]);
        Disk { path: path.to_owned() }
    }

    /// QEMU's options for it: its flushes reach the host's memory, which outlasts the guest.
    pub fn options(&self) -> Vec<String> {
        let drive = format!("file={},if=none,id=disk,format=raw,cache=writeback", text(&self.path));
        ["-drive", &drive, "-device", "virtio-blk-pci,drive=disk"].map(str::to_owned).to_vec()
    }

    /// Another image with the same content.
    pub fn copied(&self, to: &Path) -> Disk {
        run("cp", &["--sparse=always", text(&self.path), text(to)]);
        Disk { path: to.to_owned() }
    }

    /// What somebody finds who starts the machine again: replays the journal and copies every file to `folder`, which
    /// is emptied first. `Err` where the file system does not come up.
    pub fn recovered_to(&self, folder: &Path) -> Result<(), String> {
        let checked = output("e2fsck", &["-fy", text(&self.path)]);
        // 0: nothing to do, 1: corrected, which a replayed journal counts as (e2fsck(8), "Exit code").
        if !matches!(checked.status.code(), Some(0 | 1)) {
            return Err(format!("e2fsck: {}", String::from_utf8_lossy(&checked.stdout)));
        }
        let _ = fs::remove_dir_all(folder);
        fs::create_dir_all(folder).unwrap();
        run("debugfs", &["-R", &format!("rdump / {}", text(folder)), text(&self.path)]);
        Ok(())
    }
}
