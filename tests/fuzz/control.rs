//! Faults planted on purpose: each must be found within a number of inputs, and come out small.

use ridgepost_parsers::{Outcome, Reason, Tick};
use ridgepost_tests::corpus::{Case, Piece, play};
use ridgepost_tests::fuzz::{Broken, Input, Target, Until, mutate::mutated};

use crate::{frames, seed};

fn case(name: &str) -> &'static Case {
    Case::all().iter().find(|case| case.name == name).unwrap()
}

/// What a search finds within `inputs`, from three beginnings.
#[track_caller]
fn found(target: &Target, inputs: u64) -> Broken {
    let broken: Vec<Broken> =
        (0..3).filter_map(|from| target.search(from, Until::Inputs(inputs), None).err()).collect();
    assert_eq!(broken.len(), 3, "{} is found from {} of 3 beginnings", target.name, broken.len());
    broken.into_iter().min_by_key(|broken| broken.input.bytes.len()).unwrap()
}

/// A decoder that falls over on what no recording holds: two messages in a row with a wrong sum.
#[test]
fn a_panic_is_found() {
    let weak = case("s13_stx_etx_sum");
    let target = Target {
        name: "a decoder that panics",
        seeds: vec![seed(&weak.name, weak.input.clone())],
        change: &|seeded, input, others| mutated(seeded, &input.bytes, others, &["\u{2}", "\u{3}"]),
        check: &|input| {
            let traits = frames::reads_well(weak, &input.bytes)?;
            let played = play(&weak.instrument, &[Piece { at: Tick(0), bytes: input.bytes.clone() }])?;
            let is_text = |told: &&ridgepost_tests::corpus::Told| {
                told.decoded.outcome == Outcome::Damaged && told.decoded.reason == Some(Reason::Checksum)
            };
            assert!(played.told.iter().filter(is_text).count() < 2, "two damaged messages in a row");
            Ok(traits)
        },
        memory: |_| usize::MAX,
    };
    let broken = found(&target, 5_000);
    assert!(broken.words.starts_with("panic: two damaged messages"), "{}", broken.words);
    assert!(broken.input.bytes.len() < weak.input.len() * 2, "{:?}", broken.input);
}

/// A definition without its check value: what damage makes of a message is read, and must be found to be false.
#[test]
fn a_check_value_that_is_not_looked_at_is_found() {
    let whole = case("s13_stx_etx_sum");
    let text = r#"
[instrument]
name = "weak"
description = "the messages of s13, their sum not looked at"
[framing]
kind = "block"
start = "\u0002"
end = "\u0003"
[[line]]
pattern = '(?<quantity>R[a-z]+)=(?<value>\d+\.\d+)'
[reading]
unit = "µm"
"#;
    let compiled = ridgepost_config::instrument(text, std::path::Path::new("weak.toml"));
    let (instrument, _) = compiled.unwrap_or_else(|faults| panic!("{faults:#?}"));
    let weak = Case { instrument, ..whole.clone() };
    let mut target = frames::damaged();
    target.name = "no check value";
    target.seeds.retain(|input| input.of == whole.name);
    let check = |input: &Input| frames::gives_no_other_value(&weak, &input.bytes).map(|()| vec![]);
    let weakened = Target { check: &check, ..target };
    assert!(found(&weakened, 500).words.contains("was never sent"));
}

/// Reading that takes memory with the square of its input.
#[test]
fn memory_without_bound_is_found() {
    let target = Target {
        name: "memory that grows with the square",
        seeds: vec![seed("bytes", &b"0123456789"[..])],
        change: &|seeded, input, others| mutated(seeded, &input.bytes, others, &[]),
        check: &|input| {
            let held = vec![0_u8; input.bytes.len() * input.bytes.len()];
            Ok(vec![format!("{}", held.len().checked_ilog2().unwrap_or(0))])
        },
        memory: |bytes| 4_096 + bytes * 256,
    };
    let broken = found(&target, 5_000);
    assert!(broken.words.contains("of memory"), "{}", broken.words);
    assert!((256..400).contains(&broken.input.bytes.len()), "{}", broken.input.bytes.len());
}
