//! Verifications from end to end: a tester at a port, a specimen, and what rows, files, `status`, `gauge` and `why` say.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "verify/certificate.rs"]
mod certificate;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::oracle::{Row, field};
use ridgepost_tests::pty::Line;

const TESTER: &str = r#"
[instrument]
name = "tester"
[[line]]
pattern = '(?<quantity>R\w+) (?<value>\d+\.\d+) (?<unit>um)( cutoff (?<cutoff>[\d.]+ mm))?'
"#;

/// A tester whose register entry says nothing of a verification, and two specimens, one out of date.
const REGISTER: &str = r#"
id = "RT-1"
kind = "stylus"
skidded = true
settings = { cutoff = "0.8 mm", sections = 5, filter = "gaussian" }
verification = { specimen = "SP-2", traces = 3, permitted = { Ra = "0.2 µm" }, hours = 24 }

[[specimen]]
id = "SP-2"
serial = "4711"
certified = { Ra = "2.97 µm", Rz = "9.4 µm" }
uncertainty = { Ra = "0.06 µm", Rz = "0.3 µm" }
certificate = "K-17"
conditions = { cutoff = "0.8 mm", filter = "gaussian" }

[[specimen]]
id = "SP-1"
certified = { Ra = "0.5 µm" }
uncertainty = { Ra = "0.02 µm" }
due = "2020-01-01"
"#;

const JOB: &str = r#"
[job]
id = "J-1"
part_number = "P-1"
revision = "A"
operation = "10"
edition = "ISO 21920"
retests = 50
[[characteristic]]
balloon = "12"
feature = "seat"
quantity = "Ra"
upper = "0.8 µm"
rule = "max"
"#;

const LABELS: &str = r#"
[[label]]
name = "specimen"
pattern = 'SPECIMEN'
set = { mode = "verification" }
[[label]]
name = "making"
pattern = 'MAKE'
forget = ["mode"]
"#;

struct Bench {
    cell: Cell,
    tester: Line,
    scanner: Line,
}

impl Bench {
    fn new() -> Bench {
        let mut cell = Cell::new(env!("CARGO_BIN_EXE_ridgepost"));
        cell.instrument("tester", TESTER);
        cell.gauge(REGISTER);
        let tester = cell.port("bench", "tester", "RT-1");
        let scanner = cell.scanner("scanner", &[]);
        cell.sink("mes", "reading");
        cell.write("labels.toml", LABELS);
        cell.write("jobs/j.toml", JOB);
        cell.configure();
        let mut bench = Bench { cell, tester, scanner };
        bench.start();
        let opens = |cell: &mut Cell| cell.ask(&["job", "open", "J-1"]).status.success().then_some(());
        bench.cell.until("the job to be opened", opens);
        bench
    }

    fn start(&mut self) {
        self.cell.start_listening(&[&self.tester, &self.scanner]);
    }

    /// Measures; what the row says.
    fn measure(&mut self, text: &str) -> String {
        let before = self.cell.store().readings("bench").len();
        self.tester.send(format!("{text}\r\n").as_bytes());
        self.cell.until_recorded("bench", before + 1);
        said(self.cell.store().readings("bench").last().unwrap())
    }

    fn specimen(&mut self, values: &[&str]) {
        for value in values {
            assert_eq!(self.measure(value), "verification   unjudged specimen-reading");
        }
    }

    #[track_caller]
    fn verify(&self, more: &[&str]) -> String {
        let said = self.cell.ask(&[&["verify", "RT-1", "--by", "M. K."], more].concat());
        assert!(said.status.success(), "{said:?}");
        said.stdout
    }

    fn status(&self) -> serde_json::Value {
        self.cell.ask_json(&["status"]).remove(0)["gauges"][0].clone()
    }

    fn why_of_last(&self) -> serde_json::Value {
        let rows = self.cell.store().readings("bench");
        self.cell.ask_json(&["why", field(rows.last().unwrap(), "seq")]).remove(0)
    }
}

fn said(row: &Row) -> String {
    ["mode", "balloon", "serial", "outcome", "reasons"]
        .map(|name| field(row, name))
        .join(" ")
        .replace("production ", "")
}

