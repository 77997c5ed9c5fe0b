//! The store as a whole: what a transaction writes, what a restart finds again, what a repeat does not change.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that can't go on should stop")]

mod chain;
mod labels;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use ridgepost_config::Station;
use ridgepost_parsers::Tick;

use super::query::{self, Filter};
use super::record::{Burst, Heard};
use super::weaken::Weakened;
use super::writer::{self, Outfit};
use super::{Answer, FIELDS, FileBegin, JobCommand, PenFault, Provenance, Taken, Tally, What, open_for_reading};
use crate::cell::Cell;
use crate::clock::Clock;

const CELL: &str = r#"
[cell]
name = "bench"
time_zone = "Europe/Zurich"
[store]
path = "store.db"
[[station]]
name = "tester"
instrument = "numbered"
gauge = "RT-1"
port = { path = "tester", baud = 9600 }
[[sink]]
name = "each"
csv = { folder = "each", per = "reading" }
[[sink]]
name = "piece"
csv = { folder = "pieces", per = "piece", kinds = ["reading", "part"] }
[[sink]]
name = "job"
csv = { folder = "jobs", per = "job", kinds = ["verdict"] }
"#;

const GAUGES: &str = r#"
[[gauge]]
id = "RT-1"
kind = "stylus"
settings = { cutoff = "0.8 mm", sections = 5 }
verified = { on = "2020-01-01", source = "test" }
"#;

const JOB: &str = r#"
[job]
id = "J1"
part_number = "P"
revision = "A"
operation = "10"
edition = "ISO 21920"
[[characteristic]]
balloon = "1"
feature = "face"
quantity = "Ra"
upper = "0.8 µm"
rule = "max"
[[characteristic]]
balloon = "2"
feature = "face"
quantity = "Rz"
upper = "6.3 µm"
rule = "max"
"#;

const NUMBERED: &str = r#"
[instrument]
name = "numbered"
[framing]
kind = "lines"
[[line]]
pattern = '(?<number>\d+) (?<quantity>R[az]) (?<value>[0-9.]+) (?<unit>um)'
[reading]
unique_by = ["number"]
"#;

/// A store of its own, with a writer that can be ended and started again.
struct Bench {
    folder: tempfile::TempDir,
    sent: u64,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let files =
            [("cell.toml", CELL), ("gauges.toml", GAUGES), ("jobs/j1.toml", JOB), ("instruments/n.toml", NUMBERED)];
        for (name, text) in files {
            let file = folder.path().join(name);
            std::fs::create_dir_all(file.parent().unwrap()).unwrap();
            std::fs::write(file, text).unwrap();
        }
        Bench { folder, sent: 0 }
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    fn write(&mut self, whats: impl IntoIterator<Item = What>) -> Vec<Answer> {
        self.answers(whats).into_iter().map(Result::unwrap).collect()
    }

    fn answers(&mut self, whats: impl IntoIterator<Item = What>) -> Vec<Result<Answer, PenFault>> {
        let cell = Arc::new(Cell::load(self.path()).unwrap());
        assert_eq!(cell.faults, []);
        let (pen, thread) = writer::start(self.outfit(cell)).unwrap();
        let answers = whats.into_iter().map(|what| pen.ask_blocking(what)).collect();
        drop(pen);
        thread.join().unwrap();
        answers
    }

    fn outfit(&self, cell: Arc<Cell>) -> Outfit {
        Outfit {
            path: cell.plan.store.clone(),
            clock: Clock::new(cell.plan.cell.time_zone.clone()),
            cell,
            nudges: Vec::new(),
            fatal: Arc::new(|_, text| panic!("{text}")),
            found: super::damage::Found::default(),
            health: Arc::default(),
            weakened: Weakened::No,
        }
    }

    fn station(&self) -> Arc<Station> {
        Arc::new(Cell::load(self.path()).unwrap().plan.stations[0].clone())
    }

    fn burst(&mut self, text: &str) -> What {
        self.sent += 1;
        self.burst_from(text, self.sent)
    }

