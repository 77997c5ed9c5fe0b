//! Acceptance rules and decision rules: when they decide, what, and what they say they need.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use bench::*;
use proptest::prelude::*;
use ridgepost_config::{Characteristic, DecisionRule, Gauge, GuardWidth, Job, Rule};
use ridgepost_judge::{Judgement, Kind, Outcome, Piece, still_needed};
use ridgepost_parsers::{Reading, Unit, Value};
use rust_decimal::Decimal;

/// A slot beside the one looked at, so that the piece stays open.
fn beside() -> Characteristic {
    upper("99", "Rt", "1 µm")
}

fn ruled(characteristic: Characteristic, rule: Rule, due: u32) -> Job {
    job(vec![Characteristic { rule, traces: due, ..characteristic }, beside()])
}

fn texture(values: &[&str]) -> Vec<Reading> {
    values.iter().map(|value| reading("Ra", &format!("{value} µm"))).collect()
}

fn run(job: &Job, gauge: &Gauge, readings: &[Reading]) -> Judgement {
    one_by_one(&circumstances(Some(job), gauge), &Piece::fresh(job, 1), readings)
}

/// Outcome and reasons of the verdict, its value, and the number of the value that brought it; `None` while it is open.
fn verdict(judgement: &Judgement) -> Option<(String, String, usize)> {
    let at = judgement.rows.iter().position(|row| row.kind == Kind::Verdict)?;
    let row = &judgement.rows[at];
    let used = judgement.rows[..at].iter().filter(|row| row.kind == Kind::Reading).count();
    let value = row.value.map(|value| value.to_string()).unwrap_or_default();
    Some((format!("{} {}", row.outcome?, row.reasons.join(" ")), value, used))
}

/// The table's number as the decimal that it is written as.
fn written(number: &serde_json::Value) -> String {
    number.to_string()
}

/// `tests/data/decision-cases.json`: the simplified procedure of ISO 4288:1996 annex A, written down from memory by
/// somebody else than who wrote the rule.
#[test]
fn the_sixteen_percent_procedure_decides_as_in_the_table() {
    let table: serde_json::Value = serde_json::from_str(include_str!("data/decision-cases.json")).unwrap();
    let cases = table["rule16"].as_array().unwrap();
    assert!(cases.len() > 8);
    for case in cases {
        let limit = format!("{} µm", written(&case["upper"]));
        let values: Vec<String> = case["values"].as_array().unwrap().iter().map(written).collect();
        let values: Vec<&str> = values.iter().map(String::as_str).collect();
        let judgement = run(&ruled(upper("12", "Ra", &limit), Rule::Sixteen, 1), &gauge(), &texture(&values));
        let found = verdict(&judgement).map(|(outcome, _, used)| (outcome, used));
        let used = usize::try_from(case["values_used"].as_u64().unwrap()).unwrap();
        let expected = match case["verdict"].as_str().unwrap() {
            "accept" => Some(("conforms within-limits".to_owned(), used)),
            "reject" => Some(("nonconforming above-upper".to_owned(), used)),
            "continue" => None,
            other => panic!("{other}"),
        };
        assert_eq!(found, expected, "{case}");
    }
}

