//! What was read against what the recording holds.

use std::collections::{BTreeMap, BTreeSet};

use ridgepost_parsers::{Mark, Reading, Reason, Remark, Trace, Value};

use super::case::Case;
use super::expected::{Expected, Param, Record, bytes_of_hex};
use super::play::{Played, Shown, show};

/// Every difference between what was read and what the case holds: values to the letter and in order, marks,
/// verdicts and limits of the instrument, what belongs to one measurement, identity, conditions and profiles where
/// the case names them, rejected frames, remarks.
pub fn compare_exactly(case: &Case, played: &Played) -> Vec<String> {
    let mut faults = compare_values(&case.expected.values(), &played.values());
    if faults.is_empty() {
        compare_records(case, played, &mut faults);
    }
    compare_traces(&case.expected, played, &mut faults);
    compare_rejects(&case.expected, played, &mut faults);
    compare_remarks(&case.expected, played, &mut faults);
    faults
}

/// Differences of the values alone.
pub fn compare_values(expected: &[Shown], got: &[Shown]) -> Vec<String> {
    if expected == got { vec![] } else { vec![format!("expected {} but read {}", line(expected), line(got))] }
}

/// Values in one line.
pub(crate) fn line(values: &[Shown]) -> String {
    let one = |(quantity, value, unit, mark): &Shown| {
        let value = value.clone().unwrap_or_else(|| format!("<{}>", mark.as_deref().unwrap_or("nothing")));
        format!("{quantity}={value} {}", unit.as_deref().unwrap_or("-"))
    };
    format!("[{}]", values.iter().map(one).collect::<Vec<_>>().join(", "))
}

fn compare_records(case: &Case, played: &Played, faults: &mut Vec<String>) {
    let mut got = played
        .told
        .iter()
        .enumerate()
        .flat_map(|(at, told)| told.decoded.readings.iter().map(move |reading| ((at, reading.record), reading)));
    let mut seen = BTreeSet::new();
    for (at, record) in case.expected.readings.iter().enumerate() {
        let mut places = BTreeSet::new();
        for param in &record.params {
            let Some((place, reading)) = got.next() else { return };
            places.insert(place);
            compare_param(case, param, reading, faults);
            compare_meta(record, reading, faults);
        }
        if places.len() > 1 {
            faults.push(format!("measurement {at} is spread over records {places:?}"));
        }
        if places.iter().any(|place| !seen.insert(*place)) {
            faults.push(format!("measurement {at} shares a record with another one"));
        }
    }
}

fn compare_param(case: &Case, param: &Param, reading: &Reading, faults: &mut Vec<String>) {
    let what = format!("{} {:?}", param.param, param.value_text);
    let mut differ = |key: &str, expected: Option<&str>, got: Option<&str>| {
        if expected != got {
            faults.push(format!("{what}: {key} should be {expected:?} and is {got:?}"));
        }
    };
    differ("instrument_verdict", param.inst_verdict.as_deref(), reading.instrument_verdict.as_deref());
    differ("upper limit", param.inst_limit_hi.as_deref(), reading.instrument_limits.upper.as_deref());
    differ("converted_from", param.converted_from.as_deref(), reading.converted_from.as_deref());
    differ("lower limit", param.inst_limit_lo.as_deref(), reading.instrument_limits.lower.as_deref());
    // Where decimals are implied the text is rebuilt, so the input doesn't hold it.
    if let Some(text) = param.value_text.as_deref().filter(|text| case.holds_text(text)) {
        differ("value_as_sent", Some(text), Some(&reading.value_as_sent));
    }
    let micrometres = reading.micrometres().map(|value| value.decimal());
    let expected = param.um.as_deref().and_then(|text| Value::parse(text).ok()).map(|value| value.decimal());
    if expected.is_some() != param.um.is_some() || expected != micrometres {
        faults.push(format!("{what}: micrometres should be {:?} and are {micrometres:?}", param.um));
    }
    let code = reading.mark_code.as_deref();
    let fits = match &param.code {
        Some(expected) => code.is_some_and(|code| code.ends_with(expected.as_str())),
        None => true,
    };
    if !fits {
        faults.push(format!("{what}: mark_code should end in {:?} and is {code:?}", param.code));
    }
}

