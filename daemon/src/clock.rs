//! The only place that asks what time it is.
//!
//! Wall time is for people and is written with the cell's zone; order comes from the store's sequence and every
//! time-out from the monotonic clock, so a step of the wall clock changes neither.

use std::time::Instant;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use ridgepost_parsers::Tick;

/// When something happened, as far as this PC can tell.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stamp {
    /// RFC 3339 with the cell's offset, milliseconds.
    pub at: String,
    /// Microseconds since 1970 UTC.
    pub us: i64,
    /// Milliseconds since the program started.
    pub monotonic_ms: u64,
    /// Whether the kernel held the clock for synchronised.
    pub synced: bool,
}

/// Wall and monotonic clock of this PC.
#[derive(Clone, Debug)]
pub struct Clock {
    origin: Instant,
    zone: TimeZone,
}

impl Clock {
    /// A clock whose ticks start now and whose times are written in `zone`.
    pub fn new(zone: TimeZone) -> Self {
        Clock { origin: Instant::now(), zone }
    }

    /// Now, for people and for the store.
    pub fn stamp(&self) -> Stamp {
        let now = Timestamp::now();
        Stamp { at: self.write(now), us: now.as_microsecond(), monotonic_ms: self.tick().0, synced: synced() }
    }

    /// Now, for time-outs.
    pub fn tick(&self) -> Tick {
        Tick(u64::try_from(self.origin.elapsed().as_millis()).unwrap_or(u64::MAX))
    }

    /// The monotonic instant of a tick.
    pub fn instant(&self, tick: Tick) -> Instant {
        self.origin + std::time::Duration::from_millis(tick.0.min(u64::from(u32::MAX)))
    }

    /// Now in the cell's zone.
    pub fn now(&self) -> jiff::ZonedDateTime {
        Timestamp::now().to_zoned_datetime(self.zone.clone())
    }

    /// Today in the cell's zone.
    pub fn today(&self) -> Date {
        Timestamp::now().to_zoned_datetime(self.zone.clone()).date()
    }

    /// When today began in the cell's zone, in microseconds since 1970.
    pub fn midnight_us(&self) -> i64 {
        let now = self.now();
        now.start_of_day().map_or(0, |midnight| midnight.timestamp().as_microsecond())
    }

    /// The cell's zone.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// A time as it stands in results: RFC 3339 with offset, milliseconds.
    pub fn write(&self, time: Timestamp) -> String {
        time.to_zoned_datetime(self.zone.clone()).strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string()
    }

    /// A time given in microseconds since 1970, as it stands in results.
    pub fn write_us(&self, us: i64) -> String {
        Timestamp::from_microsecond(us).map_or_else(|_| us.to_string(), |time| self.write(time))
    }
}

/// No clock is right that shows an earlier day: this was written then.
const FIRST_DAY: Date = Date::constant(2026, 1, 1);

/// The day to hold due dates against; none where the clock can't be right. A clock that nobody synchronises is believed as
/// long as it shows no day before one that is known: the last one seen on a synchronised clock, or the one this was written.
pub fn day_for_dates(today: Date, synced: bool, known: Option<Date>) -> Option<Date> {
    let first = known.map_or(FIRST_DAY, |known| known.max(FIRST_DAY));
    (synced || today >= first).then_some(today)
}

/// Whether the kernel says that something keeps its clock in step (adjtimex(2), status bit STA_UNSYNC).
#[expect(unsafe_code, reason = "no kept crate offers adjtimex; the call only fills a struct of ours")]
fn synced() -> bool {
    // SAFETY: all-zero is a valid `timex` (modes 0 asks and changes nothing), and the kernel writes only into it.
    let (state, status) = unsafe {
        let mut timex: libc::timex = std::mem::zeroed();
        (libc::adjtimex(&mut timex), timex.status)
    };
    state >= 0 && state != libc::TIME_ERROR && status & libc::STA_UNSYNC == 0
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    #[test]
    fn a_clock_that_can_t_be_right_is_not_held_against_due_dates() {
        let day = |text: &str| text.parse::<Date>().unwrap();
        for (today, synced, known, believed) in [
            ("2026-11-25", true, None, true),
            ("2026-11-25", false, None, true),
            ("2026-11-25", false, Some("2026-11-25"), true),
            ("2026-11-24", false, Some("2026-11-25"), false),
            ("2026-11-24", true, Some("2027-11-25"), true),
            ("1970-01-01", false, None, false),
            ("1970-01-01", false, Some("1970-01-01"), false),
            ("2038-01-19", false, Some("2026-11-25"), true),
        ] {
            let expected = believed.then(|| day(today));
            assert_eq!(day_for_dates(day(today), synced, known.map(day)), expected, "{today} {synced} {known:?}");
        }
    }

    #[test]
    fn times_carry_the_cell_s_offset() {
        let clock = Clock::new(TimeZone::get("Europe/Zurich").unwrap());
        // 2026-03-29 is the night when clocks there go from +01:00 to +02:00 at 01:00 UTC.
        assert_eq!(clock.write("2026-03-29T00:59:59.5Z".parse().unwrap()), "2026-03-29T01:59:59.500+01:00");
        assert_eq!(clock.write("2026-03-29T01:00:00Z".parse().unwrap()), "2026-03-29T03:00:00.000+02:00");
    }
}
