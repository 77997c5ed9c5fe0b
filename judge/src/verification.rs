//! A verification: values of a specimen held against its certificate. Which readings count, when it is decided, what comes
//! out.
//!
//! The mean of the first `traces` values of each quantity is compared, so the best of many can't be picked. Everything is
//! exact but E_n, which is printed and decides nothing.

use std::collections::BTreeMap;

use jiff::civil::Date;
use ridgepost_config::{Gauge, Specimen, VerificationRule};
use ridgepost_parsers::{Quantity, Reading, Unit, UnitKind, Value};
use rust_decimal::prelude::ToPrimitive;
use rust_decimal::{Decimal, dec};

use crate::conditions::Measured;
use crate::limits::in_unit;
use crate::row::Reason;

/// Values of the specimen so far, in the units of its certificate.
pub type Values = BTreeMap<Quantity, Vec<Value>>;

/// A quantity of a specimen that a verification needs.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Due {
    certified: Decimal,
    unit: Unit,
    /// How far the mean may be from it.
    permitted: Decimal,
    /// Expanded uncertainty of the certified value.
    uncertainty: Option<Decimal>,
}

/// What came out for one quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Compared {
    /// Of what.
    pub quantity: Quantity,
    /// Unit of all that follows.
    pub unit: Unit,
    /// Value of the certificate.
    pub certified: Decimal,
    /// Its expanded uncertainty.
    pub uncertainty: Option<Decimal>,
    /// The values that count, in order.
    pub values: Vec<Value>,
    /// Their mean, one digit more than they have.
    pub mean: Decimal,
    /// Mean less certified value, likewise.
    pub deviation: Decimal,
    /// How far the mean may be from the certified value.
    pub permitted: Decimal,
    /// |deviation| over the root of the squares of both expanded uncertainties (ISO 13528 and ISO/IEC 17043, from memory),
    /// two decimals; `None` where the register does not state the gauge's, or the specimen's is unknown.
    pub e_n: Option<f64>,
    /// The exact mean is no further away than permitted.
    pub within: bool,
}

/// The quantities that a gauge needs for a verification with a specimen: those that its rule names and the specimen
/// certifies; all certified ones where it names none of them.
fn due(rule: &VerificationRule, specimen: &Specimen) -> BTreeMap<Quantity, Due> {
    let named = specimen.certified.keys().any(|quantity| rule.permitted.contains_key(quantity));
    let certified = specimen.certified.iter().filter(|(quantity, _)| !named || rule.permitted.contains_key(quantity));
    certified
        .filter_map(|(quantity, certified)| {
            let stated = specimen.uncertainty.get(quantity);
            let due = Due {
                certified: certified.number,
                unit: certified.unit,
                permitted: rule.permitted(quantity, *certified)?,
                uncertainty: stated.and_then(|stated| stated.unit.convert(stated.number, certified.unit)),
            };
            Some((quantity.clone(), due))
        })
        .collect()
}

/// The quantities that must be measured.
pub fn quantities_due(rule: &VerificationRule, specimen: &Specimen) -> Vec<Quantity> {
    due(rule, specimen).into_keys().collect()
}

/// Why a gauge can't be verified with a specimen on a day; nothing where it can. `day` is none where nobody knows it.
///
/// The specimen's uncertainty may be a third of what is permitted at most (common practice, no source).
pub fn verification_objections(gauge: &Gauge, specimen: &Specimen, day: Option<Date>) -> Vec<String> {
    let id = &specimen.id;
    let mut objections = Vec::new();
    match (specimen.due, day) {
        (Some(due), Some(day)) if due < day => {
            objections.push(format!("the certificate of specimen {id} was due on {due}"));
        }
        (Some(_), None) => objections.push(format!(
            "the clock is not synchronised, so nobody knows whether the certificate of specimen {id} still holds"
        )),
        _ => {}
    }
    let due = due(&gauge.verification, specimen);
    if due.is_empty() {
        objections.push(format!(
            "nothing says how far gauge {} may be from what specimen {id} certifies: write `permitted` into gauges.toml",
            gauge.id
        ));
    }
    for (quantity, due) in due {
        let permitted = due.permitted.normalize();
        let Some(uncertainty) = due.uncertainty else {
            objections.push(format!("specimen {id} states no uncertainty of its {quantity}"));
            continue;
        };
        if uncertainty.checked_mul(dec!(3)).is_none_or(|threefold| threefold > due.permitted) {
            objections.push(format!(
                "the uncertainty {} {} of {quantity} of specimen {id} is more than a third of the permitted {permitted} {}",
                uncertainty.normalize(),
                due.unit,
                due.unit
            ));
        }
    }
    objections
}

