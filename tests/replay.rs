//! Stored bytes read again with a better definition: what is new is added late and unjudged, what was said otherwise is
//! corrected by a row of its own, nothing stored is touched, and a second try adds nothing.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::oracle::{Row, field};
use ridgepost_tests::pty::Line;

/// Lines of a tester as somebody described it first: without Rz, and the unit of a maker that thinks in nanometres.
const FIRST: &str = r#"
[instrument]
name = "mine"
[framing]
kind = "lines"
[[line]]
pattern = '(?<number>\d+) (?<quantity>Ra) (?<value>[\d.]+)'
[reading]
unit = "nm"
"#;

struct Bench {
    cell: Cell,
    line: Line,
    drops: ridgepost_tests::drops::Drops,
}

impl Bench {
    fn new(definition: &str) -> Bench {
        let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
        cell.instrument("mine", definition);
        let line = cell.port("a", "mine", "G-1");
        cell.sink("mes", "reading");
        cell.configure();
        let drops = cell.drops("mes");
        Bench { cell, line, drops }
    }

    fn start(&mut self) {
        self.line.let_go();
        self.cell.start_listening(&[&self.line]);
    }

    fn rows(&self) -> Vec<Row> {
        self.cell.store().results()
    }

    /// `reading 0.412 nm no-job`, and of a correction what it takes the place of.
    fn said(&self) -> Vec<String> {
        let rows = self.rows();
        let seq_of = |id: &str| rows.iter().position(|row| field(row, "result_id") == id).unwrap() + 1;
        let said = |row: &Row| {
            let words = ["kind", "quantity", "value", "unit", "reasons"].map(|name| field(row, name));
            let instead = match field(row, "supersedes") {
                "" => String::new(),
                id => format!(" for row {}", seq_of(id)),
            };
            format!("{}{instead}", words.join(" "))
        };
        rows.iter().map(said).collect()
    }

    /// New and corrected readings of station `a`.
    fn replay(&mut self, more: &[&str]) -> (u64, u64) {
        let before = self.rows();
        let told = self.cell.ask_json(&[&["replay", "--station", "a"], more].concat());
        let after = self.rows();
        assert_eq!(after[..before.len()], before, "nothing stored is changed");
        let count = |name: &str| told[0][name].as_u64().unwrap();
        // Of verdicts and parts that come out otherwise now, nothing is counted.
        let kind_of = |id: &str| before.iter().find(|row| field(row, "result_id") == id).map(|row| field(row, "kind"));
        let follows = |row: &&Row| matches!(kind_of(field(row, "supersedes")), Some("verdict" | "part"));
        let follow = after[before.len()..].iter().filter(follows).count();
        assert_eq!((after.len() - before.len() - follow) as u64, count("new") + count("corrected"));
        (count("new"), count("corrected"))
    }

    fn redefine(&self, definition: &str) {
        self.cell.instrument("mine", definition);
    }
}

#[test]
fn a_better_definition_is_replayed_over_what_was_heard() {
    let mut bench = Bench::new(FIRST);
    bench.start();
    bench.line.send(b"1 Ra 0.412\r\n2 Rz 2.870\r\n3 Ra 0.398\r\nhello\r\n");
    bench.cell.until("four frames", |cell| (cell.store().frames("a").len() == 4).then_some(()));
    bench.cell.until_recorded("a", 2);
    assert_eq!(bench.replay(&[]), (0, 0), "the same definition says the same");
    bench.cell.stop();

    // Without a daemon.
    let better = FIRST.replace("Ra)", "R[az])").replace("\"nm\"", "\"um\"");
    bench.redefine(&better);
    assert_eq!(bench.replay(&["--since", "2100-01-01"]), (0, 0), "nothing was received since");
    assert_eq!(bench.replay(&["--since", "1h"]), (1, 2));
    let expected = [
        "reading Ra 0.412 nm no-job",
        "reading Ra 0.398 nm no-job",
        "correction Ra 0.412 µm stored-reading for row 1",
        "reading Rz 2.870 µm stored-reading",
        "correction Ra 0.398 µm stored-reading for row 2",
    ];
    assert_eq!(bench.said(), expected);
    assert_eq!(bench.replay(&[]), (0, 0), "twice adds nothing");
    let rows = bench.rows();
    assert_eq!(field(&rows[3], "transmission"), "2", "it is tied to its bytes");
    assert!(field(&rows[3], "received_at") <= field(&rows[1], "received_at"), "and to its time");

    // Through the daemon, which delivers what is added; a correction is corrected.
    bench.start();
    bench.redefine(FIRST);
    bench.cell.until("the old definition again", |cell| {
        let told = cell.ask_json(&["replay", "--station", "a"]);
        (told[0]["corrected"] == 3).then_some(())
    });
    assert_eq!(
        bench.said()[5..],
        [
            "correction Ra 0.412 nm stored-reading for row 3",
            "correction Rz   voided for row 4",
            "correction Ra 0.398 nm stored-reading for row 5",
        ]
    );
    assert_eq!(bench.replay(&[]), (0, 0));
    let Bench { cell, drops, .. } = &mut bench;
    assert_eq!(cell.until_delivered(drops), Vec::<String>::new());
    bench.redefine(&better);
    bench.cell.until("the better definition again", |cell| {
        let told = cell.ask_json(&["replay", "--station", "a"]);
        (told[0]["corrected"] == 3).then_some(())
    });
    assert_eq!(
        bench.said()[8..],
        [
            "correction Ra 0.412 µm stored-reading for row 6",
            "correction Rz 2.870 µm stored-reading for row 7",
            "correction Ra 0.398 µm stored-reading for row 8",
        ]
    );
    assert_eq!(bench.replay(&[]), (0, 0));
    assert_eq!(bench.cell.store().integrity(), Vec::<String>::new());
    bench.cell.stop();
}

