//! The recordings of the corpus as they stand: values, marks, identity, conditions, rejects and remarks. The many
//! ways to play them are the business of the workspace's `tests`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};

use ridgepost_parsers::{
    Decoded, Definition, Frame, FrameReport, Input, Instrument, Outcome, examine, from_hex, kept_readings, kept_report,
};
use serde_json::Value;

fn folders() -> Vec<PathBuf> {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/corpus");
    let mut folders: Vec<PathBuf> = std::fs::read_dir(corpus).unwrap().map(|entry| entry.unwrap().path()).collect();
    folders.retain(|folder| folder.join("definition.toml").exists());
    folders.sort();
    assert!(folders.len() >= 16, "the corpus is gone");
    folders
}

fn instrument(folder: &Path) -> Instrument {
    let text = std::fs::read_to_string(folder.join("definition.toml")).unwrap();
    let definition: Definition = toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    definition.compile().unwrap_or_else(|faults| panic!("{}: {faults:#?}", folder.display()))
}

fn input(folder: &Path) -> Input {
    let packets = folder.join("packets.json");
    let mut entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let path = if packets.exists() {
        packets
    } else {
        entries.find(|path| path.file_stem().is_some_and(|stem| stem == "input")).unwrap()
    };
    Input::read(&std::fs::read(path).unwrap()).unwrap()
}

fn told(folder: &Path) -> Vec<(Frame, Decoded)> {
    examine(&instrument(folder), &input(folder).received)
}

/// The parts of a report that `expected.json` speaks of, in its words.
fn in_their_words(reading: &Value, stored: bool) -> Value {
    let unit = reading["unit"].as_str().map(|unit| unit.replace('\u{b5}', "u"));
    let mut meta = serde_json::Map::new();
    let mut add = |key: &str, value: &Value| {
        if !value.is_null() {
            meta.insert(key.to_owned(), value.clone());
        }
    };
    let (identity, conditions) = (&reading["identity"], &reading["conditions"]);
    for (key, value) in [
        ("seq", &identity["number"]),
        ("inst_time", &identity["time"]),
        ("program", &identity["program"]),
        ("serial", &identity["part"]),
        ("channel", &identity["channel"]),
        ("remark", &identity["remark"]),
        ("cutoff", &conditions["cutoff"]),
        ("n_sampling", &conditions["sections"]),
        ("filter", &conditions["filter"]),
        ("standard", &conditions["standard"]),
        ("traverse", &conditions["traverse"]),
        ("other", &reading["other"]),
    ] {
        add(key, value);
    }
    if stored {
        add("source", &Value::from("memory"));
    }
    serde_json::json!({
        "param": reading["quantity"], "value": reading["value"], "unit": unit, "um": reading["micrometres"],
        "flag": reading["mark"], "inst_verdict": reading["instrument_verdict"],
        "inst_limit_hi": reading["instrument_limits"]["upper"], "meta": meta,
    })
}

/// What `expected.json` says, with the units of its keys put into the values.
fn expected(folder: &Path) -> (Vec<Value>, Value) {
    let expected: Value = serde_json::from_slice(&std::fs::read(folder.join("expected.json")).unwrap()).unwrap();
    let mut readings = Vec::new();
    for record in expected["readings"].as_array().unwrap() {
        let said = record["meta"].as_object().cloned().unwrap_or_default();
        let mut meta = serde_json::Map::new();
        let mut other = serde_json::Map::new();
        for (key, value) in said {
            let text = value.as_str().unwrap_or_default().replace(',', ".");
            match key.as_str() {
                "cutoff_mm" => drop(meta.insert("cutoff".into(), format!("{text} mm").into())),
                "cutoff_um" => {
                    drop(meta.insert("cutoff".into(), format!("{} \u{b5}m", text.trim_start_matches('0')).into()))
                }
                "traverse_mm" => drop(meta.insert("traverse".into(), format!("{text} mm").into())),
                "n_sampling" => drop(meta.insert("n_sampling".into(), text.trim_start_matches('0').into())),
                "station" => drop(other.insert(key, value)),
                // Profiles are compared by `as_recorded` of the workspace's tests.
                "profile" => {}
                "extra" => other.extend(value.as_object().cloned().unwrap()),
                _ => drop(meta.insert(key, value)),
            }
        }
        meta.insert("other".into(), other.into());
        for param in record["params"].as_array().unwrap() {
            readings.push(serde_json::json!({
                "param": param["param"], "value": param["value"], "unit": param["unit"], "um": param["um"],
                "flag": param["flag"], "inst_verdict": param["inst_verdict"], "inst_limit_hi": param["inst_limit_hi"],
                "meta": meta,
            }));
        }
    }
    (readings, expected)
}

