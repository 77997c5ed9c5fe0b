//! Labels from end to end: a scanner and instruments at ports, labels typed by hand, and what the store says of who
//! measured what.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "labels/kills.rs"]
mod kills;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::{counted, plain};
use ridgepost_tests::oracle::field;
use ridgepost_tests::pty::Line;

const LABELS: &str = r#"
need = ["serial"]

[keep]
operator = { readings = 4 }

[[label]]
name = "piece"
pattern = 'SN-(?<serial>\d+)\d'
check = "mod 43"

[[label]]
name = "person"
pattern = 'OP(?<operator>\d{3})'

[[label]]
name = "traveller"
pattern = 'WO/(?<job>[A-Z0-9-]+)'

[[label]]
name = "feature"
pattern = 'B(?<balloon>\d+)'

[[label]]
name = "bench b"
pattern = 'AT B'
set = { station = "b" }

[[label]]
name = "learning"
pattern = 'LEARN'
set = { mode = "training" }

[[label]]
name = "making"
pattern = 'MAKE'
forget = ["mode", "balloon"]

[[label]]
name = "dirt"
pattern = 'DIRT'
command = "void"
reason = "dirt on the surface"

[[label]]
name = "next"
pattern = 'NEXT'
command = "next"
"#;

const JOB: &str = r#"
[job]
id = "J-1"
part_number = "P"
revision = "A"
operation = "10"
edition = "ISO 21920"
gate = "warn"
accept_unknown_conditions = true
[[characteristic]]
balloon = "1"
feature = "face"
quantity = "Ra"
upper = "3 µm"
rule = "max"
[[characteristic]]
balloon = "2"
feature = "bore"
quantity = "Ra"
upper = "3 µm"
rule = "max"
"#;

/// Label of a piece with its check character: by the sum of Code 39's values. `SN-` is 28 + 23 + 36, 87.
fn piece(serial: u32) -> String {
    let sum: u32 = 87 + serial.to_string().chars().map(|digit| digit.to_digit(10).unwrap()).sum::<u32>();
    assert!(sum % 43 < 10, "the grammar of this test takes a digit");
    format!("SN-{serial}{}", sum % 43)
}

struct Bench {
    cell: Cell,
    scanner: Line,
    a: Line,
    b: Line,
    said: u64,
}

impl Bench {
    fn new() -> Bench {
        let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
        let (a, b) = (cell.port("a", "counted", "G-1"), cell.port("b", "plain", "G-2"));
        let scanner = cell.scanner("scanner", &[]);
        cell.sink("mes", "reading");
        cell.write("labels.toml", LABELS);
        cell.write("jobs/j1.toml", JOB);
        cell.configure();
        let check = cell.ask(&["check"]);
        assert!(check.status.success(), "{check:?}");
        let mut bench = Bench { cell, scanner, a, b, said: 500 };
        bench.start();
        bench
    }

    fn start(&mut self) {
        let Bench { cell, scanner, a, b, .. } = self;
        cell.start_listening(&[scanner, a, b]);
    }

    /// Scans a label and waits until it is in the store; how it fared.
    fn scan(&mut self, text: &str) -> String {
        let before = self.cell.store().frames("scanner").len();
        self.scanner.send(format!("{text}\r\n").as_bytes());
        self.cell.until(&format!("label {text}"), |cell| {
            let frames = cell.store().frames("scanner");
            (frames.len() > before).then(|| field(frames.last().unwrap(), "outcome").to_owned())
        })
    }

    /// Measures at `a` or `b`; what the row says.
    fn measure(&mut self, station: &str) -> String {
        self.said += 1;
        let before = self.cell.store().readings(station).len();
        match station {
            "a" => self.a.send(&counted(self.said)),
            _ => self.b.send(&plain(self.said)),
        }
        self.cell.until_recorded(station, before + 1);
        let rows = self.cell.store().readings(station);
        let names = ["serial", "operator", "job", "balloon", "mode", "outcome", "reasons"];
        let row = rows.last().unwrap();
        let words = names.map(|name| Some(field(row, name)).filter(|text| !text.is_empty()).unwrap_or("-"));
        words.join(" ").replace(" gauge-unverified", "")
    }

    fn parts(&self) -> Vec<String> {
        let rows = self.cell.store().query("SELECT * FROM results WHERE kind = 'part' ORDER BY seq", []);
        rows.iter().map(|row| ["serial", "operator", "outcome"].map(|name| field(row, name)).join(" ")).collect()
    }
}

