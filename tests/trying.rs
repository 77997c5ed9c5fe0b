//! `ridgepost try --json` on every recording: the shape that other programs rely on, and the readings in it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};
use std::process::Command;

use ridgepost_tests::corpus::{Case, Param, Record};
use serde_json::Value;

const FRAME: &[&str] = &["frame", "outcome", "reason", "offset", "bytes", "readings", "traces", "remarks"];
const READING: &[&str] = &[
    "quantity",
    "value",
    "unit",
    "value_as_sent",
    "micrometres",
    "mark",
    "mark_code",
    "protected",
    "instrument_verdict",
    "instrument_limits",
    "identity",
    "conditions",
    "other",
];

/// What the command says of `input`, one object per frame, and how it ended.
fn tried(definition: &Path, input: &Path) -> (Vec<Value>, Option<i32>) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ridgepost"));
    let output = command.arg("try").arg(definition).arg(input).arg("--json").output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let read = |line: &str| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line:?}: {error}"));
    (text.lines().map(read).collect(), output.status.code())
}

/// Where a case lies, and the input to try: the packets where timing was recorded, else the bytes.
fn places(case: &Case) -> (PathBuf, PathBuf) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/corpus").join(&case.name);
    let own = folder.join("definition.toml");
    let shipped = folder.join(format!("../../../config/instruments/{}.toml", case.name));
    let packets = folder.join("packets.json");
    let input = if packets.exists() { packets } else { folder.join(&case.file_name) };
    (if own.exists() { own } else { shipped }, input)
}

fn keys(object: &Value) -> Vec<&str> {
    object.as_object().unwrap().keys().map(String::as_str).collect()
}

#[test]
fn every_frame_has_the_shape_of_the_contract_and_every_byte_its_frame() {
    for case in Case::all() {
        let (definition, input) = places(case);
        let (frames, code) = tried(&definition, &input);
        let mut offset = 0;
        for (at, frame) in frames.iter().enumerate() {
            let shown = keys(frame);
            assert!(shown.starts_with(&FRAME[..5]), "{}: {shown:?}", case.name);
            assert!(FRAME.iter().all(|key| shown.contains(key)), "{}: {shown:?}", case.name);
            assert_eq!(
                (frame["frame"].as_u64(), frame["offset"].as_u64()),
                (Some(at as u64 + 1), Some(offset)),
                "{frame}"
            );
            offset += frame["bytes"].as_u64().unwrap();
            for reading in frame["readings"].as_array().unwrap() {
                assert_eq!(keys(reading), READING, "{}", case.name);
            }
        }
        assert_eq!(offset, case.input.len() as u64, "{}: every byte is in one frame", case.name);
        let rejected =
            frames.iter().filter(|frame| matches!(frame["outcome"].as_str(), Some("damaged" | "incomplete")));
        let damaged = rejected.clone().count();
        assert_eq!(damaged, case.expected.rejects.len(), "{}", case.name);
        assert!(rejected.into_iter().all(|frame| frame["reason"].is_string()), "{}", case.name);
        assert_eq!(code, Some(i32::from(damaged > 0)), "{}: exit status 1 for a damaged frame", case.name);
    }
}

#[test]
fn every_reading_is_told() {
    let mut findings = Vec::new();
    for case in Case::all() {
        let (definition, input) = places(case);
        let (frames, _) = tried(&definition, &input);
        let told: Vec<&Value> = frames.iter().flat_map(|frame| frame["readings"].as_array().unwrap()).collect();
        let records = &case.expected.readings;
        let due: Vec<(&Record, &Param)> =
            records.iter().flat_map(|record| record.params.iter().map(move |param| (record, param))).collect();
        if told.len() != due.len() {
            findings.push(format!("{}: {} readings told of {}", case.name, told.len(), due.len()));
        }
        for ((record, param), reading) in due.into_iter().zip(told) {
            let faults = differences(param, record, reading);
            findings.extend(faults.into_iter().map(|fault| format!("{}: {fault}: {reading}", case.name)));
        }
        let traces: usize = frames.iter().map(|frame| frame["traces"].as_array().unwrap().len()).sum();
        let profiles = records.iter().filter(|record| record.meta.contains_key("profile")).count();
        if traces != profiles {
            findings.push(format!("{}: {traces} profiles told of {profiles}", case.name));
        }
    }
    assert!(findings.is_empty(), "\n{}\n", findings.join("\n"));
}

fn differences(param: &Param, record: &Record, reading: &Value) -> Vec<String> {
    let identity = |key: &str| match key {
        "seq" => Some("number"),
        "inst_time" => Some("time"),
        "serial" => Some("part"),
        "program" | "channel" | "remark" => Some(key_of(key)),
        _ => None,
    };
    let mut due: Vec<(String, Option<&str>, Option<&str>)> = vec![
        ("quantity".into(), Some(&param.param), reading["quantity"].as_str()),
        ("value".into(), param.value.as_deref(), reading["value"].as_str()),
        ("mark".into(), param.flag.as_deref(), reading["mark"].as_str()),
        ("verdict".into(), param.inst_verdict.as_deref(), reading["instrument_verdict"].as_str()),
        ("upper limit".into(), param.inst_limit_hi.as_deref(), reading["instrument_limits"]["upper"].as_str()),
        ("lower limit".into(), param.inst_limit_lo.as_deref(), reading["instrument_limits"]["lower"].as_str()),
    ];
    for (key, value) in &record.meta {
        if let Some(name) = identity(key) {
            due.push((key.clone(), value.as_str(), reading["identity"][name].as_str()));
        }
    }
    let mut faults: Vec<String> = due
        .iter()
        .filter(|(_, due, told)| due != told)
        .map(|(key, due, _)| format!("{key} should be {due:?}"))
        .collect();
    if param.unit_symbol().as_deref() != reading["unit"].as_str() {
        faults.push(format!("unit should be {:?}", param.unit_symbol()));
    }
    // As a number: 2.87 and 2.870 are the same length.
    let number = |text: Option<&str>| text.map(|text| text.trim_end_matches('0').trim_end_matches('.').to_owned());
    let plain = |text: Option<&str>| {
        if text.is_some_and(|text| text.contains('.')) { number(text) } else { text.map(str::to_owned) }
    };
    if plain(param.um.as_deref()) != plain(reading["micrometres"].as_str()) {
        faults.push(format!("micrometres should be {:?}", param.um));
    }
    faults
}