const GOOD: &str = "12  conforms within-limits";
const UNVERIFIED: &str = "12  unjudged gauge-unverified";
const FAILED: &str = "12  unjudged gauge-failed";

#[test]
fn a_tester_is_verified_used_found_bad_and_verified_again() {
    let mut bench = Bench::new();
    let mut drops = bench.cell.drops("mes");
    assert_eq!(bench.measure("Ra 0.412 um"), UNVERIFIED);

    assert!(bench.verify(&[]).contains("of specimen SP-2: measure 3 Ra within 30 minutes"));
    bench.specimen(&["Ra 2.98 um", "Ra 2.91 um cutoff 2.5 mm", "Rz 9.1 um"]);
    // Killed in its midst: what was measured of the specimen is kept, and no reading of it goes to the part.
    bench.cell.kill();
    bench.start();
    let status = bench.cell.ask(&["status"]).stdout;
    assert!(
        status.contains("verification: RT-1 with specimen SP-2, as-found; values so far: 1 of Ra, 1 don't count"),
        "{status}"
    );
    bench.specimen(&["Ra 3.11 um", "Ra 3.42 um"]);
    assert_eq!(bench.status()["verifying"], serde_json::Value::Null);
    assert_eq!(bench.status()["state"], "verified", "(2.98 + 3.11 + 3.42) / 3 is exactly 3.17, 0.2 from 2.97");
    assert_eq!(bench.measure("Ra 0.512 um"), GOOD);

    bench.verify(&["--as-left"]);
    bench.specimen(&["Ra 2.98 um", "Ra 3.11 um", "Ra 3.43 um"]);
    assert_eq!(bench.measure("Ra 0.512 um"), FAILED);
    let why = bench.why_of_last();
    let before = &why["gauge"]["before"];
    assert_eq!((&before["kind"], &before["by"]), (&"failed".into(), &"M. K.".into()));
    let expected = serde_json::json!({
        "quantity": "Ra", "unit": "µm", "certified": "2.97", "uncertainty": "0.06", "values": ["2.98", "3.11", "3.43"],
        "mean": "3.173", "deviation": "0.203", "permitted": "0.2", "e_n": null, "within": false,
    });
    assert_eq!(before["body"]["quantities"], serde_json::json!([expected]));
    assert_eq!(before["body"]["certificate"], "K-17");

    bench.verify(&[]);
    bench.specimen(&["Ra 3.0 um", "Ra 3.0 um", "Ra 3.0 um"]);
    assert_eq!(bench.measure("Ra 0.9 um"), "12  nonconforming above-upper");
    // The reading between both verifications tells of both.
    let rows = bench.cell.store().readings("bench");
    let between = rows.iter().rev().find(|row| said(row) == FAILED).unwrap();
    let why = bench.cell.ask(&["why", field(between, "seq")]).stdout;
    let bad = "mean Ra 3.173 µm, +0.203 µm from the certified 2.97, permitted 0.2";
    assert!(why.contains("gauge RT-1 before it: verification failed at ") && why.contains(bad), "{why}");
    assert!(why.contains("gauge RT-1 after it: verification passed at "), "{why}");

    assert_eq!(bench.cell.until_delivered(&mut drops), Vec::<String>::new());
    let notices: Vec<String> = drops
        .rows()
        .iter()
        .filter(|(_, row)| row["kind"] == "notice" && row["gauge"] == "RT-1")
        .map(|(_, row)| row["gauge_state"].clone())
        .collect();
    assert_eq!(notices, ["verified", "failed", "verified"]);
    bench.cell.stop();
}

