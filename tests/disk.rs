//! The store's disk fills up, is remounted read-only, is pulled out, gets slow, meets a limit on file size: nothing that
//! was acknowledged is lost, nothing doubled, and it goes on by itself when there is room.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

#[path = "disk/bench.rs"]
mod bench;
#[path = "disk/gone.rs"]
mod gone;
#[path = "disk/small.rs"]
mod small;

use std::fs;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::doubled;
use ridgepost_tests::patience::{LONG, within};
use ridgepost_tests::pty::Line;

use bench::Bench;
use small::Small;

fn trouble(cell: &Cell) -> Option<String> {
    let status = cell.ask_json(&["status"]).remove(0);
    status["daemon"]["store_trouble"].as_str().map(str::to_owned)
}

/// Sends readings from..=to, one by one.
fn send(line: &mut Line, numbers: std::ops::RangeInclusive<u64>) {
    for number in numbers {
        line.send(&instruments::counted(number));
    }
}

fn all_there(cell: &Cell, last: u64) {
    let numbers: Vec<u64> = cell.store().readings("a").iter().map(|row| number_of(row).unwrap()).collect();
    assert_eq!(numbers, (1..=last).collect::<Vec<_>>(), "in order, none lost, none twice");
    assert_eq!(doubled(&cell.store().results()), Vec::<String>::new());
    assert_eq!(cell.store().integrity(), Vec::<String>::new());
    assert_eq!(cell.log().matches("store-full").count(), cell.log().matches("store-writable").count());
}

#[test]
#[ignore = "needs root to mount a small file system"]
fn a_full_disk_loses_nothing_and_goes_on_when_there_is_room() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let disk = Small::mounted(&cell.path("store"));
    cell.start_listening(&[&line]);
    send(&mut line, 1..=5);
    cell.until_recorded("a", 5);
    let mut last = 5;
    for _ in 0..3 {
        let ballast = disk.fill();
        // Room in files that are there already is used up first.
        let why = cell.until("the trouble to be told", |cell| {
            send(&mut line, last + 1..=last + 50);
            last += 50;
            trouble(cell)
        });
        assert!(why.contains("full"), "{why}");
        fs::remove_file(ballast).unwrap();
        cell.until_recorded("a", usize::try_from(last).unwrap());
    }
    assert_eq!(cell.until("the trouble to be over", |cell| trouble(cell).is_none().then_some(())), ());
    let mut drops = cell.drops("mes");
    assert_eq!(cell.until_delivered(&mut drops), Vec::<String>::new());
    all_there(&cell, last);
    cell.stop();
}

#[test]
#[ignore = "needs root to mount a small file system"]
fn a_disk_that_is_read_only_for_a_while_loses_nothing() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let disk = Small::mounted(&cell.path("store"));
    cell.start_listening(&[&line]);
    send(&mut line, 1..=5);
    cell.until_recorded("a", 5);
    cell.stop();
    // A file system with files open for writing can't be remounted: the daemon finds it read-only when it comes up.
    disk.remount("ro");
    cell.start();
    let ended = cell.ended();
    assert_eq!(ended.code(), Some(3), "the store can't be used, and that is said:\n{}", cell.log());
    disk.remount("rw");
    line.let_go();
    cell.start_listening(&[&line]);
    send(&mut line, 6..=9);
    cell.until_recorded("a", 9);
    all_there(&cell, 9);
}

/// A limit on the size of files kills a program that does not expect it (SIGXFSZ). This one must end with its own
/// status instead, and a start without the limit must find everything that was acknowledged.
#[test]
fn a_limit_on_file_size_is_no_death_by_signal() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    send(&mut line, 1..=5);
    cell.until_recorded("a", 5);
    let limit = rustix::process::Rlimit { current: Some(200_000), maximum: Some(200_000) };
    let daemon = rustix::process::Pid::from_raw(cell.process() as i32);
    rustix::process::prlimit(daemon, rustix::process::Resource::Fsize, limit).unwrap();
    for number in 6..4_000 {
        if line.send_some(&instruments::counted(number)) == 0 {
            break;
        }
    }
    let status = cell.ended();
    assert_eq!(status.code(), Some(74), "{status}\n{}", cell.log());
    let known = cell.store().readings("a").len();
    assert!(known >= 5);
    assert_eq!(cell.store().integrity(), Vec::<String>::new());
    line.let_go();
    cell.start_listening(&[&line]);
    cell.until("the rest of the numbers", |cell| (cell.store().readings("a").len() >= known).then_some(()));
    assert_eq!(doubled(&cell.store().results()), Vec::<String>::new());
}

