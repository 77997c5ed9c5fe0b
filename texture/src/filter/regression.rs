//! Gaussian regression filters: no loss at the ends, form is followed (order 2), grooves don't pull the line (robust).
//! ISO 16610-31, from memory; constants by closed form.

use super::{ALPHA, convolved, weights};

/// Order of the polynomial that is fitted under the weights.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// A level.
    Zero,
    /// A parabola.
    Two,
}

/// `sqrt(u / pi)` with `(1 + u) exp(-u) = 1/2`: half of a wave passes at the cutoff of the filter of order 2.
const GAMMA: f64 = 0.730_913_443_4;

/// Ordinates beyond so many medians of the residues count nothing (Tukey's weights).
const TUKEY: f64 = 4.4478;

/// Change of that bound from one round to the next at which the rounds end, and their number at most.
const SETTLED: f64 = 1e-4;
const ROUNDS: usize = 60;

/// The mean line of the regression filter; `robust` with Tukey's weights in rounds.
pub fn regression(heights: &[f64], step: f64, cutoff: f64, order: Order, robust: bool) -> Vec<f64> {
    let (constant, half_width) = match order {
        Order::Zero => (ALPHA, 1.0),
        Order::Two => (GAMMA, 2.0),
    };
    let moments = if order == Order::Zero { 1 } else { 5 };
    let kernels: Vec<Vec<f64>> =
        (0..moments).map(|power| weights(step, cutoff, half_width, constant, |x| x.powi(power))).collect();
    let mut trust = vec![1.0; heights.len()];
    let mut bound = None;
    for round in 0..ROUNDS {
        let line = match order {
            Order::Zero => level(heights, &trust, &kernels[0]),
            Order::Two => parabola(heights, &trust, &kernels),
        };
        if !robust {
            return line;
        }
        let residues: Vec<f64> = heights.iter().zip(&line).map(|(height, line)| height - line).collect();
        let now = TUKEY * median(residues.iter().map(|residue| residue.abs()).collect());
        let settled = bound.is_some_and(|before: f64| (now - before).abs() <= SETTLED * before.max(1e-300));
        if settled || round + 1 == ROUNDS {
            return line;
        }
        bound = Some(now);
        for (trust, residue) in trust.iter_mut().zip(&residues) {
            let share = if now > 0.0 { residue / now } else { 0.0 };
            *trust = if share.abs() < 1.0 { (1.0 - share * share).powi(2) } else { 0.0 };
        }
    }
    heights.to_vec()
}

fn level(heights: &[f64], trust: &[f64], kernel: &[f64]) -> Vec<f64> {
    let trusted: Vec<f64> = heights.iter().zip(trust).map(|(height, trust)| height * trust).collect();
    let (sums, shares) = (convolved(&trusted, kernel), convolved(trust, kernel));
    sums.into_iter().zip(shares).map(|(sum, share)| sum / share).collect()
}

/// The parabola's height in the middle of its weights, from the normal equations in the distance in cutoffs.
fn parabola(heights: &[f64], trust: &[f64], kernels: &[Vec<f64>]) -> Vec<f64> {
    let trusted: Vec<f64> = heights.iter().zip(trust).map(|(height, trust)| height * trust).collect();
    let m: Vec<Vec<f64>> = kernels.iter().map(|kernel| convolved(trust, kernel)).collect();
    let b: Vec<Vec<f64>> = kernels.iter().take(3).map(|kernel| convolved(&trusted, kernel)).collect();
    (0..heights.len())
        .map(|at| {
            let [m0, m1, m2, m3, m4] = [0, 1, 2, 3, 4].map(|power: usize| m[power][at]);
            let [b0, b1, b2] = [0, 1, 2].map(|power: usize| b[power][at]);
            let (c0, c1, c2) = (m2 * m4 - m3 * m3, m1 * m4 - m2 * m3, m1 * m3 - m2 * m2);
            let determinant = m0 * c0 - m1 * c1 + m2 * c2;
            (b0 * c0 - b1 * c1 + b2 * c2) / determinant
        })
        .collect()
}

/// The median; the mean of the two in the middle.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    let half = values.len() / 2;
    if values.is_empty() {
        return 0.0;
    }
    let even = values.len().is_multiple_of(2);
    let (low, middle, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let middle = *middle;
    match low.iter().copied().max_by(f64::total_cmp).filter(|_| even) {
        Some(below) => (below + middle) / 2.0,
        None => middle,
    }
}
