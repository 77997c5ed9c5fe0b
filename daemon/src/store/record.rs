//! What one transaction writes: a transmission with its frames, the rows that judging makes of its readings,
//! and which parcel each row travels in.
//!
//! Nothing here commits. The writer calls these inside a transaction of its own and keeps the changed
//! [`Context`] only if that transaction stood.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use ridgepost_config::{Gauge, GaugeBinding, Job, Place, Plan, Sink, Station};
use ridgepost_judge::{self as judge, Kind, Mode, Piece};
use ridgepost_parsers::{Decoded, Frame, Outcome, Reading, Remark};
use rusqlite::{Transaction, params};

use super::StoreFault;
use super::again::Again;
use super::babble::Babble;
use super::chain::Chain;
use super::gauge::Gauges;
use super::held::{Kept, Said};
use super::page::Page;
use super::parcel::{Posted, Postings};
use super::piece::OpenJob;
use super::row::{Around, Bases};
use super::taken::Taken;
use crate::cell::Cell;
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

static NO_CYCLES: judge::Cycles = judge::Cycles::new();

/// What is to be posted, and the readings with their numbers.
pub(super) type Written<'r> = (Vec<Posted>, Vec<(i64, &'r Reading)>);

/// What judging needs to remember between transmissions.
#[derive(Clone, Debug, Default)]
pub struct Context {
    /// The open job, if one is.
    pub open: Option<OpenJob>,
    /// How much every port babbles.
    pub babble: Babble,
    /// What labels said.
    pub labels: Kept,
    /// What happened to gauges.
    pub gauges: Gauges,
    /// Jobs of openings that corrections were about.
    pub(super) runs: BTreeMap<i64, Arc<Job>>,
    /// The chain that results are sealed by.
    pub(super) chain: Chain,
    /// What rows had in common.
    pub(super) bases: Bases,
    /// Parcels that take more rows.
    pub(super) postings: Postings,
    /// Texts that are surely kept.
    pub(super) kept_texts: Arc<BTreeSet<String>>,
}

/// Everything a transaction needs besides the transmission itself.
pub struct Recorder<'a> {
    /// The transaction.
    pub tx: &'a Transaction<'a>,
    /// The configuration in force.
    pub cell: &'a Cell,
    /// Its plan.
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
    /// What the way to their file says of them.
    pub place: Arc<Place>,
}

