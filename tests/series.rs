//! What readings say together, asked of the real program beside the running daemon: charts, rules, capability, studies, and
//! what is left out of them.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use ridgepost_tests::cell::Cell;
use ridgepost_tests::pty::Line;
use serde_json::Value;

const TESTER: &str = r#"
[instrument]
name = "tester"
[framing]
kind = "lines"
[[line]]
pattern = '(?<quantity>R[az]) (?<value>\S+) (?<unit>um)'
[[mark]]
pattern = '>+'
means = "over"
"#;

const JOB: &str = r#"
[job]
id = "J-1"
part_number = "P-1"
revision = "A"
operation = "10"
edition = "ISO 21920"
gate = "warn"
accept_unknown_conditions = true
[[characteristic]]
balloon = "12"
feature = "seat"
quantity = "Ra"
upper = "0.8 µm"
rule = "max"
"#;

const LABELS: &str = r#"
[keep]
serial = { readings = 1 }

[[label]]
name = "piece"
pattern = 'SN(?<serial>\d+)'
[[label]]
name = "person"
pattern = 'OP(?<operator>[AB])'
[[label]]
name = "learning"
pattern = 'LEARN'
set = { mode = "training" }
[[label]]
name = "studying"
pattern = 'STUDY'
set = { mode = "study" }
[[label]]
name = "making"
pattern = 'MAKE'
forget = ["mode", "operator", "serial"]
"#;

/// NIST/SEMATECH e-Handbook 6.3.2.2 (flow rates), a hundredth of each.
const FLOW: [&str; 10] = ["0.496", "0.476", "0.499", "0.513", "0.478", "0.512", "0.526", "0.524", "0.536", "0.521"];

struct Bench {
    cell: Cell,
    line: Line,
    other: Line,
    sent: [usize; 2],
}

impl Bench {
    fn new() -> Bench {
        Bench::with_job(JOB)
    }

    fn with_job(job: &str) -> Bench {
        let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
        cell.instrument("tester", TESTER);
        let (line, other) = (cell.port("a", "tester", "G-1"), cell.port("b", "tester", "G-2"));
        cell.sink("mes", "reading");
        cell.write("labels.toml", LABELS);
        cell.write("jobs/j1.toml", job);
        cell.configure();
        let check = cell.ask(&["check"]);
        assert!(check.status.success(), "{check:?}");
        cell.start_listening(&[&line, &other]);
        let mut bench = Bench { cell, line, other, sent: [0, 0] };
        bench.open();
        bench
    }

    fn open(&mut self) {
        self.cell
            .until("the job to be opened", |cell| cell.ask(&["job", "open", "J-1"]).status.success().then_some(()));
    }

    fn label(&mut self, text: &str) {
        let said = self.cell.ask(&["label", text]);
        assert!(said.status.success(), "{said:?}");
    }

    fn send(&mut self, text: &str) {
        self.line.send(format!("{text} um\r\n").as_bytes());
        self.sent[0] += 1;
        self.cell.until_recorded("a", self.sent[0]);
    }

    fn measure(&mut self, values: &[&str]) {
        for value in values {
            self.send(&format!("Ra {value}"));
        }
    }

    fn series(&self, more: &[&str]) -> Vec<Value> {
        self.cell.ask_json(&[&["series", "--quantity", "Ra"], more].concat())
    }
}

fn of<'a>(lines: &'a [Value], record: &str) -> Vec<&'a Value> {
    lines.iter().filter(|line| line["record"] == record).collect()
}

#[track_caller]
fn near(found: &Value, expected: f64, tolerance: f64) {
    let found = found.as_f64().unwrap_or_else(|| panic!("{found} is no number"));
    assert!((found - expected).abs() <= tolerance, "{found} is not {expected}");
}