#[test]
fn what_is_still_needed_is_said() {
    for (rule, due, values, needed) in [
        (Rule::Sixteen, 1, &["0.71"][..], 2),
        (Rule::Sixteen, 1, &["0.71", "0.9"], 1),
        (Rule::Sixteen, 1, &["0.71", "1.01"], 4),
        (Rule::Sixteen, 1, &["1.2"], 5),
        (Rule::Sixteen, 1, &["1.2", "1.2"], 10),
        (Rule::Sixteen, 1, &["0.9", "0.9", "1.2", "0.9", "0.9"], 1),
        (Rule::Sixteen, 1, &["0.9", "0.9", "1.2", "1.2", "0.9"], 7),
        (Rule::Sixteen, 5, &["0.1", "0.1"], 3),
        (Rule::Max, 3, &["0.1"], 2),
        (Rule::Mean, 4, &["0.1"], 3),
        (Rule::Median, 3, &[], 3),
    ] {
        let job = ruled(upper("12", "Ra", "1.0 µm"), rule, due);
        let judgement = run(&job, &gauge(), &texture(values));
        assert_eq!(verdict(&judgement), None, "{rule:?} {values:?}");
        let found = still_needed(&job.characteristics[0], &judgement.piece.slots[0]);
        assert_eq!(found, Some(needed), "{rule:?} {values:?}");
        let open: Vec<_> = judgement.rows.iter().map(|row| row.reasons.join(" ")).collect();
        assert!(open.iter().all(|reasons| reasons == "more-traces-needed"), "{open:?}");
    }
}

/// Edges by definition: a sum of n times the limit does not exceed, nor does a median on the limit (common practice); 16 %
/// of 25 values are 4 (ISO 4288:1996 5.2, from memory).
#[test]
fn rules_of_several_values_decide_on_exact_sums() {
    let many = |passing: usize| (0..25).map(|at| if at < passing { "1.1" } else { "0.9" }).collect::<Vec<_>>();
    let cases = [
        (Rule::Mean, 3, upper("12", "Ra", "0.8 µm"), vec!["0.7", "0.8", "0.9"], "conforms within-limits", "0.8", 3),
        (
            Rule::Mean,
            3,
            upper("12", "Ra", "0.8 µm"),
            vec!["0.7", "0.8", "0.901"],
            "nonconforming above-upper",
            "0.800333",
            3,
        ),
        (Rule::Mean, 3, upper("12", "Ra", "0.1 µm"), vec!["0.1", "0.1", "0.1"], "conforms within-limits", "0.1", 3),
        (Rule::Mean, 2, lower("12", "Ra", "0.8 µm"), vec!["0.7", "0.899"], "nonconforming below-lower", "0.7995", 2),
        (Rule::Mean, 2, between("12", "Ra", "0.4", "0.8 µm"), vec!["0.2", "1.3"], "conforms within-limits", "0.75", 2),
        (Rule::Median, 3, upper("12", "Ra", "0.8 µm"), vec!["9.0", "0.1", "0.80"], "conforms within-limits", "0.80", 3),
        (
            Rule::Median,
            4,
            upper("12", "Ra", "0.8 µm"),
            vec!["9.0", "0.1", "0.80", "0.81"],
            "nonconforming above-upper",
            "0.805",
            4,
        ),
        (
            Rule::Median,
            5,
            lower("12", "Ra", "0.5 µm"),
            vec!["0.4", "0.4", "0.5", "0.6", "0.6"],
            "conforms within-limits",
            "0.5",
            5,
        ),
        (Rule::Sixteen, 25, upper("12", "Ra", "1.0 µm"), many(4), "conforms within-limits", "1.1", 25),
        (Rule::Sixteen, 25, upper("12", "Ra", "1.0 µm"), many(5), "nonconforming above-upper", "1.1", 5),
        (Rule::Sixteen, 3, upper("12", "Ra", "1.0 µm"), vec!["0.1", "1.1", "0.2"], "conforms within-limits", "1.1", 3),
        (Rule::Sixteen, 1, lower("12", "Ra", "1.0 µm"), vec!["9", "1.0", "1.1"], "conforms within-limits", "1.0", 3),
        (
            Rule::Sixteen,
            1,
            between("12", "Ra", "0.5", "1.0 µm"),
            vec!["0.6", "0.5", "1.0"],
            "conforms within-limits",
            "0.5",
            3,
        ),
        (
            Rule::Sixteen,
            1,
            between("12", "Ra", "0.5", "1.0 µm"),
            vec!["0.4", "0.4", "0.4"],
            "nonconforming below-lower",
            "0.4",
            3,
        ),
    ];
    for (rule, due, characteristic, values, expected, value, used) in cases {
        let judgement = run(&ruled(characteristic, rule, due), &gauge(), &texture(&values));
        assert_eq!(verdict(&judgement), Some((expected.to_owned(), value.to_owned(), used)), "{rule:?} {values:?}");
    }
}

