//! One day of a cell on one page, counted from the store: pieces, readings, what was rejected, what was not heard, what
//! is not delivered.
//!
//! A day is a local calendar day of the cell's zone, with 23 or 25 hours where clocks change. Results count by when
//! they were received; what is not delivered is told as it stands when the page is made.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

use jiff::civil::Date;
use rusqlite::{Connection, OptionalExtension, params};
use serde::Serialize;

use crate::clock::Clock;
use crate::store::{StoreFault, babble, open_for_reading};

/// The fact that says which day's digest was written last.
pub const FACT: &str = "digest";

/// How often something was counted, by name.
type Counts = BTreeMap<String, u64>;

/// What happened on one day.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Digest {
    /// Name of the cell.
    pub cell: String,
    /// The day.
    pub day: String,
    /// Its first moment.
    pub from: String,
    /// Its last moment, or now where it is not over.
    pub until: String,
    /// Whether it is over.
    pub complete: bool,
    /// Ended pieces by outcome.
    pub pieces: Counts,
    /// Readings by outcome.
    pub readings: Counts,
    /// Decided characteristics by outcome.
    pub verdicts: Counts,
    /// Readings by station.
    pub readings_by_station: Counts,
    /// Readings that were second or later attempts at the same value.
    pub retests: u64,
    /// Unjudged readings by reason; one reading may have several.
    pub unjudged: Counts,
    /// Readings that belong to no job, or to no piece of it.
    pub unassigned: u64,
    /// Corrections.
    pub corrections: u64,
    /// Notices.
    pub notices: u64,
    /// Rejected frames by station and reason.
    pub rejects: BTreeMap<String, Counts>,
    /// Rejected frames that were counted and not kept, by station.
    pub rejects_not_kept: Counts,
    /// When stations could not be heard, by station.
    pub gaps: BTreeMap<String, Gap>,
    /// What persons decided about results (void, assign, dispose), by kind.
    pub decisions: Counts,
    /// The last result of the day that has a seal, with its seal: noted elsewhere, it shows later that nothing was changed.
    pub seal: Option<(i64, String)>,
    /// Times a station was lost while the daemon ran.
    pub port_drops: Counts,
    /// Readings of gauges that were not verified: by gauge, by state.
    pub unverified: BTreeMap<String, Counts>,
    /// Parcels that are not delivered now: by sink, by state.
    pub undelivered: BTreeMap<String, Counts>,
}

/// Gaps of one station within the day.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Gap {
    /// How many.
    pub count: u64,
    /// How long together, in seconds; the day's ends cut them off.
    pub seconds: u64,
    /// Why, each cause once.
    pub causes: Vec<String>,
}

/// The name of a day's file.
pub fn file_name(day: Date) -> String {
    format!("digest-{day}.txt")
}

/// Which day's digest was written last, as the store remembers.
pub fn last_written(store: &Path) -> Result<Option<Date>, StoreFault> {
    let connection = open_for_reading(store)?;
    let sql = "SELECT value FROM fact WHERE key = ?1";
    let value: Option<String> = connection.query_row(sql, [FACT], |row| row.get(0)).optional()?;
    Ok(value.and_then(|text| text.parse().ok()))
}

/// Counts a day.
pub fn of_day(store: &Path, clock: &Clock, cell: &str, day: Date) -> Result<Digest, StoreFault> {
    let connection = open_for_reading(store)?;
    // One moment for all counts, while the daemon goes on writing.
    let moment = connection.unchecked_transaction()?;
    let (from_us, end_us) = bounds(day, clock);
    let now_us = clock.stamp().us;
    let until_us = end_us.min(now_us.max(from_us));
    let mut digest = Digest {
        cell: cell.to_owned(),
        day: day.to_string(),
        from: clock.write_us(from_us),
        until: clock.write_us(until_us),
        complete: end_us <= now_us,
        ..Digest::default()
    };
    digest.results(&moment, from_us, until_us)?;
    digest.frames(&moment, from_us, until_us, day)?;
    digest.coverage(&moment, from_us, until_us)?;
    digest.seal = crate::store::chain::seal_before(&moment, until_us)?;
    let sql = "SELECT kind, count(*) FROM decision WHERE at_us >= ?1 AND at_us < ?2 GROUP BY kind";
    digest.decisions = counts(&moment, sql, params![from_us, until_us])?;
    let sql = "SELECT sink, state, count(*) FROM parcel WHERE state <> 'delivered' GROUP BY sink, state";
    digest.undelivered = nested(&moment, sql, params![])?;
    Ok(digest)
}

