//! Every call that touches the store or the result files fails once: the first, the second, and so on until a run gets by
//! without that call. The daemon goes on or ends with its own status; after a start without faults everything that
//! anybody was shown is there once, every file is recorded once, and every result went out once.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

use std::collections::BTreeMap;
use std::fs;
use std::ops::{Deref, DerefMut};
use std::path::PathBuf;
use std::time::{Duration, Instant};

use ridgepost_tests::bench::Bench as AtWork;
use ridgepost_tests::instruments;

/// Readings said at the port, and in one file, in each run.
const SAID: u64 = 2;
const EXPORTED: u64 = 3;

/// More failing calls of one kind than any run makes: the loop must come to its end before.
const MOST: usize = 400;

/// One cell, started again and again.
struct Bench {
    at_work: AtWork,
    findings: Vec<String>,
    ends: BTreeMap<String, usize>,
}

impl Deref for Bench {
    type Target = AtWork;

    fn deref(&self) -> &AtWork {
        &self.at_work
    }
}

impl DerefMut for Bench {
    fn deref_mut(&mut self) -> &mut AtWork {
        &mut self.at_work
    }
}

impl Bench {
    /// With a first run behind it: the store is made.
    fn new(weaken: Option<&str>) -> Bench {
        let at_work = AtWork::new(env!("CARGO_BIN_EXE_ridgepost"), weaken);
        let mut bench = Bench { at_work, findings: vec![], ends: BTreeMap::new() };
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
            let log = self.cell.log();
            self.findings.push(format!("{what}: ended with {code:?}\n{log}"));
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
            let said = instruments::counted(self.said);
            self.line.send_some(&said);
        }
        self.export(EXPORTED);
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
        let stored = self.numbers("a").last() == Some(&self.said);
        self.waiting() == 0 && stored && self.drops.count() >= self.seen.len()
    }

    /// Takes in what is acknowledged: rows that others can read, files that are in place.
    fn look(&mut self) {
        let found = self.drops.look();
        self.findings.extend(found);
        self.at_work.look();
        let AtWork { drops, seen, .. } = &mut self.at_work;
        seen.extend(drops.rows().into_iter().map(|(_, row)| row["result_id"].clone()));
    }

    /// A run without faults that takes and delivers whatever waits.
    fn heal(&mut self) {
        let AtWork { cell, line, .. } = &mut self.at_work;
        cell.start_listening(&[line]);
        self.talk();
        let findings = self.until_taken();
        self.findings.extend(findings);
        self.look();
        self.cell.stop();
        self.line.let_go();
    }

    fn judge(&mut self, what: &str) {
        let found = self.at_work.findings();
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
