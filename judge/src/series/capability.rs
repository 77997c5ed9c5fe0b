//! Whether a process or a gauge is good enough for a tolerance, with how well that is known.
//!
//! Formulas: NIST/SEMATECH e-Handbook 6.1.6 and ISO 22514-2, both from memory; the numbers of the tests name their sources.

use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};

use super::{Moments, finite, ratio};

/// The limits of a characteristic; one may be missing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tolerance {
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

impl Tolerance {
    /// Both limits; none where one is missing or they are out of order.
    fn both(&self) -> Option<(f64, f64)> {
        let (lower, upper) = (self.lower?, self.upper?);
        (lower < upper).then_some((lower, upper))
    }

    /// Whether there are two limits and they leave nothing between them.
    fn is_empty(&self) -> bool {
        self.lower.is_some() && self.upper.is_some() && self.both().is_none()
    }

    /// Width between both limits.
    pub fn width(&self) -> Option<f64> {
        self.both().map(|(lower, upper)| upper - lower)
    }
}

/// Indices of a process. With `s` within subgroups these are Cp and Cpk, with the overall `s` Pp and Ppk.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Capability {
    /// Width of the tolerance by six s; none with one limit.
    pub potential: Option<f64>,
    /// Towards the lower limit; none without one.
    pub lower: Option<f64>,
    /// Towards the upper limit; none without one.
    pub upper: Option<f64>,
    /// The lesser of the two that there are.
    pub worst: Option<f64>,
    /// Distance of the mean from the middle of the tolerance, in halves of its width.
    pub off_centre: Option<f64>,
}

impl Capability {
    /// From mean, standard deviation and limits. Empty where `s` is not above zero or the limits are out of order.
    pub fn of(mean: f64, s: f64, tolerance: &Tolerance) -> Capability {
        if tolerance.is_empty() || !s.is_finite() || s <= 0.0 {
            return Capability::default();
        }
        let lower = tolerance.lower.and_then(|limit| ratio(mean - limit, 3.0 * s));
        let upper = tolerance.upper.and_then(|limit| ratio(limit - mean, 3.0 * s));
        let off = |(lower, upper): (f64, f64)| ratio((mean - (lower + upper) / 2.0).abs(), (upper - lower) / 2.0);
        Capability {
            potential: tolerance.width().and_then(|width| ratio(width, 6.0 * s)),
            lower,
            upper,
            worst: lesser(lower, upper),
            off_centre: tolerance.both().and_then(off),
        }
    }
}

fn lesser(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (one, other) => one.or(other),
    }
}

/// Between what bounds an index lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Lower bound.
    pub lower: f64,
    /// Upper bound.
    pub upper: f64,
}

/// Two-sided interval of Cp (or Pp) of `n` values by the chi-square distribution. `confidence` lies between 0 and 1.
pub fn cp_interval(cp: f64, n: u64, confidence: f64) -> Option<Interval> {
    let freedom = within(n, confidence)?;
    let chi = ChiSquared::new(freedom).ok()?;
    let bound = |p: f64| finite(cp * (quantile(&chi, freedom, p) / freedom).sqrt());
    Some(Interval { lower: bound((1.0 - confidence) / 2.0)?, upper: bound((1.0 + confidence) / 2.0)? })
}

/// Degrees of freedom from which on an approximation is good to eight digits.
const FREEDOM_MANY: f64 = 10_000.0;