/// First moment of a day and of the next one, in microseconds since 1970.
fn bounds(day: Date, clock: &Clock) -> (i64, i64) {
    let start = |day: Date| {
        let start = day.at(0, 0, 0, 0).to_zoned_datetime(clock.zone().clone());
        start.map_or(0, |start| start.timestamp().as_microsecond())
    };
    (start(day), day.tomorrow().map_or(i64::MAX, start))
}

/// Rows of a name and a count.
fn counts(store: &Connection, sql: &str, values: &[&dyn rusqlite::ToSql]) -> Result<Counts, StoreFault> {
    let mut statement = store.prepare(sql)?;
    let mut rows = statement.query(values)?;
    let mut counts = Counts::new();
    while let Some(row) = rows.next()? {
        let name: Option<String> = row.get(0)?;
        *counts.entry(name.unwrap_or_else(|| "unknown".to_owned())).or_default() += count(row.get(1)?);
    }
    Ok(counts)
}

/// Rows of two names and a count.
fn nested(
    store: &Connection,
    sql: &str,
    values: &[&dyn rusqlite::ToSql],
) -> Result<BTreeMap<String, Counts>, StoreFault> {
    let mut statement = store.prepare(sql)?;
    let mut rows = statement.query(values)?;
    let mut all = BTreeMap::<String, Counts>::new();
    while let Some(row) = rows.next()? {
        let (outer, inner): (Option<String>, Option<String>) = (row.get(0)?, row.get(1)?);
        let unknown = || "unknown".to_owned();
        let counts = all.entry(outer.unwrap_or_else(unknown)).or_default();
        *counts.entry(inner.unwrap_or_else(unknown)).or_default() += count(row.get(2)?);
    }
    Ok(all)
}

fn count(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}

impl Digest {
    fn results(&mut self, store: &Connection, from_us: i64, until_us: i64) -> Result<(), StoreFault> {
        let within = params![from_us, until_us];
        let sql = "SELECT kind, coalesce(outcome, 'none'), count(*) FROM result \
                   WHERE received_us >= ?1 AND received_us < ?2 GROUP BY 1, 2";
        let mut kinds = nested(store, sql, within)?;
        let mut take = |kind: &str| kinds.remove(kind).unwrap_or_default();
        (self.readings, self.verdicts, self.pieces) = (take("reading"), take("verdict"), take("part"));
        (self.corrections, self.notices) = (sum(&take("correction")), sum(&take("notice")));
        let readings = "FROM result WHERE received_us >= ?1 AND received_us < ?2 AND kind = 'reading'";
        self.readings_by_station = counts(store, &format!("SELECT station, count(*) {readings} GROUP BY 1"), within)?;
        let sql = format!(
            "SELECT count(*) FILTER (WHERE attempt > 1), count(*) FILTER (WHERE job IS NULL \
             OR ' ' || reasons || ' ' LIKE '% unassigned %') {readings}"
        );
        (self.retests, self.unassigned) =
            store.query_row(&sql, within, |row| Ok((count(row.get(0)?), count(row.get(1)?))))?;
        let sql = format!("SELECT reasons, count(*) {readings} AND outcome = 'unjudged' GROUP BY 1");
        for (reasons, count) in counts(store, &sql, within)? {
            for reason in reasons.split(' ').filter(|reason| !reason.is_empty()) {
                *self.unjudged.entry(reason.to_owned()).or_default() += count;
            }
        }
        let sql = format!("SELECT gauge, gauge_state, count(*) {readings} AND gauge_state <> 'verified' GROUP BY 1, 2");
        self.unverified = nested(store, &sql, within)?;
        Ok(())
    }

    fn frames(&mut self, store: &Connection, from_us: i64, until_us: i64, day: Date) -> Result<(), StoreFault> {
        let sql = "SELECT t.station, coalesce(f.reason, f.outcome), count(*) FROM transmission AS t \
                   JOIN single_frame AS f ON f.transmission = t.id \
                   WHERE t.received_us >= ?1 AND t.received_us < ?2 AND f.outcome <> 'accepted' GROUP BY 1, 2";
        self.rejects = nested(store, sql, params![from_us, until_us])?;
        let sql = "SELECT station, dropped FROM babble WHERE day = ?1 AND dropped > 0";
        self.rejects_not_kept = counts(store, sql, params![day.to_string()])?;
        Ok(())
    }

