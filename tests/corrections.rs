//! What persons decide about results, from end to end: void, of another piece, disposed. What was written stays to the letter,
//! and every sink is told.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "corrections/again.rs"]
mod again;
#[path = "corrections/limits.rs"]
mod limits;

use std::collections::BTreeMap;

use ridgepost_tests::oracle::{Row, field};
use ridgepost_tests::tester::{Bench, standing};

/// A job with a limit for Ra under the balloon `B1`, and one for Rz under `B2`.
fn job(id: &str, balloon: u32, ra: &str, rz: &str) -> String {
    let of = |balloon: u32, quantity: &str, upper: &str| {
        format!(
            "[[characteristic]]\nballoon = \"{balloon}\"\nfeature = \"seat\"\nquantity = \"{quantity}\"\nupper = \"{upper} µm\"\n\
             rule = \"max\"\n"
        )
    };
    format!(
        "[job]\nid = \"{id}\"\npart_number = \"P-{id}\"\nrevision = \"A\"\noperation = \"10\"\nedition = \"ISO 21920\"\nretests = 1\n{}{}",
        of(balloon, "Ra", ra),
        of(balloon + 1, "Rz", rz)
    )
}

fn bench() -> Bench {
    let jobs = [("j1", job("J-1", 12, "0.8", "6")), ("j2", job("J-2", 21, "0.40", "3.00"))];
    Bench::new(env!("CARGO_BIN_EXE_ridgepost"), &jobs)
}

#[test]
fn a_second_try_counts_once_the_first_is_void() {
    let mut bench = bench();
    bench.open("J-1");
    assert_eq!(
        bench.measure("Ra 0.93 um"),
        [
            "reading 12 J-1/#1 0.93 nonconforming above-upper trace 1",
            "verdict 12 J-1/#1 0.93 nonconforming above-upper"
        ]
    );
    assert_eq!(bench.measure("Ra 0.41 um"), ["reading 12 J-1/#1 0.41 conforms within-limits"]);
    assert_eq!(bench.measure("Ra 0.42 um"), ["reading 12 J-1/#1 0.42 unjudged retest-limit"]);
    assert_eq!(
        bench.decide(&["void", "1"]),
        [
            "correction>1 12 J-1/#1 0.93 unjudged voided",
            "correction>3 12 J-1/#1 0.41 conforms within-limits trace 1",
            "correction>2 12 J-1/#1 0.41 conforms within-limits",
        ]
    );
    // The piece being measured knows it, now and after a restart.
    bench.restart();
    assert_eq!(
        bench.measure("Rz 4.0 um"),
        [
            "reading 13 J-1/#1 4.0 conforms within-limits trace 1",
            "verdict 13 J-1/#1 4.0 conforms within-limits",
            "part J-1/#1 conforms within-limits"
        ]
    );
    let why = bench.cell.ask(&["why", "1"]).stdout;
    assert!(why.contains("corrected since\n    #5 J-1 12 unjudged voided: void by M. K., 20"), "{why}");
    let why = bench.cell.ask_json(&["why", "#3"]).remove(0);
    assert_eq!((&why["corrections"][0]["reason"], &why["corrections"][0]["seq"]), (&"dirt".into(), &6.into()));
    bench.end();
}

#[test]
fn a_part_that_was_told_is_corrected() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.5 um of A-1");
    assert_eq!(bench.measure("Rz 4.0 um of A-1").last().unwrap(), "part J-1/A-1 conforms within-limits");
    assert_eq!(
        bench.decide(&["void", "1"]),
        [
            "correction>1 12 J-1/A-1 0.5 unjudged voided",
            "correction>2 12 J-1/A-1 unjudged voided",
            "correction>5 J-1/A-1 unjudged missing:12 voided",
        ]
    );
    let refused = bench.told(&["void", "1"]);
    assert_eq!((refused.status.code(), refused.stderr.contains("result 1 is void already")), (Some(1), true));
    // What is void can be told by another reading, given to the piece: of no job when it was taken.
    bench.cell.ask(&["job", "close"]);
    assert_eq!(bench.measure("Ra 0.7 um"), ["reading /# 0.7 unjudged no-job"]);
    let seq = bench.last().to_string();
    assert_eq!(
        bench.decide(&["assign", &seq, "--job", "J-1", "--serial", "A-1"]),
        [
            "correction>9 12 J-1/A-1 0.7 conforms within-limits trace 1",
            "correction>7 12 J-1/A-1 0.7 conforms within-limits",
            "correction>8 J-1/A-1 conforms within-limits",
        ]
    );
    bench.end();
}

