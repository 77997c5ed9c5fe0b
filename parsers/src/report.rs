//! One frame as people and programs see it: the object per frame of `try --json`, and the run of an input
//! through framer and decoder that yields it.

use std::collections::BTreeMap;
use std::fmt::Write;

use serde::Serialize;

use crate::frame::{Close, Frame, Tick};
use crate::instrument::Instrument;
use crate::quantity::Quantity;
use crate::reading::{Conditions, Decoded, Identity, InstrumentLimits, Mark, Outcome, Reading, Reason, Remark, Trace};
use crate::unit::Unit;
use crate::value::Value;

/// What became of one frame, in the fields and their order that other programs rely on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FrameReport {
    /// Number of the frame, from 1.
    pub frame: u64,
    /// How it fared.
    pub outcome: Outcome,
    /// Why, where it was not accepted.
    pub reason: Option<Reason>,
    /// Position of its first byte in the stream or file.
    pub offset: u64,
    /// Its bytes.
    pub bytes: usize,
    /// Its readings.
    pub readings: Vec<ReadingReport>,
    /// Its profiles.
    pub traces: Vec<Trace>,
    /// Observations.
    pub remarks: Vec<Remark>,
}

/// One reading of a [`FrameReport`].
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReadingReport {
    /// Which quantity.
    pub quantity: Quantity,
    /// The number as displayed.
    pub value: Option<Value>,
    /// Its unit.
    pub unit: Option<Unit>,
    /// The digits to the letter.
    pub value_as_sent: String,
    /// The value in micrometres, exactly, without trailing zeros; `None` where the unit is no length.
    pub micrometres: Option<String>,
    /// What stands in place of, or beside, the number.
    pub mark: Option<Mark>,
    /// The instrument's own code for the mark.
    pub mark_code: Option<String>,
    /// Whether damage can be detected.
    pub protected: bool,
    /// The instrument's own verdict, to the letter.
    pub instrument_verdict: Option<String>,
    /// Limits the instrument printed.
    pub instrument_limits: InstrumentLimits,
    /// What tells this measurement from another one.
    pub identity: Identity,
    /// Conditions the message states.
    pub conditions: Conditions,
    /// Everything else.
    pub other: BTreeMap<String, String>,
}

impl FrameReport {
    /// The report on frame `number` (from 1).
    pub fn new(number: u64, frame: &Frame, decoded: &Decoded) -> Self {
        FrameReport {
            frame: number,
            outcome: decoded.outcome,
            reason: decoded.reason,
            offset: frame.offset,
            bytes: frame.raw.len(),
            readings: decoded.readings.iter().map(ReadingReport::new).collect(),
            traces: decoded.traces.clone(),
            remarks: decoded.remarks.clone(),
        }
    }
}

impl ReadingReport {
    /// The report on one reading.
    pub fn new(reading: &Reading) -> Self {
        ReadingReport {
            quantity: reading.quantity.clone(),
            value: reading.value,
            unit: reading.unit,
            value_as_sent: reading.value_as_sent.clone(),
            micrometres: reading.micrometres().map(|value| value.decimal().normalize().to_string()),
            mark: reading.mark,
            mark_code: reading.mark_code.clone(),
            protected: reading.protected,
            instrument_verdict: reading.instrument_verdict.clone(),
            instrument_limits: reading.instrument_limits.clone(),
            identity: reading.identity.clone(),
            conditions: reading.conditions.clone(),
            other: reading.other.clone(),
        }
    }
}

/// Appends the report on a frame as it is kept for good: one JSON object in the words of [`FrameReport`], with these
/// remarks, and without the fields that hold nothing (null, `false`, empty lists and objects).
pub fn kept_report(to: &mut String, number: u32, frame: &Frame, decoded: &Decoded, remarks: &[Remark]) {
    let outcome = serde_json::to_string(&decoded.outcome).unwrap_or_default();
    let _ = write!(to, "{{\"frame\":{number},\"outcome\":{outcome}");
    if let Some(reason) = decoded.reason {
        let _ = write!(to, ",\"reason\":\"{reason}\"");
    }
    let _ = write!(to, ",\"offset\":{},\"bytes\":{}", frame.offset, frame.raw.len());
    list(to, "readings", &decoded.readings, kept_reading);
    if !decoded.traces.is_empty() {
        let _ = write!(to, ",\"traces\":{}", serde_json::to_string(&decoded.traces).unwrap_or_default());
    }
    list(to, "remarks", remarks, |to, remark| {
        let _ = write!(to, "\"{remark}\"");
    });
    to.push('}');
}

fn list<T>(to: &mut String, name: &str, items: &[T], mut each: impl FnMut(&mut String, &T)) {
    for (at, item) in items.iter().enumerate() {
        match at {
            0 => {
                let _ = write!(to, ",\"{name}\":[");
            }
            _ => to.push(','),
        }
        each(to, item);
    }
    if !items.is_empty() {
        to.push(']');
    }
}

