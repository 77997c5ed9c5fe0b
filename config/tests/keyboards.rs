//! Stations whose instrument types: the definition must suit it, and its frames are cut from keys.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use ridgepost_config::{Loaded, explain, read};
use ridgepost_parsers::{Tick, examine};

const CELL: &str = r#"
[cell]
name = "c"
time_zone = "UTC"
[store]
path = "s.db"
[[station]]
name = "bench"
instrument = "typist"
gauge = "MIC-03"
keyboard = { path = "/dev/input/by-id/gauge-event-kbd", layout = "de", keypad_decimal = "." }
"#;

const TYPIST: &str = "[instrument]\nname = \"typist\"\n[framing]\nkind = \"lines\"\nterminator = \"\\r\"\n[[line]]\n\
    pattern = '(?<value>\\S+)'\n[reading]\nquantity = \"L\"\nunit = \"mm\"\n";

fn loaded(more: &str) -> Loaded {
    let files = [
        ("cell.toml", CELL.to_owned()),
        ("gauges.toml", "[[gauge]]\nid = \"MIC-03\"\nkind = \"micrometer\"\n".to_owned()),
        ("instruments/typist.toml", format!("{TYPIST}{more}")),
    ];
    let files: BTreeMap<PathBuf, String> = files.map(|(name, text)| (PathBuf::from(name), text)).into();
    read(Path::new("/cell"), &files)
}

#[test]
fn the_station_reads_keys_by_its_layout() {
    let loaded = loaded("");
    let plan = loaded.plan.expect("no fault");
    let lines = explain(&plan);
    let said =
        "keys of /dev/input/by-id/gauge-event-kbd for this station alone, layout de, `.` from the keypad's decimal key";
    assert!(lines.iter().any(|line| line.contains(said)), "{lines:#?}");
    let station = &plan.stations[0];
    let frames = examine(&station.instrument, &[(Tick(0), b"KP1 KPDOT 5 ENTER ".to_vec())]);
    assert_eq!(frames[0].1.readings[0].value_as_sent, "1.5");
}

#[test]
fn a_definition_that_does_not_suit_keys_is_a_fault() {
    for (more, wanted) in [
        ("[dialogue]\n[dialogue.poll]\nsend = \"M\\r\"\nanswer_ms = 500\n", "has a [dialogue]"),
        ("[text]\nencoding = \"windows-1252\"\n", "keys are read as UTF-8 text"),
        ("[text]\nparity = \"even\"\n", "keys are read as UTF-8 text"),
    ] {
        let loaded = loaded(more);
        let told: Vec<String> = loaded.faults().map(ToString::to_string).collect();
        assert!(told.len() == 1 && told[0].contains(wanted), "{more}: {told:#?}");
    }
}