/// Whoever is slow to take what `readings` prints (a pager, a stopped pipe) keeps no log from being brought back.
#[test]
fn a_reader_that_stands_still_does_not_hold_the_log() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    send(&mut line, 1..=400);
    cell.until_recorded("a", 400);
    let mut asked = cell.begin_asking(&["readings", "--json"]);
    let mut output = std::io::BufReader::new(asked.stdout.take().unwrap());
    let mut first = String::new();
    std::io::BufRead::read_line(&mut output, &mut first).unwrap();
    assert!(first.contains("result_id"), "it has begun: {first}");
    send(&mut line, 401..=420);
    cell.until_recorded("a", 420);
    let other = rusqlite::Connection::open(cell.store_path()).unwrap();
    let held = || other.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, i64>(0)).unwrap() == 1;
    cell.until("the log to be brought back", |_| (!held()).then_some(()));
    // The check can fail: a read transaction holds the log.
    let reader = rusqlite::Connection::open(cell.store_path()).unwrap();
    reader.execute_batch("BEGIN; SELECT count(*) FROM result;").unwrap();
    send(&mut line, 421..=425);
    cell.until_recorded("a", 425);
    assert!(held());
    drop(reader);
    let rest = std::io::BufRead::lines(output).count();
    assert_eq!(rest + 1, 400, "what was there when it began");
    assert!(asked.wait().unwrap().success());
    cell.stop();
}

/// Until the daemon ends, or waits for room and its status tells why; whether it waits.
fn ended_or_waits(cell: &mut Cell) -> bool {
    let found = within(LONG, || {
        // It may end while it is asked.
        let said = cell.ask(&["status", "--json"]);
        let told = said.status.success() && {
            let why = said.json()[0]["daemon"]["store_trouble"].to_string();
            why.contains("full") || why.contains("No space")
        };
        if cell.has_ended() { Some(false) } else { told.then_some(true) }
    });
    found.unwrap_or_else(|| panic!("neither an end nor a word:\n{}", cell.log()))
}

