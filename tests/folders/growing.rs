//! Files that grow: each row is taken once, as it comes, whatever exporters do to the file and whenever the daemon dies.

use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments;
use ridgepost_tests::oracle::field;
use ridgepost_tests::seed::Seeded;

use super::{cell_with, numbers};

const GROWS: &str = ", grows = true, settle_ms = 300";

/// Rows of a file without their heading.
fn rows(numbers: impl IntoIterator<Item = u64>) -> String {
    let whole = |number| String::from_utf8(instruments::exported(number, 1)).unwrap();
    numbers.into_iter().map(|number| whole(number).split_once("\r\n").unwrap().1.to_owned()).collect()
}

fn heading() -> String {
    String::from_utf8(instruments::exported(1, 0)).unwrap()
}

fn whole(numbers: impl IntoIterator<Item = u64>) -> String {
    heading() + &rows(numbers)
}

fn append(path: &Path, text: &str) {
    OpenOptions::new().append(true).create(true).open(path).unwrap().write_all(text.as_bytes()).unwrap();
}

/// Written beside, then put in its place.
fn replace(path: &Path, text: &str) {
    let part = path.with_file_name(".part");
    fs::write(&part, text).unwrap();
    fs::rename(part, path).unwrap();
}

fn events(cell: &Cell, code: &str) -> usize {
    cell.store().query("SELECT text FROM event WHERE code = ?1", [code]).len()
}

/// Readings 1..=last, each once.
fn holds(cell: &mut Cell, last: u64) {
    cell.until_recorded("b", last as usize);
    assert_eq!(numbers(cell), (1..=last).collect::<Vec<_>>());
}

#[test]
fn rows_are_taken_as_they_come_and_a_row_without_its_end_waits() {
    let (mut cell, root) = cell_with(GROWS);
    cell.start_listening(&[]);
    let path = root.join("log.csv");
    // Its writer has it open all the time.
    let mut writer = File::create(&path).unwrap();
    writer.write_all(whole([1]).as_bytes()).unwrap();
    holds(&mut cell, 1);
    let second = rows([2]);
    for byte in second.trim_end().as_bytes() {
        writer.write_all(&[*byte]).unwrap();
    }
    std::thread::sleep(Duration::from_millis(1000));
    holds(&mut cell, 1);
    writer.write_all(b"\r\n").unwrap();
    holds(&mut cell, 2);
    cell.kill();
    writer.write_all(rows([3, 4]).as_bytes()).unwrap();
    cell.start_listening(&[]);
    holds(&mut cell, 4);
    // The heading is known although it was read by an earlier run.
    writer.write_all(rows([5]).as_bytes()).unwrap();
    holds(&mut cell, 5);
    // Space that a writer sets aside is no row.
    writer.write_all(&[0; 600]).unwrap();
    std::thread::sleep(Duration::from_millis(700));
    std::os::unix::fs::FileExt::write_all_at(&writer, rows([6]).as_bytes(), whole(1..=5).len() as u64).unwrap();
    holds(&mut cell, 6);
    assert!(path.exists(), "a file that grows stays");
    assert_eq!(events(&cell, "written-anew"), 0);
    let raw: String = cell
        .store()
        .query("SELECT CAST(raw AS TEXT) AS raw FROM transmission WHERE station = 'b' ORDER BY id", [])
        .iter()
        .map(|row| field(row, "raw").to_owned())
        .collect();
    assert_eq!(raw.trim_end(), whole(1..=6).trim_end(), "every byte is kept once");
    cell.stop();
}

type Deed = fn(&Path);

/// What exporters do to a file that holds readings 1 to 4, each time once while the daemon runs and once while it does not:
/// the readings that are to be there afterwards (1 to this one), and whether it is told as a file that was written anew.
const DEEDS: [(&str, Deed, u64, bool); 9] = [
    ("written again beside with one more row", |path| replace(path, &whole(1..=5)), 5, false),
    ("written again in its place with one more row", |path| fs::write(path, whole(1..=5)).unwrap(), 5, false),
    ("a row in the middle is put right", |path| fs::write(path, whole([1, 5, 3, 4])).unwrap(), 5, true),
    ("a row in the middle is put right, and one added", |path| replace(path, &whole([1, 5, 3, 4, 6])), 6, true),
    ("the oldest rows are dropped", |path| replace(path, &whole([3, 4, 5])), 5, true),
    ("the newest rows are dropped", |path| fs::write(path, whole([1, 2])).unwrap(), 4, true),
    ("it begins anew", |path| fs::write(path, whole([5, 6])).unwrap(), 6, true),
    (
        "it is renamed and begins anew",
        |path| {
            fs::rename(path, path.with_file_name("log.1.csv")).unwrap();
            fs::write(path, whole([5, 6])).unwrap();
        },
        6,
        true,
    ),
    (
        "it is copied, emptied and begins anew",
        |path| {
            fs::copy(path, path.with_file_name("log.1.csv")).unwrap();
            fs::write(path, whole([5])).unwrap();
        },
        5,
        true,
    ),
];

#[test]
fn what_exporters_do_to_a_file_doubles_and_loses_nothing() {
    all_deeds(true);
}

#[test]
fn what_exporters_do_while_the_daemon_is_off_doubles_and_loses_nothing() {
    all_deeds(false);
}

