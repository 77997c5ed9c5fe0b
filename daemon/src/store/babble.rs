//! Ports that babble: a loose cable or a wrong line setting makes rejects for ever, and the disk is not for that.
//!
//! So many rejected frames per port and local day are kept with their bytes; further ones are counted, and the
//! store says by a gap in the coverage that it did not keep them. Accepted frames are always kept and end the gap;
//! so does midnight. What was counted stands in the store, so a restart does not begin anew.
//!
//! The decisions are pure ([`Babble`]); the [`Recorder`] writes them down.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use rusqlite::{Connection, params};

use super::StoreFault;
use super::perform::event;
use super::record::{Burst, Recorder};
use crate::clock::Stamp;

/// How the cause of such a gap begins; no other cause begins so.
pub const CAUSE: &str = "babbles:";

/// Days that are remembered: clocks are set, but not by more than this while rejects are counted.
const DAYS: usize = 3;

/// What is to be done with a reject.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fate {
    /// It is kept.
    Keep,
    /// It is the first one of its day that is only counted.
    First,
    /// It is only counted, after accepted frames that had ended the gap.
    Again,
    /// It is only counted.
    Count,
}

/// What was heard of one port on one day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Day {
    kept: u64,
    dropped: u64,
    /// Whether it was told that the port sends what can be read again: told once a day.
    told: bool,
}

/// How much every port babbles.
#[derive(Clone, Debug, Default)]
pub struct Babble {
    days: BTreeMap<String, BTreeMap<Date, Day>>,
    /// Ports with an open gap: since when (microseconds since 1970), and on which day it began.
    open: BTreeMap<String, (i64, Date)>,
    /// What is to be told once it is on the disk.
    notices: Vec<Notice>,
}

/// A gap that ends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Ended {
    station: String,
    since_us: i64,
    day: Date,
    dropped: u64,
    tells: bool,
}

/// A change of state, told once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// Which station.
    pub station: String,
    /// In words.
    pub text: String,
    /// Whether it begins or ends.
    pub begins: bool,
}

impl Notice {
    /// Tells it.
    pub fn log(&self) {
        match self.begins {
            true => tracing::warn!(code = "babbles", station = self.station, "{}", self.text),
            false => tracing::info!(code = "babbles-no-more", station = self.station, "{}", self.text),
        }
    }
}