/// Keys that say the same thing under other names are brought together here; what no field carries must be among
/// the fields without a role.
fn compare_meta(record: &Record, reading: &Reading, faults: &mut Vec<String>) {
    for (key, expected) in &record.meta {
        let told = meta_as_told(key, reading);
        let text = expected.as_str().unwrap_or_default();
        let agrees = match key.as_str() {
            "profile" => true,
            "source" => (text == "memory") == reading.stored,
            "extra" => extra_is_there(expected, &reading.other),
            "cutoff" | "cutoff_mm" | "cutoff_um" | "traverse_mm" => length_of(key, text)
                .is_some_and(|length| told.as_deref().and_then(|told| length_of("", told)) == Some(length)),
            "n_sampling" => told.as_deref() == Some(text.trim_start_matches('0')),
            _ => told.as_deref() == Some(text),
        };
        if !agrees {
            faults.push(format!(
                "{} {:?}: {key} should be {expected} and is {told:?}",
                reading.quantity, reading.value_as_sent
            ));
        }
    }
}

fn meta_as_told(key: &str, reading: &Reading) -> Option<String> {
    let (identity, conditions) = (&reading.identity, &reading.conditions);
    match key {
        "seq" => identity.number.clone(),
        "serial" => identity.part.clone(),
        "inst_time" => identity.time.clone(),
        "program" => identity.program.clone(),
        "channel" => identity.channel.clone(),
        "remark" => identity.remark.clone(),
        "cutoff" | "cutoff_mm" | "cutoff_um" => conditions.cutoff.map(|length| length.to_string()),
        "traverse_mm" => conditions.traverse.map(|length| length.to_string()),
        "n_sampling" => conditions.sections.clone(),
        "filter" => conditions.filter.clone(),
        "standard" => conditions.standard.clone(),
        "source" => Some(if reading.stored { "memory" } else { "live" }.to_owned()),
        "station" => reading.other.get("station").or(identity.channel.as_ref()).cloned(),
        other => reading.other.get(other).cloned(),
    }
}

fn extra_is_there(expected: &serde_json::Value, other: &BTreeMap<String, String>) -> bool {
    let Some(expected) = expected.as_object() else { return false };
    expected.iter().all(|(key, value)| other.get(key).map(String::as_str) == value.as_str())
}

/// A length in micrometres from `0.80` with the unit in the key's end, or from `0.80 mm`.
fn length_of(key: &str, text: &str) -> Option<Value> {
    let (digits, unit) = match (key.rsplit_once('_'), text.split_once(' ')) {
        (_, Some((digits, unit))) => (digits, unit),
        (Some((_, unit)), None) => (text, unit),
        _ => return None,
    };
    let unit = ridgepost_parsers::Unit::parse(unit)?;
    unit.to_micrometres(Value::parse(&digits.replace(',', ".")).ok()?.decimal()).map(Value::from)
}

fn compare_traces(expected: &Expected, played: &Played, faults: &mut Vec<String>) {
    let profiles: Vec<_> = expected.readings.iter().filter_map(|record| record.meta.get("profile")).collect();
    let traces: Vec<&Trace> = played.told.iter().flat_map(|told| &told.decoded.traces).collect();
    if profiles.len() != traces.len() {
        faults.push(format!("expected {} profiles but read {}", profiles.len(), traces.len()));
        return;
    }
    for (profile, trace) in profiles.iter().zip(traces) {
        let heights: Vec<String> =
            trace.heights.iter().map(|height| height.map_or("null".into(), |height| height.to_string())).collect();
        let expected: Vec<&str> = profile["z_um"].as_array().into_iter().flatten().filter_map(|z| z.as_str()).collect();
        let spacing = profile["dx_um"].as_str().and_then(|text| length_of("dx_um", text)).map(Value::decimal);
        if heights != expected || profile["n"].as_u64() != Some(trace.points as u64) {
            faults.push(format!("expected heights {expected:?} but read {} points {heights:?}", trace.points));
        }
        if spacing.is_none() || trace.spacing.micrometres() != spacing {
            faults.push(format!("expected spacing {} µm but read {}", profile["dx_um"], trace.spacing));
        }
    }
}

fn compare_rejects(expected: &Expected, played: &Played, faults: &mut Vec<String>) {
    let rejected: Vec<_> = played.rejected().collect();
    for told in &rejected {
        if told.decoded.reason.is_none() {
            faults.push(format!("a frame at {} is rejected without a reason", told.frame.offset));
        }
        if !told.decoded.readings.is_empty() || !told.decoded.traces.is_empty() {
            faults.push(format!("a rejected frame at {} holds readings", told.frame.offset));
        }
    }
    if rejected.len() != expected.rejects.len() {
        let reasons: Vec<_> = rejected.iter().map(|told| (told.frame.offset, told.decoded.reason)).collect();
        faults.push(format!("expected {} rejected frames but there are {reasons:?}", expected.rejects.len()));
    }
    for reject in &expected.rejects {
        let bytes = bytes_of_hex(&reject.hex).unwrap_or_default();
        let of_reason = Reason::parse(&reject.why);
        let found = rejected.iter().any(|told| {
            told.frame.raw.windows(bytes.len().max(1)).any(|window| window == bytes)
                && of_reason.is_none_or(|reason| told.decoded.reason == Some(reason))
        });
        if !found {
            let reasons: Vec<_> = rejected.iter().map(|told| told.decoded.reason).collect();
            faults.push(format!("no rejected frame holds {} as {} (there is {reasons:?})", reject.hex, reject.why));
        }
    }
}

