//! Control charts: the centre and the limits that a series gives itself, and the points that are held against them.

use super::constants::Constants;
use super::{Moments, finite};

/// Centre and control limits, three sigma of what is plotted away. A limit that can't exist (a range below zero) is 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Lower control limit.
    pub lower: f64,
    /// Centre line.
    pub centre: f64,
    /// Upper control limit.
    pub upper: f64,
}

impl Band {
    /// Whether a point lies beyond a limit; on it is not beyond.
    pub fn is_beyond(&self, point: f64) -> bool {
        let slack = 1e-9 * (self.upper - self.lower).abs();
        point > self.upper + slack || point < self.lower - slack
    }

    /// A point's distance from the centre in sigmas; none where the band has no width.
    pub fn in_sigmas(&self, point: f64) -> Option<f64> {
        let sigma = (self.upper - self.centre) / 3.0;
        if sigma > 0.0 { finite((point - self.centre) / sigma) } else { None }
    }
}

/// Gathers single values for a chart of individuals and moving ranges of two.
#[derive(Clone, Debug, Default)]
pub struct Individuals {
    values: Moments,
    ranges: Moments,
    last: Option<f64>,
}

/// A chart of individuals and its moving ranges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IndividualsChart {
    /// Of the values.
    pub values: Band,
    /// Of the moving ranges.
    pub ranges: Band,
    /// Short-term standard deviation: mean moving range by d2.
    pub sigma: f64,
}

impl Individuals {
    /// Takes a value in; its moving range, unless it is the first since a restart.
    pub fn push(&mut self, value: f64) -> Option<f64> {
        self.values.push(value);
        let range = self.last.replace(value).map(|last| (value - last).abs());
        if let Some(range) = range {
            self.ranges.push(range);
        }
        range
    }

    /// What comes now is no neighbour of what was.
    pub fn restart(&mut self) {
        self.last = None;
    }

    /// All values so far.
    pub fn values(&self) -> &Moments {
        &self.values
    }

    /// The chart; none without two neighbours or where no two neighbours differ.
    pub fn chart(&self) -> Option<IndividualsChart> {
        let pair = Constants::of(2)?;
        let (centre, mean_range) = (self.values.mean()?, self.ranges.mean()?);
        let sigma = positive(mean_range / pair.d2)?;
        let ranges = Band { lower: 0.0, centre: mean_range, upper: pair.upper_d4() * mean_range };
        Some(IndividualsChart { values: around(centre, 3.0 * sigma), ranges, sigma })
    }
}

/// What the spread within subgroups is told by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Ranges.
    Range,
    /// Standard deviations.
    S,
}

/// A full subgroup.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Subgroup {
    /// Mean of its values.
    pub mean: f64,
    /// Greatest less least.
    pub range: f64,
    /// Standard deviation with n - 1.
    pub s: f64,
}

impl Subgroup {
    /// Its spread, told by one or the other.
    pub fn spread(&self, by: Spread) -> f64 {
        match by {
            Spread::Range => self.range,
            Spread::S => self.s,
        }
    }
}

/// Gathers values in subgroups of one size.
#[derive(Clone, Debug)]
pub struct Subgroups {
    constants: Constants,
    spread: Spread,
    filling: Moments,
    values: Moments,
    means: Moments,
    spreads: Moments,
    dropped: u64,
}

/// A chart of means, and of ranges or standard deviations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SubgroupsChart {
    /// Of the means.
    pub means: Band,
    /// Of the ranges or standard deviations.
    pub spreads: Band,
    /// Standard deviation within subgroups.
    pub sigma: f64,
}

impl Subgroups {
    /// Subgroups of `n` values, 2 to [`super::SUBGROUP_MAX`].
    pub fn new(n: usize, spread: Spread) -> Option<Subgroups> {
        let none = Moments::default();
        let constants = Constants::of(n)?;
        Some(Subgroups { constants, spread, filling: none, values: none, means: none, spreads: none, dropped: 0 })
    }

    /// Takes a value in; the subgroup that it fills.
    pub fn push(&mut self, value: f64) -> Option<Subgroup> {
        self.filling.push(value);
        self.values.push(value);
        if self.filling.count() < self.constants.n as u64 {
            return None;
        }
        let full = std::mem::take(&mut self.filling);
        let subgroup = Subgroup { mean: full.mean()?, range: full.range()?, s: full.s()? };
        self.means.push(subgroup.mean);
        self.spreads.push(subgroup.spread(self.spread));
        Some(subgroup)
    }

    /// What comes now belongs to no subgroup begun before. Values of one that did not get full are in no point.
    pub fn restart(&mut self) {
        self.dropped += std::mem::take(&mut self.filling).count();
    }

    /// Values that are in no full subgroup.
    pub fn unplotted(&self) -> u64 {
        self.dropped + self.filling.count()
    }

    /// Full subgroups.
    pub fn count(&self) -> u64 {
        self.means.count()
    }

    /// All values so far, those of subgroups that are not full too.
    pub fn values(&self) -> &Moments {
        &self.values
    }

    /// The chart; none without a full subgroup or without spread within.
    pub fn chart(&self) -> Option<SubgroupsChart> {
        let k = &self.constants;
        let (centre, spread) = (self.means.mean()?, positive(self.spreads.mean()?)?);
        let (reach, lower, upper, sigma) = match self.spread {
            Spread::Range => (k.a2() * spread, k.lower_d3(), k.upper_d4(), spread / k.d2),
            Spread::S => (k.a3() * spread, k.b3(), k.b4(), spread / k.c4),
        };
        let spreads = Band { lower: lower * spread, centre: spread, upper: upper * spread };
        Some(SubgroupsChart { means: around(centre, reach), spreads, sigma })
    }
}

fn around(centre: f64, reach: f64) -> Band {
    Band { lower: centre - reach, centre, upper: centre + reach }
}

fn positive(number: f64) -> Option<f64> {
    finite(number).filter(|number| *number > 0.0)
}
