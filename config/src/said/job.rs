//! What `jobs/*.toml` say.

use schemars::JsonSchema;
use serde::Deserialize;

use super::{AmountText, ConditionsSaid, QuantityText};
use crate::plan::{DecisionRule, Gate, GuardWidth, Rule};

/// jobs/*.toml: what is made and what is asked of it.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "jobs/*.toml")]
pub(crate) struct JobFile {
    /// What is made.
    #[schemars(required)]
    pub(crate) job: Option<JobSaid>,
    /// Requirements in measuring order.
    #[schemars(required, length(min = 1))]
    pub(crate) characteristic: Option<Vec<CharacteristicSaid>>,
    /// Where the job comes from another system: which cell it is for, and which version it is.
    pub(crate) order: Option<OrderSaid>,
}

/// What another system says of a job that it hands over.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Order")]
pub(crate) struct OrderSaid {
    /// Name of the cell that it is for; any where not written.
    #[schemars(length(min = 1))]
    pub(crate) cell: Option<String>,
    /// Its number among the versions of this job: an older one never takes the place of a newer one.
    #[schemars(range(min = 0, max = 1_000_000_000))]
    #[expect(dead_code, reason = "read where orders are compared, before they are jobs; here it is known and bounded")]
    pub(crate) version: Option<u32>,
}

/// What is made.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub(crate) struct JobSaid {
    /// Order number.
    #[schemars(required, length(min = 1))]
    pub(crate) id: Option<String>,
    /// Part number of the drawing.
    #[schemars(required, length(min = 1))]
    pub(crate) part_number: Option<String>,
    /// Revision of the drawing.
    #[schemars(required, length(min = 1))]
    pub(crate) revision: Option<String>,
    /// Operation number.
    #[schemars(required, length(min = 1))]
    pub(crate) operation: Option<String>,
    /// Edition of the texture standards that the drawing was made to; needed where texture is asked for.
    pub(crate) edition: Option<Edition>,
    /// What an unverified gauge does to its readings; hold where not written.
    #[schemars(extend("default" = "hold"))]
    pub(crate) gate: Option<Gate>,
    /// Judge texture although its conditions are neither sent nor declared; not done where not written.
    #[schemars(extend("default" = false))]
    pub(crate) accept_unknown_conditions: Option<bool>,
    /// On which pieces characteristics are due that don't say it themselves; on every one where not written.
    pub(crate) sample: Option<SampleSaid>,
    /// How the uncertainty of measuring counts; simple where not written.
    #[schemars(extend("default" = "simple"))]
    pub(crate) decision: Option<DecisionRule>,
    /// Width of the guard band of the decision rule; U where not written.
    #[schemars(extend("default" = "U"))]
    pub(crate) guard: Option<GuardWidth>,
    /// Times that a characteristic may be measured again on a piece after it was decided; 1 where not written. More are kept
    /// and not judged.
    #[schemars(range(max = 100), extend("default" = 1))]
    pub(crate) retests: Option<u32>,
    /// Judge hardness although the instrument converted it from the scale it measured in; not done where not written.
    #[schemars(extend("default" = false))]
    pub(crate) accept_converted: Option<bool>,
}

/// Edition of the texture standards: it decides what an unwritten default means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
pub(crate) enum Edition {
    /// The ISO 21920 series.
    #[serde(rename = "ISO 21920")]
    Iso21920,
    /// ISO 1302 with ISO 4288 and ISO 4287.
    #[serde(rename = "ISO 1302 / ISO 4288")]
    Iso1302,
    /// The ASME standard.
    #[serde(rename = "ASME B46.1")]
    Asme,
    /// The Japanese standard, 1994.
    #[serde(rename = "JIS B 0601:1994")]
    Jis1994,
    /// The Japanese standard, 2001.
    #[serde(rename = "JIS B 0601:2001")]
    Jis2001,
    /// The Japanese standard, 2013.
    #[serde(rename = "JIS B 0601:2013")]
    Jis2013,
}

