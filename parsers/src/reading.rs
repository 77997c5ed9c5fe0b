//! What a decoded frame is made of: readings with their marks, identity and conditions, and the closed lists
//! of codes that say how a frame fared.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize, Serializer};

use crate::quantity::Quantity;
use crate::unit::Unit;
use crate::value::Value;

/// One quantity's value as an instrument stated it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reading {
    /// Which quantity.
    pub quantity: Quantity,
    /// The number; `None` where a mark says there is none.
    pub value: Option<Value>,
    /// The unit, from the message or from the definition; `None` only beside a mark.
    pub unit: Option<Unit>,
    /// The digits to the letter.
    pub value_as_sent: String,
    /// The unit to the letter; `None` where the message carries none and the definition states it.
    pub unit_as_sent: Option<String>,
    /// What stands in place of, or beside, the number.
    pub mark: Option<Mark>,
    /// The instrument's own code for the mark, to the letter ("E-05").
    pub mark_code: Option<String>,
    /// Whether the definition can detect damage (a checksum) in the frame this came from.
    pub protected: bool,
    /// The instrument's own verdict, to the letter.
    pub instrument_verdict: Option<String>,
    /// What the definition says that verdict means.
    #[serde(skip)]
    pub verdict: Option<Verdict>,
    /// Limits the instrument printed: evidence, never what is judged by.
    pub instrument_limits: InstrumentLimits,
    /// What tells this measurement from another one.
    pub identity: Identity,
    /// Conditions the message states.
    pub conditions: Conditions,
    /// The hardness scale it was measured in, where the instrument converted it: to the letter, or as the definition says.
    /// People and programs are told of it in `other`.
    #[serde(skip)]
    pub converted_from: Option<String>,
    /// Fields the definition names but gives no role, and unknown keys; `converted_from` where that is known.
    pub other: BTreeMap<String, String>,
    /// Which record of its frame this belongs to, from 0: values of one record stem from one measurement.
    #[serde(skip)]
    pub record: u32,
    /// Position of the value among the readings of its frame, from 0.
    #[serde(skip)]
    pub field: u32,
    /// Whether the instrument sent it from its memory rather than at the moment of measuring.
    #[serde(skip)]
    pub stored: bool,
    /// Whether it was computed here from the profile that the message carries; a decoder never says so.
    #[serde(skip)]
    pub computed: bool,
}

/// From this number on, the fields of a frame's readings are computed from its profiles, and sent by nobody.
pub const COMPUTED_FIELDS: u32 = 1 << 24;

impl Reading {
    /// The value in micrometres, exactly; `None` where there is no value or the unit is no length.
    pub fn micrometres(&self) -> Option<Value> {
        self.unit?.to_micrometres(self.value?.decimal()).map(Value::from)
    }
}

/// What an instrument shows in place of, or beside, a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Mark {
    /// Above the measuring range.
    Over,
    /// Below the measuring range.
    Under,
    /// Not measured.
    None,
    /// The instrument reports an error.
    Error,
    /// The value had not settled.
    Unstable,
}

impl Mark {
    /// The word as it stands in results.
    pub fn code(self) -> &'static str {
        match self {
            Mark::Over => "over",
            Mark::Under => "under",
            Mark::None => "none",
            Mark::Error => "error",
            Mark::Unstable => "unstable",
        }
    }
}

/// What an instrument's own verdict means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// Within the limits the instrument knows.
    In,
    /// Outside them.
    Out,
}

/// Limits as the instrument printed them, to the letter.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct InstrumentLimits {
    /// Lower limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower: Option<String>,
    /// Upper limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub upper: Option<String>,
    /// The lower limit as a number, where it is written as one.
    #[serde(skip)]
    pub lower_meant: Option<LimitMeant>,
    /// The upper limit as a number, where it is written as one.
    #[serde(skip)]
    pub upper_meant: Option<LimitMeant>,
}

/// What a limit of the instrument means: the number, in the unit that stands behind it or else in that of its value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LimitMeant {
    /// The digits as displayed.
    pub value: Value,
    /// Their unit.
    pub unit: Unit,
}

/// What tells one measurement of an instrument from another. Everything as sent; nothing is invented.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize)]
pub struct Identity {
    /// Record number.
    pub number: Option<String>,
    /// Instrument's time in ISO 8601 form with exactly the parts that were sent: no seconds or zone are added.
    pub time: Option<String>,
    /// Stored program in use.
    pub program: Option<String>,
    /// Part or serial number.
    pub part: Option<String>,
    /// Channel of a multiplexer.
    pub channel: Option<String>,
    /// Free text.
    pub remark: Option<String>,
}

/// A number with its unit, printed as `0.80 mm`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LengthText {
    /// The digits as displayed.
    pub value: Value,
    /// Their unit.
    pub unit: Unit,
}

impl LengthText {
    /// The length in micrometres; `None` where the unit is no length.
    pub fn micrometres(self) -> Option<rust_decimal::Decimal> {
        self.unit.to_micrometres(self.value.decimal())
    }
}

impl fmt::Display for LengthText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value, self.unit)
    }
}

impl Serialize for LengthText {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Measuring conditions that a message states; what it doesn't state is `None`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Conditions {
    /// Cutoff λc.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cutoff: Option<LengthText>,
    /// Short-wave cutoff λs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lambda_s: Option<LengthText>,
    /// Number of sampling lengths (sections), digits as displayed without leading zeros.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sections: Option<String>,
    /// Profile filter, to the letter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub filter: Option<String>,
    /// Standard set on the instrument, to the letter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standard: Option<String>,
    /// Traverse length.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub traverse: Option<LengthText>,
}