impl Recorder<'_> {
    /// Writes a port's transmission. Writing the same origin again changes nothing and says so by an empty tally.
    /// Rejects of a port that babbles are counted, not kept.
    pub fn burst(&mut self, burst: &Burst) -> Result<Tally, StoreFault> {
        if self.is_written(burst)? {
            return Ok(Tally::default());
        }
        if burst.station.scanner.is_some() {
            return self.scanned(burst);
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
        let transmission = self.raw(burst)?;
        let provenance = Provenance {
            transmission,
            station: Arc::clone(&burst.station),
            received: burst.received.clone(),
            taken: Taken::Live,
            place: Arc::default(),
        };
        self.frames(&provenance, std::slice::from_ref(&burst.heard))
    }

    /// Writes frames and judges their readings.
    pub fn frames(&mut self, from: &Provenance, frames: &[Heard]) -> Result<Tally, StoreFault> {
        let mut tally = Tally::default();
        let mut page = Page::default();
        let frames: Vec<_> = frames.iter().map(|heard| self.with_computed(from, heard)).collect();
        for heard in frames.iter().map(AsRef::as_ref) {
            let decoded = &heard.decoded;
            let mut remarks = decoded.remarks.clone();
            if !from.received.synced && !decoded.readings.is_empty() {
                remarks.push(Remark::ClockUnsynced);
            }
            if from.taken == Taken::Live && decoded.readings.iter().any(|reading| self.clock_is_off(from, reading)) {
                remarks.push(Remark::InstrumentClockOff);
            }
            let seen = self.readings(from, heard.number, &decoded.readings)?;
            if seen > 0 && !remarks.contains(&Remark::Repeat) {
                remarks.push(Remark::Repeat);
            }
            // What the decoder itself knew from before never became a reading.
            tally.seen += seen.max(u64::from(remarks.contains(&Remark::Repeat)));
            tally.new += decoded.readings.len() as u64 - seen;
            tally.rejected += u64::from(matches!(decoded.outcome, Outcome::Damaged | Outcome::Incomplete));
            page.add(self.tx, from.transmission, heard, &remarks)?;
        }
        page.close(self.tx, from.transmission)?;
        Ok(tally)
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
    pub(super) fn known(&self, from: &Provenance, gauge: Option<&str>, reading: &Reading) -> Result<bool, StoreFault> {
        let Some(key) = from.station.instrument.identity_key(reading) else { return Ok(false) };
        Ok(self
            .tx
            .prepare_cached("SELECT 1 FROM identity WHERE gauge = ?1 AND key = ?2")?
            .exists(params![gauge.unwrap_or(&from.station.name), key])?)
    }

    pub(super) fn gauge_id(&self, binding: &GaugeBinding, reading: &Reading) -> Option<String> {
        match binding {
            GaugeBinding::One(id) => Some(id.clone()),
            GaugeBinding::ByChannel(gauges) => gauges.get(reading.identity.channel.as_deref()?).cloned(),
            GaugeBinding::None => None,
        }
    }

    fn measurement(
        &mut self,
        from: &Provenance,
        frame: u32,
        gauge_id: Option<&str>,
        readings: &[&Reading],
    ) -> Result<(), StoreFault> {
        let is_now = from.taken == Taken::Live && !readings.iter().any(|reading| reading.stored);
        let said = if is_now { Some(self.said_of(&from.station.name, &from.received)?) } else { None };
        let gauge: Option<&Gauge> = gauge_id.and_then(|id| self.plan.gauges.get(id));
        let specimen = match &said {
            Some(said) => self.specimen_of(gauge, (said.mode(), &said.spoken()), &from.received)?,
            None => None,
        };
        let gauge_state = self.state_of(gauge_id.unwrap_or(""), from.received.us);
        let untouched = Piece::default();
        let next_due = self.settle_due(from.received.us)?;
        let open = self.job_for(from, readings);
        let piece = open.map_or(&untouched, |open| &open.piece);
        let mut circumstances = judge::Circumstances {
            job: open.map(|open| &*open.job),
            gauge_id: gauge_id.unwrap_or(""),
            gauge,
            gauge_state,
            station: &from.station.name,
            mode: match specimen {
                Some(_) => Mode::Verification,
                None => said.as_ref().map_or(Mode::Production, Said::mode),
            },
            of_specimen: specimen.is_some(),
            late: matches!(from.taken, Taken::At(_)),
            given: said.as_ref().map(Said::given).unwrap_or_default(),
            cycles: open.map_or(&NO_CYCLES, |open| &*open.cycles),
            specimens: &self.plan.specimens,
            next_due: &next_due,
            place: super::taken::place(from, open),
        };
        let spoken = said.as_ref().map(Said::spoken).unwrap_or_default();
        if let Some(told) = self.told_before(open, &circumstances, readings)? {
            let alone = judge::Circumstances { job: None, ..circumstances };
            let recorded = judge::judge(&alone, &untouched, readings).unwrap_or_default().rows;
            return self.measured_again(Again {
                from,
                frame,
                readings,
                recorded,
                gauge_id,
                gauge_state,
                spoken,
                is_now,
                told,
            });
        }
        let judgement = judged_or_kept(&mut circumstances, piece, readings);
        let run = open.filter(|_| circumstances.job.is_some()).map(|open| (open.run, Arc::clone(&open.job)));
        let around = Around { from: Some(from), reading: None, run: run.as_ref(), spoken: &spoken, beside: None };
        let (posted, written) = self.write(&judgement.rows, around, (frame, readings), gauge_id)?;
        if let Some(current) = self.context.open.as_mut()
            && run.is_some()
        {
            current.piece = judgement.piece;
            current.pass_over();
        }
        self.labels_used(from, &judgement.rows, is_now)?;
        self.told_of_retests(from, &judgement.rows);
        self.pieces_ended(&judgement.rows, &from.received)?;
        self.post(&posted)?;
        gauge.map_or(Ok(()), |gauge| self.gauge_used(gauge, specimen, from, &written))
    }

    /// Writes the rows of a measurement.
    pub(super) fn write<'r>(
        &mut self,
        rows: &[judge::Row],
        around: Around,
        (frame, readings): (u32, &[&'r Reading]),
        gauge_id: Option<&str>,
    ) -> Result<Written<'r>, StoreFault> {
        let mut posted = Vec::with_capacity(rows.len());
        let mut written = Vec::new();
        for row in rows {
            let reading = row.reading.map(|index| readings[index]);
            let seq = self.row(row, Around { reading: reading.map(|reading| (frame, reading)), ..around })?;
            if let (Kind::Reading, Some(reading), Some(from)) = (row.kind, reading, around.from) {
                self.identify(from, gauge_id, reading, seq)?;
                written.push((seq, reading));
            }
            posted.push(Posted::new(seq, row, around.run));
        }
        Ok((posted, written))
    }

    /// Keeps what makes a reading the same as a later one.
    fn identify(&self, from: &Provenance, gauge: Option<&str>, reading: &Reading, seq: i64) -> Result<(), StoreFault> {
        let Some(key) = from.station.instrument.identity_key(reading) else { return Ok(()) };
        self.tx
            .prepare_cached("INSERT OR IGNORE INTO identity (gauge, key, seq) VALUES (?1, ?2, ?3)")?
            .execute(params![gauge.unwrap_or(&from.station.name), key, seq])?;
        Ok(())
    }

    /// Puts rows into the parcels of every sink.
    pub fn post(&mut self, posted: &[Posted]) -> Result<(), StoreFault> {
        if !self.posts {
            return Ok(());
        }
        let sinks: &[Sink] = &self.plan.sinks;
        self.context.postings.post(self.tx, sinks, &self.plan.cell.name, posted, self.now.us)
    }
}

/// What judging makes of readings; where the job can't be judged by, they are kept as if none were open.
fn judged_or_kept(circumstances: &mut judge::Circumstances, piece: &Piece, readings: &[&Reading]) -> judge::Judgement {
    judge::judge(circumstances, piece, readings).unwrap_or_else(|fault| {
        tracing::error!(code = "not-judged", "{fault}; the reading is kept, as if no job were open");
        circumstances.job = None;
        judge::judge(circumstances, piece, readings).unwrap_or_default()
    })
}

/// SHA-256 in lower-case hex.
pub fn sha256(bytes: &[u8]) -> String {
    use sha2::Digest;
    hex(&sha2::Sha256::digest(bytes))
}

/// Bytes in hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    let digit = |half: u8| char::from_digit(u32::from(half), 16).unwrap_or('0');
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(byte & 15)]).collect()
}
