//! Profiles that come in messages, where the job is judged by what is computed from them: both figures are kept, and the
//! instrument's own is held against ours. Expected values are of an independent program (numpy, scipy).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fmt::Write;
use std::path::Path;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::oracle::{Row, field};
use ridgepost_tests::pty::Line;
use ridgepost_tests::tester::said;
use serde_json::Value;

const TESTER: &str = r#"
[instrument]
name = "tracer"
[framing]
kind = "block"
start_line = 'BEGIN (?<number>\d+)( of (?<part>\S+))?'
end_line = 'END'
bytes_max = 1000000
[[line]]
pattern = 'POINTS (?<points>\d+) STEP (?<spacing>\S+ mm)'
[[line]]
pattern = '(?<quantity>R\w+) (?<value>\d+\.\d+) (?<unit>um)'
[[line]]
pattern = '(?<heights>[-\d ]+)'
[trace]
scale = "1 nm"
[reading]
unique_by = ["number"]
"#;

fn job(conditions: &str) -> String {
    let of = |balloon: u32, quantity: &str, upper: &str| {
        format!(
            "[[characteristic]]\nballoon = \"{balloon}\"\nfeature = \"seat\"\nquantity = \"{quantity}\"\nupper = \"{upper} µm\"\n\
             rule = \"max\"\nfrom = \"trace\"\n{conditions}\n"
        )
    };
    format!(
        "[job]\nid = \"J-1\"\npart_number = \"P-1\"\nrevision = \"A\"\noperation = \"10\"\nedition = \"ISO 21920\"\n{}{}{}",
        of(12, "Ra", "0.4"),
        of(13, "Rz", "2.0"),
        of(14, "Rq", "0.8")
    )
}

fn stored(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../texture/tests/data/profiles").join(name);
    std::fs::read_to_string(path).unwrap()
}

/// A message with the profile of this name and figures beside it.
fn message(number: u32, part: &str, profile: &str, figures: &[(&str, f64)]) -> Vec<u8> {
    let text = stored(&format!("{profile}.csv"));
    let heights: Vec<String> = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| ((line.trim().parse::<f64>().unwrap() * 1000.0).round() as i64).to_string())
        .collect();
    let mut message = format!("BEGIN {number} of {part}\r\nPOINTS {} STEP 0.0005 mm\r\n", heights.len());
    for (quantity, value) in figures {
        let _ = write!(message, "{quantity} {value:.4} um\r\n");
    }
    for line in heights.chunks(16) {
        let _ = write!(message, "{}\r\n", line.join(" "));
    }
    message.push_str("END\r\n");
    message.into_bytes()
}

fn expected(profile: &str, symbol: &str) -> f64 {
    let expected: Value = serde_json::from_str(&stored(&format!("{profile}.json"))).unwrap();
    expected["values"][symbol].as_f64().unwrap()
}

fn cell(conditions: &str) -> (Cell, Line) {
    let mut cell = Cell::new(env!("CARGO_BIN_EXE_ridgepost"));
    cell.instrument("tracer", TESTER);
    cell.gauge("id = \"RT-1\"\nkind = \"stylus\"\nverified = { on = \"2020-01-01\", source = \"test\" }");
    let line = cell.port("bench", "tracer", "RT-1");
    cell.sink("mes", "reading");
    cell.write("jobs/j1.toml", &job(conditions));
    cell.configure();
    cell.start_listening(&[&line]);
    cell.until("the job to be opened", |cell| cell.ask(&["job", "open", "J-1"]).status.success().then_some(()));
    (cell, line)
}

fn of<'r>(rows: &'r [Row], kind: &str, quantity: &str) -> Vec<&'r Row> {
    rows.iter().filter(|row| field(row, "kind") == kind && field(row, "quantity") == quantity).collect()
}

