//! What a field means: the closed list of field names, and the way from the instrument's words to them.

use std::collections::BTreeMap;

use crate::quantity::Quantity;
use crate::reading::Mark;
use crate::value::Value;

/// What a field means.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Role {
    Quantity,
    Value,
    Unit,
    Decimals,
    Number,
    Date,
    Time,
    Program,
    Part,
    Channel,
    Remark,
    Verdict,
    LimitUpper,
    LimitLower,
    ConvertedFrom,
    Count,
    Lines,
    Code,
    Cutoff,
    Sections,
    Filter,
    Standard,
    LambdaS,
    Traverse,
    /// The unit of a length that another field states.
    CutoffUnit,
    LambdaSUnit,
    TraverseUnit,
    SpacingUnit,
    HeightScaleUnit,
    /// A word for how good a value is.
    State,
    /// What a profile is made of: see `trace`.
    Heights,
    Points,
    Spacing,
    HeightScale,
    HeightExponent,
    /// The value of this quantity.
    Measured(Quantity),
    /// Something beside the value of this quantity.
    Beside(Quantity, Beside),
    /// No role: kept under this name.
    Other(String),
}

/// What may go with one quantity among several.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Beside {
    Unit,
    Verdict,
    LimitUpper,
    LimitLower,
    ConvertedFrom,
    State,
}

const WORDS: &[(&str, Role)] = &[
    ("quantity", Role::Quantity),
    ("value", Role::Value),
    ("unit", Role::Unit),
    ("decimals", Role::Decimals),
    ("number", Role::Number),
    ("date", Role::Date),
    ("time", Role::Time),
    ("program", Role::Program),
    ("part", Role::Part),
    ("channel", Role::Channel),
    ("remark", Role::Remark),
    ("verdict", Role::Verdict),
    ("limit_upper", Role::LimitUpper),
    ("limit_lower", Role::LimitLower),
    ("converted_from", Role::ConvertedFrom),
    ("count", Role::Count),
    ("lines", Role::Lines),
    ("code", Role::Code),
    ("cutoff", Role::Cutoff),
    ("sections", Role::Sections),
    ("filter", Role::Filter),
    ("standard", Role::Standard),
    ("lambda_s", Role::LambdaS),
    ("traverse", Role::Traverse),
    ("cutoff.unit", Role::CutoffUnit),
    ("lambda_s.unit", Role::LambdaSUnit),
    ("traverse.unit", Role::TraverseUnit),
    ("spacing.unit", Role::SpacingUnit),
    ("height_scale.unit", Role::HeightScaleUnit),
    ("state", Role::State),
    ("heights", Role::Heights),
    ("points", Role::Points),
    ("spacing", Role::Spacing),
    ("height_scale", Role::HeightScale),
    ("height_exponent", Role::HeightExponent),
];

const BESIDE: &[(&str, Beside)] = &[
    ("unit", Beside::Unit),
    ("verdict", Beside::Verdict),
    ("limit_upper", Beside::LimitUpper),
    ("limit_lower", Beside::LimitLower),
    ("converted_from", Beside::ConvertedFrom),
    ("state", Beside::State),
];

impl Role {
    /// The role that an engineer's field name stands for.
    pub(crate) fn of(name: &str) -> Role {
        if let Some((_, role)) = WORDS.iter().find(|(word, _)| *word == name) {
            return role.clone();
        }
        if let Some(quantity) = Quantity::parse(name) {
            return Role::Measured(quantity);
        }
        let beside = name.rsplit_once('.').and_then(|(symbol, word)| {
            let beside = BESIDE.iter().find(|(beside, _)| *beside == word)?.1;
            Some(Role::Beside(Quantity::parse(symbol)?, beside))
        });
        beside.unwrap_or_else(|| Role::Other(name.to_owned()))
    }

    /// The name it goes by in definitions.
    pub(crate) fn name(&self) -> String {
        let beside = |wanted: &Beside| BESIDE.iter().find(|(_, beside)| beside == wanted).map_or("", |(word, _)| word);
        match self {
            Role::Measured(quantity) => quantity.to_string(),
            Role::Beside(quantity, wanted) => format!("{quantity}.{}", beside(wanted)),
            Role::Other(name) => name.clone(),
            role => WORDS.iter().find(|(_, other)| other == role).map_or(String::new(), |(word, _)| (*word).to_owned()),
        }
    }