impl Babble {
    /// What the store knows: counts of the last days, and open gaps.
    pub fn load(connection: &Connection, zone: &TimeZone) -> Result<Babble, StoreFault> {
        let mut babble = Babble::default();
        let sql = "SELECT b.station, b.day, b.kept, b.dropped FROM babble AS b WHERE b.day >= \
                   (SELECT min(day) FROM (SELECT DISTINCT day FROM babble ORDER BY day DESC LIMIT ?1))";
        let mut statement = connection.prepare(sql)?;
        let mut rows = statement.query([i64::try_from(DAYS).unwrap_or(1)])?;
        while let Some(row) = rows.next()? {
            let Ok(day) = row.get::<_, String>(1)?.parse::<Date>() else { continue };
            let count = |at| row.get::<_, i64>(at).map(|count| u64::try_from(count).unwrap_or(0));
            babble
                .days
                .entry(row.get(0)?)
                .or_default()
                .insert(day, Day { kept: count(2)?, dropped: count(3)?, told: false });
        }
        let sql = format!("SELECT station, from_us FROM coverage WHERE until_us IS NULL AND cause LIKE '{CAUSE}%'");
        let mut statement = connection.prepare(&sql)?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let from_us: i64 = row.get(1)?;
            babble.open.insert(row.get(0)?, (from_us, day_of(from_us, zone)));
        }
        Ok(babble)
    }

    /// Counts a reject of a port.
    pub(super) fn reject(&mut self, station: &str, today: Date, now_us: i64, most: u64) -> Fate {
        let days = self.days.entry(station.to_owned()).or_default();
        while days.len() >= DAYS && !days.contains_key(&today) {
            days.pop_first();
        }
        let day = days.entry(today).or_default();
        if day.kept < most {
            day.kept += 1;
            return Fate::Keep;
        }
        day.dropped += 1;
        let first = day.dropped == 1;
        match (self.open.contains_key(station), first) {
            (true, _) => Fate::Count,
            (false, first) => {
                self.open.insert(station.to_owned(), (now_us, today));
                if first { Fate::First } else { Fate::Again }
            }
        }
    }

    /// A port sends what can be read: the gap that ends by it. A port that mixes good and bad frames opens and ends
    /// gaps all day long; the first end is told, and the one at midnight.
    pub(super) fn accepted(&mut self, station: &str) -> Option<Ended> {
        self.end(station, false)
    }

    /// The gaps of days that are over, and of days that are still to come because the clock was set back.
    pub(super) fn past(&mut self, today: Date) -> Vec<Ended> {
        let over = self.open.iter().filter(|(_, (_, day))| *day != today);
        let over: Vec<String> = over.map(|(station, _)| station.clone()).collect();
        over.iter().filter_map(|station| self.end(station, true)).collect()
    }

    fn end(&mut self, station: &str, tells: bool) -> Option<Ended> {
        let (since_us, day) = self.open.remove(station)?;
        let count = self.days.entry(station.to_owned()).or_default().entry(day).or_default();
        let tells = tells || !std::mem::replace(&mut count.told, true);
        Some(Ended { station: station.to_owned(), since_us, day, dropped: count.dropped, tells })
    }

    /// What is to be told, now that it is on the disk.
    pub fn told(&mut self) -> Vec<Notice> {
        std::mem::take(&mut self.notices)
    }
}

/// The local day of a moment.
fn day_of(us: i64, zone: &TimeZone) -> Date {
    jiff::Timestamp::from_microsecond(us).unwrap_or_default().to_zoned_datetime(zone.clone()).date()
}

