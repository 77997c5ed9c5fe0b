//! One test for each promise of the README, under its name.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

use std::fs;
use std::thread::sleep;
use std::time::{Duration, Instant};

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::corpus::{Case, Kind, damaged, false_readings};
use ridgepost_tests::drops::Drops;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{Row, Store, deliveries, doubled, field};
use ridgepost_tests::patience::until_true;
use ridgepost_tests::pty::Line;
use ridgepost_tests::seed::Seeded;

fn numbers_of(store: &Store, station: &str) -> Vec<u64> {
    store.readings(station).iter().map(|row| number_of(row).unwrap()).collect()
}

fn none(findings: Vec<String>) {
    assert!(findings.is_empty(), "\n{}\n", findings.join("\n"));
}

/// A reading that anybody was shown, in whatever way, is in the store of the dead daemon: once, after a kill at that
/// very moment. `crash.rs` does the same at random moments and shows that a daemon which acknowledges too early is found
/// out. That a COMMIT outlasts a power cut rests on the settings checked here and on the machine's disk; the test that
/// cuts the power is still to come.
#[test]
fn acknowledged_is_durable() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut line = cell.port("a", "counted", "G-1");
    let exports = cell.folder("b", "exported", "G-2", "*.csv");
    let drops = cell.sink("mes", "reading");
    cell.configure();
    let mut number = 0;
    for round in 0..12_u64 {
        cell.start_listening(&[&line]);
        number += 1;
        let what = ["counter", "drop", "archive"][round as usize % 3];
        match what {
            "counter" => {
                line.send(&instruments::counted(number));
                cell.until("the station's counter", |cell| {
                    let status = cell.ask_json(&["status"]);
                    let recorded = status[0]["daemon"]["stations"]["a"]["recorded"].as_u64()?;
                    (recorded > 0).then_some(())
                });
            }
            "drop" => {
                let before = fs::read_dir(&drops).unwrap().count();
                line.send(&instruments::counted(number));
                cell.until("a result file", |_| (fs::read_dir(&drops).unwrap().count() > before).then_some(()));
            }
            _ => {
                let name = format!("{number}.csv");
                export(&exports, &name, &instruments::exported(number, 1));
                cell.until("the file to be moved away", |_| {
                    exports.join("recorded").join(&name).exists().then_some(())
                });
            }
        }
        cell.kill();
        line.let_go();
        let store = cell.store();
        let station = if what == "archive" { "b" } else { "a" };
        assert_eq!(numbers_of(&store, station).last(), Some(&number), "acknowledged by its {what}");
        none(doubled(&store.results()));
        none(store.integrity());
    }
    cell.start_listening(&[&line]);
    let status = cell.ask_json(&["status"]);
    assert_eq!(status[0]["store"]["journal_mode"], "wal");
    assert_eq!(status[0]["daemon"]["synchronous"], "full", "the writing connection's own word");
}

/// Whatever happens to the folder, every result gets there; and what goes there twice is the same file.
#[test]
fn delivery_is_idempotent() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let folder = cell.path("drops/mes");
    let mut drops = cell.drops("mes");
    cell.start_listening(&[&line]);
    line.send(&[instruments::counted(1), instruments::counted(2)].concat());
    cell.until_recorded("a", 2);
    none(cell.until_delivered(&mut drops));

    let away = cell.path("drops/away");
    fs::rename(&folder, &away).unwrap();
    line.send(&instruments::counted(3));
    cell.until_recorded("a", 3);
    cell.until_logged("sink-waits");
    assert!(!folder.exists(), "a folder that is away is never made");
    fs::write(&folder, "a file in its place").unwrap();
    line.send(&instruments::counted(4));
    cell.until_recorded("a", 4);
    fs::remove_file(&folder).unwrap();
    fs::rename(&away, &folder).unwrap();
    none(cell.until_delivered(&mut drops));
    assert_eq!(drops.count(), 4);

    cell.stop();
    a_crash_between_rename_and_note(&mut cell, &mut drops, &line);
    the_same_again_on_demand(&mut cell, &mut drops);
}