fn kept_reading(to: &mut String, reading: &Reading) {
    let _ = write!(to, "{{\"quantity\":\"{}\"", reading.quantity);
    shown(to, "value", reading.value.as_ref());
    shown(to, "unit", reading.unit.as_ref());
    text(to, "value_as_sent", Some(&reading.value_as_sent));
    shown(to, "micrometres", reading.micrometres().map(|value| value.decimal().normalize()).as_ref());
    shown(to, "mark", reading.mark.map(Mark::code).as_ref());
    text(to, "mark_code", reading.mark_code.as_deref());
    if reading.protected {
        to.push_str(",\"protected\":true");
    }
    text(to, "instrument_verdict", reading.instrument_verdict.as_deref());
    let limits = &reading.instrument_limits;
    object(to, "instrument_limits", |to| {
        text(to, "lower", limits.lower.as_deref());
        text(to, "upper", limits.upper.as_deref());
    });
    let identity = &reading.identity;
    object(to, "identity", |to| {
        text(to, "number", identity.number.as_deref());
        text(to, "time", identity.time.as_deref());
        text(to, "program", identity.program.as_deref());
        text(to, "part", identity.part.as_deref());
        text(to, "channel", identity.channel.as_deref());
        text(to, "remark", identity.remark.as_deref());
    });
    let conditions = &reading.conditions;
    object(to, "conditions", |to| {
        shown(to, "cutoff", conditions.cutoff.as_ref());
        shown(to, "lambda_s", conditions.lambda_s.as_ref());
        text(to, "sections", conditions.sections.as_deref());
        text(to, "filter", conditions.filter.as_deref());
        text(to, "standard", conditions.standard.as_deref());
        shown(to, "traverse", conditions.traverse.as_ref());
    });
    object(to, "other", |to| {
        for (name, value) in &reading.other {
            to.push(',');
            quote(to, name);
            to.push(':');
            quote(to, value);
        }
    });
    to.push('}');
}

/// A member that is an object, if `fill` puts anything into it.
fn object(to: &mut String, name: &str, fill: impl FnOnce(&mut String)) {
    let before = to.len();
    let _ = write!(to, ",\"{name}\":{{");
    let begun = to.len();
    fill(to);
    match to.len() == begun {
        true => to.truncate(before),
        false => {
            // Each member brings a comma in front; the first one needs none.
            to.remove(begun);
            to.push('}');
        }
    }
}

/// A member whose text needs no escaping: numbers, units, codes.
fn shown(to: &mut String, name: &str, value: Option<&impl std::fmt::Display>) {
    if let Some(value) = value {
        let _ = write!(to, ",\"{name}\":\"{value}\"");
    }
}

fn text(to: &mut String, name: &str, value: Option<&str>) {
    if let Some(value) = value {
        let _ = write!(to, ",\"{name}\":");
        quote(to, value);
    }
}

/// A text as JSON.
fn quote(to: &mut String, text: &str) {
    to.push('"');
    let mut rest = text;
    while let Some(at) = rest.find(|c: char| c < ' ' || c == '"' || c == '\\') {
        let (plain, behind) = rest.split_at(at);
        to.push_str(plain);
        let mut letters = behind.chars();
        match letters.next() {
            Some(c @ ('"' | '\\')) => to.extend(['\\', c]),
            Some(c) => {
                let _ = write!(to, "\\u{:04x}", u32::from(c));
            }
            None => {}
        }
        rest = letters.as_str();
    }
    to.push_str(rest);
    to.push('"');
}

/// Runs an input that arrived in `chunks` through framer and decoder, as a station would, and ends it. Line ends
/// and blanks left at the end are told as part of the frame before them.
pub fn examine(instrument: &Instrument, chunks: &[(Tick, Vec<u8>)]) -> Vec<(Frame, Decoded)> {
    let mut framer = instrument.framer();
    let mut frames = Vec::new();
    for (at, bytes) in chunks {
        while let Some(frame) = framer.expire(*at) {
            frames.push(frame);
        }
        framer.push(bytes, *at);
        while let Some(frame) = framer.poll() {
            frames.push(frame);
        }
    }
    while let Some(frame) = framer.finish() {
        frames.push(frame);
    }
    let mut decoder = instrument.decoder();
    let mut seen: Vec<(Frame, Decoded)> = Vec::new();
    for frame in frames {
        let decoded = decoder.decode(&frame);
        match seen.last_mut() {
            Some((before, _)) if frame.close == Close::Residue => before.raw.extend_from_slice(&frame.raw),
            _ => seen.push((frame, decoded)),
        }
    }
    seen
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;
    use serde_json::Value as Json;

    /// Leaves out what holds nothing, at every depth.
    fn thin(value: &mut Json) -> bool {
        match value {
            Json::Null | Json::Bool(false) => false,
            Json::Array(items) => !items.is_empty() && items.iter_mut().all(|item| thin(item) || item.is_object()),
            Json::Object(members) => {
                members.retain(|_, member| thin(member));
                !members.is_empty()
            }
            _ => true,
        }
    }

    #[test]
    fn a_kept_report_says_what_the_report_says() {
        let text = r#"
            [instrument]
            name = "odd"
            [framing]
            kind = "lines"
            [pairs]
            pair = "="
            between = ";"
            [names]
            N = "number"
            P = "quantity"
            V = "value"
            U = "unit"
            C = "cutoff"
            K = "part"
            [[mark]]
            pattern = '>+'
            means = "over"
            [reading]
            required = ["number"]
        "#;
        let definition: crate::Definition = toml::from_str(text).unwrap();
        let instrument = definition.compile().unwrap();
        let bytes = "N=1;P=Ra;V=0.412;U=um;C=0.8 mm;K=a\"b\\c;X=\u{1}odd\r\nN=2;P=Rz;V=>>>;U=um\r\nnothing\r\nN=";
        for (number, (frame, decoded)) in (1..).zip(examine(&instrument, &[(Tick(0), bytes.into())])) {
            let mut kept = String::new();
            kept_report(&mut kept, number, &frame, &decoded, &decoded.remarks);
            let mut whole = serde_json::to_value(FrameReport::new(u64::from(number), &frame, &decoded)).unwrap();
            thin(&mut whole);
            assert_eq!(serde_json::from_str::<Json>(&kept).unwrap(), whole, "{kept}");
        }
    }
}
