//! One instrument on one port: `bench.py` measures the script and Ridgepost from outside, in turns.

use std::path::Path;
use std::process::{Command, Stdio};

use crate::figures::{Figures, Goal};
use crate::peers::Python;
use crate::{Amounts, shop};

/// Readings that `results` holds. Each of them brings its verdict and its part, three rows in one commit; counting rows
/// anew for every look would take the time that is to be measured.
const COMMITTED: &str = "SELECT coalesce(max(seq), 0) / 3 FROM results";

/// Runs `bench.py` on the script. The words that it printed.
fn script(python: &Python, mode: &[&str]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).display().to_string();
    let files = ["--db", &at("readings.db"), "--outbox", &at("outbox"), "--link", &at("tty")];
    std::fs::create_dir(folder.path().join("outbox")).unwrap();
    let script = Python::script("baseline.py").display().to_string();
    let program = [python.program().to_str().unwrap(), &script, &at("tty"), &at("")];
    bench(python, folder.path(), &[mode, &files, &["--"], &program].concat())
}

/// Runs `bench.py` on Ridgepost. The words that it printed, and how many readings stand in the store.
fn ridgepost(python: &Python, mode: &[&str]) -> (String, i64) {
    let mut cell = shop::cell(&[("Ra", "0.8")]);
    // `bench.py` plugs in an instrument of its own.
    drop(cell.port("a", "line", "RT-01"));
    let drops = cell.sink("mes", "reading").display().to_string();
    shop::open(&cell);
    let (store, link) = (cell.store_path().display().to_string(), cell.path("by-id/a").display().to_string());
    let files = ["--db", &store, "--sql", COMMITTED, "--outbox", &drops, "--link", &link];
    let folder = cell.path("cell").display().to_string();
    let program = [shop::PROGRAM, "run", "--cell", &folder];
    let said = bench(python, &cell.path("run"), &[mode, &files, &["--"], &program].concat());
    (said, shop::count(&cell, "SELECT count(*) FROM results WHERE kind = 'reading' AND outcome <> 'unjudged'"))
}

fn bench(python: &Python, run: &Path, arguments: &[&str]) -> String {
    let output = Command::new(python.program())
        .arg(Python::script("bench.py"))
        .args(arguments)
        .env("RUNTIME_DIRECTORY", run)
        .env("RIDGEPOST_LOG", "error")
        .stderr(Stdio::null())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "bench.py {arguments:?}: {said}");
    said
}

/// The number behind a word.
fn behind(said: &str, word: &str) -> f64 {
    let mut words = said.split_whitespace().skip_while(|found| *found != word);
    words.nth(1).and_then(|text| text.trim_end_matches("/s,").parse().ok()).unwrap_or(f64::NAN)
}

/// From the last byte to the committed row and to the file in place.
pub fn latency(python: &Python, amounts: &Amounts, figures: &mut Figures) {
    let readings = amounts.readings.to_string();
    for _ in 0..amounts.rounds {
        for observe in ["row", "file"] {
            let mode = ["latency", "-n", &readings, "--gap", "0.02", "--observe", observe];
            let (ours, stored) = ridgepost(python, &mode);
            if ours.contains("LOST") || stored != amounts.readings as i64 {
                figures.lost(format!("{stored} of {readings} readings are judged: {ours}"));
            }
            let theirs = script(python, &mode);
            for (who, said) in [("ridgepost", ours), ("script", theirs)] {
                for share in ["p50", "p99"] {
                    figures.add(&format!("{observe} {share} {who}, ms"), behind(&said, share));
                }
            }
        }
    }
    for (observe, words) in [("row", "committed row"), ("file", "result file in place")] {
        for share in ["p50", "p99"] {
            let name = |who: &str| format!("{observe} {share} {who}, ms");
            let figure = format!("a. last byte -> {words}, {share}, ms");
            figures.beside(&figure, &name("ridgepost"), &name("script"), Goal::Most(1.0));
        }
    }
}

/// Lines as fast as the terminal takes them.
pub fn burst(python: &Python, amounts: &Amounts, figures: &mut Figures) {
    let lines = amounts.burst.to_string();
    let mode = ["burst", "-n", &lines];
    for _ in 0..amounts.rounds {
        let (ours, stored) = ridgepost(python, &mode);
        if stored != amounts.burst as i64 {
            figures.lost(format!("{stored} of {lines} readings are judged: {ours}"));
        }
        figures.add("burst ridgepost, readings/s", behind(&ours, "="));
        figures.add("burst script, readings/s", behind(&script(python, &mode), "="));
    }
    let figure = format!("c. burst of {lines} lines, each committed, readings/s");
    figures.beside(&figure, "burst ridgepost, readings/s", "burst script, readings/s", Goal::Least(10.0));
}
