//! The constants of control charts, computed from what they mean: the range and the standard deviation of n values of a
//! normal distribution.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};
use statrs::function::gamma::ln_gamma;

/// Values in a subgroup at most.
pub const SUBGROUP_MAX: usize = 25;

/// Constants for subgroups of n values. Names as in ISO 7870-2 and ASTM MNL 7 (from memory).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Constants {
    /// Values in a subgroup.
    pub n: usize,
    /// Mean of the range, in sigma.
    pub d2: f64,
    /// Standard deviation of the range, in sigma.
    pub d3: f64,
    /// Mean of the standard deviation, in sigma.
    pub c4: f64,
}

impl Constants {
    /// For subgroups of `n` values, 2 to [`SUBGROUP_MAX`]; none for others.
    pub fn of(n: usize) -> Option<Constants> {
        if !(2..=SUBGROUP_MAX).contains(&n) {
            return None;
        }
        let (d2, d3) = range_of_normal(n);
        let n_f = n as f64;
        let c4 = (2.0 / (n_f - 1.0)).sqrt() * (ln_gamma(n_f / 2.0) - ln_gamma((n_f - 1.0) / 2.0)).exp();
        Some(Constants { n, d2, d3, c4 })
    }

    /// Control limits of means, in mean ranges from the centre.
    pub fn a2(&self) -> f64 {
        3.0 / (self.d2 * (self.n as f64).sqrt())
    }

    /// Control limits of means, in mean standard deviations from the centre.
    pub fn a3(&self) -> f64 {
        3.0 / (self.c4 * (self.n as f64).sqrt())
    }

    /// Lower limit of standard deviations, in their mean; not below zero.
    pub fn b3(&self) -> f64 {
        (1.0 - self.spread_of_s()).max(0.0)
    }

    /// Upper limit of standard deviations, in their mean.
    pub fn b4(&self) -> f64 {
        1.0 + self.spread_of_s()
    }

    /// Lower limit of ranges, in their mean; not below zero.
    pub fn lower_d3(&self) -> f64 {
        (1.0 - 3.0 * self.d3 / self.d2).max(0.0)
    }

    /// Upper limit of ranges, in their mean.
    pub fn upper_d4(&self) -> f64 {
        1.0 + 3.0 * self.d3 / self.d2
    }

    /// Mean of the range of a *single* subgroup taken as a root mean square, in sigma: what gauge studies divide a single
    /// range by (from memory of the common practice).
    pub fn d2_single(&self) -> f64 {
        self.d2.hypot(self.d3)
    }

    fn spread_of_s(&self) -> f64 {
        3.0 * (1.0 - self.c4 * self.c4).sqrt() / self.c4
    }
}

/// Steps of a sigma that the integrals go by; 1/32 is exact in binary.
const STEPS: usize = 32;
/// Sigmas on both sides of the centre; beyond lies less than 1e-18 of 25 values.
const REACH: usize = 10;

/// Mean and standard deviation of the range of `n` values of the standard normal distribution. The range W has
/// P(W <= w) = n ∫ φ(x) (Φ(x + w) - Φ(x))^(n-1) dx; its moments are integrals of what is above. The inner integrand dies
/// out smoothly on both sides, so plain sums are exact far beyond what is used; the outer one is Simpson's.
fn range_of_normal(n: usize) -> (f64, f64) {
    let normal = Normal::standard();
    let step = 1.0 / STEPS as f64;
    let points = 2 * REACH * STEPS;
    let at = |index: usize| index as f64 * step - REACH as f64;
    let density: Vec<f64> = (0..=points).map(|index| normal.pdf(at(index))).collect();
    let below: Vec<f64> = (0..=points).map(|index| normal.cdf(at(index))).collect();
    let power = i32::try_from(n - 1).unwrap_or(i32::MAX);
    let exceeding = |w: usize| {
        let sum: f64 =
            (0..=points).map(|x| density[x] * (below.get(x + w).copied().unwrap_or(1.0) - below[x]).powi(power)).sum();
        1.0 - n as f64 * sum * step
    };
    let (mut mean, mut square) = (0.0, 0.0);
    for w in 0..=points {
        let weight = match w {
            _ if w == 0 || w == points => 1.0,
            _ if w % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let share = weight * exceeding(w) * step / 3.0;
        mean += share;
        square += 2.0 * w as f64 * step * share;
    }
    (mean, (square - mean * mean).sqrt())
}