#[test]
fn a_chart_of_individuals_while_the_daemon_runs() {
    let mut bench = Bench::new();
    bench.measure(&FLOW[..5]);
    // None of these is a part's reading of this quantity in production.
    bench.send("Rz 3.1");
    bench.send("Ra >>>>");
    bench.label("LEARN");
    bench.measure(&["0.100"]);
    bench.label("MAKE");
    // The next reading is the first with a number of its piece; one more would be a retest.
    bench.measure(&FLOW[5..]);

    let lines = bench.series(&["--points"]);
    let charts = of(&lines, "chart");
    assert_eq!(charts.len(), 1, "{lines:#?}");
    let chart = charts[0];
    // Published limits, a hundredth of them, with the exact d2.
    near(&chart["control"]["centre"], 0.5081, 1e-9);
    near(&chart["control"]["upper"], 0.558_024, 1e-6);
    near(&chart["control"]["lower"], 0.458_176, 1e-6);
    let sigma = chart["sigma_within"].as_f64().unwrap();
    near(&chart["cpk"], (0.8 - 0.5081) / (3.0 * sigma), 1e-9);
    near(&chart["ppk"], (0.8 - 0.5081) / (3.0 * 0.020_338_52), 1e-4);
    assert_eq!(
        (&chart["cp"], &chart["pp"], &chart["cpl"], &chart["pp_95"]),
        (&Value::Null, &Value::Null, &Value::Null, &Value::Null)
    );
    let words = ["balloon", "job", "gauge", "upper", "unit", "kind"].map(|name| chart[name].as_str().unwrap_or("-"));
    assert_eq!(words, ["12", "J-1", "G-1", "0.8", "µm", "individuals"]);
    assert_eq!((&chart["readings"], &chart["lower"]), (&10.into(), &Value::Null));
    assert_eq!(chart["cautions"], serde_json::json!(["few-points"]));
    let points = of(&lines, "point");
    let values: Vec<&str> = points.iter().map(|point| point["value"].as_str().unwrap()).collect();
    assert_eq!(values, FLOW, "digits as they were sent, in order");
    assert!(points.iter().all(|point| point["fires"].as_array().unwrap().is_empty()), "{points:#?}");
    assert_eq!(of(&lines, "left-out")[0]["reasons"], serde_json::json!({ "mark": 1, "training": 1 }));

    let text = bench.cell.ask(&["series", "--quantity", "Ra"]).stdout;
    for part in ["0.5081  limits 0.458176 .. 0.558024", "Cp -  Cpk", "no rule fires", "left out: 1 mark, 1 training"] {
        assert!(text.contains(part), "{part} in {text}");
    }
    assert!(of(&bench.series(&["--gauge", "G-9"]), "chart").is_empty());
    assert!(of(&bench.series(&["--balloon", "13"]), "chart").is_empty());
    assert!(of(&bench.series(&["--since", "2100-01-01"]), "chart").is_empty());
    assert_eq!(of(&bench.series(&["--job", "J-1", "--balloon", "12", "--gauge", "G-1"]), "chart").len(), 1);
    assert_eq!(bench.cell.ask(&["series", "--quantity", "nonsense"]).status.code(), Some(2));
    bench.cell.stop();
}

/// Sequence of the rules, and what begins them anew.
#[test]
fn rules_fire_by_name_and_begin_anew_with_a_job() {
    let mut bench = Bench::new();
    let low = ["0.40", "0.42", "0.41", "0.40", "0.42", "0.41", "0.40", "0.42", "0.41"];
    let high = ["0.50", "0.52", "0.51", "0.50", "0.52", "0.51", "0.50", "0.52", "0.51"];
    bench.measure(&low[..5]);
    bench.open();
    bench.measure(&low[..5]);
    bench.open();
    bench.measure(&high);
    let fired = |lines: &[Value]| -> Vec<(String, String)> {
        let all = of(lines, "point");
        let each = all.iter().flat_map(|point| {
            let value = point["value"].as_str().unwrap().to_owned();
            point["fires"]
                .as_array()
                .unwrap()
                .iter()
                .map(move |name| (value.clone(), name.as_str().unwrap().to_owned()))
        });
        each.collect()
    };
    let on_one_side =
        |lines: &[Value]| fired(lines).into_iter().filter(|(_, name)| name.ends_with("-one-side")).collect::<Vec<_>>();
    let lines = bench.series(&[]);
    let chart = of(&lines, "chart")[0].clone();
    // Neighbours over a reopening are none: no moving range from 0.42 to 0.40 or 0.42 to 0.50.
    near(&chart["control_spread"]["centre"], (4.0 * 0.015 + 4.0 * 0.015 + 8.0 * 0.015) / 16.0, 0.002);
    assert_eq!(on_one_side(&lines), [("0.51".to_owned(), "nine-one-side".to_owned())], "ten below are two times five");
    let shorter = on_one_side(&bench.series(&["--one-side", "5"]));
    assert_eq!(shorter.len(), 1 + 1 + 5, "{shorter:?}");
    assert!(shorter.iter().all(|(_, name)| name == "five-one-side"));
    assert!(on_one_side(&bench.series(&["--one-side", "0"])).is_empty());
    bench.measure(&["0.79"]);
    let fired = fired(&bench.series(&[]));
    assert!(fired.contains(&("0.79".to_owned(), "beyond-3s".to_owned())), "{fired:?}");
    assert!(fired.contains(&("0.79".to_owned(), "moving-range-beyond-limits".to_owned())), "{fired:?}");

    // Subgroups: none goes over a reopening, and what fills none is told. 5, 5 and 10 readings in fours.
    let lines = bench.series(&["--chart", "xbar-s", "--subgroup", "4"]);
    let chart = of(&lines, "chart")[0];
    assert_eq!((&chart["points"], &chart["unplotted"], &chart["subgroup"]), (&4.into(), &4.into(), &4.into()));
    near(&chart["control"]["centre"], (0.4075 + 0.4075 + 0.5075 + 0.5125) / 4.0, 0.001);

    // Another gauge: a chart of its own, and what comes behind it begins anew.
    bench.other.send(b"Ra 0.45 um\r\n");
    bench.cell.until_recorded("b", 1);
    assert_eq!(of(&bench.series(&[]), "chart").len(), 2);
    bench.cell.stop();
}

