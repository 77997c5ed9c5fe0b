//! Kills the daemon at random moments while instruments talk and files arrive, and holds it to what it acknowledged.
//!
//! A killed process loses what it held in memory and keeps what it gave the kernel: this proves the order of COMMIT
//! and acknowledgement. That a COMMIT also outlasts a power cut is another rig's to show.
//!
//! `RIDGEPOST_KILLS` sets the number of kills, `RIDGEPOST_SEED` brings a run back.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant};

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::drops::Drops;
use ridgepost_tests::feeder::Feeder;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{self, Store, acknowledged_and_lost, doubled, field};
use ridgepost_tests::seed::Seeded;

/// Readings in most exported files, and in every so many-th one: more than the daemon commits at once, so that a kill
/// finds files half recorded.
const PER_FILE: u64 = 3;
const PER_LARGE_FILE: u64 = 600;
const LARGE_EVERY: usize = 60;

/// The cell under attack: two instruments at ports, one that exports files, one sink.
struct Attack {
    cell: Cell,
    feeders: Vec<Feeder>,
    exports: PathBuf,
    /// First number and count of the readings in each exported file.
    files: Vec<(u64, u64)>,
    drops: Drops,
    seeded: Seeded,
    /// Results seen by a connection of our own: every one of them was committed.
    seen: BTreeSet<String>,
    seen_up_to: i64,
    findings: Vec<String>,
}

impl Attack {
    fn new(seed: u64, weaken: Option<&str>) -> Attack {
        let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
        let counted = Feeder::new("counted", cell.port("counted", "counted", "G-1"), instruments::counted);
        let plain = Feeder::new("plain", cell.port("plain", "plain", "G-2"), instruments::plain);
        let exports = cell.folder("exports", "exported", "G-3", "*.csv");
        cell.sink("mes", "reading");
        cell.configure();
        if let Some(weaken) = weaken {
            cell.set("RIDGEPOST_WEAKEN", weaken);
        }
        let drops = cell.drops("mes");
        Attack {
            cell,
            feeders: vec![counted, plain],
            exports,
            files: vec![],
            drops,
            seeded: Seeded::new(seed),
            seen: BTreeSet::new(),
            seen_up_to: 0,
            findings: vec![],
        }
    }

    fn start(&mut self) {
        let lines: Vec<_> = self.feeders.iter().map(Feeder::line).collect();
        self.cell.start_listening(&lines);
    }

    /// Lets instruments talk and looks at what is acknowledged, for a while.
    fn go_on(&mut self, span: Duration) {
        let end = Instant::now() + span;
        let mut store = None;
        let mut looked = Instant::now();
        while Instant::now() < end {
            let speaker = self.seeded.between(0, self.feeders.len() as u64 - 1) as usize;
            self.feeders[speaker].speak(&mut self.seeded);
            if self.seeded.between(0, 15) == 0 {
                self.export_next();
            }
            sleep(Duration::from_millis(self.seeded.between(1, 8)));
            if looked.elapsed() > Duration::from_millis(40) {
                store = store.or_else(|| Store::open(&self.cell.store_path()));
                self.look(store.as_ref());
                looked = Instant::now();
            }
        }
    }

    fn export_next(&mut self) {
        let first = self.files.last().map_or(1, |(first, count)| first + count);
        let large = self.files.len() % LARGE_EVERY == LARGE_EVERY / 2;
        let count = if large { PER_LARGE_FILE } else { PER_FILE };
        export(&self.exports, &name_of(self.files.len()), &instruments::exported(first, count));
        self.files.push((first, count));
    }

    fn look(&mut self, store: Option<&Store>) {
        self.findings.extend(self.drops.look());
        for row in store.map(|store| store.results_since(self.seen_up_to)).unwrap_or_default() {
            self.seen_up_to = field(&row, "seq").parse().unwrap();
            self.seen.insert(field(&row, "result_id").to_owned());
        }
    }

    fn kill(&mut self) {
        self.cell.kill();
        for feeder in &mut self.feeders {
            feeder.daemon_was_killed();
        }
    }

    /// A file that was moved away was acknowledged: its readings are in the store, whether the daemon runs or not.
    fn archived_and_lost(&self, store: &Store) -> Vec<String> {
        let rows = store.readings("exports");
        let stored: BTreeSet<u64> = rows.iter().filter_map(|row| number_of(row).ok()).collect();
        let mut findings = Vec::new();
        let archived = names_in(&self.exports.join("recorded"));
        for (at, (first, count)) in self.files.iter().enumerate().filter(|(at, _)| archived.contains(&name_of(*at))) {
            let missing = (*first..first + count).filter(|number| !stored.contains(number)).count();
            if missing > 0 {
                findings.push(format!("{} was moved away and {missing} of its readings are not stored", name_of(at)));
            }
        }
        findings
    }

    /// A last run without a kill: everything that waits is taken and delivered.
    fn settle(&mut self) {
        for feeder in &mut self.feeders {
            feeder.finish_speaking();
        }
        self.start();
        // What was said last may have gone with the last kill, so everybody says something more.
        for feeder in &mut self.feeders {
            feeder.say();
        }
        let last: Vec<(String, u64)> =
            self.feeders.iter().map(|feeder| (feeder.station().to_owned(), feeder.last_number())).collect();
        for (station, last) in last {
            self.cell.until(&format!("reading {last} of {station}"), |cell| {
                let rows = Store::open(&cell.store_path())?.readings(&station);
                (number_of(rows.last()?) == Ok(last)).then_some(())
            });
        }
        let exports = self.exports.clone();
        self.cell.until("every file to be moved away", |_| {
            names_in(&exports).iter().all(|name| !name.ends_with(".csv")).then_some(())
        });
        let delivered = self.cell.until_delivered(&mut self.drops);
        self.findings.extend(delivered);
        self.cell.stop();
    }