/// The gauge with this uncertainty of Ra.
fn uncertain(uncertainty: &str) -> Gauge {
    Gauge { uncertainty: [(quantity("Ra"), amount(uncertainty))].into(), ..gauge() }
}

fn decided(characteristic: Characteristic, decision: DecisionRule, guard: GuardWidth) -> Job {
    job(vec![Characteristic { decision, guard, ..characteristic }, beside()])
}

/// `tests/data/decision-cases.json`: JCGM 106:2012 and ISO 14253-1, from memory, by somebody else than who wrote the rule.
#[test]
fn guard_bands_decide_as_in_the_table() {
    let table: serde_json::Value = serde_json::from_str(include_str!("data/decision-cases.json")).unwrap();
    let cases = table["guard"].as_array().unwrap();
    assert!(cases.len() > 8);
    for case in cases {
        let limit = format!("{} µm", written(&case["upper"]));
        let asked = match &case["lower"] {
            serde_json::Value::Null => upper("12", "Ra", &limit),
            low => between("12", "Ra", &written(low), &limit),
        };
        let gauge = uncertain(&format!("{} µm", written(&case["U"])));
        for (rule, key) in [
            (DecisionRule::Simple, "simple"),
            (DecisionRule::GuardedAcceptance, "guarded"),
            (DecisionRule::Iso14253, "iso14253"),
        ] {
            let job = decided(asked.clone(), rule, GuardWidth::Expanded);
            let judgement = run(&job, &gauge, &texture(&[&written(&case["y"])]));
            let row = only(&judgement, Kind::Reading);
            let outcome = row.outcome.unwrap();
            let expected = match case[key].as_str().unwrap() {
                "conform" => Outcome::Conforms,
                "nonconform" | "not accepted" => Outcome::Nonconforming,
                "no acceptance zone" => Outcome::Unjudged,
                _ => Outcome::Undecided,
            };
            assert_eq!(outcome, expected, "{key} {case}");
            assert_eq!(row.reasons.contains(&"no-acceptance-zone".to_owned()), outcome == Outcome::Unjudged);
        }
    }
}

/// U = 0.04 um with k = 2: 1.65 u = 0.033 um; 5 % of 0.76 are 0.038. Edges: inside is inclusive on both borders.
#[test]
fn guard_bands_have_defined_edges() {
    use DecisionRule::{GuardedAcceptance, GuardedRejection, Iso14253};
    use GuardWidth::{Expanded, OneSided};
    for (rule, guard, uncertainty, value, expected) in [
        (GuardedAcceptance, Expanded, "0.04 µm", "0.76", "conforms within-limits"),
        (GuardedAcceptance, Expanded, "0.04 µm", "0.7601", "nonconforming inside-guard-band"),
        (GuardedAcceptance, Expanded, "0.04 µm", "0.81", "nonconforming above-upper"),
        (GuardedAcceptance, OneSided, "0.04 µm", "0.767", "conforms within-limits"),
        (GuardedAcceptance, OneSided, "0.04 µm", "0.7671", "nonconforming inside-guard-band"),
        (GuardedRejection, Expanded, "0.04 µm", "0.84", "conforms inside-guard-band"),
        (GuardedRejection, Expanded, "0.04 µm", "0.8401", "nonconforming above-upper"),
        (GuardedRejection, Expanded, "0.04 µm", "0.8", "conforms within-limits"),
        (Iso14253, Expanded, "0.04 µm", "0.84", "undecided inside-guard-band"),
        (Iso14253, Expanded, "0.04 µm", "0.8401", "nonconforming above-upper"),
        (Iso14253, Expanded, "0.04 µm", "0.76", "conforms within-limits"),
        (Iso14253, Expanded, "40 nm", "0.7601", "undecided inside-guard-band"),
        (Iso14253, Expanded, "5 %", "0.76", "conforms within-limits"),
        (Iso14253, Expanded, "5 %", "0.762", "undecided inside-guard-band"),
    ] {
        let job = decided(upper("12", "Ra", "0.8 µm"), rule, guard);
        let judgement = run(&job, &uncertain(uncertainty), &texture(&[value]));
        let found = verdict(&judgement).map(|(outcome, ..)| outcome);
        assert_eq!(found.as_deref(), Some(expected), "{rule:?} {guard:?} {uncertainty} {value}");
        assert_eq!(only(&judgement, Kind::Reading).reasons.join(" "), expected.split_once(' ').unwrap().1);
    }
}

