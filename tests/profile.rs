//! `ridgepost profile`: numbers of an independent program, choices told, files that can't be evaluated, the sheet.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

fn profile(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_ridgepost")).arg("profile").args(arguments).output().unwrap()
}

fn stored(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../texture/tests/data/profiles").join(name)
}

fn json(arguments: &[&str]) -> Value {
    let output = profile(&[arguments, &["--json"]].concat());
    assert!(output.status.success(), "{output:?}");
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Results of an independent program (numpy, scipy) at its own settings.
#[test]
fn numbers_are_those_of_an_independent_program() {
    for (name, spacing, more) in [
        ("02_ground", "0.5 µm", &[][..]),
        ("04_milled", "0.0015mm", &["--cutoff", "2.5 mm"]),
        ("08_tilted_curved", "0.5", &["--form", "arc"]),
        ("10_lapped_fine", "500 nm", &["--cutoff", "0.25"]),
    ] {
        let file = stored(&format!("{name}.csv")).display().to_string();
        let found = json(&[&[file.as_str(), "--spacing", spacing], more].concat());
        let expected: Value =
            serde_json::from_str(&std::fs::read_to_string(stored(&format!("{name}.json"))).unwrap()).unwrap();
        for symbol in ["Ra", "Rq", "Rz", "Rt", "Rp", "Rv", "RSm", "Rc", "Rdq"] {
            let found = found["parameters"][symbol]["value"].as_f64().unwrap();
            let expected = expected["values"][symbol].as_f64().unwrap();
            assert!((found - expected).abs() < 2e-6 * expected.abs(), "{name} {symbol}: {found} {expected}");
        }
        assert_eq!(found["per_section"]["Rz"].as_array().unwrap().len(), 5);
        assert_eq!(found["remarks"], serde_json::json!([]), "{name}");
        assert_eq!(found["parameters"]["Ra"]["unit"], "µm");
    }
}

#[test]
fn every_choice_is_told() {
    let file = stored("02_ground.csv").display().to_string();
    let found = json(&[
        &file,
        "--spacing",
        "0.5 µm",
        "--edition",
        "ISO 4287",
        "--filter",
        "gaussian-robust",
        "--lambda-s",
        "none",
        "--sections",
        "3",
    ]);
    assert_eq!(found["spacing"], "0.5 µm");
    let settings = &found["settings"];
    for (name, expected) in
        [("edition", "ISO 4287"), ("filter", "gaussian-robust"), ("cutoff", "0.8 mm"), ("evaluation_length", "2.4 mm")]
    {
        assert_eq!(settings[name], expected, "{settings}");
    }
    assert!(settings["lambda_s"].is_null());
    let clipped = stored("11_clipped.csv").display().to_string();
    let remarks = json(&[&clipped, "--spacing", "0.5 µm"])["remarks"].clone();
    assert!(remarks.as_array().unwrap().iter().any(|code| code == "clipped"), "{remarks}");
}

#[test]
fn what_cannot_be_evaluated_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let short = file("short.csv", &"0.1\n".repeat(100));
    let uneven = file("uneven.csv", "0,1\n0.1,2\n0.3,1\n");
    for (arguments, code, words) in [
        (vec![short.as_str()], 1, "add --spacing"),
        (vec![&short, "--spacing", "0.5 µm"], 1, "shorter than one section"),
        (vec![&uneven], 1, "not equally far apart: step 1"),
        (vec!["/no/such/file"], 3, "No such file"),
        (vec![&short, "--cutoff", "0"], 2, "not above zero"),
        (vec![&short, "--filter", "spline"], 2, "known are gaussian"),
    ] {
        let output = profile(&arguments);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {said}");
        assert!(said.contains(words), "{arguments:?}: {said}");
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn the_sheet_is_drawn() {
    let folder = tempfile::tempdir().unwrap();
    let sheet = folder.path().join("sheet.svg");
    let file = stored("01_turned.csv").display().to_string();
    let output = profile(&[&file, "--spacing", "0.5 µm", "--plot", &sheet.display().to_string()]);
    assert!(output.status.success(), "{output:?}");
    assert!(String::from_utf8(output.stdout).unwrap().contains("evaluation_length"));
    let svg = std::fs::read_to_string(&sheet).unwrap();
    assert!(svg.starts_with("<svg") && svg.ends_with("</svg>\n") && !svg.contains("NaN"));
    for part in ["primary profile", "roughness profile", "material ratio", "distribution of heights"] {
        assert!(svg.contains(part), "{part}");
    }
    let count = |what: &str| svg.matches(what).count();
    assert_eq!(count("<text"), count("</text>"));
}

/// The open formats: one profile in all of them gives the same numbers; three of its points are not valid, and that is told.
#[test]
fn open_formats_say_the_same() {
    let file = |name: &str| {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../parsers/tests/profiles").join(name);
        path.display().to_string()
    };
    let of = |name: &str| json(&[&file(name), "--cutoff", "0.08 mm", "--lambda-s", "none"]);
    let first = of("profile-f64.x3p");
    assert_eq!((first["points"].as_u64(), first["spacing"].as_str()), (Some(800), Some("0.5 µm")));
    let told = |found: &Value| found["remarks"].as_array().unwrap().iter().any(|code| code == "invalid-points");
    assert!(told(&first));
    for name in
        ["profile-i16.x3p", "profile-iso1-ascii-i16.sdf", "profile-iso1-bin-i32.sdf", "profile-iso2-bin-f64.sdf"]
    {
        let found = of(name);
        assert!(told(&found), "{name}");
        for symbol in ["Ra", "Rz", "RSm"] {
            let value = |from: &Value| from["parameters"][symbol]["value"].as_f64().unwrap();
            assert!((value(&found) - value(&first)).abs() < 1e-9, "{name} {symbol}");
        }
    }
    let output = profile(&[&file("bad/doctype.x3p")]);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("nothing was evaluated"));
}
