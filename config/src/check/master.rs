//! Masters of instruments that send deviations, and limits that are written as deviations: made sizes here, exactly, so
//! that nothing later can take the one for the other.

use ridgepost_parsers::{Quantity, UnitKind};
use rust_decimal::Decimal;
use rust_decimal::dec;

use super::amount;
use super::limits::exactly;
use crate::diagnostic::Code;
use crate::document::Path;
use crate::plan::{Amount, Master};
use crate::said::{AmountText, CharacteristicSaid, Sign};
use crate::sheet::Sheet;

/// Beyond this share of the size a number is held for something else: no indicator reaches so far (common practice).
const FAR: Decimal = dec!(0.5);

/// Beyond this share of its size a master's own deviation is held for the size itself (common practice).
const OWN: Decimal = dec!(0.01);

/// The master of a characteristic, where one is written and readable.
pub(super) fn master(
    sheet: &mut Sheet,
    path: &Path,
    said: &CharacteristicSaid,
    quantity: Option<&Quantity>,
) -> Option<Master> {
    let at = path.key("master");
    let quantity = quantity?;
    let Some(said_master) = &said.master else {
        if quantity.is_deviation() && sheet.lacks(&at) {
            let message = "a deviation says nothing of a part without its master".to_owned();
            let help =
                "its readings stay unjudged: write master = { id = \"...\", nominal = \"40.000 mm\", sign = \"+\" }";
            sheet.warn(path, Code::MissingKey, message, help);
        }
        return None;
    };
    if !quantity.is_size() && !quantity.is_deviation() {
        let help = "a master stands for a size (L, D, T, H), or for a deviation from one: leave it out";
        sheet.fault_of_key(&at, Code::Contradiction, format!("a master says nothing about {quantity}"), help);
        return None;
    }
    let nominal = size(sheet, &at.key("nominal"), said_master.nominal.as_ref());
    let own = said_master.deviation.as_ref();
    let own = own.and_then(|own| amount(sheet, &at.key("deviation"), own, UnitKind::Length));
    let nominal = nominal?;
    if let Some(own) = own.filter(|own| is_beyond(*own, nominal, OWN)) {
        let message =
            format!("{} {} is no deviation of a master of {} {}", own.number, own.unit, nominal.number, nominal.unit);
        let help = "write by how much it differs from `nominal`, not its size";
        sheet.fault(&at.key("deviation"), Code::Contradiction, message, help);
    }
    let drawing = said.nominal.as_ref().and_then(|text| size(sheet, &path.key("nominal"), Some(text)));
    if let Some(drawing) = drawing.filter(|drawing| lies_apart(*drawing, nominal)) {
        let message = format!(
            "the nominal size {} {} is far from the master of {} {}",
            drawing.number, drawing.unit, nominal.number, nominal.unit
        );
        sheet.fault(&path.key("nominal"), Code::Contradiction, message, "mend the one with the slip");
    }
    Some(Master {
        id: said_master.id.clone()?,
        nominal,
        deviation: own,
        larger: said_master.sign? == Sign::Larger,
        deviation_from: quantity.is_deviation().then(|| drawing.unwrap_or(nominal)),
    })
}

/// The limits as what they are compared with: sizes, or the deviation where that is what is asked for.
pub(super) fn sizes(
    sheet: &mut Sheet,
    path: &Path,
    said: &CharacteristicSaid,
    quantity: &Quantity,
    limits: [Option<Amount>; 2],
    master: Option<&Master>,
) -> [Option<Amount>; 2] {
    let at = path.key("nominal");
    let keys = ["lower", "upper"];
    if quantity.is_deviation() {
        for (key, limit) in keys.into_iter().zip(limits) {
            let whole = master.zip(limit).filter(|(master, limit)| is_beyond(*limit, master.nominal, FAR));
            if let Some((_, limit)) = whole {
                let message = format!("{} {} is no limit of a deviation", limit.number, limit.unit);
                let help = "write the deviation from the nominal size, or ask for the size (L, D, T, H)";
                sheet.fault(&path.key(key), Code::Contradiction, message, help);
            }
        }
        return limits;
    }
    if said.nominal.is_none() {
        for (key, limit) in keys.into_iter().zip(limits) {
            let apart = master.zip(limit).filter(|(master, limit)| lies_apart(*limit, master.nominal));
            if let Some((master, limit)) = apart {
                let message = format!(
                    "the limit {} {} is far from the master of {} {}",
                    limit.number, limit.unit, master.nominal.number, master.nominal.unit
                );
                let help =
                    "without `nominal` limits are sizes; where they are deviations write nominal = \"...\" as well";
                sheet.fault(&path.key(key), Code::Contradiction, message, help);
            }
        }
        return limits;
    }
    if !quantity.is_size() {
        let help = "only limits of a size (L, D, T, H) can be deviations from it: leave it out";
        sheet.fault_of_key(&at, Code::Contradiction, format!("`nominal` says nothing about {quantity}"), help);
        return limits;
    }
    let Some(nominal) = size(sheet, &at, said.nominal.as_ref()) else { return [None, None] };
    let mut bound = |key: &str, limit: Option<Amount>| {
        let limit = limit?;
        let told = format!("{} {}", limit.number, limit.unit);
        if is_beyond(limit, nominal, FAR) {
            let help = "with `nominal` limits are deviations from it: write the deviation, or leave `nominal` out";
            let message = format!("{told} is no deviation from {} {}", nominal.number, nominal.unit);
            sheet.fault(&path.key(key), Code::Contradiction, message, help);
            return None;
        }
        let number = exactly(limit, nominal.unit).and_then(|deviation| nominal.number.checked_add(deviation));
        if number.is_none() {
            let message = format!("{told} can't be written exactly in {}", nominal.unit);
            let help = format!("write it in {}, the unit of the nominal size", nominal.unit);
            sheet.fault(&path.key(key), Code::WrongUnit, message, help);
        }
        Some(Amount { number: number?, unit: nominal.unit })
    };
    [bound("lower", limits[0]), bound("upper", limits[1])]
}

/// A size: a length above zero.
fn size(sheet: &mut Sheet, path: &Path, said: Option<&AmountText>) -> Option<Amount> {
    // A fault in it is told once, wherever it is asked for.
    if sheet.is_told_below(path) {
        return None;
    }
    let size = amount(sheet, path, said?, UnitKind::Length)?;
    if size.number <= Decimal::ZERO {
        let message = format!("{} {} is no size", size.number, size.unit);
        sheet.fault(path, Code::WrongValue, message, "write a length above zero");
        return None;
    }
    Some(size)
}

/// Whether `deviation` is more than this share of `size`.
fn is_beyond(deviation: Amount, size: Amount, share: Decimal) -> bool {
    let um = |amount: Amount| amount.unit.to_micrometres(amount.number);
    um(deviation).zip(um(size)).is_some_and(|(deviation, size)| deviation.abs() > size * share)
}

/// Whether two sizes are so different that one must be something else.
fn lies_apart(one: Amount, size: Amount) -> bool {
    let here = one.unit.convert(one.number, size.unit);
    let apart = here.and_then(|here| here.checked_sub(size.number));
    apart.is_some_and(|number| is_beyond(Amount { number, unit: size.unit }, size, FAR))
}
