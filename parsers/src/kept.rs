//! The report on a frame as the store keeps it, and the readings back out of it.

use std::collections::BTreeMap;
use std::fmt::Write;

use serde_json::Value as Json;

use crate::frame::Frame;
use crate::quantity::Quantity;
use crate::reading::{
    Conditions, Decoded, Identity, InstrumentLimits, LengthText, LimitMeant, Mark, Reading, Remark, Verdict,
};
use crate::unit::Unit;
use crate::value::Value;

/// Appends the report on a frame as it is kept for good: one JSON object in the words of [`crate::FrameReport`], with these
/// remarks, and without the fields that hold nothing (null, `false`, empty lists and objects). What judging needs beside
/// that stands there too, so that a reading comes back whole.
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
    text(to, "unit_as_sent", reading.unit_as_sent.as_deref());
    shown(to, "micrometres", reading.micrometres().map(|value| value.decimal().normalize()).as_ref());
    shown(to, "mark", reading.mark.map(Mark::code).as_ref());
    text(to, "mark_code", reading.mark_code.as_deref());
    if reading.protected {
        to.push_str(",\"protected\":true");
    }
    text(to, "instrument_verdict", reading.instrument_verdict.as_deref());
    shown(to, "verdict", reading.verdict.map(verdict_word).as_ref());
    let limits = &reading.instrument_limits;
    object(to, "instrument_limits", |to| {
        text(to, "lower", limits.lower.as_deref());
        text(to, "upper", limits.upper.as_deref());
    });
    object(to, "limits_meant", |to| {
        shown(to, "lower", limits.lower_meant.map(meant).as_ref());
        shown(to, "upper", limits.upper_meant.map(meant).as_ref());
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
    text(to, "converted_from", reading.converted_from.as_deref());
    if reading.computed {
        to.push_str(",\"computed\":true");
    }
    if reading.stored {
        to.push_str(",\"stored\":true");
    }
    if reading.record > 0 {
        let _ = write!(to, ",\"record\":{}", reading.record);
    }
    if reading.field > 0 {
        let _ = write!(to, ",\"field\":{}", reading.field);
    }
    to.push('}');
}

fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::In => "in",
        Verdict::Out => "out",
    }
}

fn meant(limit: LimitMeant) -> LengthText {
    LengthText { value: limit.value, unit: limit.unit }
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

/// The readings of a kept report, whole as they were decoded. `None` where it holds something that this version can't read: then
/// nothing may be concluded from it.
pub fn kept_readings(report: &Json) -> Option<Vec<Reading>> {
    let readings = match &report["readings"] {
        Json::Null => return Some(Vec::new()),
        list => list.as_array()?,
    };
    readings.iter().map(back).collect()
}

fn back(kept: &Json) -> Option<Reading> {
    let word = |of: &Json, name: &str| of[name].as_str().map(str::to_owned);
    let words = |of: &Json| -> Option<BTreeMap<String, String>> {
        let members = of.as_object().into_iter().flatten();
        members.map(|(name, value)| Some((name.clone(), value.as_str()?.to_owned()))).collect()
    };
    let (identity, conditions, limits) = (&kept["identity"], &kept["conditions"], &kept["instrument_limits"]);
    let length = |of: &Json, name: &str| optional(&of[name], length);
    let limit = |name: &str| -> Option<Option<LimitMeant>> {
        Some(length(&kept["limits_meant"], name)?.map(|it| LimitMeant { value: it.value, unit: it.unit }))
    };
    Some(Reading {
        quantity: Quantity::parse(kept["quantity"].as_str()?)?,
        value: optional(&kept["value"], |text| Value::parse(text).ok())?,
        unit: optional(&kept["unit"], Unit::parse)?,
        value_as_sent: word(kept, "value_as_sent")?,
        unit_as_sent: word(kept, "unit_as_sent"),
        mark: optional(&kept["mark"], |code| serde_json::from_value(Json::from(code)).ok())?,
        mark_code: word(kept, "mark_code"),
        protected: kept["protected"] == true,
        instrument_verdict: word(kept, "instrument_verdict"),
        verdict: optional(&kept["verdict"], |word| {
            [Verdict::In, Verdict::Out].into_iter().find(|verdict| verdict_word(*verdict) == word)
        })?,
        instrument_limits: InstrumentLimits {
            lower: word(limits, "lower"),
            upper: word(limits, "upper"),
            lower_meant: limit("lower")?,
            upper_meant: limit("upper")?,
        },
        identity: Identity {
            number: word(identity, "number"),
            time: word(identity, "time"),
            program: word(identity, "program"),
            part: word(identity, "part"),
            channel: word(identity, "channel"),
            remark: word(identity, "remark"),
        },
        conditions: Conditions {
            cutoff: length(conditions, "cutoff")?,
            lambda_s: length(conditions, "lambda_s")?,
            sections: word(conditions, "sections"),
            filter: word(conditions, "filter"),
            standard: word(conditions, "standard"),
            traverse: length(conditions, "traverse")?,
        },
        converted_from: word(kept, "converted_from"),
        other: words(&kept["other"])?,
        record: u32::try_from(kept["record"].as_u64().unwrap_or(0)).ok()?,
        field: u32::try_from(kept["field"].as_u64().unwrap_or(0)).ok()?,
        stored: kept["stored"] == true,
        computed: kept["computed"] == true,
    })
}

/// A member that may be missing: `None` only where it is there and can't be read.
fn optional<T>(member: &Json, read: impl FnOnce(&str) -> Option<T>) -> Option<Option<T>> {
    match member {
        Json::Null => Some(None),
        member => read(member.as_str()?).map(Some),
    }
}

/// `0.80 mm`
fn length(text: &str) -> Option<LengthText> {
    let (value, unit) = text.rsplit_once(' ')?;
    Some(LengthText { value: Value::parse(value).ok()?, unit: Unit::parse(unit)? })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;
    use crate::{FrameReport, Tick, examine};

    /// What the report does not tell.
    const BESIDE: [&str; 7] =
        ["unit_as_sent", "verdict", "limits_meant", "converted_from", "stored", "record", "field"];

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
            let mut kept: Json = serde_json::from_str(&kept).unwrap();
            for reading in kept.get_mut("readings").and_then(Json::as_array_mut).into_iter().flatten() {
                let members = reading.as_object_mut().unwrap();
                members.retain(|name, _| !BESIDE.contains(&name.as_str()));
            }
            assert_eq!(kept, whole);
        }
    }
}
