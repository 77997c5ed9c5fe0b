//! What one transaction writes: a transmission with its frames, the rows that judging makes of its readings,
//! and which parcel each row travels in.
//!
//! Nothing here commits. The writer calls these inside a transaction of its own and keeps the changed
//! [`Context`] only if that transaction stood.

use std::sync::Arc;

use ridgepost_config::{Gauge, GaugeBinding, Job, Plan, Sink, Station};
use ridgepost_judge::{self as judge, Kind, Mode, Piece};
use ridgepost_parsers::{Decoded, Frame, FrameReport, Outcome, Reading, Remark};
use rusqlite::{Transaction, params};

use super::StoreFault;
use super::babble::Babble;
use super::parcel::{self, Posted};
use crate::clock::Stamp;

/// One frame and what it says.
#[derive(Clone, Debug)]
pub struct Heard {
    /// Number within its transmission, from 1.
    pub number: u32,
    /// The bytes.
    pub frame: Frame,
    /// What they say.
    pub decoded: Decoded,
}

/// A transmission of a port: one frame with its bytes.
#[derive(Clone, Debug)]
pub struct Burst {
    /// Unique over all runs of the program; a second write under the same origin changes nothing.
    pub origin: String,
    /// Which station heard it.
    pub station: Arc<Station>,
    /// Where it came from, for people: the port's path.
    pub source: String,
    /// When its last byte arrived.
    pub received: Stamp,
    /// The frame.
    pub heard: Heard,
}

/// What became of a stretch of frames.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Readings new to the store.
    pub new: u64,
    /// Readings seen before, by their identity.
    pub seen: u64,
    /// Frames that could not be trusted.
    pub rejected: u64,
    /// Of these, frames of a port that babbles: counted, not kept.
    pub not_kept: u64,
}

/// The job that is open and the piece being measured.
#[derive(Clone, Debug)]
pub struct OpenJob {
    /// Key of the event that opened it.
    pub run: i64,
    /// The job as it was when it was opened.
    pub job: Arc<Job>,
    /// The piece being measured.
    pub piece: Piece,
}

/// What judging needs to remember between transmissions.
#[derive(Clone, Debug, Default)]
pub struct Context {
    /// The open job, if one is.
    pub open: Option<OpenJob>,
    /// How much every port babbles.
    pub babble: Babble,
}

/// Everything a transaction needs besides the transmission itself.
pub struct Recorder<'a> {
    /// The transaction.
    pub tx: &'a Transaction<'a>,
    /// The plan in force.
    pub plan: &'a Plan,
    /// The store's own id.
    pub store_id: &'a str,
    /// Open job and piece; changed as readings arrive.
    pub context: &'a mut Context,
    /// The day.
    pub today: jiff::civil::Date,
    /// The day for due dates: none where the clock can't be right.
    pub day_for_dates: Option<jiff::civil::Date>,
    /// Now.
    pub now: &'a Stamp,
    /// Whether this run found a store that was put in the place of another one.
    pub restored: bool,
    /// Whether rows get their parcels; only a test's control says no.
    pub posts: bool,
}

/// Where the readings of a stretch of frames came from.
#[derive(Clone, Debug)]
pub struct Provenance {
    /// Key of the transmission.
    pub transmission: i64,
    /// Which station.
    pub station: Arc<Station>,
    /// When it was received.
    pub received: Stamp,
    /// When the readings were taken, as far as that can be believed.
    pub taken: Taken,
}

/// How well the time of measuring is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// Now: it arrived as it was measured.
    Live,
    /// Earlier, at this time (microseconds since 1970): a file that waited.
    At(i64),
}

