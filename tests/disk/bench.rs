//! A cell whose store lies on a disk of its own, what happens to it meanwhile, and what must be found afterwards.

use std::collections::BTreeSet;
use std::fs;
use std::path::PathBuf;
use std::process::ExitStatus;
use std::time::{Duration, Instant};

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::drops::Drops;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{Store, acknowledged_and_lost, deliveries, doubled, field};
use ridgepost_tests::patience::LONG;
use ridgepost_tests::pty::Line;

use super::send;

/// A cell whose store lies on a disk that can be pulled out; instruments, export folder and sink lie elsewhere.
pub struct Bench {
    pub cell: Cell,
    pub line: Line,
    pub exports: PathBuf,
    pub drops: Drops,
    /// The last number said at the port, and the last exported.
    pub said: u64,
    pub exported: u64,
    /// Results that anybody was shown.
    pub seen: BTreeSet<String>,
}

impl Bench {
    pub fn new(weaken: Option<&str>) -> Bench {
        let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
        let line = cell.port("a", "counted", "G-1");
        let exports = cell.folder("exports", "exported", "G-3", "*.csv");
        cell.sink("mes", "reading");
        cell.configure();
        if let Some(weaken) = weaken {
            cell.set("RIDGEPOST_WEAKEN", weaken);
        }
        let drops = cell.drops("mes");
        Bench { cell, line, exports, drops, said: 0, exported: 0, seen: BTreeSet::new() }
    }

    pub fn say(&mut self, count: u64) {
        send(&mut self.line, self.said + 1..=self.said + count);
        self.said += count;
    }

    pub fn export(&mut self) -> PathBuf {
        let name = format!("f-{:05}.csv", self.exported);
        export(&self.exports, &name, &instruments::exported(self.exported + 1, 3));
        self.exported += 3;
        self.exports.join(name)
    }

    /// Takes in what others can read. No file of the disk stays open.
    pub fn look(&mut self) {
        let rows = self.cell.store().results();
        self.seen.extend(rows.iter().map(|row| field(row, "result_id").to_owned()));
    }

    /// Starts and waits until the next reading and every file is taken and delivered.
    pub fn goes_on(&mut self) -> Vec<String> {
        self.line.let_go();
        self.cell.start_listening(&[&self.line]);
        self.catches_up()
    }

    /// Waits until the next reading and every file is taken and delivered.
    pub fn catches_up(&mut self) -> Vec<String> {
        self.say(3);
        let last = self.said;
        self.cell.until("the last reading", |cell| {
            let rows = Store::open(&cell.store_path())?.readings("a");
            (number_of(rows.last()?) == Ok(last)).then_some(())
        });
        let exports = self.exports.clone();
        self.cell.until("every file to be moved away", |_| {
            let mut left = fs::read_dir(&exports).unwrap().flatten();
            left.all(|entry| !entry.file_name().to_string_lossy().ends_with(".csv")).then_some(())
        });
        self.cell.until_delivered(&mut self.drops)
    }

    /// Offers readings until the daemon ends, or waits and says so.
    pub fn offer(&mut self) -> Option<ExitStatus> {
        let until = Instant::now() + LONG;
        while Instant::now() < until {
            if self.cell.has_ended() {
                return Some(self.cell.ended());
            }
            if self.line.untaken() < 2000 {
                self.say(1);
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        None
    }

    pub fn judge(&mut self) -> Vec<String> {
        self.look();
        let store = self.cell.store();
        let rows = store.results();
        let mut found = store.integrity();
        found.extend(acknowledged_and_lost(&self.seen, &rows));
        found.extend(doubled(&rows));
        found.extend(deliveries(&rows, &self.drops));
        let numbers = |station| store.readings(station).iter().map(|row| number_of(row).unwrap()).collect::<Vec<u64>>();
        let port = numbers("a");
        if !port.is_sorted_by(|one, next| one < next) {
            found.push(format!("the port's readings are {port:?}"));
        }
        let files = numbers("exports");
        if files != (1..=self.exported).collect::<Vec<u64>>() {
            found.push(format!("{} readings were exported and {files:?} are stored", self.exported));
        }
        let names = fs::read_dir(self.cell.path("store")).unwrap().flatten();
        let aside = names.filter(|entry| entry.file_name().to_string_lossy().contains("damaged"));
        found.extend(aside.map(|entry| format!("{} was put aside", entry.path().display())));
        if self.cell.log().contains("panicked") {
            found.push("it panicked".into());
        }
        found
    }
}
