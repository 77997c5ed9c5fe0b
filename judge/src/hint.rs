//! Usual causes of values that can't be true or lie far beyond their limits: hints for the person at the bench. No hint makes
//! a value a pass or a fail.

use std::collections::BTreeMap;

use ridgepost_config::{Characteristic, Gauge, Job, Specimen};
use ridgepost_parsers::{Quantity, QuantityKind, Reading, Unit, Value};
use rust_decimal::{Decimal, dec};

use crate::limits::{Standing, exceeds, margin};
use crate::plausible::Band;
use crate::row::{Kind, Outcome, Reason, Row};
use crate::told::Told;

/// Specimens of the register, by id.
pub type Specimens = BTreeMap<String, Specimen>;

/// Times by which a value must pass its limit before a slip is thought of: what is worn or badly set is not so far off
/// (common practice, no source).
const FAR_BEYOND: Decimal = dec!(5);

/// Share of a limit that values of good parts usually have (common practice, no source).
const USUAL: Decimal = dec!(0.6);

/// Times by which a value without its slip may still be away from the usual one.
const NEAR: Decimal = dec!(12);

/// Rz is about so many times Ra on turned and ground surfaces (common practice, no source): the middle, and
/// how far to both sides.
const RZ_OF_RA: (Decimal, Decimal) = (dec!(5.5), dec!(1.6));

/// Share of a certified value within which a reading looks like one of the specimen (common practice, no source).
const LIKE_SPECIMEN: Decimal = dec!(0.05);

/// A slip: how many times too large or too small it makes a number.
#[derive(Clone, Copy)]
struct Slip {
    reason: Reason,
    factor: Decimal,
}

/// The slips of unit, the more usual ones for the kind of quantity first. Inch and millimetre (and mil and µm) are
/// 25.4 apart, µm and µin 39.37 (NIST SP 811 appendix B.8, from memory).
fn unit_slips(quantity: &Quantity) -> [Slip; 3] {
    let inch = Slip { reason: Reason::SlipInch, factor: dec!(25.4) };
    let microinch = Slip { reason: Reason::SlipMicroinch, factor: dec!(39.37) };
    let thousand = Slip { reason: Reason::SlipThousand, factor: dec!(1000) };
    if quantity.is_texture() { [microinch, thousand, inch] } else { [inch, thousand, microinch] }
}

/// How many times the larger of two is the smaller, both above 0.
fn apart(first: Decimal, second: Decimal) -> Option<Decimal> {
    let (larger, smaller) = if first > second { (first, second) } else { (second, first) };
    if smaller > Decimal::ZERO { larger.checked_div(smaller) } else { None }
}

/// The value that good parts usually have, in the limits' unit.
fn usual(characteristic: &Characteristic) -> Option<Decimal> {
    let found = match (characteristic.lower, characteristic.upper) {
        (Some(lower), Some(upper)) => lower.checked_add(upper)?.checked_div(dec!(2)),
        (None, Some(upper)) => upper.checked_mul(USUAL),
        (Some(lower), None) => lower.checked_div(USUAL),
        (None, None) => None,
    };
    found.filter(|usual| *usual > Decimal::ZERO)
}

/// The usual causes of a value that can't be true: the slips that bring it nearest to what is usual here, none where no slip
/// does.
pub(crate) fn causes(
    reading: &Reading,
    told: &Told,
    characteristic: &Characteristic,
    band: Option<Band>,
) -> Vec<Reason> {
    let in_band = |number: Decimal| band.is_none_or(|band| band.holds(number.round_dp(12), characteristic.unit));
    let Some((value, usual)) = told.shown.map(Value::decimal).zip(usual(characteristic)) else { return Vec::new() };
    let away = |number: Decimal| apart(number, usual).filter(|away| *away <= NEAR && in_band(number));
    let mut found: Vec<(Decimal, Reason)> = Vec::new();
    for slip in unit_slips(&characteristic.quantity) {
        let without = [value.checked_div(slip.factor), value.checked_mul(slip.factor)];
        let nearest = without.into_iter().flatten().filter_map(away).min();
        found.extend(nearest.map(|away| (away, slip.reason)));
    }
    if lacks_point(reading) {
        let without = [10, 100, 1_000, 10_000].map(|factor| value.checked_div(Decimal::from(factor)));
        let nearest = without.into_iter().flatten().filter_map(away).min();
        found.extend(nearest.map(|away| (away, Reason::DecimalLost)));
    }
    if characteristic.quantity.symbol() == "Ra"
        && let Some(as_ra) = value.checked_div(RZ_OF_RA.0)
        && let Some(away) = apart(as_ra, usual).filter(|_| in_band(as_ra))
        && away <= RZ_OF_RA.1
    {
        found.push((away, Reason::OtherParameter));
    }
    let Some(nearest) = found.iter().map(|(away, _)| *away).min() else { return Vec::new() };
    // What explains it about as well is named as well: nobody can tell them apart from here.
    let as_well = nearest.checked_mul(dec!(1.7)).unwrap_or(nearest);
    found.into_iter().filter(|(away, _)| *away <= as_well).map(|(_, reason)| reason).collect()
}

fn lacks_point(reading: &Reading) -> bool {
    !reading.computed && !reading.value_as_sent.contains(['.', ',', 'E', 'e'])
}

