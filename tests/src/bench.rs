//! A small cell at work: a port whose instrument counts, an export folder, one sink, and the account of what was said,
//! exported and shown. What befalls it is the test's affair; what must be found afterwards is the same for all.

use std::collections::BTreeSet;
use std::fs;
use std::path::PathBuf;

use crate::cell::{Cell, export};
use crate::drops::Drops;
use crate::instruments::{self, number_of};
use crate::oracle::{Store, acknowledged_and_lost, deliveries, doubled, field};
use crate::pty::Line;

/// The cell and the account of it.
pub struct Bench {
    /// The cell with its daemon.
    pub cell: Cell,
    /// The port of station `a`.
    pub line: Line,
    /// The folder of station `exports`.
    pub exports: PathBuf,
    /// What the sink has put into its folder.
    pub drops: Drops,
    /// The last number said at the port.
    pub said: u64,
    /// The last number exported.
    pub exported: u64,
    files: usize,
    /// Results that anybody was shown.
    pub seen: BTreeSet<String>,
}

impl Bench {
    /// Not started yet. `program` is the daemon, `weaken` what is taken from it on purpose.
    pub fn new(program: &str, weaken: Option<&str>) -> Bench {
        let mut cell = Cell::with_instruments(program);
        let line = cell.port("a", "counted", "G-1");
        let exports = cell.folder("exports", "exported", "G-3", "*.csv");
        cell.sink("mes", "reading");
        cell.configure();
        if let Some(weaken) = weaken {
            cell.set("RIDGEPOST_WEAKEN", weaken);
        }
        let drops = cell.drops("mes");
        Bench { cell, line, exports, drops, said: 0, exported: 0, files: 0, seen: BTreeSet::new() }
    }

    /// Lays a file with the next so many readings into the export folder.
    pub fn export(&mut self, count: u64) -> PathBuf {
        let name = format!("f-{:05}.csv", self.files);
        self.files += 1;
        export(&self.exports, &name, &instruments::exported(self.exported + 1, count));
        self.exported += count;
        self.exports.join(name)
    }

    /// The numbers of the readings that are stored of a station, in their order.
    pub fn numbers(&self, station: &str) -> Vec<u64> {
        let rows = Store::open(&self.cell.store_path()).map(|store| store.readings(station)).unwrap_or_default();
        rows.iter().map(|row| number_of(row).unwrap()).collect()
    }

    /// Export files that were not taken yet.
    pub fn waiting(&self) -> usize {
        let waiting = fs::read_dir(&self.exports).unwrap().flatten();
        waiting.filter(|entry| entry.file_name().to_string_lossy().ends_with(".csv")).count()
    }

    /// Takes in the results that others can read; none where the store can't be opened.
    pub fn look(&mut self) {
        let rows = Store::open(&self.cell.store_path()).map(|store| store.results()).unwrap_or_default();
        self.seen.extend(rows.iter().map(|row| field(row, "result_id").to_owned()));
    }

    /// Waits until the last number said is stored, every file moved away and every row delivered; what the drops found.
    pub fn until_taken(&mut self) -> Vec<String> {
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

    /// What is wrong with the store and the result files: nothing, if everything shown is there once, every file was
    /// recorded once, every result went out once, and nothing was put aside.
    pub fn findings(&self) -> Vec<String> {
        let store = self.cell.store();
        let rows = store.results();
        let mut found = store.integrity();
        found.extend(acknowledged_and_lost(&self.seen, &rows));
        found.extend(doubled(&rows));
        found.extend(deliveries(&rows, &self.drops));
        let port = self.numbers("a");
        if !port.is_sorted_by(|one, next| one < next) {
            found.push(format!("the port's readings are {port:?}"));
        }
        let mut files = self.numbers("exports");
        files.sort_unstable();
        if files != (1..=self.exported).collect::<Vec<u64>>() {
            found.push(format!("{} readings were exported and {files:?} are stored", self.exported));
        }
        let names = fs::read_dir(self.cell.path("store")).unwrap().flatten();
        let aside = names.filter(|entry| entry.file_name().to_string_lossy().contains("damaged"));
        found.extend(aside.map(|entry| format!("{} was put aside for a fault of the disk", entry.path().display())));
        if self.cell.log().contains("panicked") {
            found.push("it panicked".into());
        }
        found
    }
}