/// One measured profile.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Trace {
    /// Number of points.
    pub points: usize,
    /// Distance between points.
    pub spacing: LengthText,
    /// Heights in micrometres; `None` where a point was not measured.
    pub heights: Vec<Option<Value>>,
    /// Which points were not measured, and why.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub marks: Vec<TraceGap>,
    /// What tells this measurement from another one.
    #[serde(skip)]
    pub identity: Identity,
    /// Conditions the message states.
    #[serde(skip)]
    pub conditions: Conditions,
    /// Which record of its frame it stands in, where it stands in one.
    #[serde(skip)]
    pub record: Option<u32>,
}

/// Points of a profile that were not measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct TraceGap {
    /// The first of them, from 0.
    pub from: usize,
    /// How many.
    pub points: usize,
    /// Why.
    pub mark: Mark,
}

/// How a frame fared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Understood; it may hold no reading (an echo, a heading).
    Accepted,
    /// It does not bear the definition's own distinguishing mark.
    NotMine,
    /// It is ours and can't be trusted.
    Damaged,
    /// It was cut short.
    Incomplete,
}

macro_rules! codes {
    ($(#[$doc:meta])* $name:ident { $(#[doc = $meaning:literal] $variant:ident = $code:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum $name { $(#[doc = $meaning] $variant,)* }

        impl $name {
            /// Every code of the list, in its order.
            pub const ALL: &'static [$name] = &[$($name::$variant),*];

            /// The code as it stands in stores, files and JSON.
            pub fn code(self) -> &'static str {
                match self { $($name::$variant => $code,)* }
            }

            /// What the code means, in words for people; the same words as in this documentation.
            pub fn meaning(self) -> &'static str {
                match self { $($name::$variant => $meaning,)* }.trim()
            }

            /// Reads a code.
            pub fn parse(code: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|item| item.code() == code)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.code())
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(self.code())
            }
        }
    };
}

codes! {
    /// Why a frame was not accepted.
    Reason {
        /// Another number of bytes or characters than the definition states.
        Length = "length",
        /// The start mark is missing or wrong.
        StartMark = "start-mark",
        /// The end mark is missing or wrong.
        EndMark = "end-mark",
        /// The check value does not agree with the bytes.
        Checksum = "checksum",
        /// Bytes that the declared encoding does not have.
        Encoding = "encoding",
        /// A number that is not written as the definition says.
        Number = "number",
        /// A unit the definition does not know.
        Unit = "unit",
        /// A number that can be read in two ways.
        AmbiguousNumber = "ambiguous-number",
        /// A field the definition needs is not there.
        MissingField = "missing-field",
        /// Another count of records, columns or points than stated.
        Count = "count",
        /// Bytes that are no text at all.
        Noise = "noise",
        /// It grew beyond the definition's bound before it ended.
        TooLong = "too-long",
        /// It was cut short.
        CutOff = "cut-off",
        /// Its fields contradict one another.
        Sanity = "sanity",
        /// An entity or document type that is not resolved.
        Entity = "entity",
        /// The instrument says that it is busy.
        Busy = "busy",
        /// A value that nobody asked for, or that came too late for its question.
        Unasked = "unasked",
        /// A key that the keyboard layout has no character for.
        UnknownKey = "unknown-key",
        /// A part of it was lost before it reached the program.
        Lost = "lost",
    }
}

codes! {
    /// A coded observation beside a frame or a reading.
    Remark {
        /// Seen before, by its identity: noted, not counted.
        Repeat = "repeat",
        /// Record numbers are missing before this one.
        NumberGap = "number-gap",
        /// The first frame after the port was opened.
        FirstAfterOpen = "first-after-open",
        /// The definition has no means to detect damage.
        Unprotected = "unprotected",
        /// Labels changed their language.
        LabelLanguageChanged = "label-language-changed",
        /// The instrument's stated settings changed.
        SettingsChanged = "settings-changed",
        /// Looks like another parity setting.
        SuspectParity = "suspect-parity",
        /// Looks like another encoding.
        SuspectEncoding = "suspect-encoding",
        /// Looks like another line end.
        SuspectTerminator = "suspect-terminator",
        /// Looks like another decimal mark.
        SuspectDecimalMark = "suspect-decimal-mark",
        /// This PC's clock was not synchronised.
        ClockUnsynced = "clock-unsynced",
        /// The instrument's clock is far from this PC's.
        InstrumentClockOff = "instrument-clock-off",
        /// The instrument says its battery is low.
        BatteryLow = "battery-low",
        /// The instrument reports an error.
        InstrumentError = "instrument-error",
        /// Bytes were lost before they reached the program, or read wrongly on the line.
        Overrun = "overrun",
        /// Points of a profile were clipped or not measured: they have no height.
        PointsMissing = "points-missing",
        /// The instrument's own verdict is a word that the definition does not list.
        VerdictUnknown = "verdict-unknown",
    }
}

/// What became of one frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Decoded {
    /// How it fared.
    pub outcome: Outcome,
    /// Why, where it was not accepted.
    pub reason: Option<Reason>,
    /// What exactly was wrong, for a person: "column 4 `0.5x` is no number".
    pub detail: Option<String>,
    /// The readings it holds, in the order sent.
    pub readings: Vec<Reading>,
    /// The profiles it holds.
    pub traces: Vec<Trace>,
    /// Observations.
    pub remarks: Vec<Remark>,
    /// It says that there is no new measurement.
    pub is_nothing_new: bool,
}
