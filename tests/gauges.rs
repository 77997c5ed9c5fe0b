//! Bench gauges from end to end: an indicator that sends deviations from its master, a hardness tester that converts,
//! and what results, files and `why` say of them.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use ridgepost_tests::cell::Cell;
use ridgepost_tests::oracle::field;

const INDICATOR: &str = r#"
[instrument]
name = "indicator"
[[line]]
pattern = '(?<dev>[+-]\d+\.\d+)( (?<verdict>\w+) (?<limit_lower>\S+)/(?<limit_upper>\S+))?'
[numbers]
sign = "before"
[verdicts]
OK = "in"
NG = "out"
[[line]]
pattern = 'ready'
ignore = true
[reading]
unit = "µm"
"#;

const TESTER: &str = r#"
[instrument]
name = "rebound"
[[line]]
pattern = '(?<hardness>\S+) (?<unit>HRC) from (?<converted_from>\S+) raw (?<raw>\S+)'
"#;

/// A shaft of 25 h6: 0 / -13 µm (ISO 286-1, from memory).
const JOB: &str = r#"
[job]
id = "J-1"
part_number = "P-1"
revision = "A"
operation = "10"
gate = "warn"
retests = 3
[[characteristic]]
balloon = "4"
feature = "bearing seat"
quantity = "D"
nominal = "25 mm"
lower = "-13 µm"
upper = "0 µm"
master = { id = "SM-25", nominal = "25.0000 mm", sign = "+", deviation = "0.4 µm" }
[[characteristic]]
balloon = "5"
feature = "seat"
quantity = "hardness"
lower = "58 HRC"
"#;

fn rows(cell: &Cell, station: &str) -> Vec<String> {
    let names = ["balloon", "quantity", "value", "unit", "value_as_sent", "lower", "upper", "outcome", "reasons"];
    let row = |row: &_| names.map(|name| field(row, name).to_owned()).join(" ");
    cell.store().readings(station).iter().map(row).collect()
}

#[test]
fn deviations_become_sizes_and_converted_hardness_waits_for_consent() {
    let mut cell = Cell::new(env!("CARGO_BIN_EXE_ridgepost"));
    cell.instrument("indicator", INDICATOR);
    cell.instrument("rebound", TESTER);
    for (gauge, kind) in [("I-1", "indicator"), ("H-1", "hardness")] {
        cell.gauge(&format!(
            "id = \"{gauge}\"\nkind = \"{kind}\"\nverified = {{ on = \"2026-01-01\", source = \"book\" }}"
        ));
    }
    let mut indicator = cell.port("dial", "indicator", "I-1");
    let mut tester = cell.port("hard", "rebound", "H-1");
    cell.sink("mes", "reading");
    cell.configure();
    cell.write("jobs/j.toml", JOB);
    let mut drops = cell.drops("mes");
    cell.start_listening(&[&indicator, &tester]);
    cell.until("the job to be opened", |cell| cell.ask(&["job", "open", "J-1"]).status.success().then_some(()));

    indicator.send(b"ready\r\n-6.0 OK -13.4/-0.4\r\n");
    cell.until_recorded("dial", 1);
    tester.send(b"60.3 HRC from HLD raw 785\r\n");
    cell.until_recorded("hard", 1);
    indicator.send(b"+0.0 OK -13.0/0.0\r\n");
    cell.until_recorded("dial", 2);
    indicator.send(b"-13.4 XX -13.4/-0.4\r\n");
    cell.until_recorded("dial", 3);
    let said = |text: &str, reasons: &str| format!("4 D {text} 24.987 25 {reasons}");
    assert_eq!(
        rows(&cell, "dial"),
        [
            said("24.9944 mm -6.0", "conforms within-limits"),
            said("25.0004 mm +0.0", "nonconforming above-upper instrument-disagrees instrument-limits"),
            said("24.9870 mm -13.4", "conforms within-limits"),
        ]
    );
    assert_eq!(rows(&cell, "hard"), ["5 hardness 60.3 HRC 60.3 58  unjudged converted"]);

    let seq = field(&cell.store().readings("dial")[0], "seq").to_owned();
    let why = cell.ask_json(&["why", &seq]).remove(0);
    let sum = "25.0000 mm (master SM-25) + 0.4 µm (its own deviation) - 6.0 µm (indicated) = 24.9944 mm";
    assert_eq!(why["sum"], sum);
    assert!(cell.ask(&["why", &seq]).stdout.contains(sum));
    let seq = field(&cell.store().readings("hard")[0], "seq").to_owned();
    let why = cell.ask_json(&["why", &seq]).remove(0);
    assert_eq!(why.get("sum"), None);
    let report: serde_json::Value = serde_json::from_str(why["frame"]["report"].as_str().unwrap()).unwrap();
    assert_eq!(
        (&report["readings"][0]["other"]["converted_from"], &report["readings"][0]["other"]["raw"]),
        (&"HLD".into(), &"785".into())
    );
    let seq = field(&cell.store().readings("dial")[2], "seq").to_owned();
    let remarks = cell.ask_json(&["why", &seq]).remove(0)["frame"]["remarks"].to_string();
    assert!(remarks.contains("verdict-unknown"), "{remarks}");

    assert_eq!(cell.until_delivered(&mut drops), Vec::<String>::new());
    let sent: Vec<String> = drops.rows().iter().map(|(_, row)| row["value"].clone()).collect();
    assert!(sent.contains(&"24.9944".to_owned()), "{sent:?}");
    cell.stop();
}
