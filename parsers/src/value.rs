//! Exact decimals with the digits as displayed: a reading of 0.820 keeps its last zero, because the zero is
//! the instrument's resolution.

use std::fmt;

use rust_decimal::Decimal;
use serde::{Serialize, Serializer};

/// One number as an instrument displayed it: exact, with its trailing zeros, without unit.
///
/// Printed as plain decimal: point, no plus sign, no needless leading zeros, exponent resolved.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Value(Decimal);

/// Why a text is no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NumberFault {
    /// It holds something other than sign, digits, one point and one exponent.
    Malformed,
    /// It needs more than 28 significant digits or decimals.
    TooLong,
}

impl Value {
    /// Reads a canonical number: optional sign, digits with at most one point (at least one digit), optional
    /// exponent (`e` or `E`, sign, one or two digits). Marks, groups and blanks of an instrument are resolved
    /// before, by its definition.
    pub fn parse(text: &str) -> Result<Self, NumberFault> {
        let (mantissa, exponent) = match text.split_once(['e', 'E']) {
            Some((mantissa, exponent)) => (mantissa, parse_exponent(exponent)?),
            None => (text, 0),
        };
        let (negative, digits) = match mantissa.as_bytes().first() {
            Some(b'-') => (true, &mantissa[1..]),
            Some(b'+') => (false, &mantissa[1..]),
            _ => (false, mantissa),
        };
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        if whole.is_empty() && fraction.is_empty() {
            return Err(NumberFault::Malformed);
        }
        let mut number: i128 = 0;
        for digit in whole.bytes().chain(fraction.bytes()) {
            if !digit.is_ascii_digit() {
                return Err(NumberFault::Malformed);
            }
            number = number
                .checked_mul(10)
                .and_then(|number| number.checked_add(i128::from(digit - b'0')))
                .ok_or(NumberFault::TooLong)?;
        }
        let scale = i64::try_from(fraction.len()).map_err(|_| NumberFault::TooLong)? - exponent;
        Self::from_parts(if negative { -number } else { number }, scale)
    }

    /// The number `mantissa` x 10^-`scale`, with `scale` decimals displayed.
    pub fn from_parts(mantissa: i128, scale: i64) -> Result<Self, NumberFault> {
        let (mantissa, scale) = if scale < 0 {
            let zeros = u32::try_from(-scale).map_err(|_| NumberFault::TooLong)?;
            let factor = 10_i128.checked_pow(zeros).ok_or(NumberFault::TooLong)?;
            (mantissa.checked_mul(factor).ok_or(NumberFault::TooLong)?, 0)
        } else {
            (mantissa, u32::try_from(scale).map_err(|_| NumberFault::TooLong)?)
        };
        Decimal::try_from_i128_with_scale(mantissa, scale).map(Value).map_err(|_| NumberFault::TooLong)
    }

    /// The exact number behind the digits.
    pub fn decimal(self) -> Decimal {
        self.0
    }
}

impl From<Decimal> for Value {
    fn from(number: Decimal) -> Self {
        Value(number)
    }
}

fn parse_exponent(text: &str) -> Result<i64, NumberFault> {
    let digits = text.strip_prefix(['+', '-']).unwrap_or(text);
    if digits.is_empty() || digits.len() > 2 || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return Err(NumberFault::Malformed);
    }
    let exponent: i64 = digits.parse().map_err(|_| NumberFault::Malformed)?;
    Ok(if text.starts_with('-') { -exponent } else { exponent })
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl Serialize for Value {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(text: &str) -> Option<String> {
        Value::parse(text).ok().map(|value| value.to_string())
    }

    #[test]
    fn digits_are_kept_as_displayed() {
        for (text, expected) in [
            ("0.820", "0.820"),
            ("+0012.347", "12.347"),
            ("-0000.003", "-0.003"),
            (".415", "0.415"),
            ("12.", "12"),
            ("4.120E-07", "0.0000004120"),
            ("1.5e2", "150"),
            ("0", "0"),
        ] {
            assert_eq!(shown(text).as_deref(), Some(expected), "{text}");
        }
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in ["", "+", ".", "-.", "1_0", "1,2", "1.2.3", "0x10", "e5", "1e", "1e+", "1e123", "∞", "NaN", " 1"]
        {
            assert_eq!(shown(text), None, "{text:?}");
        }
        assert_eq!(Value::parse("1e-29"), Err(NumberFault::TooLong));
        assert_eq!(Value::parse(&"9".repeat(40)), Err(NumberFault::TooLong));
    }
}
