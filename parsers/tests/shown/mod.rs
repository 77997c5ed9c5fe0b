//! Definitions and bytes, and what every frame of them becomes, as one line of text.
//!
//! A frame is shown as `outcome reason | readings | profiles | remarks`; a reading as `quantity=value unit` with what
//! goes with it in braces. `Residue` frames are not shown, and `unprotected` is left out where nothing else is asked.
#![allow(dead_code, reason = "not every test uses all of it")]

use ridgepost_parsers::{
    Close, Decoded, Definition, Frame, Instrument, Outcome, Reading, Remark, Tick, Value, examine,
};

pub fn instrument(text: &str) -> Instrument {
    let text = format!("[instrument]\nname = \"x\"\n{text}");
    let definition: Definition = toml::from_str(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    definition.compile().unwrap_or_else(|faults| panic!("{faults:#?}\n{text}"))
}

fn show_reading(reading: &Reading) -> String {
    let mut text = format!("{}=", reading.quantity);
    match (&reading.value, reading.mark) {
        (Some(value), mark) => {
            text.push_str(&value.to_string());
            text.push_str(&mark.map(|mark| format!("<{}>", mark.code())).unwrap_or_default());
        }
        (None, mark) => text.push_str(&format!("<{}>", mark.map_or("nothing", |mark| mark.code()))),
    }
    if let Some(unit) = reading.unit {
        text.push_str(&format!(" {unit}"));
    }
    let mut beside: Vec<String> = Vec::new();
    let mut add = |name: &str, text: Option<String>| beside.extend(text.map(|text| format!("{name}:{text}")));
    let (identity, conditions) = (reading.identity.clone(), reading.conditions.clone());
    add("code", reading.mark_code.clone());
    add("verdict", reading.instrument_verdict.clone());
    add("lower", reading.instrument_limits.lower.clone());
    add("upper", reading.instrument_limits.upper.clone());
    add("no", identity.number);
    add("time", identity.time);
    add("program", identity.program);
    add("part", identity.part);
    add("channel", identity.channel);
    add("remark", identity.remark);
    add("cutoff", conditions.cutoff.map(|length| length.to_string()));
    add("ls", conditions.lambda_s.map(|length| length.to_string()));
    add("sections", conditions.sections);
    add("filter", conditions.filter);
    add("traverse", conditions.traverse.map(|length| length.to_string()));
    for (name, value) in &reading.other {
        add(name, Some(value.clone()));
    }
    if !beside.is_empty() {
        text.push_str(&format!(" {{{}}}", beside.join(" ")));
    }
    text
}

fn show(frame: &Frame, decoded: &Decoded) -> Option<String> {
    if frame.close == Close::Residue {
        return None;
    }
    let outcome = match decoded.outcome {
        Outcome::Accepted => "ok",
        Outcome::NotMine => "not-mine",
        Outcome::Damaged => "damaged",
        Outcome::Incomplete => "incomplete",
    };
    let mut text = outcome.to_owned();
    if let Some(reason) = decoded.reason {
        text.push_str(&format!(" {reason}"));
    }
    let readings: Vec<String> = decoded.readings.iter().map(show_reading).collect();
    if !readings.is_empty() {
        text.push_str(&format!(" | {}", readings.join(", ")));
    }
    for trace in &decoded.traces {
        let gap = |at: usize| trace.marks.iter().find(|gap| (gap.from..gap.from + gap.points).contains(&at));
        let height = |(at, height): (usize, &Option<Value>)| match (height, gap(at)) {
            (Some(height), None) => height.to_string(),
            (None, Some(gap)) => format!("<{}>", gap.mark.code()),
            _ => panic!("a height and its mark disagree: {trace:?}"),
        };
        let heights: Vec<String> = trace.heights.iter().enumerate().map(height).collect();
        text.push_str(&format!(" | {} points each {}: {}", trace.points, trace.spacing, heights.join(" ")));
    }
    let remarks: Vec<&str> =
        decoded.remarks.iter().filter(|remark| **remark != Remark::Unprotected).map(|remark| remark.code()).collect();
    if !remarks.is_empty() {
        text.push_str(&format!(" | {}", remarks.join(" ")));
    }
    Some(text)
}

pub fn told(instrument: &Instrument, chunks: &[(Tick, Vec<u8>)]) -> Vec<String> {
    examine(instrument, chunks).iter().filter_map(|(frame, decoded)| show(frame, decoded)).collect()
}

/// Plays `input` in one piece and asserts what the frames become.
#[track_caller]
pub fn says(definition: &str, input: &[u8], expected: &[&str]) {
    assert_eq!(
        told(&instrument(definition), &[(Tick(0), input.to_vec())]),
        expected,
        "{:?}",
        String::from_utf8_lossy(input)
    );
}

/// The same with pieces at their times.
#[track_caller]
pub fn says_over_time(definition: &str, pieces: &[(u64, &[u8])], expected: &[&str]) {
    let chunks: Vec<(Tick, Vec<u8>)> = pieces.iter().map(|(at, bytes)| (Tick(*at), bytes.to_vec())).collect();
    assert_eq!(told(&instrument(definition), &chunks), expected);
}

/// The message of the only fault of a definition, with its path.
#[track_caller]
pub fn fault(text: &str) -> String {
    let text = format!("[instrument]\nname = \"x\"\n{text}");
    let definition: Definition = toml::from_str(&text).unwrap();
    let faults = definition.compile().expect_err("a fault");
    let [fault] = faults.as_slice() else { panic!("{faults:#?}") };
    let path: Vec<String> = fault
        .path
        .iter()
        .map(|step| match step {
            ridgepost_parsers::Step::Key(key) => key.clone(),
            ridgepost_parsers::Step::Index(index) => index.to_string(),
        })
        .collect();
    format!("{}: {}", path.join("."), fault.message)
}
