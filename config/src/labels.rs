//! The shop's own grammar of labels: what a scanned or typed text says. A label fits exactly one rule, or it says
//! nothing.

use std::collections::{BTreeMap, BTreeSet};

use regex::Regex;

pub use crate::check_digit::CheckDigit;
use crate::plan::Text;

/// Characters of a label at most; a longer one is no label.
pub const LABEL_CHARACTERS_MAX: usize = 512;
/// Characters of one thing that a label says at most.
pub const VALUE_CHARACTERS_MAX: usize = 128;

/// What a label may say and the cell keeps.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Item {
    /// The piece.
    Serial,
    /// Who measures.
    Operator,
    /// The characteristic that readings are for.
    Balloon,
    /// What the cell is doing.
    Mode,
}

impl Item {
    /// Every item.
    pub const ALL: [Item; 4] = [Item::Serial, Item::Operator, Item::Balloon, Item::Mode];

    /// The word as the shop writes it.
    pub fn word(self) -> &'static str {
        match self {
            Item::Serial => "serial",
            Item::Operator => "operator",
            Item::Balloon => "balloon",
            Item::Mode => "mode",
        }
    }
}

/// What a label may ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Command {
    /// End the piece being measured.
    Next,
    /// Close the open job.
    Close,
    /// The last reading counts for nothing, for the `reason` of the rule.
    Void,
}

impl Command {
    /// The word as the shop writes it.
    pub fn word(self) -> &'static str {
        match self {
            Command::Next => "next",
            Command::Close => "close",
            Command::Void => "void",
        }
    }
}

/// How long an item is kept; whichever comes first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Keep {
    /// So many milliseconds.
    pub ms: Option<u64>,
    /// So many readings of a station.
    pub readings: Option<u64>,
    /// With the piece.
    pub piece: bool,
}

impl Keep {
    /// How long an item is kept where nothing is written: what belongs to a piece ends with it.
    pub fn unwritten(item: Item) -> Keep {
        Keep { piece: matches!(item, Item::Serial | Item::Balloon), ..Keep::default() }
    }
}

/// One kind of label.
#[derive(Clone, Debug)]
pub struct Rule {
    /// Its name, for people.
    pub name: String,
    /// What a whole label must fit.
    pub(crate) pattern: Regex,
    /// The check character, and the capture it ends; the whole label where none is named.
    pub(crate) check: Option<(CheckDigit, Option<String>)>,
    /// What it says by itself.
    pub(crate) set: Label,
}

/// What a label says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Label {
    /// Name of the rule that it fits.
    pub rule: String,
    /// The job to be opened.
    pub job: Option<String>,
    /// The station that this and later labels of the same scanner are about.
    pub station: Option<String>,
    /// What is to be kept.
    pub items: BTreeMap<Item, String>,
    /// What is not to be held any more.
    pub forget: BTreeSet<Item>,
    /// What is to be done.
    pub command: Option<Command>,
    /// Why; of a reading that is to count for nothing.
    pub reason: Option<String>,
}

impl Label {
    /// Where something that a label says is kept, by its name in patterns.
    fn take(&mut self, name: &str, value: String) {
        match name {
            "job" => self.job = Some(value),
            "station" => self.station = Some(value),
            _ => {
                if let Some(item) = Item::ALL.into_iter().find(|item| item.word() == name) {
                    self.items.insert(item, value);
                }
            }
        }
    }

    /// Whether it says nothing at all.
    pub fn is_empty(&self) -> bool {
        *self == Label { rule: self.rule.clone(), ..Label::default() }
    }
}

/// Names that captures may have.
pub(crate) const CAPTURES: [&str; 5] = ["job", "serial", "operator", "balloon", "station"];

/// Why a text is no label. Nothing changes by it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// No rule fits.
    #[error("no rule of labels.toml fits it")]
    Unknown,
    /// More than one rule fits.
    #[error("it fits more than one rule of labels.toml: {}; nobody can say which is meant", .0.join(", "))]
    Ambiguous(Vec<String>),
    /// Its check character is wrong.
    #[error("its check character ({1}) is wrong, by rule {0}: scan it again")]
    Check(String, &'static str),
    /// It holds characters that nobody can see.
    #[error("it holds a character that can't be printed")]
    Characters,
    /// It is too long.
    #[error("it is longer than {0} characters")]
    TooLong(usize),
    /// What it should say is blank.
    #[error("by rule {0} it says nothing in the place of `{1}`")]
    Blank(String, String),
}

/// The labels that a cell knows.
#[derive(Clone, Debug)]
pub struct Labels {
    /// Its rules.
    pub rules: Vec<Rule>,
    /// What must be known before a reading is judged.
    pub need: BTreeSet<Item>,
    /// How long items are kept.
    pub keep: BTreeMap<Item, Keep>,
    /// The exact text this was read from.
    pub text: Text,
}

/// Characters that no label has: they can't be seen, or change how others are shown.
fn is_unprintable(char: char) -> bool {
    let hidden = matches!(char, '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}');
    char.is_control() || hidden
}

/// Whether a text can be something that a label says.
pub(crate) fn unfit(text: &str) -> Option<Refusal> {
    if text.chars().count() > LABEL_CHARACTERS_MAX {
        return Some(Refusal::TooLong(LABEL_CHARACTERS_MAX));
    }
    text.contains(is_unprintable).then_some(Refusal::Characters)
}

impl Labels {
    /// How long an item is kept.
    pub fn keep(&self, item: Item) -> Keep {
        self.keep.get(&item).copied().unwrap_or_else(|| Keep::unwritten(item))
    }

    /// What a text says.
    ///
    /// # Errors
    /// Where it fits no rule or more than one, its check character is wrong, or it can't be what a label says.
    pub fn read(&self, text: &str) -> Result<Label, Refusal> {
        if let Some(refusal) = unfit(text) {
            return Err(refusal);
        }
        let fitting: Vec<&Rule> = self.rules.iter().filter(|rule| rule.fits(text)).collect();
        match fitting[..] {
            [] => Err(Refusal::Unknown),
            [rule] => rule.read(text),
            _ => Err(Refusal::Ambiguous(fitting.iter().map(|rule| rule.name.clone()).collect())),
        }
    }
}

impl Rule {
    /// Whether a text as a whole fits the rule's pattern; its check character is not looked at.
    pub fn fits(&self, text: &str) -> bool {
        self.pattern.is_match(text)
    }

    fn read(&self, text: &str) -> Result<Label, Refusal> {
        let Some(captures) = self.pattern.captures(text) else { return Err(Refusal::Unknown) };
        if let Some((check, over)) = &self.check {
            let checked = over.as_ref().map_or(Some(text), |name| captures.name(name).map(|found| found.as_str()));
            if !checked.is_some_and(|text| check.holds(text)) {
                return Err(Refusal::Check(self.name.clone(), check.word()));
            }
        }
        let mut label = self.set.clone();
        for name in CAPTURES {
            let Some(found) = captures.name(name) else { continue };
            let value = found.as_str();
            if value.trim().is_empty() {
                return Err(Refusal::Blank(self.name.clone(), name.to_owned()));
            }
            if value.chars().count() > VALUE_CHARACTERS_MAX {
                return Err(Refusal::TooLong(VALUE_CHARACTERS_MAX));
            }
            label.take(name, value.to_owned());
        }
        match label.is_empty() {
            true => Err(Refusal::Blank(self.name.clone(), "anything".to_owned())),
            false => Ok(label),
        }
    }
}
