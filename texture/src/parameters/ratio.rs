//! Material ratio: how much of the length is material at a height, and the parameters of that curve.

/// Share of the length at or above `height` µm over the mean line, in percent, of the profile joined by straight lines:
/// Rmr(c) of ISO 4287 4.5.1 (from memory).
pub fn material_ratio(z: &[f64], height: f64) -> f64 {
    let share = |pair: &[f64]| {
        let [a, b] = pair else { return 0.0 };
        let (low, high) = (a.min(*b), a.max(*b));
        if low >= height {
            1.0
        } else if high < height {
            0.0
        } else {
            (high - height) / if high > low { high - low } else { 1.0 }
        }
    };
    100.0 * z.windows(2).map(share).sum::<f64>() / z.len().saturating_sub(1).max(1) as f64
}

/// Height in µm at a material ratio in percent, on the curve of points that `falling` heights make; ends are held.
pub fn height_at(falling: &[f64], percent: f64) -> f64 {
    let count = falling.len() as f64;
    let at = percent / 100.0 * count - 0.5;
    let first = falling.first().copied().unwrap_or_default();
    if at <= 0.0 {
        return first;
    }
    let below = at.floor() as usize;
    match (falling.get(below), falling.get(below + 1)) {
        (Some(a), Some(b)) => a + (b - a) * (at - at.floor()),
        _ => falling.last().copied().unwrap_or_default(),
    }
}

/// Parameters of the curve's core, ISO 13565-2 (from memory).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Core {
    /// Height of the core in µm (Rk).
    pub core: f64,
    /// Reduced peak height in µm (Rpk).
    pub peaks: f64,
    /// Reduced valley depth in µm (Rvk).
    pub valleys: f64,
    /// Smallest material ratio of the core in % (Mr1).
    pub from: f64,
    /// Largest material ratio of the core in % (Mr2).
    pub to: f64,
    /// Area of the peaks over the core in µm % (A1).
    pub peak_area: f64,
    /// Area of the valleys under the core in µm % (A2).
    pub valley_area: f64,
}

/// Windows whose fall differs by less than this share of the whole height are tied; then the first counts.
const TIE: f64 = 1e-9;

/// Core, peaks and valleys of `falling` heights: the window of 40 % that falls least, a least-squares line in it, met by the
/// curve at 0 % and 100 % (ISO 13565-2 4, from memory). `None` below ten heights.
pub fn core(falling: &[f64]) -> Option<Core> {
    let count = falling.len();
    if count < 10 {
        return None;
    }
    let width = (0.4 * count as f64).round() as usize;
    let falls = || falling.iter().zip(&falling[width..]).map(|(high, low)| high - low);
    let least = falls().fold(f64::INFINITY, f64::min);
    let whole = (falling[0] - falling[count - 1]).max(1e-300);
    let start = falls().position(|fall| fall <= least + TIE * whole)?;
    let ratio = |at: usize| (at as f64 + 0.5) / count as f64;
    let (slope, level) = line((start..=start + width).map(|at| (ratio(at), falling[at])));
    let (top, bottom) = (level, level + slope);
    let curve = Curve(falling);
    let (from, to) = (curve.meets(top), curve.meets(bottom));
    let peak_area = if from > 0.0 { curve.area(0.0, from, |z| (z - top).max(0.0)) } else { 0.0 };
    let valley_area = if to < 1.0 { curve.area(to, 1.0, |z| (bottom - z).max(0.0)) } else { 0.0 };
    Some(Core {
        core: top - bottom,
        peaks: if from > 0.0 { 2.0 * peak_area / from } else { 0.0 },
        valleys: if to < 1.0 { 2.0 * valley_area / (1.0 - to) } else { 0.0 },
        from: 100.0 * from,
        to: 100.0 * to,
        peak_area: 100.0 * peak_area,
        valley_area: 100.0 * valley_area,
    })
}

/// Slope and level at zero of the least-squares line.
fn line(points: impl Iterator<Item = (f64, f64)> + Clone) -> (f64, f64) {
    let count = points.clone().count() as f64;
    let (x, z) = points.clone().fold((0.0, 0.0), |(x, z), point| (x + point.0, z + point.1));
    let (x, z) = (x / count, z / count);
    let (xx, xz) =
        points.fold((0.0, 0.0), |(xx, xz), point| (xx + (point.0 - x).powi(2), xz + (point.0 - x) * (point.1 - z)));
    let slope = if xx > 0.0 { xz / xx } else { 0.0 };
    (slope, z - slope * x)
}

/// Falling heights at the middles of equal shares, closed with the extremes at 0 and 1.
struct Curve<'z>(&'z [f64]);

impl Curve<'_> {
    fn points(&self) -> usize {
        self.0.len() + 2
    }

    /// Ratio and height of a point, the extremes included.
    fn point(&self, at: usize) -> (f64, f64) {
        let count = self.0.len();
        match at {
            0 => (0.0, self.0[0]),
            at if at > count => (1.0, self.0[count - 1]),
            at => ((at as f64 - 0.5) / count as f64, self.0[at - 1]),
        }
    }

    /// The ratio at which the curve falls below `height`.
    fn meets(&self, height: f64) -> f64 {
        if height >= self.0[0] {
            return 0.0;
        }
        if height <= self.0[self.0.len() - 1] {
            return 1.0;
        }
        // The last point at or above the height.
        let above = self.0.partition_point(|z| *z >= height);
        let ((m0, z0), (m1, z1)) = (self.point(above), self.point(above + 1));
        m0 + (z0 - height) / (z0 - z1) * (m1 - m0)
    }

    fn height(&self, ratio: f64) -> f64 {
        let count = self.0.len();
        let at = ((ratio * count as f64 + 0.5).floor().max(0.0) as usize).min(count);
        let ((m0, z0), (m1, z1)) = (self.point(at), self.point(at + 1));
        if m1 > m0 { z0 + (z1 - z0) * ((ratio - m0) / (m1 - m0)) } else { z0 }
    }

    /// Area between two ratios of a function of the height, by trapezoids over the points between.
    fn area(&self, from: f64, to: f64, of: impl Fn(f64) -> f64) -> f64 {
        let mut before = (from, of(self.height(from)));
        let mut area = 0.0;
        let inner = (0..self.points()).map(|at| self.point(at)).filter(|(ratio, _)| *ratio > from && *ratio < to);
        for (ratio, height) in inner.chain([(to, self.height(to))]) {
            let now = (ratio, of(height));
            area += (now.0 - before.0) * (now.1 + before.1) / 2.0;
            before = now;
        }
        area
    }
}