    fn burst_from(&self, text: &str, origin: u64) -> What {
        let station = self.station();
        let mut framer = station.instrument.framer();
        framer.push(text.as_bytes(), Tick(0));
        let frame = framer.poll().unwrap();
        let decoded = station.instrument.decoder().decode(&frame);
        let received = Clock::new(jiff::tz::TimeZone::UTC).stamp();
        let heard = Heard { number: 1, frame, decoded };
        What::Bursts(vec![Burst {
            origin: format!("test {origin}"),
            station,
            source: "tester".into(),
            received,
            heard,
        }])
    }

    /// A file with these bytes, small enough for one request.
    fn file(&mut self, name: &str, bytes: &[u8]) -> What {
        self.sent += 1;
        let station = self.station();
        let (mut framer, mut decoder) = (station.instrument.framer(), station.instrument.decoder());
        framer.push(bytes, Tick(0));
        let frames = std::iter::from_fn(|| framer.poll().or_else(|| framer.finish()));
        let frames = frames.zip(1..).map(|(frame, number)| {
            let decoded = decoder.decode(&frame);
            Heard { number, frame, decoded }
        });
        let frames = frames.collect();
        What::FileBegin(Box::new(FileBegin {
            origin: format!("file {}", self.sent),
            station,
            name: name.to_owned(),
            fingerprint: bytes.len().to_string(),
            sha256: super::sha256(bytes),
            received: Clock::new(jiff::tz::TimeZone::UTC).stamp(),
            raw: bytes.to_vec().into(),
            taken: Taken::Live,
            frames,
            last: true,
        }))
    }

    /// Chosen fields of all results, in order.
    fn rows(&self, names: &[&str]) -> Vec<String> {
        let connection = open_for_reading(&self.path().join("store.db")).unwrap();
        let mut rows = Vec::new();
        query::results(&connection, &Filter::default(), |cells| {
            let cell = |name: &&str| cells[super::fields::position(name).unwrap()].clone().unwrap_or_default();
            rows.push(names.iter().map(cell).collect::<Vec<_>>().join(" "));
            Ok(())
        })
        .unwrap();
        rows
    }

    /// Parcels of a sink: state and the numbers of their rows.
    fn parcels(&self, sink: &str) -> Vec<String> {
        let connection = open_for_reading(&self.path().join("store.db")).unwrap();
        let sql = "SELECT p.state || ' ' || group_concat(o.seq, ',') AS text FROM parcel AS p \
                   JOIN outbox AS o ON o.parcel = p.id WHERE p.sink = ?1 GROUP BY p.id ORDER BY p.id";
        query::objects(&connection, sql, &[&sink])
            .unwrap()
            .iter()
            .map(|row| row["text"].as_str().unwrap().to_owned())
            .collect()
    }
}

fn tally(answer: &Answer) -> Tally {
    super::answered_tally(answer)
}

fn open() -> What {
    What::Job(JobCommand::Open("J1".into()))
}

#[test]
fn the_view_the_list_and_the_configuration_name_the_same_fields() {
    let mut bench = Bench::new();
    bench.write([]);
    let connection = open_for_reading(&bench.path().join("store.db")).unwrap();
    let statement = connection.prepare("SELECT * FROM results").unwrap();
    let view: Vec<&str> = statement.column_names().collect();
    let list: Vec<&str> = FIELDS.iter().map(|(name, _)| *name).collect();
    assert_eq!(view, list);
    assert_eq!(list, ridgepost_config::FIELDS);
}

#[test]
fn the_same_origin_twice_is_one_transmission() {
    let mut bench = Bench::new();
    let (one, again) = (bench.burst_from("1 Ra 0.412 um\r", 7), bench.burst_from("1 Ra 0.412 um\r", 7));
    let answers = bench.write([one, again]);
    assert_eq!((tally(&answers[0]).new, tally(&answers[1])), (1, Tally::default()));
    assert_eq!(bench.rows(&["kind", "value", "reasons"]), ["reading 0.412 no-job"]);
}

