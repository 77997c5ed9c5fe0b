//! Days that somebody who is to buy such a program would try, as far as no other test shows them; `tests/days.md` has them all.

use std::collections::BTreeSet;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::oracle::{Row, field};
use ridgepost_tests::pty::Line;

use super::cell::Shop;
use super::plan::Message;

/// The tester's next messages, and the calliper's.
struct Bench {
    shop: Shop,
    number: u32,
}

const GOOD: [&str; 3] = ["2.98", "2.95", "2.99"];

impl Bench {
    /// Job W-1 is open, and the tester verified where `verified`.
    fn new(verified: bool) -> Bench {
        let mut bench = Bench { shop: Shop::new(), number: 0 };
        bench.shop.send("scanner", "WO/W-1\r\n");
        if verified {
            bench.shop.verify(&GOOD);
        }
        bench
    }

    /// One more message as it is usual, not sent yet.
    fn next(&mut self, quantity: &'static str, value: &str) -> Message {
        self.number += 1;
        let unit = if quantity == "D" { "mm" } else { "um" };
        let value = value.to_owned();
        Message { number: self.number, quantity, value, unit, cutoff: "0.8", sections: 5, program: "7" }
    }

    fn say(&mut self, message: &Message) {
        let station = if message.quantity == "D" { "calliper" } else { "tester" };
        self.shop.send(station, &message.text());
    }

    fn part(&mut self, serial: u32, values: [&str; 3]) {
        self.shop.send("scanner", &format!("SN-{serial}\r\n"));
        for (quantity, value) in ["Ra", "Rz", "D"].into_iter().zip(values) {
            let message = self.next(quantity, value);
            self.say(&message);
        }
    }

    fn rows(&self, kind: &str) -> Vec<Row> {
        self.shop.store().results().into_iter().filter(|row| field(row, "kind") == kind).collect()
    }

    /// Outcome and reasons of all readings of production.
    fn outcomes(&self) -> Vec<String> {
        let readings = self.rows("reading").into_iter().filter(|row| field(row, "mode") == "production");
        readings.map(|row| format!("{} {}", field(&row, "outcome"), field(&row, "reasons"))).collect()
    }

    /// All is delivered as it is stored, and the daemon ends in order.
    fn end(mut self) {
        self.shop.send("scanner", "WO/W-2\r\n");
        let findings = self.shop.cell.until_delivered(&mut self.shop.drops);
        assert_eq!(findings, Vec::<String>::new());
        self.shop.cell.stop();
    }
}

/// Forty parts of three features, two of them bad: the strip, the store, the files and the day's page have the same counts.
#[test]
fn a_usual_shift_has_one_count_everywhere() {
    let mut bench = Bench { shop: Shop::lasting(500), number: 0 };
    bench.shop.send("scanner", "WO/W-1\r\n");
    bench.shop.verify(&GOOD);
    for part in 0..40 {
        let (ra, d) = (if part == 16 { "0.83" } else { "0.41" }, if part == 30 { "12.013" } else { "12.003" });
        bench.part(1000 + part, [ra, "3.10", d]);
    }
    let parts = bench.rows("part");
    let bad: Vec<&str> =
        parts.iter().filter(|row| field(row, "outcome") == "nonconforming").map(|row| field(row, "serial")).collect();
    assert_eq!((parts.len(), bad), (40, vec!["1016", "1030"]));
    assert_eq!(bench.outcomes().len(), 120);
    let findings = bench.shop.cell.until_delivered(&mut bench.shop.drops);
    assert_eq!(findings, Vec::<String>::new());
    let delivered = bench.shop.drops.rows();
    let of_kind =
        |kind: &str| delivered.iter().filter(|(_, row)| row["kind"] == kind && row["mode"] == "production").count();
    assert_eq!([of_kind("reading"), of_kind("part")], [120, 40]);
    // The shift may have midnight in it.
    let days: BTreeSet<String> = parts.iter().map(|row| field(row, "received_at")[..10].to_owned()).collect();
    let pages: Vec<_> = days.iter().map(|day| bench.shop.cell.ask_json(&["digest", "--date", day]).remove(0)).collect();
    let count =
        |what: &str, outcome: &str| -> u64 { pages.iter().filter_map(|page| page[what][outcome].as_u64()).sum() };
    assert_eq!([count("pieces", "conforms"), count("pieces", "nonconforming")], [38, 2]);
    assert_eq!([count("readings", "conforms"), count("readings", "nonconforming")], [118, 2]);
    bench.end();
}

