//! The state of a gauge by its register entry and by what happened to it since: verifications, and what demands one.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan, ZonedDateTime};
use ridgepost_config::{Gauge, VerificationRule};
use ridgepost_parsers::Reading;
use rust_decimal::Decimal;

use crate::conditions::Measured;
use crate::gauge::gauge_state;
use crate::row::GaugeState;

const HOUR_US: i64 = 3_600_000_000;

/// What happened last to a gauge, of all that decides on its state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// A verification passed.
    Passed,
    /// It was found bad: by a verification, or by a person.
    Failed,
    /// Something happened after which it must be verified: another stylus, a drop, a repair, other settings.
    Demanded,
}

/// A turn, and how much the gauge was used since.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SinceTurn {
    /// What happened.
    pub turn: Turn,
    /// When, microseconds since 1970.
    pub at_us: i64,
    /// Readings since.
    pub readings: u64,
    /// Length traced since, in millimetres, as far as it is known.
    pub traced_mm: Decimal,
}

/// The time for which a state is asked.
#[derive(Clone, Debug)]
pub struct AsOf {
    /// Microseconds since 1970.
    pub us: i64,
    /// The local day; none where the clock can't be right.
    pub day: Option<Date>,
    /// The cell's zone.
    pub zone: TimeZone,
}

/// State of a gauge. The register's own statement counts where it is of a later day than the last turn, or where nothing
/// turned; a calibration that is due and what the register says was found bad count always.
///
/// What holds for hours or until a shift begins never holds where the clock can't be right.
pub fn gauge_state_since(gauge: Option<&Gauge>, since: Option<&SinceTurn>, as_of: &AsOf) -> GaugeState {
    let (by_register, _) = gauge_state(gauge, as_of.day);
    let (Some(gauge), Some(since)) = (gauge, since) else { return by_register };
    let calibration_is_over = gauge.calibration_due.zip(as_of.day).is_some_and(|(due, day)| due < day);
    if gauge.failed.is_some() || calibration_is_over {
        return by_register;
    }
    let turned = day_of(since.at_us, &as_of.zone);
    let stated_later = gauge.verified.as_ref().zip(turned).is_some_and(|(verified, turned)| verified.on > turned);
    if stated_later {
        return by_register;
    }
    match since.turn {
        Turn::Failed => GaugeState::Failed,
        Turn::Demanded => GaugeState::Unverified,
        Turn::Passed => passed(gauge, since, as_of),
    }
}

fn passed(gauge: &Gauge, since: &SinceTurn, as_of: &AsOf) -> GaugeState {
    let rule = &gauge.verification;
    let ends = ends_us(rule, since.at_us, &as_of.zone);
    if as_of.day.is_none() && (gauge.calibration_due.is_some() || ends.is_some()) {
        return GaugeState::Unknown;
    }
    let used_up = rule.readings.is_some_and(|readings| since.readings >= u64::from(readings));
    let worn = rule
        .distance
        .and_then(|length| length.unit.to_micrometres(length.number))
        .is_some_and(|length| since.traced_mm.checked_mul(Decimal::from(1000)).is_none_or(|traced| traced >= length));
    if used_up || worn || ends.is_some_and(|ends| ends <= as_of.us) {
        return GaugeState::Overdue;
    }
    GaugeState::Verified
}

/// When a verification that passed then is over by the clock; none where it is not. The earliest of what the rule says.
pub fn ends_us(rule: &VerificationRule, passed_us: i64, zone: &TimeZone) -> Option<i64> {
    let by_hours = rule.hours.map(|hours| passed_us.saturating_add(i64::from(hours) * HOUR_US));
    let by_shift = Timestamp::from_microsecond(passed_us).ok().and_then(|passed| {
        let passed = passed.to_zoned_datetime(zone.clone());
        let next = rule.shifts.iter().filter_map(|shift| next_after(&passed, *shift)).min()?;
        Some(next.timestamp().as_microsecond())
    });
    by_hours.into_iter().chain(by_shift).min()
}

/// The next moment behind `after` at which a local clock shows this time.
fn next_after(after: &ZonedDateTime, time: jiff::civil::Time) -> Option<ZonedDateTime> {
    let today = after.date().to_datetime(time).to_zoned_datetime(after.time_zone().clone()).ok()?;
    if today > *after {
        return Some(today);
    }
    let tomorrow = after.date().checked_add(1.day()).ok()?;
    tomorrow.to_datetime(time).to_zoned_datetime(after.time_zone().clone()).ok()
}

/// Length that a reading's trace evaluates, in millimetres: cutoff times sections, 5 sections where nobody knows (common
/// practice); none where nobody knows the cutoff.
pub fn traced_mm(gauge: &Gauge, reading: &Reading) -> Option<Decimal> {
    let is_traced = reading.quantity.is_texture();
    is_traced.then(|| Measured::of(reading, Some(&gauge.settings)).evaluated_mm()).flatten()
}

fn day_of(us: i64, zone: &TimeZone) -> Option<Date> {
    Some(Timestamp::from_microsecond(us).ok()?.to_zoned_datetime(zone.clone()).date())
}
