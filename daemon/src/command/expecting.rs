//! What a shop expects of its recordings, held against what a definition reads in them: `ridgepost try --expect` for one
//! recording, `ridgepost check` for all that lie beside the definitions of a cell.
//!
//! An expectation has the form of `ridgepost try --json`: one object per frame. Keys that it leaves out may hold anything;
//! frames, readings and everything else in lists are counted, so that a reading too many is found like one too few.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use ridgepost_parsers::{FrameReport, Input, Instrument, examine};
use serde_json::Value;

/// What stands behind the name of a recording in the name of its expectation.
pub(super) const SUFFIX: &str = ".expected.jsonl";

/// One thing that is otherwise than expected.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub(super) struct Difference {
    /// Frame, counted from 1.
    pub(super) frame: usize,
    /// Where in the frame's object, such as `readings[0].value`; empty for a whole frame.
    pub(super) at: String,
    /// What was expected; `None` for a frame too many.
    pub(super) expected: Option<Value>,
    /// What was found; `None` where nothing was.
    pub(super) found: Option<Value>,
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "frame {}", self.frame)?;
        match (&self.expected, &self.found) {
            (Some(_), None) if self.at.is_empty() => write!(f, ": expected, but the input ends before it"),
            (None, Some(_)) if self.at.is_empty() => write!(f, ": one that is not expected"),
            (expected, found) => {
                let told = |side: &Option<Value>| side.as_ref().map_or("nothing".to_owned(), Value::to_string);
                write!(f, ", {}: expected {}, found {}", self.at, told(expected), told(found))
            }
        }
    }
}

/// Every frame of an input as `try --json` tells it.
pub(super) fn reports(instrument: &std::sync::Arc<Instrument>, input: &Input) -> Vec<Value> {
    let frames = (1..).zip(examine(&input.suited(instrument), &input.received));
    let told = |(number, (frame, decoded))| FrameReport::new(number, &frame, &decoded);
    frames.map(told).map(|report| serde_json::to_value(report).unwrap_or_default()).collect()
}

/// Reads an expectation; what is wrong with it is for people.
pub(super) fn read(path: &Path) -> Result<Vec<Value>, String> {
    let text = fs::read_to_string(path).map_err(|error| format!("{} can't be read: {error}", path.display()))?;
    let mut frames = Vec::new();
    for (line, text) in (1..).zip(text.lines()).filter(|(_, text)| !text.trim().is_empty()) {
        match serde_json::from_str(text) {
            Ok(frame @ Value::Object(_)) => frames.push(frame),
            Ok(_) => return Err(format!("{}:{line}: is no JSON object; write one per frame", path.display())),
            Err(error) => return Err(format!("{}:{line}: {error}; write one JSON object per frame", path.display())),
        }
    }
    Ok(frames)
}

/// What is otherwise in `found` than in `expected`.
pub(super) fn differences(expected: &[Value], found: &[Value]) -> Vec<Difference> {
    let mut all = Vec::new();
    for at in 0..expected.len().max(found.len()) {
        compare(at + 1, String::new(), expected.get(at), found.get(at), &mut all);
    }
    all
}

fn compare(frame: usize, at: String, expected: Option<&Value>, found: Option<&Value>, all: &mut Vec<Difference>) {
    match (expected, found) {
        (Some(Value::Object(keys)), Some(Value::Object(held))) => {
            for (key, expected) in keys {
                let at = if at.is_empty() { key.clone() } else { format!("{at}.{key}") };
                compare(frame, at, Some(expected), held.get(key), all);
            }
        }
        (Some(Value::Array(items)), Some(Value::Array(held))) => {
            for item in 0..items.len().max(held.len()) {
                compare(frame, format!("{at}[{item}]"), items.get(item), held.get(item), all);
            }
        }
        (expected, found) if expected == found => {}
        (expected, found) => all.push(Difference { frame, at, expected: expected.cloned(), found: found.cloned() }),
    }
}

/// A recording that was held against its expectation.
#[derive(Debug)]
pub(super) struct Trial {
    /// The recording.
    pub(super) recording: PathBuf,
    /// What is otherwise, or why that can't be told; empty where all is as expected.
    pub(super) faults: Vec<String>,
    /// Nobody has said yet what is expected, and how that is done.
    pub(super) remark: Option<String>,
}

