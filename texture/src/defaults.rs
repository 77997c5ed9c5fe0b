//! What the editions of the texture standards mean where a drawing writes no cutoff: which one belongs to a value.
//!
//! ISO 4288 and what follows it go by the *measured* value: measure, look the value up, and measure again where the row asks
//! for another cutoff. ISO 21920-3 goes by the *limit* of the drawing, so that the setting is known beforehand. The two
//! disagree between Rz 10 µm and 16 µm, 50 µm and 80 µm, 0.1 µm and 0.16 µm, 0.5 µm and 0.8 µm.

use rust_decimal::Decimal;
use rust_decimal::dec;

/// Edition of the texture standards that a drawing was made to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Edition {
    /// ISO 21920:2021.
    Iso21920,
    /// ISO 4287:1997 with ISO 4288:1996 and ISO 1302.
    Iso4288,
    /// ASME B46.1.
    AsmeB461,
    /// JIS B 0601:1994.
    Jis1994,
    /// JIS B 0601:2001.
    Jis2001,
    /// JIS B 0601:2013.
    Jis2013,
}

/// What selects the row of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Selector {
    /// The limit of the drawing.
    Limit,
    /// The value that was measured.
    Measured,
}

/// One row of a table: values over `over` up to and including `to` are measured with this cutoff.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DefaultSetting {
    /// Setting class, where the edition numbers them.
    pub class: Option<&'static str>,
    /// Smallest value, itself not included, in the unit of the parameter (µm).
    pub over: Decimal,
    /// Largest value, included, in µm; `None` without end.
    pub to: Option<Decimal>,
    /// Cutoff λc (nesting index Nic), in mm; a section is as long.
    pub cutoff_mm: Decimal,
    /// Sections in the evaluation length.
    pub sections: u32,
    /// Short-wave cutoff λs (Nis), in µm: ISO 3274:1996 table 1 (from memory; ratios seen).
    pub lambda_s_um: Decimal,
    /// Largest sampling spacing, in µm: ISO 3274:1996 table 1 (from memory).
    pub spacing_um: Decimal,
    /// Largest tip radius, in µm: ISO 3274:1996 table 1 (seen in excerpts).
    pub tip_um: Decimal,
}

/// Cutoff in mm with λs, spacing and tip radius in µm: ISO 3274:1996 table 1 (from memory; tips and ratios seen in excerpts).
const WITH_CUTOFF: [(Decimal, Decimal, Decimal, Decimal); 5] = [
    (dec!(0.08), dec!(2.5), dec!(0.5), dec!(2)),
    (dec!(0.25), dec!(2.5), dec!(0.5), dec!(2)),
    (dec!(0.8), dec!(2.5), dec!(0.5), dec!(2)),
    (dec!(2.5), dec!(8), dec!(1.5), dec!(5)),
    (dec!(8), dec!(25), dec!(5), dec!(10)),
];

/// Bounds of the five rows, rising; the last `None` means without end.
type Bounds = [(Decimal, Option<Decimal>); 5];

/// ISO 4288:1996 table 1, by Ra in µm (first rows seen in an excerpt, the rest from memory).
const RA_4288: Bounds = [
    (dec!(0.006), Some(dec!(0.02))),
    (dec!(0.02), Some(dec!(0.1))),
    (dec!(0.1), Some(dec!(2))),
    (dec!(2), Some(dec!(10))),
    (dec!(10), Some(dec!(80))),
];

/// ISO 4288:1996 table 2, by Rz in µm (from memory).
const RZ_4288: Bounds = [
    (dec!(0.025), Some(dec!(0.1))),
    (dec!(0.1), Some(dec!(0.5))),
    (dec!(0.5), Some(dec!(10))),
    (dec!(10), Some(dec!(50))),
    (dec!(50), Some(dec!(200))),
];

/// ISO 4288:1996 table 3, by RSm in µm (from memory); for periodic profiles.
const RSM_4288: Bounds = [
    (dec!(13), Some(dec!(40))),
    (dec!(40), Some(dec!(130))),
    (dec!(130), Some(dec!(400))),
    (dec!(400), Some(dec!(1300))),
    (dec!(1300), Some(dec!(4000))),
];

/// ISO 21920-3:2021, by the limit of Ra in µm (values seen in a national table; class numbers from memory).
const RA_21920: Bounds = [
    (Decimal::ZERO, Some(dec!(0.02))),
    (dec!(0.02), Some(dec!(0.1))),
    (dec!(0.1), Some(dec!(2))),
    (dec!(2), Some(dec!(10))),
    (dec!(10), None),
];

/// ISO 21920-3:2021, by the limit of Rz in µm (values seen in a national table; class numbers from memory).
const RZ_21920: Bounds = [
    (Decimal::ZERO, Some(dec!(0.16))),
    (dec!(0.16), Some(dec!(0.8))),
    (dec!(0.8), Some(dec!(16))),
    (dec!(16), Some(dec!(80))),
    (dec!(80), None),
];

/// ASME B46.1, by Ra in µm (from memory, unconfirmed).
const RA_ASME: Bounds = RA_21920;