/// What a reading of the specimen contributes: `None` where this quantity is not needed.
///
/// # Errors
/// Why it does not count: it stands a mark in place of the number, its unit is of another kind, or it was not measured under
/// the conditions of the certificate.
pub fn specimen_value(gauge: &Gauge, specimen: &Specimen, reading: &Reading) -> Result<Option<Value>, Vec<Reason>> {
    let Some(due) = due(&gauge.verification, specimen).remove(&reading.quantity) else { return Ok(None) };
    let Some(value) = reading.value.filter(|_| reading.mark.is_none()) else { return Err(vec![Reason::Mark]) };
    let has_none = due.unit.kind() == UnitKind::Ratio && reading.unit.is_none();
    let unit = if has_none { Some(due.unit) } else { reading.unit };
    let Some(value) = unit.and_then(|unit| in_unit(value, unit, due.unit)) else {
        return Err(vec![Reason::UnitSuspect]);
    };
    let against = Measured::of(reading, Some(&gauge.settings)).against(&specimen.conditions);
    if against.is_empty() { Ok(Some(value)) } else { Err(against) }
}

/// What came out, once every quantity that is due has all its values; `None` before.
pub fn compared(gauge: &Gauge, specimen: &Specimen, values: &Values) -> Option<Vec<Compared>> {
    let rule = &gauge.verification;
    let due = due(rule, specimen);
    let traces = usize::try_from(rule.traces).ok().filter(|traces| *traces > 0)?;
    let compare = |(quantity, due): (&Quantity, &Due)| {
        let values = values.get(quantity)?.get(..traces)?;
        compare(gauge, quantity, due, values)
    };
    let compared: Vec<Compared> = due.iter().map(compare).collect::<Option<_>>()?;
    Some(compared).filter(|compared| !compared.is_empty())
}

fn compare(gauge: &Gauge, quantity: &Quantity, due: &Due, values: &[Value]) -> Option<Compared> {
    let count = Decimal::from(values.len());
    let sum = values.iter().try_fold(Decimal::ZERO, |sum, value| sum.checked_add(value.decimal()))?;
    // Held against n times the certified value, so that no mean has to be rounded.
    let off = sum.checked_sub(due.certified.checked_mul(count)?)?;
    let within = off.abs() <= due.permitted.checked_mul(count)?;
    let digits = values.iter().map(|value| value.decimal().scale()).max().unwrap_or(0) + 1;
    let rounded = |sum: Decimal| {
        let mut mean = sum.checked_div(count)?.round_dp(digits);
        mean.rescale(digits);
        Some(mean)
    };
    let own = gauge.uncertainty.get(quantity).and_then(|stated| {
        match stated.unit.kind() == UnitKind::Ratio && due.unit.kind() != UnitKind::Ratio {
            true => due.certified.abs().checked_mul(stated.number)?.checked_div(dec!(100)),
            false => stated.unit.convert(stated.number, due.unit),
        }
    });
    let e_n = own.zip(due.uncertainty).and_then(|(own, specimen)| {
        let both = own.to_f64()?.hypot(specimen.to_f64()?);
        let e_n = off.checked_div(count)?.abs().to_f64()? / both;
        e_n.is_finite().then(|| (e_n * 100.0).round() / 100.0)
    });
    Some(Compared {
        quantity: quantity.clone(),
        unit: due.unit,
        certified: due.certified,
        uncertainty: due.uncertainty,
        values: values.to_vec(),
        mean: rounded(sum)?,
        deviation: rounded(off)?,
        permitted: due.permitted.normalize(),
        e_n,
        within,
    })
}