impl Edition {
    /// Every edition, as written.
    pub(crate) const ALL: [(Edition, &'static str); 6] = [
        (Edition::Iso21920, "ISO 21920"),
        (Edition::Iso1302, "ISO 1302 / ISO 4288"),
        (Edition::Asme, "ASME B46.1"),
        (Edition::Jis1994, "JIS B 0601:1994"),
        (Edition::Jis2001, "JIS B 0601:2001"),
        (Edition::Jis2013, "JIS B 0601:2013"),
    ];

    /// The acceptance rule that a requirement of texture has where none is written: the 16 % rule by ISO 4288:1996 5.2 and
    /// the Japanese standards that took it over (from memory), the largest value by ISO 21920-1 clause 4 (seen in excerpts).
    /// For the others nothing is confirmed: the strictest rule is taken.
    pub(crate) fn unwritten_rule(self) -> Rule {
        match self {
            Edition::Iso1302 | Edition::Jis2001 | Edition::Jis2013 => Rule::Sixteen,
            Edition::Iso21920 | Edition::Asme | Edition::Jis1994 => Rule::Max,
        }
    }

    /// The edition as the tables of texture name it.
    pub(crate) fn of_texture(self) -> ridgepost_texture::Edition {
        match self {
            Edition::Iso21920 => ridgepost_texture::Edition::Iso21920,
            Edition::Iso1302 => ridgepost_texture::Edition::Iso4288,
            Edition::Asme => ridgepost_texture::Edition::AsmeB461,
            Edition::Jis1994 => ridgepost_texture::Edition::Jis1994,
            Edition::Jis2001 => ridgepost_texture::Edition::Jis2001,
            Edition::Jis2013 => ridgepost_texture::Edition::Jis2013,
        }
    }

    /// As written.
    pub(crate) fn word(self) -> &'static str {
        Self::ALL.iter().find(|(edition, _)| *edition == self).map_or("", |(_, word)| word)
    }
}

/// One requirement on one feature.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Characteristic")]
pub(crate) struct CharacteristicSaid {
    /// Balloon number on the drawing.
    #[schemars(required, length(min = 1))]
    pub(crate) balloon: Option<String>,
    /// The feature in words.
    #[schemars(required, length(min = 1))]
    pub(crate) feature: Option<String>,
    /// The requirement as the drawing writes it on one line, in place of quantity, limits, rule and conditions.
    #[schemars(length(min = 1), extend("examples" = ["Ra 0.8", "U Rz 6.3; L Rz 1.6", "-0.8/Ra3 1.6", "N7"]))]
    pub(crate) callout: Option<String>,
    /// What is measured: a quantity's symbol.
    pub(crate) quantity: Option<QuantityText>,
    /// The nominal size of the drawing. With it the limits are deviations from this size (`nominal = "25 mm"`, `lower =
    /// "-13 µm"`, `upper = "0 µm"`); without it they are sizes. Of a deviation (`dev`): what it is a deviation from, the
    /// master's nominal size where not written.
    #[schemars(extend("examples" = ["25 mm"]))]
    pub(crate) nominal: Option<AmountText>,
    /// The master that an instrument which sends deviations is set with.
    pub(crate) master: Option<MasterSaid>,
    /// Lower limit with its unit.
    #[schemars(extend("examples" = ["0.2 µm"]))]
    pub(crate) lower: Option<AmountText>,
    /// Upper limit with its unit.
    #[schemars(extend("examples" = ["0.8 µm"]))]
    pub(crate) upper: Option<AmountText>,
    /// Acceptance rule; what the edition makes of texture, else max, where not written.
    pub(crate) rule: Option<Rule>,
    /// How the uncertainty of measuring counts; what the job says where not written.
    pub(crate) decision: Option<DecisionRule>,
    /// Values due for one verdict, under the 16 % rule the fewest; 1 where not written.
    #[schemars(range(min = 1, max = 100), extend("default" = 1))]
    pub(crate) traces: Option<u32>,
    /// On which pieces it is due; on every one where not written.
    pub(crate) sample: Option<SampleSaid>,
    /// What it is judged by: the instrument's own figure, or what is computed here from the profile that comes with it; the
    /// figure where not written.
    #[schemars(extend("default" = "figure"))]
    pub(crate) from: Option<FromSaid>,
    /// With from = "trace": how far the instrument's own figure may be away before that is remarked upon; 5 % where not written.
    #[schemars(extend("examples" = ["5 %"]))]
    pub(crate) agree: Option<AmountText>,
    /// Conditions that the requirement states.
    pub(crate) conditions: Option<ConditionsSaid>,
    /// Band outside of which a value is a slip; the quantity's own band where not written.
    pub(crate) plausible: Option<PlausibleSaid>,
    /// Only readings of this station fill it; any station where not written.
    #[schemars(length(min = 1))]
    pub(crate) station: Option<String>,
}

