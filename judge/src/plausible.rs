//! Whether a value can be true at all: kind of unit, band per quantity, order of the parameters of one trace.
//!
//! A slip of unit mostly makes numbers smaller, which an upper limit would pass. So what is outside its band is
//! not judged.

use ridgepost_config::Characteristic;
use ridgepost_parsers::{Quantity, Reading, Unit};
use rust_decimal::Decimal;
use rust_decimal::dec;

use crate::hint::causes;
use crate::limits::{exceeds, micrometres};
use crate::row::Reason;
use crate::told::Told;

/// Values that a bench instrument shows of a quantity, bounds included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    /// Smallest.
    pub low: Decimal,
    /// Largest.
    pub high: Decimal,
    /// Unit of both.
    pub unit: Unit,
}

/// Symbol, low, high, unit. Common practice, no source: wide enough for anything a stylus tester or bench gauge
/// shows, narrow enough that nm, mm or m in place of µm mostly falls out. Sizes have none: they can be anything.
/// A row per unit where a quantity has several scales.
const BANDS: &[(&str, Decimal, Decimal, Unit)] = &[
    ("Ra", dec!(0.005), dec!(100), Unit::Micrometre),
    ("Rq", dec!(0.005), dec!(125), Unit::Micrometre),
    ("Rz", dec!(0.02), dec!(500), Unit::Micrometre),
    ("Rt", dec!(0.02), dec!(1000), Unit::Micrometre),
    ("Rp", dec!(0.01), dec!(500), Unit::Micrometre),
    ("Rv", dec!(0.01), dec!(500), Unit::Micrometre),
    ("Rc", dec!(0.01), dec!(500), Unit::Micrometre),
    ("Rmax", dec!(0.02), dec!(1000), Unit::Micrometre),
    ("Rz1max", dec!(0.02), dec!(1000), Unit::Micrometre),
    ("Rzx", dec!(0.02), dec!(1000), Unit::Micrometre),
    ("RzJIS", dec!(0.02), dec!(500), Unit::Micrometre),
    ("R3z", dec!(0.01), dec!(500), Unit::Micrometre),
    ("Rsk", dec!(-30), dec!(30), Unit::One),
    ("Rku", dec!(1), dec!(1000), Unit::One),
    ("RSm", dec!(1), dec!(20000), Unit::Micrometre),
    ("RPc", dec!(0), dec!(10000), Unit::PerCentimetre),
    ("Rdq", dec!(0), dec!(10), Unit::One),
    ("Rmr", dec!(0), dec!(100), Unit::Percent),
    ("Rdc", dec!(0), dec!(1000), Unit::Micrometre),
    ("Rk", dec!(0.01), dec!(500), Unit::Micrometre),
    ("Rpk", dec!(0), dec!(500), Unit::Micrometre),
    ("Rvk", dec!(0), dec!(500), Unit::Micrometre),
    ("Mr1", dec!(0), dec!(100), Unit::Percent),
    ("Mr2", dec!(0), dec!(100), Unit::Percent),
    ("Pa", dec!(0.005), dec!(1000), Unit::Micrometre),
    ("Pq", dec!(0.005), dec!(1000), Unit::Micrometre),
    ("Pz", dec!(0.02), dec!(5000), Unit::Micrometre),
    ("Pt", dec!(0.02), dec!(5000), Unit::Micrometre),
    ("Wa", dec!(0), dec!(1000), Unit::Micrometre),
    ("Wq", dec!(0), dec!(1000), Unit::Micrometre),
    ("Wz", dec!(0), dec!(5000), Unit::Micrometre),
    ("Wt", dec!(0), dec!(5000), Unit::Micrometre),
    ("WSm", dec!(10), dec!(100000), Unit::Micrometre),
    ("hardness", dec!(0), dec!(100), Unit::Hrc),
    ("hardness", dec!(0), dec!(130), Unit::Hrb),
    ("hardness", dec!(1), dec!(5000), Unit::Hv),
    ("hardness", dec!(1), dec!(1000), Unit::Hbw),
];

/// Factors between units that get confused: inch and millimetre, micrometre and microinch, steps of a thousand.
const SLIPS: &[Decimal] = &[dec!(25.4), dec!(39.37), dec!(1000)];

/// Heights of one trace from the smallest to the largest; equals share a rank. Ra <= Rq holds for any numbers
/// (root mean square), the rest follows from what the parameters are the largest of: ISO 4287 4.1 and 4.2,
/// DIN 4768 for Rmax (from memory).
const RANKS: &[(&str, u8)] = &[("Ra", 0), ("Rq", 1), ("Rz", 2), ("Rmax", 3), ("Rz1max", 3), ("Rt", 4)];