#[test]
fn what_can_not_serve_is_refused_and_a_verification_can_be_given_up() {
    let mut bench = Bench::new();
    for (arguments, why) in [
        (&["verify", "RT-9", "--by", "A"][..], "there is no gauge `RT-9` in gauges.toml; there are: RT-1"),
        (&["verify", "RT-1", "--by", "A", "--specimen", "SP-9"], "there is no specimen `SP-9`"),
        (
            &["verify", "RT-1", "--by", "A", "--specimen", "SP-1"],
            "the certificate of specimen SP-1 was due on 2020-01-01",
        ),
        (&["verify", "RT-1", "--by", "A", "--stop", "--reason", "x"], "no verification of gauge RT-1 is under way"),
    ] {
        no(&bench, arguments, why);
    }
    assert_eq!(bench.measure("Ra 0.412 um"), UNVERIFIED);
    bench.verify(&[]);
    bench.specimen(&["Ra 2.97 um", "Ra 2.97 um"]);
    bench.verify(&["--stop", "--reason", "telephone"]);
    assert_eq!(bench.measure("Ra 0.412 um"), UNVERIFIED);
    // Begun anew, it needs all its values.
    bench.verify(&[]);
    bench.specimen(&["Ra 2.97 um", "Ra 2.97 um", "Ra 2.97 um"]);
    assert_eq!(bench.measure("Ra 0.412 um"), GOOD);
    bench.cell.stop();
}

#[test]
fn a_label_begins_a_verification_and_its_end_is_the_parts_again() {
    let mut bench = Bench::new();
    let scan = |bench: &mut Bench, text: &str| {
        let before = bench.cell.store().frames("scanner").len();
        bench.scanner.send(format!("{text}\r\n").as_bytes());
        bench.cell.until("the label", |cell| (cell.store().frames("scanner").len() > before).then_some(()));
    };
    scan(&mut bench, "SPECIMEN");
    bench.specimen(&["Ra 2.97 um", "Ra 2.97 um", "Ra 2.97 um"]);
    assert_eq!(bench.status()["state"], "verified");
    scan(&mut bench, "MAKE");
    assert_eq!(bench.measure("Ra 0.412 um"), GOOD);
    bench.cell.stop();
}

/// Commands work on the store alone where no daemon runs, and the daemon knows what they did.
#[test]
fn without_a_daemon_the_store_is_told() {
    let mut bench = Bench::new();
    bench.cell.stop();
    bench.verify(&[]);
    bench.start();
    bench.specimen(&["Ra 2.97 um", "Ra 2.97 um", "Ra 2.97 um"]);
    assert_eq!(bench.measure("Ra 0.412 um"), GOOD);
    bench.cell.stop();
}

#[track_caller]
fn no(bench: &Bench, arguments: &[&str], why: &str) {
    let said = bench.cell.ask(arguments);
    assert_eq!(said.status.code(), Some(1), "{said:?}");
    assert!(said.stderr.contains(why), "{said:?}");
}

/// A tester that was good in the morning is found 10 % high: the parts in between, what they would have measured, one
/// notice for each, once.
#[test]
fn what_a_bad_tester_measured_is_found_again() {
    let mut bench = Bench::new();
    no(&bench, &["gauge", "RT-9"], "there is no gauge `RT-9`");
    no(&bench, &["gauge", "RT-1", "--measured"], "was never found bad");
    no(&bench, &["gauge", "RT-1", "--notice", "--by", "QM", "--reason", "recall"], "was never found bad");
    // Before it was ever verified, and therefore not judged; not among those since it was good.
    bench.measure("Ra 0.999 um");
    bench.verify(&[]);
    bench.specimen(&["Ra 2.97 um", "Ra 2.97 um", "Ra 2.97 um"]);
    for (value, expected) in [
        ("Ra 0.412 um", GOOD),
        ("Ra 0.800 um", GOOD),
        ("Ra 0.801 um", "12  nonconforming above-upper"),
        ("Ra 0.730 um", GOOD),
    ] {
        assert_eq!(bench.measure(value), expected);
    }
    bench.verify(&[]);
    // 10 % low: 2.673 for 2.97.
    bench.specimen(&["Ra 2.673 um", "Ra 2.673 um", "Ra 2.673 um"]);
    assert_eq!(bench.measure("Ra 0.500 um"), FAILED);

    let list = |bench: &Bench, more: &[&str]| -> Vec<String> {
        let rows = bench.cell.ask_json(&[&["gauge", "RT-1", "--measured"], more].concat());
        let told = |row: &serde_json::Value| {
            ["value", "margin", "without_bias", "outside"].map(|name| row[name].to_string().replace('"', "")).join(" ")
        };
        rows.iter().map(told).collect()
    };
    let expected = [
        "0.412 0.388 0.45778 false",
        "0.800 0.000 0.88889 true",
        "0.801 -0.001 0.89000 true",
        "0.730 0.070 0.81111 true",
        "0.500 0.300 0.55556 false",
    ];
    assert_eq!(list(&bench, &[]), expected);
    let none = |text: &str| text.rsplit_once(' ').unwrap().0.rsplit_once(' ').unwrap().0.to_owned();
    let bare: Vec<String> = list(&bench, &["--bias", "Ra=0%"]).iter().map(|text| none(text)).collect();
    assert_eq!(bare, expected.map(none));
    let said = bench.cell.ask(&["gauge", "RT-1", "--measured", "--csv"]);
    assert_eq!(said.stdout.lines().count(), 6);
    let summary = "5 readings of production";
    assert!(said.stderr.contains(summary) && said.stderr.contains("(Ra -10 %) 2 of 5"), "{}", said.stderr);
    assert_eq!(list(&bench, &["--since", "1h"]).len(), 6, "all of them, whatever was found");

    notices_are_told_once_and_settled(&mut bench);
    bench.cell.stop();
}

