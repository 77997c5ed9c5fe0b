//! The daemon is watched from outside: metrics, the sign of life, the digest of a day, a disk that fills, a port that
//! babbles.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::time::Duration;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments;
use ridgepost_tests::oracle::field;
use ridgepost_tests::patience::within;
use ridgepost_tests::pty::Line;
use ridgepost_tests::tester::Bench;
use serde_json::Value;

/// A cell with one port, watched as `lines` say.
fn watched(lines: &str) -> (Cell, Line) {
    let (cell, line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    watch(&cell, lines);
    (cell, line)
}

/// Puts `lines` in place of the watch table.
fn watch(cell: &Cell, lines: &str) {
    let text = fs::read_to_string(cell.path("cell/cell.toml")).unwrap();
    let rest = text.split("[watch]").next().unwrap();
    cell.write("cell.toml", &format!("{rest}[watch]\n{lines}\n"));
}

/// An address that nobody listens at.
fn free_address() -> SocketAddr {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

/// What is told at an address, if somebody tells.
fn asked(at: SocketAddr) -> Option<String> {
    let mut stream = TcpStream::connect(at).ok()?;
    stream.write_all(b"GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n").ok()?;
    let mut said = String::new();
    stream.read_to_string(&mut said).ok()?;
    said.split_once("\r\n\r\n").map(|(_, body)| body.to_owned())
}

/// A sample by its name and labels as they are written.
fn sample(metrics: &str, name: &str) -> Option<f64> {
    metrics.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' ')?.parse().ok())
}

fn heartbeat(path: &Path) -> Option<Value> {
    // Whole at any moment: a file that is there can be read.
    fs::read_to_string(path).ok().map(|text| serde_json::from_str(&text).expect("a whole object"))
}

#[test]
fn metrics_are_told_on_loopback_as_long_as_the_configuration_says_so() {
    let at = free_address();
    let (mut cell, mut line) = watched(&format!("metrics = {{ listen = \"{at}\" }}"));
    cell.start_listening(&[&line]);
    for number in 1..=3 {
        line.send(&instruments::counted(number));
    }
    line.send(b"N=000004;P=Ra;V=0.004;U=um*00\r\n");
    cell.until_recorded("a", 3);
    let metrics = cell.until("four frames in the metrics", |_| {
        let metrics = asked(at)?;
        let of = |name: &str| sample(&metrics, &format!("ridgepost_{name}{{station=\"a\"}}"));
        (of("readings_total")? + of("rejects_total")? > 3.5).then_some(metrics)
    });
    for (name, expected) in [
        ("readings_total{station=\"a\"}", 3.0),
        ("rejects_total{station=\"a\"}", 1.0),
        ("station_state{station=\"a\",state=\"listening\"}", 1.0),
        ("results_total", 3.0),
        ("store_trouble", 0.0),
        ("troubles", 0.0),
    ] {
        let found = sample(&metrics, &format!("ridgepost_{name}")).unwrap_or_else(|| panic!("{name}:\n{metrics}"));
        assert!((found - expected).abs() < 1e-9, "{name}: {found}");
    }
    assert!(sample(&metrics, "ridgepost_store_commit_age_seconds").unwrap() < 30.0);
    watch(&cell, "");
    cell.until("nobody to listen there", |_| TcpStream::connect(at).is_err().then_some(()));
}

#[test]
fn the_heartbeat_moves_says_what_is_the_matter_and_ends_with_the_daemon() {
    let (mut cell, mut line) = watched("");
    let file = cell.path("run/alive.json");
    watch(&cell, &format!("heartbeat = {{ file = \"{}\", every_s = 1 }}", file.display()));
    cell.start_listening(&[&line]);
    let first = cell.until("a heartbeat that is well", |_| heartbeat(&file).filter(|beat| beat["state"] == "ok"));
    assert_eq!((&first["cell"], &first["seq"]), (&Value::from("rig"), &Value::from(0)));
    line.send(&instruments::counted(1));
    let later = cell.until("the reading", |_| heartbeat(&file).filter(|beat| beat["seq"] == 1));
    assert_ne!(first["at"], later["at"]);
    line.unplug();
    let ill = cell.until("the lost port", |_| heartbeat(&file).filter(|beat| beat["state"] == "trouble"));
    assert!(ill["causes"][0].as_str().unwrap().starts_with("station a is deaf: "), "{ill}");
    cell.stop();
    let last = heartbeat(&file).unwrap();
    assert_eq!((&last["state"], &last["causes"][0]), (&"trouble".into(), &"the daemon was stopped".into()));
}

#[test]
fn yesterday_s_digest_is_written_once_and_printed_the_same() {
    let (mut cell, line) = watched("");
    let folder = cell.path("digests");
    watch(&cell, &format!("digest = {{ folder = \"{}\", at = \"00:00\" }}", folder.display()));
    cell.start_listening(&[&line]);
    cell.until_logged("digests is not there");
    let trouble = |cell: &Cell| cell.ask_json(&["status"])[0]["daemon"]["troubles"].clone();
    assert_eq!(trouble(&cell)[0]["code"], "digest", "the folder is not there: told, and tried again");
    cell.stop();
    fs::create_dir(&folder).unwrap();
    cell.start_listening(&[&line]);
    let path = cell.until("the digest", |_| {
        let path = fs::read_dir(&folder).ok()?.next()?.ok()?.path();
        (path.extension()? == "txt").then_some(path)
    });
    let name = path.file_name().unwrap().to_string_lossy().into_owned();
    let day = name.strip_prefix("digest-").and_then(|name| name.strip_suffix(".txt")).expect("its name").to_owned();
    let written = fs::read_to_string(&path).unwrap();
    let printed = cell.ask(&["digest", "--date", &day]).stdout;
    let counts = |text: &str| text.lines().take(8).map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(counts(&written), counts(&printed));
    assert!(written.starts_with(&format!("rig on {day}\n")), "{written}");
    // Fetched by somebody, it is not written again.
    cell.until("that it is remembered", |cell| {
        let store = cell.store().query("SELECT value FROM fact WHERE key = 'digest'", []);
        store.first().filter(|row| field(row, "value") == day).map(|_| ())
    });
    fs::remove_file(&path).unwrap();
    cell.stop();
    cell.start_listening(&[&line]);
    std::thread::sleep(std::time::Duration::from_secs(2));
    assert_eq!(fs::read_dir(&folder).unwrap().count(), 0);
}

