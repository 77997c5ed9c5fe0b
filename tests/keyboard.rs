//! Instruments and scanners that type: taken for the station alone, their keys kept as they came and read by a layout.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::thread::sleep;
use std::time::Duration;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::counted;
use ridgepost_tests::oracle::field;
use ridgepost_tests::typist::{LEFT_SHIFT, Typist, event, typed};

const DAEMON: &str = env!("CARGO_BIN_EXE_ridgepost");

/// A cell with one station whose instrument types, plugged in.
fn cell(layout: &str) -> (Cell, Typist) {
    let mut cell = Cell::with_instruments(DAEMON);
    let path = cell.path("by-id/gauge-event-kbd");
    let typist = Typist::plugged_in(&mut cell, &path);
    let place = format!("keyboard = {{ path = \"{}\", layout = \"{layout}\" }}", path.display());
    cell.station("a", "counted", "G-1", &place);
    cell.configure();
    (cell, typist)
}

/// A message of the rig as it is typed: enter is a carriage return.
fn message(number: u64) -> String {
    String::from_utf8(counted(number)).unwrap().trim_end().to_owned() + "\r"
}

fn state(cell: &Cell) -> serde_json::Value {
    cell.ask_json(&["status"]).remove(0)["daemon"]["stations"]["a"].clone()
}

#[test]
fn what_is_typed_is_a_reading_and_the_keys_are_kept() {
    let (mut cell, mut typist) = cell("us");
    cell.start();
    cell.until_logged("listening on");
    for number in 1..=20 {
        typist.types(&message(number));
    }
    cell.until_recorded("a", 20);
    let store = cell.store();
    let values: Vec<String> = store.readings("a").iter().map(|row| field(row, "value").to_owned()).collect();
    assert_eq!(values, (1..=20).map(|number| format!("0.{number:03}")).collect::<Vec<_>>());
    let raw = String::from_utf8(store.raw("a")).unwrap();
    assert!(raw.starts_with("LEFTSHIFT+N EQUAL 0 0 0 0 0 1 SEMICOLON LEFTSHIFT+P EQUAL LEFTSHIFT+R A "), "{raw}");
    assert_eq!(raw.matches("ENTER ").count(), 20);
    let source = store.query("SELECT DISTINCT source FROM transmission", []);
    assert_eq!(field(&source[0], "source"), format!("{}, keys as us", typist.path().display()));
    let seq = field(&store.readings("a")[0], "seq").to_owned();
    let why = cell.ask(&["why", &seq]);
    assert!(why.stdout.contains("bytes: LEFTSHIFT+N EQUAL 0"), "{why:?}");
}

/// The device is another program's: nothing is read from it, and that is told. The control is what comes after.
#[test]
fn a_device_that_cannot_be_taken_is_not_read() {
    let (mut cell, mut typist) = cell("us");
    typist.is_taken(true);
    cell.start();
    cell.until_logged("can't be taken, so nothing is read from it");
    typist.types(&message(1));
    sleep(Duration::from_secs(2));
    assert_eq!(state(&cell)["state"], "deaf");
    assert!(cell.store().readings("a").is_empty() && cell.store().raw("a").is_empty());
    assert_eq!(cell.log().matches("can't be taken").count(), 1, "{}", cell.log());
    typist.is_taken(false);
    cell.until_recorded("a", 1);
    typist.types(&message(2));
    cell.until_recorded("a", 2);
}

/// A scanner that types is obeyed by what its keys mean, and a key that it lost makes it no other label.
#[test]
fn a_scanner_that_types_is_obeyed() {
    let mut cell = Cell::with_instruments(DAEMON);
    let mut gauge = cell.port("a", "counted", "G-1");
    let path = cell.path("by-id/scanner-event-kbd");
    let mut scanner = Typist::plugged_in(&mut cell, &path);
    let place = format!("keyboard = {{ path = \"{}\", layout = \"us\" }}", path.display());
    cell.scanner_at("scanner", &[], &place);
    cell.write("labels.toml", "[[label]]\nname = \"piece\"\npattern = 'SN-(?<serial>\\d+)'\n");
    cell.configure();
    cell.start_listening(&[&gauge]);
    cell.until_logged(&format!("listening on {}", path.display()));
    let lost = [event(0, 3, 0), event(0, 0, 0)].concat();
    for (number, label) in [
        (1, [typed("SN-1"), typed("7\r")].concat()),
        (2, [typed("SN-1"), lost, typed("8\r")].concat()),
        (3, typed("SN-19\r")),
    ] {
        scanner.send(&label);
        cell.until("the label", |cell| (cell.store().frames("scanner").len() == number).then_some(()));
        gauge.send(&counted(number as u64));
        cell.until_recorded("a", number);
    }
    let serials: Vec<String> = cell.store().readings("a").iter().map(|row| field(row, "serial").to_owned()).collect();
    assert_eq!(serials, ["17", "17", "19"]);
}

