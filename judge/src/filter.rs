//! Which profile filter a spelling means: instruments, drawings and registers write one filter in many ways.

/// A profile filter, whatever it is written as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Filter {
    /// Linear Gaussian, 50 % at the cutoff: ISO 16610-21, before it ISO 11562.
    Gaussian,
    /// Gaussian regression of second order: ISO 16610-31 (from memory).
    GaussianSecondOrder,
    /// Robust Gaussian regression: ISO 16610-31 (from memory).
    GaussianRobust,
    /// Two RC circuits in a row, 75 % at the cutoff, shifts phase: ISO 3274:1975 (from memory).
    TwoRc,
    /// The same transmission without the shift of phase (from memory).
    TwoRcPhaseCorrect,
    /// Gaussian applied twice with the valleys cut: ISO 13565-1 (from memory).
    GaussianDouble,
    /// No filter.
    None,
}

/// Spellings, small letters and digits only: blanks, points, dashes and brackets are dropped before looking up.
/// Common practice, no source; what is not here is compared to the letter, and a difference is then a difference.
const SPELLINGS: &[(Filter, &[&str])] = &[
    (
        Filter::Gaussian,
        &["gauss", "gaussian", "gauß", "gaussfilter", "gaußfilter", "gaussianfilter", "iso11562", "iso1661021"],
    ),
    (Filter::GaussianSecondOrder, &["gaussian2", "gauss2", "gaussianorder2", "gaussiansecondorder"]),
    (
        Filter::GaussianRobust,
        &["gaussianrobust", "robustgaussian", "gaussrobust", "robustgauss", "rgauss", "iso1661031"],
    ),
    (Filter::TwoRc, &["2rc", "2cr", "rc2", "2xrc", "2rc75", "2cr75", "rc", "2rcfilter", "2crfilter"]),
    (Filter::TwoRcPhaseCorrect, &["2rcpc", "2crpc", "2rcpc75", "2crpc75", "2rcphasecorrect", "2rcphasecorrected"]),
    (Filter::GaussianDouble, &["iso135651", "din4776", "doublegauss", "doublegaussian", "gaussiandouble"]),
    (Filter::None, &["none", "off", "unfiltered", "nofilter", "keiner", "ohne"]),
];

impl Filter {
    /// What a spelling means; `None` where the table doesn't know it.
    pub fn parse(text: &str) -> Option<Filter> {
        let plain = plain(text);
        SPELLINGS.iter().find(|(_, spellings)| spellings.contains(&plain.as_str())).map(|(filter, _)| *filter)
    }
}

/// Whether two spellings mean the same filter.
pub(crate) fn same_filter(first: &str, second: &str) -> bool {
    match (Filter::parse(first), Filter::parse(second)) {
        (Some(first), Some(second)) => first == second,
        (None, None) => plain(first) == plain(second),
        _ => false,
    }
}

/// Letters and digits of a text, small: what is left of a spelling without the typing.
pub(crate) fn plain(text: &str) -> String {
    text.chars().filter(|letter| letter.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_of_one_filter_agree() {
        for (first, second, same) in [
            ("GAUSS", "gaussian", true),
            ("Gauß", "gauss", true),
            ("2RC", "2-rc", true),
            ("2 CR 75", "2RC", true),
            ("2CR-PC75", "2RC", false),
            ("gauss", "2RC", false),
            ("gaussian-robust", "gaussian", false),
            ("gaussian-2", "gaussian", false),
            ("spline", "SPLINE", true),
            ("spline", "gauss", false),
        ] {
            assert_eq!(same_filter(first, second), same, "{first} and {second}");
        }
    }

    #[test]
    fn no_spelling_stands_for_two_filters() {
        let mut spellings: Vec<_> = SPELLINGS.iter().flat_map(|(_, spellings)| spellings.iter()).collect();
        let count = spellings.len();
        spellings.sort_unstable();
        spellings.dedup();
        assert_eq!(spellings.len(), count);
        assert!(spellings.iter().all(|spelling| plain(spelling) == **spelling), "the table is written plainly");
    }
}