    /// Everything that the oracle has to say.
    fn judge(&mut self) -> String {
        let store = self.cell.store();
        let rows = store.results();
        self.findings.extend(store.integrity());
        self.findings.extend(acknowledged_and_lost(&self.seen, &rows));
        self.findings.extend(doubled(&rows));
        self.findings.extend(self.archived_and_lost(&store));
        self.findings.extend(self.drops.look_again());
        self.findings.extend(oracle::deliveries(&rows, &self.drops));
        let mut told = Vec::new();
        for feeder in &self.feeders {
            let (account, findings) = feeder.account(&store, number_of);
            self.findings.extend(findings);
            told.push(format!("{account:?}"));
        }
        self.judge_files(&store);
        told.push(format!(
            "{} files, {} acknowledged results seen, {} drops",
            self.files.len(),
            self.seen.len(),
            self.drops.count()
        ));
        told.join("; ")
    }

    /// Every reading of every file is stored once, those of one file in its order.
    fn judge_files(&mut self, store: &Store) {
        let mut stored = Vec::new();
        for row in store.readings("exports") {
            match number_of(&row) {
                Ok(number) => stored.push(number),
                Err(fault) => self.findings.push(format!("exports: {fault}")),
            }
        }
        for (at, (first, count)) in self.files.iter().enumerate() {
            let numbers = *first..first + count;
            let of_file: Vec<u64> = stored.iter().copied().filter(|number| numbers.contains(number)).collect();
            if of_file != numbers.collect::<Vec<_>>() {
                self.findings.push(format!("{} holds {count} from {first} on; stored are {of_file:?}", name_of(at)));
            }
        }
        let said: u64 = self.files.iter().map(|(_, count)| count).sum();
        if stored.len() as u64 != said {
            self.findings.push(format!("exports: {} readings are stored of {said} exported", stored.len()));
        }
    }
}

fn name_of(file: usize) -> String {
    format!("f-{file:06}.csv")
}

fn names_in(folder: &Path) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(folder) else { return vec![] };
    entries.flatten().map(|entry| entry.file_name().to_string_lossy().into_owned()).collect()
}

fn kills() -> u64 {
    std::env::var("RIDGEPOST_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(100)
}

/// Whatever moment it is killed at: what was acknowledged is stored, once; what is stored was sent and is delivered,
/// once, whole, the same each time; and what is lost is what the killed process had taken last and nobody was told of.
#[test]
fn a_kill_loses_nothing_that_was_acknowledged() {
    let seed = Seeded::seed_of_run();
    // Two cells at once: starting is most of the time, and it does not take all of the machine.
    let kills = kills().div_ceil(2);
    let findings: Vec<String> = std::thread::scope(|scope| {
        let attacks = [seed, seed + 1].map(|seed| scope.spawn(move || attack(seed, kills)));
        attacks.into_iter().flat_map(|attack| attack.join().unwrap()).collect()
    });
    assert!(findings.is_empty(), "RIDGEPOST_SEED={seed} RIDGEPOST_KILLS={}\n{}", 2 * kills, findings.join("\n"));
}

/// One cell, killed again and again; what the oracle finds.
fn attack(seed: u64, kills: u64) -> Vec<String> {
    let mut attack = Attack::new(seed, None);
    for _ in 0..kills {
        attack.start();
        let span = attack.seeded.between(50, 400);
        attack.go_on(Duration::from_millis(span));
        attack.kill();
        let store = attack.cell.store();
        let lost = attack.archived_and_lost(&store);
        attack.findings.extend(lost);
        // The line is not silent while the daemon is away.
        for _ in 0..attack.seeded.between(0, 3) {
            let speaker = attack.seeded.between(0, 1) as usize;
            attack.feeders[speaker].speak(&mut attack.seeded);
        }
    }
    attack.settle();
    let told = attack.judge();
    println!("{kills} kills: {told}");
    attack.findings
}

/// The rig can fail: a daemon that acknowledges before it commits is found out.
#[test]
fn a_daemon_that_acknowledges_too_early_is_found_out() {
    let mut attack = Attack::new(7, Some("ack-before-commit"));
    for _ in 0..40 {
        attack.start();
        attack.export_next();
        let archive = attack.exports.join("recorded").join(name_of(attack.files.len() - 1));
        attack.cell.until("a file to be moved away", |_| archive.exists().then_some(()));
        attack.kill();
        let store = attack.cell.store();
        if !attack.archived_and_lost(&store).is_empty() {
            return;
        }
    }
    panic!("40 kills of a daemon that acknowledges too early, and the rig found nothing");
}

/// The rig can fail: a daemon that stores a row and forgets to deliver it is found out.
#[test]
fn a_daemon_that_forgets_deliveries_is_found_out() {
    let mut attack = Attack::new(8, Some("forget-outbox"));
    attack.start();
    attack.go_on(Duration::from_millis(300));
    attack.cell.until_recorded("counted", 1);
    attack.cell.stop();
    attack.judge();
    let undelivered = attack.findings.iter().filter(|finding| finding.ends_with("was not delivered")).count();
    assert!(undelivered > 0, "{:?}", attack.findings);
}
