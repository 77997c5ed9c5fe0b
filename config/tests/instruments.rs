//! The shipped definitions read the samples that their own comments show, and refuse what is damaged.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::path::Path;
use std::sync::Arc;

use example::{CELL_DIR, example};

use ridgepost_config::{instrument, read};
use ridgepost_parsers::{Decoded, Instrument, Outcome, Tick, examine};

fn compiled(file: &str) -> Arc<Instrument> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
    let text = std::fs::read_to_string(&path).unwrap();
    instrument(&text, &path).expect("a faultless definition").0
}

fn run(instrument: &Instrument, bytes: &[u8]) -> Vec<Decoded> {
    examine(instrument, &[(Tick(0), bytes.to_vec())]).into_iter().map(|(_, decoded)| decoded).collect()
}

fn decode(file: &str, bytes: &[u8]) -> Vec<Decoded> {
    run(&compiled(file), bytes)
}

/// Outcome, then each reading in short: quantity, digits, unit, mark.
fn short(decoded: &Decoded) -> String {
    let readings = decoded.readings.iter().map(|reading| {
        let value = reading.value.map_or("-".to_owned(), |value| value.to_string());
        let unit = reading.unit.map_or("-", |unit| unit.symbol());
        let mark = reading.mark.map(|mark| format!(" {}", mark.code())).unwrap_or_default();
        format!("{} {value} {unit}{mark}", reading.quantity)
    });
    let readings: Vec<_> = readings.collect();
    let detail = decoded.detail.as_ref().filter(|_| decoded.outcome != Outcome::Accepted);
    format!("{:?}: {}{}", decoded.outcome, readings.join(", "), detail.cloned().unwrap_or_default())
}

/// The record of the comment in `report-block.toml`; the check value is the exclusive or of all bytes behind STX up
/// to and with ETX.
fn record(part: &str, lines: &str) -> Vec<u8> {
    let body = format!(
        "record 0031  2026-03-02 14:07:10\r\nprogram 3  part{part}\r\ncutoff 0.80 mm  sections 5  filter gaussian\r\n--------------------------------\r\n{lines}"
    );
    let covered: Vec<u8> = body.bytes().chain([3]).collect();
    let check = covered.iter().fold(0, |check, byte| check ^ byte);
    [&[2], &covered[..], format!("{check:02X}\r\n").as_bytes()].concat()
}

const LINES: &str = "Ra       0.412 um\r\nRz       2.870 um\r\nRt       3.115 um\r\n";

#[test]
fn a_framed_record_is_read_whole() {
    let decoded = decode("instruments/report-block.toml", &record(" IS-2207/018", LINES));
    assert_eq!(decoded.len(), 1, "{decoded:#?}");
    assert_eq!(short(&decoded[0]), "Accepted: Ra 0.412 µm, Rz 2.870 µm, Rt 3.115 µm");
    let reading = &decoded[0].readings[1];
    assert!(reading.protected);
    assert_eq!(reading.identity.number.as_deref(), Some("0031"));
    assert_eq!(reading.identity.time.as_deref(), Some("2026-03-02T14:07:10"));
    assert_eq!(reading.identity.program.as_deref(), Some("3"));
    assert_eq!(reading.identity.part.as_deref(), Some("IS-2207/018"));
    assert_eq!(reading.conditions.cutoff.unwrap().to_string(), "0.80 mm");
    assert_eq!(reading.conditions.sections.as_deref(), Some("5"));
    assert_eq!(reading.conditions.filter.as_deref(), Some("gaussian"));
}

#[test]
fn a_record_without_part_and_with_marks_is_read() {
    let lines = "Ra       >>>>> um\r\nRz       ----- um\r\nRt       E05\r\n";
    let decoded = decode("instruments/report-block.toml", &record("", lines));
    assert_eq!(short(&decoded[0]), "Accepted: Ra - µm over, Rz - µm none, Rt - - error");
    assert_eq!(decoded[0].readings[2].mark_code.as_deref(), Some("E05"));
    assert_eq!(decoded[0].readings[0].identity.part, None);
}

#[test]
fn a_flipped_byte_never_gives_another_reading() {
    let whole = record(" IS-2207/018", LINES);
    let block = compiled("instruments/report-block.toml");
    for at in 0..whole.len() {
        let mut damaged = whole.clone();
        damaged[at] ^= 0x04;
        for decoded in run(&block, &damaged) {
            for reading in &decoded.readings {
                assert!(LINES.contains(&reading.value_as_sent), "byte {at}: {}", short(&decoded));
            }
        }
    }
}

