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
