//! Patterns over whole lines, and what is to blame where one does not fit.

use std::sync::OnceLock;

use regex::{Regex, RegexBuilder};
use regex_syntax::hir::{Capture, Hir, HirKind};

use crate::role::{Item, Role, Words};

/// A pattern over a whole line whose captures are fields.
#[derive(Clone, Debug)]
pub(crate) struct LinePattern {
    whole: Regex,
    /// As it was written.
    written: String,
    /// The same pattern at the beginning of what is left of a line. This and the next ones are made when a line needs them
    /// for the first time: each takes as much memory as the pattern itself, and few lines do.
    beginning: OnceLock<Option<Regex>>,
    /// The roles of its named groups, by group index.
    roles: Vec<(usize, Role)>,
    /// The same pattern with anything in place of its numbers, and of its units: what only these fit is one of
    /// our lines with a bad number, or a bad unit.
    any_number: OnceLock<Option<Regex>>,
    any_unit: OnceLock<Option<Regex>>,
}

/// What is to blame for a line that a pattern does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Blame {
    /// The text in a number's place.
    Number(String),
    /// The text in a unit's place.
    Unit(String),
}

/// Compiles a pattern that must fit a whole text.
pub(crate) fn whole(pattern: &str) -> Result<Regex, String> {
    build(&format!(r"\A(?:{pattern})\z"))
}

/// Compiles a pattern that a text must hold.
pub(crate) fn anywhere(pattern: &str) -> Result<Regex, String> {
    build(pattern)
}

/// Compiles a pattern that a text must begin with.
pub(crate) fn beginning(pattern: &str) -> Result<Regex, String> {
    build(&format!(r"\A(?:{pattern})"))
}

fn build(pattern: &str) -> Result<Regex, String> {
    // The micro sign and the Greek letter mean the same, whichever of them an engineer's keyboard has.
    let pattern = pattern.replace(['\u{b5}', '\u{3bc}'], "[\u{b5}\u{3bc}]");
    RegexBuilder::new(&pattern).dot_matches_new_line(true).build().map_err(|error| match error {
        // The last line says what is wrong; the lines above draw the wrapped pattern.
        regex::Error::Syntax(text) => text.lines().last().unwrap_or("").trim_start_matches("error: ").to_owned(),
        other => other.to_string(),
    })
}

impl LinePattern {
    pub(crate) fn compile(pattern: &str, words: &Words) -> Result<LinePattern, String> {
        // Alone first: a group left open must not close in what is put around it.
        build(pattern)?;
        let whole = whole(pattern)?;
        let roles: Vec<(usize, Role)> = whole
            .capture_names()
            .enumerate()
            .filter_map(|(index, name)| Some((index, words.of_definition(name?))))
            .collect();
        Ok(LinePattern {
            whole,
            written: pattern.to_owned(),
            beginning: OnceLock::new(),
            any_number: OnceLock::new(),
            any_unit: OnceLock::new(),
            roles,
        })
    }

    /// The pattern with anything in place of the groups whose roles are wanted; `None` where it has no such group.
    fn loose(&self, is_wanted: &dyn Fn(&Role) -> bool) -> Option<Regex> {
        let wanted = self.roles.iter().filter(|(_, role)| is_wanted(role));
        let wanted: Vec<usize> = wanted.map(|(index, _)| *index).collect();
        if wanted.is_empty() {
            return None;
        }
        let mut parser = regex_syntax::ParserBuilder::new().dot_matches_new_line(true).build();
        Regex::new(&loosen(parser.parse(self.whole.as_str()).ok()?, &wanted).to_string()).ok()
    }

    /// The fields of a line that fits.
    pub(crate) fn read(&self, line: &str) -> Option<Vec<Item>> {
        Some(self.items(&self.whole.captures(line)?))
    }

    /// The fields of a line that the pattern fits several times, one after the other and without a rest.
    pub(crate) fn read_again(&self, line: &str) -> Option<Vec<Vec<Item>>> {
        let mut all = Vec::new();
        let mut rest = line;
        let beginning = self.beginning.get_or_init(|| beginning(&self.written).ok()).as_ref()?;
        while !rest.is_empty() {
            let captures = beginning.captures(rest)?;
            let end = captures.get(0).map(|fit| fit.end()).filter(|end| *end > 0)?;
            all.push(self.items(&captures));
            rest = &rest[end..];
        }
        (!all.is_empty()).then_some(all)
    }