/// Setting classes of ISO 21920-3 (from memory).
const CLASSES: [&str; 5] = ["Sc1", "Sc2", "Sc3", "Sc4", "Sc5"];

impl Edition {
    /// What a value of this edition is looked up by.
    pub fn selector(self) -> Selector {
        match self {
            Edition::Iso21920 => Selector::Limit,
            _ => Selector::Measured,
        }
    }
}

/// The setting that belongs to `micrometres` of a parameter by this edition: the limit of the drawing, or the measured value,
/// see [`Edition::selector`]. `None` where the edition has no row for the value, or none for the parameter: then the drawing
/// must say it.
pub fn default_setting(edition: Edition, symbol: &str, micrometres: Decimal) -> Option<DefaultSetting> {
    let bounds = bounds(edition, symbol)?;
    let within =
        |bounds: &(Decimal, Option<Decimal>)| micrometres > bounds.0 && bounds.1.is_none_or(|to| micrometres <= to);
    let at = bounds.iter().position(within)?;
    let ((over, to), (cutoff_mm, lambda_s_um, spacing_um, tip_um)) = (*bounds.get(at)?, *WITH_CUTOFF.get(at)?);
    let class = if edition == Edition::Iso21920 { CLASSES.get(at).copied() } else { None };
    Some(DefaultSetting { class, over, to, cutoff_mm, sections: 5, lambda_s_um, spacing_um, tip_um })
}

/// Whether the edition has a table for the parameter.
pub fn has_default_settings(edition: Edition, symbol: &str) -> bool {
    bounds(edition, symbol).is_some()
}

/// The column that a parameter is looked up in. Under ISO 4288 the rows of Rq, Rsk, Rku and Rdq go by Ra and those of Rp, Rv,
/// Rc and Rt by Rz of the same profile, which a value alone does not tell: no row is claimed for them.
fn bounds(edition: Edition, symbol: &str) -> Option<&'static Bounds> {
    match (edition, symbol) {
        (Edition::Iso21920, "Ra" | "Rq") => Some(&RA_21920),
        (Edition::Iso21920, "Rz" | "Rp" | "Rv" | "Rzx" | "Rt") => Some(&RZ_21920),
        (Edition::Iso21920, _) => None,
        (Edition::AsmeB461, "Ra") => Some(&RA_ASME),
        (_, "Ra") => Some(&RA_4288),
        (_, "Rz" | "RzJIS" | "Rz1max") => Some(&RZ_4288),
        (_, "RSm") => Some(&RSM_4288),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cutoff(edition: Edition, symbol: &str, micrometres: Decimal) -> Option<Decimal> {
        default_setting(edition, symbol, micrometres).map(|setting| setting.cutoff_mm)
    }

    /// Rows of ISO 4288:1996 (first two of Ra seen, rest from memory) and ISO 21920-3:2021 (seen in a national table); a bound
    /// belongs to the row below it.
    #[test]
    fn bounds_belong_to_the_row_below() {
        for (symbol, value, old, new) in [
            ("Ra", dec!(0.006), None, Some(dec!(0.08))),
            ("Ra", dec!(0.02), Some(dec!(0.08)), Some(dec!(0.08))),
            ("Ra", dec!(0.0201), Some(dec!(0.25)), Some(dec!(0.25))),
            ("Ra", dec!(0.1), Some(dec!(0.25)), Some(dec!(0.25))),
            ("Ra", dec!(2), Some(dec!(0.8)), Some(dec!(0.8))),
            ("Ra", dec!(2.01), Some(dec!(2.5)), Some(dec!(2.5))),
            ("Ra", dec!(80), Some(dec!(8)), Some(dec!(8))),
            ("Ra", dec!(80.1), None, Some(dec!(8))),
            ("Rz", dec!(0.12), Some(dec!(0.25)), Some(dec!(0.08))),
            ("Rz", dec!(0.6), Some(dec!(0.8)), Some(dec!(0.25))),
            ("Rz", dec!(12), Some(dec!(2.5)), Some(dec!(0.8))),
            ("Rz", dec!(60), Some(dec!(8)), Some(dec!(2.5))),
            ("RSm", dec!(130), Some(dec!(0.25)), None),
            ("Rk", dec!(1), None, None),
        ] {
            assert_eq!(cutoff(Edition::Iso4288, symbol, value), old, "ISO 4288 {symbol} {value}");
            assert_eq!(cutoff(Edition::Iso21920, symbol, value), new, "ISO 21920 {symbol} {value}");
        }
        let class = default_setting(Edition::Iso21920, "Ra", dec!(1.6)).and_then(|setting| setting.class);
        assert_eq!((class, cutoff(Edition::AsmeB461, "Ra", dec!(0.004))), (Some("Sc3"), Some(dec!(0.08))));
    }

    #[test]
    fn rows_rise_without_a_hole() {
        for bounds in [RA_4288, RZ_4288, RSM_4288, RA_21920, RZ_21920, RA_ASME] {
            assert!(bounds.windows(2).all(|rows| matches!(rows, [low, high] if low.1 == Some(high.0))));
        }
    }
}
