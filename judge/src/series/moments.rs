//! Mean and spread of values that come one after the other, in one pass and without the cancellation of sums of squares.

use super::{finite, ratio};

/// Count, mean, spread and extremes of values seen so far, by Welford's updates (B. P. Welford, Technometrics 4, 1962).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moments {
    count: u64,
    mean: f64,
    squares: f64,
    extremes: Option<(f64, f64)>,
}

impl Moments {
    /// Takes a value in. Infinities and what is no number are the caller's fault and make every answer `None`.
    pub fn push(&mut self, value: f64) {
        self.count += 1;
        let off = value - self.mean;
        self.mean += off / self.count as f64;
        self.squares += off * (value - self.mean);
        let (least, most) = self.extremes.unwrap_or((value, value));
        self.extremes = Some((least.min(value), most.max(value)));
    }

    /// How many values.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Their mean; none of no value.
    pub fn mean(&self) -> Option<f64> {
        if self.count == 0 { None } else { finite(self.mean) }
    }

    /// Sum of squared distances from the mean.
    pub fn sum_of_squares(&self) -> f64 {
        self.squares
    }

    /// Standard deviation with n - 1; none of fewer than two values.
    pub fn s(&self) -> Option<f64> {
        let variance = ratio(self.squares, self.count.saturating_sub(1) as f64)?;
        finite(variance.sqrt())
    }

    /// Least value.
    pub fn least(&self) -> Option<f64> {
        finite(self.extremes?.0)
    }

    /// Greatest value.
    pub fn most(&self) -> Option<f64> {
        finite(self.extremes?.1)
    }

    /// Greatest less least.
    pub fn range(&self) -> Option<f64> {
        finite(self.most()? - self.least()?)
    }
}

impl FromIterator<f64> for Moments {
    fn from_iter<I: IntoIterator<Item = f64>>(values: I) -> Self {
        let mut moments = Moments::default();
        values.into_iter().for_each(|value| moments.push(value));
        moments
    }
}

/// Autocorrelation at lag 1: how much a value tells of the next one. None where all are equal.
pub fn lag_1(values: &[f64]) -> Option<f64> {
    let moments: Moments = values.iter().copied().collect();
    let mean = moments.mean()?;
    let along: f64 = values.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    ratio(along, moments.sum_of_squares())
}
