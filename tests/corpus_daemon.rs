//! Every recording of the corpus through the real daemon, over a line and as a file in a folder: the store holds the
//! readings that the recording holds.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::thread::{self, sleep};
use std::time::Duration;

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::corpus::{Case, Kind, stored_otherwise};
use ridgepost_tests::pty::Line;

/// A cell with one station per case; a definition that several cases share is written once.
fn cell(cases: &[&Case]) -> Cell {
    let cell = Cell::new(env!("CARGO_BIN_EXE_ridgepost"));
    let definitions: BTreeMap<&str, &str> =
        cases.iter().map(|case| (case.instrument.name(), case.definition.as_str())).collect();
    for (at, definition) in definitions.values().enumerate() {
        cell.instrument(&format!("d{at}"), definition);
    }
    cell
}

/// Waits until every case is in the store, but for a line end behind its last message, which may yet turn out to be the
/// beginning of the next one; stops the daemon, which keeps that too; and judges.
fn judge(mut cell: Cell, cases: &[&Case]) {
    let store = cell.store();
    for case in cases {
        let messages = case.input.trim_ascii_end().len();
        cell.until(&format!("all bytes of {}", case.name), |_| (store.raw(&case.name).len() >= messages).then_some(()));
    }
    cell.stop();
    let findings: Vec<String> = cases.iter().flat_map(|case| stored_otherwise(case, &store)).collect();
    assert!(findings.is_empty(), "\n{}\n", findings.join("\n"));
}

#[test]
fn through_a_line() {
    let cases: Vec<&Case> = Case::all().iter().filter(|case| case.kind == Kind::Stream).collect();
    let mut cell = cell(&cases);
    let mut lines: Vec<Line> = Vec::new();
    for case in &cases {
        cell.gauge(&format!("id = \"{}\"\nkind = \"stylus\"", case.name));
        lines.push(cell.port(&case.name, case.instrument.name(), &case.name));
    }
    cell.configure();
    cell.start_listening(&lines.iter().collect::<Vec<_>>());
    thread::scope(|scope| {
        for (line, case) in lines.iter_mut().zip(&cases) {
            scope.spawn(move || {
                let mut now = 0;
                for piece in &case.pieces {
                    sleep(Duration::from_millis(piece.at.0 - now));
                    now = piece.at.0;
                    line.send(&piece.bytes);
                }
            });
        }
    });
    judge(cell, &cases);
}

#[test]
fn through_a_folder() {
    let cases: Vec<&Case> = Case::all().iter().collect();
    let mut cell = cell(&cases);
    let mut folders = Vec::new();
    for case in &cases {
        cell.gauge(&format!("id = \"{}\"\nkind = \"stylus\"", case.name));
        folders.push(cell.folder(&case.name, case.instrument.name(), &case.name, "*"));
    }
    cell.configure();
    cell.start();
    for (folder, case) in folders.iter().zip(&cases) {
        export(folder, &case.file_name, &case.input);
    }
    judge(cell, &cases);
}
