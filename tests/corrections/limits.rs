//! What is refused, what stays void, and kills in the midst of a decision.

use ridgepost_tests::oracle::{Row, field};
use ridgepost_tests::seed::Seeded;

use ridgepost_tests::tester::{TESTER, standing};

use super::bench;

#[test]
fn what_can_not_be_decided_is_refused_and_changes_nothing() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.5 um of A-1");
    bench.measure("Rz 4.0 um of A-1");
    let before = bench.cell.store().results();
    for (arguments, status, why) in [
        (&["void", "99"][..], 1, "there is no result 99"),
        (&["void", "nonsense-1"], 1, "there is no result nonsense-1"),
        (&["void", "2"], 1, "result 2 is a verdict, not a reading"),
        (&["void", "5..1"], 1, "a stretch goes from the smaller number to the larger one"),
        (&["void", "50..60"], 1, "there is no reading among the results 50..60"),
        (&["void", "1..x"], 1, "`1..x` is no stretch of results"),
        (&["assign", "1"], 2, "say what the readings are of"),
        (&["assign", "1", "--job", "J-9"], 1, "there is no job `J-9`; the cell's jobs are: J-1, J-2"),
        (&["assign", "1", "--job", "J-1"], 1, "result 1 is of job J-1 already"),
        (&["assign", "1", "--balloon", "77"], 1, "job J-1 has no characteristic 77; it has 12, 13"),
        (&["dispose", "5", "--as", "scrap"], 1, "result 5 conforms"),
    ] {
        let said = bench.told(arguments);
        assert_eq!(said.status.code(), Some(status), "{arguments:?}: {said:?}");
        assert!(said.stderr.contains(why), "{arguments:?}: {said:?}");
    }
    let blank = bench.cell.ask(&["void", "1", "--by", " ", "--reason", "x"]);
    assert!(blank.stderr.contains("who decides and why must be said"), "{blank:?}");
    assert_eq!(bench.cell.store().results(), before);
    assert_eq!(bench.cell.store().query("SELECT * FROM decision", []).len(), 0);
    bench.end();
}

#[test]
fn bytes_that_are_read_again_do_not_bring_back_what_is_void() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.5 um of A-1");
    bench.measure("Rz 4.0 um of A-1");
    bench.decide(&["void", "1"]);
    bench.cell.instrument(
        "tester",
        &TESTER.replace("(?<unit>um)", "um").replace("[[line]]", "[reading]\nunit = \"nm\"\n[[line]]"),
    );
    bench.cell.stop();
    let check = bench.cell.ask(&["check"]);
    assert!(check.status.success(), "{check:?}");
    let said = bench.cell.ask(&["replay"]);
    assert!(said.status.success(), "{said:?}");
    let rows = bench.cell.store().results();
    let readings: Vec<String> =
        standing(&rows).into_iter().filter(|row| !field(row, "value_as_sent").is_empty()).map(said_of).collect();
    assert_eq!(readings, ["Ra 0.5 voided", "Rz 4.0 stored-reading"]);
    bench.cell.start_listening(&[&bench.tester]);
    bench.end();
}

/// Where the cell lists who may decide, nobody else does.
#[test]
fn only_who_is_listed_decides() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.5 um of A-1");
    bench.measure("Rz 7.0 um of A-1");
    bench.cell.stop();
    let text = std::fs::read_to_string(bench.cell.path("cell/cell.toml")).unwrap();
    let list = "[[operator]]\nname = \"M. K.\"\nmay = [\"void\"]\n[[operator]]\nname = \"R. S.\"\nmay = [\"dispose\", \"gauge\"]\n";
    bench.cell.write("cell.toml", &format!("{text}{list}"));
    bench.cell.start_listening(&[&bench.tester]);
    let before = bench.cell.store().results();
    for (arguments, by, why) in [
        (
            &["void", "1"][..],
            "R. S.",
            "R. S. may not do that (`void` in `[[operator]]` of cell.toml); these may: M. K.",
        ),
        (&["void", "1"], "A. N.", "A. N. is not on the cell's list"),
        (&["assign", "1", "--job", "J-2"], "M. K.", "(`assign` in `[[operator]]` of cell.toml); nobody may"),
        (&["dispose", "5", "--as", "scrap"], "M. K.", "these may: R. S."),
        (&["gauge", "RT-1", "--happened", "dropped"], "M. K.", "these may: R. S."),
        (&["verify", "RT-1"], "M. K.", "nobody may"),
    ] {
        let is_verify = arguments.contains(&"verify");
        let reason: &[&str] = if is_verify { &["--by", by] } else { &["--by", by, "--reason", "dirt"] };
        let said = bench.cell.ask(&[arguments, reason].concat());
        assert_eq!(said.status.code(), Some(1), "{arguments:?}: {said:?}");
        assert!(said.stderr.contains(why), "{arguments:?}: {said:?}");
    }
    assert_eq!(bench.cell.store().results(), before);
    let voided = bench.cell.ask(&["void", "1", "--by", "M. K.", "--reason", "dirt"]);
    assert!(voided.status.success(), "{voided:?}");
    let checked = bench.cell.ask(&["check"]).stdout;
    assert!(checked.contains("operator M. K.: may void"), "{checked}");
    bench.end();
}