fn key_of(key: &str) -> &'static str {
    match key {
        "program" => "program",
        "channel" => "channel",
        _ => "remark",
    }
}

/// A definition that is none is told as such, and so is an input that can't be read.
#[test]
fn what_can_not_be_tried_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let definition = folder.path().join("d.toml");
    std::fs::write(&definition, "[instrument]\nnane = \"x\"\n").unwrap();
    let (definition_of_case, input) = places(&Case::all()[0]);
    let (frames, code) = tried(&definition, &input);
    assert_eq!((frames.len(), code), (0, Some(1)), "a faulty definition");
    let (frames, code) = tried(&definition_of_case, &folder.path().join("absent"));
    assert_eq!((frames.len(), code), (0, Some(3)), "an input that is not there");
}

/// `try --expect`: how it ends, and what it says.
fn expected(definition: &Path, input: &Path, expectation: &Path) -> (Option<i32>, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ridgepost"));
    let output = command.arg("try").arg(definition).arg(input).arg("--expect").arg(expectation).output().unwrap();
    (output.status.code(), String::from_utf8(output.stdout).unwrap() + &String::from_utf8(output.stderr).unwrap())
}

fn lines(frames: &[Value]) -> String {
    frames.iter().map(|frame| format!("{frame}\n")).collect()
}

/// What `try` tells of a recording is its expectation; any other number, a frame or a reading too many or too few is not.
#[test]
fn a_recording_is_held_against_what_is_expected_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("expected.jsonl");
    for case in Case::all() {
        let (definition, input) = places(case);
        let (frames, _) = tried(&definition, &input);
        std::fs::write(&file, lines(&frames)).unwrap();
        let (code, told) = expected(&definition, &input, &file);
        assert_eq!(code, Some(0), "{}: {told}", case.name);
        let mut others = vec![frames[1..].to_vec(), [&frames[..], &frames[..1]].concat()];
        let Some(at) = frames.iter().position(|frame| !frame["readings"].as_array().unwrap().is_empty()) else {
            continue;
        };
        for change in [
            (|readings| drop(readings.pop())) as fn(&mut Vec<Value>),
            |readings| readings.push(readings[0].clone()),
            |readings| readings[0]["value"] = "123.456".into(),
            |readings| readings[0]["unit"] = Value::Null,
            |readings| readings[0]["quantity"] = "Rzz".into(),
        ] {
            let mut changed = frames.clone();
            change(changed[at]["readings"].as_array_mut().unwrap());
            others.push(changed);
        }
        for other in others.iter().filter(|other| **other != frames) {
            std::fs::write(&file, lines(other)).unwrap();
            let (code, told) = expected(&definition, &input, &file);
            assert_eq!(code, Some(1), "{}: {told}", case.name);
            assert!(told.starts_with("frame "), "{}: {told}", case.name);
        }
    }
    for (text, words) in [("[1]\n", "is no JSON object"), ("{\"frame\":\n", "write one JSON object per frame")] {
        std::fs::write(&file, text).unwrap();
        let (definition, input) = places(&Case::all()[0]);
        let (code, told) = expected(&definition, &input, &file);
        assert!(code != Some(0) && told.contains(words), "{code:?} {told}");
    }
}

/// `check` tries the recordings that lie beside the definitions of a cell.
#[test]
fn a_cell_is_checked_with_the_recordings_of_its_shop() {
    let cell = ridgepost_tests::cell::Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    cell.configure();
    let definition = cell.path("cell/instruments/plain.toml");
    assert!(definition.exists());
    cell.write("instruments/plain/monday.bin", "no 000001 Ra 0.101 um\r\nnoise\r\n");
    let recording = cell.path("cell/instruments/plain/monday.bin");
    let checked = |cell: &ridgepost_tests::cell::Cell| {
        let said = cell.ask(&["check"]);
        (said.code(), said.stdout + &said.stderr)
    };
    let (code, told) = checked(&cell);
    assert!(code == Some(0) && told.contains("monday.bin") && told.contains("has no expectation"), "{code:?} {told}");
    let (frames, _) = tried(&definition, &recording);
    cell.write("instruments/plain/monday.bin.expected.jsonl", &lines(&frames));
    let (code, told) = checked(&cell);
    assert!(code == Some(0) && told.contains("recordings: 1 tried, 1 as expected"), "{code:?} {told}");
    cell.write("instruments/plain/monday.bin", "no 000001 Ra 0.101 um\r\n");
    let (code, told) = checked(&cell);
    assert!(code == Some(1) && told.contains("recordings: 1 tried, 0 as expected"), "{code:?} {told}");
    std::fs::remove_file(&recording).unwrap();
    let (code, told) = checked(&cell);
    assert!(code == Some(1) && told.contains("can't be read"), "{code:?} {told}");
}