/// The disk is full before the daemon starts: it says so and waits, and goes on once there is room.
#[test]
#[ignore = "needs root to mount a small file system"]
fn a_disk_that_is_full_at_the_start_is_waited_for() {
    let mut bench = Bench::new(None);
    let disk = Small::mounted(&bench.cell.path("store"));
    let mut found = bench.goes_on();
    bench.look();
    bench.cell.stop();
    bench.line.let_go();
    let ballast = disk.fill();
    let file = bench.export();
    bench.cell.start();
    assert!(ended_or_waits(&mut bench.cell), "it ended:\n{}", bench.cell.log());
    assert!(bench.cell.log().contains("store-full"), "{}", bench.cell.log());
    assert!(file.exists(), "nothing is acknowledged yet");
    fs::remove_file(ballast).unwrap();
    let device = bench.line.device().unwrap().to_owned();
    bench.cell.until("a station that listens", |cell| cell.has_open(&device).then_some(()));
    found.extend(bench.catches_up());
    found.extend(bench.judge());
    bench.cell.stop();
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// Where there is no room to make the store, or only for a part of it, the daemon ends and says why; a start with room
/// finds nothing in its way.
#[test]
#[ignore = "needs root to mount a small file system"]
fn a_disk_that_is_full_before_there_is_a_store_is_told() {
    for left in [0, 1, 2, 4, 9, 20, 60] {
        let mut bench = Bench::new(None);
        let disk = Small::mounted(&bench.cell.path("store"));
        let ballast = disk.fill();
        let file = fs::File::options().write(true).open(&ballast).unwrap();
        file.set_len(file.metadata().unwrap().len() - left * 4096).unwrap();
        drop(file);
        let exported = bench.export();
        bench.cell.start();
        let waits = ended_or_waits(&mut bench.cell);
        assert!(exported.exists(), "{left} pages left: nothing is acknowledged yet");
        let code = if waits { bench.cell.asked_to_stop().code() } else { bench.cell.ended().code() };
        let log = bench.cell.log();
        println!("{left} pages left: waited: {waits}, ended with {code:?}: {}", log.lines().last().unwrap_or_default());
        assert_eq!(code, Some(if waits { 75 } else { 3 }), "{left} pages left:\n{log}");
        assert!(log.contains("full") || log.contains("No space"), "{log}");
        fs::remove_file(ballast).unwrap();
        let mut found = bench.goes_on();
        found.extend(bench.judge());
        bench.cell.stop();
        assert!(found.is_empty(), "{left} pages left: {}", found.join("\n"));
    }
}

/// Each sync takes 300 ms: readings that come faster are committed together, the program answers, feeds the watchdog and
/// stops in time.
#[test]
#[ignore = "needs strace"]
fn a_slow_disk_loses_nothing_and_holds_nobody_up() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut lines = [cell.port("a", "counted", "G-1"), cell.port("b", "counted", "G-2")];
    cell.sink("mes", "reading");
    cell.configure();
    let notify = cell.path("notify");
    let manager = std::os::unix::net::UnixDatagram::bind(&notify).unwrap();
    manager.set_nonblocking(true).unwrap();
    cell.set("NOTIFY_SOCKET", &notify.display().to_string());
    cell.set("WATCHDOG_USEC", "9000000");
    let trace = cell.path("trace");
    let syncs = "fsync,fdatasync";
    let (trace_of, inject) = (format!("--trace={syncs}"), format!("--inject={syncs}:delay_exit=300000"));
    cell.run_under(&["strace", "-D", "-f", "-qq", "-y", "-o", trace.to_str().unwrap(), &trace_of, &inject]);
    cell.start_listening(&[&lines[0], &lines[1]]);
    let mut heard = String::new();
    let mut listen = || {
        let mut buffer = [0; 4096];
        while let Ok(count) = manager.recv(&mut buffer) {
            heard.push_str(&String::from_utf8_lossy(&buffer[..count]));
            heard.push('\n');
        }
        heard.matches("WATCHDOG=1").count()
    };
    let last = 75;
    let began = Instant::now();
    for number in 1..=last {
        let due = Duration::from_millis(200) * u32::try_from(number).unwrap();
        std::thread::sleep(due.saturating_sub(began.elapsed()));
        lines.iter_mut().for_each(|line| line.send(&instruments::counted(number)));
        if number % 25 == 0 {
            assert_eq!(trouble(&cell), None);
            listen();
        }
    }
    for station in ["a", "b"] {
        cell.until_recorded(station, usize::try_from(last).unwrap());
    }
    let recorded = began.elapsed();
    cell.until("three signs of life", |_| (listen() >= 3).then_some(()));
    // `stop` waits fifteen seconds at most and takes no other status than 0; 75 would tell that ten were not enough.
    cell.stop();
    let traced = fs::read_to_string(&trace).unwrap();
    let commits = traced.lines().filter(|line| line.contains("-wal>") && line.contains("(DELAYED)")).count();
    println!("{} readings, {commits} syncs of the log, recorded after {} ms", 2 * last, recorded.as_millis());
    assert!(commits > 0, "no sync was slow: nothing is shown");
    assert!(commits < 2 * usize::try_from(last).unwrap(), "{commits} syncs: no two readings were committed together");
    cell.run_under(&[]);
    lines.iter().for_each(Line::let_go);
    cell.start_listening(&[&lines[0], &lines[1]]);
    let mut drops = cell.drops("mes");
    assert_eq!(cell.until_delivered(&mut drops), Vec::<String>::new());
    for station in ["a", "b"] {
        let numbers: Vec<u64> = cell.store().readings(station).iter().map(|row| number_of(row).unwrap()).collect();
        assert_eq!(numbers, (1..=last).collect::<Vec<_>>(), "{station}: in order, none lost, none twice");
    }
    assert_eq!(doubled(&cell.store().results()), Vec::<String>::new());
    assert_eq!(cell.store().integrity(), Vec::<String>::new());
    cell.stop();
}

/// A disk that takes more than a second for each sync is slow; a stop waits for it, and names nobody.
#[test]
#[ignore = "needs strace"]
fn a_stop_waits_for_a_slow_disk() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    let process = cell.process().to_string();
    let syncs = ["--trace=fsync,fdatasync", "--inject=fsync,fdatasync:delay_exit=1200000"];
    let mut tracer = std::process::Command::new("strace")
        .args(["-f", "-qq", "-o", cell.path("trace").to_str().unwrap(), "-p", &process])
        .args(syncs)
        .spawn()
        .unwrap();
    let status = PathBuf::from("/proc").join(&process).join("task");
    cell.until("every thread to be traced", |_| {
        let threads = fs::read_dir(&status).unwrap().map(|thread| thread.unwrap().path().join("status"));
        let is_traced = |status: PathBuf| !fs::read_to_string(status).unwrap_or_default().contains("TracerPid:\t0\n");
        threads.into_iter().all(is_traced).then_some(())
    });
    line.send(&instruments::counted(2));
    let began = Instant::now();
    let code = cell.asked_to_stop().code();
    println!("stopped after {} ms", began.elapsed().as_millis());
    assert_eq!(code, Some(0), "{}", cell.log());
    assert!(fs::read_to_string(cell.path("trace")).unwrap().contains("(DELAYED)"), "no sync was slow");
    let _ = tracer.wait();
    assert_eq!(cell.store().integrity(), Vec::<String>::new());
}
