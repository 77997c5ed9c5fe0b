//! What `labels.toml` says.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::labels::{CheckDigit, Command, Item};

/// labels.toml: what the labels mean that a scanner reads or a person types.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "labels.toml")]
pub(crate) struct LabelsFile {
    /// What must be known before a reading is judged: without it the reading is `unassigned`. Nothing where not written.
    #[serde(default)]
    pub(crate) need: Vec<Item>,
    /// How long what a label said is kept.
    #[serde(default)]
    pub(crate) keep: KeepSaid,
    /// Rules for labels. A label must fit exactly one.
    #[schemars(required, length(min = 1, max = 200))]
    pub(crate) label: Option<Vec<LabelSaid>>,
}

/// How long what a label said is kept; when it ends, readings are `unassigned` until a label says it anew.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub(crate) struct KeepSaid {
    /// The serial number; until the end of its piece where not written.
    pub(crate) serial: Option<UntilSaid>,
    /// The operator; until another one where not written.
    pub(crate) operator: Option<UntilSaid>,
    /// The feature that readings are for; until the end of the piece where not written.
    pub(crate) balloon: Option<UntilSaid>,
    /// What the cell is doing; until another label where not written.
    pub(crate) mode: Option<UntilSaid>,
}

/// Whichever comes first ends it; a new label begins anew.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Until")]
pub(crate) struct UntilSaid {
    /// So many minutes after the label.
    #[schemars(range(min = 1, max = 10_080), extend("examples" = [600]))]
    pub(crate) minutes: Option<u32>,
    /// After so many readings of a station.
    #[schemars(range(min = 1, max = 1_000_000), extend("examples" = [1]))]
    pub(crate) readings: Option<u32>,
    /// With the piece.
    pub(crate) piece: Option<bool>,
}

/// One kind of label.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Label")]
pub(crate) struct LabelSaid {
    /// Name of the rule, for people.
    #[schemars(required, length(min = 1))]
    pub(crate) name: Option<String>,
    /// Regular expression that the whole label must fit. Captures say what it holds: (?<job>..), (?<serial>..),
    /// (?<operator>..), (?<balloon>..), (?<station>..).
    #[schemars(required, length(min = 1), extend("examples" = ["SN-(?<serial>[0-9]{6})"]))]
    pub(crate) pattern: Option<String>,
    /// Check character that the label must end with; none where not written.
    pub(crate) check: Option<CheckDigit>,
    /// Capture that the check character is the last one of; the whole label where not written.
    #[schemars(length(min = 1))]
    pub(crate) check_over: Option<String>,
    /// What the label says beside its captures.
    #[serde(default)]
    pub(crate) set: SetSaid,
    /// What is not to be held any more, and not missed either.
    #[serde(default)]
    pub(crate) forget: Vec<Item>,
    /// What is to be done.
    pub(crate) command: Option<Command>,
    /// Why the last reading counts for nothing; with command = "void".
    #[schemars(length(min = 1), extend("examples" = ["dirt on the surface"]))]
    pub(crate) reason: Option<String>,
}

/// What a label says by itself.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub(crate) struct SetSaid {
    /// Opens this job.
    #[schemars(length(min = 1))]
    pub(crate) job: Option<String>,
    /// The piece.
    #[schemars(length(min = 1))]
    pub(crate) serial: Option<String>,
    /// Who measures.
    #[schemars(length(min = 1))]
    pub(crate) operator: Option<String>,
    /// The characteristic that the next readings are for.
    #[schemars(length(min = 1))]
    pub(crate) balloon: Option<String>,
    /// The station that this and later labels of the same scanner are about.
    #[schemars(length(min = 1))]
    pub(crate) station: Option<String>,
    /// What the cell is doing; only readings of production are judged by the job.
    pub(crate) mode: Option<ModeWord>,
}

/// What the cell is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
#[schemars(rename = "Mode")]
pub(crate) enum ModeWord {
    /// Making parts.
    Production,
    /// Checking a gauge.
    Verification,
    /// Studying a gauge.
    Study,
    /// Learning.
    Training,
}

impl ModeWord {
    /// The word as it stands in results.
    pub(crate) fn word(self) -> &'static str {
        match self {
            ModeWord::Production => "production",
            ModeWord::Verification => "verification",
            ModeWord::Study => "study",
            ModeWord::Training => "training",
        }
    }
}