fn notices_are_told_once_and_settled(bench: &mut Bench) {
    let mut drops = bench.cell.drops("mes");
    let told = ["gauge", "RT-1", "--notice", "--by", "QM", "--reason", "recall"];
    assert!(bench.cell.ask(&told).status.success());
    no(bench, &told, "was told of these results at");
    assert_eq!(bench.cell.until_delivered(&mut drops), Vec::<String>::new());
    let notices: Vec<String> = drops
        .rows()
        .iter()
        .filter(|(_, row)| row["kind"] == "notice" && row["mode"] == "production" && row["gauge"] == "RT-1")
        .map(|(_, row)| ["job", "balloon", "value", "outcome", "reasons"].map(|name| row[name].clone()).join(" "))
        .collect();
    let of = |value: &str| format!("J-1 12 {value}  gauge-failed");
    assert_eq!(notices, ["0.412", "0.800", "0.801", "0.730", "0.500"].map(of));

    let said = bench.cell.ask(&["gauge", "RT-1", "--settle", "two parts measured again", "--by", "QM"]);
    assert!(said.status.success(), "{said:?}");
    let story = bench.cell.ask_json(&["gauge", "RT-1"]).remove(0);
    let kinds: Vec<&str> =
        story["history"].as_array().unwrap().iter().map(|event| event["kind"].as_str().unwrap()).collect();
    let once = ["began", "counted", "counted", "counted"];
    assert_eq!(kinds, [&once[..], &["passed"], &once[..], &["failed", "told", "settled"]].concat());
    assert_eq!((&story["state"], &story["register"]["specimen"]), (&"failed".into(), &"SP-2".into()));
    let screen = bench.cell.ask(&["gauge", "RT-1"]).stdout;
    assert!(screen.contains("gauge RT-1: failed") && screen.contains("two parts measured again"), "{screen}");
    // Nothing that was told or settled makes it good.
    assert_eq!(bench.measure("Ra 0.600 um"), FAILED);
}

/// What people tell of a gauge: good before, to be verified after.
#[test]
fn what_happened_to_a_gauge_demands_a_verification() {
    let mut bench = Bench::new();
    for (what, expected) in [
        ("stylus", UNVERIFIED),
        ("dropped", UNVERIFIED),
        ("adjusted", UNVERIFIED),
        ("settings", UNVERIFIED),
        ("found-bad", FAILED),
    ] {
        bench.verify(&[]);
        bench.specimen(&["Ra 2.97 um", "Ra 2.97 um", "Ra 2.97 um"]);
        assert_eq!(bench.measure("Ra 0.412 um"), GOOD);
        let said = bench.cell.ask(&["gauge", "RT-1", "--happened", what, "--by", "M. K.", "--reason", "seen"]);
        assert!(said.status.success(), "{said:?}");
        assert_eq!(bench.measure("Ra 0.412 um"), expected, "{what}");
    }
    for what in ["passed", "failed", "settled", "nonsense"] {
        let said = bench.cell.ask(&["gauge", "RT-1", "--happened", what, "--by", "M. K.", "--reason", "seen"]);
        assert_eq!(said.status.code(), Some(2), "{what}");
    }
    bench.cell.stop();
}