    fn coverage(&mut self, store: &Connection, from_us: i64, until_us: i64) -> Result<(), StoreFault> {
        let sql = "SELECT station, cause, from_us, until_us FROM coverage \
                   WHERE (until_us > ?1 OR until_us IS NULL) AND from_us < ?2 ORDER BY id";
        let mut statement = store.prepare(sql)?;
        let mut rows = statement.query(params![from_us, until_us])?;
        while let Some(row) = rows.next()? {
            let (station, cause): (String, String) = (row.get(0)?, row.get(1)?);
            let (from, until): (i64, Option<i64>) = (row.get(2)?, row.get(3)?);
            let within = until.unwrap_or(until_us).min(until_us) - from.max(from_us);
            let lost = from >= from_us && cause != "ridgepost was not running" && !cause.starts_with(babble::CAUSE);
            if lost {
                *self.port_drops.entry(station.clone()).or_default() += 1;
            }
            let gap = self.gaps.entry(station).or_default();
            gap.count += 1;
            gap.seconds += count(within) / 1_000_000;
            if !gap.causes.contains(&cause) {
                gap.causes.push(cause);
            }
        }
        Ok(())
    }

    /// The page, for people: one line per thing, nothing left out where it is zero.
    pub fn text(&self) -> String {
        let mut page = format!("{} on {}{}\n", self.cell, self.day, if self.complete { "" } else { ", so far" });
        let _ = writeln!(page, "from {} until {}\n", self.from, self.until);
        let mut line = |name: &str, number: u64, words: String| {
            let words = if words.is_empty() { words } else { format!("   {words}") };
            let _ = writeln!(page, "{name:<14}{number:>8}{words}");
        };
        line("pieces", sum(&self.pieces), words(&self.pieces));
        line("verdicts", sum(&self.verdicts), words(&self.verdicts));
        line("readings", sum(&self.readings), words(&self.readings));
        line("  by station", self.readings_by_station.len() as u64, words(&self.readings_by_station));
        line("fails", self.fails(), "nonconforming verdicts".to_owned());
        line("retests", self.retests, String::new());
        line("unjudged", self.readings.get("unjudged").copied().unwrap_or(0), words(&self.unjudged));
        line("unassigned", self.unassigned, String::new());
        line("corrections", self.corrections, String::new());
        line("decisions", sum(&self.decisions), words(&self.decisions));
        line("notices", self.notices, String::new());
        line("rejects", self.rejected(), nested_words(&self.rejects));
        line("  not kept", sum(&self.rejects_not_kept), words(&self.rejects_not_kept));
        line("gaps", self.gaps.values().map(|gap| gap.count).sum(), gap_words(&self.gaps));
        line("port drops", sum(&self.port_drops), words(&self.port_drops));
        line("unverified", self.unverified.len() as u64, nested_words(&self.unverified));
        if let Some((seq, seal)) = &self.seal {
            line("seal of", count(*seq), seal.clone());
        }
        line("undelivered", self.undelivered.values().map(sum).sum(), nested_words(&self.undelivered));
        page
    }

    /// Characteristics that were decided against.
    fn fails(&self) -> u64 {
        self.verdicts.get("nonconforming").copied().unwrap_or(0)
    }

    /// Rejected frames, kept or not.
    fn rejected(&self) -> u64 {
        self.rejects.values().map(sum).sum::<u64>() + sum(&self.rejects_not_kept)
    }
}

fn sum(counts: &Counts) -> u64 {
    counts.values().sum()
}

/// `38 conforms, 2 nonconforming`.
fn words(counts: &Counts) -> String {
    counts.iter().map(|(name, count)| format!("{count} {name}")).collect::<Vec<_>>().join(", ")
}

/// `mes: 1 due, 2 parked; office: 3 due`.
fn nested_words(all: &BTreeMap<String, Counts>) -> String {
    all.iter().map(|(name, counts)| format!("{name}: {}", words(counts))).collect::<Vec<_>>().join("; ")
}

