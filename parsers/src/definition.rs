//! How a kind of instrument talks, as an engineer writes it down in TOML.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::instrument::Instrument;

/// One instrument definition file.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Definition {
    /// What this instrument is.
    pub instrument: About,
}

/// What this instrument is.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct About {
    /// Name that stations refer to.
    pub name: String,
}

/// A fault of a definition that the form of the file can't show: where in the document, what, a way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Keys and positions from the top of the document to the offending value.
    pub path: Vec<Step>,
    /// What is wrong: lower case, no full stop.
    pub message: String,
    /// A way out.
    pub help: Option<String>,
}

/// One step of a path into a document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// A key of a table.
    Key(String),
    /// A position in an array, from 0.
    Index(usize),
}

impl Definition {
    /// Checks that the parts agree and compiles patterns; every fault at once.
    pub fn compile(self) -> Result<Instrument, Vec<Fault>> {
        Ok(Instrument::new(self))
    }
}