#[test]
fn an_identity_seen_before_is_noted_and_not_counted_and_an_equal_value_is_another_measurement() {
    let mut bench = Bench::new();
    let bursts: Vec<What> = ["1 Ra 0.412 um\r", "2 Ra 0.412 um\r", "1 Ra 0.412 um\r", "1 Ra 0.413 um\r"]
        .map(|text| bench.burst(text))
        .into();
    let tallies: Vec<(u64, u64)> =
        bench.write(bursts).iter().map(|answer| (tally(answer).new, tally(answer).seen)).collect();
    assert_eq!(tallies, [(1, 0), (1, 0), (0, 1), (1, 0)]);
    assert_eq!(bench.rows(&["value", "transmission"]), ["0.412 1", "0.412 2", "0.413 4"]);
}

#[test]
fn a_piece_begun_before_a_restart_is_ended_after_it() {
    let mut bench = Bench::new();
    let (ra, rz) = (bench.burst("1 Ra 0.412 um\r"), bench.burst("2 Rz 2.870 um\r"));
    bench.write([open(), ra]);
    bench.write([rz]);
    let expected = [
        "reading 1 1 conforms",
        "verdict 1 1 conforms",
        "reading 1 2 conforms",
        "verdict 1 2 conforms",
        "part 1  conforms",
    ];
    assert_eq!(bench.rows(&["kind", "piece", "balloon", "outcome"]), expected);
}

#[test]
fn an_open_job_stays_as_it_was_opened_when_its_file_changes_or_goes() {
    let mut bench = Bench::new();
    bench.write([open()]);
    std::fs::write(bench.path().join("jobs/j1.toml"), JOB.replace("0.8 µm", "0.1 µm")).unwrap();
    let burst = bench.burst("1 Ra 0.412 um\r");
    bench.write([burst]);
    std::fs::remove_file(bench.path().join("jobs/j1.toml")).unwrap();
    let burst = bench.burst("2 Rz 2.870 um\r");
    bench.write([burst]);
    let rows = bench.rows(&["kind", "outcome", "upper"]);
    assert_eq!(
        rows,
        [
            "reading conforms 0.8",
            "verdict conforms 0.8",
            "reading conforms 6.3",
            "verdict conforms 6.3",
            "part conforms "
        ]
    );
}

#[test]
fn next_names_what_was_not_measured_and_pieces_count_on() {
    let mut bench = Bench::new();
    let (one, two) = (bench.burst("1 Ra 0.412 um\r"), bench.burst("2 Ra 0.900 um\r"));
    let next = || What::Job(JobCommand::Next);
    let answers = bench.write([next(), open(), next(), one, next(), two, What::Job(JobCommand::Close), next()]);
    let refused: Vec<bool> = answers.iter().map(|answer| matches!(answer, Answer::Job(Err(_)))).collect();
    assert_eq!(refused, [true, false, true, false, false, false, false, true]);
    let parts: Vec<String> = bench
        .rows(&["kind", "piece", "outcome", "reasons"])
        .into_iter()
        .filter(|row| row.starts_with("part"))
        .collect();
    assert_eq!(parts, ["part 1 unjudged missing:2", "part 2 nonconforming above-upper missing:2"]);
}

#[test]
fn every_row_travels_in_one_parcel_of_every_sink_that_wants_it() {
    let mut bench = Bench::new();
    let bursts: Vec<What> =
        ["1 Ra 0.412 um\r", "2 Ra 0.5 um\r", "3 Rz 2.9 um\r", "4 Ra 0.6 um\r"].map(|text| bench.burst(text)).into();
    let mut bursts = bursts.into_iter();
    let (stray, rest) = (bursts.next().unwrap(), bursts);
    bench.write([stray, open()].into_iter().chain(rest));
    // 1 without a job; 2-6 the first piece (reading, verdict, reading, verdict, part); 7-8 the second one.
    assert_eq!(bench.parcels("each"), ["due 1", "due 2,3", "due 4,5,6", "due 7,8"]);
    assert_eq!(bench.parcels("piece"), ["due 1", "due 2,4,6", "filling 7"]);
    assert_eq!(bench.parcels("job"), ["filling 3,5,8"]);
    bench.write([What::Job(JobCommand::Close)]);
    assert_eq!(bench.parcels("piece"), ["due 1", "due 2,4,6", "due 7,9"]);
    assert_eq!(bench.parcels("job"), ["due 3,5,8"]);
}

