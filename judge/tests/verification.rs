//! Verification of gauges: what the register says against it, which values count, what comes out, how long it holds.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use bench::{marked, quantity, reading};
use jiff::ToSpan;
use jiff::civil::date;
use jiff::tz::{TimeZone, offset};
use ridgepost_config::{Plan, read};
use ridgepost_judge::{
    AsOf, GaugeState, SinceTurn, Turn, Values, compared, due_soon, gauge_state_since, register_concerns,
    specimen_value, verification_objections,
};
use ridgepost_parsers::{Conditions, Mark, Reading, Unit, Value};
use rust_decimal::Decimal;

/// The plan of a cell without stations whose register is this.
fn plan(register: &str) -> Plan {
    let cell = "[cell]\nname = \"c\"\ntime_zone = \"UTC\"\n[store]\npath = \"/s/s.db\"\n";
    let files = [("cell.toml", cell), ("gauges.toml", register)];
    let files: BTreeMap<PathBuf, String> =
        files.into_iter().map(|(file, text)| (file.into(), text.to_owned())).collect();
    let loaded = read(Path::new("/etc/ridgepost"), &files);
    loaded.partial.unwrap_or_else(|| panic!("{:?}", loaded.diagnostics))
}

#[test]
fn what_runs_out_soon_is_told() {
    let plan = plan(
        r#"
        [[gauge]]
        id = "A"
        kind = "stylus"
        calibration_due = "2026-12-26"
        verified = { on = "2026-11-01", until = "2026-11-27", source = "book" }
        [[gauge]]
        id = "B"
        kind = "stylus"
        calibration_due = "2026-12-27"
        [[specimen]]
        id = "S"
        certified = { Ra = "3 µm" }
        due = "2026-11-26"
        "#,
    );
    let told = due_soon(&plan, date(2026, 11, 26));
    assert_eq!(
        told,
        [
            "gauge A: its calibration runs out in 30 days, on 2026-12-26",
            "gauge A: the verification written in the register runs out tomorrow, on 2026-11-27",
            "specimen S: its certificate runs out today, on 2026-11-26",
        ]
    );
    assert!(due_soon(&plan, date(2027, 1, 1)).is_empty(), "what is past is told otherwise");
}

#[test]
fn days_that_are_past_and_other_filters_are_told() {
    let plan = plan(
        r#"
        [[gauge]]
        id = "A"
        kind = "stylus"
        calibration_due = "2026-11-26"
        verified = { on = "2026-11-01", until = "2026-11-25", source = "book" }
        settings = { filter = "2RC" }
        verification = { specimen = "S" }
        [[gauge]]
        id = "B"
        kind = "stylus"
        calibration_due = "2026-11-25"
        settings = { filter = "Gauß" }
        verification = { specimen = "S" }
        [[specimen]]
        id = "S"
        certified = { Ra = "3 µm" }
        uncertainty = { Ra = "0.06 µm" }
        conditions = { filter = "gaussian" }
        due = "2026-11-25"
        "#,
    );
    let told = register_concerns(&plan, date(2026, 11, 26));
    let expected = [
        "gauge A: the verification written in the register held until 2026-11-25",
        "gauge A: specimen S was certified with filter gaussian",
        "gauge B: its calibration was due on 2026-11-25",
        "specimen S: its certificate was due on 2026-11-25",
    ];
    assert_eq!(told.len(), expected.len(), "{told:#?}");
    for (told, expected) in told.iter().zip(expected) {
        assert!(told.starts_with(expected), "{told}");
    }
    assert_eq!(register_concerns(&plan, date(2026, 11, 25)).len(), 1, "a day named as the last one still counts");
}

const REGISTER: &str = r#"
    [[gauge]]
    id = "A"
    kind = "stylus"
    calibration_due = "2026-12-24"
    settings = { cutoff = "0.8 mm", sections = 5, filter = "gaussian" }
    uncertainty = { Ra = "5 %" }
    verification = { specimen = "S", traces = 3, permitted = { Ra = "5 %" }, RULE }
    [[specimen]]
    id = "S"
    certified = { Ra = "3 µm", Rz = "9.4 µm" }
    uncertainty = { Ra = "0.04 µm" }
    conditions = { cutoff = "0.8 mm", filter = "gaussian" }
"#;

/// The register with words in the place of others.
fn with(replaced: &[(&str, &str)]) -> Plan {
    let text = replaced.iter().fold(REGISTER.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replace(from, to)
    });
    plan(&text.replace("RULE", "within_minutes = 30"))
}

