//! Reads the parts of a callout one behind the other; each fault stands where reading stopped.

use ridgepost_parsers::{Quantity, Unit, UnitKind};
use rust_decimal::Decimal;

use super::{CalloutFault, FILTERS, Process, Requirement, Side, fault};
use crate::plan::{Amount, Rule};
use crate::said::Edition;

/// The largest Ra of each grade in µm, N1 first.
const GRADES: [&str; 12] = ["0.025", "0.05", "0.1", "0.2", "0.4", "0.8", "1.6", "3.2", "6.3", "12.5", "25", "50"];

/// A place in the text.
pub(super) struct Reader<'t> {
    text: &'t str,
    at: usize,
    edition: Option<Edition>,
}

impl<'t> Reader<'t> {
    pub(super) fn new(text: &'t str, edition: Option<Edition>) -> Reader<'t> {
        Reader { text, at: 0, edition }
    }

    pub(super) fn rest(&self) -> &'t str {
        self.text.get(self.at..).unwrap_or_default()
    }

    pub(super) fn here(&self, message: impl Into<String>, help: impl Into<String>) -> CalloutFault {
        fault(self.at, message, help)
    }

    pub(super) fn skip_blanks(&mut self) {
        let rest = self.rest();
        self.at += rest.len() - rest.trim_start_matches([' ', '\t', '\u{a0}', '\u{2009}', '\u{202f}', '\r']).len();
    }

    pub(super) fn skip_all_blanks(&mut self) {
        let rest = self.rest();
        self.at += rest.len() - rest.trim_start().len();
    }

    pub(super) fn take(&mut self, word: &str) -> bool {
        let is_there = self.rest().starts_with(word);
        if is_there {
            self.at += word.len();
        }
        is_there
    }

    /// Takes a word that no letter or digit follows.
    fn take_word(&mut self, word: &str) -> bool {
        let ends = |rest: &str| !rest.starts_with(|char: char| char.is_alphanumeric());
        self.rest().strip_prefix(word).is_some_and(ends) && self.take(word)
    }

    pub(super) fn process(&mut self) -> Option<Process> {
        self.skip_all_blanks();
        let words = [("APA", Process::Any), ("MRR", Process::Removed), ("NMR", Process::Kept)];
        let process = words.into_iter().find(|(word, _)| self.take_word(word)).map(|(_, process)| process);
        self.skip_all_blanks();
        process
    }

    pub(super) fn requirement(&mut self) -> Result<Requirement, CalloutFault> {
        self.skip_blanks();
        let side = if self.take_word("L") { Side::Lower } else { Side::Upper };
        if side == Side::Upper {
            self.take_word("U");
        }
        self.skip_blanks();
        let filter = self.filter()?;
        let (mut lambda_s, mut cutoff, mut evaluation) = (None, None, None);
        loop {
            self.skip_blanks();
            if !self.rest().starts_with(|char: char| char.is_ascii_digit() || is_dash(char)) {
                break;
            }
            let start = self.at;
            let before = (lambda_s, cutoff, evaluation);
            match self.length_or_band()? {
                Lengths::Band(short, long) if before == (None, None, None) => (lambda_s, cutoff) = (short, long),
                Lengths::Evaluation(length) if evaluation.is_none() => evaluation = Some(length),
                _ => {
                    return Err(fault(
                        start,
                        "this length is one too many",
                        "write band / evaluation length / parameter",
                    ));
                }
            }
        }
        if let Some(limit) = self.grade() {
            let quantity = ra().ok_or_else(|| self.here("Ra is unknown", "write Ra and its limit"))?;
            return Ok(Requirement {
                side,
                filter,
                lambda_s,
                cutoff,
                evaluation,
                quantity,
                count: None,
                rule: None,
                value: limit,
            });
        }
        let quantity = self.parameter()?;
        let (count, max) = self.count()?;
        let value = self.value(&quantity)?;
        let rule = self.rule(max)?;
        Ok(Requirement { side, filter, lambda_s, cutoff, evaluation, quantity, count, rule, value })
    }

    fn filter(&mut self) -> Result<Option<String>, CalloutFault> {
        let start = self.at;
        if !self.take("\"") {
            return Ok(None);
        }
        let Some((name, _)) = self.rest().split_once('"') else {
            return Err(fault(start, "this quote is not closed", "write the filter as in \"2RC\""));
        };
        self.at += name.len() + 1;
        let known = FILTERS.iter().find(|(written, _)| written.eq_ignore_ascii_case(name.trim()));
        let known =
            known.ok_or_else(|| fault(start + 1, format!("unknown filter `{name}`"), "known are 2RC and Gaussian"))?;
        Ok(Some(known.1.to_owned()))
    }