#[test]
fn a_full_file_goes_out_and_the_next_one_begins() {
    let mut bench = Bench::new();
    let cell = CELL.replace("per = \"job\", kinds = [\"verdict\"]", "per = \"job\", rows_max = 3");
    std::fs::write(bench.path().join("cell.toml"), cell).unwrap();
    let first: Vec<What> = ["1 Ra 0.412 um\r", "2 Rz 2.9 um\r"].map(|text| bench.burst(text)).into();
    bench.write([open()].into_iter().chain(first));
    assert_eq!(bench.parcels("job"), ["due 1,2,3", "filling 4,5"]);
    // A later start goes on counting where the store says that the file stands.
    let next = bench.burst("3 Ra 0.5 um\r");
    bench.write([next]);
    assert_eq!(bench.parcels("job"), ["due 1,2,3", "due 4,5,6", "filling 7"]);
    bench.write([What::Job(JobCommand::Close)]);
    assert_eq!(bench.parcels("job"), ["due 1,2,3", "due 4,5,6", "due 7,8"]);
}

#[test]
fn frames_behind_refused_ones_are_refused_too() {
    let mut bench = Bench::new();
    let What::FileBegin(mut begin) = bench.file("x.txt", b"1 Ra 0.4 um\r2 Ra 0.5 um\r3 Ra 0.6 um\r") else { panic!() };
    let rest = begin.frames.split_off(1);
    begin.last = false;
    let station = Arc::clone(&begin.station);
    let received = begin.received.clone();
    let from = Provenance { transmission: 1, station, received, taken: Taken::Live, place: Arc::default() };
    let ask = |after, frames: &[Heard], last| What::FileFrames {
        file: 1,
        from: from.clone(),
        after,
        frames: frames.to_vec(),
        last,
    };
    // The writer refuses the last frame as long as the one before it is not there, and takes them in order.
    let answers = bench.answers([What::FileBegin(begin), ask(2, &rest[1..], true)]);
    assert!(answers[0].is_ok() && answers[1].is_err(), "{answers:?}");
    assert_eq!(bench.rows(&["value"]), ["0.4"]);
    bench.write([ask(1, &rest[..1], false), ask(2, &rest[1..], true)]);
    assert_eq!(bench.rows(&["value"]), ["0.4", "0.5", "0.6"]);
}

#[test]
fn a_gap_lasts_from_the_last_sign_of_life_until_a_station_listens() {
    let mut bench = Bench::new();
    let started = || What::Started(vec!["tester".into()]);
    bench.write([started(), What::Listening("tester".into())]);
    bench.write([started()]);
    let gaps = |bench: &Bench| {
        let connection = open_for_reading(&bench.path().join("store.db")).unwrap();
        query::gaps(&connection, 9).unwrap()
    };
    assert_eq!(gaps(&bench).len(), 1, "the first start of a store leaves no gap");
    assert!(gaps(&bench)[0]["until_at"].is_null());
    bench.write([What::Listening("tester".into())]);
    assert!(gaps(&bench)[0]["until_at"].is_string());
}

#[test]
fn a_store_of_a_later_version_is_refused() {
    let mut bench = Bench::new();
    bench.write([]);
    let store = bench.path().join("store.db");
    rusqlite::Connection::open(&store).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let cell = Arc::new(Cell::load(bench.path()).unwrap());
    let refused = writer::once(cell, What::Alive).unwrap_err().to_string();
    assert!(refused.contains("later version"), "{refused}");
}

