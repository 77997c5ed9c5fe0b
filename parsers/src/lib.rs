//! What the *instrument* says: bytes to readings and profiles.
//!
//! A [`Definition`] (said in TOML by an engineer) is compiled into an [`Instrument`], which hands out a
//! [`Framer`] (bytes to frames) and a [`Decoder`] (frames to readings). Both are pure: no clock, no files, no
//! threads. Decoding never fails and never panics; it reports a typed [`Outcome`].

mod assemble;
mod compile;
mod cut;
mod definition;
mod encoding;
mod envelope;
mod fields;
mod frame;
mod instrument;
mod number;
mod pattern;
mod plan;
mod quantity;
mod read;
mod reading;
mod recording;
mod repeats;
mod report;
mod role;
mod stamp;
mod suspect;
mod unit;
mod value;

pub use definition::{
    About, Checksum, ChecksumKind, ChecksumPlace, Covers, Definition, EncodingName, Envelope, Event, Fault, Field,
    Framing, FramingKind, LineRule, MarkRule, Numbers, Pairs, ReadingRule, SignPlace, Step, Table, Text, VerdictWord,
    Written,
};
pub use frame::{Close, Frame, Framer, Tick};
pub use instrument::{Decoder, Instrument};
pub use quantity::{Quantity, QuantityKind};
pub use reading::{
    Conditions, Decoded, Identity, InstrumentLimits, LengthText, Mark, Outcome, Reading, Reason, Remark, Trace, Verdict,
};
pub use recording::{Direction, Input, InputFault, InputKind, RecordedChunk, RecordingHeader, from_hex, to_hex};
pub use report::{FrameReport, ReadingReport, examine, kept_report};
pub use unit::{Unit, UnitKind};
pub use value::{NumberFault, Value};
