//! What labels said, in the store: the same whether the program ran through or was started anew before each request.

use proptest::prelude::*;

use super::super::{Typed, held};
use super::*;
use crate::clock::Stamp;

const LABELS: &str = r#"
need = ["operator"]
[keep]
serial = { minutes = 5 }
operator = { readings = 3 }
mode = { minutes = 2 }
[[label]]
name = "piece"
pattern = 'S(?<serial>\d)'
[[label]]
name = "person"
pattern = 'O(?<operator>\d)'
[[label]]
name = "feature"
pattern = 'B(?<balloon>\d)'
[[label]]
name = "job"
pattern = 'J'
set = { job = "J1" }
[[label]]
name = "training"
pattern = 'T'
set = { mode = "training" }
[[label]]
name = "nothing"
pattern = 'F'
forget = ["mode", "balloon", "serial"]
[[label]]
name = "next"
pattern = 'N(?<serial>\d)?'
command = "next"
[[label]]
name = "close"
pattern = 'C'
command = "close"
"#;

/// So many seconds after a moment, by wall and program's clock.
fn second(s: u64) -> Stamp {
    let us = 1_700_000_000_000_000 + i64::try_from(s).unwrap_or(0) * 1_000_000;
    Stamp { at: format!("second {s}"), us, monotonic_ms: s * 1000, synced: true }
}

impl Bench {
    fn with_labels() -> Bench {
        let bench = Bench::new();
        std::fs::write(bench.path().join("labels.toml"), LABELS).unwrap();
        bench
    }

    fn label_at(&mut self, text: &str, s: u64) -> What {
        self.sent += 1;
        let origin = format!("label {}", self.sent);
        What::Label(Typed { origin, text: text.to_owned(), scanner: None, received: second(s) })
    }

    fn burst_at(&mut self, text: &str, s: u64) -> What {
        let mut what = self.burst(text);
        if let What::Bursts(bursts) = &mut what {
            bursts[0].received = second(s);
        }
        what
    }

    fn told(&self) -> Vec<String> {
        let connection = open_for_reading(&self.path().join("store.db")).unwrap();
        let mut told =
            self.rows(&["kind", "serial", "operator", "piece", "mode", "balloon", "value", "outcome", "reasons"]);
        for sql in [
            "SELECT id || ' ' || coalesce(transmission, '-') || ' ' || after_seq || ' ' || body AS text FROM context ORDER BY id",
            "SELECT seq || ' ' || coalesce(context, '-') AS text FROM entry ORDER BY seq",
            "SELECT code || ' ' || text AS text FROM event WHERE code <> 'store-restored' ORDER BY id",
            "SELECT outcome || ' ' || coalesce(detail, '-') AS text FROM single_frame ORDER BY transmission",
        ] {
            let rows = query::objects(&connection, sql, &[]).unwrap();
            told.extend(rows.iter().map(|row| row["text"].as_str().unwrap().to_owned()));
        }
        let rows = held::held(&connection).unwrap();
        told.extend(rows.iter().map(ToString::to_string));
        told
    }
}

/// What happens at a bench: labels and readings, each some seconds after the one before.
fn script() -> impl Strategy<Value = Vec<(String, u64)>> {
    let step = prop_oneof![
        3 => "S[0-2]",
        2 => "O[0-2]",
        1 => "B[1-3]",
        1 => "J|J|T|F|F|N|N[0-2]|C|X",
        8 => "#R[az] 0\\.[1-9]00",
    ];
    proptest::collection::vec((step, prop_oneof![4 => 0_u64..3, 1 => 60_u64..200]), 1..24)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_restart_finds_what_labels_said(script in script()) {
        let (mut through, mut anew) = (Bench::with_labels(), Bench::with_labels());
        let requests = |bench: &mut Bench| -> Vec<What> {
            let mut now = 0;
            let begin = [bench.label_at("J", 0), bench.label_at("O1", 0)];
            let rest = script.iter().enumerate().map(|(number, (what, after))| {
                now += after;
                match what.strip_prefix('#') {
                    Some(reading) => bench.burst_at(&format!("{number} {reading} um\r"), now),
                    None => bench.label_at(what, now),
                }
            });
            let rest: Vec<What> = rest.collect();
            begin.into_iter().chain(rest).collect()
        };
        let whats = requests(&mut through);
        through.write(whats);
        for what in requests(&mut anew) {
            anew.write([what]);
        }
        prop_assert_eq!(through.told(), anew.told());
    }
}