/// An outside check of the numbering: sequence numbers rise by one and ids are unique, whatever is refused between.
#[test]
fn numbers_rise_without_a_hole() {
    let mut bench = Bench::new();
    let mut whats = vec![open()];
    for number in 0..40 {
        let quantity = if number % 3 == 0 { "Rz" } else { "Ra" };
        whats.push(bench.burst(&format!("{} {quantity} 0.{number} um\r", number % 30)));
        if number % 7 == 0 {
            whats.push(What::Job(JobCommand::Open("no such job".into())));
        }
    }
    bench.write(whats);
    let rows = bench.rows(&["seq", "result_id"]);
    let ids: BTreeMap<String, usize> =
        rows.iter().map(|row| row.split(' ').nth(1).unwrap().to_owned()).zip(0..).collect();
    assert_eq!(ids.len(), rows.len());
    for (at, row) in rows.iter().enumerate() {
        assert_eq!(row.split(' ').next().unwrap(), (at + 1).to_string());
    }
}

/// The gaps of a store, oldest first: how the cause begins, and whether it is over.
fn gaps(bench: &Bench) -> Vec<(String, bool)> {
    let connection = open_for_reading(&bench.path().join("store.db")).unwrap();
    let mut gaps = query::gaps(&connection, 99).unwrap();
    gaps.reverse();
    let start = |gap: &serde_json::Value| gap["cause"].as_str().unwrap().chars().take(8).collect();
    gaps.iter().map(|gap| (start(gap), !gap["until_at"].is_null())).collect()
}

/// Transmissions that are kept, frames that are rejected among them, events.
fn kept(bench: &Bench) -> (i64, i64, i64) {
    let connection = open_for_reading(&bench.path().join("store.db")).unwrap();
    let count = |sql: &str| connection.query_row(sql, [], |row| row.get(0)).unwrap();
    (
        count("SELECT count(*) FROM transmission"),
        count("SELECT count(*) FROM frame WHERE outcome <> 'accepted'"),
        count("SELECT count(*) FROM event WHERE code = 'babbles'"),
    )
}

#[test]
fn a_port_that_babbles_is_capped_counted_and_reported_as_a_gap_over_restarts() {
    let mut bench = Bench::new();
    std::fs::write(bench.path().join("cell.toml"), format!("{CELL}[watch]\nrejects_per_day = 3\n")).unwrap();
    let noise = |bench: &mut Bench, count: usize| (0..count).map(|_| bench.burst("~~~~\r")).collect::<Vec<_>>();
    let two = noise(&mut bench, 2);
    bench.write(two);
    assert_eq!((kept(&bench), gaps(&bench)), ((2, 2, 0), vec![]));
    // A restart does not begin anew: one more is kept, the rest is counted.
    let five = noise(&mut bench, 5);
    let told: Vec<(u64, u64)> =
        bench.write(five).iter().map(|answer| (tally(answer).rejected, tally(answer).not_kept)).collect();
    assert_eq!(told, [(1, 0), (1, 1), (1, 1), (1, 1), (1, 1)]);
    assert_eq!((kept(&bench), gaps(&bench)), ((3, 3, 1), vec![("babbles:".into(), false)]));
    let more = noise(&mut bench, 2);
    bench.write(more);
    assert_eq!((kept(&bench), gaps(&bench).len()), ((3, 3, 1), 1), "told once, one gap");
    // What can be read is always kept, and ends the gap.
    let reading = bench.burst("1 Ra 0.412 um\r");
    let tallies = bench.write([reading]);
    assert_eq!((tally(&tallies[0]).new, tally(&tallies[0]).not_kept), (1, 0));
    assert_eq!((kept(&bench), gaps(&bench)), ((4, 3, 1), vec![("babbles:".into(), true)]));
    // The amount is one of the day.
    let more = noise(&mut bench, 1);
    bench.write(more);
    assert_eq!(gaps(&bench), [("babbles:".into(), true), ("babbles:".into(), false)]);
    let connection = open_for_reading(&bench.path().join("store.db")).unwrap();
    let sql = "SELECT kept || ' ' || dropped || ' ' || bytes FROM babble";
    let counted: String = connection.query_row(sql, [], |row| row.get(0)).unwrap();
    assert_eq!(counted, "3 7 35", "seven times five bytes");
}

