//! What `gauges.toml` says.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Deserialize;

use super::{AmountText, ConditionsSaid, DayText};

/// gauges.toml: the register of gauges and specimens.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "gauges.toml")]
pub(crate) struct GaugesFile {
    /// Registered gauges.
    #[serde(default)]
    pub(crate) gauge: Vec<GaugeSaid>,
    /// Registered material measures.
    #[serde(default)]
    pub(crate) specimen: Vec<SpecimenSaid>,
    /// The shop's rule for verifying gauges; a gauge's own words come first.
    pub(crate) verification: Option<VerificationSaid>,
}

/// One registered physical instrument.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Gauge")]
pub(crate) struct GaugeSaid {
    /// Id in the register, as on the gauge's label.
    #[schemars(required, length(min = 1))]
    pub(crate) id: Option<String>,
    /// What it is: stylus, calliper, micrometer, indicator, bore, hardness or the shop's own word.
    #[schemars(required, length(min = 1), extend("examples" = ["stylus", "calliper", "micrometer", "indicator", "bore", "hardness"]))]
    pub(crate) kind: Option<String>,
    /// The number that its maker gave it.
    #[schemars(length(min = 1))]
    pub(crate) serial: Option<String>,
    /// A skid follows the surface: P, W and Rt are refused; false where not written.
    #[schemars(extend("default" = false))]
    pub(crate) skidded: Option<bool>,
    /// Last day its calibration holds.
    pub(crate) calibration_due: Option<DayText>,
    /// Number of the certificate of that calibration.
    #[schemars(length(min = 1))]
    pub(crate) certificate: Option<String>,
    /// The stylus in it: { id = "ST-4", tip_radius = "2 µm" }. Another one demands a verification.
    pub(crate) stylus: Option<StylusSaid>,
    /// Corrections set in the gauge itself, in per cent by quantity: { Ra = "1.2 %" }. They are declared here and never applied
    /// a second time; another one demands a verification.
    pub(crate) correction: Option<BTreeMap<String, AmountText>>,
    /// By which rule it is verified, where that is not the shop's.
    pub(crate) verification: Option<VerificationSaid>,
    /// What it is declared to be set to, where it doesn't send it.
    pub(crate) settings: Option<ConditionsSaid>,
    /// Expanded uncertainties of its values by quantity: { Ra = "0.04 µm" } or a share of the value, { Ra = "5 %" }.
    pub(crate) uncertainty: Option<BTreeMap<String, AmountText>>,
    /// Coverage factor k of these uncertainties, in quotes; "2" where not written.
    #[schemars(extend("examples" = ["2", "2.05"]))]
    pub(crate) coverage_factor: Option<AmountText>,
    /// The last good verification.
    pub(crate) verified: Option<VerifiedSaid>,
    /// Why it is set aside: found bad.
    #[schemars(length(min = 1))]
    pub(crate) failed: Option<String>,
}

/// The stylus in a gauge.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Stylus")]
pub(crate) struct StylusSaid {
    /// Its id.
    #[schemars(required, length(min = 1))]
    pub(crate) id: Option<String>,
    /// Radius of its tip.
    #[schemars(extend("examples" = ["2 µm", "5 µm"]))]
    pub(crate) tip_radius: Option<AmountText>,
}

/// How a gauge is held against a specimen, and for how long that holds: whichever ends first, the calibration at the latest.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Verification")]
pub(crate) struct VerificationSaid {
    /// The specimen, where no other is named.
    #[schemars(length(min = 1))]
    pub(crate) specimen: Option<String>,
    /// Values of a quantity that are due; 3 where not written.
    #[schemars(range(min = 1, max = 100), extend("default" = crate::plan::VerificationRule::TRACES))]
    pub(crate) traces: Option<u32>,
    /// How far the mean may be from the certified value: { Ra = "5 %", Rz = "0.3 µm" }. 10 % of a texture height where not
    /// written.
    pub(crate) permitted: Option<BTreeMap<String, AmountText>>,
    /// Hours that it holds.
    #[schemars(range(min = 1, max = 8784), extend("examples" = [24]))]
    pub(crate) hours: Option<u32>,
    /// When shifts begin, in the cell's zone: it holds until the next one.
    #[schemars(inner(regex(pattern = "^([01][0-9]|2[0-3]):[0-5][0-9]$")), extend("examples" = [["06:00", "14:00", "22:00"]]))]
    pub(crate) shifts: Option<Vec<String>>,
    /// Readings of the gauge that it holds for.
    #[schemars(range(min = 1, max = 1_000_000))]
    pub(crate) readings: Option<u32>,
    /// Length of surface traced that it holds for: cutoff times sections, summed over traces whose conditions are known.
    #[schemars(extend("examples" = ["20 m"]))]
    pub(crate) distance: Option<AmountText>,
    /// Minutes within which the values must come; 30 where not written.
    #[schemars(range(min = 1, max = 1440), extend("default" = crate::plan::VerificationRule::WITHIN_MINUTES))]
    pub(crate) within_minutes: Option<u32>,
}

/// A good verification.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Verified")]
pub(crate) struct VerifiedSaid {
    /// The day it was done.
    #[schemars(required)]
    pub(crate) on: Option<DayText>,
    /// The last day it holds; until the calibration is due where not written.
    pub(crate) until: Option<DayText>,
    /// Where it is recorded.
    #[schemars(required, length(min = 1))]
    pub(crate) source: Option<String>,
}

/// A registered material measure.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Specimen")]
pub(crate) struct SpecimenSaid {
    /// Id in the register.
    #[schemars(required, length(min = 1))]
    pub(crate) id: Option<String>,
    /// The number that its maker gave it.
    #[schemars(length(min = 1))]
    pub(crate) serial: Option<String>,
    /// Certified values by quantity: { Ra = "2.97 µm" }.
    #[schemars(required)]
    pub(crate) certified: Option<BTreeMap<String, AmountText>>,
    /// Expanded uncertainties by quantity: { Ra = "0.06 µm" }.
    pub(crate) uncertainty: Option<BTreeMap<String, AmountText>>,
    /// Coverage factor k of these uncertainties, in quotes; "2" where not written.
    #[schemars(extend("examples" = ["2", "2.05"]))]
    pub(crate) coverage_factor: Option<AmountText>,
    /// Number of the certificate.
    #[schemars(length(min = 1))]
    pub(crate) certificate: Option<String>,
    /// SHA-256 of the certificate's file, where the values were taken from one: 64 hexadecimal digits.
    #[schemars(regex(pattern = "^[0-9a-f]{64}$"))]
    pub(crate) certificate_sha256: Option<String>,
    /// Conditions of the certified values, as the certificate states them.
    pub(crate) conditions: Option<ConditionsSaid>,
    /// Last day its certificate holds.
    pub(crate) due: Option<DayText>,
}
