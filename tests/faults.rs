//! Every call that touches the store or the result files fails once: the first, the second, and so on until a run gets by
//! without that call. The daemon goes on or ends with its own status; after a start without faults everything that
//! anybody was shown is there once, every file is recorded once, and every result went out once.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::drops::Drops;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{Store, acknowledged_and_lost, deliveries, doubled, field};
use ridgepost_tests::pty::Line;

/// Readings said at the port, and in one file, in each run.
const SAID: u64 = 2;
const EXPORTED: u64 = 3;

/// More failing calls of one kind than any run makes: the loop must come to its end before.
const MOST: usize = 400;

/// One cell, started again and again.
struct Bench {
    cell: Cell,
    line: Line,
    exports: PathBuf,
    drops: Drops,
    /// The last number said at the port, and the last exported.
    said: u64,
    exported: u64,
    files: usize,
    /// Results that anybody was shown.
    seen: BTreeSet<String>,
    findings: Vec<String>,
    ends: BTreeMap<String, usize>,
}

impl Bench {
    /// With a first run behind it: the store is made.
    fn new(weaken: Option<&str>) -> Bench {
        let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
        let line = cell.port("a", "counted", "G-1");
        let exports = cell.folder("exports", "exported", "G-3", "*.csv");
        cell.sink("mes", "reading");
        cell.configure();
        if let Some(weaken) = weaken {
            cell.set("RIDGEPOST_WEAKEN", weaken);
        }
        let drops = cell.drops("mes");
        let (seen, findings, ends) = Default::default();
        let mut bench = Bench { cell, line, exports, drops, said: 0, exported: 0, files: 0, seen, findings, ends };
        bench.heal();
        bench
    }

    /// A run in which the `n`-th of these calls of each thread fails. Whether one did.
    fn run(&mut self, call: &str, error: &str, n: usize, paths: &[PathBuf]) -> bool {
        let trace = self.cell.path("trace");
        let _ = fs::remove_file(&trace);
        let mut words: Vec<String> = ["strace", "-D", "-f", "-qq", "-o"].map(str::to_owned).to_vec();
        words.push(trace.display().to_string());
        words.push(format!("--trace={call}"));
        words.push(format!("--inject={call}:error={error}:when={n}"));
        words.extend(paths.iter().flat_map(|path| ["-P".to_owned(), path.display().to_string()]));
        self.cell.run_under(&words.iter().map(String::as_str).collect::<Vec<_>>());
        let said = self.said;
        self.cell.start();
        let device = self.line.device().unwrap().to_owned();
        self.until_or_ended(Duration::from_secs(25), |it| it.cell.has_open(&device));
        self.talk();
        self.until_or_ended(Duration::from_secs(25), Bench::is_done);
        self.look();
        let what = format!("{call} {n} {error}");
        let code = self.cell.asked_to_stop().code();
        self.cell.run_under(&[]);
        self.line.let_go();
        *self.ends.entry(format!("{code:?}")).or_default() += 1;
        // SQLite calls a read that fails damage (65); the next start finds that it is none.
        let fits = matches!(code, Some(0 | 3 | 74)) || (call == "pread64" && code == Some(65));
        if !fits {
            self.findings.push(format!("{what}: ended with {code:?}\n{}", self.cell.log()));
        }
        if code == Some(0) {
            let stored = self.numbers("a");
            let missing: Vec<u64> = (said + 1..=self.said).filter(|number| !stored.contains(number)).collect();
            if !missing.is_empty() {
                self.findings.push(format!("{what}: it went on, and {missing:?} of the port are not stored"));
            }
        }
        let injected = fs::read_to_string(&trace).unwrap_or_default().contains("(INJECTED)");
        if injected {
            self.heal();
            self.judge(&what);
        }
        injected
    }

    fn talk(&mut self) {
        for _ in 0..SAID {
            self.said += 1;
            self.line.send_some(&instruments::counted(self.said));
        }
        self.files += 1;
        let name = format!("f-{:05}.csv", self.files);
        export(&self.exports, &name, &instruments::exported(self.exported + 1, EXPORTED));
        self.exported += EXPORTED;
    }

