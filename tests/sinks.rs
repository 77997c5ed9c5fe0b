//! What may be wrong with a folder that results go to, besides what `promises.rs` shows: it may not be written to, its
//! disk is full. Nothing is lost, nothing half-written is seen, and it goes on by itself.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

use std::fs;
use std::path::Path;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments;

fn none(findings: Vec<String>) {
    assert!(findings.is_empty(), "\n{}\n", findings.join("\n"));
}

/// The share exists and may not be written to: everything waits and goes on by itself. Run as a user whom permissions
/// bind.
#[test]
fn a_folder_that_may_not_be_written_to_is_waited_for() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let folder = cell.path("drops/mes");
    let mode = |mode: u32| fs::set_permissions(&folder, std::os::unix::fs::PermissionsExt::from_mode(mode)).unwrap();
    if rustix::process::geteuid().is_root() {
        const NOBODY: u32 = 65_534;
        cell.run_as(NOBODY);
        for path in [&folder, &line.device().unwrap().to_owned()] {
            std::os::unix::fs::chown(path, Some(NOBODY), Some(NOBODY)).unwrap();
        }
    }
    mode(0o555);
    let mut drops = cell.drops("mes");
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    cell.until_logged("sink-waits");
    none(drops.look());
    assert_eq!(drops.count(), 0);
    mode(0o755);
    none(cell.until_delivered(&mut drops));
    assert_eq!(drops.count(), 1);
    cell.stop();
}

/// A drop folder on a disk that is full is waited for like any other trouble. Shown only where the test may mount a
/// small file system.
#[test]
fn a_full_disk_of_a_sink_is_waited_for() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let folder = cell.path("drops/mes");
    let Some(_mounted) = SmallDisk::mount(&folder) else {
        println!("not shown: a small file system can't be mounted here");
        return;
    };
    let mut drops = cell.drops("mes");
    cell.start_listening(&[&line]);
    let filler = folder.join("filler");
    let mut room = fs::File::create(&filler).unwrap();
    while std::io::Write::write(&mut room, &[0; 4096]).is_ok() {}
    drop(room);
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    cell.until_logged("sink-waits");
    none(drops.look());
    assert_eq!(drops.count(), 0, "a half-written file is never seen under its name");
    fs::remove_file(&filler).unwrap();
    none(cell.until_delivered(&mut drops));
    cell.stop();
}

/// A file system in memory of 64 KiB, gone with this value.
struct SmallDisk(std::path::PathBuf);

impl SmallDisk {
    fn mount(folder: &Path) -> Option<SmallDisk> {
        let mut mount = std::process::Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", "size=64k", "none"]).arg(folder).stderr(std::process::Stdio::null());
        mount.status().is_ok_and(|status| status.success()).then(|| SmallDisk(folder.to_owned()))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = std::process::Command::new("umount").arg("--lazy").arg(&self.0).status();
    }
}