/// What a characteristic is judged by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
#[schemars(rename = "From")]
pub(crate) enum FromSaid {
    /// The value that the instrument sends.
    Figure,
    /// The value that is computed from the profile it sends, under the conditions that the requirement states.
    Trace,
}

/// On which pieces a characteristic is due: on any that one of these asks for it on. It may be measured on others as well.
#[derive(Clone, Copy, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Sample")]
pub(crate) struct SampleSaid {
    /// The first so many pieces since the job was opened; 1 where not written.
    #[schemars(range(max = 1000), extend("default" = 1))]
    pub(crate) first: Option<u32>,
    /// Each piece that comes so many after the last one it was decided on.
    #[schemars(range(min = 2, max = 100_000), extend("examples" = [5]))]
    pub(crate) every: Option<u32>,
    /// The piece that is begun so many minutes, or more, after it was decided last.
    #[schemars(range(min = 1, max = 100_000), extend("examples" = [60]))]
    pub(crate) minutes: Option<u32>,
    /// After one that did not conform each piece, until so many in a row conform; 0 (not at all) where not written.
    #[schemars(range(max = 1000), extend("default" = 0))]
    pub(crate) tightened: Option<u32>,
    /// The last piece before the job is closed: closing it tells where that lacks it. Not done where not written.
    #[schemars(extend("default" = false))]
    pub(crate) last: Option<bool>,
}

/// A band outside of which a value is a slip of unit or decimal point.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Plausible")]
pub(crate) struct PlausibleSaid {
    /// Smallest plausible value.
    #[schemars(required, extend("examples" = ["0.05 µm"]))]
    pub(crate) min: Option<AmountText>,
    /// Largest plausible value.
    #[schemars(required, extend("examples" = ["5 µm"]))]
    pub(crate) max: Option<AmountText>,
}

/// The master that an instrument which sends deviations is set with: a part's size is the master's size plus (or minus)
/// what is indicated then.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Master")]
pub(crate) struct MasterSaid {
    /// Its id, as engraved.
    #[schemars(required, length(min = 1), extend("examples" = ["SM-40"]))]
    pub(crate) id: Option<String>,
    /// The size it is marked with.
    #[schemars(required, extend("examples" = ["40.000 mm"]))]
    pub(crate) nominal: Option<AmountText>,
    /// What a positive indication means: `+` that the part is larger than the master, `-` that it is smaller.
    #[schemars(required)]
    pub(crate) sign: Option<Sign>,
    /// The master's own deviation from its nominal size, by its certificate; none where not written.
    #[schemars(extend("examples" = ["0.4 µm"]))]
    pub(crate) deviation: Option<AmountText>,
}

/// What a positive indication means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
pub(crate) enum Sign {
    /// The part is larger than the master.
    #[serde(rename = "+")]
    Larger,
    /// The part is smaller than the master.
    #[serde(rename = "-")]
    Smaller,
}
