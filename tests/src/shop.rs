//! A small shop with a history: readings that were stored and delivered, and shown to somebody. What happens to its store
//! afterwards must not bring any of them back under another meaning.

use std::collections::BTreeSet;
use std::fs;
use std::path::PathBuf;

use crate::cell::Cell;
use crate::drops::Drops;
use crate::instruments;
use crate::oracle::{Row, doubled, field};
use crate::pty::Line;

/// A cell with a history: readings stored and delivered, stopped or killed.
#[derive(Debug)]
pub struct Shop {
    /// The cell.
    pub cell: Cell,
    /// Its instrument, at station `a`.
    pub line: Line,
    /// The result files of sink `mes`.
    pub drops: Drops,
    /// The last number said.
    pub said: u64,
    /// Everything that anybody was shown before the damage.
    pub before: Vec<Row>,
}

impl Shop {
    /// Nothing has happened yet.
    pub fn new(binary: &str) -> Shop {
        let (cell, line) = Cell::with_one_instrument(binary);
        let drops = cell.drops("mes");
        Shop { cell, line, drops, said: 0, before: vec![] }
    }

    /// With readings one to `count`, stopped in order: the log is brought back.
    pub fn stopped(binary: &str, count: u64) -> Shop {
        let mut shop = Shop::new(binary);
        shop.start();
        shop.measure(count);
        shop.cell.stop();
        shop.line.let_go();
        shop
    }

    /// With readings one to `count`, killed: much of it stands in the log only.
    pub fn killed(binary: &str, count: u64) -> Shop {
        let mut shop = Shop::new(binary);
        shop.start();
        shop.measure(count);
        shop.cell.kill();
        shop.line.let_go();
        shop
    }

    /// Starts the daemon and waits until it listens.
    pub fn start(&mut self) {
        self.cell.start_listening(&[&self.line]);
    }

    /// Says so many readings more; each is stored and delivered.
    pub fn measure(&mut self, count: u64) {
        let stored = self.cell.store().readings("a").len();
        for _ in 0..count {
            self.said += 1;
            self.line.send(&instruments::counted(self.said));
        }
        let count = usize::try_from(count).unwrap();
        self.cell.until_recorded("a", stored + count);
        let due = self.drops.count() + count;
        let Shop { cell, drops, .. } = self;
        cell.until("deliveries", |_| {
            assert_eq!(drops.look(), Vec::<String>::new());
            (drops.count() >= due).then_some(())
        });
        self.before.extend(self.cell.store().results().into_iter().skip(stored));
    }

    /// The store's file.
    pub fn store(&self) -> PathBuf {
        self.cell.store_path()
    }

    /// A file beside the store, by what its name has more.
    pub fn beside(&self, suffix: &str) -> PathBuf {
        self.cell.path(&format!("store/store.db{suffix}"))
    }

    /// Names in the store's folder that tell of damage.
    pub fn put_aside(&self) -> Vec<String> {
        let names = fs::read_dir(self.cell.path("store")).unwrap().map(|entry| entry.unwrap().file_name());
        let mut names: Vec<String> = names.map(|name| name.into_string().unwrap()).collect();
        names.retain(|name| name.contains("damaged"));
        names.sort();
        names
    }

    /// The daemon comes up, says what happened everywhere, measures, and gives no number out again.
    pub fn goes_on(&mut self) {
        self.start();
        self.measure(2);
        self.is_consistent();
    }

    /// What is stored and what went out: every result once, under a name and a number of its own, numbers rising.
    pub fn is_consistent(&mut self) {
        assert_eq!(self.cell.store().integrity(), Vec::<String>::new());
        assert_eq!(self.drops.look_again(), Vec::<String>::new());
        assert_eq!(doubled(&self.before), Vec::<String>::new());
        let seqs: Vec<u64> = self.before.iter().map(|row| field(row, "seq").parse().unwrap()).collect();
        assert!(seqs.is_sorted_by(|one, next| one < next), "numbers rise: {seqs:?}");
        let transmissions: BTreeSet<&str> = self.before.iter().map(|row| field(row, "transmission")).collect();
        assert_eq!(transmissions.len(), self.before.len(), "one message each, none named twice");
        let delivered: BTreeSet<String> =
            self.drops.rows().into_iter().map(|(_, row)| row["result_id"].clone()).collect();
        let shown: BTreeSet<String> = self.before.iter().map(|row| field(row, "result_id").to_owned()).collect();
        assert_eq!(delivered, shown);
        let parked = self.cell.store().query("SELECT * FROM parcel WHERE state = 'parked'", []);
        assert_eq!(parked, vec![], "no file stands in the way of another");
    }

    /// Log, status, doctor and the new store's events tell of a store that was put aside.
    pub fn tells_of_damage(&mut self, name: &str) {
        let log = self.cell.log();
        assert!(log.contains("store-damaged") && log.contains(name) && log.contains("nothing was deleted"), "{log}");
        self.cell.until("the service manager's line and the status to tell", |cell| {
            let status = cell.ask_json(&["status"]).remove(0);
            let trouble = status["daemon"]["troubles"].as_array()?.iter().find(|it| it["code"] == "store-damaged")?;
            assert!(trouble["text"].as_str()?.contains("ridgepost backup"), "{trouble}");
            status["put_aside"][0].as_str()?.contains("damaged-1").then_some(())
        });
        let doctor = self.cell.ask(&["doctor", "--json"]);
        let found = doctor.json().into_iter().find(|it| it["what"] == "damaged store").unwrap();
        assert!(found["well"] == false && found["says"].as_str().unwrap().contains(".recover"), "{found}");
        let events = self.cell.store().query("SELECT * FROM event WHERE code = 'store-damaged'", []);
        assert_eq!(events.len(), 1, "the new store remembers why it begins here");
    }
}
