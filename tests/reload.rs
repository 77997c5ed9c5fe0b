//! Files of the cell folder change under a running daemon: checked first, swapped whole, told once; an open job stays
//! as it was opened.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments;
use ridgepost_tests::oracle::field;
use ridgepost_tests::pty::Line;
use serde_json::Value;

const JOB: &str = r#"
[job]
id = "J-1"
part_number = "P-1"
revision = "A"
operation = "10"
edition = "ISO 21920"
gate = "warn"
accept_unknown_conditions = true
[[characteristic]]
balloon = "1"
feature = "face"
quantity = "Ra"
upper = "900 µm"
rule = "max"
plausible = { min = "0 µm", max = "1000 µm" }
"#;

fn running(binary: &str) -> (Cell, Line) {
    let (mut cell, line) = Cell::with_one_instrument(binary);
    cell.start_listening(&[&line]);
    (cell, line)
}

fn faults(cell: &Cell) -> Vec<String> {
    let status = cell.ask_json(&["status"]).remove(0);
    let faults = status["daemon"]["faults"].as_array().cloned().unwrap_or_default();
    faults.iter().map(|fault| fault.as_str().unwrap().to_owned()).collect()
}

fn open_job(cell: &mut Cell, id: &str) {
    let id = id.to_owned();
    cell.until("the job to be opened", |cell| cell.ask(&["job", "open", &id]).status.success().then_some(()));
}

/// Upper limit of every reading so far.
fn limits(cell: &Cell) -> Vec<String> {
    cell.store().readings("a").iter().map(|row| field(row, "upper").to_owned()).collect()
}

fn notices(cell: &Cell) -> usize {
    cell.store().results().iter().filter(|row| field(row, "kind") == "notice").count()
}

#[test]
fn a_job_saved_while_it_runs_can_be_opened_and_a_change_to_it_waits_for_a_person() {
    let (mut cell, mut line) = running(env!("CARGO_BIN_EXE_ridgepost"));
    cell.write("jobs/j.toml", JOB);
    open_job(&mut cell, "J-1");
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);

    cell.write("jobs/j.toml", &JOB.replace("900 µm", "800 µm"));
    cell.until("the notice", |cell| (notices(cell) == 1).then_some(()));
    line.send(&instruments::counted(2));
    cell.until_recorded("a", 2);
    assert_eq!(limits(&cell), ["900", "900"]);

    open_job(&mut cell, "J-1");
    line.send(&instruments::counted(3));
    cell.until_recorded("a", 3);
    assert_eq!(limits(&cell), ["900", "900", "800"]);
    let hashes: Vec<String> = cell.store().readings("a").iter().map(|row| field(row, "job_hash").to_owned()).collect();
    assert!(hashes[0] == hashes[1] && hashes[1] != hashes[2], "every reading names the text it was judged by");
}

#[test]
fn a_file_with_faults_changes_nothing_and_is_told_until_it_is_mended() {
    let (mut cell, mut line) = running(env!("CARGO_BIN_EXE_ridgepost"));
    cell.write("jobs/j.toml", JOB);
    open_job(&mut cell, "J-1");
    cell.write("jobs/j.toml", &JOB.replace("balloon", "ballon"));
    cell.write("jobs/k.toml", &JOB.replace("J-1", "J-2"));
    cell.until("the fault to be told", |cell| faults(cell).iter().any(|fault| fault.contains("ballon")).then_some(()));
    let refused = cell.ask(&["job", "open", "J-2"]);
    assert_eq!(refused.code(), Some(1), "nothing of a faulty folder is in force, its good files neither: {refused:?}");
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    assert_eq!(limits(&cell), ["900"]);

    cell.write("jobs/j.toml", JOB);
    open_job(&mut cell, "J-2");
    assert_eq!(faults(&cell), Vec::<String>::new());
    assert_eq!(cell.log().matches("not-reloaded").count(), 1, "told once:\n{}", cell.log());
}

#[test]
fn a_start_with_faulty_files_runs_the_last_plan_without_fault() {
    let (mut cell, mut line) = running(env!("CARGO_BIN_EXE_ridgepost"));
    cell.write("jobs/j.toml", JOB);
    open_job(&mut cell, "J-1");
    cell.stop();
    let healthy = fs::read_to_string(cell.path("cell/cell.toml")).unwrap();
    cell.write("cell.toml", &healthy.replace("instrument = \"counted\"", "instrument = \"countet\""));
    line.let_go();
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    assert_eq!(limits(&cell), ["900"]);
    assert!(faults(&cell)[0].contains("countet"), "{:?}", faults(&cell));
}

