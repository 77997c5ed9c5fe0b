//! What the files say, before anything is believed: one definition each for reading, for the JSON Schema that
//! editors use, and for the walk that finds misfits.
//!
//! Every field is optional to *read*, so that one fault hides no other; what must be there is marked `required` in
//! the schema and asked for by the walk.

mod cell;
mod device;
mod job;
mod labels;
mod register;
mod watch;

use std::borrow::Cow;

use ridgepost_parsers::Quantity;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Deserialize;

pub(crate) use cell::*;
pub(crate) use device::*;
pub(crate) use job::*;
pub(crate) use labels::*;
pub(crate) use register::*;
pub(crate) use watch::*;

/// A number with its unit in quotes, as in `"0.8 µm"`: digits count to the letter, so no bare numbers.
#[derive(Clone, Debug, Deserialize)]
#[serde(transparent)]
pub(crate) struct AmountText(pub(crate) String);

impl JsonSchema for AmountText {
    fn schema_name() -> Cow<'static, str> {
        "Amount".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "A number with its unit, as in \"0.8 µm\". Units: µm um nm mm m in µin uin mil, %, 1/cm, 1, °, HRC HRB HV HBW.",
            "type": "string",
            "format": "amount",
            "pattern": "^\\s*[+-]?([0-9]+\\.?[0-9]*|\\.[0-9]+)([eE][+-]?[0-9]{1,2})?\\s*([^0-9\\s].*|1|1/cm)?$"
        })
    }
}

/// A day in quotes: `"2027-03-01"`.
#[derive(Clone, Debug, Deserialize)]
#[serde(transparent)]
pub(crate) struct DayText(pub(crate) String);

impl JsonSchema for DayText {
    fn schema_name() -> Cow<'static, str> {
        "Day".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "A day as year-month-day, as in \"2027-03-01\".",
            "type": "string",
            "format": "date",
            "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
        })
    }
}

/// A quantity's symbol.
#[derive(Clone, Debug, Deserialize)]
#[serde(transparent)]
pub(crate) struct QuantityText(pub(crate) String);

impl JsonSchema for QuantityText {
    fn schema_name() -> Cow<'static, str> {
        "Quantity".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let symbols: Vec<&str> = Quantity::symbols().collect();
        json_schema!({
            "description": "A quantity's symbol, with its argument where it takes one, as in \"Rmr(0.5)\".",
            "type": "string",
            "anyOf": [{ "enum": symbols }, { "pattern": "^[A-Za-z0-9]+\\(.+\\)$" }]
        })
    }
}

/// Measuring conditions.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Conditions")]
pub(crate) struct ConditionsSaid {
    /// Cutoff λc.
    #[schemars(extend("examples" = ["0.8 mm", "2.5 mm", "0.25 mm"]))]
    pub(crate) cutoff: Option<AmountText>,
    /// Short-wave cutoff λs.
    #[schemars(extend("examples" = ["2.5 µm"]))]
    pub(crate) lambda_s: Option<AmountText>,
    /// Number of sampling lengths.
    #[schemars(range(min = 1, max = 100))]
    pub(crate) sections: Option<u32>,
    /// Profile filter.
    #[schemars(length(min = 1), extend("examples" = ["gaussian"]))]
    pub(crate) filter: Option<String>,
    /// Standard the instrument works to.
    #[schemars(length(min = 1))]
    pub(crate) standard: Option<String>,
    /// Stored program.
    #[schemars(length(min = 1))]
    pub(crate) program: Option<String>,
}
