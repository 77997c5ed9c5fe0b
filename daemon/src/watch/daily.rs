//! When a day's digest is due. Pure: the wall clock's time and what was written last in, a day out.
//!
//! Only times of day are compared, so a night with 23 or 25 hours and a clock that is set change nothing but the
//! moment.

use std::time::Duration;

use jiff::ZonedDateTime;
use jiff::civil::{Date, Time};

/// The day whose digest is due: the last one that is over and whose hour has come, unless it is written. A day missed
/// while the program was not running is made up for if it is the last one; earlier ones can be asked for.
pub fn due(now: &ZonedDateTime, at: Time, last: Option<Date>) -> Option<Date> {
    let yesterday = now.date().yesterday().ok()?;
    let day = if now.time() >= at { yesterday } else { yesterday.yesterday().ok()? };
    match last {
        None => Some(day),
        Some(last) if last < day => Some(day),
        // The clock was set back by a little: no day twice. By more than a day: it was wrong, and days go on.
        Some(last) => (day.tomorrow().is_ok_and(|next| last > next)).then_some(day),
    }
}

/// How long until that hour comes next, by the zone's own days.
pub fn until_next(now: &ZonedDateTime, at: Time) -> Duration {
    let on = |day: Date| jiff::civil::DateTime::from_parts(day, at).to_zoned_datetime(now.time_zone().clone()).ok();
    let today = on(now.date()).filter(|today| today > now);
    let next = today.or_else(|| now.date().tomorrow().ok().and_then(on));
    let ms = next.map_or(60_000, |next| next.timestamp().as_millisecond() - now.timestamp().as_millisecond());
    Duration::from_millis(u64::try_from(ms).unwrap_or(0).max(1_000))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    fn zoned(text: &str) -> ZonedDateTime {
        let time: jiff::Timestamp = text.parse().unwrap();
        time.in_tz("Europe/Zurich").unwrap()
    }

    fn time(text: &str) -> Time {
        text.parse().unwrap()
    }

    #[test]
    fn the_last_day_that_is_over_is_due_once() {
        for (now, at, last, expected) in [
            ("2026-11-25T06:00:00+01:00", "06:00", None, Some("2026-11-24")),
            ("2026-11-25T05:59:59+01:00", "06:00", None, Some("2026-11-23")),
            ("2026-11-25T05:59:59+01:00", "06:00", Some("2026-11-23"), None),
            ("2026-11-25T06:00:00+01:00", "06:00", Some("2026-11-23"), Some("2026-11-24")),
            ("2026-11-25T23:00:00+01:00", "06:00", Some("2026-11-24"), None),
            // Away for a week: the last day only.
            ("2026-11-25T09:00:00+01:00", "06:00", Some("2026-11-17"), Some("2026-11-24")),
            // Set back by an hour over the moment, then by years.
            ("2026-11-25T05:30:00+01:00", "06:00", Some("2026-11-24"), None),
            ("2026-11-25T09:00:00+01:00", "06:00", Some("2038-01-18"), Some("2026-11-24")),
            // Midnight itself.
            ("2026-11-25T00:00:00+01:00", "00:00", Some("2026-11-23"), Some("2026-11-24")),
            // 02:30 does not exist on 2026-03-29, and comes twice on 2026-10-25.
            ("2026-03-29T01:59:59+01:00", "02:30", Some("2026-03-27"), None),
            ("2026-03-29T03:00:00+02:00", "02:30", Some("2026-03-27"), Some("2026-03-28")),
            ("2026-10-25T02:30:00+02:00", "02:30", Some("2026-10-23"), Some("2026-10-24")),
            ("2026-10-25T02:10:00+01:00", "02:30", Some("2026-10-24"), None),
            ("2026-10-25T02:30:00+01:00", "02:30", Some("2026-10-24"), None),
        ] {
            let day = |text: &str| text.parse::<Date>().unwrap();
            assert_eq!(due(&zoned(now), time(at), last.map(day)), expected.map(day), "{now} {at} {last:?}");
        }
    }

    /// A year of days, looked at every half hour: every day once, whatever the clocks do at night.
    #[test]
    fn a_year_has_every_day_once() {
        for at in ["00:00", "02:30", "06:00", "23:59"] {
            let mut now = zoned("2026-01-02T00:00:00+01:00");
            let mut last = None;
            let mut days = Vec::new();
            while now < zoned("2027-01-02T00:00:00+01:00") {
                if let Some(day) = due(&now, time(at), last) {
                    days.push(day);
                    last = Some(day);
                }
                now = now.checked_add(jiff::Span::new().minutes(30)).unwrap();
            }
            assert!(days.windows(2).all(|pair| pair[0].tomorrow().unwrap() == pair[1]), "{at}");
            assert!((365..=366).contains(&days.len()), "{at}: {}", days.len());
        }
    }

    #[test]
    fn the_pause_follows_the_zone_s_days() {
        for (now, at, s) in [
            ("2026-11-25T05:00:00+01:00", "06:00", 3_600),
            ("2026-11-25T06:00:00+01:00", "06:00", 86_400),
            ("2026-03-28T06:00:00+01:00", "06:00", 23 * 3_600),
            ("2026-10-24T06:00:00+02:00", "06:00", 25 * 3_600),
            ("2026-11-25T05:59:59.9+01:00", "06:00", 1),
        ] {
            assert_eq!(until_next(&zoned(now), time(at)), Duration::from_secs(s), "{now}");
        }
    }
}