/// What was taken for lines is a report of several: the bytes of a stream go on from one transmission to the next.
#[test]
fn a_report_is_put_together_from_what_were_lines() {
    let mut bench = Bench::new(FIRST);
    bench.start();
    bench.line.send(b"REPORT\r\nRa=0.412\r\nRz=2.870\r\nEND\r\nREPORT\r\nRa=0.398\r\nRz=2.500\r\nEND\r\n");
    bench.cell.until("eight frames", |cell| (cell.store().frames("a").len() == 8).then_some(()));
    bench.cell.stop();
    bench.redefine(
        "[instrument]\nname = \"mine\"\n[framing]\nkind = \"block\"\nstart_line = 'REPORT'\nend_line = 'END'\n\
         [[line]]\npattern = 'Ra=(?<Ra>[\\d.]+)'\n[[line]]\npattern = 'Rz=(?<Rz>[\\d.]+)'\n[reading]\nunit = \"um\"\n",
    );
    assert_eq!(bench.replay(&[]), (4, 0));
    let values: Vec<String> =
        bench.rows().iter().map(|row| format!("{} {}", field(row, "quantity"), field(row, "value"))).collect();
    assert_eq!(values, ["Ra 0.412", "Rz 2.870", "Ra 0.398", "Rz 2.500"]);
    assert_eq!(bench.replay(&[]), (0, 0));
}

/// A file to which rows are added is several transmissions, and each row is one reading all the same.
#[test]
fn files_are_read_again_without_doubling_a_row() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let definition = |columns: &str| {
        format!(
            "[instrument]\nname = \"sheet\"\n[framing]\nkind = \"rows\"\n[table]\ndelimiter = \";\"\nheader = 'No;Part;Ra;Rz'\n\
             [names]\nNo = \"number\"\nPart = \"part\"\n{columns}\n[reading]\nunit = \"um\"\nrequired = [\"number\"]\n"
        )
    };
    cell.instrument("sheet", &definition("Rz = \"other\""));
    let folder = cell.folder("f", "sheet", "G-1", "*.csv");
    let label = cell.scanner("scanner", &[]);
    cell.write("labels.toml", "[[label]]\nname = \"x\"\npattern = '(?<serial>X)'\n");
    cell.sink("mes", "reading");
    cell.configure();
    cell.start_listening(&[&label]);
    let rows =
        |count: u32| -> String { (1..=count).map(|row| format!("{row};P-{row};0.40{row};2.50{row}\r\n")).collect() };
    for count in [3, 5] {
        export(&folder, "day.csv", format!("No;Part;Ra;Rz\r\n{}", rows(count)).as_bytes());
        cell.until_recorded("f", count as usize);
        cell.until("the file moved away", |_| (!folder.join("day.csv").exists()).then_some(()));
        fs::rename(folder.join("recorded"), folder.join(format!("taken-{count}"))).unwrap();
    }
    cell.stop();
    cell.instrument("sheet", &definition(""));
    let told = cell.ask_json(&["replay"]);
    let of = |name: &str| told.iter().find(|it| it["station"] == name).unwrap().clone();
    assert_eq!((of("f")["new"].as_u64(), of("f")["corrected"].as_u64()), (Some(5), Some(0)), "{told:?}");
    assert!(of("scanner")["left_out"].as_str().unwrap().contains("labels"));
    let values: Vec<String> = cell.store().readings("f").iter().map(|row| field(row, "value").to_owned()).collect();
    let expected = ["0.401", "0.402", "0.403", "0.404", "0.405", "2.501", "2.502", "2.503", "2.504", "2.505"];
    assert_eq!(values, expected);
    let told = cell.ask_json(&["replay"]);
    assert!(told.iter().all(|it| it["new"] == 0 && it["corrected"] == 0), "{told:?}");
    assert_eq!(cell.ask(&["replay", "--station", "none"]).status.code(), Some(1));
}

