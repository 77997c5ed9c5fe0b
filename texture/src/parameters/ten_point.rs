//! Heights of several peaks and valleys in one section.

use super::elements::extremes;

/// A ten-point height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TenPoint {
    /// In µm.
    pub height: f64,
    /// Peaks and valleys it is of, five where it is complete.
    pub of: usize,
}

/// Mean of the five highest peaks minus mean of the five deepest valleys of a section, each the extreme between two crossings
/// of the mean line: RzJIS of JIS B 0601:2001, Rz of JIS B 0601:1994 (unconfirmed reading). Of fewer where there are no five.
pub fn ten_point(z: &[f64]) -> Option<TenPoint> {
    let (mut peaks, mut valleys) = extremes(z);
    peaks.sort_unstable_by(|a, b| b.total_cmp(a));
    valleys.sort_unstable_by(f64::total_cmp);
    let of = 5.min(peaks.len()).min(valleys.len());
    let mean = |values: &[f64]| values.iter().take(of).sum::<f64>() / of as f64;
    (of > 0).then(|| TenPoint { height: mean(&peaks) - mean(&valleys), of })
}

/// Third highest peak to third deepest valley of a section in µm: R3z of works standards (common practice, no source).
pub fn third(z: &[f64]) -> Option<f64> {
    let (mut peaks, mut valleys) = extremes(z);
    peaks.sort_unstable_by(|a, b| b.total_cmp(a));
    valleys.sort_unstable_by(f64::total_cmp);
    Some(peaks.get(2)? - valleys.get(2)?)
}
