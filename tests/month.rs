//! A month of a cell, made up from a seed: usual parts, and among them what goes wrong in a cell (`tests/failures.md`). Another
//! opinion, which shares none of the program's code, says what must be stored of every reading and every part; the
//! store and the result files are held against it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

#[path = "month/cell.rs"]
mod cell;
#[path = "month/days.rs"]
mod days;
#[path = "month/expected.rs"]
mod expected;
#[path = "month/plan.rs"]
mod plan;

use std::collections::{BTreeMap, BTreeSet};

use cell::Shop;
use expected::{Expected, Model};
use plan::{Act, Planner};
use ridgepost_tests::oracle::{Row, field};
use ridgepost_tests::seed::Seeded;

/// Codes that help a person and decide nothing.
const HINTS: &[&str] = &["slip-25.4", "slip-39.37", "slip-1000", "decimal-lost", "other-parameter", "specimen-value"];

impl Shop {
    fn act(&mut self, act: &Act) {
        match act {
            Act::Open(job) => self.send("scanner", &format!("WO/{job}\r\n")),
            Act::Part(serial) => self.send("scanner", &format!("SN-{serial}\r\n")),
            Act::Nonsense => self.send("scanner", "SN-12\r\n"),
            Act::Study(on) => self.send("scanner", if *on { "STUDY\r\n" } else { "MAKE\r\n" }),
            Act::Verify(values) => self.verify(values),
            Act::Stylus => self.tell(&["gauge", "RT-1", "--happened", "stylus", "--reason", "worn"]),
            Act::Say(message) => self.send(of(message), &message.text()),
            Act::Cut(message) => {
                let text = message.text();
                self.send(of(message), &format!("{}\r\n", &text[..text.len() - 9]));
            }
            Act::Again(messages) => {
                let all: String = messages.iter().map(plan::Message::text).collect();
                self.send("tester", &all);
            }
            Act::Crash => self.crash(),
            Act::Pull => self.pull(),
            Act::Share(there) => self.share(*there),
            Act::Edit(edited) => self.edit(*edited),
        }
    }
}

fn of(message: &plan::Message) -> &'static str {
    if message.quantity == "D" { "calliper" } else { "tester" }
}

fn found(row: &Row) -> Expected {
    let reasons = field(row, "reasons").split(' ').filter(|code| !code.is_empty());
    Expected {
        station: if field(row, "station") == "tester" { "tester" } else { "calliper" },
        job: field(row, "job").into(),
        serial: field(row, "serial").into(),
        balloon: field(row, "balloon").into(),
        value: field(row, "value_as_sent").into(),
        outcome: match field(row, "outcome") {
            "conforms" => "conforms",
            "nonconforming" => "nonconforming",
            "unjudged" => "unjudged",
            other => panic!("{other}"),
        },
        reasons: reasons.map(|code| &*code.to_owned().leak()).collect(),
    }
}

/// A line for each reading that is not as it must be.
fn disagreements(stored: &[Row], expected: &[Expected]) -> Vec<String> {
    let mut findings = vec![];
    if stored.len() != expected.len() {
        findings.push(format!("{} readings are stored and {} were taken", stored.len(), expected.len()));
    }
    for (row, expected) in stored.iter().zip(expected) {
        let mut found = found(row);
        found.reasons.retain(|code| expected.reasons.contains(code) || !HINTS.contains(code));
        if &found != expected {
            findings.push(format!("#{}: {found:?}\n  expected {expected:?}", field(row, "seq")));
        }
    }
    findings
}

/// What each part's last row says.
fn parts(rows: &[Row]) -> BTreeMap<(String, String), String> {
    let of_part = |row: &&Row| field(row, "balloon").is_empty() && !field(row, "serial").is_empty();
    let of_part = rows.iter().filter(of_part).filter(|row| matches!(field(row, "kind"), "part" | "correction"));
    let key = |row: &Row| (field(row, "job").to_owned(), field(row, "serial").to_owned());
    of_part.map(|row| (key(row), field(row, "outcome").to_owned())).collect()
}

#[test]
fn a_month_with_everything_that_goes_wrong_is_stored_as_another_opinion_says() {
    let seed = Seeded::seed_of_run();
    println!("RIDGEPOST_SEED={seed}");
    let (acts, injected) = Planner::month(seed, 20);
    assert!(injected.values().all(|times| *times >= 3), "all of it goes wrong, and more than twice: {injected:?}");
    let (mut shop, mut model) = (Shop::new(), Model::new());
    for act in &acts {
        shop.act(act);
        model.learn(act);
    }
    shop.send("scanner", "WO/W-2\r\n");
    let findings = shop.cell.until_delivered(&mut shop.drops);
    assert_eq!(findings, Vec::<String>::new());
    // What befell the cell was felt there, and each time where that is told each time.
    let log = shop.cell.log();
    assert_eq!(log.matches("job-changed").count(), injected["edited-job"]);
    assert!(log.contains("sink-waits") && log.contains("sink-back"));
    let rows = shop.store().results();
    let stored: Vec<Row> = rows.iter().filter(|row| field(row, "kind") == "reading").cloned().collect();
    let findings = disagreements(&stored, &model.readings);
    assert!(
        findings.is_empty(),
        "{} of {}:\n{}",
        findings.len(),
        stored.len(),
        findings[..findings.len().min(8)].join("\n")
    );
    let (told, due) = (parts(&rows), model.parts.iter().map(|(key, part)| (key.clone(), part.outcome().to_owned())));
    let due: BTreeMap<_, _> = due.collect();
    let differ: Vec<_> = due.iter().filter(|(key, outcome)| told.get(*key) != Some(outcome)).collect();
    assert_eq!(differ, vec![], "parts");
    let extra: BTreeSet<_> = told.keys().filter(|key| !due.contains_key(*key)).collect();
    assert!(extra.iter().all(|key| told[*key] == "unjudged"), "{extra:?}");
    println!("{} acts, {} readings, {} parts, injected {injected:?}", acts.len(), stored.len(), due.len());
    the_comparison_finds(&stored, &model.readings);
    let doctor = shop.cell.ask(&["doctor"]);
    assert!(doctor.stdout.contains("results are what was written"), "{doctor:?}");
    shop.cell.stop();
}

/// The controls: a reading that is lost, doubled, altered, judged otherwise or given to another part is found.
fn the_comparison_finds(stored: &[Row], expected: &[Expected]) {
    let middle = stored.len() / 2;
    let changed = |name: &str, value: &str| {
        let mut rows = stored.to_vec();
        rows[middle].insert(name.into(), Some(value.into()));
        rows
    };
    let mut lost = stored.to_vec();
    lost.remove(middle);
    let mut doubled = stored.to_vec();
    doubled.insert(middle, stored[middle].clone());
    let outcome = if field(&stored[middle], "outcome") == "conforms" { "unjudged" } else { "conforms" };
    let altered = [("value_as_sent", "0.0001"), ("serial", "9"), ("reasons", "no-job"), ("outcome", outcome)];
    let mut wrong = vec![lost, doubled];
    wrong.extend(altered.map(|(name, value)| changed(name, value)));
    for rows in wrong {
        assert!(!disagreements(&rows, expected).is_empty());
    }
}