/// A correction is of the job, the piece, the operator and the mode of what it takes the place of.
#[test]
fn a_correction_stands_beside_what_it_corrects() {
    let mut bench = Bench::new(FIRST);
    bench.cell.write(
        "labels.toml",
        "[[label]]\nname = \"piece\"\npattern = 'SN-(?<serial>\\d+)'\n[[label]]\nname = \"person\"\npattern = 'OP(?<operator>\\d+)'\n",
    );
    bench.cell.write(
        "jobs/j.toml",
        "[job]\nid = \"J-1\"\npart_number = \"P-1\"\nrevision = \"A\"\noperation = \"10\"\nedition = \"ISO 21920\"\ngate = \"warn\"\n\
         accept_unknown_conditions = true\n[[characteristic]]\nballoon = \"4\"\nfeature = \"seat\"\nquantity = \"Ra\"\nupper = \"800 nm\"\n\
         plausible = { min = \"0.1 nm\", max = \"900 nm\" }\n[[characteristic]]\nballoon = \"5\"\nfeature = \"seat\"\nquantity = \"Rz\"\nupper = \"6 µm\"\n",
    );
    bench.start();
    for said in [&["job", "open", "J-1"][..], &["label", "SN-77"], &["label", "OP12"]] {
        let done = bench.cell.ask(said);
        assert!(done.status.success(), "{said:?} {done:?}");
    }
    bench.line.send(b"1 Ra 0.412\r\n");
    bench.cell.until_recorded("a", 1);
    bench.cell.stop();
    bench.redefine(&FIRST.replace("\"nm\"", "\"um\""));
    assert_eq!(bench.replay(&[]), (0, 1));
    let rows = bench.rows();
    let of = |kind: &str| rows.iter().find(|row| field(row, "kind") == kind).unwrap();
    let (first, correction) = (of("reading"), of("correction"));
    assert_eq!(field(first, "serial"), "77");
    for name in [
        "serial",
        "piece",
        "operator",
        "job",
        "part_number",
        "revision",
        "operation",
        "mode",
        "balloon",
        "feature",
        "job_hash",
        "gauge",
    ] {
        assert_eq!(field(correction, name), field(first, name), "{name}");
    }
    assert_eq!((field(correction, "unit"), field(correction, "supersedes")), ("µm", field(first, "result_id")));
    // The verdict rested on a value that does not stand any more.
    let verdict = of("verdict");
    let anew = rows.iter().find(|row| field(row, "supersedes") == field(verdict, "result_id")).unwrap();
    assert_eq!((field(anew, "outcome"), field(anew, "reasons")), ("unjudged", "superseded"));
    assert_eq!(bench.replay(&[]), (0, 0));
    assert_eq!(bench.cell.store().integrity(), Vec::<String>::new());
}

/// The better description of the same lines.
fn better() -> String {
    FIRST.replace("\"nm\"", "\"um\"")
}

/// So many lines of [`FIRST`] from `first` on (from 1: nothing is nothing in any unit).
fn lines(first: usize, count: usize) -> Vec<u8> {
    (first..first + count).flat_map(|n| format!("{n} Ra {}.{:03}\r\n", n / 1000, n % 1000).into_bytes()).collect()
}

/// What is wrong with readings and corrections where each of the first `old` readings should have one correction, and
/// the others, read rightly at once, none.
fn corrected_once(rows: &[Row], old: usize, all: usize) -> Vec<String> {
    let of = |kind: &str| rows.iter().filter(|row| field(row, "kind") == kind).cloned().collect::<Vec<_>>();
    let (readings, corrections) = (of("reading"), of("correction"));
    let mut findings = Vec::new();
    if readings.len() != all || corrections.len() != old {
        findings.push(format!("{} readings of {all}, {} corrections of {old}", readings.len(), corrections.len()));
    }
    for (n, reading) in readings.iter().enumerate() {
        let id = field(reading, "result_id");
        let mine: Vec<&Row> = corrections.iter().filter(|row| field(row, "supersedes") == id).collect();
        let (unit, due) = if n < old { ("nm", 1) } else { ("µm", 0) };
        let is_right =
            mine.iter().all(|row| (field(row, "value"), field(row, "unit")) == (field(reading, "value"), "µm"));
        if field(reading, "unit") != unit || mine.len() != due || !is_right {
            findings.push(format!("{reading:?} has {mine:?}"));
        }
    }
    findings.truncate(3);
    findings
}

