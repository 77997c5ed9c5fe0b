//! Profile filters: what belongs to the surface's longer waves.
//!
//! Every function here takes heights and a step in mm and gives back the long-wave part, of the same length. Near the ends
//! the weights that fall on the profile are taken and made to sum to one: nothing is padded. What lies there is not right
//! all the same, so that an evaluation needs travel before and behind (ISO 16610-21, from memory).

use realfft::RealFftPlanner;

mod regression;

pub use regression::{Order, regression};

/// The median; 0 of nothing.
pub(crate) fn median_of(values: &[f64]) -> f64 {
    regression::median(values.to_vec())
}

/// `sqrt(ln 2 / pi)`: half of a wave's amplitude passes at the cutoff (ISO 16610-21 3.3, formula from memory).
pub const ALPHA: f64 = 0.469_718_639_349_825_4;

/// Half width of the Gaussian's weights in cutoffs. Outside of one cutoff lie 1e-7 of them.
pub const HALF_WIDTH: f64 = 1.0;

/// Weights up to so many are applied one by one: for longer ones the transform is faster.
const DIRECT: usize = 48;

/// The mean line of the Gaussian filter with cutoff `cutoff` mm (ISO 16610-21; from memory, its transmission by closed form).
pub fn gaussian(heights: &[f64], step: f64, cutoff: f64, half_width: f64) -> Vec<f64> {
    let weights = weights(step, cutoff, half_width, ALPHA, |_| 1.0);
    let sums = convolved(heights, &weights);
    // What of the weights falls on the profile.
    let mut up_to: Vec<f64> = weights
        .iter()
        .scan(0.0, |sum, weight| {
            *sum += weight;
            Some(*sum)
        })
        .collect();
    up_to.insert(0, 0.0);
    let (reach, count) = (weights.len() / 2, heights.len());
    let share = |at: usize| {
        let (left, right) = (reach.min(at), reach.min(count - 1 - at));
        up_to[reach + right + 1] - up_to[reach - left]
    };
    sums.into_iter().enumerate().map(|(at, sum)| sum / share(at)).collect()
}

/// Weights of a Gaussian with the constant `constant`, times `factor` of the distance in cutoffs; summed to one where the
/// factor is one.
fn weights(step: f64, cutoff: f64, half_width: f64, constant: f64, factor: impl Fn(f64) -> f64) -> Vec<f64> {
    let reach = (half_width * cutoff / step + 1e-9).floor() as i64;
    let at = |index: i64| index as f64 * step / cutoff;
    let bell = |index: i64| (-std::f64::consts::PI * (at(index) / constant).powi(2)).exp();
    let sum: f64 = (-reach..=reach).map(bell).sum();
    (-reach..=reach).map(|index| bell(index) * factor(at(index)) / sum).collect()
}

/// `heights` under `weights`, whose middle stands over each height in turn; what lies beyond the ends counts nothing.
/// The transform differs from the sum by less than 1e-12 of the largest height (tested).
pub(crate) fn convolved(heights: &[f64], weights: &[f64]) -> Vec<f64> {
    let reach = weights.len() / 2;
    if weights.len() <= DIRECT || heights.len() <= DIRECT {
        return direct(heights, weights);
    }
    let size = (heights.len() + reach).next_power_of_two().max(2);
    let size = [size / 4 * 3, size].into_iter().find(|size| *size >= heights.len() + reach).unwrap_or(size);
    // Weights that are longer than the transform can't be wrapped around.
    if weights.len() > size {
        return direct(heights, weights);
    }
    transformed(heights, weights, size).unwrap_or_else(|| direct(heights, weights))
}

fn transformed(heights: &[f64], weights: &[f64], size: usize) -> Option<Vec<f64>> {
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, backward) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let reach = weights.len() / 2;
    let mut buffer = vec![0.0; size];
    buffer[..heights.len()].copy_from_slice(heights);
    let mut waves = forward.make_output_vec();
    forward.process(&mut buffer, &mut waves).ok()?;
    // The middle of the weights lies at the start, their left half behind the end.
    buffer.fill(0.0);
    for (at, weight) in weights.iter().enumerate() {
        // The sum runs over heights to the left and right: mirrored weights.
        buffer[(reach + size - at) % size] += weight;
    }
    let mut kernel = forward.make_output_vec();
    forward.process(&mut buffer, &mut kernel).ok()?;
    for (wave, factor) in waves.iter_mut().zip(&kernel) {
        *wave *= factor;
    }
    backward.process(&mut waves, &mut buffer).ok()?;
    buffer.truncate(heights.len());
    let scale = 1.0 / size as f64;
    buffer.iter_mut().for_each(|height| *height *= scale);
    Some(buffer)
}

fn direct(heights: &[f64], weights: &[f64]) -> Vec<f64> {
    let reach = weights.len() / 2;
    (0..heights.len())
        .map(|at| {
            let from = at.saturating_sub(reach);
            let to = (at + reach + 1).min(heights.len());
            let first = from + reach - at;
            heights[from..to].iter().zip(&weights[first..]).map(|(height, weight)| height * weight).sum()
        })
        .collect()
}

/// What passes the Gaussian's long-wave side of a sine of wavelength `wave` (both in mm): closed form of ISO 16610-21.
pub fn gaussian_transmission(wave: f64, cutoff: f64) -> f64 {
    (-std::f64::consts::PI * (ALPHA * cutoff / wave).powi(2)).exp()
}

/// The roughness side of the 2RC filter of older instruments, 75 % at the cutoff, with its shift of phase (ISO 3274:1975,
/// from memory; transmission checked by closed form). Weights look back only; before its start the trace is taken to go on
/// level, and so two cutoffs of run-up are needed.
pub fn two_rc(heights: &[f64], step: f64, cutoff: f64) -> Vec<f64> {
    /// Weights beyond so many cutoffs count nothing.
    const MEMORY: f64 = 6.0;
    let a = 2.0 * std::f64::consts::PI / 3.0_f64.sqrt();
    let reach = (MEMORY * cutoff / step) as usize;
    let weight = |index: usize| {
        let x = index as f64 * step / cutoff;
        a * (2.0 - a * x) * (-a * x).exp() * step / cutoff * if index == 0 { 0.5 } else { 1.0 }
    };
    let mut weights: Vec<f64> = (0..=reach).map(weight).collect();
    let sum: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|weight| *weight /= sum);
    let Some(first) = heights.first() else { return Vec::new() };
    let mut run_up = vec![*first; reach];
    run_up.extend_from_slice(heights);
    // Mirrored to the left half of weights that look both ways.
    let mut both = vec![0.0; 2 * reach + 1];
    for (index, weight) in weights.iter().enumerate() {
        both[reach - index] = *weight;
    }
    let line = convolved(&run_up, &both);
    heights.iter().zip(&line[reach..]).map(|(height, line)| height - line).collect()
}
