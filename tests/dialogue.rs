//! Instruments that are talked to, with the real daemon: asked, polled, acknowledged; silent, busy, faulty, cut.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::sleep;
use std::time::Duration;

use ridgepost_tests::answering::Answering;
use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::counted;
use ridgepost_tests::oracle::{doubled, field};
use ridgepost_tests::pty::Line;

const ASKED: &str = r#"
[instrument]
name = "asked"
[framing]
kind = "lines"
[[line]]
pattern = 'V (?<value>\d+\.\d{3})'
[[line]]
pattern = 'BUSY'
event = "busy"
[[line]]
pattern = 'NONE'
event = "nothing-new"
[[line]]
pattern = 'E(?<code>\d)'
event = "instrument-error"
[reading]
quantity = "L"
unit = "mm"
"#;

const BLOCKS: &str = r#"
[instrument]
name = "blocks"
[framing]
kind = "block"
start = "\u0002"
end = "\u0003"
[checksum]
kind = "xor"
written = "hex"
[[line]]
pattern = '(?<block>\d+);(?<value>\d+\.\d{3})'
[reading]
quantity = "L"
unit = "mm"
[dialogue]
reply = [{ to = "\u0005", send = "\u0006" }]
[dialogue.acknowledge]
ack = "\u0006"
nak = "\u0015"
naks = 2
numbered = true
"#;

fn cell(definition: &str) -> (Cell, Line) {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    cell.instrument("asked", definition);
    let line = cell.port("a", if definition.contains("\"blocks\"") { "blocks" } else { "asked" }, "G-1");
    cell.sink("mes", "reading");
    cell.configure();
    (cell, line)
}

fn values(cell: &Cell) -> Vec<String> {
    cell.store().readings("a").iter().map(|row| field(row, "value").to_owned()).collect()
}

fn frames(cell: &Cell, reason: &str) -> usize {
    cell.store().frames("a").iter().filter(|frame| field(frame, "reason") == reason).count()
}

/// The bytes up to and including the first request, if it is there.
fn request(bytes: &[u8], request: &[u8]) -> Option<usize> {
    bytes.windows(request.len()).position(|window| window == request).map(|at| at + request.len())
}

fn block(number: u64) -> Vec<u8> {
    let text = format!("{number};{}.{:03}", number / 1000, number % 1000);
    let check = text.bytes().fold(0, |check, byte| check ^ byte);
    format!("\u{2}{text}\u{3}{check:02X}").into_bytes()
}

/// Without `[dialogue]` not one byte leaves, whatever comes.
#[test]
fn nothing_is_sent_to_an_instrument_that_only_talks() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    line.send(b"\x05\x11\x13noise\r\n");
    line.send(&counted(1));
    cell.until_recorded("a", 1);
    let said = cell.ask(&["ask", "a"]);
    assert_eq!(said.code(), Some(1), "{said:?}");
    cell.stop();
    assert_eq!(line.received(), b"");
}

/// Asked by a person: one answer, one reading; what comes unasked, late or in error is no reading, and is kept.
#[test]
fn one_question_is_one_reading_at_most() {
    let poll =
        "[dialogue]\necho = true\n[dialogue.poll]\nsend = \"M?\\r\"\nanswer_ms = 400\nretries = 1\nbusy_ms = 60\n";
    let (mut cell, line) = cell(&format!("{ASKED}{poll}"));
    let turn = Arc::new(AtomicUsize::new(0));
    let turns = Arc::clone(&turn);
    let script: [&[u8]; 6] = [
        b"M?\rV 0.001\r\n",
        b"M?\rBUSY\r\n",
        b"M?\rV 0.002\r\n",
        b"M?\rE4\r\n",
        b"M\x00?\rV 0.003\r\n",
        b"M?\rV 0.004\r\nV 0.005\r\n",
    ];
    let instrument = Answering::new(line, move |line, bytes| {
        let Some(end) = request(bytes, b"M?\r") else { return 0 };
        let at = turns.fetch_add(1, Ordering::Relaxed);
        // Silence from there on.
        line.send(script.get(at).copied().unwrap_or_default());
        end
    });
    cell.start();
    cell.until("a station that listens", |cell| {
        let status = cell.ask(&["status", "--json"]).stdout;
        status.contains("\"listening\"").then_some(())
    });
    assert_eq!(cell.ask(&["ask", "a"]).code(), Some(0), "a value");
    assert_eq!(values(&cell), ["0.001"], "who is told that it answered finds the answer stored");
    assert_eq!(cell.ask(&["ask", "a"]).code(), Some(0), "busy, then a value");
    let error = cell.ask(&["ask", "a"]);
    assert!(error.code() == Some(0) && error.stdout.contains("reports an error"), "{error:?}");
    assert_eq!(values(&cell), ["0.001", "0.002"]);
    // Noise in the echo costs the echo; the answer is a line of its own.
    assert_eq!(cell.ask(&["ask", "a"]).code(), Some(0));
    assert_eq!(cell.ask(&["ask", "a"]).code(), Some(0));
    let silent = cell.ask(&["ask", "a"]);
    assert!(silent.code() == Some(1) && silent.stderr.contains("does not answer"), "{silent:?}");
    let mut line = instrument.end();
    line.send(b"V 0.006\r\n");
    cell.until("the unasked values", |cell| (frames(cell, "unasked") == 2).then_some(()));
    assert_eq!(values(&cell), ["0.001", "0.002", "0.003", "0.004"]);
    assert_eq!(cell.ask(&["ask", "nobody"]).code(), Some(1));
    cell.stop();
    assert!(!cell.log().contains("code=\"deaf\""), "nobody listens for an instrument that people ask");
}

