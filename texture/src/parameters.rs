//! Parameters of a profile: plain functions of heights in µm that are measured from the mean line. The mean of a section is
//! not taken off again (ISO 4287 3.1, from memory).

mod elements;
mod ratio;
mod ten_point;

pub use elements::{Elements, elements, elements_two_way};
pub use ratio::{Core, core, height_at, material_ratio};
pub use ten_point::{TenPoint, ten_point, third};

/// Arithmetical mean deviation in µm: ISO 4287 4.2.1 (from memory).
pub fn mean_deviation(z: &[f64]) -> f64 {
    z.iter().map(|z| z.abs()).sum::<f64>() / z.len() as f64
}

/// Mean of a power of the heights.
fn moment(z: &[f64], power: i32) -> f64 {
    z.iter().map(|z| z.powi(power)).sum::<f64>() / z.len() as f64
}

/// Root mean square deviation in µm: ISO 4287 4.2.2 (from memory).
pub fn root_mean_square(z: &[f64]) -> f64 {
    moment(z, 2).sqrt()
}

/// Skewness: ISO 4287 4.2.3 (from memory). `None` for a level profile.
pub fn skewness(z: &[f64]) -> Option<f64> {
    let q = root_mean_square(z);
    (q > 0.0).then(|| moment(z, 3) / q.powi(3))
}

/// Kurtosis, 3 for a normal distribution: ISO 4287 4.2.4 (from memory). `None` for a level profile.
pub fn kurtosis(z: &[f64]) -> Option<f64> {
    let q = root_mean_square(z);
    (q > 0.0).then(|| moment(z, 4) / q.powi(4))
}

/// The highest peak over the mean line in µm: ISO 4287 4.1.1 (from memory).
pub fn peak(z: &[f64]) -> f64 {
    z.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// The deepest valley under the mean line in µm: ISO 4287 4.1.2 (from memory).
pub fn valley(z: &[f64]) -> f64 {
    -z.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Highest peak and deepest valley together in µm: ISO 4287 4.1.3 and 4.1.5 (from memory).
pub fn height(z: &[f64]) -> f64 {
    peak(z) + valley(z)
}

/// The largest height in a window of `points` that slides along the profile, in µm: Rzx of ISO 21920-2 (unconfirmed reading).
pub fn sliding_height(z: &[f64], points: usize) -> f64 {
    if points >= z.len() || points == 0 {
        return height(z);
    }
    let (mut high, mut low) = (Sliding::default(), Sliding::default());
    let mut largest: f64 = 0.0;
    for (at, z) in z.iter().enumerate() {
        high.push(at, *z, points);
        low.push(at, -*z, points);
        if at + 1 >= points {
            largest = largest.max(high.largest() + low.largest());
        }
    }
    largest
}

/// The largest value in a sliding window, each value looked at twice at most.
#[derive(Default)]
struct Sliding(std::collections::VecDeque<(usize, f64)>);

impl Sliding {
    fn push(&mut self, at: usize, value: f64, points: usize) {
        while self.0.back().is_some_and(|(_, last)| *last <= value) {
            self.0.pop_back();
        }
        self.0.push_back((at, value));
        while self.0.front().is_some_and(|(first, _)| first + points <= at) {
            self.0.pop_front();
        }
    }

    fn largest(&self) -> f64 {
        self.0.front().map_or(f64::NEG_INFINITY, |(_, value)| *value)
    }
}

/// Root mean square of the local slope by seven points, three at each end left out: ISO 4287 4.4.1 and 3.2.9 (from memory).
/// Heights in µm, `step` in mm. `None` with fewer than seven points.
pub fn root_mean_square_slope(z: &[f64], step: f64) -> Option<f64> {
    let scale = 60.0 * step * 1e3;
    let slope = |z: &[f64]| match z {
        [a, b, c, _, e, f, g] => (g - 9.0 * f + 45.0 * e - 45.0 * c + 9.0 * b - a) / scale,
        _ => 0.0,
    };
    let count = z.len().checked_sub(6).filter(|count| *count > 0)?;
    Some((z.windows(7).map(|z| slope(z).powi(2)).sum::<f64>() / count as f64).sqrt())
}