#[test]
fn without_a_known_uncertainty_nothing_is_guarded_silently() {
    let job = decided(upper("12", "Ra", "0.8 µm"), DecisionRule::Iso14253, GuardWidth::Expanded);
    let judgement = run(&job, &gauge(), &texture(&["0.1"]));
    assert_eq!(only(&judgement, Kind::Reading).reasons, ["uncertainty-unknown"]);
    assert_eq!(only(&judgement, Kind::Reading).outcome, Some(Outcome::Unjudged));
}

/// One value that can't be told from the limit leaves the whole characteristic open; one beyond decides at once.
#[test]
fn an_open_value_leaves_the_max_rule_open() {
    let asked = Characteristic { traces: 3, ..upper("12", "Ra", "0.8 µm") };
    let job = decided(asked, DecisionRule::Iso14253, GuardWidth::Expanded);
    for (values, expected, used) in [
        (&["0.5", "0.78", "0.5"][..], "undecided inside-guard-band", 3),
        (&["0.5", "0.5", "0.5"], "conforms within-limits", 3),
        (&["0.78", "0.9"], "nonconforming above-upper", 2),
    ] {
        let judgement = run(&job, &uncertain("0.04 µm"), &texture(values));
        let found = verdict(&judgement).map(|(outcome, _, used)| (outcome, used));
        assert_eq!(found, Some((expected.to_owned(), used)), "{values:?}");
    }
    let whole =
        ridgepost_judge::end_piece(&job, &run(&job, &uncertain("0.04 µm"), &texture(&["0.5", "0.78", "0.5"])).piece);
    let part = &whole.unwrap().rows[0];
    assert_eq!(
        (part.outcome, part.reasons.join(" ")),
        (Some(Outcome::Unjudged), "inside-guard-band missing:99".to_owned())
    );
}

#[test]
fn more_retests_than_allowed_are_not_judged() {
    let job = job(vec![upper("12", "Ra", "0.8 µm"), beside()]);
    let judgement = run(&job, &gauge(), &texture(&["0.9", "0.7", "0.7", "0.7"]));
    let readings = judgement.rows.iter().filter(|row| row.kind == Kind::Reading);
    let found: Vec<_> =
        readings.map(|row| format!("{:?} {} {}", row.attempt, row.outcome.unwrap(), row.reasons.join(" "))).collect();
    assert_eq!(
        found,
        [
            "None nonconforming above-upper",
            "Some(2) conforms within-limits",
            "Some(3) unjudged retest-limit",
            "Some(4) unjudged retest-limit",
        ]
    );
    assert_eq!(judgement.piece.slots[0].decided, Some(Outcome::Nonconforming));
    assert_eq!(judgement.rows.iter().filter(|row| row.kind == Kind::Verdict).count(), 1);
}

/// The procedure in whole numbers, told from the text of the annex and not from the code: after 3 none beyond, after 6 at
/// most 1, after 12 at most 2; a first value of at most 70 % of an upper limit ends it.
fn sixteen_by_the_text(values: &[i64], limit: i64) -> Option<(bool, usize)> {
    let beyond = |count: usize| values[..count].iter().filter(|value| **value > limit).count();
    for count in 1..=values.len() {
        if count == 1 && values[0] * 100 <= limit * 70 {
            return Some((true, count));
        }
        if [(3, 0), (6, 1), (12, 2)].iter().any(|(at, most)| count == *at && beyond(*at) <= *most) {
            return Some((true, count));
        }
        if beyond(count) >= 3 {
            return Some((false, count));
        }
    }
    None
}

