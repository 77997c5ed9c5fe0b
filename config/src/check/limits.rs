//! Limits of one characteristic: there, in one unit that fits, in order, possible.

use ridgepost_parsers::{Quantity, Unit, UnitKind};
use rust_decimal::Decimal;
use rust_decimal::dec;

use super::amount;
use super::master::sizes;
use crate::diagnostic::Code;
use crate::document::Path;
use crate::plan::{Amount, Master};
use crate::said::{AmountText, CharacteristicSaid};
use crate::sheet::Sheet;

/// Limits in one unit.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Limits {
    /// Lower limit.
    pub(crate) lower: Option<Decimal>,
    /// Upper limit.
    pub(crate) upper: Option<Decimal>,
    /// Unit of both and of the band.
    pub(crate) unit: Unit,
    /// Plausible band.
    pub(crate) plausible: Option<(Decimal, Decimal)>,
}

/// Reads limits and band; without a readable quantity only what is sure is told.
pub(crate) fn limits(
    sheet: &mut Sheet,
    path: &Path,
    said: &CharacteristicSaid,
    quantity: Option<&Quantity>,
    master: Option<&Master>,
) -> Option<Limits> {
    let (lower_at, upper_at) = (path.key("lower"), path.key("upper"));
    let none = said.lower.is_none() && said.upper.is_none();
    if none && sheet.lacks(&lower_at) && sheet.lacks(&upper_at) {
        let message = "this characteristic has no limit".to_owned();
        sheet.fault(path, Code::MissingKey, message, "write upper = \"0.8 µm\", lower = \"...\" or both");
    }
    let quantity = quantity?;
    let lower = limit(sheet, &lower_at, said.lower.as_ref(), quantity);
    let upper = limit(sheet, &upper_at, said.upper.as_ref(), quantity);
    if let (Some(lower), Some(upper)) = (lower, upper) {
        order(sheet, path, lower, upper);
    }
    let [lower, upper] = sizes(sheet, path, said, quantity, [lower, upper], master);
    let unit = upper.or(lower)?.unit;
    let plausible = plausible(sheet, path, said, quantity, unit);
    let limits =
        Limits { lower: lower.map(|limit| limit.number), upper: upper.map(|limit| limit.number), unit, plausible };
    inside_band(sheet, path, &limits);
    Some(limits)
}

/// One limit: a fitting unit, and a value that the quantity can have.
fn limit(sheet: &mut Sheet, path: &Path, said: Option<&AmountText>, quantity: &Quantity) -> Option<Amount> {
    let limit = amount(sheet, path, said?, quantity.unit_kind())?;
    let is_upper = *path == path_of_upper(path);
    let told = format!("{} {}", limit.number, limit.unit);
    match quantity.unit_kind() {
        UnitKind::Length | UnitKind::Ratio | UnitKind::Density if quantity.is_texture() => {
            if limit.number < Decimal::ZERO || (is_upper && limit.number == Decimal::ZERO) {
                let help = format!("{quantity} is never below zero: leave the limit out, or write the drawing's");
                sheet.fault(path, Code::LimitsOrder, format!("{told} is no limit for {quantity}"), help);
            } else if quantity.unit_kind() == UnitKind::Ratio && limit.number > dec!(100) {
                let help = format!("{quantity} is a share of the whole: at most 100 %");
                sheet.fault(path, Code::LimitsOrder, format!("{told} is no limit for {quantity}"), help);
            }
        }
        _ => {}
    }
    Some(limit)
}

fn path_of_upper(path: &Path) -> Path {
    let mut upper = path.clone();
    upper.0.pop();
    upper.key("upper")
}

fn order(sheet: &mut Sheet, path: &Path, lower: Amount, upper: Amount) {
    if lower.unit != upper.unit {
        let message = format!("the limits are in two units, {} and {}", lower.unit, upper.unit);
        sheet.fault(
            &path.key("lower"),
            Code::WrongUnit,
            message,
            format!("write both in {}, as on the drawing", upper.unit),
        );
    }
    let lower_here = lower.unit.convert(lower.number, upper.unit);
    if lower_here.is_some_and(|lower| lower > upper.number) {
        let message =
            format!("upper limit {} {} is below lower limit {} {}", upper.number, upper.unit, lower.number, lower.unit);
        sheet.fault(&path.key("upper"), Code::LimitsOrder, message, "exchange them, or mend the one with the slip");
    }
}

fn plausible(
    sheet: &mut Sheet,
    path: &Path,
    said: &CharacteristicSaid,
    quantity: &Quantity,
    unit: Unit,
) -> Option<(Decimal, Decimal)> {
    let at = path.key("plausible");
    let said = said.plausible.as_ref()?;
    let mut end = |key: &str, said: &Option<AmountText>| {
        let at = at.key(key);
        let end = amount(sheet, &at, said.as_ref()?, quantity.unit_kind())?;
        let there = exactly(end, unit);
        if there.is_none() {
            let message = format!("{} {} can't be written exactly in {unit}", end.number, end.unit);
            sheet.fault(&at, Code::WrongUnit, message, format!("write it in {unit}, the unit of the limits"));
        }
        there
    };
    let (min, max) = (end("min", &said.min), end("max", &said.max));
    let (min, max) = (min?, max?);
    if min >= max {
        let message = format!("largest plausible value {max} {unit} is not above the smallest {min} {unit}");
        sheet.fault(&at.key("max"), Code::LimitsOrder, message, "exchange them, or mend the one with the slip");
        return None;
    }
    Some((min, max))
}

/// An amount in another unit, where no digit is lost.
pub(super) fn exactly(amount: Amount, unit: Unit) -> Option<Decimal> {
    let there = amount.unit.convert(amount.number, unit)?;
    if amount.unit == unit {
        return Some(there);
    }
    // A quotient without end fills all 28 digits; no drawing has that many.
    Some(there.normalize()).filter(|there| there.scale() <= 20)
}

/// A conforming value that counts as a slip would never be judged.
fn inside_band(sheet: &mut Sheet, path: &Path, limits: &Limits) {
    let Some((min, max)) = limits.plausible else { return };
    for (key, limit) in [("lower", limits.lower), ("upper", limits.upper)] {
        if let Some(limit) = limit.filter(|limit| *limit < min || *limit > max) {
            let message = format!("the limit {limit} {} lies outside of the plausible band", limits.unit);
            sheet.warn(
                &path.key(key),
                Code::Contradiction,
                message,
                "a value at the limit would be held for a slip: widen `plausible`",
            );
        }
    }
}
