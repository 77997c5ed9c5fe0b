//! `ridgepost record`: bytes, direction and time of an instrument that nobody has described.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::process::{Child, ExitStatus};
use std::time::Duration;

use ridgepost_parsers::{Input, InputKind};
use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments::counted;
use ridgepost_tests::patience::{until, until_true, within};
use ridgepost_tests::pty::Line;
use ridgepost_tests::server::Server;
use rustix::process::{Pid, Signal, kill_process};

fn ended(child: &mut Child) -> ExitStatus {
    let status = within(Duration::from_secs(30), || child.try_wait().unwrap());
    status.unwrap_or_else(|| {
        let _ = child.kill();
        panic!("it did not end")
    })
}

fn read(cell: &Cell) -> Input {
    let input = Input::read(&fs::read(cell.path("tester.rec")).unwrap()).unwrap();
    assert_eq!(input.kind, InputKind::Recording);
    input
}

fn joined(chunks: &[(ridgepost_parsers::Tick, Vec<u8>)]) -> Vec<u8> {
    chunks.iter().flat_map(|(_, bytes)| bytes.clone()).collect()
}

/// The file is made before its heading is written.
fn until_begun(cell: &Cell) {
    let is_recording = |bytes: Vec<u8>| Input::read(&bytes).is_ok_and(|input| input.kind == InputKind::Recording);
    until_true("a recording", || fs::read(cell.path("tester.rec")).is_ok_and(is_recording));
}

#[test]
fn what_comes_and_what_is_sent_is_recorded_and_can_be_tried() {
    let cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut line = Line::plugged_in(&cell.path("by-id/new"));
    let port = line.link().display().to_string();
    let file = cell.path("tester.rec").display().to_string();
    let mut child = cell.begin(&["record", &port, &file, "--send", r"M?\r\x05"], "record.log");
    let mut asked = Vec::new();
    until("what was sent", || {
        asked.extend(line.received());
        (asked == b"M?\r\x05").then_some(())
    });
    let message = counted(7);
    line.send_pieces([(0, &message[..5]), (120, &message[5..])]);
    until_true("the whole message", || joined(&read(&cell).received) == message);
    kill_process(Pid::from_child(&child), Signal::INT).unwrap();
    assert!(ended(&mut child).success(), "{}", fs::read_to_string(cell.path("record.log")).unwrap());
    let input = read(&cell);
    assert_eq!(joined(&input.sent), b"M?\r\x05");
    let (first, last) = (input.received[0].0, input.received.last().unwrap().0);
    assert!(last.0 - first.0 >= 100, "the pause is there: {input:?}");
    let definition = cell.path("cell/instruments/counted.toml").display().to_string();
    let tried = cell.ask(&["try", &definition, &file]);
    assert!(tried.code() == Some(0) && tried.stdout.contains(" = 0.007"), "{tried:?}");
    assert_eq!(cell.ask(&["record", &port, &file]).code(), Some(3), "a recording is never written over");
}

#[test]
fn it_ends_by_bytes_by_seconds_and_with_the_device() {
    let cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut line = Line::plugged_in(&cell.path("by-id/new"));
    let port = line.link().display().to_string();
    let file = cell.path("tester.rec").display().to_string();
    line.send(b"0123456789");
    assert_eq!(cell.ask(&["record", &port, &file, "--bytes", "10"]).code(), Some(0));
    assert_eq!(joined(&read(&cell).received), b"0123456789");
    fs::remove_file(&file).unwrap();
    assert_eq!(cell.ask(&["record", &port, &file, "--seconds", "1"]).code(), Some(0));
    assert!(read(&cell).received.is_empty());
    fs::remove_file(&file).unwrap();
    let mut child = cell.begin(&["record", &port, &file], "record.log");
    until_begun(&cell);
    line.send(b"abc");
    until_true("the last bytes", || joined(&read(&cell).received) == b"abc");
    line.unplug();
    assert_eq!(ended(&mut child).code(), Some(1));
    assert_eq!(cell.ask(&["record", "tcp:nothing", &file]).code(), Some(2));
}

#[test]
fn a_device_server_is_recorded_too() {
    let cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    for address in ["127.0.0.1", "::1"] {
        let mut server = Server::on(address);
        let file = cell.path("tester.rec").display().to_string();
        let place = format!("tcp:{}", server.address());
        let mut child = cell.begin(&["record", &place, &file, "--bytes", "3"], "record.log");
        server.accept();
        server.send(b"abc");
        assert_eq!(ended(&mut child).code(), Some(0), "{}", fs::read_to_string(cell.path("record.log")).unwrap());
        assert_eq!(joined(&read(&cell).received), b"abc");
        fs::remove_file(&file).unwrap();
    }
}

#[test]
fn what_the_daemon_listens_to_is_left_to_it() {
    let (mut cell, line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    let file = cell.path("tester.rec").display().to_string();
    // By its stable name and by the name behind it.
    for port in [line.link(), line.device().unwrap()] {
        let said = cell.ask(&["record", &port.display().to_string(), &file]);
        assert_eq!(said.code(), Some(1), "{said:?}");
        assert!(said.stderr.contains("station `a`") && said.stderr.contains("cell.toml"), "{said:?}");
    }
    assert!(!cell.path("tester.rec").exists());
    cell.stop();
}
