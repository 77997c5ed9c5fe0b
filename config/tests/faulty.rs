//! Faulty files, each in one file of its own under `tests/faulty/`: what is told must be exactly what the file
//! expects, so that no fault hides another and none is invented.
//!
//! A case is named `<file>-<what>.toml`, where `<file>` is `cell`, `gauges`, `labels`, `job` or `instrument`; the rest of the
//! cell folder is the shipped example. Its first lines expect: `# expect: LINE:COLUMN CODE` with, if it matters, a part
//! of the message or help behind it in quotes. `# warn:` expects a warning.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::path::Path;

use example::{CELL_DIR, example};
use ridgepost_config::{Diagnostic, read};

/// One expectation: severity, place and code, and what the text must hold.
fn expectations(text: &str) -> Vec<(String, Option<String>)> {
    let lines = text.lines().take_while(|line| line.starts_with('#'));
    lines
        .filter_map(|line| {
            let line = line.strip_prefix("# ")?;
            let (severity, rest) = line.split_once(": ").filter(|(word, _)| ["expect", "warn"].contains(word))?;
            let (place, part) = match rest.split_once(" \"") {
                Some((place, part)) => (place, Some(part.strip_suffix('"').expect("a closing quote").to_owned())),
                None => (rest, None),
            };
            Some((format!("{severity}: {place}"), part))
        })
        .collect()
}

fn told(diagnostic: &Diagnostic) -> String {
    let severity = if diagnostic.is_fault() { "expect" } else { "warn" };
    format!("{severity}: {}:{} {}", diagnostic.line, diagnostic.column, diagnostic.code.code())
}

#[test]
fn every_fault_is_told_at_its_place_and_no_other() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/faulty");
    let mut wrong = String::new();
    let mut names: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    names.sort();
    assert!(names.len() > 20, "the cases are there");
    for case in names {
        let text = std::fs::read_to_string(&case).unwrap();
        let name = case.file_name().unwrap().to_str().unwrap().to_owned();
        let mut files = example();
        // The example's jobs and labels name the example's stations, which these cases don't have.
        if name.starts_with("cell-") {
            files.retain(|file, _| !file.starts_with("jobs") && file != Path::new("labels.toml"));
        }
        let file = match name.split('-').next().unwrap() {
            "cell" => "cell.toml".into(),
            "gauges" => "gauges.toml".into(),
            "labels" => "labels.toml".into(),
            "job" => "jobs/case.toml".into(),
            "instrument" => "instruments/case.toml".into(),
            other => panic!("{name}: {other} is no file of a cell folder"),
        };
        files.insert(file, text.clone());
        let loaded = read(Path::new(CELL_DIR), &files);
        let expected = expectations(&text);
        assert!(!expected.is_empty(), "{name} expects nothing");
        let found: Vec<_> =
            loaded.diagnostics.iter().map(|diagnostic| (told(diagnostic), diagnostic.to_string())).collect();
        let fits = expected.len() == found.len()
            && expected.iter().zip(&found).all(|((place, part), (told, whole))| {
                place == told && part.as_ref().is_none_or(|part| whole.contains(part))
            });
        let faulty = expected.iter().any(|(place, _)| place.starts_with("expect"));
        assert_eq!(loaded.plan.is_none(), faulty, "{name}: a plan exactly where there is no fault");
        if !fits {
            wrong.push_str(&format!("\n--- {name}\nexpected: {expected:#?}\ntold:\n"));
            for (told, whole) in &found {
                wrong.push_str(&format!("# {told}\n{whole}\n"));
            }
        }
        for diagnostic in &loaded.diagnostics {
            let message = &diagnostic.message;
            assert!(diagnostic.help.is_some(), "{name}: no way out: {diagnostic}");
            let first = message.split(' ').next().unwrap_or_default();
            let symbol = ridgepost_parsers::Quantity::parse(first).is_some();
            let lower = symbol || !message.starts_with(char::is_uppercase);
            assert!(lower && !message.ends_with('.'), "{name}: wording: {diagnostic}");
            assert!(!diagnostic.snippet.is_empty() || diagnostic.line == 0, "{name}: no line: {diagnostic}");
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}