/// A quantile of the chi-square distribution. The library's own inverse and density fail from some 300 degrees of freedom on
/// (found by holding them against scipy), its distribution function does not: so that is bisected. Very many go by the
/// approximation of E. B. Wilson and M. M. Hilferty, 1931.
fn quantile(chi: &ChiSquared, freedom: f64, p: f64) -> f64 {
    let share = 2.0 / (9.0 * freedom);
    let near = freedom * (1.0 - share + Normal::standard().inverse_cdf(p) * share.sqrt()).max(0.0).powi(3);
    if freedom > FREEDOM_MANY {
        return near;
    }
    let (mut low, mut high) = (0.0, 2.0 * near + 10.0);
    while chi.cdf(high) < p {
        high *= 2.0;
    }
    for _ in 0..80 {
        let middle = low + (high - low) / 2.0;
        if chi.cdf(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Two-sided interval of Cpk (or Ppk) of `n` values by the usual normal approximation:
/// Cpk ± z sqrt(1/(9n) + Cpk²/(2(n-1))).
pub fn cpk_interval(cpk: f64, n: u64, confidence: f64) -> Option<Interval> {
    let freedom = within(n, confidence)?;
    let z = Normal::standard().inverse_cdf((1.0 + confidence) / 2.0);
    let reach = finite(z * (1.0 / (9.0 * n as f64) + cpk * cpk / (2.0 * freedom)).sqrt())?;
    Some(Interval { lower: finite(cpk - reach)?, upper: cpk + reach })
}

fn within(n: u64, confidence: f64) -> Option<f64> {
    (n >= 2 && confidence > 0.0 && confidence < 1.0).then(|| (n - 1) as f64)
}

/// Share of a normal distribution below three sigma.
const THREE_SIGMA: f64 = 0.998_65;

/// The values that 0.135 %, 50 % and 99.865 % lie below.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantiles {
    /// Below it lie 0.135 %.
    pub low: f64,
    /// Below it lies half.
    pub middle: f64,
    /// Below it lie 99.865 %.
    pub high: f64,
}

/// Quantiles of a lognormal distribution whose logarithms have this mean and this standard deviation: for quantities with
/// a natural zero, whose values crowd above it (roughness).
pub fn lognormal_quantiles(mean_of_logs: f64, s_of_logs: f64) -> Option<Quantiles> {
    let reach = Normal::standard().inverse_cdf(THREE_SIGMA) * s_of_logs;
    let value = |log: f64| finite(log.exp());
    Some(Quantiles {
        low: value(mean_of_logs - reach)?,
        middle: value(mean_of_logs)?,
        high: value(mean_of_logs + reach)?,
    })
}

/// Indices of a skewed quantity by its quantiles (the quantile method of ISO 22514-2, from memory): Pp and Ppk.
pub fn by_quantiles(quantiles: &Quantiles, tolerance: &Tolerance) -> Capability {
    let Quantiles { low, middle, high } = *quantiles;
    if tolerance.is_empty() {
        return Capability::default();
    }
    let lower = tolerance.lower.and_then(|limit| ratio(middle - limit, middle - low));
    let upper = tolerance.upper.and_then(|limit| ratio(limit - middle, high - middle));
    let potential = tolerance.width().and_then(|width| ratio(width, high - low));
    Capability { potential, lower, upper, worst: lesser(lower, upper), off_centre: None }
}

/// What repeated readings of one specimen say of a gauge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SingleGauge {
    /// Mean less reference.
    pub bias: f64,
    /// Standard deviation of the readings.
    pub s: f64,
    /// A fifth of the tolerance by six s.
    pub cg: Option<f64>,
    /// A tenth of the tolerance less the bias, by three s.
    pub cgk: Option<f64>,
}

/// Cg and Cgk from readings of one reference (formulas from memory: a fifth of the tolerance and six s; other books take
/// four s or another share, so say which you use). None of fewer than two readings; indices only where they differ and
/// the tolerance has a width.
pub fn single_gauge(readings: &Moments, reference: f64, tolerance_width: f64) -> Option<SingleGauge> {
    let (mean, s) = (readings.mean()?, readings.s()?);
    let bias = finite(mean - reference)?;
    let width = finite(tolerance_width).filter(|width| *width > 0.0);
    let cg = width.and_then(|width| ratio(0.2 * width, 6.0 * s));
    let cgk = width.and_then(|width| ratio(0.1 * width - bias.abs(), 3.0 * s));
    Some(SingleGauge { bias, s, cg, cgk })
}
