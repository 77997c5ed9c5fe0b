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
    /// A skid follows the surface: P, W and Rt are refused; false where not written.
    #[schemars(extend("default" = false))]
    pub(crate) skidded: Option<bool>,
    /// Last day its calibration holds.
    pub(crate) calibration_due: Option<DayText>,
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
    /// Certified values by quantity: { Ra = "2.97 µm" }.
    #[schemars(required)]
    pub(crate) certified: Option<BTreeMap<String, AmountText>>,
    /// Expanded uncertainties (k = 2) by quantity: { Ra = "0.06 µm" }.
    pub(crate) uncertainty: Option<BTreeMap<String, AmountText>>,
    /// Last day its certificate holds.
    pub(crate) due: Option<DayText>,
}
