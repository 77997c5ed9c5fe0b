//! A nested gauge study as NIST/SEMATECH e-Handbook 2.4.4 has it: short-term, day-to-day and run-to-run spread.

use std::collections::BTreeMap;

use super::{Moments, ratio};

/// What was found on one day: the mean and standard deviation of a few repeats.
#[derive(Clone, Debug, PartialEq)]
pub struct NestedReading {
    /// Run, weeks apart from the other.
    pub run: String,
    /// What was measured.
    pub part: String,
    /// Mean of the day's repeats.
    pub mean: f64,
    /// Their standard deviation.
    pub s: f64,
}

/// Spreads of one gauge; each none where nothing was repeated at its level.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct NestedStudy {
    /// Within a day, pooled over days of equal numbers of repeats.
    pub short_term: Option<f64>,
    /// Between days of one run, pooled over parts and runs.
    pub day_to_day: Option<f64>,
    /// Between runs, pooled over parts.
    pub run_to_run: Option<f64>,
}

/// Spreads at three levels from one gauge's readings.
pub fn nested_study(readings: &[NestedReading]) -> NestedStudy {
    let mut days: BTreeMap<(&str, &str), Moments> = BTreeMap::new();
    for reading in readings {
        days.entry((&reading.part, &reading.run)).or_default().push(reading.mean);
    }
    let mut runs: BTreeMap<&str, Moments> = BTreeMap::new();
    for ((part, _), day) in &days {
        if let Some(mean) = day.mean() {
            runs.entry(part).or_default().push(mean);
        }
    }
    let squares: f64 = readings.iter().map(|reading| reading.s * reading.s).sum();
    NestedStudy {
        short_term: ratio(squares, readings.len() as f64).map(f64::sqrt),
        day_to_day: pooled(days.values()),
        run_to_run: pooled(runs.values()),
    }
}

/// Standard deviations pooled by their degrees of freedom.
fn pooled<'a>(groups: impl Iterator<Item = &'a Moments>) -> Option<f64> {
    let (squares, freedom) = groups.fold((0.0, 0), |(squares, freedom), group| {
        (squares + group.sum_of_squares(), freedom + group.count().saturating_sub(1))
    });
    ratio(squares, freedom as f64).map(f64::sqrt)
}
