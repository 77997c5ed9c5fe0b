//! The PC's clock jumps by years, is set back, changes to winter time, or comes up in 1970: order, time-outs and files
//! don't care, what can't be known is not claimed. The monotonic clock is the real one throughout.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{Row, deliveries, field};
use ridgepost_tests::patience::within;
use ridgepost_tests::pty::Line;

/// What the kernel says about the clock, in place of the kernel.
const SYNCHRONISED: &str = r#"
#include <stdio.h>
#include <stdlib.h>
#include <sys/timex.h>
int adjtimex(struct timex *t) {
    FILE *f = fopen(getenv("RIG_SYNCHRONISED"), "r");
    int yes = f && fgetc(f) == 'y';
    if (f) fclose(f);
    t->status = yes ? 0 : STA_UNSYNC;
    return yes ? TIME_OK : TIME_ERROR;
}
"#;

/// A daemon's clock in the hands of a test.
struct Fake {
    time: PathBuf,
    synchronised: PathBuf,
}

impl Fake {
    /// Takes the clock of a cell's programs in hand.
    fn of(cell: &mut Cell) -> Fake {
        let (time, synchronised) = (cell.path("time"), cell.path("synchronised"));
        let (source, library) = (cell.path("synchronised.c"), cell.path("synchronised.so"));
        fs::write(&source, SYNCHRONISED).unwrap();
        let mut compiler = std::process::Command::new("cc");
        compiler.args(["-shared", "-fPIC", "-o"]).arg(&library).arg(&source);
        assert!(compiler.status().unwrap().success());
        let folders = fs::read_dir("/usr/lib").unwrap().flatten();
        let mut fakers = folders.map(|folder| folder.path().join("faketime/libfaketimeMT.so.1"));
        let faker = fakers.find(|path| path.exists()).expect("libfaketime");
        cell.set("LD_PRELOAD", &format!("{}:{}", faker.display(), library.display()));
        cell.set("FAKETIME_TIMESTAMP_FILE", &time.display().to_string());
        cell.set("FAKETIME_NO_CACHE", "1");
        cell.set("FAKETIME_DONT_FAKE_MONOTONIC", "1");
        cell.set("DONT_FAKE_MONOTONIC", "1");
        cell.set("TZ", "UTC");
        cell.set("RIG_SYNCHRONISED", &synchronised.display().to_string());
        let fake = Fake { time, synchronised };
        fake.is("+0", true);
        fake
    }

    /// Sets the clock: an offset such as `+11y`, or `@` and a time from which it goes on.
    fn is(&self, time: &str, synchronised: bool) {
        for (path, text) in [(&self.time, time), (&self.synchronised, if synchronised { "y" } else { "n" })] {
            let part = path.with_extension("part");
            fs::write(&part, format!("{text}\n")).unwrap();
            fs::rename(part, path).unwrap();
        }
    }
}

fn numbers(cell: &Cell) -> Vec<u64> {
    cell.store().readings("a").iter().map(|row| number_of(row).unwrap()).collect()
}

fn year(row: &Row) -> i32 {
    field(row, "received_at")[..4].parse().unwrap()
}

fn say(cell: &mut Cell, line: &mut Line, number: u64) {
    line.send(&instruments::counted(number));
    cell.until_recorded("a", number as usize);
}

#[test]
#[ignore = "needs libfaketime"]
fn a_clock_that_jumps_by_years_harms_nothing() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let hourly = cell.sink("hourly", "minutes");
    cell.configure();
    let text = fs::read_to_string(cell.path("cell/cell.toml")).unwrap();
    cell.write("cell.toml", &text.replace("per = \"minutes\"", "per = \"minutes\", minutes = 60"));
    let fake = Fake::of(&mut cell);
    cell.start_listening(&[&line]);
    say(&mut cell, &mut line, 1);
    // In the middle of a message, forwards and back: its time-out is not the wall clock's.
    let second = instruments::counted(2);
    line.send(&second[..5]);
    fake.is("+11y", true);
    line.send(&second[5..9]);
    fake.is("-5y", true);
    line.send(&second[9..]);
    cell.until_recorded("a", 2);
    fake.is("+11y", true);
    say(&mut cell, &mut line, 3);
    // What was put together in the future does not wait for it.
    fake.is("-5y", true);
    say(&mut cell, &mut line, 4);
    let closed = within(Duration::from_secs(120), || {
        fs::read_dir(&hourly).unwrap().flatten().any(|file| file.path().extension().is_some()).then_some(())
    });
    assert!(closed.is_some(), "a file by minutes is not held back by a clock that was set back:\n{}", cell.log());
    // A plug is pulled in the future and put in again in the past.
    fake.is("+11y", true);
    line.unplug();
    cell.until_logged("code=\"deaf\"");
    cell.until("the gap", |cell| {
        cell.store().coverage("a").iter().any(|gap| field(gap, "until_us").is_empty()).then_some(())
    });
    fake.is("-5y", true);
    line.replug();
    let device = line.device().unwrap().to_owned();
    cell.until("the port", |cell| cell.has_open(&device).then_some(()));
    say(&mut cell, &mut line, 5);
    cell.stop();
    line.let_go();
    fake.is("+0", true);
    cell.start_listening(&[&line]);
    say(&mut cell, &mut line, 6);
    let mut drops = cell.drops("mes");
    assert_eq!(cell.until_delivered(&mut drops), Vec::<String>::new());
    cell.stop();

    let store = cell.store();
    assert_eq!(numbers(&cell), [1, 2, 3, 4, 5, 6], "by the store's own numbers they are in order");
    let rows = store.readings("a");
    let years: Vec<i32> = rows.iter().map(|row| year(row) - year(&rows[0])).collect();
    assert_eq!((years[2], years[3], years[5]), (11, -5, 0), "the clock did jump: {years:?}");
    assert_eq!(deliveries(&store.results(), &drops), Vec::<String>::new());
    // Names are built on numbers: in the order of names the files are in order.
    let mut files: Vec<(String, String)> =
        drops.rows().iter().map(|(name, row)| (name.clone(), row["value"].clone())).collect();
    files.sort();
    let values: Vec<&str> = files.iter().map(|(_, value)| value.as_str()).collect();
    assert_eq!(values, ["0.001", "0.002", "0.003", "0.004", "0.005", "0.006"], "{files:?}");
    for gap in store.coverage("a") {
        let us = |name: &str| field(&gap, name).parse::<i64>().unwrap();
        assert!(us("until_us") >= us("from_us"), "{gap:?}");
    }
    let told = store.coverage("a").iter().filter(|gap| field(gap, "cause").contains("the clock was set back")).count();
    assert!(told >= 1, "{:?}", store.coverage("a"));
    assert_eq!(cell.log().matches("code=\"deaf\"").count(), 1, "{}", cell.log());
}