    fn length_or_band(&mut self) -> Result<Lengths, CalloutFault> {
        let start = self.at;
        let first = if self.rest().starts_with(is_dash) { None } else { Some(self.number()?) };
        self.skip_blanks();
        let is_band = self.rest().starts_with(is_dash);
        if is_band {
            self.at += self.rest().chars().next().map_or(0, char::len_utf8);
            self.skip_blanks();
        }
        let second = match is_band && self.rest().starts_with(|char: char| char.is_ascii_digit()) {
            true => Some(self.number()?),
            false => None,
        };
        self.skip_blanks();
        if !self.take("/") {
            let message = "a length in mm ends with / before the parameter";
            return Err(
                self.here(message, "write the limit behind the parameter, as in Ra 0.8, a band as in 0.008-0.8/Ra 0.8")
            );
        }
        match (is_band, first, second) {
            (true, None, None) => Err(fault(start, "this band has no end", "write -0.8/, 0.008-/ or 0.008-0.8/")),
            (true, Some(short), Some(long)) if short >= long => {
                Err(fault(start, "the short cutoff is not below the long one", "write short - long, both in mm"))
            }
            (true, short, long) => Ok(Lengths::Band(short, long)),
            (false, Some(length), _) => Ok(Lengths::Evaluation(length)),
            (false, None, _) => Err(fault(start, "here a length in mm is missing", "write it, as in 12/")),
        }
    }

    /// A number above zero with one decimal mark at most.
    fn number(&mut self) -> Result<Decimal, CalloutFault> {
        let rest = self.rest();
        let length =
            rest.len() - rest.trim_start_matches(|char: char| char.is_ascii_digit() || matches!(char, '.' | ',')).len();
        let written = rest.get(..length).unwrap_or_default();
        let number = written.replace(',', ".").parse::<Decimal>().ok();
        let marks = written.matches(['.', ',']).count();
        let fits = |number: &Decimal| {
            marks <= 1 && *number > Decimal::ZERO && written.ends_with(|char: char| char.is_ascii_digit())
        };
        let Some(number) = number.filter(fits) else {
            return Err(self.here(format!("`{written}` is no number above zero"), "write it as in 0.8 or 0,8"));
        };
        self.at += length;
        Ok(number)
    }

    /// `N7`: the largest Ra of the grade.
    fn grade(&mut self) -> Option<Amount> {
        let start = self.at;
        let digits = self.rest().strip_prefix('N')?;
        let length = digits.len() - digits.trim_start_matches(|char: char| char.is_ascii_digit()).len();
        let grade: usize = digits.get(..length)?.parse().ok()?;
        let limit = GRADES.get(grade.checked_sub(1)?)?.parse().ok()?;
        self.at = start + 1 + length;
        Some(Amount { number: limit, unit: Unit::Micrometre })
    }

    /// The longest symbol that stands here, with its argument.
    fn parameter(&mut self) -> Result<Quantity, CalloutFault> {
        let rest = self.rest();
        // `Rz1max` is Rz over one length by the max rule.
        let is_texture =
            |symbol: &&str| Quantity::parse(symbol).is_some_and(|it| it.is_texture()) && *symbol != "Rz1max";
        let symbol =
            Quantity::symbols().filter(is_texture).filter(|symbol| rest.starts_with(symbol)).max_by_key(|it| it.len());
        let Some(symbol) = symbol else {
            let word: String = rest.chars().take_while(|char| char.is_alphanumeric()).collect();
            let message = if word.is_empty() {
                "here a parameter is missing".to_owned()
            } else {
                format!("unknown parameter `{word}`")
            };
            return Err(
                self.here(message, "write a parameter of roughness, waviness or primary profile, as in Ra, Rz, Wz, Pt")
            );
        };
        let start = self.at;
        self.at += symbol.len();
        if !self.rest().starts_with('(') {
            return Quantity::parse(symbol).ok_or_else(|| fault(start, "unknown parameter", "write Ra or another"));
        }
        let Some((argument, _)) = self.rest().split_once(')') else {
            return Err(self.here("this bracket is not closed", "write the argument as in Rmr(0.5)"));
        };
        let whole =
            format!("{symbol}{argument})").replace(',', if argument.matches(',').count() > 1 { "," } else { "." });
        self.at += argument.len() + 1;
        Quantity::parse(&whole)
            .ok_or_else(|| fault(start, format!("`{whole}` is no parameter"), "write it as in Rmr(0.5)"))
    }