/// Killed again and again in the middle, by itself and within the daemon: in the end each reading has one correction.
#[test]
fn a_replay_that_is_killed_corrects_everything_once() {
    const LINES: usize = 1_200;
    let mut bench = Bench::new(FIRST);
    bench.start();
    bench.line.send(&lines(1, LINES));
    bench.cell.until_recorded("a", LINES);
    bench.cell.stop();
    let before = bench.rows();
    bench.redefine(&better());
    let corrections = |cell: &Cell| cell.store().query("SELECT seq FROM result WHERE kind = 'correction'", []).len();
    let mut halves = 0;
    // The third time the daemon does it, and is killed itself.
    for is_of_the_daemon in [false, false, true] {
        let known = corrections(&bench.cell);
        if is_of_the_daemon {
            bench.start();
        }
        let mut asking = bench.cell.begin_asking(&["replay", "--station", "a"]);
        while corrections(&bench.cell) == known && asking.try_wait().unwrap().is_none() {}
        if is_of_the_daemon {
            bench.cell.kill();
        } else {
            asking.kill().unwrap();
        }
        asking.wait().unwrap();
        let now = corrections(&bench.cell);
        halves += usize::from(known < now && now < LINES);
    }
    assert!(halves > 0, "no kill came in the middle: {} corrections", corrections(&bench.cell));
    let left = (LINES - corrections(&bench.cell)) as u64;
    assert_eq!(bench.replay(&[]), (0, left), "the rest");
    assert_eq!(bench.replay(&[]), (0, 0));
    let rows = bench.rows();
    assert_eq!(rows[..LINES], before, "what was stored is as it was");
    assert_eq!(corrected_once(&rows, LINES, LINES), Vec::<String>::new());
    assert_eq!(bench.cell.store().integrity(), Vec::<String>::new());
    // The account itself can fail.
    let mut twice = rows.clone();
    twice.extend(rows.last().cloned());
    assert!(!corrected_once(&twice, LINES, LINES).is_empty() && !corrected_once(&before, LINES, LINES).is_empty());
}

/// Readings that come while stored ones are read again are taken as ever, and what is corrected is delivered: row by
/// row as it stands in the store, and a correction names what it takes the place of.
#[test]
fn readings_arrive_while_others_are_read_again() {
    const OLD: usize = 800;
    let mut bench = Bench::new(FIRST);
    bench.start();
    bench.line.send(&lines(1, OLD));
    bench.cell.until_recorded("a", OLD);
    bench.redefine(&better());
    // Read by the old definition until the new one is in force; then numbered on.
    let mut sent = OLD;
    bench.cell.until("the better definition", |cell| {
        bench.line.send(&lines(sent + 1, 1));
        sent += 1;
        std::thread::sleep(std::time::Duration::from_millis(20));
        cell.store().readings("a").last().is_some_and(|row| field(row, "unit") == "µm").then_some(())
    });
    let old = bench.cell.store().readings("a").iter().filter(|row| field(row, "unit") == "nm").count();
    let mut asking = bench.cell.begin_asking(&["replay", "--station", "a"]);
    let mut meanwhile = 0;
    while asking.try_wait().unwrap().is_none() {
        bench.line.send(&lines(sent + 1, 1));
        (sent, meanwhile) = (sent + 1, meanwhile + 1);
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    assert!(asking.wait().unwrap().success());
    assert!(meanwhile > 3, "{meanwhile} lines came meanwhile");
    bench.cell.until_recorded("a", sent);
    assert_eq!(corrected_once(&bench.rows(), old, sent), Vec::<String>::new());
    assert_eq!(bench.replay(&[]), (0, 0));
    let Bench { cell, drops, .. } = &mut bench;
    assert_eq!(cell.until_delivered(drops), Vec::<String>::new());
    let delivered = drops.rows();
    let text = |row: &std::collections::BTreeMap<String, String>| {
        ["kind", "quantity", "value", "unit", "outcome", "reasons"].map(|name| row[name].clone()).join(";")
    };
    let of = |kind: &str| delivered.iter().find(|(_, row)| row["kind"] == kind && row["value"] == "0.412").unwrap();
    let ((_, first), (file, correction)) = (of("reading"), of("correction"));
    assert_eq!(text(first), "reading;Ra;0.412;nm;unjudged;no-job");
    assert_eq!(text(correction), "correction;Ra;0.412;µm;unjudged;stored-reading", "{file}");
    assert_eq!(correction["supersedes"], first["result_id"]);
    assert_eq!(correction["received_at"], first["received_at"]);
    bench.cell.stop();
}
