//! Numbers with their unit as people write them in the configuration: `"0.80 µm"`, digits kept to the letter.

use ridgepost_parsers::{NumberFault, Unit, UnitKind, Value};

use crate::diagnostic::Code;
use crate::nearest::nearest;
use crate::plan::Amount;

/// Why a text is no amount.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct AmountFault {
    /// Which kind of fault.
    pub(crate) code: Code,
    /// What is wrong.
    pub(crate) message: String,
    /// A way out.
    pub(crate) help: String,
}

impl Amount {
    /// Reads a number with a unit of one of these kinds, as people write it.
    ///
    /// # Errors
    /// What is wrong with it, and a way out.
    pub fn read(text: &str, kinds: &[UnitKind]) -> Result<Amount, String> {
        let read = |kind: &UnitKind| parse(text, *kind);
        let mut fault = None;
        for result in kinds.iter().map(read) {
            match result {
                Ok(amount) => return Ok(amount),
                Err(why) => _ = fault.get_or_insert(why),
            }
        }
        Err(fault.map_or_else(String::new, |fault| format!("{}; {}", fault.message, fault.help)))
    }
}

/// Reads a number with a unit of `kind`. A pure number may stand without one. The blank between the two may be
/// missing before a letter or a sign, not before a digit: `51/cm` could be 5 or 51.
pub(crate) fn parse(text: &str, kind: UnitKind) -> Result<Amount, AmountFault> {
    let (number, unit) = split(text);
    if number.is_empty() {
        return Err(fault(
            Code::WrongValue,
            format!("`{text}` has no number"),
            format!("write a number with its unit, as in \"{}\"", example(kind)),
        ));
    }
    let number = read_number(number, text)?;
    let unit = read_unit(unit, text, kind)?;
    if unit.kind() != kind {
        let message = format!("`{text}`: {unit} is {}, needed is {}", kind_words(unit.kind()), kind_words(kind));
        return Err(fault(Code::WrongUnit, message, format!("units that fit: {}", units_of(kind))));
    }
    Ok(Amount { number, unit })
}

fn fault(code: Code, message: String, help: String) -> AmountFault {
    AmountFault { code, message, help }
}

fn split(text: &str) -> (&str, &str) {
    let text = text.trim();
    if let Some((number, unit)) = text.split_once(char::is_whitespace) {
        return (number, unit.trim());
    }
    let starts_unit = |(_, char): &(usize, char)| char.is_alphabetic() || matches!(char, '%' | '°' | 'µ');
    // An exponent's letter stands between digits.
    let exponent = |at: usize| {
        let rest = text[at..].strip_prefix(['e', 'E']).map(|rest| rest.trim_start_matches(['+', '-']));
        rest.is_some_and(|rest| rest.starts_with(|char: char| char.is_ascii_digit()))
    };
    match text.char_indices().filter(starts_unit).find(|(at, _)| !exponent(*at)) {
        Some((at, _)) => text.split_at(at),
        None => (text, ""),
    }
}

fn read_number(number: &str, text: &str) -> Result<rust_decimal::Decimal, AmountFault> {
    Value::parse(number).map(Value::decimal).map_err(|reason| match reason {
        NumberFault::TooLong => {
            fault(Code::WrongValue, format!("`{text}` has too many digits"), "write at most 28 digits".to_owned())
        }
        NumberFault::Malformed => {
            let pointed = number.replace(',', ".");
            let help = match Value::parse(&pointed) {
                Ok(_) => format!("write a decimal point: \"{}\"", text.trim().replacen(number, &pointed, 1)),
                Err(_) => "write digits with at most one decimal point, a blank and the unit".to_owned(),
            };
            fault(Code::WrongValue, format!("`{number}` is no number"), help)
        }
    })
}

