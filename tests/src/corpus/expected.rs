//! What a recording holds, as `expected.json` says it.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::play::Shown;

/// One `expected.json`. Unknown keys are refused: an expectation nobody checks is none.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expected {
    /// Name of the case.
    pub id: String,
    /// What it shows, in words.
    pub title: String,
    /// What the instrument's manual would say.
    pub given: String,
    /// The measurements, in order.
    pub readings: Vec<Record>,
    /// Bytes that must be kept and raised and never turned into a reading.
    pub rejects: Vec<Reject>,
    /// What must be raised besides.
    pub events: Vec<Event>,
    /// Why the case is here.
    #[serde(default)]
    pub note: Option<String>,
}

/// One measurement: the values that stem from it and what was told beside them.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Record {
    /// The values, in order.
    pub params: Vec<Param>,
    /// Identity, conditions, profile and anything else the record states.
    #[serde(default)]
    pub meta: BTreeMap<String, serde_json::Value>,
}

/// One value.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Param {
    /// Quantity symbol.
    pub param: String,
    /// Digits as sent; the rebuilt number where decimals are implied; null where nothing was sent.
    pub value_text: Option<String>,
    /// Plain decimal, null where a mark says there is none.
    pub value: Option<String>,
    /// Unit; `um` stands for µm.
    pub unit: Option<String>,
    /// The value in micrometres, as a number.
    pub um: Option<String>,
    /// Mark in place of the number.
    #[serde(default)]
    pub flag: Option<String>,
    /// The instrument's code of the mark.
    #[serde(default)]
    pub code: Option<String>,
    /// The instrument's own verdict.
    #[serde(default)]
    pub inst_verdict: Option<String>,
    /// Upper limit printed by the instrument.
    #[serde(default)]
    pub inst_limit_hi: Option<String>,
    /// Lower limit printed by the instrument.
    #[serde(default)]
    pub inst_limit_lo: Option<String>,
    /// The hardness scale it was measured in, where the instrument converted.
    #[serde(default)]
    pub converted_from: Option<String>,
}

/// Bytes that are no reading.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reject {
    /// Why, loosely.
    pub why: String,
    /// The bytes, in hexadecimal.
    pub hex: String,
}

/// Something that must be raised.
#[derive(Clone, Debug, Deserialize)]
pub struct Event {
    /// What, loosely.
    pub kind: String,
}

impl Event {
    /// The remark that raises it.
    pub fn remark(&self) -> String {
        match self.kind.as_str() {
            "duplicate" => "repeat".into(),
            kind => kind.replace('_', "-"),
        }
    }
}

impl Expected {
    /// Every value in order: quantity, value, unit, mark. A record without values holds a profile.
    pub fn values(&self) -> Vec<Shown> {
        let params = self.readings.iter().flat_map(|record| &record.params);
        params
            .map(|param| (param.param.clone(), param.value.clone(), param.unit_symbol(), param.flag.clone()))
            .collect()
    }
}

impl Param {
    /// The unit as it is printed everywhere else.
    pub fn unit_symbol(&self) -> Option<String> {
        self.unit.as_deref().map(|unit| match unit {
            "um" => "\u{b5}m".to_owned(),
            "uin" => "\u{b5}in".to_owned(),
            unit => unit.to_owned(),
        })
    }
}

/// Bytes from hexadecimal digits.
pub(super) fn bytes_of_hex(hex: &str) -> Result<Vec<u8>, String> {
    if !hex.len().is_multiple_of(2) || !hex.is_ascii() {
        return Err(format!("`{hex}` is no hexadecimal text"));
    }
    (0..hex.len() / 2)
        .map(|at| {
            u8::from_str_radix(&hex[2 * at..2 * at + 2], 16).map_err(|_| format!("`{hex}` is no hexadecimal text"))
        })
        .collect()
}
