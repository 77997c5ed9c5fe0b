//! Parts that are measured again after they were told: no measuring until one passes.

use ridgepost_tests::oracle::{Row, field};

use ridgepost_tests::tester::{Bench, said, standing};

use super::{bench, job};

fn parts_that_stand(bench: &Bench) -> Vec<String> {
    let rows = bench.cell.store().results();
    let is_of_part = |row: &&Row| field(row, "balloon").is_empty() && !field(row, "piece").is_empty();
    standing(&rows).into_iter().filter(is_of_part).map(said).collect()
}

#[test]
fn a_part_that_was_told_gets_attempts_and_no_second_verdict() {
    let mut bench = bench();
    bench.cell.write("jobs/j1.toml", &job("J-1", 12, "0.8", "6"));
    bench.open("J-1");
    bench.measure("Ra 0.93 um of A-1");
    assert_eq!(bench.measure("Rz 4.0 um of A-1").last().unwrap(), "part J-1/A-1 nonconforming above-upper");
    let why = bench.cell.ask(&["why", "1"]).stdout;
    assert!(why.contains("a hint: it would conform as Rz (balloon 13): look at which parameter"), "{why}");
    // The same part five times. The first counts, one retest is judged on its own, the rest is told.
    assert_eq!(bench.measure("Ra 0.41 um of A-1"), ["reading 12 J-1/A-1 0.41 conforms within-limits"]);
    bench.restart();
    for value in ["0.42", "0.43", "0.44"] {
        let expected = format!("reading 12 J-1/A-1 {value} unjudged retest-limit");
        assert_eq!(bench.measure(&format!("Ra {value} um of A-1")), [expected]);
    }
    let rows = bench.cell.store().results();
    let attempts: Vec<&str> =
        rows.iter().filter(|row| field(row, "quantity") == "Ra").map(|row| field(row, "attempt")).collect();
    assert_eq!(attempts, ["", "", "2", "3", "4", "5"]);
    bench.cell.until_logged("balloon 12 of part A-1 was measured for the 5. time, more often than its job allows");
    assert_eq!(parts_that_stand(&bench), ["part J-1/A-1 nonconforming above-upper"]);
    // A second try counts by a person's word only.
    bench.decide(&["void", "1"]);
    assert_eq!(parts_that_stand(&bench), ["correction>5 J-1/A-1 conforms within-limits"]);
    // The next part is one of its own.
    let next = bench.measure("Ra 0.5 um of A-2");
    assert_eq!(next[0], "reading 12 J-1/A-2 0.5 conforms within-limits trace 1");
    let rows = bench.cell.store().results();
    assert_eq!(field(rows.iter().rfind(|row| field(row, "kind") == "reading").unwrap(), "piece"), "2");
    bench.end();
}

/// An instrument that names all parts alike: nothing is lost, nothing gets a second verdict, and the store does not slow down.
#[test]
fn a_part_that_is_measured_for_ever_is_bounded() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.41 um of A-1");
    bench.measure("Rz 4.0 um of A-1");
    for number in 0..500 {
        bench.tester.send(format!("Ra 0.{} um of A-1\r\n", 300 + number).as_bytes());
    }
    bench.cell.until_recorded("bench", 502);
    let rows = bench.cell.store().results();
    let ra: Vec<&Row> =
        rows.iter().filter(|row| field(row, "quantity") == "Ra" && field(row, "kind") == "reading").collect();
    let attempts: Vec<u32> = ra.iter().map(|row| field(row, "attempt").parse().unwrap_or(1)).collect();
    assert_eq!(attempts, (1..=501).collect::<Vec<u32>>());
    assert!(ra.iter().skip(2).all(|row| field(row, "reasons") == "retest-limit" && field(row, "piece") == "1"));
    assert_eq!(parts_that_stand(&bench), ["part J-1/A-1 conforms within-limits"]);
    assert_eq!(bench.measure("Ra 0.5 um of A-2")[0], "reading 12 J-1/A-2 0.5 conforms within-limits trace 1");
    bench.end();
}

#[test]
fn what_was_missing_is_filled_later() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.5 um of A-1");
    assert_eq!(bench.measure("Ra 0.6 um of A-2")[0], "part J-1/A-1 unjudged missing:13");
    assert_eq!(
        bench.measure("Rz 4.0 um of A-1"),
        [
            "part J-1/A-2 unjudged missing:13",
            "reading 13 J-1/A-1 4.0 conforms within-limits trace 1",
            "verdict 13 J-1/A-1 4.0 conforms within-limits",
            "correction>3 J-1/A-1 conforms within-limits",
        ]
    );
    bench.restart();
    assert_eq!(
        bench.measure("Rz 7.0 um of A-2"),
        [
            "reading 13 J-1/A-2 7.0 nonconforming above-upper trace 1",
            "verdict 13 J-1/A-2 7.0 nonconforming above-upper",
            "correction>6 J-1/A-2 nonconforming above-upper",
        ]
    );
    let why = bench.cell.ask(&["why", "3"]).stdout;
    assert!(why.contains("conforms within-limits: more of the part was measured later, or read anew"), "{why}");
    // Statistics and the table of a first article take it as it stands.
    let table = bench.cell.ask_json(&["first-article", "--job", "J-1", "--serial", "A-1"]);
    assert!(table.iter().all(|row| row["outcome"] != "missing"), "{table:?}");
    bench.end();
}

#[test]
fn another_text_of_the_job_or_another_cycle_begins_a_piece() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.93 um of A-1");
    bench.measure("Rz 4.0 um of A-1");
    bench.cell.ask(&["job", "close"]);
    bench.open("J-1");
    assert_eq!(
        bench.measure("Ra 0.41 um of A-1"),
        ["reading 12 J-1/A-1 0.41 conforms within-limits"],
        "the same job, opened again"
    );
    bench.cell.ask(&["job", "close"]);
    bench.cell.write("jobs/j1.toml", &job("J-1", 12, "1.0", "6"));
    bench.cell.until_logged("configuration");
    bench.cell.until("the other text", |cell| {
        cell.ask(&["job", "open", "J-1"]).status.success().then_some(())?;
        let rows = cell.store().query("SELECT count(DISTINCT job_hash) AS texts FROM job_event WHERE job = 'J-1'", []);
        (field(&rows[0], "texts") == "2").then_some(())
    });
    assert_eq!(
        bench.measure("Ra 0.93 um of A-1"),
        ["reading 12 J-1/A-1 0.93 conforms within-limits trace 1", "verdict 12 J-1/A-1 0.93 conforms within-limits"]
    );
    bench.measure("Rz 4.0 um of A-1");
    let part = bench.last().to_string();
    let ended = bench.cell.store().results().last().map(said).unwrap();
    assert_eq!(ended, "part J-1/A-1 conforms within-limits", "{part}");
    bench.end();
}