/// Job, person and piece by labels; readings say so, `why` names the labels, and what ends with the piece ends.
#[test]
fn a_piece_is_measured_by_labels_alone() {
    let mut bench = Bench::new();
    assert_eq!(bench.scan("WO/J-1"), "accepted");
    assert_eq!(bench.measure("a"), "- - J-1 - production unjudged unassigned", "needed and never said");
    assert_eq!(bench.scan("OP017"), "accepted");
    assert_eq!(bench.scan(&piece(100)), "accepted");
    assert_eq!(bench.measure("a"), "100 017 J-1 1 production conforms within-limits");
    assert_eq!(bench.measure("b"), "100 017 J-1 2 production conforms within-limits");
    assert_eq!(bench.measure("a"), "- 017 J-1 - production unjudged unassigned", "the piece ended with its slots");
    assert_eq!(bench.parts(), ["100 017 conforms"]);
    assert_eq!(bench.scan(&piece(101)), "accepted");
    assert_eq!(bench.measure("b"), "101 017 J-1 1 production conforms within-limits");
    assert_eq!(bench.scan(&piece(102)), "accepted");
    assert_eq!(bench.parts(), ["100 017 conforms", "101 017 unjudged"], "another part ends the piece");
    assert_eq!(bench.measure("a"), "102 017 J-1 1 production conforms within-limits");
    assert_eq!(bench.measure("a"), "102 017 J-1 2 production conforms within-limits");
    assert_eq!(bench.scan(&piece(103)), "accepted");
    assert_eq!(
        bench.measure("a"),
        "103 - J-1 - production unjudged unassigned",
        "017 was kept for four readings of `a`"
    );

    let rows = bench.cell.store().readings("b");
    let seq = field(rows.last().unwrap(), "seq").to_owned();
    let why = bench.cell.ask_json(&["why", &seq]).remove(0);
    let labels: Vec<String> = why["labels"]
        .as_array()
        .unwrap()
        .iter()
        .map(|label| format!("{} {} {}", label["item"], label["value"], label["text"]).replace('"', ""))
        .collect();
    assert_eq!(labels, ["serial 101 SN-1013", "operator 017 OP017"]);
    bench.cell.stop();
}

/// A label that means nothing, that is damaged or can't be obeyed is told, kept, and changes nothing; a reading at a
/// scanner is no reading.
#[test]
fn a_refused_label_changes_nothing() {
    let mut bench = Bench::new();
    for label in ["WO/J-1", "OP017", &piece(110)] {
        assert_eq!(bench.scan(label), "accepted");
    }
    let held = bench.cell.ask_json(&["status"])[0]["store"]["labels"].clone();
    assert_eq!(held.as_array().unwrap().len(), 4, "serial and operator of two stations: {held}");
    let wrong = piece(111).replace('4', "5");
    let (long, reading) = (format!("OP{}", "9".repeat(600)), String::from_utf8(counted(700)).unwrap());
    let refused = [
        ("HELLO", "not-mine", "no rule of labels.toml fits it"),
        (&wrong, "damaged", "its check character (mod 43) is wrong"),
        ("WO/J-2", "not-mine", "there is no job `J-2`"),
        ("B9", "not-mine", "job J-1 has no balloon 9"),
        ("NEXT", "not-mine", "no reading yet"),
        ("\u{7}OP018", "damaged", "control characters"),
        ("OP018\u{202e}", "damaged", "can't be printed"),
        ("=cmd|'/c calc'!A0", "not-mine", "no rule of labels.toml fits it"),
        (&long, "damaged", "longer than 512 characters"),
        (reading.trim_end(), "not-mine", "no rule of labels.toml fits it"),
    ];
    for (text, outcome, why) in refused {
        assert_eq!(bench.scan(text), outcome, "{text:?}");
        let events = bench.cell.store().query("SELECT text FROM event WHERE code = 'label-refused' ORDER BY id", []);
        let told = field(events.last().unwrap(), "text");
        assert!(told.contains(why) && told.contains("was refused"), "{text:?}: {told}");
        bench.cell.until_logged(why);
    }
    let status = bench.cell.ask_json(&["status"]).remove(0);
    assert_eq!(status["store"]["labels"], held);
    assert_eq!(status["daemon"]["stations"]["scanner"]["rejected"], refused.len());
    assert_eq!(status["daemon"]["stations"]["scanner"]["recorded"], 0);
    assert_eq!(bench.cell.store().results(), vec![], "no label is a reading");
    assert!(String::from_utf8_lossy(&bench.cell.store().raw("scanner")).contains("calc"), "its bytes are kept");
    assert_eq!(bench.measure("a"), "110 017 J-1 1 production conforms within-limits");
    bench.cell.stop();
}