/// Tries every recording beside the definitions of a cell: those of `instruments/NAME.toml` lie in `instruments/NAME/`,
/// each with its expectation, `FILE` with `FILE.expected.jsonl`.
pub(super) fn try_all(cell: &Path) -> Vec<Trial> {
    let mut trials = Vec::new();
    for definition in listed(&cell.join("instruments")) {
        let folder = definition.with_extension("");
        if definition.extension().is_none_or(|extension| extension != "toml") || !folder.is_dir() {
            continue;
        }
        // A definition with faults was told of already.
        let Ok(text) = fs::read_to_string(&definition) else { continue };
        let Ok((instrument, _)) = ridgepost_config::instrument(&text, &definition) else { continue };
        let (expectations, recordings): (Vec<_>, Vec<_>) =
            listed(&folder).into_iter().partition(|path| path.to_string_lossy().ends_with(SUFFIX));
        let named: BTreeSet<PathBuf> = expectations.iter().map(|path| recording_of(path)).collect();
        trials.extend(named.iter().map(|recording| trial(&instrument, recording)));
        let alone = recordings.into_iter().filter(|path| path.is_file() && !named.contains(path));
        trials.extend(alone.map(|recording| {
            let remark = format!(
                "has no expectation: look at what `ridgepost try {} {}` tells, and where every number is right keep it \
                 with --json as {}{SUFFIX}",
                definition.display(),
                recording.display(),
                recording.display()
            );
            Trial { recording, faults: Vec::new(), remark: Some(remark) }
        }));
    }
    trials
}

fn trial(instrument: &std::sync::Arc<Instrument>, recording: &Path) -> Trial {
    let mut expectation = recording.as_os_str().to_owned();
    expectation.push(SUFFIX);
    let faults = read(Path::new(&expectation)).and_then(|expected| {
        let bytes = fs::read(recording).map_err(|error| format!("can't be read: {error}"))?;
        let input = Input::read(&bytes).map_err(|fault| fault.to_string())?;
        Ok(differences(&expected, &reports(instrument, &input)).iter().map(ToString::to_string).collect())
    });
    let faults = faults.unwrap_or_else(|fault: String| vec![fault]);
    Trial { recording: recording.to_owned(), faults, remark: None }
}

/// The recording that an expectation is about: its name without the suffix, taken off once.
fn recording_of(expectation: &Path) -> PathBuf {
    let name = expectation.as_os_str().as_bytes();
    PathBuf::from(OsStr::from_bytes(name.strip_suffix(SUFFIX.as_bytes()).unwrap_or(name)))
}

/// What a folder holds, in order of the names; nothing where it can't be listed.
fn listed(folder: &Path) -> Vec<PathBuf> {
    let mut paths: Vec<PathBuf> =
        fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    paths.sort();
    paths
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test that can't go on may stop")]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn one_suffix_is_taken_off_and_the_name_is_left_as_it_is() {
        for name in [&b"x.bin"[..], b"x.expected.jsonl", b"\xff.bin"] {
            let recording = Path::new("a").join(OsStr::from_bytes(name));
            let mut expectation = recording.clone().into_os_string();
            expectation.push(SUFFIX);
            assert_eq!(recording_of(Path::new(&expectation)), recording);
        }
    }

    #[test]
    fn what_is_named_counts_and_what_is_left_out_does_not() {
        let found = [
            json!({ "outcome": "accepted", "readings": [{ "quantity": "Ra", "value": "0.412", "unit": "µm" }] }),
            json!({ "outcome": "damaged", "reason": "checksum", "readings": [] }),
        ];
        let told = |expected: &[Value]| {
            differences(expected, &found).iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
        };
        assert_eq!(told(&found), "");
        assert_eq!(told(&[json!({ "readings": [{ "value": "0.412" }] }), json!({ "reason": "checksum" })]), "");
        for (expected, at) in [
            (vec![found[0].clone()], "frame 2: one that is not expected"),
            ([&found[..], &[json!({})]].concat(), "frame 3: expected, but the input ends before it"),
            (
                vec![json!({ "readings": [{ "value": "0.421" }] }), json!({})],
                r#"frame 1, readings[0].value: expected "0.421", found "0.412""#,
            ),
            (
                vec![json!({ "readings": [] }), json!({})],
                r#"frame 1, readings[0]: expected nothing, found {"quantity":"Ra","value":"0.412","unit":"µm"}"#,
            ),
            (
                vec![json!({}), json!({ "readings": [{ "value": "1" }] })],
                r#"frame 2, readings[0]: expected {"value":"1"}, found nothing"#,
            ),
            (
                vec![json!({ "outcom": "accepted" }), json!({})],
                r#"frame 1, outcom: expected "accepted", found nothing"#,
            ),
        ] {
            assert_eq!(told(&expected), at);
        }
    }
}