fn gap_words(gaps: &BTreeMap<String, Gap>) -> String {
    let gap = |(station, gap): (&String, &Gap)| {
        format!("{station}: {} in {} s ({})", gap.count, gap.seconds, gap.causes.join(", "))
    };
    gaps.iter().map(gap).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    /// A store whose rows are written by hand: every row of which the day is to be told has its time.
    fn store(folder: &Path) -> std::path::PathBuf {
        let path = folder.join("store.db");
        crate::store::make(&path).unwrap();
        path
    }

    fn us(text: &str) -> i64 {
        text.parse::<jiff::Timestamp>().unwrap().as_microsecond()
    }

    fn zurich() -> Clock {
        Clock::new(jiff::tz::TimeZone::get("Europe/Zurich").unwrap())
    }

    fn result(store: &Connection, at: &str, kind: &str, outcome: &str, reasons: &str, rest: [Option<&str>; 4]) {
        let [job, gauge_state, station, attempt] = rest;
        store
            .execute(
                "INSERT INTO basis (store_id, kind, clock_synced, cell, outcome, reasons, job, gauge_state, gauge, station, \
                 program_version) VALUES ('s', ?1, 1, 'c', ?2, ?3, ?4, ?5, 'RT-1', ?6, '0')",
                params![kind, outcome, reasons, job, gauge_state, station],
            )
            .unwrap();
        store
            .execute(
                "INSERT INTO entry (basis, received_at, received_us, attempt) VALUES (last_insert_rowid(), ?1, ?2, ?3)",
                params![at, us(at), attempt],
            )
            .unwrap();
    }

    const JOB: Option<&str> = Some("J1");
    const VERIFIED: Option<&str> = Some("verified");
    const A: Option<&str> = Some("a");

    #[test]
    fn a_day_holds_what_was_received_on_it_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = store(folder.path());
        let store = Connection::open(&path).unwrap();
        // 2026-10-25 has 25 hours in Zurich: from 22:00 UTC on the day before until 23:00 UTC.
        let within = ["2026-10-24T22:00:00Z", "2026-10-25T12:00:00Z", "2026-10-25T22:59:59.999Z"];
        for at in within {
            result(&store, at, "reading", "conforms", "within-limits", [JOB, VERIFIED, A, None]);
        }
        for at in ["2026-10-24T21:59:59.999Z", "2026-10-25T23:00:00Z"] {
            result(&store, at, "reading", "nonconforming", "above-upper", [JOB, Some("failed"), A, None]);
        }
        let noon = within[1];
        result(&store, noon, "reading", "unjudged", "no-job clock", [None, Some("unverified"), Some("b"), None]);
        result(&store, noon, "reading", "unjudged", "unassigned no-job", [JOB, VERIFIED, Some("b"), None]);
        result(&store, noon, "reading", "nonconforming", "above-upper", [JOB, VERIFIED, A, Some("2")]);
        result(&store, noon, "verdict", "nonconforming", "above-upper", [JOB, VERIFIED, A, None]);
        result(&store, noon, "part", "nonconforming", "above-upper", [JOB, None, None, None]);
        result(&store, noon, "notice", "", "", [JOB, None, None, None]);
        let digest = of_day(&path, &zurich(), "c", "2026-10-25".parse().unwrap()).unwrap();
        assert_eq!(digest.from, "2026-10-25T00:00:00.000+02:00");
        assert_eq!(digest.until, "2026-10-26T00:00:00.000+01:00");
        assert_eq!(words(&digest.readings), "3 conforms, 1 nonconforming, 2 unjudged");
        assert_eq!(words(&digest.readings_by_station), "4 a, 2 b");
        assert_eq!(
            (words(&digest.pieces), words(&digest.verdicts)),
            ("1 nonconforming".into(), "1 nonconforming".into())
        );
        assert_eq!(words(&digest.unjudged), "1 clock, 2 no-job, 1 unassigned");
        assert_eq!((digest.retests, digest.unassigned, digest.notices, digest.corrections), (1, 2, 1, 0));
        assert_eq!(nested_words(&digest.unverified), "RT-1: 1 unverified");
    }

    #[test]
    fn rejects_gaps_and_deliveries_are_told() {
        let folder = tempfile::tempdir().unwrap();
        let path = store(folder.path());
        let store = Connection::open(&path).unwrap();
        let noon = us("2026-11-24T12:00:00Z");
        store
            .execute_batch(&format!(
                "INSERT INTO wording VALUES ('h', 'definition', 'd', '');
                 INSERT INTO transmission (id, origin, station, source, received_at, received_us, monotonic_ms, clock_synced, definition, sha256, raw)
                     VALUES (1, 'o1', 'a', '', '', {noon}, 0, 1, 'h', '', x''), (2, 'o2', 'b', '', '', {noon}, 0, 1, 'h', '', x''),
                            (3, 'o3', 'a', '', '', 0, 0, 1, 'h', '', x'');
                 INSERT INTO single_frame (transmission, number, start, bytes, outcome, reason, remarks, report)
                     VALUES (1, 1, 0, 1, 'accepted', NULL, '', ''), (1, 2, 0, 1, 'damaged', 'checksum', '', ''),
                            (1, 3, 0, 1, 'damaged', 'checksum', '', ''), (2, 1, 0, 1, 'not-mine', NULL, '', ''),
                            (3, 1, 0, 1, 'damaged', 'checksum', '', '');
                 INSERT INTO babble VALUES ('a', '2026-11-24', 5, 312, 99), ('a', '2026-11-23', 5, 1, 99), ('b', '2026-11-24', 5, 0, 0);
                 INSERT INTO coverage (station, cause, from_at, from_us, until_at, until_us) VALUES
                     ('a', 'ridgepost was not running', '', {}, '', {}),
                     ('a', 'the device hung up', '', {}, '', {}),
                     ('b', 'babbles: more than 5', '', {}, NULL, NULL),
                     ('b', 'the device hung up', '', 0, '', 1);
                 INSERT INTO parcel (sink, name, state) VALUES ('mes', '1', 'due'), ('mes', '2', 'parked'), ('mes', '3', 'delivered');",
                us("2026-11-23T22:00:00Z"),
                us("2026-11-23T23:01:00Z"),
                us("2026-11-24T10:00:00Z"),
                us("2026-11-24T10:00:30Z"),
                us("2026-11-24T22:00:00Z"),
            ))
            .unwrap();
        let digest = of_day(&path, &zurich(), "c", "2026-11-24".parse().unwrap()).unwrap();
        assert_eq!(nested_words(&digest.rejects), "a: 2 checksum; b: 1 not-mine");
        assert_eq!((words(&digest.rejects_not_kept), digest.rejected()), ("312 a".into(), 315));
        assert_eq!(words(&digest.port_drops), "1 a");
        let gaps: Vec<(&str, u64, u64)> =
            digest.gaps.iter().map(|(name, gap)| (name.as_str(), gap.count, gap.seconds)).collect();
        assert_eq!(gaps, [("a", 2, 90), ("b", 1, 3_600)]);
        assert_eq!(nested_words(&digest.undelivered), "mes: 1 due, 1 parked");
        let text = digest.text();
        for line in ["rejects            315   a: 2 checksum; b: 1 not-mine", "port drops           1   1 a"] {
            assert!(text.contains(line), "{text}");
        }
    }

    /// What a day of a large store costs: it must be found by its time, not by reading every row.
    #[test]
    fn a_day_is_found_by_an_index() {
        let folder = tempfile::tempdir().unwrap();
        let store = Connection::open(store(folder.path())).unwrap();
        for (sql, index) in [
            (
                "SELECT count(*) FROM result WHERE received_us >= 1 AND received_us < 2 AND kind = 'reading'",
                "entry_received",
            ),
            (
                "SELECT count(*) FROM transmission AS t JOIN single_frame AS f ON f.transmission = t.id WHERE t.received_us >= 1 \
              AND t.received_us < 2 AND f.outcome <> 'accepted'",
                "transmission_received",
            ),
        ] {
            let mut statement = store.prepare(&format!("EXPLAIN QUERY PLAN {sql}")).unwrap();
            let plan: Vec<String> = statement.query_map([], |row| row.get(3)).unwrap().map(Result::unwrap).collect();
            assert!(plan[0].contains(index), "{plan:?}");
        }
    }

    #[test]
    fn an_empty_day_is_a_page_of_noughts() {
        let folder = tempfile::tempdir().unwrap();
        let path = store(folder.path());
        let digest = of_day(&path, &zurich(), "c", "2026-11-24".parse().unwrap()).unwrap();
        assert!(digest.complete && digest.text().starts_with("c on 2026-11-24\n"));
        let noughts = digest.text().lines().skip(3).all(|line| line[14..22].trim() == "0");
        assert!(noughts, "{}", digest.text());
        let today = of_day(&path, &zurich(), "c", zurich().today()).unwrap();
        assert!(!today.complete && today.text().contains(", so far\n"));
    }
}