/// The file is in place and the store does not know it yet; or knows it and the file is gone.
fn a_crash_between_rename_and_note(cell: &mut Cell, drops: &mut Drops, line: &Line) {
    let store = rusqlite::Connection::open(cell.store_path()).unwrap();
    let forgotten = store
        .execute("UPDATE parcel SET state = 'due', delivered_at = NULL, sha256 = NULL WHERE state = 'delivered'", [])
        .unwrap();
    assert_eq!(forgotten, 4);
    drop(store);
    let gone = cell.path("drops/mes").join(drops.files().keys().next().unwrap());
    fs::remove_file(&gone).unwrap();
    line.let_go();
    cell.start_listening(&[line]);
    until_outbox_is_empty(cell);
    assert!(gone.exists());
    none(drops.look_again());
    none(deliveries(&cell.store().results(), drops));
}

/// Somebody lost files downstream and asks for them.
fn the_same_again_on_demand(cell: &mut Cell, drops: &mut Drops) {
    let names: Vec<String> = drops.files().keys().cloned().collect();
    for name in &names {
        fs::remove_file(cell.path("drops/mes").join(name)).unwrap();
    }
    let said = cell.ask_json(&["outbox", "again", "2..3"]);
    assert_eq!(said.len(), 1, "{said:?}");
    until_outbox_is_empty(cell);
    cell.stop();
    none(drops.look_again());
    let there: Vec<String> = names.into_iter().filter(|name| cell.path("drops/mes").join(name).exists()).collect();
    assert_eq!(there.len(), 2, "{there:?}");
    assert_eq!(drops.count(), 4, "no other file was made");
}

fn until_outbox_is_empty(cell: &mut Cell) {
    cell.until("an empty outbox", |cell| cell.ask_json(&["outbox", "list"]).is_empty().then_some(()));
}

/// Every byte of noise, of cut and of good messages is found again in the store, in order, by station; and what was no
/// message says why.
#[test]
fn raw_is_kept() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut lines = [cell.port("a", "counted", "G-1"), cell.port("b", "plain", "G-2")];
    let exports = cell.folder("c", "exported", "G-3", "*");
    cell.sink("mes", "reading");
    cell.configure();
    cell.start_listening(&[&lines[0], &lines[1]]);
    let mut seeded = Seeded::new(11);
    let mut sent = [Vec::new(), Vec::new()];
    let mut number = 0;
    for _ in 0..60 {
        for (at, message) in [instruments::counted as fn(u64) -> Vec<u8>, instruments::plain].into_iter().enumerate() {
            number += 1;
            let noise: Vec<u8> = (0..seeded.between(0, 20)).map(|_| seeded.between(0, 255) as u8).collect();
            let whole = message(number);
            let kept = seeded.between(1, whole.len() as u64) as usize;
            let bytes = [&noise[..], &whole[..if seeded.between(0, 1) == 0 { kept } else { whole.len() }]].concat();
            lines[at].send(&bytes);
            sent[at].extend_from_slice(&bytes);
        }
        sleep(Duration::from_millis(seeded.between(0, 5)));
    }
    let garbage: Vec<u8> = (0..5000).map(|_| seeded.between(0, 255) as u8).collect();
    export(&exports, "garbage.bin", &garbage);
    export(&exports, "good.csv", &instruments::exported(1, 3));
    // Garbage ends in the middle of a record, so it stays where it is for a while; its bytes are kept at once.
    cell.until("both files in the store", |cell| {
        let files = cell.store().query("SELECT state FROM file WHERE state <> 'recording'", []);
        (files.len() == 2 && exports.join("recorded/good.csv").exists()).then_some(())
    });
    cell.until("all but the last message", |cell| {
        let store = cell.store();
        (0..2).all(|at| store.raw(["a", "b"][at]).len() + 60 > sent[at].len()).then_some(())
    });
    cell.stop();
    let store = cell.store();
    assert!(store.raw("a") == sent[0] && store.raw("b") == sent[1], "kept bytes are not those sent");
    let lies =
        [exports.join("garbage.bin"), exports.join("recorded/garbage.bin")].into_iter().find(|path| path.exists());
    assert_eq!(fs::read(lies.unwrap()).unwrap(), garbage, "the file itself is as it was");
    let files =
        store.query("SELECT name, hex(raw) AS raw FROM file JOIN transmission ON transmission.id = transmission", []);
    assert_eq!(files.len(), 2);
    for row in &files {
        let bytes = if field(row, "name") == "good.csv" { instruments::exported(1, 3) } else { garbage.clone() };
        let hex: String = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
        assert_eq!(field(row, "raw"), hex, "{}", field(row, "name"));
    }
    for station in ["a", "b", "c"] {
        let unnamed = store.frames(station).into_iter().filter(|frame| {
            !matches!(field(frame, "outcome"), "accepted" | "not-mine") && field(frame, "reason").is_empty()
        });
        assert_eq!(unnamed.count(), 0, "a rejected frame of {station} names no reason");
    }
}