/// The tester was left at 0.25 mm: nothing passes, nothing fails, and the cause is named.
#[test]
fn a_tester_at_another_cutoff_passes_nothing() {
    let mut bench = Bench::new(true);
    for part in 0..10 {
        bench.shop.send("scanner", &format!("SN-{}\r\n", 1000 + part));
        for (quantity, value) in [("Ra", "0.41"), ("Rz", "9.5")] {
            let message = Message { cutoff: "0.25", ..bench.next(quantity, value) };
            bench.say(&message);
        }
    }
    assert_eq!(bench.outcomes(), vec!["unjudged conditions-mismatch"; 20]);
    let seq = field(bench.rows("reading").last().unwrap(), "seq").to_owned();
    let why = bench.shop.cell.ask(&["why", &seq]).stdout;
    assert!(why.contains("set otherwise: cutoff 0.25 mm, required 0.8 mm"), "{why}");
    bench.end();
}

/// Somebody changes to inches half way. Where the instrument says so, the same sizes bring the same verdicts; where its
/// numbers change and its unit does not, they are held and the factor is named.
#[test]
fn inches_half_way_flip_no_verdict() {
    let mut bench = Bench::new(true);
    bench.part(1000, ["0.508", "2.54", "12.0015"]);
    bench.shop.send("scanner", "SN-1001\r\n");
    for (quantity, value, unit) in [("Ra", "20.0", "uin"), ("Rz", "100", "uin"), ("D", "0.4725", "in")] {
        let message = Message { unit, ..bench.next(quantity, value) };
        bench.say(&message);
    }
    assert_eq!(bench.outcomes(), vec!["conforms within-limits"; 6]);
    let rows = bench.rows("reading");
    let values: Vec<&str> = rows[3..].iter().map(|row| field(row, "value")).collect();
    let equal = |one: &str, other: &str| one.trim_end_matches('0') == other.trim_end_matches('0');
    assert!(equal(values[3], "0.508") && equal(values[4], "2.54") && equal(values[5], "12.0015"), "{values:?}");
    bench.shop.send("scanner", "SN-1002\r\n");
    for (quantity, value) in [("Ra", "16.1"), ("D", "0.4725")] {
        let message = bench.next(quantity, value);
        bench.say(&message);
    }
    let held = bench.outcomes()[6..].join(", ");
    assert!(held.starts_with("unjudged implausible unit-suspect slip-39.37"), "{held}");
    assert!(held.contains(", unjudged implausible unit-suspect slip-25.4"), "{held}");
    bench.end();
}

/// Forgotten to verify: nothing is judged. A verification afterwards changes none of it, and both are told.
#[test]
fn a_later_verification_makes_nothing_good() {
    let mut bench = Bench::new(false);
    bench.part(1000, ["0.41", "3.1", "12.001"]);
    let before = bench.shop.store().results();
    bench.shop.verify(&GOOD);
    bench.part(1001, ["0.41", "3.1", "12.001"]);
    let held = "unjudged gauge-unverified";
    let good = "conforms within-limits";
    assert_eq!(bench.outcomes(), [held, held, good, good, good, good]);
    assert_eq!(bench.shop.store().results()[..before.len()], before);
    let why = bench.shop.cell.ask(&["why", field(&before[0], "seq")]).stdout;
    assert!(why.contains("gauge RT-1 after it: verification passed at"), "{why}");
    bench.end();
}

