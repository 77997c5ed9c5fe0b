//! A value against its limits: exact, whatever the units.
//!
//! Values and limits of one unit are compared as they are; lengths in different units are compared in
//! micrometres, which every unit of length has an exact factor to (the inch is exactly 25.4 mm: NIST SP 811
//! appendix B.8, from memory). Equality does not exceed.

use ridgepost_config::Characteristic;
use ridgepost_parsers::{Unit, Value};
use rust_decimal::{Decimal, RoundingStrategy};

/// Digits that a converted value is printed with where its quotient does not end.
pub const PRINTED_DIGITS: u32 = 12;

/// Digits from which on a quotient is taken to be endless. One that ends is never this long for anything an
/// instrument shows: the conversion adds at most seven digits.
const ENDLESS_DIGITS: u32 = 25;

/// Where a value lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Standing {
    /// On or within the limits.
    Within,
    /// Over the upper limit.
    Above,
    /// Under the lower limit.
    Below,
}

/// Whether the first number with its unit is greater than the second; `None` where that can't be told exactly.
pub(crate) fn exceeds(first: (Decimal, Unit), second: (Decimal, Unit)) -> Option<bool> {
    if first.1 == second.1 {
        return Some(first.0 > second.0);
    }
    Some(micrometres(first.0, first.1)? > micrometres(second.0, second.1)?)
}

/// A length in micrometres, exactly; `None` where this is no length or 28 digits don't suffice.
pub(crate) fn micrometres(number: Decimal, unit: Unit) -> Option<Decimal> {
    let number = number.normalize();
    let factor = unit.to_micrometres(Decimal::ONE)?;
    let product = unit.to_micrometres(number)?;
    // A product that lost decimals was rounded.
    (number.is_zero() || product.scale() == number.scale() + factor.scale()).then_some(product)
}

/// A value in another unit of its kind. The digits stay as displayed where only the decimal point moves; else they
/// are exact, and where the quotient does not end they are rounded (half to even) to [`PRINTED_DIGITS`] significant
/// digits. `None` between kinds, between hardness scales, and beyond 28 digits.
pub fn in_unit(value: Value, from: Unit, to: Unit) -> Option<Value> {
    if from == to {
        return Some(value);
    }
    if let (Some((family, exponent)), Some((target, target_exponent))) = (decimal_family(from), decimal_family(to))
        && family == target
    {
        let number = value.decimal();
        let scale = i64::from(number.scale()) - (exponent - target_exponent);
        return Value::from_parts(number.mantissa(), scale).ok();
    }
    micrometres(value.decimal(), from)?;
    let quotient = from.convert(value.decimal(), to)?.normalize();
    let digits = quotient.mantissa().unsigned_abs().checked_ilog10().map_or(1, |log| log + 1);
    if digits < ENDLESS_DIGITS {
        return Some(Value::from(quotient));
    }
    quotient
        .round_sf_with_strategy(PRINTED_DIGITS, RoundingStrategy::MidpointNearestEven)
        .map(|rounded| Value::from(rounded.normalize()))
}

/// Lengths that differ by powers of ten only: the family, and the power within it.
fn decimal_family(unit: Unit) -> Option<(Family, i64)> {
    Some(match unit {
        Unit::Nanometre => (Family::Metric, -9),
        Unit::Micrometre => (Family::Metric, -6),
        Unit::Millimetre => (Family::Metric, -3),
        Unit::Metre => (Family::Metric, 0),
        Unit::Microinch => (Family::Inch, -6),
        Unit::Mil => (Family::Inch, -3),
        Unit::Inch => (Family::Inch, 0),
        _ => return None,
    })
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Family {
    Metric,
    Inch,
}

/// How far `value` lies within the nearest of the limits, in the limits' unit; negative beyond it, `None` without
/// limits.
pub(crate) fn margin(value: Value, characteristic: &Characteristic) -> Option<Decimal> {
    let upper = characteristic.upper.and_then(|upper| upper.checked_sub(value.decimal()));
    let lower = characteristic.lower.and_then(|lower| value.decimal().checked_sub(lower));
    match (upper, lower) {
        (Some(upper), Some(lower)) => Some(upper.min(lower)),
        (one, other) => one.or(other),
    }
}