    fn items(&self, captures: &regex::Captures<'_>) -> Vec<Item> {
        let item = |(index, role): &(usize, Role)| {
            let text = captures.get(*index)?.as_str().to_owned();
            Some(Item::new(role.clone(), text))
        };
        self.roles.iter().filter_map(item).collect()
    }

    /// The pattern alone.
    pub(crate) fn regex(&self) -> &Regex {
        &self.whole
    }

    /// The roles that its captures have.
    pub(crate) fn roles(&self) -> impl Iterator<Item = &Role> {
        self.roles.iter().map(|(_, role)| role)
    }

    /// What is to blame for a line that does not fit, if one number or unit is.
    pub(crate) fn blame(&self, line: &str) -> Option<Blame> {
        let text_of = |pattern: Option<&Regex>, is_wanted: &dyn Fn(&Role) -> bool| {
            let captures = pattern?.captures(line)?;
            let texts = self.roles.iter().filter(|(_, role)| is_wanted(role));
            let texts: Vec<&str> = texts.filter_map(|(index, _)| Some(captures.get(*index)?.as_str())).collect();
            Some(texts.join(" "))
        };
        let is_any_unit = |role: &Role| matches!(role, Role::Unit | Role::Beside(_, crate::role::Beside::Unit));
        let any_number = || self.any_number.get_or_init(|| self.loose(&Role::is_value)).as_ref();
        let any_unit = || self.any_unit.get_or_init(|| self.loose(&is_any_unit)).as_ref();
        text_of(any_number(), &Role::is_value)
            .map(Blame::Number)
            .or_else(|| text_of(any_unit(), &|role| matches!(role, Role::Unit)).map(Blame::Unit))
    }
}

/// The pattern with anything in place of the groups `wanted`.
fn loosen(hir: Hir, wanted: &[usize]) -> Hir {
    match hir.into_kind() {
        HirKind::Empty => Hir::empty(),
        HirKind::Literal(literal) => Hir::literal(literal.0),
        HirKind::Class(class) => Hir::class(class),
        HirKind::Look(look) => Hir::look(look),
        HirKind::Repetition(mut repetition) => {
            repetition.sub = Box::new(loosen(*repetition.sub, wanted));
            Hir::repetition(repetition)
        }
        HirKind::Capture(capture) if usize::try_from(capture.index).is_ok_and(|index| wanted.contains(&index)) => {
            let anything = Hir::repetition(regex_syntax::hir::Repetition {
                min: 1,
                max: None,
                greedy: false,
                sub: Box::new(Hir::dot(regex_syntax::hir::Dot::AnyChar)),
            });
            Hir::capture(Capture { sub: Box::new(anything), ..capture })
        }
        HirKind::Capture(capture) => {
            let sub = Box::new(loosen(*capture.sub, wanted));
            Hir::capture(Capture { index: capture.index, name: capture.name, sub })
        }
        HirKind::Concat(parts) => Hir::concat(parts.into_iter().map(|part| loosen(part, wanted)).collect()),
        HirKind::Alternation(parts) => Hir::alternation(parts.into_iter().map(|part| loosen(part, wanted)).collect()),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_line_fits_as_a_whole_or_not_at_all() {
        let pattern = LinePattern::compile(r"(?<quantity>R[a-z]) (?<value>\d\.\d{3}) (?<unit>um)", &Words::default());
        let pattern = pattern.unwrap();
        let items = pattern.read("Ra 0.412 um").unwrap();
        let texts: Vec<(String, &str)> = items.iter().map(|item| (item.role.name(), item.text.as_str())).collect();
        assert_eq!(texts, [("quantity".into(), "Ra"), ("value".into(), "0.412"), ("unit".into(), "um")]);
        assert_eq!(pattern.read("Ra 0.412 um "), None);
        assert_eq!(pattern.read("xRa 0.412 um"), None);
        assert_eq!(pattern.read("Ra 0.412 um\n"), None);
    }

    #[test]
    fn the_bad_field_is_named() {
        let pattern = LinePattern::compile(r"(?<Ra>\d\.\d{3}) (?<unit>um|nm)", &Words::default()).unwrap();
        assert_eq!(pattern.blame("0.4x2 um"), Some(Blame::Number("0.4x2".into())));
        assert_eq!(pattern.blame("0.412 uq"), Some(Blame::Unit("uq".into())));
        assert_eq!(pattern.blame("hello"), None);
    }

    #[test]
    fn a_group_left_open_is_a_fault() {
        assert!(LinePattern::compile(r"(\d", &Words::default()).is_err());
        assert!(LinePattern::compile(r"a)(b", &Words::default()).is_err());
    }
}
