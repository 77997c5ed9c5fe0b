//! Units that a reading or a limit may carry, and the exact factors between units of one kind.

use std::fmt;

use rust_decimal::Decimal;
use rust_decimal::dec;
use serde::{Deserialize, Serialize, Serializer};

/// A unit of the closed list of the configuration and of instruments' output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Unit {
    /// Micrometre, printed with U+00B5.
    Micrometre,
    /// Nanometre.
    Nanometre,
    /// Millimetre.
    Millimetre,
    /// Metre.
    Metre,
    /// Inch, exactly 25.4 mm (international yard and pound agreement of 1959).
    Inch,
    /// Microinch, exactly 0.0254 µm.
    Microinch,
    /// Thousandth of an inch, exactly 25.4 µm.
    Mil,
    /// Per cent.
    Percent,
    /// Peaks per centimetre.
    PerCentimetre,
    /// A pure number.
    One,
    /// Degree of arc.
    Degree,
    /// Rockwell hardness, scale C.
    Hrc,
    /// Rockwell hardness, scale B.
    Hrb,
    /// Vickers hardness.
    Hv,
    /// Brinell hardness, tungsten carbide ball.
    Hbw,
}

/// What a unit measures; only units of one kind convert into each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum UnitKind {
    /// A length.
    Length,
    /// A share of a whole.
    Ratio,
    /// A count per length.
    Density,
    /// A pure number.
    Number,
    /// An angle.
    Angle,
    /// A hardness scale: no scale converts into another.
    Hardness,
}

/// One row per unit: symbol as printed, other spellings of the standards and of plain text, kind.
/// Instruments' own spellings belong into their definitions, not here.
const TABLE: &[(Unit, &str, &[&str], UnitKind)] = &[
    (Unit::Micrometre, "\u{b5}m", &["\u{3bc}m", "um"], UnitKind::Length),
    (Unit::Nanometre, "nm", &[], UnitKind::Length),
    (Unit::Millimetre, "mm", &[], UnitKind::Length),
    (Unit::Metre, "m", &[], UnitKind::Length),
    (Unit::Inch, "in", &[], UnitKind::Length),
    (Unit::Microinch, "\u{b5}in", &["\u{3bc}in", "uin"], UnitKind::Length),
    (Unit::Mil, "mil", &[], UnitKind::Length),
    (Unit::Percent, "%", &[], UnitKind::Ratio),
    (Unit::PerCentimetre, "1/cm", &["/cm"], UnitKind::Density),
    (Unit::One, "1", &[], UnitKind::Number),
    (Unit::Degree, "\u{b0}", &["deg"], UnitKind::Angle),
    (Unit::Hrc, "HRC", &[], UnitKind::Hardness),
    (Unit::Hrb, "HRB", &[], UnitKind::Hardness),
    (Unit::Hv, "HV", &[], UnitKind::Hardness),
    (Unit::Hbw, "HBW", &[], UnitKind::Hardness),
];

impl Unit {
    /// Every unit, in the order of the table.
    pub fn all() -> impl Iterator<Item = Unit> {
        TABLE.iter().map(|row| row.0)
    }

    /// Reads a symbol or one of its plain spellings, to the letter.
    pub fn parse(text: &str) -> Option<Unit> {
        TABLE.iter().find(|(_, symbol, spellings, _)| *symbol == text || spellings.contains(&text)).map(|row| row.0)
    }

    /// The symbol as printed everywhere: U+00B5 for micro.
    pub fn symbol(self) -> &'static str {
        TABLE.iter().find(|row| row.0 == self).map_or("", |row| row.1)
    }

    /// What the unit measures.
    pub fn kind(self) -> UnitKind {
        TABLE.iter().find(|row| row.0 == self).map_or(UnitKind::Number, |row| row.3)
    }

    /// Micrometres in one of this unit; `None` where it is no length.
    fn in_micrometres(self) -> Option<Decimal> {
        Some(match self {
            Unit::Micrometre => dec!(1),
            Unit::Nanometre => dec!(0.001),
            Unit::Millimetre => dec!(1000),
            Unit::Metre => dec!(1000000),
            Unit::Inch => dec!(25400),
            Unit::Microinch => dec!(0.0254),
            Unit::Mil => dec!(25.4),
            _ => return None,
        })
    }

    /// `number` of this unit in micrometres, exactly; `None` where this is no length or the digits run out.
    pub fn to_micrometres(self, number: Decimal) -> Option<Decimal> {
        number.checked_mul(self.in_micrometres()?)
    }

    /// `number` of this unit in `target`. Exact wherever the result has a finite decimal form that fits in 28
    /// digits (every conversion between metric units and from inches to metric); from metric to inches the
    /// quotient is cut at 28 digits, so compare in micrometres. `None` between kinds.
    pub fn convert(self, number: Decimal, target: Unit) -> Option<Decimal> {
        if self == target {
            return Some(number);
        }
        self.to_micrometres(number)?.checked_div(target.in_micrometres()?)
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.symbol())
    }
}

impl Serialize for Unit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.symbol())
    }
}

impl<'de> Deserialize<'de> for Unit {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Unit::parse(&text).ok_or_else(|| serde::de::Error::custom(format!("unknown unit `{text}`")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST SP 811 (2008) appendix B.8: inch 2.54 E-02 m, microinch 2.54 E-08 m, mil 2.54 E-05 m, all exact.
    #[test]
    fn inch_factors_are_exact() {
        assert_eq!(Unit::Inch.to_micrometres(dec!(1)), Some(dec!(25400)));
        assert_eq!(Unit::Microinch.to_micrometres(dec!(31.5)), Some(dec!(0.8001)));
        assert_eq!(Unit::Mil.to_micrometres(dec!(1)), Some(dec!(25.4)));
        assert_eq!(Unit::Microinch.convert(dec!(32), Unit::Micrometre), Some(dec!(0.8128)));
    }

    #[test]
    fn kinds_do_not_mix() {
        assert_eq!(Unit::Hrc.convert(dec!(60), Unit::Hv), None);
        assert_eq!(Unit::Percent.to_micrometres(dec!(1)), None);
    }

    #[test]
    fn both_micro_signs_mean_micro() {
        assert_eq!(Unit::parse("\u{3bc}m"), Some(Unit::Micrometre));
        assert_eq!(Unit::parse("\u{b5}m"), Some(Unit::Micrometre));
        assert_eq!(Unit::parse("UM"), None, "instruments' spellings are declared by their definition");
    }
}