#[test]
fn a_disk_that_fills_is_told_once_and_so_is_its_end() {
    let (mut cell, line) = watched("");
    let file = cell.path("run/m.prom");
    let metrics = format!("metrics = {{ file = \"{}\" }}\n", file.display());
    watch(&cell, &format!("{metrics}free_mib_warn = 1000000000"));
    cell.start_listening(&[&line]);
    cell.until_logged("low-space");
    let status = cell.until("the status", |cell| {
        let said = cell.ask(&["status"]).stdout;
        said.contains("low-space: ").then_some(said)
    });
    assert!(status.contains("make room"), "{status}");
    cell.until("an event", |cell| {
        (cell.store().query("SELECT 1 AS one FROM event WHERE code = 'low-space'", []).len() == 1).then_some(())
    });
    let low = |file: &Path| sample(&fs::read_to_string(file).ok()?, "ridgepost_low_space");
    cell.until("the metrics", |_| low(&file).filter(|low| *low > 0.5));
    watch(&cell, &format!("{metrics}free_mib_warn = 0"));
    cell.until_logged("well again after");
    cell.until("the end in the metrics", |_| low(&file).filter(|low| *low < 0.5));
    let told = cell.log().lines().filter(|line| line.contains("low-space") && line.contains("WARN")).count();
    assert_eq!(told, 1, "{}", cell.log());
}

#[test]
fn a_port_that_babbles_is_capped_counted_and_reported() {
    let (mut cell, mut line) = watched("rejects_per_day = 5");
    cell.start_listening(&[&line]);
    for _ in 0..40 {
        line.send(b"~~~~~~~~\r\n");
    }
    let rejected = |cell: &Cell| cell.ask_json(&["status"])[0]["daemon"]["stations"]["a"]["rejected"].as_u64();
    cell.until("forty rejects", |cell| rejected(cell).filter(|count| *count == 40).map(|_| ()));
    assert_eq!(cell.store().frames("a").len(), 5, "five frames are kept");
    assert!(cell.store().raw("a").len() <= 50, "and no byte of the others");
    let digest = cell.ask_json(&["digest"]).remove(0);
    assert_eq!((&digest["rejects_not_kept"]["a"], digest["gaps"]["a"]["count"].as_u64()), (&35.into(), Some(1)));
    assert!(cell.ask(&["status"]).stdout.contains("babbles: more than 5 rejected frames today"));
    // A reading among it is a reading.
    line.send(&instruments::counted(7));
    cell.until_recorded("a", 1);
    cell.until_logged("sends what can be read again");
    let told = cell.log().matches("are counted, not kept, until midnight").count();
    assert_eq!(told, 1, "{}", cell.log());
    let gaps = cell.store().coverage("a");
    assert!(gaps.iter().all(|gap| !field(gap, "until_at").is_empty()), "{gaps:?}");
}

/// A part that does not conform is told again until somebody has said what becomes of it; one that is good, or was made good by a
/// correction, is not.
#[test]
fn a_bad_part_is_told_until_somebody_disposes_of_it() {
    let job = "[job]\nid = \"J-1\"\npart_number = \"P\"\nrevision = \"A\"\noperation = \"10\"\nedition = \"ISO 21920\"\n\
               [[characteristic]]\nballoon = \"1\"\nfeature = \"seat\"\nquantity = \"Ra\"\nupper = \"0.8 µm\"\nrule = \"max\"\n";
    let mut bench = Bench::new(env!("CARGO_BIN_EXE_ridgepost"), &[("j1", job.to_owned())]);
    watch(&bench.cell, "remind_minutes = 1");
    bench.open("J-1");
    for text in ["Ra 0.93 um of A-1", "Ra 0.41 um of A-2", "Ra 0.95 um of A-3"] {
        bench.measure(text);
    }
    bench.measure("Ra 0.42 um of A-3");
    let third = field(&bench.cell.store().readings("bench")[2], "seq").to_owned();
    bench.decide(&["void", &third]);
    let waits = |cell: &Cell| -> Option<String> {
        let status = cell.ask_json(&["status"]).remove(0);
        let troubles = status["daemon"]["troubles"].as_array()?.iter();
        troubles.filter(|it| it["code"] == "part-waits").find_map(|it| Some(it["text"].as_str()?.to_owned()))
    };
    assert_eq!(waits(&bench.cell), None, "not before it has waited");
    let told = within(Duration::from_secs(150), || waits(&bench.cell)).expect("a reminder");
    assert!(told.starts_with("1 part does not conform") && told.contains("A-1 of J-1"), "{told}");
    assert!(bench.cell.log().contains("part-waits"));
    let rows = bench.cell.store().results();
    let part = rows.iter().find(|row| field(row, "kind") == "part" && field(row, "serial") == "A-1").unwrap();
    bench.decide(&["dispose", field(part, "seq"), "--as", "scrap"]);
    bench.cell.until("the end of it", |cell| waits(cell).is_none().then_some(()));
    bench.end();
}