impl Recorder<'_> {
    /// Writes a port's transmission. Writing the same origin again changes nothing and says so by an empty tally.
    /// Rejects of a port that babbles are counted, not kept.
    pub fn burst(&mut self, burst: &Burst) -> Result<Tally, StoreFault> {
        if self.is_written(burst)? {
            return Ok(Tally::default());
        }
        if burst.heard.decoded.outcome == Outcome::Accepted {
            self.speaks(burst)?;
        } else if self.babbles(burst)? {
            return Ok(Tally { rejected: 1, not_kept: 1, ..Tally::default() });
        }
        self.keep(burst)
    }

    fn is_written(&self, burst: &Burst) -> Result<bool, StoreFault> {
        Ok(self.tx.prepare_cached("SELECT 1 FROM transmission WHERE origin = ?1")?.exists([&burst.origin])?)
    }

    /// Writes a port's transmission whatever it is.
    pub(super) fn keep(&mut self, burst: &Burst) -> Result<Tally, StoreFault> {
        let raw = &burst.heard.frame.raw;
        let transmission = self.transmission(&burst.origin, &burst.station, &burst.source, &burst.received, raw)?;
        let provenance = Provenance {
            transmission,
            station: Arc::clone(&burst.station),
            received: burst.received.clone(),
            taken: Taken::Live,
        };
        self.frames(&provenance, std::slice::from_ref(&burst.heard))
    }

    /// Writes the row of a transmission and the definition it was read with.
    pub fn transmission(
        &mut self,
        origin: &str,
        station: &Station,
        source: &str,
        received: &Stamp,
        raw: &[u8],
    ) -> Result<i64, StoreFault> {
        self.wording("definition", station.instrument.name(), &station.definition)?;
        self.tx
            .prepare_cached(
                "INSERT INTO transmission (origin, station, source, received_at, received_us, monotonic_ms, \
                 clock_synced, definition, sha256, raw) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            )?
            .execute(params![
                origin,
                station.name,
                source,
                received.at,
                received.us,
                i64::try_from(received.monotonic_ms).unwrap_or(i64::MAX),
                received.synced,
                station.definition.hash,
                sha256(raw),
                raw
            ])?;
        Ok(self.tx.last_insert_rowid())
    }

    /// Keeps a text of the configuration once, under its hash.
    pub fn wording(&self, kind: &str, name: &str, text: &ridgepost_config::Text) -> Result<(), StoreFault> {
        self.tx
            .prepare_cached("INSERT OR IGNORE INTO wording (hash, kind, name, body) VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![text.hash, kind, name, &*text.body])?;
        Ok(())
    }

    /// Writes frames and judges their readings.
    pub fn frames(&mut self, from: &Provenance, frames: &[Heard]) -> Result<Tally, StoreFault> {
        let mut tally = Tally::default();
        for heard in frames {
            let mut decoded = heard.decoded.clone();
            if !from.received.synced && !decoded.readings.is_empty() {
                decoded.remarks.push(Remark::ClockUnsynced);
            }
            if from.taken == Taken::Live && decoded.readings.iter().any(|reading| self.clock_is_off(from, reading)) {
                decoded.remarks.push(Remark::InstrumentClockOff);
            }
            let seen = self.readings(from, heard.number, &decoded.readings)?;
            if seen > 0 && !decoded.remarks.contains(&Remark::Repeat) {
                decoded.remarks.push(Remark::Repeat);
            }
            // What the decoder itself knew from before never became a reading.
            tally.seen += seen.max(u64::from(decoded.remarks.contains(&Remark::Repeat)));
            tally.new += decoded.readings.len() as u64 - seen;
            tally.rejected += u64::from(matches!(decoded.outcome, Outcome::Damaged | Outcome::Incomplete));
            self.frame(from.transmission, heard, &decoded)?;
        }
        Ok(tally)
    }

    /// Whether a reading that arrived as it was measured carries a time far from this PC's.
    fn clock_is_off(&self, from: &Provenance, reading: &Reading) -> bool {
        !reading.stored
            && measured_us(reading, self.plan)
                .is_some_and(|measured| measured.abs_diff(from.received.us) > INSTRUMENT_CLOCK_OFF_US)
    }

    fn frame(&self, transmission: i64, heard: &Heard, decoded: &Decoded) -> Result<(), StoreFault> {
        let report = FrameReport::new(u64::from(heard.number), &heard.frame, decoded);
        let report = serde_json::to_string(&report).unwrap_or_default();
        let remarks: Vec<&str> = decoded.remarks.iter().map(|remark| remark.code()).collect();
        self.tx
            .prepare_cached(
                "INSERT INTO frame (transmission, number, start, bytes, outcome, reason, detail, remarks, report) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            )?
            .execute(params![
                transmission,
                heard.number,
                i64::try_from(heard.frame.offset).unwrap_or(i64::MAX),
                i64::try_from(heard.frame.raw.len()).unwrap_or(i64::MAX),
                outcome_code(decoded.outcome),
                decoded.reason.map(|reason| reason.code()),
                decoded.detail,
                remarks.join(" "),
                report
            ])?;
        Ok(())
    }

    /// Judges the readings of one frame, measurement by measurement, and writes the rows. Returns how many were
    /// seen before.
    fn readings(&mut self, from: &Provenance, frame: u32, readings: &[Reading]) -> Result<u64, StoreFault> {
        let mut seen = 0;
        for group in readings.chunk_by(|one, next| one.record == next.record) {
            let gauge = self.gauge_id(&from.station.gauge, &group[0]);
            let mut fresh = Vec::new();
            for reading in group {
                match self.known(from, gauge.as_deref(), reading)? {
                    true => seen += 1,
                    false => fresh.push(reading),
                }
            }
            if !fresh.is_empty() {
                self.measurement(from, frame, gauge.as_deref(), &fresh)?;
            }
        }
        Ok(seen)
    }

    /// Whether a reading with the same identity is in the store already.
    fn known(&self, from: &Provenance, gauge: Option<&str>, reading: &Reading) -> Result<bool, StoreFault> {
        let Some(key) = from.station.instrument.identity_key(reading) else { return Ok(false) };
        Ok(self
            .tx
            .prepare_cached("SELECT 1 FROM identity WHERE gauge = ?1 AND key = ?2")?
            .exists(params![gauge.unwrap_or(&from.station.name), key])?)
    }

    fn gauge_id(&self, binding: &GaugeBinding, reading: &Reading) -> Option<String> {
        match binding {
            GaugeBinding::One(id) => Some(id.clone()),
            GaugeBinding::ByChannel(gauges) => gauges.get(reading.identity.channel.as_deref()?).cloned(),
        }
    }

    fn measurement(
        &mut self,
        from: &Provenance,
        frame: u32,
        gauge_id: Option<&str>,
        readings: &[&Reading],
    ) -> Result<(), StoreFault> {
        let gauge: Option<&Gauge> = gauge_id.and_then(|id| self.plan.gauges.get(id));
        let open = self.job_for(from, readings)?;
        let piece = open.as_ref().map(|open| open.piece.clone()).unwrap_or_default();
        let (gauge_state, _) = judge::gauge_state(gauge, self.day_for_dates);
        let mut circumstances = judge::Circumstances {
            job: open.as_ref().map(|open| &*open.job),
            gauge_id: gauge_id.unwrap_or(""),
            gauge,
            gauge_state,
            station: &from.station.name,
            mode: Mode::Production,
            late: matches!(from.taken, Taken::At(_)),
        };
        let judgement = match judge::judge(&circumstances, &piece, readings) {
            Ok(judgement) => judgement,
            Err(fault) => {
                tracing::error!(code = "not-judged", "{fault}; the reading is kept, as if no job were open");
                circumstances.job = None;
                judge::judge(&circumstances, &piece, readings).unwrap_or_default()
            }
        };
        let judged = circumstances.job.is_some();
        let run = open.filter(|_| judged).map(|open| (open.run, open.job));
        let mut posted = Vec::new();
        for row in &judgement.rows {
            let reading = row.reading.map(|index| readings[index]);
            let seq = self.row(row, Some(from), reading.map(|reading| (frame, reading)), run.as_ref())?;
            if row.kind == Kind::Reading
                && let Some(reading) = reading
                && let Some(key) = from.station.instrument.identity_key(reading)
            {
                self.tx
                    .prepare_cached("INSERT OR IGNORE INTO identity (gauge, key, seq) VALUES (?1, ?2, ?3)")?
                    .execute(params![gauge_id.unwrap_or(&from.station.name), key, seq])?;
            }
            posted.push(Posted::new(seq, row, run.as_ref()));
        }
        if let Some(current) = self.context.open.as_mut()
            && run.is_some()
        {
            current.piece = judgement.piece;
        }
        self.post(&posted)
    }

    /// The open job, if these readings may be judged by it: they were taken while it was open.
    fn job_for(&self, from: &Provenance, readings: &[&Reading]) -> Result<Option<OpenJob>, StoreFault> {
        let Some(open) = &self.context.open else { return Ok(None) };
        let taken = match from.taken {
            _ if readings.iter().any(|reading| reading.stored) => measured_us(readings[0], self.plan),
            Taken::At(us) => Some(us),
            Taken::Live => return Ok(Some(open.clone())),
        };
        let opened: i64 =
            self.tx.query_row("SELECT at_us FROM job_event WHERE id = ?1", [open.run], |row| row.get(0))?;
        Ok(taken.is_some_and(|taken| opened <= taken && taken <= from.received.us).then(|| open.clone()))
    }

    /// Puts rows into the parcels of every sink.
    pub fn post(&self, posted: &[Posted]) -> Result<(), StoreFault> {
        if !self.posts {
            return Ok(());
        }
        let sinks: &[Sink] = &self.plan.sinks;
        parcel::post(self.tx, sinks, &self.plan.cell.name, posted, self.now.us)
    }
}

/// An instrument's clock may differ from this PC's by so much before it is told (common practice, no source).
const INSTRUMENT_CLOCK_OFF_US: u64 = 15 * 60 * 1_000_000;

/// The instrument's own time, where it is whole (date and time) and the cell's zone makes it one moment.
fn measured_us(reading: &Reading, plan: &Plan) -> Option<i64> {
    let text = reading.identity.time.as_deref()?;
    if let Ok(time) = text.parse::<jiff::Timestamp>() {
        return Some(time.as_microsecond());
    }
    let local: jiff::civil::DateTime = text.parse().ok()?;
    text.contains('T')
        .then(|| local.to_zoned_datetime(plan.cell.time_zone.clone()).ok())?
        .map(|time| time.timestamp().as_microsecond())
}

fn outcome_code(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Accepted => "accepted",
        Outcome::NotMine => "not-mine",
        Outcome::Damaged => "damaged",
        Outcome::Incomplete => "incomplete",
    }
}

/// SHA-256 in lower-case hex.
pub fn sha256(bytes: &[u8]) -> String {
    use sha2::Digest;
    sha2::Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}
