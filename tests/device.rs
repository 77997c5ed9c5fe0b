//! Stations at devices that are no serial port: a character device that talks by itself, is asked, pulled and plugged
//! in again; a USB device that is not there.
//!
//! A pseudo-terminal stands for the character device: what it shows beside one of USBTMC is everything but the turns,
//! which `capture/pump.rs` and the guest show (`guest/usb.rs`).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::thread::sleep;
use std::time::Duration;

use ridgepost_tests::answering::Answering;
use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::{counted, number_of};
use ridgepost_tests::oracle::{doubled, field};
use ridgepost_tests::pty::Line;

/// A length gauge that is asked as IEEE 488.2 says, and answers with a block of definite length.
const ASKED: &str = r##"
[instrument]
name = "asked"
[framing]
kind = "prefix"
start = "#"
length_field = { written = "counted-decimal" }
tail = "\n"
[[line]]
pattern = '(?<number>\d+),(?<value>\S+)'
[numbers]
exponent = true
[reading]
quantity = "L"
unit = "mm"
[dialogue]
start = [{ send = "*CLS\n" }]
[dialogue.poll]
send = "READ?\n"
every_ms = 100
answer = "once"
answer_ms = 2000
"##;

fn cell(definition: Option<&str>) -> (Cell, Line) {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let link = cell.path("by-id").join("a");
    if let Some(definition) = definition {
        cell.instrument("asked", definition);
    }
    let instrument = if definition.is_some() { "asked" } else { "counted" };
    cell.station("a", instrument, "G-1", &format!("device = {{ path = \"{}\" }}", link.display()));
    cell.configure();
    let line = Line::plugged_in(&link);
    (cell, line)
}

fn gaps(cell: &Cell) -> Vec<String> {
    let rows = cell.store().query("SELECT cause FROM coverage WHERE station = 'a' ORDER BY id", []);
    rows.iter().map(|row| field(row, "cause").to_owned()).collect()
}

/// Pulled at every seventh byte of a message: the rest of it is kept and is no reading, nothing is doubled, each pull is
/// a gap, and the device is listened to again.
#[test]
fn a_device_that_is_pulled_at_any_byte_is_heard_again() {
    let (mut cell, mut line) = cell(None);
    cell.start_listening(&[&line]);
    line.send(&counted(1));
    cell.until_recorded("a", 1);
    let cut = counted(2);
    let mut said = vec![1];
    for (round, at) in (1..cut.len()).step_by(7).enumerate() {
        line.send(&cut[..at]);
        // Read, and not lost with the device.
        sleep(Duration::from_millis(400));
        line.unplug();
        cell.until("the gap to be told", |cell| (gaps(cell).len() > round).then_some(()));
        line.replug();
        let number = 3 + round as u64;
        line.send(&counted(number));
        said.push(number);
        cell.until_recorded("a", said.len());
    }
    cell.stop();
    let store = cell.store();
    let numbers: Vec<u64> = store.readings("a").iter().map(|row| number_of(row).unwrap()).collect();
    assert_eq!(numbers, said);
    let kept = store.raw("a");
    let longest = &cut[..(cut.len() - 1) / 7 * 7 + 1];
    let longest = if longest.len() == cut.len() { &cut[..cut.len() - 7] } else { longest };
    assert!(kept.windows(longest.len()).any(|bytes| bytes == longest), "a cut message is not kept");
    assert!(doubled(&store.results()).is_empty());
    assert!(store.integrity().is_empty());
}

/// What was sent before a stop is stored, also where it was read a moment ago.
#[test]
fn a_stop_loses_nothing_that_was_read() {
    for round in 0..5 {
        let (mut cell, mut line) = cell(None);
        cell.start_listening(&[&line]);
        for number in 1..=20 {
            line.send(&counted(number));
        }
        sleep(Duration::from_millis(round * 7));
        cell.stop();
        let stored = cell.store().readings("a").len() as u64;
        // What the daemon did not read waits in the kernel for the next one.
        cell.start_listening(&[&line]);
        cell.until_recorded("a", 20);
        cell.stop();
        let numbers: Vec<u64> = cell.store().readings("a").iter().map(|row| number_of(row).unwrap()).collect();
        assert_eq!(numbers, (1..=20).collect::<Vec<_>>(), "after a stop with {stored} stored");
    }
}

/// Asked by the clock; answers in blocks whose numbers have the three forms of IEEE 488.2.
#[test]
fn a_device_that_is_asked_answers_in_blocks() {
    let (mut cell, line) = cell(Some(ASKED));
    let values = ["12", "-0.305", "+1.2347E+1"];
    let mut asked = 0;
    let instrument = Answering::new(line, move |line, bytes| {
        let Some(end) = bytes.windows(6).position(|window| window == b"READ?\n") else { return 0 };
        if let Some(value) = values.get(asked) {
            let text = format!("{},{value}", asked + 1);
            let length = text.len().to_string();
            line.send(format!("#{}{length}{text}\n", length.len()).as_bytes());
        }
        asked += 1;
        end + 6
    });
    cell.start();
    cell.until_recorded("a", 3);
    cell.stop();
    drop(instrument);
    let store = cell.store();
    let rows = store.readings("a");
    let shown: Vec<_> = rows.iter().map(|row| (field(row, "value"), field(row, "value_as_sent"))).collect();
    assert_eq!(shown, [("12", "12"), ("-0.305", "-0.305"), ("12.347", "+1.2347E+1")]);
}

/// A file is no device, and neither is a USB device that nobody plugged in: that is told, and nothing else stops.
#[test]
fn what_is_no_device_is_told_and_holds_nothing_up() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let link = cell.path("by-id").join("a");
    cell.station("a", "counted", "G-1", &format!("device = {{ path = \"{}\" }}", link.display()));
    let file = cell.path("file");
    std::fs::write(&file, "no device").unwrap();
    cell.station("b", "counted", "G-2", &format!("device = {{ path = \"{}\" }}", file.display()));
    cell.station("c", "counted", "G-3", "usb = { id = \"1209:0002\", serial = \"NOT-HERE\" }");
    cell.configure();
    let mut line = Line::plugged_in(&link);
    cell.start();
    line.send(&counted(1));
    cell.until_recorded("a", 1);
    cell.until_logged("it is no character device");
    cell.until_logged("usb 1209:0002:NOT-HERE interface 0 can't be listened to: it is not there");
    let doctor = cell.ask(&["doctor"]);
    assert!(doctor.stdout.contains("usb 1209:0002:NOT-HERE interface 0: it is not there"), "{doctor:?}");
    assert_eq!(cell.ask(&["ports", "--json"]).code(), Some(0));
    cell.stop();
}