/// What speaks against a verification: nothing, or words of each objection.
#[test]
fn objections_are_all_told() {
    let day = Some(date(2026, 11, 26));
    let permitted = "permitted = { Ra = \"5 %\" }";
    for (replaced, day, expected) in [
        (&[][..], day, &[][..]),
        // A third of 0.15 µm is 0.05 µm, and that is allowed exactly.
        (&[("0.04 µm", "0.05 µm")], day, &[]),
        (
            &[("0.04 µm", "0.0501 µm")],
            day,
            &["0.0501 µm of Ra of specimen S is more than a third of the permitted 0.15 µm"],
        ),
        (&[("0.04 µm", "50 nm")], day, &[]),
        (&[("uncertainty = { Ra = \"0.04 µm\" }", "due = \"2026-11-26\"")], day, &["states no uncertainty of its Ra"]),
        (&[("conditions = { cut", "due = \"2026-11-26\"\nconditions = { cut")], day, &[]),
        (&[("conditions = { cut", "due = \"2026-11-25\"\nconditions = { cut")], day, &["was due on 2026-11-25"]),
        (
            &[("conditions = { cut", "due = \"2026-11-30\"\nconditions = { cut")],
            None,
            &["the clock is not synchronised"],
        ),
        // Where the rule names none of what is certified, all of it counts, by the shop's alarm of a tenth.
        (&[(permitted, "permitted = { Rq = \"5 %\" }")], day, &["states no uncertainty of its Rz"]),
    ] {
        let plan = with(replaced);
        let told = verification_objections(&plan.gauges["A"], &plan.specimens["S"], day);
        assert_eq!(told.len(), expected.len(), "{replaced:?}: {told:?}");
        assert!(told.iter().zip(expected).all(|(told, expected)| told.contains(expected)), "{replaced:?}: {told:?}");
    }
}

/// A reading of the specimen: the value that counts, why it does not, or `-` where its quantity is not needed.
#[test]
fn what_counts_is_in_the_certificates_unit_and_under_its_conditions() {
    let plan = with(&[]);
    let (gauge, specimen) = (&plan.gauges["A"], &plan.specimens["S"]);
    let cutoff = |text: &str| {
        let conditions = Conditions { cutoff: Some(bench::length(text)), ..Conditions::default() };
        Reading { conditions, ..reading("Ra", "3.02 µm") }
    };
    let wrong_kind = Reading { unit: Some(Unit::Hrc), ..reading("Ra", "3.02 µm") };
    for (reading, expected) in [
        (reading("Ra", "3.02 µm"), "3.02"),
        (reading("Ra", "3020 nm"), "3.020"),
        (reading("Ra", "118.9 µin"), "3.02006"),
        (reading("Rz", "9.4 µm"), "-"),
        (cutoff("0.8 mm"), "3.02"),
        (cutoff("2.5 mm"), "conditions-mismatch"),
        (cutoff("0.0315 in"), "3.02"),
        (marked("Ra", Mark::Over), "mark"),
        (Reading { unit: None, ..reading("Ra", "3.02 µm") }, "unit-suspect"),
        (wrong_kind, "unit-suspect"),
    ] {
        let said = match specimen_value(gauge, specimen, &reading) {
            Ok(None) => "-".to_owned(),
            Ok(Some(value)) => value.to_string(),
            Err(why) => why.iter().map(|reason| reason.code()).collect::<Vec<_>>().join(" "),
        };
        assert_eq!(said, expected, "{reading:?}");
    }
}

/// The first three values decide, exactly. E_n by hand: the gauge's U is 5 % of 3 µm, the specimen's 0.04 µm, and their root
/// of squares 0.15524 µm.
#[test]
fn the_first_values_are_compared_exactly() {
    let plan = with(&[]);
    let (gauge, specimen) = (&plan.gauges["A"], &plan.specimens["S"]);
    for (values, expected) in [
        (&["3.0", "3.0"][..], "undecided"),
        (&["3.00", "3.00", "3.00"], "3.000 0.000 0 true"),
        (&["3.15", "3.15", "3.15"], "3.150 0.150 0.97 true"),
        (&["3.15", "3.15", "3.16"], "3.153 0.153 0.99 false"),
        (&["2.85", "2.85", "2.85"], "2.850 -0.150 0.97 true"),
        (&["2.85", "2.85", "2.8499999"], "2.84999997 -0.15000003 0.97 false"),
        (&["9.00", "3.00", "3.00", "3.00", "3.00"], "5.000 2.000 12.88 false"),
        // A hundred digits' worth of a third: no rounding may decide.
        (&["3.1", "3.1", "3.25"], "3.150 0.150 0.97 true"),
        (&["3.1", "3.1", "3.2500000000000000001"], "3.15000000000000000003 0.15000000000000000003 0.97 false"),
    ] {
        let read: Vec<Value> = values.iter().map(|value| Value::parse(value).unwrap()).collect();
        let told = match compared(gauge, specimen, &Values::from([(quantity("Ra"), read)])) {
            None => "undecided".to_owned(),
            Some(compared) => {
                let [one] = &compared[..] else { panic!("{compared:?}") };
                format!("{} {} {} {}", one.mean, one.deviation, one.e_n.unwrap(), one.within)
            }
        };
        assert_eq!(told, expected, "{values:?}");
    }
}

