//! What a reading tells of the part: the value that is held against the limits. A size is what was sent; a deviation is
//! added to the master that the instrument was set with, exactly.

use ridgepost_config::{Amount, Characteristic, Master};
use ridgepost_parsers::{LimitMeant, Reading, Unit, Value};
use rust_decimal::{Decimal, dec};

use crate::limits::{exceeds, in_unit, micrometres};
use crate::row::Reason;

/// Beyond this share of the master an indication is none: no indicator reaches so far (common practice).
const FAR: Decimal = dec!(0.5);

/// The value that a reading tells, as it is judged and as it is shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Told {
    /// The number that is compared, exact in its unit.
    pub(crate) value: Value,
    /// Its unit.
    pub(crate) unit: Unit,
    /// The value in the characteristic's unit, where it has one of its kind.
    pub(crate) shown: Option<Value>,
    /// An indication that no instrument has.
    pub(crate) is_far: bool,
}

impl Told {
    /// What `reading` tells of `characteristic`; `None` without number or unit.
    ///
    /// # Errors
    /// [`Reason::NoMaster`] where it is a deviation and nobody has said from what, [`Reason::Implausible`] where the sum has
    /// more digits than can be held exactly.
    pub(crate) fn of(reading: &Reading, characteristic: &Characteristic) -> Result<Option<Told>, Reason> {
        let Some((value, unit)) = reading.value.zip(reading.unit) else { return Ok(None) };
        if !reading.quantity.is_deviation() {
            let shown = in_unit(value, unit, characteristic.unit);
            return Ok(Some(Told { value, unit, shown, is_far: false }));
        }
        let master = characteristic.master.as_ref().ok_or(Reason::NoMaster)?;
        sum(master, value, unit, characteristic.unit).map(Some).ok_or(Reason::Implausible)
    }
}

/// Whether the instrument states a limit that is not the job's, whatever the units. What it does not state, or states in a
/// way that can't be compared, is not held against it.
pub(crate) fn has_other_limits(reading: &Reading, characteristic: &Characteristic) -> bool {
    let stated = &reading.instrument_limits;
    let (lower, upper) = match is_turned(reading, characteristic) {
        false => (stated.lower_meant, stated.upper_meant),
        true => (stated.upper_meant, stated.lower_meant),
    };
    let differs = |stated: Option<LimitMeant>, own: Option<Decimal>| {
        let Some(stated) = stated.and_then(|stated| limit(reading, characteristic, (stated.value, stated.unit))) else {
            return false;
        };
        let Some(own) = own else { return true };
        let (stated, own) = ((stated.0.decimal(), stated.1), (own, characteristic.unit));
        exceeds(stated, own) == Some(true) || exceeds(own, stated) == Some(true)
    };
    differs(lower, characteristic.lower) || differs(upper, characteristic.upper)
}

/// A limit of the instrument as a limit of the part.
fn limit(reading: &Reading, characteristic: &Characteristic, limit: (Value, Unit)) -> Option<(Value, Unit)> {
    if !reading.quantity.is_deviation() {
        return Some(limit);
    }
    let told = sum(characteristic.master.as_ref()?, limit.0, limit.1, characteristic.unit)?;
    Some((told.value, told.unit))
}

/// Whether what the instrument indicates falls where the part grows, so that its upper limit is the part's lower one.
fn is_turned(reading: &Reading, characteristic: &Characteristic) -> bool {
    reading.quantity.is_deviation() && characteristic.master.as_ref().is_some_and(|master| !master.larger)
}

/// What is summed, each with its name.
fn terms(master: &Master, indicated: Amount) -> impl Iterator<Item = (Amount, &'static str)> {
    let minus = |amount: Amount| Amount { number: -amount.number, unit: amount.unit };
    let indication = if master.larger { indicated } else { minus(indicated) };
    [
        Some((master.nominal, "master")),
        master.deviation.map(|own| (own, "its own deviation")),
        master.deviation_from.map(|from| (minus(from), "nominal size")),
        Some((indication, "indicated")),
    ]
    .into_iter()
    .flatten()
}

/// How the value of a deviation came about, for people: `25.000 mm (master SM-25) - 0.006 mm (indicated) = 24.994 mm`.
/// `None` where it can't be summed in the characteristic's unit.
pub fn sum_in_words(characteristic: &Characteristic, indicated: Value, unit: Unit) -> Option<String> {
    let master = characteristic.master.as_ref()?;
    let shown = sum(master, indicated, unit, characteristic.unit)?.shown?;
    let mut words = String::new();
    for (at, (term, name)) in terms(master, Amount { number: indicated.decimal(), unit }).enumerate() {
        let sign = match (at, term.number.is_sign_negative()) {
            (0, _) => "",
            (_, true) => " - ",
            (_, false) => " + ",
        };
        let id = if name == "master" { format!(" {}", master.id) } else { String::new() };
        words.push_str(&format!("{sign}{} {} ({name}{id})", term.number.abs(), term.unit));
    }
    Some(format!("{words} = {shown} {}", characteristic.unit))
}

/// Master and indication, summed.
fn sum(master: &Master, indicated: Value, unit: Unit, target: Unit) -> Option<Told> {
    let terms: Vec<Amount> =
        terms(master, Amount { number: indicated.decimal(), unit }).map(|(term, _)| term).collect();
    let indication = indicated.decimal();
    let exact = added(terms.iter().map(|term| micrometres(term.number, term.unit)))?;
    let value = Value::from(exact);
    // Digits as displayed where only the decimal point moves; else what the sum comes to.
    let moved = |term: &Amount| {
        let there = in_unit(Value::from(term.number), term.unit, target)?.decimal();
        (micrometres(there, target)? == micrometres(term.number, term.unit)?).then_some(there)
    };
    let shown = added(terms.iter().map(moved)).map(Value::from).or_else(|| in_unit(value, Unit::Micrometre, target));
    let far = micrometres(master.nominal.number, master.nominal.unit)?.checked_mul(FAR)?;
    let is_far = micrometres(indication, unit)?.abs() > far;
    Some(Told { value, unit: Unit::Micrometre, shown, is_far })
}

/// The exact sum; `None` where a term is missing or digits would be lost.
fn added(terms: impl Iterator<Item = Option<Decimal>>) -> Option<Decimal> {
    terms.into_iter().try_fold(Decimal::ZERO, |sum, term| {
        let term = term?;
        let next = sum.checked_add(term)?;
        (next.scale() == sum.scale().max(term.scale())).then_some(next)
    })
}
