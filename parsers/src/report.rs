//! One frame as people and programs see it: the object per frame of `try --json`, and the run of an input
//! through framer and decoder that yields it.

use std::collections::BTreeMap;

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
