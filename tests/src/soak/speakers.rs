//! Who speaks in a day: instruments whose cables are pulled, and one that exports files.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::thread::sleep;
use std::time::Duration;

use super::{NOISE, Sent, Sun, UNPLUG_EVERY};
use crate::cell::export;
use crate::instruments;
use crate::oracle::{Store, field};
use crate::patience::{LONG, within};
use crate::pty::Line;
use crate::seed::Seeded;

/// An instrument at a port.
pub(super) struct Talker<'a> {
    pub(super) process: u32,
    pub(super) sun: &'a Sun,
    pub(super) line: Line,
    pub(super) message: fn(u64) -> Vec<u8>,
    pub(super) seeded: Seeded,
    /// The last message sent whole.
    pub(super) last: Vec<u8>,
    pub(super) store_path: PathBuf,
    pub(super) store: Option<Store>,
}

impl Talker<'_> {
    pub(super) fn talk(mut self, station: &str, readings: u64) -> Sent {
        let mut sent = Sent { station: station.into(), ..Sent::default() };
        let offset = self.seeded.between(0, UNPLUG_EVERY - 1);
        for number in 1..=readings {
            self.sun.wait(number, readings);
            let message = (self.message)(number);
            if (number + offset).is_multiple_of(UNPLUG_EVERY) {
                sent.findings.extend(self.heard(station));
                let cut = self.seeded.between(0, 2) == 0;
                if cut {
                    let length = self.seeded.between(1, message.len() as u64 - 3) as usize;
                    self.line.send(&message[..length]);
                    sleep(Duration::from_millis(5));
                }
                sent.findings.extend(self.unplug(station));
                sent.unplugs += 1;
                if cut {
                    self.sun.done.fetch_add(1, Ordering::Relaxed);
                    continue;
                }
            }
            if self.seeded.between(1, NOISE) == 1 {
                let length = self.seeded.between(1, 30);
                let noise: Vec<u8> = (0..length).map(|_| self.seeded.between(0x80, 0xff) as u8).collect();
                self.line.send(&[&noise[..], b"\r\n"].concat());
            }
            self.line.send(&message);
            self.last = message;
            sent.whole.push(number);
            self.sun.done.fetch_add(1, Ordering::Relaxed);
        }
        sent.findings.extend(self.heard(station));
        sent.line = Some(self.line);
        sent
    }

    /// Waits until the last message is committed. That nobody's bytes wait in the kernel would not do: it moves them from the
    /// one end of the line to the other when it finds time to, and a pulled cable takes what is under way with it.
    fn heard(&mut self, station: &str) -> Vec<String> {
        if self.last.is_empty() {
            return vec![];
        }
        let sql = "SELECT hex(raw) AS raw FROM transmission WHERE station = ?1 ORDER BY id DESC LIMIT 4";
        // Its line end may count for the frame that follows, or be one of its own where the line is silent.
        let last: String = self.last.trim_ascii_end().iter().map(|byte| format!("{byte:02X}")).collect();
        let committed = within(LONG, || {
            self.store = self.store.take().or_else(|| Store::open(&self.store_path));
            let rows = self.store.as_ref()?.query(sql, [station]);
            rows.iter().any(|row| field(row, "raw").contains(&last)).then_some(())
        });
        let text = format!("{station}: what was sent last is not stored after {} s", LONG.as_secs());
        if committed.is_some() { vec![] } else { vec![text] }
    }

    /// Pulls the cable, and plugs it in again once the daemon has noticed.
    fn unplug(&mut self, station: &str) -> Vec<String> {
        let mut findings = Vec::new();
        let gone = PathBuf::from(format!("{} (deleted)", self.line.device().unwrap().display()));
        self.line.unplug();
        if within(LONG, || (!holds(self.process, &gone)).then_some(())).is_none() {
            findings.push(format!("{station}: a device that is gone is held open"));
        }
        sleep(Duration::from_millis(self.seeded.between(0, 60)));
        self.line.replug();
        let device = self.line.device().unwrap().to_owned();
        if within(LONG, || holds(self.process, &device).then_some(())).is_none() {
            findings.push(format!("{station}: a device that came back is not listened to"));
        }
        findings
    }
}

fn holds(process: u32, path: &Path) -> bool {
    let entries = fs::read_dir(format!("/proc/{process}/fd")).into_iter().flatten().flatten();
    entries.filter_map(|entry| fs::read_link(entry.path()).ok()).any(|target| target == path)
}

/// Exports files of a few readings; now and then the same content again under another name.
pub(super) fn export_all(folder: &Path, sun: &Sun, mut seeded: Seeded, readings: u64) -> Sent {
    let mut sent = Sent { station: "exports".into(), ..Sent::default() };
    let mut next = 1;
    while next <= readings {
        let count = seeded.between(1, 6).min(readings + 1 - next);
        sun.wait(next, readings);
        let bytes = instruments::exported(next, count);
        export(folder, &format!("f-{next:06}.csv"), &bytes);
        if seeded.between(0, 39) == 0 {
            export(folder, &format!("again-{next:06}.csv"), &bytes);
        }
        sent.whole.extend(next..next + count);
        sun.done.fetch_add(count, Ordering::Relaxed);
        next += count;
    }
    sent
}
