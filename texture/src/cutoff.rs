//! The cutoffs of the standards, and which metric one an inch cutoff stands for.
//!
//! A tester set to inches prints `.030 in` while the filter in it is the metric one of 0.8 mm (common
//! practice): 0.030 in is 0.762 mm to the letter, yet both name the same setting.

use rust_decimal::{Decimal, RoundingStrategy, dec};

/// One cutoff of the standards' series.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cutoff {
    /// Metric nominal, in mm.
    pub millimetres: Decimal,
    /// What stands for it where lengths are in inches, in inches.
    pub inches: Decimal,
}

/// The series, rising. Metric: ISO 4288:1996 tables 1 to 3 (column of sampling lengths; first two rows seen in an
/// excerpt, the rest from memory), the same lengths as section lengths in ISO 21920-3:2021 (seen in a national
/// table of its values). Inch: ASME B46.1 (from memory, unconfirmed).
pub const CUTOFFS: &[Cutoff] = &[
    Cutoff { millimetres: dec!(0.08), inches: dec!(0.003) },
    Cutoff { millimetres: dec!(0.25), inches: dec!(0.010) },
    Cutoff { millimetres: dec!(0.8), inches: dec!(0.030) },
    Cutoff { millimetres: dec!(2.5), inches: dec!(0.100) },
    Cutoff { millimetres: dec!(8), inches: dec!(0.300) },
];

/// Micrometres in an inch and in a millimetre; the inch is exactly 25.4 mm (NIST SP 811 appendix B.8, from memory).
const INCH_UM: Decimal = dec!(25400);
const MILLIMETRE_UM: Decimal = dec!(1000);

/// Decimals to which a tester converts the metric nominal where it shows inches: `.0315 in` is 0.8 mm (common practice, no
/// source).
const SHOWN_DECIMALS: std::ops::RangeInclusive<u32> = 3..=6;

/// The metric nominal in mm that a cutoff of exactly `micrometres` stands for: its own, that of the inch form, or the one
/// that gives it when converted to inches and rounded to 3 to 6 decimals; `None` where the length is none of the series.
/// Nothing is rounded to the nearest row.
pub fn nominal_cutoff_mm(micrometres: Decimal) -> Option<Decimal> {
    let is_shown = |row: &Cutoff| {
        let inches = row.millimetres * MILLIMETRE_UM / INCH_UM;
        let shown = |decimals| inches.round_dp_with_strategy(decimals, RoundingStrategy::MidpointAwayFromZero);
        SHOWN_DECIMALS.map(shown).any(|shown| shown * INCH_UM == micrometres)
    };
    let stands_for = |row: &&Cutoff| {
        row.millimetres * MILLIMETRE_UM == micrometres || row.inches * INCH_UM == micrometres || is_shown(row)
    };
    CUTOFFS.iter().find(stands_for).map(|row| row.millimetres)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of ISO 4288:1996 (partly from memory) and ASME B46.1 (from memory): micrometres, nominal in mm.
    #[test]
    fn metric_and_inch_forms_name_one_setting() {
        for (micrometres, nominal) in [
            (dec!(80), "0.08"),
            (dec!(76.2), "0.08"),
            (dec!(250), "0.25"),
            (dec!(254), "0.25"),
            (dec!(800.00), "0.8"),
            (dec!(762.000), "0.8"),
            (dec!(2500), "2.5"),
            (dec!(2540), "2.5"),
            (dec!(8000), "8"),
            (dec!(7620), "8"),
            // .0315, .031, .031496 and .0984 in, .315 in.
            (dec!(800.1), "0.8"),
            (dec!(787.4), "0.8"),
            (dec!(799.9984), "0.8"),
            (dec!(2499.36), "2.5"),
            (dec!(8001), "8"),
        ] {
            let found = nominal_cutoff_mm(micrometres).map(|nominal| nominal.to_string());
            assert_eq!(found.as_deref(), Some(nominal), "{micrometres} µm");
        }
    }

    #[test]
    fn a_length_outside_the_series_has_no_nominal() {
        for micrometres in [dec!(0), dec!(500), dec!(799.9), dec!(0.8), dec!(20000)] {
            assert_eq!(nominal_cutoff_mm(micrometres), None, "{micrometres} µm");
        }
    }
}