#[test]
fn a_station_added_while_it_runs_is_listened_to_and_the_others_are_not_disturbed() {
    let (mut cell, mut line) = running(env!("CARGO_BIN_EXE_ridgepost"));
    line.send(&instruments::counted(1)[..5]);
    let mut second = cell.port("b", "plain", "G-2");
    cell.configure();
    let device = second.device().unwrap().to_owned();
    cell.until("the new station", |cell| cell.has_open(&device).then_some(()));
    second.send(&instruments::plain(7));
    line.send(&instruments::counted(1)[5..]);
    cell.until_recorded("b", 1);
    cell.until_recorded("a", 1);
    assert!(cell.store().coverage("a").iter().all(|gap| !field(gap, "until_us").is_empty()));
    let status: Value = cell.ask_json(&["status"]).remove(0);
    assert_eq!(status["daemon"]["stations"]["a"]["lost"], 0, "{status}");
}

/// A station whose words change is started again. What it hears then is recorded as what it heard before: the same lines,
/// the same file contents under other names, as often as they come.
#[test]
fn a_station_that_is_changed_while_it_runs_loses_nothing_that_comes_behind() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mine = |rig: &str| instruments::PLAIN.replace("\"plain\"", "\"mine\"").replace("rig:", rig);
    let sheet = |rig: &str| instruments::EXPORTED.replace("\"exported\"", "\"sheet\"").replace("rig:", rig);
    cell.instrument("mine", &mine("0:"));
    cell.instrument("sheet", &sheet("0:"));
    let mut line = cell.port("a", "mine", "G-1");
    let folder = cell.folder("f", "sheet", "G-3", "*.csv");
    cell.sink("mes", "reading");
    cell.configure();
    cell.start_listening(&[&line]);
    let say = |cell: &mut Cell, line: &mut Line, from: u64| {
        (from..from + 5).for_each(|number| line.send(&instruments::plain(number)));
        for number in from..from + 5 {
            ridgepost_tests::cell::export(&folder, &format!("{number:02}.csv"), &instruments::exported(number, 1));
        }
        cell.until_recorded("a", from as usize + 4);
        cell.until_recorded("f", from as usize + 4);
        cell.until("the files moved away", |_| (fs::read_dir(&folder).unwrap().count() == 1).then_some(()));
    };
    say(&mut cell, &mut line, 1);
    for round in 1..3 {
        cell.instrument("mine", &mine(&format!("{round}:")));
        cell.instrument("sheet", &sheet(&format!("{round}:")));
        cell.until("both stations to be at work again", |cell| {
            let log = cell.log();
            let begun = |station| log.matches(&format!("code=\"listening\" station=\"{station}\"")).count();
            (begun("a") > round && begun("f") > round).then_some(())
        });
        say(&mut cell, &mut line, 1 + 5 * round as u64);
    }
    for station in ["a", "f"] {
        let numbers: Vec<u64> =
            cell.store().readings(station).iter().map(|row| instruments::number_of(row).unwrap()).collect();
        assert_eq!(numbers, (1..=15).collect::<Vec<u64>>(), "{station}");
    }
    cell.stop();
}

/// A stop in the middle of a message, somewhere in a stream: the rest of it must not be taken for a message of its own.
#[test]
fn a_message_that_a_stop_cut_in_two_is_no_reading() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let bare = "[instrument]\nname = \"bare\"\n[framing]\nkind = \"lines\"\n[[line]]\npattern = '(?<L>\\d+\\.\\d{3})'\n\
                [reading]\nunit = \"mm\"\n";
    cell.instrument("bare", bare);
    let mut line = cell.port("a", "bare", "G-1");
    cell.configure();
    cell.start_listening(&[&line]);
    line.send(b"11.111\r");
    cell.until_recorded("a", 1);
    line.send(b"1");
    std::thread::sleep(std::time::Duration::from_millis(100));
    cell.stop();
    line.send(b"2.345\r13.333\r");
    cell.start_listening(&[&line]);
    cell.until_recorded("a", 2);
    cell.stop();
    let values: Vec<String> = cell.store().readings("a").iter().map(|row| field(row, "value").to_owned()).collect();
    assert_eq!(values, ["11.111", "13.333"]);
}
