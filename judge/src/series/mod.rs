//! Statistics of a series of values: control charts, run rules, capability, gauge studies.
//!
//! These are floats, and the only ones: readings, limits and verdicts stay exact decimals elsewhere. Nothing is judged by a
//! statistic. A point outside of control limits is no nonconforming part, and a part outside of its tolerance is no point
//! that a rule fires on.
//!
//! What can't be told is `None`, never an infinity or a number that is none: one value has no spread, equal values have no
//! capability, a quantity with an upper limit alone has no lower index.
//!
//! Sources: NIST/SEMATECH e-Handbook of Statistical Methods (6.1.6, 6.3.2, 2.6.1), ISO 7870-2 (ISO 8258 before it) and
//! ISO 22514-2 from memory where a line says so. The numbers that the tests hold against name theirs.

mod capability;
mod chart;
mod constants;
mod counts;
mod crossed;
mod moments;
mod nested;
mod run_rules;
mod variance;

pub use capability::{Capability, Interval, SingleGauge, Tolerance, cp_interval, cpk_interval, single_gauge};
pub use capability::{Quantiles, by_quantiles, lognormal_quantiles};
pub use chart::{Band, Individuals, IndividualsChart, Spread, Subgroup, Subgroups, SubgroupsChart};
pub use constants::{Constants, SUBGROUP_MAX};
pub use counts::{Candidate, left_out};
pub use crossed::{Crossed, CrossedFault, Method, Share, Standing, Study, VarianceTable, crossed_study};
pub use moments::{Moments, lag_1};
pub use nested::{NestedReading, NestedStudy, nested_study};
pub use run_rules::{Hit, RunRule, RunRules, Watch};
pub use variance::{OneWay, one_way};

/// A number, unless it is an infinity or none at all.
fn finite(number: f64) -> Option<f64> {
    number.is_finite().then_some(number)
}

/// A quotient, unless the divisor is not above zero.
fn ratio(number: f64, divisor: f64) -> Option<f64> {
    if divisor > 0.0 { finite(number / divisor) } else { None }
}