    fn until_or_ended(&mut self, limit: Duration, mut done: impl FnMut(&mut Bench) -> bool) {
        let until = Instant::now() + limit;
        while Instant::now() < until && !self.cell.has_ended() && !done(self) {
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Everything said is stored, moved away and delivered.
    fn is_done(&mut self) -> bool {
        self.look();
        let waits = fs::read_dir(&self.exports).unwrap().flatten();
        let waits = waits.filter(|entry| entry.file_name().to_string_lossy().ends_with(".csv")).count();
        waits == 0 && self.numbers("a").last() == Some(&self.said) && self.drops.count() >= self.seen.len()
    }

    /// Takes in what is acknowledged: rows that others can read, files that are in place.
    fn look(&mut self) {
        self.findings.extend(self.drops.look());
        let rows = Store::open(&self.cell.store_path()).map(|store| store.results()).unwrap_or_default();
        self.seen.extend(rows.iter().map(|row| field(row, "result_id").to_owned()));
        self.seen.extend(self.drops.rows().into_iter().map(|(_, row)| row["result_id"].clone()));
    }

    fn numbers(&self, station: &str) -> Vec<u64> {
        let rows = Store::open(&self.cell.store_path()).map(|store| store.readings(station)).unwrap_or_default();
        rows.iter().map(|row| number_of(row).unwrap()).collect()
    }

    /// A run without faults that takes and delivers whatever waits.
    fn heal(&mut self) {
        self.cell.start_listening(&[&self.line]);
        self.talk();
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
        let findings = self.cell.until_delivered(&mut self.drops);
        self.findings.extend(findings);
        self.look();
        self.cell.stop();
        self.line.let_go();
    }

    fn judge(&mut self, what: &str) {
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
        let files = self.numbers("exports");
        if files.iter().copied().collect::<BTreeSet<_>>() != (1..=self.exported).collect()
            || files.len() as u64 != self.exported
        {
            found.push(format!("{} readings were exported and {files:?} are stored", self.exported));
        }
        let names = fs::read_dir(self.cell.path("store")).unwrap().flatten();
        let aside = names.filter(|entry| entry.file_name().to_string_lossy().contains("damaged"));
        found.extend(aside.map(|entry| format!("{} was put aside for a fault of the disk", entry.path().display())));
        if self.cell.log().contains("panicked") {
            found.push("it panicked".into());
        }
        self.findings.extend(found.into_iter().map(|text| format!("{what}: {text}")));
    }

    /// The files of the store, for calls that others make as well.
    fn store_paths(&self) -> Vec<PathBuf> {
        let names = ["", "/store.db", "/store.db-wal", "/store.db-shm", "/store.db.lock", "/store.db.numbers"];
        let more = ["/store.db.numbers.part", "/store.db-journal", "/store.db.suspect"];
        names.iter().chain(&more).map(|name| self.cell.path(&format!("store{name}"))).collect()
    }
}

/// Which call fails next: each of the first four, then ever fewer; with `RIDGEPOST_EVERY_FAULT` each one.
fn next(n: usize) -> usize {
    let every = std::env::var_os("RIDGEPOST_EVERY_FAULT").is_some();
    if every { n + 1 } else { n + 1 + n / 4 }
}

/// Fails each of the calls in turn, with each of the errors.
fn every_call(calls: &[(&str, bool, &[&str])]) {
    for (call, of_store, errors) in calls {
        let mut bench = Bench::new(None);
        let began = Instant::now();
        let paths = if *of_store { bench.store_paths() } else { vec![] };
        let mut faults = 0;
        for error in *errors {
            let mut n = 1;
            while bench.run(call, error, n, &paths) {
                (n, faults) = (next(n), faults + 1);
                assert!(n < MOST, "{call} never ends");
            }
        }
        let s = began.elapsed().as_secs();
        println!("{call}: {faults} faults ({}) in {s} s, ends {:?}", errors.join(" "), bench.ends);
        assert!(faults > 0, "{call} never failed: nothing is shown");
        assert!(bench.findings.is_empty(), "{}", bench.findings.join("\n"));
    }
}

#[test]
#[ignore = "needs strace"]
fn writes_that_fail_lose_nothing() {
    every_call(&[("pwrite64", false, &["EIO", "ENOSPC"])]);
}

#[test]
#[ignore = "needs strace"]
fn syncs_that_fail_lose_nothing() {
    every_call(&[("fsync,fdatasync", false, &["EIO"])]);
}

#[test]
#[ignore = "needs strace"]
fn names_that_fail_lose_nothing() {
    every_call(&[
        ("rename,renameat,renameat2", false, &["EIO", "ENOSPC"]),
        ("unlink,unlinkat", false, &["EIO"]),
        ("ftruncate", false, &["EIO", "ENOSPC"]),
    ]);
}

#[test]
#[ignore = "needs strace"]
fn opens_and_reads_that_fail_lose_nothing() {
    every_call(&[("openat", true, &["EIO"]), ("mmap", true, &["ENOMEM"]), ("pread64", true, &["EIO"])]);
}

/// The loop can fail: a daemon that acknowledges before it commits loses what a failing write takes back.
#[test]
#[ignore = "needs strace"]
fn a_daemon_that_acknowledges_too_early_is_found_out() {
    let mut bench = Bench::new(Some("ack-before-commit"));
    let log = [bench.cell.path("store/store.db-wal")];
    let mut n = 1;
    while bench.run("pwrite64", "EIO", n, &log) {
        n = next(n);
        if bench.findings.iter().any(|finding| finding.contains("were exported and")) {
            return;
        }
    }
    panic!("nothing was lost: {:?}", bench.findings);
}
