//! Every state that a disk with a volatile cache may be in after a power cut: QEMU's `blklogwrites` keeps a log of what
//! the guest wrote and when it asked for a flush; from any point of it images are made that hold all that was flushed
//! and a random part of the rest.
//!
//! The log: a sector with magic, version, entries and sector size, then per entry a sector with place, length, flags and
//! size of extra data, followed by what was written (Linux, Documentation/admin-guide/device-mapper/log-writes.rst).
//! Torn sectors and disks that lie about a flush are not modelled.

use std::fs::{self, File};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::disk::Disk;
use super::text;
use crate::seed::Seeded;

/// "Put everything before this onto the disk."
const FLUSH: u64 = 1;
/// "And this itself."
const FORCED: u64 = 2;
/// "What stands here is not needed any more."
const DISCARD: u64 = 4;

/// The sector size of the log and its entries.
const SECTOR: u64 = 512;

/// A disk whose writes are logged.
#[derive(Debug)]
pub struct Logged {
    before: Disk,
    now: PathBuf,
    log: PathBuf,
}

/// One write or flush.
#[derive(Clone, Copy, Debug)]
struct Entry {
    place: u64,
    length: u64,
    flags: u64,
    /// Where in the log its data stand.
    data: u64,
}

impl Logged {
    /// Logs what is done to a copy of `disk`.
    pub fn new(disk: &Disk) -> Logged {
        let beside = |name: &str| disk.path.with_extension(name);
        let (now, log) = (beside("now"), beside("log"));
        disk.copied(&now);
        File::create(&log).unwrap().set_len(1 << 30).unwrap();
        Logged { before: disk.clone(), now, log }
    }

    /// QEMU's options for it.
    pub fn options(&self) -> Vec<String> {
        let node = format!(
            "driver=blklogwrites,node-name=logged,log-sector-size={SECTOR},log-super-update-interval=1,\
             file.driver=file,file.filename={},log.driver=file,log.filename={}",
            text(&self.now),
            text(&self.log)
        );
        let device = "virtio-blk-pci,drive=logged,write-cache=on".to_owned();
        vec!["-blockdev".into(), node, "-device".into(), device]
    }

    /// Entries that the log has by now.
    pub fn entries_by_now(&self) -> u64 {
        let mut head = [0; 28];
        let read = File::open(&self.log).and_then(|mut log| log.read_exact(&mut head));
        if read.is_err() {
            return 0;
        }
        u64::from_le_bytes(head[16..24].try_into().unwrap())
    }

    fn entries(&self) -> Vec<Entry> {
        let mut log = File::open(&self.log).unwrap();
        let mut entries = Vec::new();
        let mut at = SECTOR;
        for _ in 0..self.entries_by_now() {
            let mut fields = [0; 32];
            log.seek(SeekFrom::Start(at)).unwrap();
            log.read_exact(&mut fields).unwrap();
            let field = |number: usize| u64::from_le_bytes(fields[number * 8..][..8].try_into().unwrap());
            let (place, length, flags) = (field(0) * SECTOR, field(1) * SECTOR, field(2));
            let data = at + SECTOR;
            at = data + if flags & DISCARD == 0 { length } else { 0 };
            entries.push(Entry { place, length, flags, data });
        }
        entries
    }

    /// Reads the log for making images.
    pub fn finished(&self) -> Images<'_> {
        Images { logged: self, entries: self.entries(), log: File::open(&self.log).unwrap() }
    }
}

/// The images that a log allows.
#[derive(Debug)]
pub struct Images<'l> {
    logged: &'l Logged,
    entries: Vec<Entry>,
    log: File,
}

impl Images<'_> {
    /// Entries of the log.
    pub fn entries(&self) -> u64 {
        self.entries.len() as u64
    }

    /// Flushes among them.
    pub fn flushes(&self) -> usize {
        self.entries.iter().filter(|entry| entry.flags & FLUSH != 0).count()
    }

    /// An image as it may be when the power fails behind the first `count` entries: whatever was written before the
    /// last flush is there; of each later write it is left to chance.
    pub fn image(&mut self, count: u64, seeded: &mut Seeded, path: &Path) -> Disk {
        let image = self.logged.before.copied(path);
        let mut file = File::options().write(true).open(path).unwrap();
        let entries = &self.entries[..usize::try_from(count).unwrap()];
        let flushed = entries.iter().rposition(|entry| entry.flags & FLUSH != 0).unwrap_or(0);
        for (number, entry) in entries.iter().enumerate() {
            let holds_data = entry.length > 0 && entry.flags & DISCARD == 0;
            let survives = number < flushed || entry.flags & FORCED != 0 || seeded.between(0, 1) == 1;
            if holds_data && survives {
                let mut data = vec![0; usize::try_from(entry.length).unwrap()];
                self.log.seek(SeekFrom::Start(entry.data)).unwrap();
                self.log.read_exact(&mut data).unwrap();
                file.seek(SeekFrom::Start(entry.place)).unwrap();
                file.write_all(&data).unwrap();
            }
        }
        image
    }
}

impl Drop for Logged {
    fn drop(&mut self) {
        // Sparse, but large to whoever copies the folder.
        let _ = fs::remove_file(&self.log);
    }
}
