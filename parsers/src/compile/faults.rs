//! Faults of a definition, gathered so that all are told at once.

use crate::definition::{Fault, Step};
use crate::pattern::LinePattern;
use crate::quantity::Quantity;
use crate::role::Words;
use crate::unit::Unit;

/// Faults found so far.
#[derive(Default)]
pub(super) struct Faults(pub(super) Vec<Fault>);

impl From<&str> for Step {
    fn from(key: &str) -> Self {
        Step::Key(key.to_owned())
    }
}

impl From<&String> for Step {
    fn from(key: &String) -> Self {
        Step::Key(key.clone())
    }
}

impl From<usize> for Step {
    fn from(index: usize) -> Self {
        Step::Index(index)
    }
}

impl Faults {
    pub(super) fn add(&mut self, path: &[Step], message: impl Into<String>, help: &str) {
        let help = Some(help.to_owned()).filter(|help| !help.is_empty());
        self.0.push(Fault { path: path.to_vec(), message: message.into(), help });
    }

    pub(super) fn keep<T>(&mut self, path: &[Step], result: Result<T, String>, help: &str) -> Option<T> {
        result.map_err(|message| self.add(path, message, help)).ok()
    }

    pub(super) fn regex(&mut self, path: &[Step], result: Result<regex::Regex, String>) -> Option<regex::Regex> {
        self.keep(path, result.map_err(bad_pattern), PATTERN_HELP)
    }

    pub(super) fn line_pattern(&mut self, path: &[Step], pattern: &str, words: &Words) -> Option<LinePattern> {
        self.keep(path, LinePattern::compile(pattern, words).map_err(bad_pattern), PATTERN_HELP)
    }

    pub(super) fn unit(&mut self, path: &[Step], text: &str) -> Option<Unit> {
        let unit = Unit::parse(text).ok_or_else(|| format!("unknown unit `{text}`"));
        let known: Vec<&str> = Unit::all().map(Unit::symbol).collect();
        self.keep(path, unit, &format!("one of {}", known.join(" ")))
    }

    pub(super) fn quantity(&mut self, path: &[Step], text: &str) -> Option<Quantity> {
        let quantity = Quantity::parse(text).ok_or_else(|| format!("unknown quantity `{text}`"));
        let known: Vec<&str> = Quantity::symbols().collect();
        self.keep(path, quantity, &format!("one of {}", known.join(" ")))
    }

    /// The one character of a text, as a byte where `ascii` asks for it.
    pub(super) fn character(&mut self, path: &[Step], text: &str) -> Option<char> {
        let mut characters = text.chars();
        match (characters.next(), characters.next()) {
            (Some(character), None) if character.is_ascii() => Some(character),
            _ => {
                self.add(path, format!("`{text}` is not one plain character"), "example: \";\"");
                None
            }
        }
    }
}

pub(super) const PATTERN_HELP: &str = "write the pattern in single quotes, so that TOML leaves its backslashes alone";

fn bad_pattern(error: String) -> String {
    format!("the pattern can't be read: {error}")
}
