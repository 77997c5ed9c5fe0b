//! One reading per commit, asked of the writer directly, beside the bare disk: the same number of bytes appended to a
//! file, with an fdatasync each.

use std::fs::File;
use std::io::Write;
use std::os::unix::fs::MetadataExt;
use std::sync::Arc;
use std::time::Instant;

use ridgepost::capture::session::{Action, Before, Event, Session};
use ridgepost::cell::Cell as Configured;
use ridgepost::clock::Clock;
use ridgepost::store::weaken::Weakened;
use ridgepost::store::writer::{self, Outfit};
use ridgepost::store::{Answer, Burst, Heard, Pen, What};
use ridgepost_parsers::Tick;

use crate::figures::{Figures, Goal, percentile};
use crate::peers::Python;
use crate::{Amounts, shop};

/// Commits that are written before anything is measured: by then the log was brought back into the store.
const WARM: usize = 600;

/// Measures both in turns.
pub fn commits(_: &Python, amounts: &Amounts, figures: &mut Figures) {
    let cell = {
        let mut cell = shop::cell(&[("Ra", "0.8")]);
        drop(cell.port("a", "line", "RT-01"));
        cell.sink("mes", "reading");
        shop::open(&cell);
        cell
    };
    let clock = Clock::new(jiff::tz::TimeZone::UTC);
    let configured = Arc::new(Configured::load(&cell.path("cell")).unwrap());
    let outfit = Outfit {
        path: cell.store_path(),
        cell: Arc::clone(&configured),
        clock: clock.clone(),
        nudges: Vec::new(),
        fatal: Arc::new(|_, reason| panic!("{reason}")),
        found: ridgepost::store::damage::Found::default(),
        health: Arc::default(),
        weakened: Weakened::No,
    };
    let (pen, thread) = writer::start(outfit).unwrap();
    let mut said = 0;
    let mut write = |count: usize| commit(&pen, &configured, &clock, &mut said, count);
    let log = cell.store_path().with_file_name("store.db-wal");
    let size = || std::fs::metadata(&log).map_or(0, |data| data.size());
    write(10);
    let before = size();
    write(40);
    let bytes = usize::try_from((size() - before) / 40).unwrap();
    write(WARM);
    for _ in 0..amounts.rounds {
        let [ours, slowest] = write(amounts.commits);
        let [bare, bare_slowest] = append(&cell.path("appended"), bytes, amounts.commits);
        figures.add("commits/s", ours);
        figures.add("commit p99, ms", slowest);
        figures.add(&format!("appends of {bytes} bytes/s"), bare);
        figures.add("append p99, ms", bare_slowest);
        figures.add("appends of 200 bytes/s", append(&cell.path("appended"), 200, amounts.commits)[0]);
    }
    drop(pen);
    thread.join().unwrap();
    if shop::count(&cell, "SELECT count(*) FROM results WHERE kind = 'reading'") != said as i64 {
        figures.lost(format!("not all of {said} readings are stored"));
    }
    let figure = format!("b. one reading per commit/s; bare appends of the same {bytes} bytes");
    figures.beside(&figure, "commits/s", &format!("appends of {bytes} bytes/s"), Goal::Least(0.9));
    figures.beside("b. the same; bare appends of 200 bytes", "commits/s", "appends of 200 bytes/s", Goal::Told);
    figures.beside("b. one commit, p99, ms; bare append, p99", "commit p99, ms", "append p99, ms", Goal::Told);
}

/// Readings, each told as written before the next is sent: how many a second, and the 99th percentile in ms.
fn commit(pen: &Pen, cell: &Configured, clock: &Clock, said: &mut u64, count: usize) -> [f64; 2] {
    let station = Arc::new(cell.plan.stations[0].clone());
    let mut session = Session::new(&station.instrument, Tick(0), &Before::default(), false);
    session.step(Tick(0), Event::Passed);
    session.step(Tick(0), Event::Opened);
    let mut waits = Vec::with_capacity(count);
    let began = Instant::now();
    for _ in 0..count {
        *said += 1;
        let line = format!("RD {said:06} Ra 0.{:03} um\r\n", 100 + *said % 700);
        let from = Instant::now();
        for action in session.step(clock.tick(), Event::Bytes(line.as_bytes())) {
            let Action::Record(frame, decoded) = action else { continue };
            let burst = Burst {
                origin: format!("bench a {said}"),
                station: Arc::clone(&station),
                source: "a".into(),
                received: clock.stamp(),
                heard: Heard { number: 1, frame: *frame, decoded: *decoded },
            };
            let answer = pen.ask_blocking(What::Bursts(vec![burst])).unwrap();
            assert!(matches!(answer, Answer::Tally(tally) if tally.new == 1), "reading {said} was not new");
        }
        waits.push(from.elapsed().as_secs_f64() * 1e3);
    }
    [count as f64 / began.elapsed().as_secs_f64(), percentile(&waits, 0.99)]
}

/// Appends with an fdatasync each: how many a second, and the 99th percentile in ms.
fn append(path: &std::path::Path, bytes: usize, count: usize) -> [f64; 2] {
    let mut file = File::create(path).unwrap();
    let block = vec![b'x'; bytes];
    let mut waits = Vec::with_capacity(count);
    let began = Instant::now();
    for _ in 0..count {
        let from = Instant::now();
        file.write_all(&block).unwrap();
        file.sync_data().unwrap();
        waits.push(from.elapsed().as_secs_f64() * 1e3);
    }
    let rate = count as f64 / began.elapsed().as_secs_f64();
    drop(file);
    std::fs::remove_file(path).unwrap();
    [rate, percentile(&waits, 0.99)]
}