/// What a piece is measured again for is not what the process makes.
#[test]
fn retests_are_left_out() {
    // The piece ends with Rz; what is measured before it and after the first Ra is a retest.
    let more = "[[characteristic]]\nballoon = \"13\"\nfeature = \"face\"\nquantity = \"Rz\"\nupper = \"4 µm\"\nrule = \"max\"\n";
    let mut bench = Bench::with_job(&format!("{JOB}{more}"));
    bench.measure(&["0.90", "0.70"]);
    bench.send("Rz 3.0");
    bench.measure(&["0.50"]);
    let lines = bench.series(&["--points"]);
    let points = of(&lines, "point");
    let values: Vec<&str> = points.iter().map(|point| point["value"].as_str().unwrap()).collect();
    assert_eq!(values, ["0.90", "0.50"], "{lines:#?}");
    assert_eq!(of(&lines, "left-out")[0]["reasons"], serde_json::json!({ "retest": 1 }));
    bench.cell.stop();
}

/// Where a later row took the place of a reading, that one counts, or not.
#[test]
fn superseded_readings_are_left_out() {
    let mut bench = Bench::new();
    bench.measure(&FLOW[..3]);
    bench.cell.stop();
    bench.cell.instrument("tester", &TESTER.replace("<value>\\S+", "<value>0[.]49\\d"));
    let told = bench.cell.ask_json(&["replay", "--station", "a"]);
    assert_eq!(told[0]["corrected"], 1, "{told:?}");
    let lines = bench.series(&[]);
    assert_eq!(of(&lines, "chart")[0]["readings"], 2, "{lines:#?}");
    let left_out = of(&lines, "left-out")[0]["reasons"].clone();
    assert_eq!(left_out, serde_json::json!({ "voided": 1 }));
}