#[test]
fn a_gap_by_babbling_and_a_lost_port_do_not_hide_each_other() {
    let mut bench = Bench::new();
    std::fs::write(bench.path().join("cell.toml"), format!("{CELL}[watch]\nrejects_per_day = 1\n")).unwrap();
    let (one, two) = (bench.burst("~~\r"), bench.burst("~~\r"));
    let since = Clock::new(jiff::tz::TimeZone::UTC).stamp();
    let deaf = What::Deaf { station: "tester".into(), cause: "the device hung up".into(), since };
    bench.write([one, two, deaf, What::Listening("tester".into())]);
    assert_eq!(gaps(&bench), [("babbles:".into(), false), ("the devi".into(), true)]);
}

#[test]
fn a_gap_by_babbling_ends_at_midnight() {
    let mut bench = Bench::new();
    bench.write([]);
    let store = rusqlite::Connection::open(bench.path().join("store.db")).unwrap();
    // 2026-03-28 10:00 in Zurich; the night that follows is the one when clocks go forward.
    let from = "INSERT INTO coverage (station, cause, from_at, from_us) VALUES \
                ('tester', 'babbles: more than 3', '2026-03-28T10:00:00.000+01:00', 1774688400000000)";
    store.execute(from, []).unwrap();
    bench.write([What::Alive]);
    let until: String = store.query_row("SELECT until_at FROM coverage", [], |row| row.get(0)).unwrap();
    assert_eq!(until, "2026-03-29T00:00:00.000+01:00");
}

#[test]
fn a_store_of_the_first_version_is_brought_up_to_date() {
    let mut bench = Bench::new();
    let store = rusqlite::Connection::open(bench.path().join("store.db")).unwrap();
    store.execute_batch(include_str!("schema-1.sql")).unwrap();
    store.pragma_update(None, "user_version", 1).unwrap();
    store
        .execute_batch(
            "UPDATE fact SET value = 'abc' WHERE key = 'store_id';
             INSERT INTO wording VALUES ('h', 'definition', 'd', '');
             INSERT INTO transmission (id, origin, station, source, received_at, received_us, monotonic_ms, clock_synced,
                 definition, sha256, raw) VALUES (1, 'o', 'tester', '', 't', 5, 0, 1, 'h', 'x', x'414243');
             INSERT INTO frame (transmission, number, start, bytes, outcome, remarks, report)
                 VALUES (1, 1, 0, 3, 'accepted', 'unprotected', '{}');
             INSERT INTO result (seq, result_id, kind, received_at, received_us, clock_synced, cell, value, upper, outcome,
                 reasons, transmission, frame, field, program_version) VALUES
                 (1, 'abc-1', 'reading', 't', 5, 1, 'c', '0.1', NULL, NULL, 'no-job', 1, 1, 0, '0'),
                 (2, 'abc-2', 'verdict', 't', 5, 1, 'c', '0.1', '0.8', 'conforms', 'within-limits', 1, 1, 0, '0'),
                 (3, 'abc-3', 'reading', 't', 6, 1, 'c', '0.3', NULL, NULL, 'no-job', 1, 1, 1, '0'),
                 (5, 'abc-5', 'reading', 't', 7, 0, 'c', '0.5', '', NULL, 'no-job', 1, 1, 2, '0');
             INSERT INTO result (seq, result_id, kind, received_at, received_us, clock_synced, cell, outcome, reasons,
                 supersedes, program_version) VALUES
                 (7, 'abc-7', 'correction', 't', 7, 0, 'c', 'unjudged', 'stored-reading', 'abc-5', '0'),
                 (8, 'abc-8', 'correction', 't', 7, 0, 'c', 'unjudged', 'voided', 'abc-7', '0'),
                 (9, 'abc-9', 'correction', 't', 7, 0, 'c', 'unjudged', 'voided', 'xyz-1', '0');
             INSERT INTO identity VALUES ('g', 'k', 3);
             INSERT INTO parcel (id, sink, name, state) VALUES (1, 'each', '1', 'due'), (2, 'each', '2', 'delivered');
             INSERT INTO outbox VALUES ('each', 1, 1), ('each', 2, 1), ('each', 3, 2), ('each', 5, 1);",
        )
        .unwrap();
    let all = |sql: &str| -> Vec<String> {
        let mut statement = store.prepare(sql).unwrap();
        statement.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
    };
    let results = "SELECT concat_ws('|', result_id, seq, kind, received_at, clock_synced, cell, value, upper IS NULL, upper, \
                   outcome, reasons, transmission) FROM results WHERE seq < 6 ORDER BY seq";
    let outbox = "SELECT concat_ws(' ', sink, seq, parcel) FROM outbox WHERE seq < 6 ORDER BY seq";
    let before =
        (all(results), all(outbox), all("SELECT concat_ws(' ', number, start, bytes, outcome, remarks) FROM frame"));
    assert_eq!((before.0.len(), before.1.len(), before.2.len()), (4, 4, 1));
    let reading = bench.burst("1 Ra 0.412 um\r");
    bench.write([reading]);
    assert_eq!(bench.rows(&["seq", "value"]).last().unwrap(), "10 0.412");
    let roots = "SELECT concat_ws(' ', seq, root) FROM result WHERE supersedes IS NOT NULL ORDER BY seq";
    assert_eq!(all(roots), ["7 5", "8 5", "9"]);
    let frames = "SELECT concat_ws(' ', number, start, bytes, outcome, remarks) FROM frame WHERE transmission = 1";
    assert_eq!((all(results), all(outbox), all(frames)), before);
    let version: u32 = store.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
    assert_eq!(version, 7);
}