#[test]
fn parts_measured_under_the_wrong_job_are_judged_by_the_right_one() {
    let mut bench = bench();
    bench.open("J-1");
    let parts: Vec<(String, u32, u32)> =
        (1..=20).map(|part| (format!("A-{part:02}"), 30 + part, 250 + 7 * part)).collect();
    for (serial, ra, rz) in &parts {
        bench.measure(&format!("Ra 0.{ra} um of {serial}"));
        bench.measure(&format!("Rz {}.{:02} um of {serial}", rz / 100, rz % 100));
    }
    let all = format!("1..{}", bench.last());
    // The daemon need not run for it.
    bench.cell.stop();
    let made = bench.decide(&["assign", &all, "--job", "J-2"]);
    assert_eq!(made.len(), 20 * (2 + 2 + 1) + 20 * (2 + 1), "{made:#?}");
    let rows = bench.cell.store().results();
    let parts_now: BTreeMap<(&str, &str), &str> = standing(&rows)
        .into_iter()
        .filter(|row| field(row, "balloon").is_empty())
        .map(|row| ((field(row, "job"), field(row, "serial")), field(row, "outcome")))
        .collect();
    for (serial, ra, rz) in &parts {
        let expected = if *ra <= 40 && *rz <= 300 { "conforms" } else { "nonconforming" };
        assert_eq!(parts_now[&("J-2", serial.as_str())], expected, "{serial}");
        assert_eq!(parts_now[&("J-1", serial.as_str())], "unjudged", "{serial}");
    }
    let readings: Vec<&Row> =
        standing(&rows).into_iter().filter(|row| !field(row, "value_as_sent").is_empty()).collect();
    assert_eq!(readings.len(), 40, "each reading stands once");
    assert!(readings.iter().all(|row| field(row, "job") == "J-2" && !field(row, "transmission").is_empty()));
    // Statistics and the first article's report take what stands, in the order of measuring.
    let made_of = |job: &str| {
        let told = bench.cell.ask_json(&["series", "--quantity", "Ra", "--job", job]);
        told.iter().filter(|record| record["record"] == "point").count()
    };
    assert_eq!((made_of("J-1"), made_of("J-2")), (0, 20));
    let article = bench.cell.ask_json(&["first-article", "--serial", "A-05", "--job", "J-2"]);
    let told: Vec<(&str, &str)> =
        article.iter().map(|line| (line["results"].as_str().unwrap(), line["verdict"].as_str().unwrap())).collect();
    assert_eq!(told, [("0.35", "conforms"), ("2.85", "conforms")]);
    // Measuring goes on under the job that is open.
    bench.cell.start_listening(&[&bench.tester]);
    let next = bench.measure("Ra 0.5 um of A-21");
    assert_eq!(next[0], "reading 12 J-1/A-21 0.5 conforms within-limits trace 1");
    let shown = bench.cell.ask_json(&["readings", "--standing", "--job", "J-1"]);
    let of_part = |row: &&serde_json::Value| row["serial"] == "A-01" && row["kind"] != "notice";
    assert_eq!(shown.iter().filter(of_part).count(), 3, "two verdicts and a part of which nothing is left");
    bench.end();
}