    /// How many sampling lengths, and whether `max` stands here.
    fn count(&mut self) -> Result<(Option<u32>, bool), CalloutFault> {
        self.skip_blanks();
        let start = self.at;
        let digits: String = self.rest().chars().take_while(char::is_ascii_digit).collect();
        let attached = self.text.get(..start).is_some_and(|before| !before.ends_with(char::is_whitespace));
        let mut ahead = Reader { text: self.text, at: start + digits.len(), edition: self.edition };
        let is_whole = !ahead.rest().starts_with(['.', ',']);
        ahead.skip_blanks();
        let followed = !ahead.rest().starts_with("1/cm")
            && (ahead.rest().starts_with("max") || ahead.rest().starts_with(|char: char| char.is_ascii_digit()));
        if digits.is_empty() || !is_whole || !followed {
            if attached && !digits.is_empty() {
                return Err(fault(
                    start,
                    "a blank is missing between parameter and limit",
                    "write Ra 0.8, or Ra3 0.8 for 3 sampling lengths",
                ));
            }
            return Ok((None, self.max()));
        }
        let count = digits.parse().ok().filter(|count| (1..=100).contains(count));
        let count = count
            .ok_or_else(|| fault(start, format!("{digits} is no number of sampling lengths"), "write 1 to 100"))?;
        self.at = start + digits.len();
        self.skip_blanks();
        Ok((Some(count), self.max()))
    }

    fn max(&mut self) -> bool {
        self.skip_blanks();
        self.take_word("max")
    }

    fn value(&mut self, quantity: &Quantity) -> Result<Amount, CalloutFault> {
        self.skip_blanks();
        if quantity.symbol() == "Ra"
            && let Some(limit) = self.grade()
        {
            return Ok(limit);
        }
        let start = self.at;
        if !self.rest().starts_with(|char: char| char.is_ascii_digit() || matches!(char, '.' | ',')) {
            return Err(self.here(
                format!("here the limit of {quantity} is missing"),
                "write it behind the parameter, as in Ra 0.8",
            ));
        }
        let number = self.number()?;
        self.skip_blanks();
        let unit = self.unit(quantity, start)?;
        Ok(Amount { number, unit })
    }

    /// The unit behind a limit, or the one that is meant without.
    fn unit(&mut self, quantity: &Quantity, value_at: usize) -> Result<Unit, CalloutFault> {
        let rest = self.rest();
        let length = rest.find([' ', ';', '\n', '\t', '\r']).unwrap_or(rest.len());
        let word = rest.get(..length).unwrap_or_default();
        if let Some(unit) = Unit::parse(word).filter(|_| !word.starts_with('T')) {
            if unit.kind() != quantity.unit_kind() {
                return Err(self.here(format!("{quantity} is not in {unit}"), "write a unit of the parameter, or none"));
            }
            self.at += length;
            return Ok(unit);
        }
        let is_spacing = matches!(quantity.symbol(), "RSm" | "WSm");
        match quantity.unit_kind() {
            UnitKind::Length if self.edition == Some(Edition::Asme) => Err(fault(
                value_at,
                "in this edition a limit without unit can be in µin or in µm",
                "write the unit of the drawing behind it, as in Ra 63 µin or Ra 1.6 µm",
            )),
            UnitKind::Length => Ok(if is_spacing { Unit::Millimetre } else { Unit::Micrometre }),
            UnitKind::Ratio => Ok(Unit::Percent),
            UnitKind::Density => Ok(Unit::PerCentimetre),
            _ => Ok(Unit::One),
        }
    }

    /// The rule behind the value, in the form of ISO 21920-1, or `max` before it.
    fn rule(&mut self, max: bool) -> Result<Option<Rule>, CalloutFault> {
        self.skip_blanks();
        let start = self.at;
        let words = [("Tmax", Rule::Max), ("T16%", Rule::Sixteen), ("T16 %", Rule::Sixteen), ("Tmed", Rule::Median)];
        let rule = words.into_iter().find(|(word, _)| self.take(word)).map(|(_, rule)| rule);
        match (rule, max, self.edition) {
            (Some(_), true, _) => Err(fault(start, "two rules are written", "leave one of them out")),
            (Some(_), _, Some(edition)) if edition != Edition::Iso21920 => Err(fault(
                start,
                "this rule is a form of ISO 21920-1",
                "write max before the limit, or nothing for the edition's own rule",
            )),
            (None, true, _) => Ok(Some(Rule::Max)),
            (rule, ..) => Ok(rule),
        }
    }
}

/// What stands before a parameter, in mm.
enum Lengths {
    Band(Option<Decimal>, Option<Decimal>),
    Evaluation(Decimal),
}

fn is_dash(char: char) -> bool {
    matches!(char, '-' | '\u{2010}' | '\u{2011}' | '\u{2013}' | '\u{2212}')
}

fn ra() -> Option<Quantity> {
    Quantity::parse("Ra")
}
