//! Characteristics that are not due on every piece, from end to end: what is asked for, what a part says of it, and what a
//! person is told.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use ridgepost_tests::oracle::field;
use ridgepost_tests::tester::{Bench, said};

fn job(sample: &str) -> String {
    format!(
        "[job]\nid = \"J-1\"\npart_number = \"P-1\"\nrevision = \"A\"\noperation = \"10\"\nedition = \"ISO 21920\"\n\
         [[characteristic]]\nballoon = \"12\"\nfeature = \"seat\"\nquantity = \"Ra\"\nupper = \"0.8 µm\"\nrule = \"max\"\n\
         [[characteristic]]\nballoon = \"13\"\nfeature = \"seat\"\nquantity = \"Rz\"\nupper = \"6 µm\"\nrule = \"max\"\nsample = {{ {sample} }}\n"
    )
}

fn bench(sample: &str) -> Bench {
    let mut bench = Bench::new(env!("CARGO_BIN_EXE_ridgepost"), &[("j1", job(sample))]);
    bench.open("J-1");
    bench
}

#[test]
fn every_third_piece_is_measured_in_full_and_more_after_a_failure() {
    let mut bench = bench("every = 3, tightened = 2, last = true");
    let checked = bench.cell.ask(&["check"]).stdout;
    let due = "due on the first piece, every 3 pieces, each one after one that did not conform, until 2 in a row do, the last piece";
    assert!(checked.contains(due), "{checked}");
    bench.measure("Ra 0.41 um");
    assert_eq!(bench.measure("Rz 4.0 um").last().unwrap(), "part J-1/#1 conforms within-limits");
    for piece in [2, 3] {
        let told = bench.measure("Ra 0.42 um");
        assert_eq!(told.last().unwrap(), &format!("part J-1/#{piece} conforms within-limits not-due:13"));
    }
    // The fourth comes three behind the first.
    let status = bench.cell.ask_json(&["status"]).remove(0);
    assert_eq!(
        status["store"]["job"]["due"],
        serde_json::json!([
            { "balloon": "12", "overdue_minutes": null }, { "balloon": "13", "overdue_minutes": null }
        ])
    );
    assert_eq!(bench.measure("Ra 0.43 um").len(), 2, "it waits for Rz");
    bench.restart();
    let status = bench.cell.ask(&["status"]).stdout;
    assert!(status.contains("due: balloon 13\n") && !status.contains("due: balloon 12"), "{status}");
    assert_eq!(bench.measure("Rz 7.0 um").last().unwrap(), "part J-1/#4 nonconforming above-upper");
    // Two in a row must conform now.
    for piece in [5, 6] {
        assert_eq!(bench.measure("Ra 0.44 um").len(), 2);
        assert_eq!(bench.measure("Rz 4.1 um").last().unwrap(), &format!("part J-1/#{piece} conforms within-limits"));
    }
    assert_eq!(bench.measure("Ra 0.45 um").last().unwrap(), "part J-1/#7 conforms within-limits not-due:13");
    // It may be measured without being due: before the piece ends.
    assert_eq!(bench.measure("Rz 4.2 um")[0], "reading 13 J-1/#8 4.2 conforms within-limits trace 1");
    assert_eq!(bench.measure("Ra 0.46 um").last().unwrap(), "part J-1/#8 conforms within-limits");
    bench.measure("Ra 0.47 um");
    let closed = bench.cell.ask(&["job", "close"]).stdout;
    assert!(closed.contains("its last piece has no verdict of 13, which is due on last pieces"), "{closed}");
    bench.end();
}

#[test]
fn what_was_not_due_stays_so_when_a_piece_is_judged_anew() {
    let mut bench = bench("first = 2");
    bench.measure("Ra 0.41 um of A-1");
    bench.measure("Rz 4.0 um of A-1");
    bench.measure("Ra 0.41 um of A-2");
    // Another part: the piece before lacks what was due, and nothing but Ra is due on this one.
    assert_eq!(
        bench.measure("Ra 0.93 um of A-3"),
        [
            "part J-1/A-2 unjudged missing:13",
            "reading 12 J-1/A-3 0.93 nonconforming above-upper trace 1",
            "verdict 12 J-1/A-3 0.93 nonconforming above-upper",
            "part J-1/A-3 nonconforming above-upper not-due:13",
        ]
    );
    bench.measure("Ra 0.42 um of A-3");
    let seq = |bench: &Bench, value: &str| {
        let rows = bench.cell.store().results();
        let row = rows.iter().find(|row| field(row, "value_as_sent") == value).unwrap();
        field(row, "seq").to_owned()
    };
    let first = seq(&bench, "0.93");
    let made = bench.decide(&["void", &first]);
    assert_eq!(made.last().unwrap().split_once(' ').unwrap().1, "J-1/A-3 conforms within-limits not-due:13");
    // Measured all the same, later: it counts, and is not named as not due any more.
    let more = bench.measure("Rz 4.0 um of A-3");
    assert_eq!(more.last().unwrap().split_once(' ').unwrap().1, "J-1/A-3 conforms within-limits");
    let parts: Vec<String> =
        bench.cell.store().results().iter().filter(|row| field(row, "kind") == "part").map(said).collect();
    assert_eq!(parts.len(), 3);
    let part = bench.cell.store().results().iter().find(|row| said(row).contains("not-due:13")).cloned().unwrap();
    let why = bench.cell.ask(&["why", field(&part, "seq")]).stdout;
    assert!(why.contains("not due on this piece by the job's sampling: 13"), "{why}");
    bench.end();
}