/// One scanner for two instruments: a label says which one it is about. Feature and mode by label.
#[test]
fn a_label_can_be_about_one_station_one_feature_and_another_mode() {
    let mut bench = Bench::new();
    for label in ["WO/J-1", &piece(100), "B2"] {
        assert_eq!(bench.scan(label), "accepted");
    }
    assert_eq!(bench.measure("a"), "100 - J-1 2 production conforms within-limits", "not in the job's order");
    for label in ["AT B", "LEARN", "OP020"] {
        assert_eq!(bench.scan(label), "accepted");
    }
    assert_eq!(bench.measure("b"), "100 020 J-1 - training unjudged mode");
    assert_eq!(bench.scan("MAKE"), "accepted");
    assert_eq!(bench.measure("b"), "100 020 J-1 1 production conforms within-limits");
    assert_eq!(bench.parts(), ["100 020 conforms"]);
    assert_eq!(bench.scan(&piece(102)), "accepted");
    assert_eq!(bench.measure("a"), "- - J-1 - production unjudged unassigned", "it was about `b` only");
    assert_eq!(bench.measure("b"), "102 020 J-1 1 production conforms within-limits");
    assert_eq!(bench.scan("NEXT"), "accepted");
    assert_eq!(bench.parts(), ["100 020 conforms", "102 020 unjudged"]);
    let events = bench.cell.store().query("SELECT text FROM event WHERE code = 'unassigned'", []);
    assert_eq!(events.len(), 1, "told once: {events:?}");
    bench.cell.stop();
}

/// What labels said outlasts the program; without a daemon a label is typed all the same.
#[test]
fn labels_are_typed_and_outlast_a_kill() {
    let mut bench = Bench::new();
    for label in ["WO/J-1", "OP017"] {
        let said = bench.cell.ask(&["label", label]);
        assert!(said.status.success(), "{said:?}");
    }
    let said = bench.cell.ask(&["label", "OP0170"]);
    assert_eq!(said.status.code(), Some(1));
    assert!(said.stderr.contains("no rule of labels.toml fits it"), "{said:?}");
    assert_eq!(bench.cell.ask(&["label", "OP1", "--scanner", "a"]).status.code(), Some(1), "no scanner");
    let done = bench.cell.ask_json(&["label", &piece(100), "--scanner", "scanner"]);
    assert_eq!(done[0]["done"], "label piece: serial 100, about a, b");
    assert_eq!(bench.measure("a"), "100 017 J-1 1 production conforms within-limits");
    let held = bench.cell.ask_json(&["status"])[0]["store"]["labels"].clone();
    bench.cell.kill();
    for line in [&bench.scanner, &bench.a, &bench.b] {
        line.let_go();
    }
    assert_eq!(bench.cell.ask_json(&["status"])[0]["store"]["labels"], held);
    bench.start();
    assert_eq!(bench.measure("b"), "100 017 J-1 2 production conforms within-limits");
    bench.cell.stop();
    let alone = bench.cell.ask_json(&["label", &piece(101)]);
    assert_eq!(alone[0]["done"], "label piece: serial 101, about a, b");
    for line in [&bench.scanner, &bench.a, &bench.b] {
        line.let_go();
    }
    bench.start();
    assert_eq!(bench.measure("b"), "101 017 J-1 1 production conforms within-limits");
    bench.cell.stop();
}

/// The last reading is void by a label, decided by whoever measures; the next one takes its place. A label that is scanned twice
/// reaches no further back, and one that nobody is known to have scanned does nothing.
#[test]
fn the_last_reading_is_void_by_a_label() {
    let mut bench = Bench::new();
    for label in ["WO/J-1", &piece(100)] {
        assert_eq!(bench.scan(label), "accepted");
    }
    let refused = |bench: &Bench| {
        let events = bench.cell.store().query("SELECT text FROM event WHERE code = 'label-refused' ORDER BY id", []);
        field(events.last().unwrap(), "text").to_owned()
    };
    assert_eq!(bench.measure("a"), "100 - J-1 1 production conforms within-limits");
    assert_eq!(bench.scan("DIRT"), "not-mine");
    assert!(refused(&bench).contains("scan who measures first"));
    assert_eq!(bench.scan("OP017"), "accepted");
    assert_eq!(bench.scan("DIRT"), "accepted");
    assert_eq!(bench.scan("DIRT"), "not-mine");
    assert!(refused(&bench).contains("is void already"), "{}", refused(&bench));
    assert_eq!(bench.measure("b"), "100 017 J-1 1 production conforms within-limits", "it takes the place");
    assert_eq!(bench.measure("b"), "100 017 J-1 2 production conforms within-limits");
    assert_eq!(bench.parts(), ["100 017 conforms"]);
    // A part that was told is told anew.
    assert_eq!(bench.scan("DIRT"), "accepted");
    let rows = bench.cell.store().query("SELECT * FROM results ORDER BY seq DESC LIMIT 1", []);
    assert_eq!(
        (field(&rows[0], "outcome"), field(&rows[0], "reasons")),
        ("unjudged", "missing:2 voided gauge-unverified")
    );
    let decisions = bench.cell.store().query("SELECT kind, by_whom, reason FROM decision ORDER BY id", []);
    let told: Vec<String> =
        decisions.iter().map(|row| ["kind", "by_whom", "reason"].map(|name| field(row, name)).join(" ")).collect();
    assert_eq!(told, ["void 017 dirt on the surface", "void 017 dirt on the surface"]);
    assert_eq!(bench.scan("WO/J-1"), "accepted");
    bench.cell.stop();
}