#[test]
#[ignore = "needs libfaketime"]
fn winter_time_changes_what_is_shown_and_nothing_else() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let text = fs::read_to_string(cell.path("cell/cell.toml")).unwrap();
    cell.write("cell.toml", &text.replace("\"UTC\"", "\"Europe/Zurich\""));
    let fake = Fake::of(&mut cell);
    // There, 2026-10-25 goes from 03:00 +02:00 to 02:00 +01:00, which is 01:00 UTC.
    fake.is("@2026-10-25 00:59:30", true);
    cell.start_listening(&[&line]);
    say(&mut cell, &mut line, 1);
    fake.is("@2026-10-25 01:00:30", true);
    say(&mut cell, &mut line, 2);
    cell.stop();
    let rows = cell.store().readings("a");
    assert!(field(&rows[0], "received_at").ends_with("+02:00") && field(&rows[1], "received_at").ends_with("+01:00"));
    assert_eq!(numbers(&cell), [1, 2]);
}

const JOB: &str = r#"
[job]
id = "J-1"
part_number = "P-1"
revision = "A"
operation = "10"
edition = "ISO 21920"
gate = "hold"
accept_unknown_conditions = true
[[characteristic]]
balloon = "1"
feature = "face"
quantity = "Ra"
upper = "900 µm"
rule = "max"
plausible = { min = "0 µm", max = "1000 µm" }
"#;

/// Up in 1970 with nobody to ask: readings say that the clock is not to be believed, and no gauge passes its gate by it.
#[test]
#[ignore = "needs libfaketime"]
fn a_clock_that_can_t_be_right_passes_no_due_date() {
    let mut cell = Cell::new(env!("CARGO_BIN_EXE_ridgepost"));
    cell.instrument("counted", instruments::COUNTED);
    cell.gauge(
        "id = \"G-1\"\nkind = \"stylus\"\ncalibration_due = \"2026-06-30\"\n\
         verified = { on = \"2026-01-05\", source = \"log\" }",
    );
    let mut line = cell.port("a", "counted", "G-1");
    cell.sink("mes", "reading");
    cell.configure();
    cell.write("jobs/j.toml", JOB);
    let fake = Fake::of(&mut cell);
    fake.is("@1970-01-01 00:00:10", false);
    cell.start_listening(&[&line]);
    assert!(cell.ask(&["job", "open", "J-1"]).status.success());
    say(&mut cell, &mut line, 1);
    fake.is("@2026-06-30 12:00:00", true);
    say(&mut cell, &mut line, 2);
    fake.is("@2026-07-01 12:00:00", true);
    say(&mut cell, &mut line, 3);
    // The battery is empty again, and 2026-03-01 is what the PC comes up with: once known days don't come again.
    cell.stop();
    line.let_go();
    fake.is("@2026-03-01 12:00:00", false);
    cell.start_listening(&[&line]);
    say(&mut cell, &mut line, 4);
    let status = cell.ask_json(&["status"]).remove(0);
    assert_eq!((&status["daemon"]["clock_synced"], &status["gauges"][0]["state"]), (&false.into(), &"unknown".into()));
    cell.stop();
    let shown: Vec<[String; 4]> = cell
        .store()
        .readings("a")
        .iter()
        .map(|row| ["clock_synced", "gauge_state", "outcome", "reasons"].map(|name| field(row, name).to_owned()))
        .collect();
    assert_eq!(
        shown,
        [
            ["no", "unknown", "unjudged", "gauge-unknown"],
            ["yes", "verified", "conforms", "within-limits"],
            ["yes", "overdue", "unjudged", "gauge-overdue"],
            ["no", "unknown", "unjudged", "gauge-unknown"],
        ]
    );
    let sql =
        "SELECT remarks FROM frame WHERE transmission IN (SELECT transmission FROM results) ORDER BY transmission";
    let frames = cell.store().query(sql, []);
    let marked = |remarks: &str| remarks.split(' ').any(|remark| remark == "clock-unsynced");
    let unsynced: Vec<bool> = frames.iter().map(|row| marked(field(row, "remarks"))).collect();
    assert_eq!(unsynced, [true, false, false, true]);
}