fn all_deeds(while_running: bool) {
    for (what, deed, last, anew) in DEEDS {
        let (mut cell, root) = cell_with(GROWS);
        let path = root.join("log.csv");
        cell.start_listening(&[]);
        fs::write(&path, whole(1..=4)).unwrap();
        holds(&mut cell, 4);
        if !while_running {
            cell.stop();
        }
        deed(&path);
        if !while_running {
            cell.start_listening(&[]);
        }
        println!("{what}, running: {while_running}");
        cell.until_recorded("b", last as usize);
        if anew {
            cell.until("the word about it", |cell| (events(cell, "written-anew") > 0).then_some(()));
        }
        // What comes behind it is taken, from then on as before; and nothing more after a while.
        append(&path, &rows([last + 1]));
        holds(&mut cell, last + 1);
        std::thread::sleep(Duration::from_millis(500));
        cell.stop();
        cell.start_listening(&[]);
        append(&path, &rows([last + 2]));
        holds(&mut cell, last + 2);
        assert_eq!(events(&cell, "written-anew"), usize::from(anew), "{what}, running: {while_running}");
        cell.stop();
    }
}

#[test]
fn a_file_in_use_waits_and_one_that_goes_away_says_what_it_took_along() {
    let (mut cell, root) = cell_with(GROWS);
    let path = root.join("log.csv");
    cell.start_listening(&[]);
    let writer = File::create(&path).unwrap();
    rustix::fs::flock(&writer, rustix::fs::FlockOperation::LockExclusive).unwrap();
    (&writer).write_all(whole([1, 2]).as_bytes()).unwrap();
    cell.until_logged("is locked by its writer");
    drop(writer);
    holds(&mut cell, 2);
    append(&path, rows([3]).trim_end());
    std::thread::sleep(Duration::from_millis(1000));
    fs::remove_file(&path).unwrap();
    cell.until_logged("ended in the middle of a row: `000003");
    fs::write(&path, whole([3, 4])).unwrap();
    holds(&mut cell, 4);
    cell.stop();
}

/// A station that took whole files until now does not take their rows again.
#[test]
fn a_file_that_was_recorded_as_a_whole_goes_on_row_by_row() {
    let (mut cell, root) = cell_with(", when_recorded = \"leave\", settle_ms = 0");
    let path = root.join("log.csv");
    cell.start_listening(&[]);
    fs::write(&path, whole([1, 2])).unwrap();
    holds(&mut cell, 2);
    cell.stop();
    let text = fs::read_to_string(cell.path("cell/cell.toml")).unwrap();
    cell.write("cell.toml", &text.replace(", when_recorded = \"leave\"", ", grows = true"));
    append(&path, &rows([3]));
    cell.start_listening(&[]);
    holds(&mut cell, 3);
    cell.stop();
}

/// A writer that adds rows while the daemon is killed again and again, and rewrites the file now and then. What is stored in
/// the end, doubled or missing.
fn killed_while_it_grows(weaken: Option<&str>, rounds: usize) -> (Vec<u64>, u64) {
    let (mut cell, root) = cell_with(GROWS);
    if let Some(weaken) = weaken {
        cell.set("RIDGEPOST_WEAKEN", weaken);
    }
    let path: PathBuf = root.join("log.csv");
    let mut seeded = Seeded::new(41);
    let mut last = 600;
    fs::write(&path, whole(1..=last)).unwrap();
    for round in 0..rounds {
        cell.start_listening(&[]);
        let until = std::time::Instant::now() + Duration::from_millis(seeded.between(20, 700));
        while std::time::Instant::now() < until {
            last += 1;
            let row = rows([last]);
            let (one, other) = row.split_at(seeded.between(1, row.len() as u64 - 1) as usize);
            append(&path, one);
            append(&path, other);
            std::thread::sleep(Duration::from_millis(1));
        }
        if round % 3 == 2 {
            replace(&path, &whole((1..=last).filter(|number| number % 7 != 0)));
        }
        cell.kill();
    }
    cell.start_listening(&[]);
    append(&path, &rows([last + 1]));
    let readings = |cell: &Cell| -> Vec<u64> {
        let rows = cell.store().readings("b");
        rows.iter().map(|row| instruments::number_of(row).unwrap()).collect()
    };
    cell.until("the last row", |cell| readings(cell).contains(&(last + 1)).then_some(()));
    cell.stop();
    let mut stored = readings(&cell);
    stored.sort_unstable();
    (stored, last + 1)
}

#[test]
fn a_daemon_that_is_killed_takes_each_row_once() {
    let (stored, last) = killed_while_it_grows(None, 9);
    let doubled: Vec<u64> = stored.windows(2).filter(|pair| pair[0] == pair[1]).map(|pair| pair[0]).collect();
    assert!(doubled.is_empty(), "doubled: {doubled:?}");
    // A row that was taken away again before the daemon came to see it was never there for it: one in seven, at the end.
    let missing: Vec<u64> = (1..=last).filter(|number| !stored.contains(number) && number % 7 != 0).collect();
    assert!(missing.is_empty(), "missing: {missing:?}");
}

/// Far more rows than were recorded are added while the daemon is off, and then some are dropped.
#[test]
fn a_file_that_outgrew_what_is_recorded_and_was_written_again_doubles_nothing() {
    let (mut cell, root) = cell_with(GROWS);
    let path = root.join("log.csv");
    cell.start_listening(&[]);
    fs::write(&path, whole(1..=20)).unwrap();
    holds(&mut cell, 20);
    cell.kill();
    replace(&path, &whole((1..=400).filter(|number| number % 7 != 0)));
    cell.start_listening(&[]);
    let expected: Vec<u64> = (1..=400).filter(|number| *number <= 20 || number % 7 != 0).collect();
    cell.until_recorded("b", expected.len());
    assert_eq!(numbers(&cell), expected);
    cell.stop();
}

/// The loop can fail.
#[test]
fn a_daemon_that_forgets_how_far_it_was_is_found_out() {
    let (stored, _) = killed_while_it_grows(Some("forget-growth"), 3);
    assert!(stored.windows(2).any(|pair| pair[0] == pair[1]), "nothing is doubled");
}