/// The send key pressed twice is one reading, and three hundred readings of the memory stay three hundred.
#[test]
fn what_was_sent_before_is_counted_once() {
    let mut bench = Bench { shop: Shop::lasting(500), number: 0 };
    bench.shop.send("scanner", "WO/W-1\r\n");
    bench.shop.verify(&GOOD);
    bench.shop.send("scanner", "SN-1000\r\n");
    let message = bench.next("Ra", "0.41");
    bench.say(&message);
    bench.say(&message);
    assert_eq!(bench.outcomes(), ["conforms within-limits"]);
    let frames = bench.shop.store().frames("tester");
    let remarks: Vec<&str> = frames.iter().rev().take(2).map(|row| field(row, "remarks")).collect();
    assert!(remarks[0].contains("repeat") && !remarks[1].contains("repeat"), "{remarks:?}");

    let dump: String = (0..300).map(|at| bench.next("Ra", &format!("0.{}", 300 + at)).text()).collect();
    for _ in 0..2 {
        bench.shop.send("tester", &dump);
        assert_eq!(bench.outcomes().len(), 301);
    }
    let raw = String::from_utf8(bench.shop.store().raw("tester")).unwrap();
    assert_eq!(raw.matches(&dump[..dump.len() - 2]).count(), 2, "the bytes of both are kept");
    bench.end();
}

/// The cable comes out behind each byte of a message; the message is sent again once it is in.
#[test]
fn a_cable_that_comes_out_at_any_byte_invents_nothing() {
    let mut bench = Bench::new(true);
    bench.shop.send("scanner", "SN-1000\r\n");
    let text = bench.next("Rz", "3.105").text();
    let mut seen = 0;
    for cut in 1..text.len() {
        let message = bench.next("Rz", &format!("3.{:03}", 105 + cut));
        bench.shop.cut(&message.text()[..cut]);
        if cut % 9 == 0 {
            bench.shop.crash();
        }
        bench.say(&message);
        seen += 1;
        let rows = bench.rows("reading");
        let last = rows.iter().rfind(|row| field(row, "station") == "tester").unwrap();
        assert_eq!(field(last, "value"), message.value);
        assert_eq!(bench.outcomes().len(), seen, "cut behind byte {cut}");
    }
    let values: BTreeSet<String> =
        bench.rows("reading").iter().map(|row| field(row, "value_as_sent").to_owned()).collect();
    assert_eq!(values.len(), seen + GOOD.len());
    bench.end();
}

/// An instrument that nobody has seen: its bytes are kept from the first one on. A definition is written against them a day
/// later, and they become readings with their own time and in their own order.
#[test]
fn a_new_instrument_is_captured_first_and_read_later() {
    let define = |cell: &Cell, pattern: &str| {
        let framing = "[framing]\nkind = \"lines\"\n";
        cell.instrument("new", &format!("[instrument]\nname = \"new\"\n{framing}[[line]]\npattern = '{pattern}'\n"));
    };
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    define(&cell, r"(?<quantity>Ra) never (?<value>\d+) (?<unit>um)");
    let mut line: Line = cell.port("new", "new", "G-1");
    cell.sink("mes", "reading");
    cell.configure();
    let mut drops = cell.drops("mes");
    cell.start_listening(&[&line]);
    let sent = ["~01 AR:0,41~", "~02 AR:0,39~", "~03 AR:1,02~"];
    for (at, text) in sent.iter().enumerate() {
        line.send(format!("{text}\r\n").as_bytes());
        cell.until("its frame", |cell| (cell.store().frames("new").len() > at).then_some(()));
    }
    assert_eq!(cell.store().results(), vec![], "nothing is guessed");
    let times = cell.store().query("SELECT received_at FROM transmission ORDER BY id", []);
    // The last line feed is kept with what comes next.
    assert_eq!(String::from_utf8(cell.store().raw("new")).unwrap().trim_end(), sent.join("\r\n"));
    define(&cell, r"~(?<number>\d+) AR:(?<value>\d+,\d+)~");
    let path = cell.path("cell/instruments/new.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let reading = "[numbers]\ndecimal = \",\"\n[reading]\nquantity = \"Ra\"\nunit = \"µm\"\n";
    std::fs::write(&path, format!("{text}{reading}")).unwrap();
    cell.until("the new definition", |cell| {
        let told = cell.ask_json(&["replay", "--station", "new"]).remove(0);
        (told["new"] == 3).then_some(())
    });
    let rows = cell.store().results();
    let values: Vec<&str> = rows.iter().map(|row| field(row, "value")).collect();
    assert_eq!(values, ["0.41", "0.39", "1.02"]);
    for (row, time) in rows.iter().zip(&times) {
        assert_eq!(field(row, "received_at"), field(time, "received_at"));
    }
    assert_eq!(cell.until_delivered(&mut drops), Vec::<String>::new());
    cell.stop();
}
