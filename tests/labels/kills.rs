//! Labels and a daemon that is killed, or loses the scanner in the middle of one.

use std::time::Duration;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::feeder::Feeder;
use ridgepost_tests::instruments::{counted, number_of};
use ridgepost_tests::oracle::{Store, field};
use ridgepost_tests::seed::Seeded;

/// Pieces by number, kept until another one.
const NUMBERED: &str = r#"
[keep]
serial = { piece = false }
[[label]]
name = "piece"
pattern = 'SN-(?<serial>\d{6})'
"#;

fn numbered(number: u64) -> Vec<u8> {
    format!("SN-{number:06}\r\n").into_bytes()
}

/// What the stored readings should say: the piece of the last whole label that was stored before each.
fn misassigned(store: &Store) -> (Vec<String>, usize) {
    let sql = "SELECT id, CAST(raw AS TEXT) AS text FROM transmission WHERE station = 'scanner' ORDER BY id";
    let labels: Vec<(i64, String)> = store
        .query(sql, [])
        .iter()
        .filter_map(|row| {
            let serial = field(row, "text").trim().strip_prefix("SN-")?;
            (serial.len() == 6).then(|| (field(row, "id").parse().unwrap(), serial.to_owned()))
        })
        .collect();
    let mut findings = Vec::new();
    let rows = store.readings("a");
    for row in &rows {
        let transmission: i64 = field(row, "transmission").parse().unwrap();
        let before = labels.iter().rev().find(|(label, _)| *label < transmission);
        let expected = before.map_or("", |(_, serial)| serial);
        if field(row, "serial") != expected {
            findings.push(format!("{} is of {} and not of {expected}", field(row, "seq"), field(row, "serial")));
        }
    }
    (findings, rows.iter().filter(|row| !field(row, "serial").is_empty()).count())
}

/// Killed at random moments between labels and readings: every reading has the piece of the label stored before it, and
/// what `status` shows after is the last label stored.
#[test]
fn a_kill_leaves_every_reading_with_its_label() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut a = Feeder::new("a", cell.port("a", "counted", "G-1"), counted);
    let mut scanner = Feeder::new("scanner", cell.scanner("scanner", &[]), numbered);
    cell.write("labels.toml", NUMBERED);
    cell.configure();
    let seed = Seeded::seed_of_run();
    let mut seeded = Seeded::new(seed);
    for _ in 0..12 {
        cell.start_listening(&[a.line(), scanner.line()]);
        for _ in 0..seeded.between(4, 40) {
            match seeded.between(0, 2) {
                0 => scanner.speak(&mut seeded),
                _ => a.speak(&mut seeded),
            }
            std::thread::sleep(Duration::from_millis(seeded.between(0, 6)));
        }
        cell.kill();
        a.daemon_was_killed();
        scanner.daemon_was_killed();
        let store = cell.store();
        let last = store.query(
            "SELECT CAST(raw AS TEXT) AS text FROM transmission AS t JOIN frame AS f \
            ON f.transmission = t.id WHERE t.station = 'scanner' AND f.outcome = 'accepted' AND length(t.raw) > 3 ORDER BY t.id DESC LIMIT 1",
            [],
        );
        let held = cell.ask_json(&["status"])[0]["store"]["labels"].clone();
        let held = held[0]["value"].as_str().unwrap_or_default();
        assert_eq!(held, last.first().map_or("", |row| field(row, "text").trim()).trim_start_matches("SN-"));
    }
    a.finish_speaking();
    scanner.finish_speaking();
    cell.start_listening(&[a.line(), scanner.line()]);
    a.say();
    let last = a.last_number();
    cell.until("the last reading", |cell| {
        let rows = cell.store().readings("a");
        (number_of(rows.last()?) == Ok(last)).then_some(())
    });
    cell.stop();
    let store = cell.store();
    let (findings, assigned) = misassigned(&store);
    assert_eq!(findings, Vec::<String>::new(), "RIDGEPOST_SEED={seed}");
    assert!(assigned > 10, "labels were heard: {assigned}");
    assert_eq!(a.account(&store, number_of).1, Vec::<String>::new(), "RIDGEPOST_SEED={seed}");
    // The rig can fail: where the labels of the second half are not known, its readings are found out.
    let raw = rusqlite::Connection::open(cell.store_path()).unwrap();
    let middle = "SELECT id FROM transmission WHERE station = 'scanner' AND id > \
        (SELECT avg(id) FROM transmission WHERE station = 'scanner')";
    raw.execute(&format!("UPDATE transmission SET raw = x'58' WHERE id IN ({middle})"), []).unwrap();
    assert!(!misassigned(&cell.store()).0.is_empty(), "RIDGEPOST_SEED={seed}");
}

/// The rest of a label that was cut off by a pulled plug is no label, though it looks like one.
#[test]
fn the_rest_of_a_label_is_no_label() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut scanner = cell.scanner("scanner", &[]);
    cell.write("labels.toml", "[[label]]\nname = \"piece\"\npattern = '(?<serial>\\d+)'\n");
    cell.port("a", "counted", "G-1");
    cell.configure();
    cell.start_listening(&[&scanner]);
    scanner.send(b"12");
    cell.until("half a label taken", |_| (scanner.untaken() == 0).then_some(()));
    scanner.unplug();
    cell.until("the gap", |cell| (!cell.store().frames("scanner").is_empty()).then_some(()));
    scanner.replug();
    let device = scanner.device().unwrap().to_owned();
    cell.until("the scanner again", |cell| cell.has_open(&device).then_some(()));
    scanner.send(b"345\r\n12345\r\n");
    cell.until("three frames", |cell| (cell.store().frames("scanner").len() == 3).then_some(()));
    let frames = cell.store().frames("scanner");
    let fared: Vec<String> =
        frames.iter().map(|frame| format!("{} {}", field(frame, "outcome"), field(frame, "reason"))).collect();
    assert_eq!(fared, ["incomplete cut-off", "damaged cut-off", "accepted "]);
    let held = cell.ask_json(&["status"])[0]["store"]["labels"].clone();
    assert_eq!(held[0]["value"], "12345");
    cell.stop();
}