#[test]
fn every_recording_says_exactly_what_is_expected() {
    for folder in folders() {
        let (wanted, document) = expected(&folder);
        let told = told(&folder);
        let mut found = Vec::new();
        for (number, (frame, decoded)) in (1..).zip(&told) {
            let report = serde_json::to_value(FrameReport::new(number, frame, decoded)).unwrap();
            let readings = report["readings"].as_array().unwrap();
            found.extend(
                readings.iter().zip(&decoded.readings).map(|(json, reading)| in_their_words(json, reading.stored)),
            );
        }
        assert_eq!(found, wanted, "{}", folder.display());

        let rejected: Vec<&[u8]> = told
            .iter()
            .filter(|(_, decoded)| matches!(decoded.outcome, Outcome::Damaged | Outcome::Incomplete))
            .map(|(frame, _)| frame.raw.trim_ascii())
            .collect();
        let rejects = document["rejects"].as_array().unwrap();
        let rejects: Vec<Vec<u8>> =
            rejects.iter().map(|reject| from_hex(reject["hex"].as_str().unwrap()).unwrap()).collect();
        let rejects: Vec<&[u8]> = rejects.iter().map(|reject| reject.trim_ascii()).collect();
        assert_eq!(rejected, rejects, "{}", folder.display());
    }
}

/// The object of `try --json`, to the letter and in its order.
#[test]
fn reports_have_their_fixed_form() {
    let folder = folders().into_iter().find(|folder| folder.ends_with("s05_report_ff")).unwrap();
    let told = told(&folder);
    let (frame, decoded) = &told[0];
    let text = serde_json::to_string(&FrameReport::new(1, frame, decoded)).unwrap();
    let wanted = concat!(
        r#"{"frame":1,"outcome":"accepted","reason":null,"offset":0,"bytes":387,"readings":[{"quantity":"Ra","value":"0.412","#,
        r#""unit":"µm","value_as_sent":"0.412","micrometres":"0.412","mark":null,"mark_code":null,"protected":false,"#,
        r#""instrument_verdict":"IN","instrument_limits":{"upper":"0.800"},"identity":{"number":"0031","#,
        r#""time":"2026-03-02T14:07","program":"3","part":null,"channel":null,"remark":null},"#,
        r#""conditions":{"cutoff":"0.80 mm","sections":"5","filter":"GAUSS","standard":"ISO","traverse":"4.80 mm"},"#,
        r#""other":{}},{"quantity":"Rz""#
    );
    assert!(text.starts_with(wanted), "{text}");
    assert!(text.ends_with(r#""traces":[],"remarks":["unprotected"]}"#), "{text}");
}

/// Line ends left at the end belong to the frame before them.
#[test]
fn nothing_is_told_of_the_last_line_end() {
    let folder = folders().into_iter().find(|folder| folder.ends_with("s24_split_merge")).unwrap();
    let told = told(&folder);
    let sizes: Vec<usize> = told.iter().map(|(frame, _)| frame.raw.len()).collect();
    assert_eq!(sizes.iter().sum::<usize>(), 39);
    assert_eq!(told.len(), 3, "no empty line between CR and LF");
}

/// What the store keeps of a reading is all of it, so that it can be judged anew by what was read then.
#[test]
fn readings_come_back_whole_from_what_is_kept() {
    let mut compared = 0;
    for folder in folders() {
        for (number, (frame, decoded)) in (1..).zip(told(&folder)) {
            let mut kept = String::new();
            kept_report(&mut kept, number, &frame, &decoded, &decoded.remarks);
            let kept: Value = serde_json::from_str(&kept).unwrap();
            assert_eq!(kept_readings(&kept).as_deref(), Some(&*decoded.readings), "{} {number}", folder.display());
            compared += decoded.readings.len();
        }
    }
    assert!(compared > 100, "only {compared} readings");
    let unreadable =
        serde_json::json!({"readings": [{"quantity": "Ra", "value": "1.5", "unit": "cubit", "value_as_sent": "1.5"}]});
    assert_eq!(kept_readings(&unreadable), None);
}