/// The script above reaches what it is about.
#[test]
fn labels_and_readings_in_one_transaction_keep_their_order() {
    let mut bench = Bench::with_labels();
    let steps: [(&str, u64); 11] = [
        ("J", 0),
        ("O1", 1),
        ("S1", 2),
        ("#1 Ra 0.100 um\r", 3),
        ("S2", 4),
        ("#2 Ra 0.200 um\r", 5),
        ("#3 Rz 2.000 um\r", 6),
        ("#4 Ra 0.300 um\r", 7),
        ("T", 8),
        ("#5 Ra 0.400 um\r", 9),
        ("#6 Ra 0.500 um\r", 200),
    ];
    let whats: Vec<What> = steps
        .into_iter()
        .map(|(what, s)| match what.strip_prefix('#') {
            Some(reading) => bench.burst_at(reading, s),
            None => bench.label_at(what, s),
        })
        .collect();
    bench.write(whats);
    assert_eq!(
        bench.rows(&["kind", "serial", "operator", "mode", "value", "outcome", "reasons"]),
        [
            "reading 1 1 production 0.100 conforms within-limits",
            "verdict 1 1 production 0.100 conforms within-limits",
            "part 1 1 production  unjudged missing:2",
            "reading 2 1 production 0.200 conforms within-limits",
            "verdict 2 1 production 0.200 conforms within-limits",
            "reading 2 1 production 2.000 conforms within-limits",
            "verdict 2 1 production 2.000 conforms within-limits",
            "part 2 1 production  conforms within-limits",
            "reading   production 0.300 unjudged unassigned",
            "reading   training 0.400 unjudged mode",
            "reading   production 0.500 unjudged unassigned",
        ]
    );
    let told = bench.told().join("\n");
    assert!(told.contains("unassigned readings of tester can't be assigned"), "{told}");
}

/// A cell that gives up its labels forgets what they said; nothing of it comes back with them.
#[test]
fn without_labels_nothing_is_held() {
    let mut bench = Bench::with_labels();
    let labels = [bench.label_at("O1", 0), bench.label_at("S1", 1)];
    bench.write(labels);
    let file = bench.path().join("labels.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    let adopt = |bench: &mut Bench, text: Option<&str>| {
        let before = Cell::load(bench.path()).unwrap();
        match text {
            Some(text) => std::fs::write(&file, text).unwrap(),
            None => std::fs::remove_file(&file).unwrap(),
        }
        let after = Arc::new(Cell::load(bench.path()).unwrap());
        let outfit = bench.outfit(Arc::new(before));
        let (pen, thread) = writer::start(outfit).unwrap();
        pen.ask_blocking(What::Adopt(after, Vec::new())).unwrap();
        drop(pen);
        thread.join().unwrap();
    };
    let held = |bench: &Bench| held::held(&open_for_reading(&bench.path().join("store.db")).unwrap()).unwrap();
    assert_eq!(held(&bench).len(), 2);
    adopt(&mut bench, Some(&text.replace("need = [\"operator\"]", "")));
    assert_eq!(held(&bench).len(), 2, "another grammar is still one");
    adopt(&mut bench, None);
    assert_eq!(held(&bench).len(), 0);
    let burst = bench.burst_at("1 Ra 0.100 um\r", 2);
    bench.write([burst]);
    assert_eq!(bench.rows(&["serial", "operator", "reasons"]), ["  no-job"]);
}