/// Unplugged, not running: the store tells from when to when nobody listened.
#[test]
fn gaps_are_recorded() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);

    let before = now_us();
    line.unplug();
    cell.until("an open gap", |cell| open_gap(&cell.store(), "a").map(|_| ()));
    let noticed = now_us();
    sleep(Duration::from_millis(300));
    line.replug();
    let device = line.device().unwrap().to_owned();
    cell.until("a station that listens again", |cell| cell.has_open(&device).then_some(()));
    cell.until("a closed gap", |cell| open_gap(&cell.store(), "a").is_none().then_some(()));
    let gaps = cell.store().coverage("a");
    let gap = gaps.last().unwrap();
    let (from, until) = (us(gap, "from_us"), us(gap, "until_us"));
    assert!(before <= from && from <= noticed, "the gap begins when the plug was pulled: {gap:?}");
    assert!(until - from >= 300_000 && until <= now_us(), "the gap ends when it listens again: {gap:?}");
    assert!(!field(gap, "cause").is_empty());
    line.send(&instruments::counted(2));
    cell.until_recorded("a", 2);

    let gaps = cell.store().coverage("a").len();
    let stopped = now_us();
    cell.stop();
    line.let_go();
    sleep(Duration::from_millis(200));
    cell.start_listening(&[&line]);
    cell.until("the gap of the stop to close", |cell| {
        let store = cell.store();
        (store.coverage("a").len() > gaps && open_gap(&store, "a").is_none()).then_some(())
    });
    let coverage = cell.store().coverage("a");
    let gap = coverage.last().unwrap();
    assert!(us(gap, "from_us") <= stopped + 2_000_000 && us(gap, "until_us") >= stopped + 200_000, "{gap:?}");

    cell.kill();
    line.let_go();
    cell.start_listening(&[&line]);
    cell.until("the gap of the kill", |cell| (cell.store().coverage("a").len() > coverage.len()).then_some(()));
    cell.stop();
}

fn open_gap(store: &Store, station: &str) -> Option<Row> {
    store.coverage(station).into_iter().find(|gap| field(gap, "until_us").is_empty())
}

fn us(gap: &Row, name: &str) -> i64 {
    field(gap, name).parse().unwrap_or_else(|_| panic!("{name} of {gap:?}"))
}

fn now_us() -> i64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap();
    i64::try_from(since.as_micros()).unwrap()
}

/// A faulty job file, a port that is not there, one that babbles, a folder that is not there and a share that is away:
/// the station and the sink beside them go on as if nothing were.
#[test]
fn faults_stay_local() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut healthy = cell.port("healthy", "counted", "G-1");
    let mut babbling = cell.port("babbling", "plain", "G-2");
    let mut absent = cell.port("absent", "counted", "G-3");
    absent.unplug();
    let missing = cell.folder("missing", "exported", "G-3", "*.csv");
    cell.sink("mes", "reading");
    let away = cell.sink("away", "reading");
    cell.configure();
    fs::remove_dir(&missing).unwrap();
    fs::remove_dir(&away).unwrap();
    cell.write("jobs/faulty.toml", "[job]\nid = \"WO-1\"\nupper = banana\n");
    assert_eq!(cell.ask(&["check"]).code(), Some(1), "the check finds the fault");

    let mut drops = cell.drops("mes");
    cell.start_listening(&[&healthy, &babbling]);
    let mut seeded = Seeded::new(5);
    for number in 1..=40 {
        let babble: Vec<u8> = (0..400).map(|_| seeded.between(0, 255) as u8).collect();
        babbling.send_some(&babble);
        healthy.send(&instruments::counted(number));
        sleep(Duration::from_millis(2));
    }
    cell.until_recorded("healthy", 40);
    assert_eq!(numbers_of(&cell.store(), "healthy"), (1..=40).collect::<Vec<_>>());
    cell.until("40 result files", |_| {
        none(drops.look());
        (drops.count() >= 40).then_some(())
    });
    let status = &cell.ask_json(&["status"])[0];
    let state = |name: &str| status["daemon"]["stations"][name]["state"].as_str().unwrap_or_default().to_owned();
    assert_eq!([state("healthy"), state("absent"), state("missing")], ["listening", "deaf", "deaf"], "{status}");
    assert!(status.to_string().contains("faulty.toml"), "the fault is told: {status}");
    let trouble = status["daemon"]["sinks"].as_array().unwrap().iter().find(|sink| sink["sink"] == "away").unwrap();
    assert!(trouble["trouble"].is_string(), "{trouble}");

    // And what was amiss comes right by itself.
    absent.replug();
    fs::create_dir(&missing).unwrap();
    fs::create_dir(&away).unwrap();
    let device = absent.device().unwrap().to_owned();
    cell.until("the absent port", |cell| cell.has_open(&device).then_some(()));
    absent.send(&instruments::counted(1));
    cell.until_recorded("absent", 1);
    export(&missing, "1.csv", &instruments::exported(1, 3));
    cell.until_recorded("missing", 3);
    let mut late = cell.drops("away");
    none(cell.until_delivered(&mut late));
    cell.stop();
}