impl Band {
    /// The band of a quantity shown in this unit; `None` where anything is possible.
    pub fn of(quantity: &Quantity, unit: Unit) -> Option<Band> {
        BANDS
            .iter()
            .find(|row| row.0 == quantity.symbol() && exceeds((Decimal::ONE, unit), (Decimal::ONE, row.3)).is_some())
            .map(|&(_, low, high, unit)| Band { low, high, unit })
    }

    /// Whether a number with its unit lies in the band; one that can't be compared does not.
    pub fn holds(&self, number: Decimal, unit: Unit) -> bool {
        exceeds((self.low, self.unit), (number, unit)) == Some(false)
            && exceeds((number, unit), (self.high, self.unit)) == Some(false)
    }
}

/// What is not credible about a value of a characteristic: `unit-suspect` alone where the unit is of another kind;
/// `implausible` outside the band, with `unit-suspect` where a slip of unit would explain it, and its usual causes.
pub(crate) fn obstacles(reading: &Reading, told: &Told, characteristic: &Characteristic) -> Vec<Reason> {
    let (value, unit) = (told.value, told.unit);
    if told.is_far {
        return vec![Reason::Implausible];
    }
    let comparable = unit == characteristic.unit || unit.kind() == characteristic.unit.kind() && is_length(unit);
    if unit.kind() != characteristic.quantity.unit_kind() || !comparable {
        return vec![Reason::UnitSuspect];
    }
    let band = match characteristic.plausible {
        Some((low, high)) => Some(Band { low, high, unit: characteristic.unit }),
        None => Band::of(&characteristic.quantity, unit),
    };
    let number = value.decimal();
    match band {
        _ if exceeds((number, unit), (Decimal::ZERO, characteristic.unit)).is_none() => vec![Reason::Implausible],
        Some(band) if !band.holds(number, unit) => {
            let slipped = reading.unit_as_sent.is_none() || slips(number).any(|number| band.holds(number, unit));
            let unit_suspect = slipped.then_some(Reason::UnitSuspect);
            let causes = causes(reading, told, characteristic, Some(band));
            [Reason::Implausible].into_iter().chain(unit_suspect).chain(causes).collect()
        }
        _ => Vec::new(),
    }
}

fn is_length(unit: Unit) -> bool {
    micrometres(Decimal::ONE, unit).is_some()
}

/// The number as it would be without each of the known slips. Rounded to what a band needs: a hint, no value.
fn slips(number: Decimal) -> impl Iterator<Item = Decimal> {
    SLIPS
        .iter()
        .flat_map(move |factor| [number.checked_mul(*factor), number.checked_div(*factor)])
        .flatten()
        .map(|number| number.round_dp(12))
}

/// For each of the readings of one record whether it takes part in a broken order of
/// Ra <= Rq <= Rz <= Rmax <= Rt. Where a record holds a quantity several times, the first of one is compared with
/// the first of the others, and so on. Marked values take no part.
pub(crate) fn broken_order(readings: &[&Reading]) -> Vec<bool> {
    let ranked: Vec<_> = (0..readings.len()).map(|index| ranked(readings, index)).collect();
    let breaks = |first: &Option<Ranked>, second: &Option<Ranked>| match (first, second) {
        (Some(first), Some(second)) => first.breaks_with(second),
        _ => false,
    };
    ranked.iter().map(|one| ranked.iter().any(|other| breaks(one, other))).collect()
}

/// A height with its place in the order.
struct Ranked {
    rank: u8,
    occurrence: usize,
    micrometres: Decimal,
}

impl Ranked {
    fn breaks_with(&self, other: &Ranked) -> bool {
        let wrong = (self.rank < other.rank && self.micrometres > other.micrometres)
            || (self.rank > other.rank && self.micrometres < other.micrometres);
        self.occurrence == other.occurrence && wrong
    }
}

fn ranked(readings: &[&Reading], index: usize) -> Option<Ranked> {
    let reading = readings.get(index)?;
    let rank = RANKS.iter().find(|row| row.0 == reading.quantity.symbol())?.1;
    if reading.mark.is_some() {
        return None;
    }
    let micrometres = micrometres(reading.value?.decimal(), reading.unit?)?;
    let occurrence = readings.iter().take(index).filter(|earlier| earlier.quantity == reading.quantity).count();
    Some(Ranked { rank, occurrence, micrometres })
}
