//! The store's disk fills up, is remounted read-only, meets a limit on file size: nothing is lost, nothing doubled, and
//! it goes on by itself when there is room.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::doubled;
use ridgepost_tests::pty::Line;

/// A small file system of its own under a folder; gone with this.
struct Small(PathBuf);

impl Small {
    fn mounted(path: &Path) -> Small {
        fs::create_dir_all(path).unwrap();
        run("mount", &["-t", "tmpfs", "-o", "size=64m", "tmpfs", path.to_str().unwrap()]);
        Small(path.to_owned())
    }

    fn remount(&self, how: &str) {
        run("mount", &["-o", &format!("remount,{how}"), self.0.to_str().unwrap()]);
    }

    /// Takes all the room there is, down to the last page.
    fn fill(&self) -> PathBuf {
        let ballast = self.0.join("ballast");
        let mut file = fs::File::create(&ballast).unwrap();
        for size in [64 * 1024, 4096, 512] {
            while std::io::Write::write_all(&mut file, &vec![0; size]).is_ok() {}
        }
        ballast
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

fn run(program: &str, arguments: &[&str]) {
    let status = Command::new(program).args(arguments).status().unwrap();
    assert!(status.success(), "{program} {arguments:?}: {status}");
}

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