#[test]
fn a_study_by_labels_and_one_from_a_file() {
    let mut bench = Bench::new();
    bench.label("STUDY");
    bench.label("OPA");
    // Nobody knows which part this is.
    bench.measure(&["0.9"]);
    for (operator, serial, values) in
        [("A", 1, ["0.30", "0.31"]), ("A", 2, ["0.60", "0.61"]), ("B", 1, ["0.32", "0.33"]), ("B", 2, ["0.62", "0.63"])]
    {
        bench.label(&format!("OP{operator}"));
        for value in values {
            bench.label(&format!("SN{serial}"));
            bench.measure(&[value]);
        }
    }
    let lines = bench.series(&["--study", "variance", "--tolerance", "1.0"]);
    let study = of(&lines, "study")[0];
    assert_eq!((&study["operators"], &study["parts"], &study["trials"]), (&2.into(), &2.into(), &2.into()));
    // By hand: each pair differs by 0.01, no interaction; F is 0, pooled over 5 degrees of freedom.
    near(&study["spreads"]["repeatability"]["s"], (4.0_f64 * 0.000_05 / 5.0).sqrt(), 1e-9);
    near(&study["spreads"]["reproducibility"]["s"], ((0.000_8 - 0.000_04) / 4.0_f64).sqrt(), 1e-9);
    assert_eq!(study["standing"], "good");
    assert!(of(&bench.series(&[]), "chart").is_empty(), "a study is no production");
    let single = bench.series(&["--study", "single", "--reference", "0.5", "--tolerance", "1"]);
    assert_eq!(of(&single, "study")[0]["readings"], 9);
    assert_eq!(bench.cell.ask(&["series", "--quantity", "Ra", "--study", "single"]).status.code(), Some(2));

    // The worked data of the AIAG manual; published shares.
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../judge/tests/data/statistics/msa-grr-3x10x3.csv");
    let lines = bench.cell.ask_json(&["series", "--study", "ranges", "--from", file]);
    near(&of(&lines, "study")[0]["spreads"]["gauge"]["percent_of_total"], 26.68, 0.02);
    assert_eq!(of(&lines, "study")[0]["ndc"], 5);
    let text = bench.cell.ask(&["series", "--study", "variance", "--from", file]).stdout;
    for part in ["3 operators, 10 parts, 3 trials", "27.86 % of total", "conditional", "mark the spot"] {
        assert!(text.contains(part), "{part} in {text}");
    }
    bench.cell.write("gap.csv", "part,operator,value\n1,A,x\n");
    let gap = bench.cell.path("cell/gap.csv").display().to_string();
    let said = bench.cell.ask(&["series", "--study", "ranges", "--from", &gap]);
    assert_eq!(said.status.code(), Some(3));
    assert!(said.stderr.contains("line 2: `x` is no number"), "{said:?}");
    bench.cell.stop();
}

/// Fields 5 to 9, 11 and 12 of AS9102 Form 3 (from memory of revision C): one row a balloon, all values, the requirement's
/// decimals, and what is missing said.
#[test]
fn a_first_article_has_a_row_for_each_balloon() {
    let job = JOB.replace("upper = \"0.8 µm\"\nrule = \"max\"", "upper = \"0.80 µm\"\nrule = \"max\"\ntraces = 2");
    let more = "[[characteristic]]\nballoon = \"13\"\nfeature = \"face\"\nquantity = \"Rz\"\nupper = \"4.0 µm\"\nrule = \"max\"\n";
    let mut bench = Bench::with_job(&format!("{job}{more}"));
    for value in ["0.4149", "0.43"] {
        bench.label("SN7");
        bench.measure(&[value]);
    }
    let ask = |bench: &Bench, more: &[&str]| bench.cell.ask(&[&["first-article", "--serial", "7"], more].concat());
    let rows = |said: &str| -> Vec<Value> { said.lines().map(|line| serde_json::from_str(line).unwrap()).collect() };
    let said = ask(&bench, &["--json"]);
    assert_eq!(said.status.code(), Some(1), "{said:?}");
    assert!(said.stderr.contains("7 has no value of 13"), "{said:?}");
    let found = rows(&said.stdout);
    assert_eq!(found.len(), 2);
    assert_eq!(found[0]["results"], "0.41; 0.43", "{found:#?}");
    assert_eq!((&found[0]["verdict"], &found[1]["comments"]), (&"conforms".into(), &"no value".into()));
    assert!(found[0]["requirement"].as_str().unwrap().contains("seat Ra to 0.80 µm"), "{found:#?}");

    // 4.04 is 4.0 with the requirement's decimals, and does not conform: it keeps its digits.
    bench.label("SN7");
    bench.send("Rz 4.04");
    let said = ask(&bench, &["--csv"]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    let lines: Vec<&str> = said.stdout.split("\r\n").collect();
    assert!(lines[0].starts_with("\"characteristic\",\"reference_location\""), "{said:?}");
    assert!(lines[2].contains("\"4.04\"") && lines[2].contains("nonconforming; gauge G-1"), "{said:?}");
    assert!(ask(&bench, &[]).stdout.contains("0.41; 0.43"));
    assert_eq!(bench.cell.ask(&["first-article", "--serial", "8"]).status.code(), Some(1));
    bench.cell.stop();
}