/// A job's kept text that no version can use any more: what is void is void all the same, and nothing is judged by guesses.
#[test]
fn a_piece_of_a_job_that_nobody_can_read_any_more_is_left_as_it_is() {
    let mut bench = bench();
    bench.open("J-1");
    bench.measure("Ra 0.5 um of A-1");
    bench.measure("Rz 4.0 um of A-1");
    bench.open("J-2");
    bench.measure("Ra 0.3 um of C-1");
    bench.cell.stop();
    let store = rusqlite::Connection::open(bench.cell.store_path()).unwrap();
    let spoilt = store
        .execute(
            "UPDATE wording SET body = 'later = [' WHERE hash = (SELECT job_hash FROM job_event WHERE job = 'J-1')",
            [],
        )
        .unwrap();
    assert_eq!(spoilt, 1);
    drop(store);
    bench.cell.start_listening(&[&bench.tester]);
    let before = bench.cell.store().results();
    for (arguments, what) in [
        (&["assign", "1", "--job", "J-2"][..], "out of it, to another job"),
        (&["assign", "1", "--balloon", "13"], "within it"),
        (&["assign", "6", "--job", "J-1", "--serial", "A-1"], "into it"),
    ] {
        let said = bench.told(arguments);
        assert_eq!(said.status.code(), Some(1), "{what}: {said:?}");
        assert!(
            said.stderr.contains("can't be judged anew with other readings; nothing was changed"),
            "{what}: {said:?}"
        );
    }
    assert_eq!(bench.cell.store().results(), before);
    assert_eq!(bench.cell.store().query("SELECT * FROM decision", []).len(), 0);
    assert_eq!(bench.decide(&["void", "1"]), ["correction>1 12 /A-1 0.5 unjudged voided"]);
    bench.end();
}

fn said_of(row: &Row) -> String {
    ["quantity", "value_as_sent", "reasons"].map(|name| field(row, name)).join(" ")
}

/// Killed at any moment, a decision is there with all that follows from it, or not at all.
#[test]
fn a_decision_is_made_whole_or_not_at_all() {
    let seed = Seeded::seed_of_run();
    let mut random = Seeded::new(seed);
    let mut bench = bench();
    bench.open("J-1");
    for part in 1..=12 {
        bench.measure(&format!("Ra 0.{} um of A-{part}", 40 + part));
        bench.measure(&format!("Rz 4.0 um of A-{part}"));
    }
    let rows = bench.cell.store().results();
    let readings: Vec<&str> = rows
        .iter()
        .filter(|row| field(row, "quantity") == "Ra" && field(row, "kind") == "reading")
        .map(|row| field(row, "seq"))
        .collect();
    let mut made = 0;
    for seq in &readings {
        let mut command = bench.cell.begin_asking(&["void", seq, "--by", "M. K.", "--reason", "a test"]);
        std::thread::sleep(std::time::Duration::from_millis(random.between(0, 40)));
        bench.restart();
        let told = command.wait().unwrap().success();
        let store = bench.cell.store();
        let rows = store
            .query("SELECT d.id, (SELECT count(*) FROM decided WHERE decision = d.id) AS rows FROM decision AS d", []);
        assert!(rows.iter().all(|row| field(row, "rows") == "3"), "RIDGEPOST_SEED={seed}: {rows:?}");
        assert!(!told || rows.len() == made + 1, "RIDGEPOST_SEED={seed}: it was told as done and is not there");
        made = rows.len();
    }
    let lone = bench
        .cell
        .store()
        .query("SELECT seq FROM results WHERE kind = 'correction' AND seq NOT IN (SELECT seq FROM decided)", []);
    assert_eq!(lone.len(), 0);
    bench.end();
}
