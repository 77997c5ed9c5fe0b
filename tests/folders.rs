//! Export folders as machines and exporters leave them: folders inside folders, sticks and shares that go and come back,
//! very many files that wait, and a station beside them that misses nothing.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

#[path = "folders/growing.rs"]
mod growing;
#[path = "folders/said.rs"]
mod said;

use std::fs;
use std::path::{Path, PathBuf};

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{doubled, field};

/// A cell with one folder station `b`, by further keys of its folder.
fn cell_with(more: &str) -> (Cell, PathBuf) {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let path = cell.path("exports/b");
    fs::create_dir_all(&path).unwrap();
    cell.station("b", "exported", "G-2", &format!("folder = {{ path = \"{}\"{more} }}", path.display()));
    cell.configure();
    (cell, path)
}

fn numbers(cell: &Cell) -> Vec<u64> {
    let store = cell.store();
    assert_eq!(doubled(&store.results()), Vec::<String>::new());
    let mut numbers: Vec<u64> = store.readings("b").iter().map(|row| number_of(row).unwrap()).collect();
    numbers.sort_unstable();
    numbers
}

fn export_inside(root: &Path, name: &str, first: u64, count: u64) {
    let path = root.join(name);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    let name = path.file_name().unwrap().to_str().unwrap();
    export(path.parent().unwrap(), name, &instruments::exported(first, count));
}

#[test]
fn folders_inside_are_read_and_the_archive_keeps_the_way() {
    let (mut cell, root) = cell_with(", pattern = \"*.csv\", subfolders = true, settle_ms = 200");
    export_inside(&root, "2031/04/waiting.csv", 1, 2);
    cell.start_listening(&[]);
    cell.until_recorded("b", 2);
    export_inside(&root, "top.csv", 3, 2);
    export_inside(&root, "2031/05/new/x.csv", 5, 2);
    export_inside(&root, "2031/04/x.csv", 7, 2);
    fs::create_dir_all(root.join("gone")).unwrap();
    std::os::unix::fs::symlink("/", root.join("2031/out")).unwrap();
    cell.until_recorded("b", 8);
    let archived = ["2031/04/waiting.csv", "top.csv", "2031/05/new/x.csv", "2031/04/x.csv"];
    for name in archived {
        cell.until(name, |_| root.join("recorded").join(name).is_file().then_some(()));
        assert!(!root.join(name).exists(), "{name}");
    }
    cell.until_logged("outside of the station's folder");
    cell.until("every file to be noted", |cell| {
        let names = cell.store().query("SELECT name FROM file WHERE state = 'archived' ORDER BY name", []);
        let names: Vec<&str> = names.iter().map(|row| field(row, "name")).collect();
        (names == ["2031/04/waiting.csv", "2031/04/x.csv", "2031/05/new/x.csv", "top.csv"]).then_some(())
    });
    // An exporter that clears its folder away and makes it anew under the same name.
    fs::remove_dir_all(root.join("2031")).unwrap();
    cell.until("a moment without the folder", |_| (!root.join("2031").exists()).then_some(()));
    export_inside(&root, "2031/04/x.csv", 9, 2);
    cell.until_recorded("b", 10);
    assert_eq!(numbers(&cell), (1..=10).collect::<Vec<_>>());
    cell.stop();
    cell.start_listening(&[]);
    export_inside(&root, "2031/04/last.csv", 11, 1);
    cell.until_recorded("b", 11);
    assert_eq!(numbers(&cell), (1..=11).collect::<Vec<_>>(), "the archive is not read again");
    cell.stop();
}

/// Control of the test above: without the key nothing inside is read.
#[test]
fn without_the_key_folders_inside_are_left_alone() {
    let (mut cell, root) = cell_with(", settle_ms = 0");
    export_inside(&root, "inside/x.csv", 1, 2);
    cell.start_listening(&[]);
    export_inside(&root, "top.csv", 3, 1);
    cell.until_recorded("b", 1);
    assert_eq!(numbers(&cell), [3]);
    assert!(root.join("inside/x.csv").exists());
    cell.stop();
}

/// Files that wait by the thousand, in a folder inside, hold up neither another folder nor a port: while they are taken,
/// each reading there is on the disk within seconds, long before the last of them.
#[test]
fn thousands_that_wait_starve_nobody() {
    const WAITING: u64 = 3000;
    let (mut cell, root) = cell_with(", subfolders = true");
    let mut line = cell.port("a", "counted", "G-1");
    let beside = cell.folder("c", "exported", "G-3", "*.csv");
    cell.configure();
    let inner = root.join("2031/04");
    fs::create_dir_all(&inner).unwrap();
    for number in 1..=WAITING {
        fs::write(inner.join(format!("{number:05}.csv")), instruments::exported(number, 1)).unwrap();
    }
    cell.start_listening(&[&line]);
    cell.until_recorded("b", 1);
    let mut sent = 0;
    while cell.store().readings("b").len() < WAITING as usize {
        sent += 1;
        line.send(&instruments::counted(sent));
        export(&beside, &format!("{sent}.csv"), &instruments::exported(sent, 1));
        cell.until_recorded("a", sent as usize);
        cell.until_recorded("c", sent as usize);
    }
    assert!(sent >= 3, "the others got in only {sent} times while {WAITING} files were taken");
    cell.until("an empty folder", |_| (fs::read_dir(&inner).unwrap().count() == 0).then_some(()));
    assert_eq!(numbers(&cell), (1..=WAITING).collect::<Vec<_>>());
    cell.stop();
}
