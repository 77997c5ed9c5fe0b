//! Bytes to numbers, exactly: whole numbers, packed decimal digits, floating point.

use rust_decimal::Decimal;

use super::Part;
use crate::definition::BinaryKind;
use crate::envelope::Rejection;
use crate::reading::Reason;
use crate::value::Value;

/// A number as it was sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Raw {
    /// Its digits.
    Text(String),
    /// A floating point number that is none: `nan`, `inf`, `-inf`.
    Word(&'static str),
}

/// The value is `scale` times the number, plus `offset`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Linear {
    pub(crate) scale: Decimal,
    pub(crate) offset: Option<Decimal>,
}

impl Linear {
    /// What a number comes to, with all its decimals; `None` where the digits run out.
    pub(super) fn of(self, number: Value) -> Option<Value> {
        let number = number.decimal();
        let mantissa = number.mantissa().checked_mul(self.scale.mantissa())?;
        let scale = number.scale() + self.scale.scale();
        let Some(offset) = self.offset else { return Value::from_parts(mantissa, scale.into()).ok() };
        let decimals = scale.max(offset.scale());
        let widen = |mantissa: i128, scale: u32| mantissa.checked_mul(10_i128.checked_pow(decimals - scale)?);
        let sum = widen(mantissa, scale)?.checked_add(widen(offset.mantissa(), offset.scale())?)?;
        Value::from_parts(sum, decimals.into()).ok()
    }
}

/// The number that `bytes` are.
pub(super) fn raw(part: &Part, bytes: &[u8]) -> Result<Raw, Rejection> {
    use BinaryKind::{Bcd, F32, F64, I8, I16, I24, I32, I64, Skip, Text, U8, U16, U24, U32, U64};
    let whole = || {
        let add = |number: u64, byte: &u8| (number << 8) | u64::from(*byte);
        if part.is_big { bytes.iter().fold(0, add) } else { bytes.iter().rev().fold(0, add) }
    };
    Ok(match part.kind {
        U8 | U16 | U24 | U32 | U64 => Raw::Text(whole().to_string()),
        I8 | I16 | I24 | I32 | I64 => {
            let unused = 64 - 8 * u32::try_from(bytes.len().clamp(1, 8)).unwrap_or(8);
            // Shifted up and back so that the sign bit fills the rest.
            let number = (whole() << unused).cast_signed() >> unused;
            Raw::Text(number.to_string())
        }
        F32 => {
            let number = f32::from_bits(u32::try_from(whole()).unwrap_or(0));
            float(f64::from(number), || number.to_string(), part.decimals)
        }
        F64 => {
            let number = f64::from_bits(whole());
            float(number, || number.to_string(), part.decimals)
        }
        Bcd => Raw::Text(packed(bytes, part.is_big)?),
        Text | Skip => Raw::Text(String::new()),
    })
}

/// A floating point number in plain digits: the shortest that mean it, or rounded to `decimals`.
fn float(number: f64, shortest: impl Fn() -> String, decimals: Option<u8>) -> Raw {
    match number {
        _ if number.is_nan() => Raw::Word("nan"),
        f64::INFINITY => Raw::Word("inf"),
        f64::NEG_INFINITY => Raw::Word("-inf"),
        _ => Raw::Text(match decimals {
            Some(decimals) => format!("{number:.*}", usize::from(decimals)),
            None => shortest(),
        }),
    }
}

/// Packed decimal digits, with the sign as the last half byte where there is one.
fn packed(bytes: &[u8], is_big: bool) -> Result<String, Rejection> {
    let halves = |byte: &u8| [byte >> 4, byte & 0x0f];
    let halves: Vec<u8> = match is_big {
        true => bytes.iter().flat_map(halves).collect(),
        false => bytes.iter().rev().flat_map(halves).collect(),
    };
    let bad = || Rejection::damaged(Reason::Number, "half bytes that are no decimal digits");
    let (last, digits) = halves.split_last().ok_or_else(bad)?;
    let (sign, digits) = match last {
        0..=9 => ("", halves.as_slice()),
        0xa | 0xc | 0xf => ("", digits),
        _ => ("-", digits),
    };
    if digits.is_empty() || digits.iter().any(|digit| *digit > 9) {
        return Err(bad());
    }
    Ok(format!("{sign}{}", digits.iter().map(|digit| char::from(b'0' + digit)).collect::<String>()))
}
