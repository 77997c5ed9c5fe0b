//! Readers of what comes from outside are given inputs that nobody sends: whatever comes, they don't panic, take bounded
//! memory, lose no byte, tell nothing false, and tell the same however the bytes come.
//!
//! `RIDGEPOST_FUZZ_S` sets the seconds for all targets together (12), `RIDGEPOST_SEED` brings a run back, and
//! `RIDGEPOST_FUZZ_KEEP=1` keeps inputs that showed something new under `tests/fuzz/kept/`. An input that broke something is
//! printed and belongs there as well: kept inputs are checked first.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "fuzz/configuration.rs"]
mod configuration;
#[path = "fuzz/control.rs"]
mod control;
#[path = "fuzz/frames.rs"]
mod frames;
#[path = "fuzz/profiles.rs"]
mod profiles;

use std::path::Path;
use std::time::Duration;

use ridgepost_tests::fuzz::memory::Counting;
use ridgepost_tests::fuzz::{Broken, Input, Target, Until, keep, kept};
use ridgepost_tests::seed::Seeded;

#[global_allocator]
static COUNTING: Counting = Counting;

/// Tests of this file that search; they share the time.
const TARGETS: u32 = 9;

/// Searches for its share of the time; fails with the smallest input that breaks something.
fn search(mut target: Target) {
    let seconds = std::env::var("RIDGEPOST_FUZZ_S").ok().map_or(12, |text| text.parse().expect("RIDGEPOST_FUZZ_S"));
    let seed = Seeded::seed_of_run();
    target.seeds.extend(kept(target.name));
    let current = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("fuzz-{}", target.name));
    let searched = target.search(seed, Until::Time(Duration::from_secs(seconds) / TARGETS), Some(&current));
    let searched = searched.unwrap_or_else(|broken| panic!("RIDGEPOST_SEED={seed}\n{}", shown(target.name, &broken)));
    eprintln!("{}: {} inputs, {} traits, {} new", target.name, searched.inputs, searched.traits, searched.new.len());
    if std::env::var_os("RIDGEPOST_FUZZ_KEEP").is_some() {
        keep(target.name, &searched.new).unwrap();
    }
}

fn shown(target: &str, Broken { input, words }: &Broken) -> String {
    let bytes = input.bytes.escape_ascii();
    format!("{target} is broken by an input of {}: {words}\n{} bytes: {bytes}", input.of, input.bytes.len())
}

/// Seeds of one kind.
fn seed(of: &str, bytes: impl Into<Vec<u8>>) -> Input {
    Input { of: of.to_owned(), bytes: bytes.into() }
}

#[test]
fn frames_of_any_definition() {
    search(frames::target());
}

#[test]
fn frames_with_damage_that_can_be_told() {
    search(frames::damaged());
}

#[test]
fn xml_documents() {
    search(frames::documents("xml", frames::XML));
}

#[test]
fn json_documents() {
    search(frames::documents("json", frames::JSON));
}

#[test]
fn definitions() {
    search(frames::definitions());
}

#[test]
fn configuration_files() {
    search(configuration::target());
}

#[test]
fn labels() {
    search(configuration::labels());
}

#[test]
fn profiles_in_x3p() {
    search(profiles::x3p());
}

#[test]
fn profiles_in_sdf() {
    search(profiles::sdf());
}

/// The number that shares the time out.
#[test]
fn every_target_has_its_share() {
    let text = include_str!("fuzz.rs");
    let searching = text.lines().filter(|line| line.trim_start().starts_with("search(")).count();
    assert_eq!(searching, TARGETS as usize);
}