#[test]
fn a_reading_of_another_feature_is_taken_where_it_belongs() {
    let mut bench = bench();
    bench.cell.write("jobs/j1.toml", &job("J-1", 12, "0.8", "1.5").replace("\"Rz\"", "\"Ra\""));
    bench.cell.until_logged("configuration");
    bench.open("J-1");
    // Balloon 13 was measured first, and taken for 12.
    assert_eq!(bench.measure("Ra 1.2 um of A-1")[0], "reading 12 J-1/A-1 1.2 nonconforming above-upper trace 1");
    assert_eq!(
        bench.decide(&["assign", "1", "--balloon", "13"]),
        [
            "correction>1 13 J-1/A-1 1.2 conforms within-limits trace 1",
            "correction>2 12 J-1/A-1 unjudged superseded",
            "verdict 13 J-1/A-1 1.2 conforms within-limits",
        ]
    );
    assert_eq!(
        bench.measure("Ra 0.5 um of A-1"),
        [
            "reading 12 J-1/A-1 0.5 conforms within-limits trace 1",
            "verdict 12 J-1/A-1 0.5 conforms within-limits",
            "part J-1/A-1 conforms within-limits"
        ]
    );
    bench.end();
}

#[test]
fn readings_that_nobody_knew_a_piece_of_are_given_to_pieces() {
    let mut bench = bench();
    for value in ["Ra 0.5 um", "Rz 7.0 um", "Ra 0.6 um"] {
        bench.measure(value);
    }
    bench.open("J-1");
    assert_eq!(bench.measure("Ra 0.7 um")[0], "reading 12 J-1/#1 0.7 conforms within-limits trace 1");
    assert_eq!(
        bench.decide(&["assign", "1", "--job", "J-1", "--serial", "B-1"]),
        [
            "correction>1 12 J-1/B-1 0.5 conforms within-limits trace 1",
            "verdict 12 J-1/B-1 0.5 conforms within-limits",
            "part J-1/B-1 unjudged missing:13"
        ]
    );
    assert_eq!(
        bench.decide(&["assign", "2", "--job", "J-1", "--serial", "B-1"]),
        [
            "correction>2 13 J-1/B-1 7.0 nonconforming above-upper trace 1",
            "verdict 13 J-1/B-1 7.0 nonconforming above-upper",
            "correction>8 J-1/B-1 nonconforming above-upper"
        ]
    );
    // The piece that is being measured goes on where it was, and the one behind it gets a number of its own.
    bench.restart();
    let last = bench.measure("Rz 4.0 um");
    assert_eq!(last.last().unwrap(), "part J-1/#1 conforms within-limits");
    assert_eq!(bench.measure("Ra 0.7 um")[0], "reading 12 J-1/#3 0.7 conforms within-limits trace 1");
    bench.restart();
    assert_eq!(bench.measure("Rz 4.0 um").last().unwrap(), "part J-1/#3 conforms within-limits");
    bench.end();
}

#[test]
fn a_part_is_disposed_of_and_made_again() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.93 um of A-1");
    bench.measure("Rz 4.0 um of A-1");
    let part = bench.last().to_string();
    let refused = bench.told(&["dispose", &part, "--as", "use-as-is"]);
    assert!(!refused.status.success() && refused.stderr.contains("--reference"), "{refused:?}");
    assert_eq!(
        bench.decide(&["dispose", &part, "--as", "use-as-is", "--reference", "DEV-9"]),
        ["notice J-1/A-1 disposed:use-as-is"]
    );
    assert_eq!(bench.decide(&["dispose", &part, "--as", "rework"]), ["notice J-1/A-1 disposed:rework"]);
    bench.restart();
    let again = bench.measure("Ra 0.5 um of A-1");
    assert_eq!(again[0], "reading 12 J-1/A-1 0.5 conforms within-limits trace 1");
    bench.measure("Rz 4.0 um of A-1");
    let rows = bench.cell.store().results();
    let cycles: Vec<(&str, &str)> = rows
        .iter()
        .filter(|row| field(row, "kind") == "part")
        .map(|row| (field(row, "cycle"), field(row, "outcome")))
        .collect();
    assert_eq!(cycles, [("1", "nonconforming"), ("2", "conforms")]);
    let why = bench.cell.ask(&["why", &part]).stdout;
    assert!(why.contains("the part: use-as-is, DEV-9 (#") && why.contains("the part: rework (#"), "{why}");
    let refused = bench.told(&["dispose", &bench.last().to_string(), "--as", "scrap"]);
    assert!(refused.stderr.contains("conforms: there is nothing to dispose of"), "{refused:?}");
    bench.end();
}