/// What a crash can lose: a reading between the last byte written by the instrument and its COMMIT. Measured from
/// outside, so the true window is shorter by the time it takes to look; there is no limit to hold, the figure is to be
/// published.
#[test]
fn loss_window() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    let store = cell.store();
    let mut seeded = Seeded::new(3);
    let mut spans = Vec::new();
    for number in 2..=200 {
        sleep(Duration::from_millis(seeded.between(0, 12)));
        let message = instruments::counted(number);
        line.send(&message);
        let sent = Instant::now();
        until_true("the reading", || !store.results_since(number as i64 - 1).is_empty());
        spans.push(sent.elapsed().as_secs_f64() * 1000.0);
    }
    spans.sort_by(f64::total_cmp);
    let at = |share: usize| spans[spans.len() * share / 100];
    println!(
        "bytes between kernel and COMMIT: p50 {:.1} ms, p99 {:.1} ms, worst {:.1} ms",
        at(50),
        at(99),
        at(100 - 1).max(spans[spans.len() - 1])
    );
    assert_eq!(numbers_of(&store, "a"), (1..=200).collect::<Vec<_>>());
    cell.stop();
}

/// Cut, merged and damaged messages through the real daemon: what is stored was sent; where a check value guards the
/// message nothing else is ever stored, and where none does, every reading says so.
#[test]
fn never_a_false_reading() {
    let cases: Vec<&Case> =
        Case::all().iter().filter(|case| case.kind == Kind::Stream && case.pieces.len() == 1).collect();
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut lines = Vec::new();
    for (at, case) in cases.iter().enumerate() {
        cell.instrument(&format!("d{at}"), &case.renamed_definition());
        cell.gauge(&format!("id = \"{}\"\nkind = \"stylus\"", case.name));
        lines.push(cell.port(&case.name, &case.name, &case.name));
    }
    cell.configure();
    cell.start_listening(&lines.iter().collect::<Vec<_>>());
    let mut seeded = Seeded::new(23);
    let mut sent = vec![Vec::new(); cases.len()];
    let mut flipped = vec![false; cases.len()];
    for _ in 0..5 {
        for (at, case) in cases.iter().enumerate() {
            let (bytes, by_a_flip) = damaged(case, &mut seeded);
            flipped[at] |= by_a_flip;
            lines[at].send(&bytes);
            sent[at].extend_from_slice(&bytes);
        }
        // Silence ends what was begun, so that the next round is not run into by this one. A line end behind a
        // message may wait for the next one.
        let store = cell.store();
        for (at, case) in cases.iter().enumerate() {
            let messages = sent[at].trim_ascii_end().len();
            cell.until(&format!("all bytes of {}", case.name), |_| {
                (store.raw(&case.name).len() >= messages).then_some(())
            });
        }
    }
    cell.stop();
    let store = cell.store();
    let mut findings = Vec::new();
    for (at, case) in cases.iter().enumerate() {
        if store.raw(&case.name) != sent[at] {
            findings.push(format!("{}: kept bytes are not those sent", case.name));
        }
        findings.extend(false_readings(case, &store, flipped[at]));
    }
    none(findings);
}