fn read_unit(unit: &str, text: &str, kind: UnitKind) -> Result<Unit, AmountFault> {
    if unit.is_empty() && kind == UnitKind::Number {
        return Ok(Unit::One);
    }
    if unit.is_empty() {
        let help = format!(
            "write the unit behind it, as in \"{} {}\"; units that fit: {}",
            text.trim(),
            first_unit(kind),
            units_of(kind)
        );
        return Err(fault(Code::WrongUnit, format!("`{text}` has no unit"), help));
    }
    Unit::parse(unit).ok_or_else(|| {
        let symbols: Vec<&str> = Unit::all().map(Unit::symbol).collect();
        let help = match nearest(unit, symbols) {
            Some(meant) => format!("did you mean `{meant}`? units that fit: {}", units_of(kind)),
            None => format!("units that fit: {}", units_of(kind)),
        };
        fault(Code::WrongUnit, format!("unknown unit `{unit}`"), help)
    })
}

fn units_of(kind: UnitKind) -> String {
    let symbols: Vec<_> = Unit::all().filter(|unit| unit.kind() == kind).map(Unit::symbol).collect();
    symbols.join(", ")
}

fn first_unit(kind: UnitKind) -> &'static str {
    Unit::all().find(|unit| unit.kind() == kind).map_or("", Unit::symbol)
}

fn example(kind: UnitKind) -> String {
    format!("0.8 {}", first_unit(kind))
}

fn kind_words(kind: UnitKind) -> &'static str {
    match kind {
        UnitKind::Length => "a length",
        UnitKind::Ratio => "a share of a whole",
        UnitKind::Density => "a count per length",
        UnitKind::Number => "a pure number",
        UnitKind::Angle => "an angle",
        UnitKind::Hardness => "a hardness",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(text: &str, kind: UnitKind) -> String {
        match parse(text, kind) {
            Ok(amount) => format!("{} {}", amount.number, amount.unit),
            Err(fault) => format!("{}: {}", fault.code.code(), fault.help),
        }
    }

    #[test]
    fn digits_and_units_are_kept() {
        for (text, kind, expected) in [
            ("0.80 \u{b5}m", UnitKind::Length, "0.80 \u{b5}m"),
            ("0.80 \u{3bc}m", UnitKind::Length, "0.80 \u{b5}m"),
            ("0.8um", UnitKind::Length, "0.8 \u{b5}m"),
            ("31.5 uin", UnitKind::Length, "31.5 \u{b5}in"),
            (" .030\u{a0}in ", UnitKind::Length, "0.030 in"),
            ("-0.5", UnitKind::Number, "-0.5 1"),
            ("3.0 1", UnitKind::Number, "3.0 1"),
            ("120 1/cm", UnitKind::Density, "120 1/cm"),
            ("50%", UnitKind::Ratio, "50 %"),
            ("45°", UnitKind::Angle, "45 °"),
            ("62 HRC", UnitKind::Hardness, "62 HRC"),
            ("1e3 nm", UnitKind::Length, "1000 nm"),
            ("1e3nm", UnitKind::Length, "1000 nm"),
        ] {
            assert_eq!(shown(text, kind), expected, "{text:?}");
        }
    }

    #[test]
    fn what_is_no_amount_is_refused_with_a_way_out() {
        for (text, kind, code, help) in [
            ("0.8", UnitKind::Length, "wrong-unit", "0.8 µm"),
            ("0,8 µm", UnitKind::Length, "wrong-value", "\"0.8 µm\""),
            ("0.8 UM", UnitKind::Length, "wrong-unit", "did you mean `µm`"),
            ("0.8 furlong", UnitKind::Length, "wrong-unit", "nm, mm"),
            ("0.8 %", UnitKind::Length, "wrong-unit", "µm"),
            ("µm", UnitKind::Length, "wrong-value", "0.8 µm"),
            ("", UnitKind::Length, "wrong-value", "0.8 µm"),
            ("51/cm", UnitKind::Density, "wrong-value", "blank"),
            ("0x10 mm", UnitKind::Length, "wrong-value", "digits"),
        ] {
            let told = shown(text, kind);
            assert!(told.starts_with(code) && told.contains(help), "{text:?}: {told}");
        }
    }
}