/// An exporter that adds rows to one file, seen at every length: every row is one reading, whatever was cut when.
#[test]
fn a_file_that_grows_is_read_on_and_never_doubled() {
    let rows: Vec<String> = (1..=9).map(|number| format!("{number} Ra 0.{number}00 um\r\n")).collect();
    let whole = rows.concat();
    for step in [1, 3, 7, 16, 17, 40] {
        let mut bench = Bench::new();
        let text = NUMBERED.replace("unique_by = [\"number\"]", "").replace("\"lines\"", "\"rows\"");
        std::fs::write(bench.path().join("instruments/n.toml"), text).unwrap();
        let lengths = (step..whole.len()).step_by(step).chain([whole.len()]);
        let whats: Vec<What> = lengths.map(|length| bench.file("x.csv", &whole.as_bytes()[..length])).collect();
        bench.write(whats);
        let values = bench.rows(&["value"]);
        let expected: Vec<String> = (1..=9).map(|number| format!("0.{number}00")).collect();
        assert_eq!(values, expected, "in steps of {step}");
    }
}

/// A crash in the middle of a file, and the file has another name or time when the next run finds it.
#[test]
fn a_file_begun_under_another_name_is_read_on_where_it_was_left() {
    let rows: String = (1..=6).map(|number| format!("{number} Ra 0.{number}00 um\r\n")).collect();
    let mut bench = Bench::new();
    let text = NUMBERED.replace("unique_by = [\"number\"]", "").replace("\"lines\"", "\"rows\"");
    std::fs::write(bench.path().join("instruments/n.toml"), text).unwrap();
    let (begun, whole) = (bench.file("y.csv", rows.as_bytes()), bench.file("renamed.csv", rows.as_bytes()));
    let (What::FileBegin(mut begun), What::FileBegin(whole)) = (begun, whole) else { panic!("not files") };
    begun.frames.truncate(2);
    begun.last = false;
    let answers = bench.write([What::FileBegin(begun), What::FileBegin(whole)]);
    let Answer::File(state, _) = &answers[1] else { panic!("{answers:?}") };
    assert_eq!(*state, super::FileState::Begun { file: 1, transmission: 1, done: 2 });
    assert_eq!(bench.rows(&["value"]), ["0.100", "0.200"]);
}
