//! Analysis of variance of one factor.

use super::{Moments, ratio};

/// Spread between and within groups.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OneWay {
    /// Sum of squares between groups.
    pub between: f64,
    /// Its degrees of freedom.
    pub between_freedom: u64,
    /// Sum of squares within groups.
    pub within: f64,
    /// Its degrees of freedom.
    pub within_freedom: u64,
    /// Mean square between by mean square within; none where nothing differs within.
    pub f: Option<f64>,
    /// Standard deviation within groups.
    pub s_within: f64,
}

/// One factor's groups of values, of any sizes; none where there are fewer than two groups or no value to spare within.
/// Sums are taken of distances from means, never of squares of values.
pub fn one_way(groups: &[Vec<f64>]) -> Option<OneWay> {
    let each: Vec<Moments> =
        groups.iter().filter(|group| !group.is_empty()).map(|group| group.iter().copied().collect()).collect();
    let count: u64 = each.iter().map(Moments::count).sum();
    let (between_freedom, within_freedom) = (
        (each.len() as u64).checked_sub(1).filter(|n| *n > 0)?,
        count.checked_sub(each.len() as u64).filter(|n| *n > 0)?,
    );
    // The mean of all, as a sum of distances from the first group's mean: large values with small differences keep theirs.
    let first = each.first()?.mean()?;
    let shift: f64 = each.iter().filter_map(|group| Some(group.count() as f64 * (group.mean()? - first))).sum();
    let mean = first + shift / count as f64;
    let between =
        each.iter().filter_map(|group| Some(group.count() as f64 * (group.mean()? - mean).powi(2))).sum::<f64>();
    let within: f64 = each.iter().map(Moments::sum_of_squares).sum();
    let within_square = ratio(within, within_freedom as f64)?;
    let f = ratio(between / between_freedom as f64, within_square);
    Some(OneWay { between, between_freedom, within, within_freedom, f, s_within: within_square.sqrt() })
}
