//! The small guest whose power is cut: a kernel, the daemon, and a disk with a cell on it; nothing else, so that it is
//! up in seconds.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use super::archive::Archive;
use super::disk::Disk;
use super::kernel::Kernel;
use super::machine::Build;
use super::{run, text};
use crate::instruments;

/// Modules of the small guest.
const MODULES: &[&str] = &["virtio_pci", "virtio_blk", "virtio_console", "ext4", "crc32c_generic"];

/// How the guest's daemon is weakened on purpose, so that a rig can show that it notices.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weakened {
    /// Not at all.
    No,
    /// It acknowledges before it commits.
    AcknowledgesEarly,
    /// Its requests to put data onto the disk do nothing.
    NeverSyncs,
}

/// The parts of the guest.
#[derive(Debug)]
pub struct Guest {
    kernel: Kernel,
    initial: PathBuf,
    folder: tempfile::TempDir,
}

impl Guest {
    /// A guest with the daemon at `binary`; what can be kept for other runs is kept in `cache`.
    pub fn new(binary: &str, cache: &Path) -> Guest {
        let kernel = Kernel::fetched(cache);
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let mut archive = Archive::default();
        archive.file("init", include_bytes!("../../guest/power-init"), 0o755);
        archive.copy("bin/busybox", Path::new("/bin/busybox"));
        archive.program("sqlite3", Path::new("/usr/bin/sqlite3"));
        run("strip", &["-o", text(&at("ridgepost")), binary]);
        archive.program("ridgepost", &at("ridgepost"));
        fs::write(at("nosync.c"), include_str!("../../guest/nosync.c")).unwrap();
        run("cc", &["-shared", "-fPIC", "-o", text(&at("nosync.so")), text(&at("nosync.c"))]);
        archive.copy("lib/nosync.so", &at("nosync.so"));
        for (number, module) in kernel.modules(MODULES).iter().enumerate() {
            archive.copy(&format!("modules/{number:02}.ko"), module);
        }
        let initial = at("initial");
        fs::write(&initial, archive.finish()).unwrap();
        Guest { kernel, initial, folder }
    }

    /// A place for files of the test.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// A machine that works until its power is cut; its exported files are numbered from `export_from` on.
    pub fn at_work(&self, weakened: Weakened, export_from: u64) -> Build {
        let build = self.build(&export_from.to_string());
        match weakened {
            Weakened::No => build,
            Weakened::AcknowledgesEarly => build.parameter("WEAKEN", "ack-before-commit"),
            Weakened::NeverSyncs => build.parameter("PRELOAD", "/lib/nosync.so"),
        }
    }

    /// A machine that goes on until the reading `last` and all others are delivered, and then switches itself off.
    pub fn settling(&self, last: u64) -> Build {
        self.build("none").parameter("LAST", &instruments::digits(last))
    }

    /// With one processor, because two guests run at once.
    fn build(&self, export_from: &str) -> Build {
        Build::new(&self.kernel, &self.initial).processors(1).parameter("EXPORT_FROM", export_from)
    }

    /// A new disk with a cell on it: `counted` at the guest's second serial port, `exports` from a folder, sink `mes`.
    pub fn disk(&self, name: &str) -> Disk {
        let root = self.path(&format!("{name}.root"));
        for folder in ["cell/jobs", "cell/instruments", "exports", "drops", "store"] {
            fs::create_dir_all(root.join(folder)).unwrap();
        }
        let write = |name: &str, content: &str| fs::write(root.join("cell").join(name), content).unwrap();
        write("cell.toml", include_str!("../../guest/power-cell.toml"));
        write(
            "gauges.toml",
            "[[gauge]]\nid = \"G-1\"\nkind = \"stylus\"\n\n[[gauge]]\nid = \"G-2\"\nkind = \"stylus\"\n",
        );
        write("instruments/counted.toml", instruments::COUNTED);
        write("instruments/exported.toml", instruments::EXPORTED);
        write("export", "No;Part;Ra\r\nNUMBER;\"P;NUMBER\";VALUE\r\n");
        Disk::of(&self.path(&format!("{name}.disk")), &root, 48)
    }
}

/// What a guest told is acknowledged.
#[derive(Clone, Debug, Default)]
pub struct Acknowledged {
    /// Results that another connection has seen in the store.
    pub rows: BTreeSet<String>,
    /// Numbers of exported files that were moved away.
    pub archived: BTreeSet<u64>,
    /// Result files in place.
    pub drops: BTreeSet<String>,
}

impl Acknowledged {
    /// Takes in what one line tells, if it tells anything.
    pub fn hear(&mut self, line: &str) {
        let mut words = line.split(' ');
        match (words.next(), words.next(), words.next()) {
            (Some("row"), Some(_), Some(id)) => {
                self.rows.insert(id.to_owned());
            }
            (Some("archived"), Some(name), None) => {
                let number = name.strip_prefix("f-").and_then(|name| name.strip_suffix(".csv"));
                self.archived.insert(number.and_then(|number| number.parse().ok()).expect("a numbered file"));
            }
            (Some("drop"), Some(name), None) => {
                self.drops.insert(name.to_owned());
            }
            _ => {}
        }
    }

    /// How many.
    pub fn count(&self) -> usize {
        self.rows.len() + self.archived.len() + self.drops.len()
    }
}
