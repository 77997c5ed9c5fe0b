//! What the *instrument* says: bytes to readings and profiles.
//!
//! A [`Definition`] (said in TOML by an engineer) is compiled into an [`Instrument`], which hands out a
//! [`Framer`] (bytes to frames) and a [`Decoder`] (frames to readings). Both are pure: no clock, no files, no
//! threads. Decoding never fails and never panics; it reports a typed [`Outcome`].

mod assemble;
mod besides;
mod binary;
mod certificate;
mod check;
mod compile;
mod cut;
mod definition;
mod dialogue;
mod encoding;
mod envelope;
mod fields;
mod frame;
mod gathered;
mod instrument;
mod kept;
mod keys;
mod number;
mod numbering;
mod pattern;
mod plan;
mod profile;
mod quantity;
mod read;
mod reading;
mod recording;
mod repeats;
mod report;
mod role;
mod stamp;
mod suspect;
mod trace;
mod tree;
mod unit;
mod value;
mod wire;

pub use certificate::{
    CERTIFICATE_MAX, Certificate, CertificateFault, CertifiedValue, Expanded, Stated, read_certificate,
};
pub use definition::{
    About, Binary, BinaryBit, BinaryField, BinaryKind, ByteOrder, Checksum, ChecksumKind, ChecksumPlace, Complement,
    Counts, Covers, CrcForm, Definition, EncodingName, Envelope, Escape, Event, Fault, Field, Framing, FramingKind,
    Json, LengthField, LengthWritten, LineRule, MarkRule, Numbers, Pairs, Parity, ReadingRule, Repeat, SignPlace,
    StateWord, Step, Table, Terminators, Text, TraceMark, TraceRule, VerdictWord, Written, WrittenHeights, Xml,
};
pub use dialogue::{AcknowledgeRule, AnswerKind, Dialogue, DialogueRule, Order, PollRule, ReplyRule, StartStep};
pub use frame::{Close, Frame, Framer, Tick};
pub use instrument::{Decoder, Instrument};
pub use kept::{kept_readings, kept_report};
pub use keys::{EventForm, KeyEvents, Layout, LayoutName};
pub use profile::{ProfileFault, StoredProfile, read_sdf, read_x3p};
pub use quantity::{Quantity, QuantityKind};
pub use reading::{
    COMPUTED_FIELDS, Conditions, Decoded, Identity, InstrumentLimits, LengthText, LimitMeant, Mark, Outcome, Reading,
    Reason, Remark, Trace, TraceGap, Verdict,
};
pub use recording::{Direction, Input, InputFault, InputKind, RecordedChunk, RecordingHeader, from_hex, to_hex};
pub use report::{FrameReport, ReadingReport, examine};
pub use unit::{Unit, UnitKind};
pub use value::{NumberFault, Value};