/// States of a gauge at a time, after something happened at noon (UTC) of the 20th.
#[test]
fn a_verification_ends_by_whatever_ends_first() {
    let day = 86_400;
    let noon = 1_795_176_000_i64;
    let passed = Some(Turn::Passed);
    let long = date(2026, 11, 20);
    for (rule, turn, seconds, used, expected) in [
        ("hours = 24", None, 0, (0, "0"), "unverified"),
        ("hours = 24", passed, 0, (0, "0"), "verified"),
        ("hours = 24", passed, day - 1, (0, "0"), "verified"),
        ("hours = 24", passed, day, (0, "0"), "overdue"),
        ("hours = 24", Some(Turn::Failed), 60, (0, "0"), "failed"),
        ("hours = 24", Some(Turn::Demanded), 60, (0, "0"), "unverified"),
        // 14:00 of the cell's zone is 13:00 UTC.
        ("shifts = [\"06:00\", \"14:00\", \"22:00\"]", passed, 3599, (0, "0"), "verified"),
        ("shifts = [\"06:00\", \"14:00\", \"22:00\"]", passed, 3600, (0, "0"), "overdue"),
        ("shifts = [\"06:00\"]", passed, 17 * 3600 - 1, (0, "0"), "verified"),
        ("shifts = [\"06:00\"]", passed, 17 * 3600, (0, "0"), "overdue"),
        ("hours = 24, shifts = [\"13:00\"]", passed, day - 1, (0, "0"), "verified"),
        ("hours = 12, shifts = [\"13:00\"]", passed, day / 2, (0, "0"), "overdue"),
        ("readings = 100", passed, day, (99, "0"), "verified"),
        ("readings = 100", passed, day, (100, "0"), "overdue"),
        ("distance = \"20 m\"", passed, day, (9, "19999.99"), "verified"),
        ("distance = \"20 m\"", passed, day, (9, "20000"), "overdue"),
        ("traces = 3", passed, 30 * day, (9, "99999"), "verified"),
        // The calibration is over, whatever was verified.
        ("traces = 3", passed, 35 * day, (0, "0"), "overdue"),
    ] {
        let plan = plan(&REGISTER.replace("traces = 3, ", "").replace("RULE", rule));
        let us = (noon + seconds) * 1_000_000;
        let since = turn.map(|turn| SinceTurn {
            turn,
            at_us: noon * 1_000_000,
            readings: used.0,
            traced_mm: used.1.parse().unwrap(),
        });
        let days = (seconds + 12 * 3600) / day;
        let today = long.checked_add(days.days()).unwrap();
        let zone = TimeZone::fixed(offset(1));
        let as_of = |day| AsOf { us, day, zone: zone.clone() };
        let state = gauge_state_since(plan.gauges.get("A"), since.as_ref(), &as_of(Some(today)));
        assert_eq!(state.code(), expected, "{rule} {turn:?} after {seconds} s, {used:?}");
        // Where the clock can't be right nothing that ends by it is believed.
        let unsure = gauge_state_since(plan.gauges.get("A"), since.as_ref(), &as_of(None));
        assert_ne!(unsure, GaugeState::Verified, "{rule}");
        if turn == Some(Turn::Failed) {
            assert_eq!(unsure, GaugeState::Failed);
        }
    }
}

/// What the register states of a later day counts more than what happened, and what it calls bad counts always.
#[test]
fn the_later_word_counts() {
    let noon = 1_795_176_000_000_000_i64;
    for (stated, turn, expected) in [
        ("verified = { on = \"2026-11-19\", source = \"book\" }", Turn::Failed, "failed"),
        ("verified = { on = \"2026-11-20\", source = \"book\" }", Turn::Failed, "failed"),
        ("verified = { on = \"2026-11-21\", source = \"book\" }", Turn::Failed, "verified"),
        ("verified = { on = \"2026-11-19\", source = \"book\" }", Turn::Demanded, "unverified"),
        ("failed = \"chipped\"", Turn::Passed, "failed"),
        ("skidded = true", Turn::Passed, "verified"),
    ] {
        let register = REGISTER.replace("kind = \"stylus\"", &format!("kind = \"stylus\"\n{stated}"));
        let plan = plan(&register.replace("RULE", "within_minutes = 30"));
        let since = SinceTurn { turn, at_us: noon, readings: 0, traced_mm: Decimal::ZERO };
        let as_of = AsOf { us: noon + 172_800_000_000, day: Some(date(2026, 11, 22)), zone: TimeZone::UTC };
        let state = gauge_state_since(plan.gauges.get("A"), Some(&since), &as_of);
        assert_eq!(state.code(), expected, "{stated} {turn:?}");
    }
}