#[test]
fn a_job_is_judged_by_what_is_computed_and_both_figures_are_kept() {
    let (mut cell, mut line) = cell("conditions = { cutoff = \"0.8 mm\", sections = 5 }");
    let [ra, rz] = ["Ra", "Rz"].map(|symbol| expected("02_ground", symbol));
    line.send(&message(1, "A-1", "02_ground", &[("Ra", ra), ("Rz", rz)]));
    cell.until_recorded("bench", 5);
    let rows = cell.store().results();
    for (symbol, outcome) in
        [("Ra", "conforms within-limits"), ("Rz", "nonconforming above-upper"), ("Rq", "conforms within-limits")]
    {
        let computed: Vec<&Row> =
            of(&rows, "reading", symbol).into_iter().filter(|row| field(row, "value_as_sent").is_empty()).collect();
        let [row] = computed[..] else { panic!("{symbol}: {computed:?}") };
        let value: f64 = field(row, "value").parse().unwrap();
        assert!((value - expected("02_ground", symbol)).abs() < 6e-6, "{symbol} {value}");
        assert_eq!(format!("{} {}", field(row, "outcome"), field(row, "reasons")), outcome);
        let conditions =
            ["cutoff_mm", "sections", "lambda_s_um", "filter", "conditions_source"].map(|name| field(row, name));
        assert_eq!(conditions, ["0.8", "5", "2.5", "gaussian", "observed"]);
        assert_eq!(field(row, "serial"), "A-1");
    }
    // The instrument's own figures are there as they were sent, and judged by nobody.
    let own: Vec<String> = rows
        .iter()
        .filter(|row| !field(row, "value_as_sent").is_empty())
        .map(|row| field(row, "reasons").to_owned())
        .collect();
    assert_eq!(own, ["no-characteristic", "no-characteristic"]);
    assert_eq!(rows.last().map(said).unwrap(), "part J-1/A-1 nonconforming above-upper");
    // Read again, nothing is new; after a restart the same message is a repeat.
    let replayed = cell.ask(&["replay"]);
    assert!(replayed.status.success(), "{replayed:?}");
    assert_eq!(cell.store().results(), rows, "{replayed:?}");
    cell.kill();
    cell.start_listening(&[&line]);
    line.send(&message(1, "A-1", "02_ground", &[("Ra", ra), ("Rz", rz)]));
    line.send(&message(2, "A-2", "12_wavy", &[]));
    cell.until("the next part", |cell| {
        let rows = cell.store().results();
        rows.iter().any(|row| field(row, "serial") == "A-2" && field(row, "kind") == "part").then_some(())
    });
    let rows = cell.store().results();
    assert_eq!(of(&rows, "reading", "Ra").len(), 3, "two of the first message, one of the second");
    // A computed value can be void like any other.
    let seq = field(
        of(&rows, "reading", "Ra").into_iter().find(|row| field(row, "value_as_sent").is_empty()).unwrap(),
        "seq",
    )
    .to_owned();
    let voided = cell.ask(&["void", &seq, "--by", "M. K.", "--reason", "dirt"]);
    assert!(voided.status.success(), "{voided:?}");
    let told = cell.ask(&["doctor", "--thorough"]);
    assert!(told.stdout.contains("seals                    well"), "{told:?}");
    let parts: Vec<String> =
        cell.store().results().iter().filter(|row| field(row, "balloon").is_empty()).map(said).collect();
    assert!(parts.last().unwrap().contains("J-1/A-1 nonconforming above-upper missing:12 voided"), "{parts:#?}");
    cell.stop();
}

#[test]
fn a_figure_of_another_setting_is_told_with_its_cause() {
    let (mut cell, mut line) = cell("conditions = { cutoff = \"0.8 mm\", sections = 5 }");
    // What the tester shows where it is set to 0.25 mm.
    let file = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../texture/tests/data/profiles/03_plateau_honed.csv")
        .display()
        .to_string();
    let other = cell.ask_json(&["profile", &file, "--spacing", "0.5 µm", "--cutoff", "0.25 mm"]).remove(0);
    let other = other["parameters"]["Ra"]["value"].as_f64().unwrap();
    line.send(&message(1, "A-1", "03_plateau_honed", &[("Ra", other)]));
    cell.until_recorded("bench", 4);
    let rows = cell.store().results();
    let row = of(&rows, "reading", "Ra").into_iter().find(|row| field(row, "value_as_sent").is_empty()).unwrap();
    assert_eq!(field(row, "reasons"), "within-limits trace-disagrees");
    assert_eq!(field(row, "outcome"), "conforms");
    let why = cell.ask(&["why", field(row, "seq")]).stdout;
    assert!(why.contains("disagrees: other-cutoff: 0.25 mm gives it"), "{why}");
    assert!(why.contains("own_figure: ") && why.contains("computed: 11200 points"), "{why}");
    cell.stop();
}

#[test]
fn a_profile_that_can_t_be_evaluated_gives_no_number() {
    let (mut cell, mut line) = cell("conditions = { cutoff = \"8 mm\" }");
    line.send(&message(1, "A-1", "02_ground", &[("Ra", 0.3)]));
    cell.until_recorded("bench", 4);
    let rows = cell.store().results();
    let row = of(&rows, "reading", "Ra").into_iter().find(|row| field(row, "value_as_sent").is_empty()).unwrap();
    assert_eq!((field(row, "value"), field(row, "outcome"), field(row, "reasons")), ("", "unjudged", "mark"));
    let why = cell.ask(&["why", field(row, "seq")]).stdout;
    assert!(why.contains("computed: "), "{why}");
    cell.stop();
}

/// A tester is verified by what it shows, not by what is computed from its profile.
#[test]
fn a_verification_is_of_the_testers_own_figures() {
    let (mut cell, mut line) = cell("conditions = { cutoff = \"0.8 mm\", sections = 5 }");
    cell.stop();
    let register = "[[gauge]]\nid = \"RT-1\"\nkind = \"stylus\"\nsettings = { cutoff = \"0.8 mm\", sections = 5 }\n\
                    verification = { specimen = \"SP-1\", traces = 3, permitted = { Ra = \"5 %\" } }\n\
                    [[specimen]]\nid = \"SP-1\"\ncertified = { Ra = \"0.25 µm\" }\nuncertainty = { Ra = \"0.003 µm\" }\n";
    cell.write("gauges.toml", register);
    cell.start_listening(&[&line]);
    let begun = cell.ask(&["verify", "RT-1", "--by", "M. K."]);
    assert!(begun.status.success(), "{begun:?}");
    // The profile says 0.318, the tester 0.25: it is the tester that is verified.
    for number in 1..=3 {
        line.send(&message(number, "S", "02_ground", &[("Ra", 0.25)]));
    }
    cell.until("the verification", |cell| {
        let gauges = cell.ask_json(&["status"]).remove(0);
        (gauges["gauges"][0]["state"] == "verified").then_some(())
    });
    cell.stop();
}