#[test]
fn single_lines_are_read() {
    let bytes = b"D +12.3470 mm\r\nD -00.003 mm\rD ------- mm\nBAT LOW\r\nD +0.48610 in\r\nD 12.347\r\n";
    let decoded = decode("instruments/single-line.toml", bytes);
    let told: Vec<_> = decoded.iter().map(short).collect();
    assert_eq!(
        told[..5],
        [
            "Accepted: D 12.3470 mm",
            "Accepted: D -0.003 mm",
            "Accepted: D - mm none",
            "Accepted: ",
            "Accepted: D 0.48610 in",
        ]
    );
    assert!(told[5].starts_with("Damaged"), "a line without unit is no reading: {}", told[5]);
    assert!(!decoded[0].readings[0].protected);
}

#[test]
fn an_exported_file_is_read() {
    let text = "Cutoff,0.80 mm\r\nSections,5\r\nFilter,gaussian\r\n\r\nNumber,Time,Part,Ra (um),Rz (um)\r\n1,2026-03-02 14:07:10,IS-2207/018,0.412,2.870\r\n2,2026-03-02 14:08:55,\"IS-2207/019, repeat\",0.398,\r\nMean,,,0.405,2.870\r\n";
    let decoded = decode("instruments/csv-export.toml", text.as_bytes());
    let told: Vec<_> = decoded.iter().map(short).filter(|told| told != "Accepted: ").collect();
    assert_eq!(told, ["Accepted: Ra 0.412 µm, Rz 2.870 µm", "Accepted: Ra 0.398 µm, Rz - µm none"]);
    let second = decoded.iter().rfind(|decoded| !decoded.readings.is_empty()).unwrap();
    assert_eq!(second.readings[0].identity.part.as_deref(), Some("IS-2207/019, repeat"));
    assert_eq!(second.readings[0].identity.time.as_deref(), Some("2026-03-02T14:08:55"));
    assert_eq!(second.readings[0].conditions.sections.as_deref(), Some("5"), "the preamble applies to every row");
}

#[test]
fn the_box_of_the_example_names_its_inlets() {
    let decoded = decode("examples/impeller-shaft/instruments/two-inlet-box.toml", b"1 +12.347\r\n2 -00.003\r\n");
    let told: Vec<_> = decoded.iter().map(short).collect();
    assert_eq!(told, ["Accepted: D 12.347 mm", "Accepted: D -0.003 mm"]);
    assert_eq!(decoded[1].readings[0].identity.channel.as_deref(), Some("2"));
}

#[test]
fn every_shipped_file_can_be_named_by_a_station() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("instruments");
    let names: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    assert!(names.len() >= 3);
    for path in names {
        let name = path.file_stem().unwrap().to_str().unwrap();
        let mut files = example();
        let cell = files.get_mut(Path::new("cell.toml")).unwrap();
        *cell = cell.replace("\"report-block\"", &format!("\"{name}\""));
        if name == "label-line" {
            *cell = cell.replacen("gauge = \"RT-07\"", "scanner = {}", 1);
        }
        let plan = read(Path::new(CELL_DIR), &files).plan;
        assert_eq!(plan.expect("a plan").stations[0].instrument.name(), name, "it is in the list of shipped ones");
    }
}

/// Neither has a file that grows.
#[test]
fn an_instrument_of_whole_files_does_not_grow() {
    let mut files = example();
    let definition = "[instrument]\nname = \"whole\"\n[framing]\nkind = \"file\"\n[json.fields]\nRa = \"ra\"\n[reading]\nunit = \"um\"\n";
    files.insert("instruments/whole.toml".into(), definition.to_owned());
    let cell = files.get_mut(Path::new("cell.toml")).unwrap();
    *cell = cell.replacen("\"csv-export\"", "\"whole\"", 1).replacen("when_recorded = \"archive\"", "grows = true", 1);
    let loaded = read(Path::new(CELL_DIR), &files);
    let messages: Vec<String> = loaded.faults().map(|fault| fault.message.clone()).collect();
    assert_eq!(messages, ["`whole` has no rows that could be taken one by one"]);
}

/// A line has no end of file, so nothing would ever be read.
#[test]
fn an_instrument_of_whole_files_needs_a_folder() {
    let mut files = example();
    let definition = "[instrument]\nname = \"whole\"\n[framing]\nkind = \"file\"\n[json.fields]\nRa = \"ra\"\n[reading]\nunit = \"um\"\n";
    files.insert("instruments/whole.toml".into(), definition.to_owned());
    let cell = files.get_mut(Path::new("cell.toml")).unwrap();
    *cell = cell.replacen("\"report-block\"", "\"whole\"", 1);
    let loaded = read(Path::new(CELL_DIR), &files);
    let messages: Vec<String> = loaded.faults().map(|fault| fault.message.clone()).collect();
    assert_eq!(messages, ["`whole` reads whole files, and over a line no file ends"]);
}
