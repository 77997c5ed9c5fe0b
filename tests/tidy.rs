//! Keeps the tree as it is meant to be: the walls, names and sizes that the compiler doesn't check.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;

use ridgepost_tests::tidy::{self, SizeException, Tree};

/// Lines a file may have without its unit tests; a file of tests alone may have three times as many.
const FILE_LINES: usize = 400;

/// Lines a function may have.
const FUNCTION_LINES: usize = 70;

/// Files that may be longer, and why.
const LONG_FILES: &[SizeException<'_>] = &[];

fn tree() -> Tree {
    Tree::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join(".."))
}

#[track_caller]
fn none(found: Vec<String>) {
    assert!(found.is_empty(), "\n{}\n", found.join("\n"));
}

#[test]
fn every_file_says_why_it_exists() {
    none(tidy::module_docs(&tree()));
}

#[test]
fn pure_crates_stay_pure() {
    none(tidy::pure_crates(&tree()));
}

#[test]
fn names_say_something() {
    none(tidy::names(&tree()));
}

#[test]
fn files_stay_readable() {
    none(tidy::file_sizes(&tree(), FILE_LINES, LONG_FILES));
}

#[test]
fn functions_stay_readable() {
    none(tidy::function_sizes(&tree(), FUNCTION_LINES));
}

#[test]
fn the_top_of_the_tree_reads_as_a_sentence() {
    none(tidy::top_level(&tree()));
}

#[test]
fn no_file_tells_where_it_was_made() {
    none(tidy::forbidden_words(&tree()));
}

#[test]
fn crates_use_what_they_may() {
    none(tidy::walls(&tree()));
}

#[test]
fn nothing_is_put_off_in_silence() {
    none(tidy::unfinished(&tree()));
}

/// Each of the failures that people of the trade know has tests, and the table names tests that are there.
#[test]
fn every_failure_has_its_tests() {
    none(named_tests("tests/failures.md", 40));
}

/// So has each of the days that a buyer would try.
#[test]
fn every_day_has_its_tests() {
    none(named_tests("tests/days.md", 12));
}

/// What is wrong with a table of numbered rows whose last column names tests.
fn named_tests(table: &str, count: u32) -> Vec<String> {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let text = std::fs::read_to_string(top.join(table)).unwrap();
    let rows: Vec<&str> = text.lines().filter(|line| line.starts_with("| ") && !line.starts_with("| #")).collect();
    let numbers: Vec<String> =
        rows.iter().filter_map(|row| row.split('|').nth(1)).map(|it| it.trim().to_owned()).collect();
    assert_eq!(numbers, (1..=count).map(|number| number.to_string()).collect::<Vec<_>>());
    let mut wrong = Vec::new();
    for row in rows {
        let shown = row.split('|').nth(4).unwrap_or_default();
        let tests: Vec<&str> = shown.split(';').collect();
        for test in tests {
            let words: Vec<&str> = test.split('`').skip(1).step_by(2).collect();
            let [file, name] = words[..] else {
                wrong.push(format!("{test}: no file and test"));
                continue;
            };
            let source = std::fs::read_to_string(top.join(file)).unwrap_or_default();
            let is_test = source
                .split("#[test]")
                .skip(1)
                .any(|rest| rest.lines().take(5).any(|line| line.trim().starts_with(&format!("fn {name}("))));
            if !is_test {
                wrong.push(format!("{file} has no test {name}"));
            }
        }
    }
    wrong
}
