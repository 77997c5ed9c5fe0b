//! Errors that a serial driver counts: the frame in hand is no reading unless it proves itself whole, and they are told.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::process::Command;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::{counted, plain};
use ridgepost_tests::oracle::field;
use ridgepost_tests::pty::Line;

const DAEMON: &str = env!("CARGO_BIN_EXE_ridgepost");

/// A cell whose instruments have a check value (`a`) and none (`b`).
struct Bench {
    cell: Cell,
    lines: [Line; 2],
}

impl Bench {
    fn new() -> Bench {
        let mut cell = Cell::with_instruments(DAEMON);
        let lines = [cell.port("a", "counted", "G-1"), cell.port("b", "plain", "G-2")];
        cell.configure();
        Bench { cell, lines }
    }

    /// The driver counts; what it counted is what [`Bench::count`] says.
    fn counting(mut self) -> Bench {
        let (source, library) = (self.cell.path("counting.c"), self.cell.path("counting.so"));
        fs::write(&source, include_str!("src/counting.c")).unwrap();
        let mut compiler = Command::new("cc");
        compiler.args(["-shared", "-fPIC", "-o"]).arg(&library).arg(&source);
        assert!(compiler.status().unwrap().success());
        self.cell.set("LD_PRELOAD", &library.display().to_string());
        self.cell.set("RIG_COUNTS", &self.cell.path("counts").display().to_string());
        self
    }

    fn count(&self, frame: i32, overrun: i32, parity: i32, buffer_overrun: i32) {
        let new = self.cell.path("counts.new");
        fs::write(&new, format!("{frame} {overrun} {parity} {buffer_overrun}\n")).unwrap();
        fs::rename(new, self.cell.path("counts")).unwrap();
    }

    fn start(&mut self) {
        let [a, b] = &self.lines;
        self.cell.start_listening(&[a, b]);
    }

    /// Both say their message of this number.
    fn say(&mut self, number: u64) {
        self.lines[0].send(&counted(number));
        self.lines[1].send(&plain(number));
    }

    /// Of every frame of a station: how it fared, and whether it is told that something was lost.
    fn frames(&self, station: &str) -> Vec<String> {
        let told = |row| field(row, "remarks").contains("overrun");
        let words = |row| format!("{} {} {}", field(row, "outcome"), field(row, "reason"), told(row));
        self.cell.store().frames(station).iter().map(words).collect()
    }

    fn until_frames(&mut self, count: usize) {
        self.cell.until("frames", |cell| {
            let store = cell.store();
            ["a", "b"].iter().all(|station| store.frames(station).len() >= count).then_some(())
        });
    }

    fn status(&self, station: &str) -> serde_json::Value {
        self.cell.ask_json(&["status"]).remove(0)["daemon"]["stations"][station].clone()
    }
}

#[test]
fn what_was_lost_on_the_line_makes_no_reading_that_nothing_proves_whole() {
    let mut bench = Bench::new().counting();
    // What was counted before the port was opened says nothing of what is heard.
    bench.count(100, 100, 100, 100);
    bench.start();
    bench.say(1);
    bench.until_frames(1);
    for (number, [frame, overrun, parity, buffer]) in
        [[100, 101, 100, 100], [100, 101, 100, 103], [101, 101, 100, 103], [101, 101, 105, 103]].iter().enumerate()
    {
        bench.count(*frame, *overrun, *parity, *buffer);
        bench.say(2 + 2 * number as u64);
        bench.until_frames(2 + 2 * number);
        bench.say(3 + 2 * number as u64);
        bench.until_frames(3 + 2 * number);
    }
    let (good, proven, lost) = ("accepted  false", "accepted  true", "damaged lost true");
    assert_eq!(bench.frames("a"), [good, proven, good, proven, good, proven, good, proven, good]);
    assert_eq!(bench.frames("b"), [good, lost, good, lost, good, lost, good, lost, good]);
    bench.cell.until_recorded("b", 5);
    let values: Vec<String> =
        bench.cell.store().readings("b").iter().map(|row| field(row, "value").to_owned()).collect();
    assert_eq!(values, ["0.001", "0.003", "0.005", "0.007", "0.009"]);
    let line = bench.status("b")["line"].clone();
    assert_eq!(line, serde_json::json!({ "overruns": 4, "framing": 1, "parity": 5 }));
    let shown = bench.cell.ask(&["status"]).stdout;
    assert!(shown.contains("4 bytes lost, 1 bytes without a stop bit, 5 bytes of wrong parity"), "{shown}");
    // Read again, they are no readings still.
    let told = bench.cell.ask_json(&["replay", "--station", "b"]);
    assert_eq!((&told[0]["new"], &told[0]["corrected"]), (&0.into(), &0.into()), "{told:?}");
}

/// The control: a driver that does not count is asked no more, everything is read, and nothing is told.
#[test]
fn a_line_without_counters_is_read_as_it_is() {
    let mut bench = Bench::new();
    bench.start();
    for number in 1..=5 {
        bench.say(number);
    }
    bench.until_frames(5);
    assert_eq!(bench.frames("b"), vec!["accepted  false"; 5]);
    assert!(bench.status("b")["line"].is_null(), "{}", bench.status("b"));
}
