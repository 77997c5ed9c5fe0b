//! What instruments send, and the definitions that read it.

use std::path::Path;

use ridgepost_parsers::{Close, Frame, FrameReport, Remark, Tick};
use ridgepost_tests::corpus::{Case, Kind, Piece, Played, Stretch, cut_at_random, play};
use ridgepost_tests::fuzz::checks::holds;
use ridgepost_tests::fuzz::{Input, Target, mutate::mutated, outline};
use ridgepost_tests::seed::Seeded;

use crate::seed;

/// Parts of messages that mean something to one or the other definition.
const WORDS: &[&str] = &[
    "\r\n",
    "\n",
    "\r",
    "\u{2}",
    "\u{3}",
    "\u{4}",
    "\u{10}\u{2}",
    "\u{10}\u{3}",
    "\u{c}",
    "Ra",
    "Rz",
    "RSm",
    "um",
    "µm",
    "uin",
    "mm",
    "OK",
    "NOK",
    "0.412",
    "-0.000",
    "+9999",
    "-----",
    "1.2E-3",
    "S",
    "T",
    "#",
    "\"",
    ";",
    ",",
    "\t",
];

pub(crate) const XML: &[&str] = &[
    "<",
    "</",
    "/>",
    "<?xml version=\"1.0\"?>",
    "<!DOCTYPE a [<!ENTITY b \"c\">]>",
    "&b;",
    "&amp;",
    "&#0;",
    "&#x10ffff;",
    "<![CDATA[",
    "]]>",
    "<!--",
    "-->",
    " xmlns=\"urn:x\"",
    " xmlns:p=\"urn:x\"",
    " value=\"0.412\"",
    "\u{feff}",
];

pub(crate) const JSON: &[&str] = &[
    "{",
    "}",
    "[",
    "]",
    ":",
    ",",
    "\"",
    "\\u0000",
    "\\ud800",
    "null",
    "true",
    "1e5",
    "-0",
    "1E+400",
    "{\"a\":1}",
    "\"Ra\"",
    "0.4120",
    "\\\"",
    "// x",
    "\u{feff}",
];

/// Most bytes that reading an input in four ways may take: what patterns keep for a thread, then so much per byte.
fn memory(bytes: usize) -> usize {
    (24 << 20) + bytes * 8_192
}

fn case(name: &str) -> &'static Case {
    Case::all().iter().find(|case| case.name == name).unwrap_or_else(|| panic!("no recording {name}"))
}

fn is_tree(case: &Case, kind: &str) -> bool {
    [format!("[{kind}]"), format!("[{kind}.")].iter().any(|table| case.definition.contains(table))
}

/// Recordings, and bytes made of them.
pub(crate) fn target() -> Target<'static> {
    Target {
        name: "frames",
        seeds: Case::all().iter().map(|case| seed(&case.name, case.input.clone())).collect(),
        change: &|seeded, input, others| mutated(seeded, &input.bytes, others, WORDS),
        check: &|input| reads_well(case(&input.of), &input.bytes),
        memory,
    }
}

