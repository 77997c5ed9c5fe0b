//! What judging yields: the rows of a result, with the closed lists they draw from.

use std::fmt;

use ridgepost_parsers::{Quantity, Unit, Value};

macro_rules! codes {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $code:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum $name { $($(#[$vdoc])* $variant,)* }

        impl $name {
            /// Every code of the list, in its order.
            pub const ALL: &'static [$name] = &[$($name::$variant),*];

            /// The code as it stands in stores, files and JSON.
            pub fn code(self) -> &'static str {
                match self { $($name::$variant => $code,)* }
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
    };
}

codes! {
    /// What a row tells of.
    Kind {
        /// One value.
        Reading = "reading",
        /// One characteristic on one piece, when its rule decides.
        Verdict = "verdict",
        /// One piece.
        Part = "part",
        /// Something said before is said anew.
        Correction = "correction",
        /// Something people must know of.
        Notice = "notice",
    }
}

codes! {
    /// Whether it conforms.
    Outcome {
        /// It does.
        Conforms = "conforms",
        /// It does not.
        Nonconforming = "nonconforming",
        /// More values are needed, or the uncertainty does not let one say.
        Undecided = "undecided",
        /// It was not judged, and is never a pass.
        Unjudged = "unjudged",
    }
}

codes! {
    /// Why an outcome is what it is.
    Reason {
        /// Within the limits.
        WithinLimits = "within-limits",
        /// Above the upper limit.
        AboveUpper = "above-upper",
        /// Below the lower limit.
        BelowLower = "below-lower",
        /// Inside the guard band.
        InsideGuardBand = "inside-guard-band",
        /// The guard bands of both limits meet: nothing could be accepted.
        NoAcceptanceZone = "no-acceptance-zone",
        /// The decision rule needs the gauge's uncertainty, and the register does not state it.
        UncertaintyUnknown = "uncertainty-unknown",
        /// The rule needs more traces.
        MoreTracesNeeded = "more-traces-needed",
        /// A mark stands in place of the number.
        Mark = "mark",
        /// No job is open.
        NoJob = "no-job",
        /// The job asks for no such quantity.
        NoCharacteristic = "no-characteristic",
        /// It could not be assigned to a piece.
        Unassigned = "unassigned",
        /// It comes from the instrument's memory.
        StoredReading = "stored-reading",
        /// Conditions differ from what is required.
        ConditionsMismatch = "conditions-mismatch",
        /// Conditions are neither sent nor declared.
        ConditionsUnknown = "conditions-unknown",
        /// It is a deviation, and nobody has said from what.
        NoMaster = "no-master",
        /// The instrument converted it from another hardness scale.
        Converted = "converted",
        /// Another stored program than required.
        ProgramMismatch = "program-mismatch",
        /// The unit is not credible.
        UnitSuspect = "unit-suspect",
        /// The value is outside the plausible band.
        Implausible = "implausible",
        /// It would fit 25.4 times larger or smaller: inch and millimetre, or mil and micrometre.
        SlipInch = "slip-25.4",
        /// It would fit 39.37 times larger or smaller: micrometre and microinch.
        SlipMicroinch = "slip-39.37",
        /// It would fit a thousand times larger or smaller: neighbouring metric units.
        SlipThousand = "slip-1000",
        /// It would fit with the decimal point that was not sent.
        DecimalLost = "decimal-lost",
        /// It would fit as another parameter: Rz sent for Ra.
        OtherParameter = "other-parameter",
        /// It is like the certified value of a specimen.
        SpecimenValue = "specimen-value",
        /// Ra <= Rq <= Rz <= Rmax <= Rt does not hold.
        OrderBroken = "order-broken",
        /// The gauge has no good verification.
        GaugeUnverified = "gauge-unverified",
        /// The gauge's calibration or verification has run out.
        GaugeOverdue = "gauge-overdue",
        /// The gauge was found bad.
        GaugeFailed = "gauge-failed",
        /// The gauge is not in the register.
        GaugeUnknown = "gauge-unknown",
        /// More retests than allowed.
        RetestLimit = "retest-limit",
        /// The instrument's own verdict is another one.
        InstrumentDisagrees = "instrument-disagrees",
        /// The instrument judges by other limits.
        InstrumentLimits = "instrument-limits",
        /// The recomputed value is another one.
        TraceDisagrees = "trace-disagrees",
        /// A skidded tester can't tell this quantity.
        Skidded = "skidded",
        /// Characteristics that were due have no verdict.
        Missing = "missing",
        /// Characteristics that were not due on this piece.
        NotDue = "not-due",
        /// It is a reading of a specimen.
        SpecimenReading = "specimen-reading",
        /// It was not taken in production.
        Mode = "mode",
        /// It was declared void.
        Voided = "voided",
        /// Another row took its place.
        Superseded = "superseded",
        /// A person wrote down what becomes of the part; behind a colon what.
        Disposed = "disposed",
    }
}

codes! {
    /// State of a gauge at the time of a reading.
    GaugeState {
        /// A good verification stands.
        Verified = "verified",
        /// None is known.
        Unverified = "unverified",
        /// Its calibration or verification has run out.
        Overdue = "overdue",
        /// It was found bad.
        Failed = "failed",
        /// It is not in the register.
        Unknown = "unknown",
    }
}

codes! {
    /// Where conditions are known from.
    Source {
        /// The message states them.
        Observed = "observed",
        /// The register declares them.
        Declared = "declared",
        /// Some from each.
        Mixed = "mixed",
        /// Not all are known.
        Unknown = "unknown",
    }
}

codes! {
    /// What the cell was doing.
    Mode {
        /// Making parts.
        Production = "production",
        /// Checking a gauge.
        Verification = "verification",
        /// Studying a gauge.
        Study = "study",
        /// Learning.
        Training = "training",
    }
}

impl Reason {
    /// Whether it stands beside a judged value as a caution, so that verdict and part must carry it on.
    pub(crate) fn is_caution(self) -> bool {
        !matches!(
            self,
            Reason::WithinLimits
                | Reason::AboveUpper
                | Reason::BelowLower
                | Reason::InsideGuardBand
                | Reason::NoAcceptanceZone
                | Reason::MoreTracesNeeded
        )
    }
}

/// One row of a result, as far as judging knows it; capture and store add time, place and number.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// What it tells of.
    pub kind: Kind,
    /// Position of the reading it rests on among those given, where it rests on one.
    pub reading: Option<usize>,
    /// Gauge of the reading.
    pub gauge: Option<String>,
    /// Serial number of the piece.
    pub serial: Option<String>,
    /// Counter of the piece within its job, from 1.
    pub piece: Option<u64>,
    /// Rework cycle, from 1.
    pub cycle: Option<u32>,
    /// What the cell was doing.
    pub mode: Mode,
    /// Balloon number.
    pub balloon: Option<String>,
    /// Feature in words.
    pub feature: Option<String>,
    /// What was measured.
    pub quantity: Option<Quantity>,
    /// The value in `unit`, digits as displayed where the units agree, exactly converted otherwise.
    pub value: Option<Value>,
    /// The limit's unit, or as sent where there is no limit.
    pub unit: Option<Unit>,
    /// The digits as sent.
    pub value_as_sent: Option<String>,
    /// The unit as sent.
    pub unit_as_sent: Option<String>,
    /// Mark in place of the number.
    pub mark: Option<&'static str>,
    /// Lower limit in `unit`.
    pub lower: Option<Value>,
    /// Upper limit in `unit`.
    pub upper: Option<Value>,
    /// Acceptance rule as the job writes it.
    pub rule: Option<&'static str>,
    /// Whether it conforms; `None` for notices.
    pub outcome: Option<Outcome>,
    /// Why: codes, `missing` with the balloons behind a colon.
    pub reasons: Vec<String>,
    /// Number of the measured value in its slot, from 1.
    pub trace: Option<u32>,
    /// Number of the attempt; only from the second on.
    pub attempt: Option<u32>,
    /// Cutoff in mm, metric nominal.
    pub cutoff_mm: Option<Value>,
    /// Number of sampling lengths.
    pub sections: Option<u32>,
    /// Short-wave cutoff in µm.
    pub lambda_s_um: Option<Value>,
    /// Profile filter.
    pub filter: Option<String>,
    /// Standard set on the instrument.
    pub standard: Option<String>,
    /// Where the conditions are known from.
    pub conditions_source: Option<Source>,
    /// State of the gauge.
    pub gauge_state: Option<GaugeState>,
    /// The instrument's own verdict, as sent.
    pub instrument_verdict: Option<String>,
}

impl Row {
    /// A row with nothing in it but its kind and mode.
    pub fn blank(kind: Kind, mode: Mode) -> Self {
        Row {
            kind,
            reading: None,
            gauge: None,
            serial: None,
            piece: None,
            cycle: None,
            mode,
            balloon: None,
            feature: None,
            quantity: None,
            value: None,
            unit: None,
            value_as_sent: None,
            unit_as_sent: None,
            mark: None,
            lower: None,
            upper: None,
            rule: None,
            outcome: None,
            reasons: Vec::new(),
            trace: None,
            attempt: None,
            cutoff_mm: None,
            sections: None,
            lambda_s_um: None,
            filter: None,
            standard: None,
            conditions_source: None,
            gauge_state: None,
            instrument_verdict: None,
        }
    }
}