/// Polled; the answer cut at each of its bytes by a pulled plug. Nothing doubled, nothing invented, and it goes on.
#[test]
fn a_plug_pulled_at_any_byte_of_an_answer_costs_that_answer_at_most() {
    let poll = "[dialogue.poll]\nsend = \"M?\\r\"\nevery_ms = 100\nanswer = \"once\"\nanswer_ms = 300\n";
    let (mut cell, mut line) = cell(&format!("{ASKED}{poll}"));
    cell.start_listening(&[&line]);
    let answer = |number: u64| format!("V {}.{:03}\r\n", number / 1000, number % 1000).into_bytes();
    let wait_for_request = |line: &mut Line| {
        let mut bytes = Vec::new();
        ridgepost_tests::patience::until("a request", || {
            bytes.extend(line.received());
            request(&bytes, b"M?\r")
        });
    };
    let length = answer(1).len();
    for cut in 0..=length as u64 {
        wait_for_request(&mut line);
        line.send(&answer(1000 + cut)[..cut as usize]);
        sleep(Duration::from_millis(20));
        line.unplug();
        line.replug();
        wait_for_request(&mut line);
        line.send(&answer(2000 + cut));
        cell.until("the next answer", |cell| values(cell).contains(&format!("2.{cut:03}")).then_some(()));
    }
    cell.stop();
    let told = values(&cell);
    // All but the line end is a whole line only once CR is there.
    let cut: Vec<_> = told.iter().filter(|value| value.starts_with("1.")).collect();
    assert!(
        cut.iter().all(|value| *value == &format!("1.{:03}", length - 1) || *value == &format!("1.{length:03}")),
        "{cut:?}"
    );
    assert_eq!(told.iter().filter(|value| value.starts_with("2.")).count(), length + 1);
    assert!(doubled(&cell.store().results()).is_empty());
}

/// Silent for a while: one line in the log, one gap, and it goes on by itself.
#[test]
fn a_silent_instrument_is_told_once_and_found_again() {
    let poll = "[dialogue.poll]\nsend = \"M?\\r\"\nevery_ms = 100\nanswer = \"once\"\nanswer_ms = 300\nretries = 1\n";
    let (mut cell, line) = cell(&format!("{ASKED}{poll}"));
    let answers = Arc::new(AtomicUsize::new(0));
    let asked = Arc::clone(&answers);
    let instrument = Answering::new(line, move |line, bytes| {
        let Some(end) = request(bytes, b"M?\r") else { return 0 };
        let at = asked.fetch_add(1, Ordering::Relaxed);
        match at {
            0 => line.send(b"V 0.001\r\n"),
            20 => line.send(b"V 0.002\r\n"),
            _ if at > 20 => line.send(b"NONE\r\n"),
            _ => {}
        }
        end
    });
    cell.start();
    cell.until_recorded("a", 2);
    cell.until("the end of the gap", |cell| {
        let gaps = cell.store().query("SELECT until_at FROM coverage WHERE cause LIKE '%does not answer%'", []);
        (gaps.len() == 1 && !field(&gaps[0], "until_at").is_empty()).then_some(())
    });
    let asked_so_far = answers.load(Ordering::Relaxed);
    cell.until("more questions", |_| (answers.load(Ordering::Relaxed) > asked_so_far + 3).then_some(()));
    cell.stop();
    drop(instrument);
    assert_eq!(values(&cell), ["0.001", "0.002"]);
    assert_eq!(cell.log().matches("does not answer").count(), 1, "{}", cell.log());
}