/// Documents of one form.
pub(crate) fn documents(kind: &'static str, words: &'static [&'static str]) -> Target<'static> {
    let cases: Vec<&Case> = Case::all().iter().filter(|case| is_tree(case, kind)).collect();
    assert!(!cases.is_empty(), "no recording holds {kind}");
    Target {
        name: kind,
        seeds: cases.iter().map(|case| seed(&case.name, case.input.clone())).collect(),
        change: Box::leak(Box::new(|seeded: &mut Seeded, input: &Input, others: &[&[u8]]| {
            mutated(seeded, &input.bytes, others, words)
        })),
        check: &|input| reads_well(case(&input.of), &input.bytes),
        memory,
    }
}

fn at_once(bytes: &[u8]) -> Vec<Piece> {
    vec![Piece { at: Tick(0), bytes: bytes.to_vec() }]
}

/// What holds for every input of every definition.
pub(crate) fn reads_well(case: &Case, bytes: &[u8]) -> Result<Vec<String>, String> {
    if bytes.is_empty() {
        return Ok(vec![]);
    }
    let whole = play(&case.instrument, &at_once(bytes))?;
    let mut seeded =
        Seeded::new(bytes.iter().fold(bytes.len() as u64, |mark, byte| mark * 31 % 1_000_003 + u64::from(*byte)));
    let single: Vec<Piece> = bytes.chunks(1).map(|byte| Piece { at: Tick(0), bytes: byte.to_vec() }).collect();
    let mut cut = cut_at_random(&[Stretch { bytes: bytes.to_vec() }], &mut seeded);
    cut.iter_mut().for_each(|piece| piece.at = Tick(0));
    for (how, pieces) in [("byte by byte", single), ("in pieces", cut.clone())] {
        let other = play(&case.instrument, &pieces)?;
        same(&whole, &other).map_err(|words| format!("{how}: {words}"))?;
    }
    // With silences between the pieces other frames come out, and `play` still holds them to the bytes.
    let (mut now, step) = (0, seeded.between(0, 4_000));
    cut.iter_mut().for_each(|piece| {
        now += step;
        piece.at = Tick(now);
    });
    let with_silences = play(&case.instrument, &cut)?;
    tells_nothing_false(case, &with_silences)?;
    tells_nothing_false(case, &whole)?;
    Ok(traits(case, &whole))
}

fn same(one: &Played, other: &Played) -> Result<(), String> {
    let pairs = one.told.iter().zip(&other.told);
    let differs = pairs.clone().find(|(one, other)| one.frame != other.frame || one.decoded != other.decoded);
    match differs {
        Some((one, other)) => Err(format!("{one:?} came out as {other:?}")),
        None if one.told.len() != other.told.len() => {
            Err(format!("{} frames came out as {}", one.told.len(), other.told.len()))
        }
        None => Ok(()),
    }
}

/// Readings stand in complete frames and say whether damage can be told; where it can, the check value holds as
/// computed elsewhere.
fn tells_nothing_false(case: &Case, played: &Played) -> Result<(), String> {
    let is_protected = case.instrument.is_protected();
    for told in &played.told {
        let decoded = &told.decoded;
        if decoded.readings.is_empty() && decoded.traces.is_empty() {
            continue;
        }
        let place = format!("frame {:?}", told.frame.raw.escape_ascii().to_string());
        if told.frame.close != Close::Complete {
            return Err(format!("{place} is read although it is {:?}", told.frame.close));
        }
        if decoded.readings.iter().any(|reading| reading.protected != is_protected)
            || decoded.remarks.contains(&Remark::Unprotected) == is_protected
        {
            return Err(format!("{place} does not say rightly whether damage can be told: {:?}", decoded.remarks));
        }
        if is_protected && holds(&case.name, &told.frame) != Some(true) {
            return Err(format!("{place} is read, and its check value is wrong: {:?}", decoded.readings));
        }
        for reading in &decoded.readings {
            if reading.value.is_none() && reading.mark.is_none() {
                return Err(format!("{place} gives a reading without value and mark: {reading:?}"));
            }
        }
        let report = serde_json::to_string(&FrameReport::new(1, &told.frame, decoded));
        report.map_err(|error| format!("{place} can't be reported: {error}"))?;
    }
    Ok(())
}

fn traits(case: &Case, played: &Played) -> Vec<String> {
    let mut traits = Vec::new();
    for told in &played.told {
        let decoded = &told.decoded;
        let many = decoded.readings.len().min(3);
        traits.push(format!("{} {:?} {:?} {many}", case.name, told.frame.close, decoded.reason));
        traits.extend(decoded.remarks.iter().map(|remark| format!("{} {remark}", case.name)));
        traits.extend(decoded.detail.iter().map(|detail| outline(detail)));
    }
    traits
}

/// Streams of whole messages of protected recordings, at most one byte of each changed: every check value that a
/// recording uses tells that, wherever it is, unless the byte becomes a mark.
pub(crate) fn damaged() -> Target<'static> {
    let protected: Vec<&Case> =
        Case::all().iter().filter(|case| case.instrument.is_protected() && case.kind == Kind::Stream).collect();
    assert!(protected.len() >= 8, "{} protected recordings", protected.len());
    Target {
        name: "damage",
        seeds: protected.iter().map(|case| seed(&case.name, case.input.clone())).collect(),
        change: &|seeded, input, _| stream_with_damage(seeded, case(&input.of)),
        check: &|input| {
            let traits = reads_well(case(&input.of), &input.bytes)?;
            gives_no_other_value(case(&input.of), &input.bytes)?;
            Ok(traits)
        },
        memory,
    }
}

fn messages(case: &Case) -> Vec<Frame> {
    let played = play(&case.instrument, &at_once(&case.input)).unwrap();
    let told = played.told.into_iter();
    told.filter(|told| !told.decoded.readings.is_empty() || !told.decoded.traces.is_empty())
        .map(|told| told.frame)
        .collect()
}

fn stream_with_damage(seeded: &mut Seeded, case: &Case) -> Vec<u8> {
    let messages = messages(case);
    let mut stream = Vec::new();
    for _ in 0..seeded.between(1, 8) {
        let frame = seeded.pick(&messages);
        let mut bytes = frame.raw.clone();
        if seeded.between(0, 1) == 0 {
            // Inside of the body, and to a printable byte: marks are for the other target.
            let at = seeded.between(frame.body.start as u64, frame.body.end as u64 - 1) as usize;
            let to = seeded.between(0x20, 0x7e) as u8;
            if bytes[at] >= 0x20 {
                bytes[at] = to;
            }
        }
        stream.extend(bytes);
    }
    stream
}

/// Every value that comes out stood in a message as it was recorded.
pub(crate) fn gives_no_other_value(case: &Case, bytes: &[u8]) -> Result<(), String> {
    let recorded = play(&case.instrument, &at_once(&case.input))?.values();
    let played = play(&case.instrument, &at_once(bytes))?;
    match played.values().iter().find(|value| !recorded.contains(value)) {
        Some(value) => Err(format!("{value:?} was never sent")),
        None => Ok(()),
    }
}

/// Definitions as somebody mistypes them; those that still can be used must read their recording as well as any.
pub(crate) fn definitions() -> Target<'static> {
    Target {
        name: "definitions",
        seeds: Case::all().iter().map(|case| seed(&case.name, case.definition.clone())).collect(),
        change: &|seeded, input, others| {
            let words: Vec<&str> = Case::all().iter().flat_map(|case| case.definition.lines()).collect();
            let word =
                [*seeded.pick(&words), "\n", "0", "''", "(?<Ra>.*)", "\"\\u0000\"", "true", "[]", "{}", "\n[text]\n"];
            mutated(seeded, &input.bytes, others, &word)
        },
        check: &|input| {
            let Ok(text) = std::str::from_utf8(&input.bytes) else { return Ok(vec![]) };
            match ridgepost_config::instrument(text, Path::new("definition.toml")) {
                Err(faults) if faults.is_empty() => Err("refused without a fault".into()),
                Err(faults) => Ok(faults.iter().map(|fault| outline(&fault.message)).collect()),
                Ok((instrument, _)) => {
                    let case = Case { instrument, name: format!("changed {}", input.of), ..case(&input.of).clone() };
                    let whole = play(&case.instrument, &at_once(&case.input))?;
                    let single: Vec<Piece> =
                        case.input.chunks(1).map(|byte| Piece { at: Tick(0), bytes: byte.to_vec() }).collect();
                    same(&whole, &play(&case.instrument, &single)?)?;
                    let outcomes = whole.told.iter().map(|told| format!("{:?}", told.decoded.reason));
                    Ok(outcomes.collect())
                }
            }
        },
        memory: |bytes| (96 << 20) + bytes * 16_384,
    }
}