/// What speaks against a value that was judged and lies beyond a limit. The outcome stays what it is.
pub(crate) fn suspicions(
    (gauge, specimens): (Option<&Gauge>, &Specimens),
    reading: &Reading,
    told: &Told,
    characteristic: &Characteristic,
    standing: Standing,
) -> Vec<Reason> {
    if standing == Standing::Within {
        return Vec::new();
    }
    let mut found = Vec::new();
    if reading.unit_as_sent.is_none() && !reading.computed {
        found.extend(far_beyond(told, characteristic));
    }
    if of_specimen(gauge, specimens, reading, told) {
        found.push(Reason::SpecimenValue);
    }
    found
}

/// The slip that would bring a value which is far beyond its limits within all of them.
fn far_beyond(told: &Told, characteristic: &Characteristic) -> Option<Reason> {
    let value = told.shown?;
    let limits = [characteristic.lower, characteristic.upper];
    let nearest = limits.iter().flatten().filter_map(|limit| apart(value.decimal(), *limit)).min()?;
    if nearest < FAR_BEYOND {
        return None;
    }
    let usual = usual(characteristic)?;
    let explains = |number: Decimal| {
        let is_within =
            margin(Value::from(number.round_dp(12)), characteristic).is_some_and(|margin| margin >= Decimal::ZERO);
        is_within && apart(number, usual).is_some_and(|away| away <= NEAR)
    };
    let fits = |slip: &Slip| {
        let without = [value.decimal().checked_div(slip.factor), value.decimal().checked_mul(slip.factor)];
        without.into_iter().flatten().any(explains)
    };
    unit_slips(&characteristic.quantity).into_iter().find(fits).map(|slip| slip.reason)
}

/// Whether a value looks like one of the specimen that the gauge is verified on (of any, where none is named).
fn of_specimen(gauge: Option<&Gauge>, specimens: &Specimens, reading: &Reading, told: &Told) -> bool {
    let named = gauge.and_then(|gauge| gauge.verification.specimen.as_deref());
    let candidates = specimens.values().filter(|specimen| named.is_none_or(|id| specimen.id == id));
    let is_like = |specimen: &Specimen| {
        let certified = specimen.certified.get(&reading.quantity)?;
        let share = LIKE_SPECIMEN.checked_mul(certified.number.abs())?;
        let (low, high) = (certified.number.checked_sub(share)?, certified.number.checked_add(share)?);
        let value = (told.value.decimal(), told.unit);
        Some(!exceeds((low, certified.unit), value)? && !exceeds(value, (high, certified.unit))?)
    };
    candidates.into_iter().any(|specimen| is_like(specimen).unwrap_or(false))
}

/// How many times Rz is Ra of one trace, where that is outside of what surfaces show (3 to 10; common practice, no source): a
/// trace along the lay, over an edge, or with a chip in it, or one parameter taken for another. Rounded, for people.
pub fn odd_ratio(ra: (Value, Unit), rz: (Value, Unit)) -> Option<Decimal> {
    let micrometres = |(value, unit): (Value, Unit)| crate::limits::micrometres(value.decimal(), unit);
    let (ra, rz) = (micrometres(ra)?, micrometres(rz)?);
    let ratio = rz.checked_div(Some(ra).filter(|ra| *ra > Decimal::ZERO)?)?;
    (ratio < dec!(3) || ratio > dec!(10)).then(|| ratio.round_dp(1))
}

/// What a result that does not conform might be instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Hint {
    /// A reading of the feature with this balloon: it would conform there.
    OtherFeature(String),
    /// A value of this quantity: it would conform as that, for the characteristic with this balloon.
    OtherParameter(Quantity, String),
}

/// What a reading that does not conform might be instead, by the other requirements of its job.
pub fn hints(job: &Job, row: &Row) -> Vec<Hint> {
    let (Kind::Reading, Some(Outcome::Nonconforming)) = (row.kind, row.outcome) else { return Vec::new() };
    let (Some(quantity), Some(value), Some(unit)) = (&row.quantity, row.value, row.unit) else { return Vec::new() };
    let is_within = |other: &Characteristic| fits(value, unit, other).unwrap_or(false);
    let others =
        job.characteristics.iter().filter(|other| Some(&other.balloon) != row.balloon.as_ref() && is_within(other));
    let hint = |other: &Characteristic| {
        if other.quantity == *quantity {
            return (row.feature.as_ref() != Some(&other.feature)).then(|| Hint::OtherFeature(other.balloon.clone()));
        }
        let are_heights = [&other.quantity, quantity].iter().all(|quantity| quantity.kind() == QuantityKind::Roughness);
        let is_same_place = row.feature.as_ref() == Some(&other.feature);
        (are_heights && is_same_place).then(|| Hint::OtherParameter(other.quantity.clone(), other.balloon.clone()))
    };
    others.filter_map(hint).collect()
}

fn fits(value: Value, unit: Unit, other: &Characteristic) -> Option<bool> {
    let of = |limit: Decimal| (limit, other.unit);
    let value = (value.decimal(), unit);
    let above = other.upper.map(|upper| exceeds(value, of(upper)));
    let below = other.lower.map(|lower| exceeds(of(lower), value));
    Some(!above.unwrap_or(Some(false))? && !below.unwrap_or(Some(false))? && (above.is_some() || below.is_some()))
}