fn compare_remarks(expected: &Expected, played: &Played, faults: &mut Vec<String>) {
    let mut got: BTreeSet<String> = played.remarks().map(|remark| remark.code().to_owned()).collect();
    let expected: BTreeSet<String> = expected.events.iter().map(|event| event.remark()).collect();
    got.remove(Remark::Unprotected.code());
    // An error mark is told by its reading already; a remark beside it says the same.
    if !expected.contains(Remark::InstrumentError.code())
        && played.readings().any(|reading| reading.mark == Some(Mark::Error))
    {
        got.remove(Remark::InstrumentError.code());
    }
    if expected != got {
        faults.push(format!("expected remarks {expected:?} but there are {got:?}"));
    }
}

/// Whether `got` is a row of parts, in order: a part is either there entirely or, where it is `loose`, with gaps.
pub fn consists_of(got: &[Shown], parts: &[(&[Shown], bool)]) -> bool {
    let Some(((part, loose), rest)) = parts.split_first() else { return got.is_empty() };
    (0..=part.len().min(got.len())).any(|length| {
        let (here, behind) = got.split_at(length);
        let fits = if *loose { is_subsequence(here, part) } else { here == *part };
        fits && consists_of(behind, rest)
    })
}

/// Whether `got` is what a copy of `length` bytes and the recording may give where a cut message and the next one may be
/// read as one ([`Case::runs_together`], messages that end with CR). Where the copy `runs_on` into two recordings, the
/// joined message has the value of both texts together, or none; behind a silence the first message, which may be the
/// rest of the cut one, is read or not; nothing else is missing or another.
pub fn fits_run_together(case: &Case, length: usize, got: &[Shown], runs_on: bool) -> bool {
    let all = case.expected.values();
    let messages = |bytes: &[u8]| bytes.split(|byte| *byte == b'\r').map(<[u8]>::to_vec).collect::<Vec<_>>();
    let mut copied = messages(&case.input[..length]);
    let part = copied.pop().unwrap_or_default();
    let text = String::from_utf8_lossy(&[part, messages(&case.input)[0].clone()].concat()).replace(',', ".");
    let text = if text.starts_with('.') { format!("0{text}") } else { text };
    let (quantity, _, unit, mark) = all[0].clone();
    let joined = if runs_on { (quantity, Some(text), unit, mark) } else { all[0].clone() };
    let behind: &[Shown] = if runs_on { &all } else { &[] };
    let parts = [(&all[..copied.len()], false), (&[joined][..], true), (&all[1..], false), (behind, false)];
    consists_of(got, &parts)
}

/// Whether everything of `got` stands in `whole`, in the same order.
pub fn is_subsequence<T: PartialEq>(got: &[T], whole: &[T]) -> bool {
    let mut rest = whole.iter();
    got.iter().all(|one| rest.any(|other| other == one))
}

/// Values of the frames of `played` for which `keep` holds, by position.
pub fn values_of_frames(played: &Played, keep: impl Fn(usize) -> bool) -> Vec<Shown> {
    let kept = played.told.iter().enumerate().filter(|(at, _)| keep(*at));
    kept.flat_map(|(_, told)| told.decoded.readings.iter().map(show)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(text: &str) -> Vec<Shown> {
        text.chars().map(|letter| (letter.to_string(), None, None, None)).collect()
    }

    #[test]
    fn rows_of_parts_are_told_from_others() {
        let (ab, b) = (row("ab"), row("b"));
        for (got, fits) in [("ab", true), ("aab", true), ("bab", true), ("ba", false), ("abc", false), ("abab", true)] {
            assert_eq!(consists_of(&row(got), &[(&ab, true), (&ab, false)]), fits, "{got}");
        }
        assert!(consists_of(&row("b"), &[(&b, false)]) && !consists_of(&[], &[(&b, false)]));
    }

    #[test]
    fn lengths_agree_across_spellings() {
        assert_eq!(length_of("cutoff_mm", "0,8"), length_of("cutoff_um", "0800"));
        assert_eq!(length_of("cutoff", "0.030 in"), length_of("", "0.030 in"));
        assert_ne!(length_of("cutoff_mm", "0.8"), length_of("cutoff_mm", "0.25"));
        assert_eq!(length_of("cutoff", "0.8"), None);
    }
}