#[test]
fn what_is_no_input_device_is_told() {
    let mut cell = Cell::with_instruments(DAEMON);
    let path = cell.path("by-id/text");
    fs::write(&path, "no device").unwrap();
    cell.station("a", "counted", "G-1", &format!("keyboard = {{ path = \"{}\", layout = \"us\" }}", path.display()));
    cell.configure();
    cell.start();
    cell.until_logged("is no input device");
}

#[test]
fn lost_keys_and_unknown_keys_are_no_reading_and_are_kept() {
    let (mut cell, mut typist) = cell("us");
    cell.start();
    cell.until_logged("listening on");
    let whole = message(1);
    let (first, second) = whole.split_at(10);
    typist.types(&message(7));
    // Between SYN_DROPPED and the end of the report nothing counts, the shift that goes down there neither.
    let lost = [event(0, 3, 0), event(1, LEFT_SHIFT, 1), event(0, 0, 0)].concat();
    typist.send(&[typed(first), lost, typed(second)].concat());
    typist.send(&[typed(first), event(1, 59, 1), event(1, 59, 0), typed(second)].concat());
    typist.types(&message(8));
    cell.until_recorded("a", 2);
    let store = cell.store();
    let frames = store.frames("a");
    let shown: Vec<_> = frames.iter().map(|row| [field(row, "outcome"), field(row, "reason")].join(" ")).collect();
    assert_eq!(shown, ["accepted ", "damaged lost", "damaged unknown-key", "accepted "], "{frames:?}");
    assert!(field(&frames[1], "remarks").contains("overrun") && !field(&frames[3], "remarks").contains("overrun"));
    let raw = String::from_utf8(store.raw("a")).unwrap();
    assert!(raw.contains(" LOST ") && raw.contains(" #59 "), "{raw}");
}

/// Pulled out in mid-message and plugged in again: the half is kept and is no reading, the time without is a gap.
#[test]
fn a_device_that_is_pulled_out_comes_back() {
    let (mut cell, mut typist) = cell("us");
    cell.start();
    cell.until_logged("listening on");
    typist.types(&message(1));
    cell.until_recorded("a", 1);
    typist.types(&message(2)[..12]);
    sleep(Duration::from_millis(500));
    typist.pull();
    cell.until("it to be deaf", |cell| (state(cell)["state"] == "deaf").then_some(()));
    sleep(Duration::from_millis(500));
    typist.plug();
    cell.until("it to be heard", |cell| (state(cell)["state"] == "listening").then_some(()));
    typist.types(&message(3));
    cell.until_recorded("a", 2);
    let store = cell.store();
    let values: Vec<String> = store.readings("a").iter().map(|row| field(row, "value").to_owned()).collect();
    assert_eq!(values, ["0.001", "0.003"]);
    let frames = store.frames("a");
    assert!(frames.iter().any(|row| field(row, "outcome") == "incomplete"), "{frames:?}");
    assert!(store.coverage("a").iter().any(|row| !field(row, "until_us").is_empty()));
}

/// What was recorded is tried as the station reads it, and with another layout without a new recording.
#[test]
fn a_recording_of_keys_can_be_tried_with_any_layout() {
    let mut cell = Cell::with_instruments(DAEMON);
    let path = cell.path("by-id/gauge-event-kbd");
    let mut typist = Typist::plugged_in(&mut cell, &path);
    let (device, file) = (path.display().to_string(), cell.path("keys.rec").display().to_string());
    let mut child = cell.begin(&["record", &device, &file, "--layout", "us", "--bytes", "200"], "record.log");
    ridgepost_tests::patience::until_true("a recording", || cell.path("keys.rec").exists());
    typist.types(&message(17));
    typist.types(&message(18));
    assert!(child.wait().unwrap().success(), "{}", fs::read_to_string(cell.path("record.log")).unwrap());
    let definition = cell.path("cell/instruments/counted.toml").display().to_string();
    let tried = cell.ask(&["try", &definition, &file]);
    assert!(tried.stdout.contains(" = 0.017"), "{tried:?}");
    let other = cell.ask(&["try", &definition, &file, "--layout", "de"]);
    assert!(other.code() == Some(1) && !other.stdout.contains(" = 0.0"), "{other:?}");
    assert!(
        other.stdout.contains("bytes: LEFTSHIFT+N EQUAL") && other.stdout.contains("typed: N\u{fffd}0"),
        "{other:?}"
    );
    let plain = cell.path("keys.bin");
    fs::write(&plain, "LEFTSHIFT+R LOST ").unwrap();
    let said = cell.ask(&["try", &definition, &plain.display().to_string(), "--layout", "us", "--json"]);
    assert!(said.stdout.contains("\"overrun\""), "{said:?}");
}