impl Recorder<'_> {
    /// Counts a rejected frame of a port; true where it is only counted.
    pub(super) fn babbles(&mut self, burst: &Burst) -> Result<bool, StoreFault> {
        self.midnight()?;
        let station = &burst.station.name;
        let most = self.plan.watch.rejects_per_day;
        let fate = self.context.babble.reject(station, self.today, burst.received.us, most);
        let (kept, bytes) = match fate {
            Fate::Keep => (1, 0),
            _ => (0, i64::try_from(burst.heard.frame.raw.len()).unwrap_or(i64::MAX)),
        };
        self.tx
            .prepare_cached(
                "INSERT INTO babble (station, day, kept, dropped, bytes) VALUES (?1, ?2, ?3, 1 - ?3, ?4) \
                 ON CONFLICT (station, day) DO UPDATE SET kept = kept + excluded.kept, \
                 dropped = dropped + excluded.dropped, bytes = bytes + excluded.bytes",
            )?
            .execute(params![station, self.today.to_string(), kept, bytes])?;
        if matches!(fate, Fate::First | Fate::Again) {
            let cause = format!("{CAUSE} more than {most} rejected frames today; rejects are counted, not kept");
            self.tx
                .prepare_cached("INSERT INTO coverage (station, cause, from_at, from_us) VALUES (?1, ?2, ?3, ?4)")?
                .execute(params![station, cause, burst.received.at, burst.received.us])?;
        }
        if fate == Fate::First {
            let text = format!(
                "more than {most} rejected frames today: further ones are counted, not kept, until midnight; \
                 is the line set as the instrument is, and the cable sound?"
            );
            event(self, Some(station), "babbles", &text, None)?;
            self.context.babble.notices.push(Notice { station: station.clone(), text, begins: true });
        }
        Ok(fate != Fate::Keep)
    }

    /// A port sends what can be read: its gap ends.
    pub(super) fn speaks(&mut self, burst: &Burst) -> Result<(), StoreFault> {
        match self.context.babble.accepted(&burst.station.name) {
            Some(ended) => self.end_gap(&ended, &burst.received, "sends what can be read again"),
            None => Ok(()),
        }
    }

    /// Gaps of days that are over end at their midnight.
    pub(super) fn midnight(&mut self) -> Result<(), StoreFault> {
        for ended in self.context.babble.past(self.today) {
            let zone = &self.plan.cell.time_zone;
            let end =
                ended.day.tomorrow().ok().and_then(|next| next.at(0, 0, 0, 0).to_zoned_datetime(zone.clone()).ok());
            let midnight = end.map_or(self.now.us, |end| end.timestamp().as_microsecond());
            let us = midnight.min(self.now.us).max(ended.since_us);
            let at = crate::clock::Clock::new(zone.clone()).write_us(us);
            self.end_gap(&ended, &Stamp { at, us, ..self.now.clone() }, "begins a new day")?;
        }
        Ok(())
    }

    fn end_gap(&mut self, ended: &Ended, end: &Stamp, why: &str) -> Result<(), StoreFault> {
        self.tx
            .prepare_cached(
                "UPDATE coverage SET until_at = ?2, until_us = ?3 WHERE station = ?1 AND until_us IS NULL \
                 AND cause LIKE ?4",
            )?
            .execute(params![ended.station, end.at, end.us, format!("{CAUSE}%")])?;
        if ended.tells {
            let s = end.us.saturating_sub(ended.since_us) / 1_000_000;
            let (dropped, day) = (ended.dropped, ended.day);
            let text = format!("{why} after {s} s; {dropped} rejected frames of {day} were counted, not kept");
            self.context.babble.notices.push(Notice { station: ended.station.clone(), text, begins: false });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    /// What happens on a port: `x` a reject, `.` a frame that can be read, `|` a midnight; and the fate of each reject
    /// (`k`ept, `F`irst, `A`gain, `c`ounted), each ended gap (`e`, `E` where it is told).
    fn fates(story: &str, most: u64) -> String {
        let mut babble = Babble::default();
        let mut today: Date = "2026-11-25".parse().unwrap();
        let mut told = String::new();
        let ended = |told: &mut String, ended: Option<Ended>| {
            told.extend(ended.map(|ended| if ended.tells { 'E' } else { 'e' }));
        };
        for what in story.chars() {
            match what {
                'x' => told.push(match babble.reject("port", today, 0, most) {
                    Fate::Keep => 'k',
                    Fate::First => 'F',
                    Fate::Again => 'A',
                    Fate::Count => 'c',
                }),
                '.' => ended(&mut told, babble.accepted("port")),
                _ => {
                    today = today.tomorrow().unwrap();
                    ended(&mut told, babble.past(today).pop());
                }
            }
        }
        told
    }

    #[test]
    fn a_port_is_capped_per_day_and_told_once() {
        for (story, most, expected) in [
            ("xxxxx", 3, "kkkFc"),
            ("xxx.x.x", 3, "kkkFEA"),
            ("xx.xx.xx.xx.xx", 2, "kkFcEAceAceAc"),
            ("xxxx|xxxx", 3, "kkkFEkkkF"),
            ("xxxx.|xxxx|", 3, "kkkFEkkkFE"),
            ("...|...", 1, ""),
            ("xx||xx", 1, "kFEkF"),
        ] {
            assert_eq!(fates(story, most), expected, "{story}");
        }
    }

    #[test]
    fn days_that_are_over_are_forgotten() {
        let mut babble = Babble::default();
        let mut today: Date = "2026-01-01".parse().unwrap();
        for _ in 0..40 {
            babble.reject("port", today, 0, 1);
            babble.reject("port", today, 0, 1);
            today = today.tomorrow().unwrap();
        }
        assert_eq!(babble.days["port"].len(), DAYS);
    }
}