/// An instrument that sends a block, waits for its ACK, and sends it again where none comes. The daemon is killed the moment
/// an ACK has come: that block is stored. Returns how many acknowledged blocks were not.
fn acknowledged_and_lost(weaken: Option<&str>, rounds: u64) -> u64 {
    let (mut cell, mut line) = cell(BLOCKS);
    if let Some(weaken) = weaken {
        cell.set("RIDGEPOST_WEAKEN", weaken);
    }
    let mut lost = 0;
    for number in 1..=rounds {
        cell.start_listening(&[&line]);
        line.received();
        line.send(&block(number));
        let acked =
            ridgepost_tests::patience::within(Duration::from_secs(20), || line.received().contains(&6).then_some(()));
        acked.expect("an acknowledgement");
        cell.kill();
        line.let_go();
        let wanted = format!("{}.{number:03}", number / 1000);
        lost += u64::from(!values(&cell).contains(&wanted));
        if weaken.is_some() && lost > 0 {
            break;
        }
    }
    assert!(doubled(&cell.store().results()).is_empty());
    lost
}

#[test]
fn what_is_acknowledged_is_stored() {
    assert_eq!(acknowledged_and_lost(None, 15), 0);
}

/// The control: a daemon that acknowledges before COMMIT is found out.
#[test]
fn a_daemon_that_acknowledges_too_early_is_found_out() {
    assert!(acknowledged_and_lost(Some("ack-before-commit"), 40) > 0);
}

/// Lost acknowledgements, killed daemons and damaged blocks: each block is one reading.
#[test]
fn a_block_that_is_sent_again_is_one_reading() {
    let (mut cell, mut line) = cell(BLOCKS);
    for number in 1..=5 {
        cell.start_listening(&[&line]);
        line.received();
        line.send(b"\x05");
        until_answered(&mut line, 6);
        let mut damaged = block(number);
        damaged[3] ^= 4;
        line.send(&damaged);
        until_answered(&mut line, 0x15);
        line.send(&block(number));
        until_answered(&mut line, 6);
        // The instrument did not hear it.
        line.send(&block(number));
        until_answered(&mut line, 6);
        cell.kill();
        line.let_go();
        cell.start_listening(&[&line]);
        // Nor that one, and now the daemon is another one.
        line.send(&block(number));
        until_answered(&mut line, 6);
        cell.stop();
    }
    let expected: Vec<String> = (1..=5).map(|number| format!("0.{number:03}")).collect();
    assert_eq!(values(&cell), expected);
}

#[track_caller]
fn until_answered(line: &mut Line, byte: u8) {
    ridgepost_tests::patience::until("an answer", || line.received().contains(&byte).then_some(()));
}

/// A proxy that stops forwarding without a word: the kernel on its side still says that it is there, only the instrument is
/// silent. A connection whose instrument does not answer is made anew.
#[test]
fn a_connection_that_is_half_dead_is_made_anew() {
    let instrument = TcpListener::bind("127.0.0.1:0").unwrap();
    let number = Arc::new(AtomicU64::new(0));
    let held = Arc::new(Mutex::new(Vec::new()));
    let (count, keep) = (Arc::clone(&number), Arc::clone(&held));
    let address = instrument.local_addr().unwrap();
    std::thread::spawn(move || {
        for (round, client) in instrument.incoming().enumerate() {
            let client = client.unwrap();
            keep.lock().unwrap().push(client.try_clone().unwrap());
            let count = Arc::clone(&count);
            std::thread::spawn(move || serve(client, &count, if round == 0 { 3 } else { u64::MAX }));
        }
    });
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let poll = "[dialogue.poll]\nsend = \"M?\\r\"\nevery_ms = 100\nanswer = \"once\"\nanswer_ms = 300\nretries = 1\n";
    cell.instrument("asked", &format!("{ASKED}{poll}"));
    cell.tcp("a", "asked", "G-1", address, ", keep_alive_s = 3600");
    cell.configure();
    cell.start();
    cell.until_recorded("a", 8);
    cell.stop();
    assert!(held.lock().unwrap().len() > 1, "the half-dead connection was kept");
    let told = values(&cell);
    let expected: Vec<String> = (1..=told.len()).map(|number| format!("0.{number:03}")).collect();
    assert_eq!(told, expected);
}

/// Answers so many requests, then goes on holding the connection without a word.
fn serve(mut client: TcpStream, number: &AtomicU64, answers: u64) {
    let mut buffer = [0; 64];
    let mut answered = 0;
    while let Ok(count @ 1..) = client.read(&mut buffer) {
        if answered < answers && buffer[..count].contains(&b'\r') {
            answered += 1;
            let next = number.fetch_add(1, Ordering::Relaxed) + 1;
            let _ = client.write_all(format!("V 0.{next:03}\r\n").as_bytes());
        }
    }
}