    /// Whether the field holds a number that may become a reading.
    pub(crate) fn is_value(&self) -> bool {
        matches!(self, Role::Value | Role::Measured(_))
    }

    /// Whether the field is a length with a unit of its own.
    pub(crate) fn is_length(&self) -> bool {
        self.length_unit().is_some()
    }

    /// The field that states the unit of this length.
    pub(crate) fn length_unit(&self) -> Option<Role> {
        Some(match self {
            Role::Cutoff => Role::CutoffUnit,
            Role::LambdaS => Role::LambdaSUnit,
            Role::Traverse => Role::TraverseUnit,
            Role::Spacing => Role::SpacingUnit,
            Role::HeightScale => Role::HeightScaleUnit,
            _ => return None,
        })
    }

    /// Whether the field tells one measurement from another.
    pub(crate) fn is_identity(&self) -> bool {
        matches!(self, Role::Number | Role::Date | Role::Time | Role::Part | Role::Channel)
    }
}

/// One field of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Item {
    pub(crate) role: Role,
    pub(crate) text: String,
    /// The unit that a heading or a units row gives it.
    pub(crate) unit: Option<String>,
    /// How its text is a number, where it is one.
    pub(crate) number: NumberForm,
}

/// How a text is a number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum NumberForm {
    /// As the definition declares.
    #[default]
    Declared,
    /// As programs write them whatever the definition declares: a point, an exponent, a minus sign.
    Plain,
    /// This number; the text is how it was sent.
    Exact(Value),
    /// None: the text is a code in its place.
    Marked(Mark),
}

impl Item {
    /// A field whose text stands by itself.
    pub(crate) fn new(role: Role, text: impl Into<String>) -> Item {
        Item { role, text: text.into(), unit: None, number: NumberForm::Declared }
    }
}

/// The instrument's words and what they mean.
#[derive(Clone, Debug, Default)]
pub(crate) struct Words {
    pub(crate) names: BTreeMap<String, Role>,
    /// Label to role and language; no language where two of them share the label.
    pub(crate) labels: BTreeMap<String, (Role, Option<String>)>,
}

impl Words {
    /// The role of a name that the definition itself gives (captures, columns, places).
    pub(crate) fn of_definition(&self, name: &str) -> Role {
        self.names.get(name).cloned().unwrap_or_else(|| Role::of(name))
    }

    /// The role of a key or heading that the instrument sends, and its language. Short symbols such as `T` or
    /// `D` may be anything (a temperature, a date), so only declared words and texture symbols mean something.
    pub(crate) fn of_message(&self, name: &str) -> (Role, Option<&str>) {
        if let Some(role) = self.names.get(name) {
            return (role.clone(), None);
        }
        if let Some((role, language)) = self.labels.get(name) {
            return (role.clone(), language.as_deref());
        }
        match Quantity::parse(name).filter(Quantity::is_texture) {
            Some(quantity) => (Role::Measured(quantity), None),
            None => (Role::Other(name.to_owned()), None),
        }
    }

    /// The quantity that a text in a field `quantity` names, and its language.
    pub(crate) fn quantity(&self, text: &str) -> Option<(Quantity, Option<&str>)> {
        match (self.names.get(text), self.labels.get(text)) {
            (Some(Role::Measured(quantity)), _) => Some((quantity.clone(), None)),
            (_, Some((Role::Measured(quantity), language))) => Some((quantity.clone(), language.as_deref())),
            _ => Quantity::parse(text).map(|quantity| (quantity, None)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_role_has_a_name_that_leads_back_to_it() {
        let names =
            WORDS.iter().map(|(word, _)| *word).chain(["Ra", "Rmr(0.5)", "Rz.limit_upper", "Rz.state", "station"]);
        for name in names {
            assert_eq!(Role::of(name).name(), name);
        }
    }

    #[test]
    fn keys_of_the_instrument_mean_nothing_by_accident() {
        let words = Words::default();
        assert_eq!(words.of_message("T").0, Role::Other("T".to_owned()), "a temperature, perhaps");
        assert_eq!(words.of_message("value").0, Role::Other("value".to_owned()));
        assert_eq!(words.of_message("Ra").0, Role::of("Ra"));
        assert_eq!(words.of_definition("T"), Role::of("T"));
    }
}
