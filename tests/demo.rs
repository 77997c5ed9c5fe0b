//! The demo shows what it promises to show, and what it leaves behind agrees with itself.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use ridgepost_tests::drops::Drops;
use ridgepost_tests::oracle::{COLUMNS, Row, Store, deliveries, doubled, field};
use serde_json::Value;

struct Shown {
    _folder: tempfile::TempDir,
    lines: Vec<Value>,
    took: Duration,
}

fn demo() -> Shown {
    let folder = tempfile::tempdir().unwrap();
    let begun = Instant::now();
    let mut command = Command::new(env!("CARGO_BIN_EXE_ridgepost"));
    command.arg("demo").arg("--dir").arg(folder.path().join("demo")).arg("--json");
    let output = command.output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{}: {}", output.status, String::from_utf8_lossy(&output.stderr));
    let lines = text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line:?}: {error}")));
    Shown { lines: lines.collect(), took: begun.elapsed(), _folder: folder }
}

impl Shown {
    /// A place that the last line names.
    fn place(&self, name: &str) -> PathBuf {
        let last = self.lines.last().expect("a last line");
        PathBuf::from(last[name].as_str().unwrap_or_else(|| panic!("the last line names no {name}: {last}")))
    }
}

fn reasons(row: &Row) -> Vec<&str> {
    field(row, "reasons").split_whitespace().collect()
}

#[test]
fn the_demo_shows_every_outcome_and_leaves_what_it_names() {
    let shown = demo();
    assert!(shown.took < Duration::from_secs(90), "took {:?}", shown.took);
    for name in ["cell", "store", "drops"] {
        assert!(shown.place(name).exists(), "{name}");
    }
    let store = Store::open(&shown.place("store")).unwrap();
    assert_eq!(store.columns(), COLUMNS);
    assert_eq!(store.integrity(), Vec::<String>::new());
    let rows = store.results();
    assert_eq!(doubled(&rows), Vec::<String>::new());

    let outcomes: BTreeSet<&str> =
        rows.iter().map(|row| field(row, "outcome")).filter(|text| !text.is_empty()).collect();
    assert_eq!(outcomes, BTreeSet::from(["conforms", "nonconforming", "undecided", "unjudged"]));

    let only_missing =
        |row: &Row| !reasons(row).is_empty() && reasons(row).iter().all(|code| code.starts_with("missing:"));
    assert!(rows.iter().any(|row| field(row, "kind") == "part" && only_missing(row)), "no part lacks anything");
    for row in rows.iter().filter(|row| field(row, "kind") == "part" && !reasons(row).is_empty()) {
        assert_ne!(
            (field(row, "outcome"), reasons(row).iter().any(|code| code.starts_with("missing"))),
            ("conforms", true),
            "a part that lacks something never conforms"
        );
    }
    the_drops_are_the_store(&shown.place("drops"), &rows);
    the_lines_are_the_store(&shown.lines[..shown.lines.len() - 1], &rows);
}

fn the_drops_are_the_store(folder: &Path, rows: &[Row]) {
    let mut drops = Drops::new(folder);
    assert_eq!(drops.look(), Vec::<String>::new());
    assert_eq!(deliveries(rows, &drops), Vec::<String>::new());
}

/// `--json` tells the same rows in the same order, with the types that JSON has.
fn the_lines_are_the_store(lines: &[Value], rows: &[Row]) {
    assert_eq!(lines.len(), rows.len());
    for (line, row) in lines.iter().zip(rows) {
        let object = line.as_object().unwrap();
        assert_eq!(object.keys().map(String::as_str).collect::<Vec<_>>(), COLUMNS, "fields and their order");
        for (name, value) in object {
            let text = match value {
                Value::Null => None,
                Value::Bool(yes) => Some(if *yes { "yes".into() } else { "no".into() }),
                Value::Array(codes) => {
                    Some(codes.iter().map(|code| code.as_str().unwrap()).collect::<Vec<_>>().join(" "))
                }
                Value::String(text) => Some(text.clone()),
                other => Some(other.to_string()),
            };
            assert_eq!(text.as_deref().unwrap_or(""), field(row, name), "{name} of {line}");
        }
        for name in ["value", "lower", "upper", "cutoff_mm", "lambda_s_um", "value_as_sent"] {
            assert!(matches!(line[name], Value::Null | Value::String(_)), "{name} is a string of digits: {line}");
        }
    }
}

/// A second demo into the same folder would mix two stories.
#[test]
fn a_folder_that_is_in_use_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("mine"), "x").unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_ridgepost"));
    let output = command.arg("demo").arg("--dir").arg(folder.path()).output().unwrap();
    assert!(!output.status.success());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing was added");
}