proptest! {
    #[test]
    fn the_sixteen_percent_procedure_is_that_of_the_text(values in prop::collection::vec(600_i64..1100, 1..14)) {
        let readings: Vec<_> = values.iter().map(|value| Reading {
            value: Some(Value::from(Decimal::new(*value, 3))), unit: Some(Unit::Micrometre), ..reading("Ra", "1 µm")
        }).collect();
        let judgement = run(&ruled(upper("12", "Ra", "1.000 µm"), Rule::Sixteen, 1), &gauge(), &readings);
        let found = verdict(&judgement).map(|(outcome, _, used)| (outcome.starts_with("conforms"), used));
        prop_assert_eq!(found, sixteen_by_the_text(&values, 1000));
    }

    /// Mean and median in whole numbers.
    #[test]
    fn means_and_medians_are_those_of_whole_numbers(
        values in prop::collection::vec(1_i64..2000, 1..9),
        limit in 1_i64..2000,
        median: bool,
    ) {
        let readings: Vec<_> = values.iter().map(|value| Reading {
            value: Some(Value::from(Decimal::new(*value, 3))), unit: Some(Unit::Millimetre), ..reading("D", "1 mm")
        }).collect();
        let rule = if median { Rule::Median } else { Rule::Mean };
        let due = u32::try_from(values.len()).unwrap();
        let asked = Characteristic { upper: Some(Decimal::new(limit, 3)), unit: Unit::Millimetre, ..characteristic("12", "D") };
        let judgement = run(&ruled(asked, rule, due), &gauge(), &readings);
        let mut sorted = values.clone();
        sorted.sort_unstable();
        let (low, high) = (sorted[(sorted.len() - 1) / 2], sorted[sorted.len() / 2]);
        let count = i64::try_from(values.len()).unwrap();
        let within = if median { low + high <= 2 * limit } else { values.iter().sum::<i64>() <= count * limit };
        let found = verdict(&judgement).map(|(outcome, ..)| outcome.starts_with("conforms"));
        prop_assert_eq!(found, Some(within));
    }

    /// A piece rebuilt from its stored rows goes on as the one in memory, whatever the rules.
    #[test]
    fn a_rebuilt_slot_decides_alike(
        values in prop::collection::vec(600_i64..1100, 1..14),
        rule in prop::sample::select(vec![Rule::Max, Rule::Sixteen, Rule::Median, Rule::Mean]),
        iso: bool,
        due in 1_u32..6,
        cut in 0_usize..14,
    ) {
        let readings: Vec<_> = values.iter().map(|value| Reading {
            value: Some(Value::from(Decimal::new(*value, 3))), unit: Some(Unit::Micrometre), ..reading("Ra", "1 µm")
        }).collect();
        let mut job = ruled(upper("12", "Ra", "1.000 µm"), rule, due);
        if iso && rule != Rule::Sixteen {
            job.characteristics[0].decision = DecisionRule::Iso14253;
        }
        let gauge = uncertain("0.05 µm");
        let whole = run(&job, &gauge, &readings);
        let first = run(&job, &gauge, &readings[..cut.min(readings.len())]);
        let stored: Vec<_> = first.rows.iter().filter_map(ridgepost_judge::StoredReading::of).collect();
        let rebuilt = Piece::rebuild(&job, 1, &stored);
        let rest = one_by_one(&circumstances(Some(&job), &gauge), &rebuilt, &readings[cut.min(readings.len())..]);
        prop_assert_eq!(&rest.piece, &whole.piece);
        prop_assert_eq!([first.rows, rest.rows].concat(), whole.rows);
    }
}
