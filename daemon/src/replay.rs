//! Reads stored bytes again with today's definitions and says what comes out otherwise: readings that nobody saw then, and
//! readings that say something else. Nothing stored is changed; the writer adds rows.
//!
//! What is compared is what a person reads: quantity, value, mark and the instrument's time. How it was judged is not
//! said anew: what is read late is judged by nobody.

mod stored;

use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};
use std::sync::{Arc, Mutex};

use ridgepost_config::{Plan, Source, Station};
use ridgepost_parsers::{COMPUTED_FIELDS, Decoder, Framer, Reading, Tick};
use rusqlite::{Connection, params};
use serde::{Deserialize, Serialize};

use crate::clock::Stamp;
use crate::store::{Answer, Change, Pen, PenFault, Provenance, StoreFault, Taken, What, open_for_reading};
use stored::{COLUMNS, Stored};

/// Which transmissions are read again.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Which {
    /// Received at or after this time (microseconds since 1970); all without one.
    pub since_us: Option<i64>,
    /// Of this station; of all without one.
    pub station: Option<String>,
}

/// What came of one station.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// Its name.
    pub station: String,
    /// Transmissions that were read again.
    pub transmissions: u64,
    /// Readings that nobody had seen.
    pub new: u64,
    /// Readings that say something else now, or are none.
    pub corrected: u64,
    /// Why it was left out.
    pub left_out: Option<String>,
}

/// Why it broke off. What was added so far stays: it is right by itself, and a further try goes on.
#[derive(Debug, thiserror::Error)]
pub enum ReplayFault {
    /// No such station.
    #[error("there is no station `{0}` in cell.toml")]
    Unknown(String),
    /// It is being done already.
    #[error("stored bytes are being read again already")]
    Busy,
    /// The program stops.
    #[error("the daemon stops: what was added so far is right, and once it runs again a further try goes on")]
    Stopped,
    /// The store can't be read.
    #[error("the store can't be read: {0}")]
    Store(#[from] StoreFault),
    /// The store could not be written.
    #[error("the store could not be written: {0}")]
    Pen(#[from] PenFault),
}

/// One at a time: two would add everything twice.
static ONE: Mutex<()> = Mutex::new(());

/// Transmissions before the first one asked for that a stream's decoder hears again, because what they told may hold.
const LEAD_IN: usize = 200;
/// Transmissions that are looked up at once.
const PAGE: usize = 200;
/// Changes that go to the writer at once.
const BATCH: usize = 200;
/// Longer than any silence that ends a frame, in milliseconds.
const SILENCE_MS: u64 = 3_600_000;

/// Reads again what was asked for, until `stops` says so.
pub fn replay(plan: &Plan, which: &Which, pen: &Pen, stops: &dyn Fn() -> bool) -> Result<Vec<Told>, ReplayFault> {
    let Ok(_one) = ONE.try_lock() else { return Err(ReplayFault::Busy) };
    let is_meant = |station: &&Station| which.station.as_ref().is_none_or(|name| *name == station.name);
    let stations: Vec<&Station> = plan.stations.iter().filter(is_meant).collect();
    if let (Some(name), true) = (&which.station, stations.is_empty()) {
        return Err(ReplayFault::Unknown(name.clone()));
    }
    let connection = open_for_reading(&plan.store)?;
    let since_us = which.since_us.unwrap_or(i64::MIN);
    stations.into_iter().map(|station| Again::new(station, since_us, &connection, pen)?.run(stops)).collect()
}

/// One transmission, as it was received.
struct Heard {
    from: Provenance,
    raw: Vec<u8>,
    /// What was before `since` is heard and not compared.
    is_meant: bool,
    /// It was read with today's definition.
    same_definition: bool,
    frames: Vec<HeardFrame>,
}

/// A frame as it was cut.
#[derive(Clone, Copy)]
struct HeardFrame {
    number: u32,
    /// Its first byte, and how many it has.
    start: u64,
    bytes: u64,
    accepted: bool,
    /// Bytes of it were lost or read wrongly on the line: what is left may look whole.
    lost: bool,
}

/// An old frame whose bytes are in the framer or were cut anew.
struct Old {
    begin: u64,
    end: u64,
    lost: bool,
    number: u32,
    is_meant: bool,
    from: Provenance,
    readings: Vec<(i64, Reading)>,
}

/// One station on its way through its transmissions.
struct Again<'a> {
    station: Arc<Station>,
    since_us: i64,
    connection: &'a Connection,
    pen: &'a Pen,
    framer: Framer,
    decoder: Decoder,
    /// Bytes pushed into the framer.
    pushed: u64,
    old: VecDeque<Old>,
    corrections: HashMap<String, Stored>,
    /// Files that are being recorded.
    recording: BTreeSet<i64>,
    changes: Vec<Change>,
    told: Told,
}

impl<'a> Again<'a> {
    fn new(
        station: &Station,
        since_us: i64,
        connection: &'a Connection,
        pen: &'a Pen,
    ) -> Result<Again<'a>, StoreFault> {
        let sql = format!("SELECT supersedes, {COLUMNS} FROM result WHERE supersedes IS NOT NULL ORDER BY seq");
        let mut statement = connection.prepare(&sql)?;
        let rows = statement.query_map([], |row| Ok((row.get::<_, String>(0)?, Stored::from_row(row, 1)?)))?;
        let corrections = rows.collect::<Result<_, _>>()?;
        let mut statement = connection.prepare("SELECT transmission FROM file WHERE state = 'recording'")?;
        let recording = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
        let instrument = &station.instrument;
        Ok(Again {
            since_us,
            connection,
            pen,
            framer: instrument.framer(),
            decoder: instrument.decoder(),
            pushed: 0,
            old: VecDeque::new(),
            corrections,
            recording,
            changes: Vec::new(),
            told: Told { station: station.name.clone(), ..Told::default() },
            station: Arc::new(station.clone()),
        })
    }

    fn run(mut self, stops: &dyn Fn() -> bool) -> Result<Told, ReplayFault> {
        let talks = self.station.instrument.definition().dialogue.is_some();
        self.told.left_out = if self.station.scanner.is_some() {
            Some("what it heard are labels, and those were obeyed at their time".to_owned())
        } else if matches!(&self.station.source, Source::Folder(folder) if folder.grows) {
            Some("its files grow: their rows are stored without the heading they are read by".to_owned())
        } else if talks {
            Some("it is talked to: what an answer was to is not in its bytes".to_owned())
        } else {
            None
        };
        if self.told.left_out.is_none() {
            let is_of_files = matches!(self.station.source, Source::Folder(_));
            let mut after = self.first()?;
            loop {
                let page = self.page(after)?;
                let Some(last) = page.last() else { break };
                after = last.from.transmission;
                for heard in page {
                    if stops() {
                        return Err(ReplayFault::Stopped);
                    }
                    match is_of_files {
                        true => self.file(&heard)?,
                        false => self.stream(&heard)?,
                    }
                }
            }
            self.end_stream()?;
            self.send()?;
        }
        Ok(self.told)
    }

    /// The transmission before the first one that is heard.
    fn first(&self) -> Result<i64, StoreFault> {
        let sql = "SELECT coalesce(min(id), 0) FROM (SELECT id FROM transmission WHERE station = ?1 AND id < \
                   coalesce((SELECT min(id) FROM transmission WHERE station = ?1 AND received_us >= ?2), 0) \
                   ORDER BY id DESC LIMIT ?3)";
        let lead_in = i64::try_from(LEAD_IN).unwrap_or(1);
        let values = params![self.station.name, self.since_us, lead_in];
        let first: i64 = self.connection.query_row(sql, values, |row| row.get(0))?;
        Ok(first - 1)
    }

    fn page(&self, after: i64) -> Result<Vec<Heard>, StoreFault> {
        let mut statement = self.connection.prepare_cached(
            "SELECT t.id, t.received_at, t.received_us, t.clock_synced, t.definition, t.raw FROM transmission AS t \
             WHERE t.station = ?1 AND t.id > ?2 ORDER BY t.id LIMIT ?3",
        )?;
        // Files are looked up one by one: each may be large.
        let most = if matches!(self.station.source, Source::Folder(_)) { 1 } else { PAGE };
        let rows = statement.query_map(params![self.station.name, after, i64::try_from(most).unwrap_or(1)], |row| {
            let received = Stamp { at: row.get(1)?, us: row.get(2)?, monotonic_ms: 0, synced: row.get::<_, bool>(3)? };
            let from = Provenance {
                transmission: row.get(0)?,
                station: Arc::clone(&self.station),
                taken: Taken::At(received.us),
                received,
                place: Arc::default(),
            };
            Ok(Heard {
                is_meant: from.received.us >= self.since_us,
                same_definition: row.get::<_, String>(4)? == self.station.definition.hash,
                raw: row.get(5)?,
                frames: Vec::new(),
                from,
            })
        })?;
        let mut page = rows.collect::<Result<Vec<Heard>, _>>()?;
        let sql = "SELECT number, start, bytes, outcome = 'accepted', coalesce(reason, '') = 'lost' FROM frame \
             WHERE transmission = ?1 ORDER BY number";
        let mut statement = self.connection.prepare_cached(sql)?;
        for heard in &mut page {
            let number = |row: &rusqlite::Row, at| row.get::<_, i64>(at).map(|it| u64::try_from(it).unwrap_or(0));
            let frames = statement.query_map([heard.from.transmission], |row| {
                let (start, bytes) = (number(row, 1)?, number(row, 2)?);
                Ok(HeardFrame { number: row.get(0)?, start, bytes, accepted: row.get(3)?, lost: row.get(4)? })
            })?;
            heard.frames = frames.collect::<Result<_, _>>()?;
        }
        Ok(page)
    }

    /// The bytes of a stream go on from one transmission to the next; each was one frame.
    fn stream(&mut self, heard: &Heard) -> Result<(), ReplayFault> {
        self.told.transmissions += u64::from(heard.is_meant);
        let Some(HeardFrame { number, start, accepted, lost, .. }) = heard.frames.first().copied() else {
            return Ok(());
        };
        if start == 0 {
            self.end_stream()?;
        }
        let at = Tick(u64::try_from(heard.from.received.us / 1000).unwrap_or(0));
        let begin = self.pushed;
        self.pushed += heard.raw.len() as u64;
        let is_meant = heard.is_meant && !(self.as_before(heard) && accepted);
        let from = heard.from.clone();
        self.old.push_back(Old { begin, end: self.pushed, lost, number, is_meant, from, readings: Vec::new() });
        self.framer.push(&heard.raw, at);
        while let Some(frame) = self.framer.poll() {
            self.frame(&frame);
        }
        if self.framer.pending() == 0 {
            self.compare()?;
        }
        Ok(())
    }

    /// Whether a transmission says what it said, without looking: the definition is the same, and none was in force between
    /// whose corrections have to be corrected.
    fn as_before(&self, heard: &Heard) -> bool {
        heard.same_definition && self.corrections.is_empty()
    }

    /// The device was opened anew, or nothing more was heard.
    fn end_stream(&mut self) -> Result<(), ReplayFault> {
        let late = self.framer.deadline().map(|deadline| Tick(deadline.0.saturating_add(SILENCE_MS)));
        let mut more = late.and_then(|late| self.framer.expire(late));
        while let Some(frame) = more.or_else(|| self.framer.poll()).or_else(|| self.framer.hang_up()) {
            self.frame(&frame);
            more = None;
        }
        self.compare()?;
        (self.framer, self.pushed) = (self.station.instrument.framer(), 0);
        Ok(())
    }

    /// A file is read by itself. What an earlier one of its name held was recorded with that one.
    fn file(&mut self, heard: &Heard) -> Result<(), ReplayFault> {
        if !heard.is_meant || self.recording.contains(&heard.from.transmission) {
            return Ok(());
        }
        self.told.transmissions += 1;
        self.decoder = self.station.instrument.decoder();
        self.framer = self.station.instrument.framer();
        for HeardFrame { number, start: begin, bytes, accepted, lost } in heard.frames.iter().copied() {
            let is_meant = !(self.as_before(heard) && accepted);
            let (end, from) = (begin + bytes, heard.from.clone());
            self.old.push_back(Old { begin, end, lost, number, is_meant, from, readings: Vec::new() });
        }
        let begin = heard.frames.first().map_or(u64::MAX, |frame| frame.start);
        self.framer.push(&heard.raw, Tick(0));
        while let Some(frame) = self.framer.poll().or_else(|| self.framer.finish()) {
            let known = frame.offset + frame.raw.len() as u64 <= begin;
            match known {
                true => drop(self.decoder.decode(&frame)),
                false => self.frame(&frame),
            }
        }
        self.compare()
    }

    /// What a frame says belongs to the old frame that holds its last byte.
    fn frame(&mut self, frame: &ridgepost_parsers::Frame) {
        let end = frame.offset + frame.raw.len() as u64;
        let has_lost = self.old.iter().any(|old| old.lost && old.begin < end && old.end > frame.offset);
        let decoded = match has_lost {
            true => self.decoder.decode_faulty(frame),
            false => self.decoder.decode(frame),
        };
        let Some(old) = self.old.iter_mut().find(|old| old.end >= end) else { return };
        let next = old.readings.last().map_or(0, |(field, _)| field + 1);
        let readings = decoded.readings.into_iter().map(|reading| (next + i64::from(reading.field), reading));
        old.readings.extend(readings);
    }

    /// Everything pushed so far is cut anew: what comes out otherwise than it stands in the store?
    fn compare(&mut self) -> Result<(), ReplayFault> {
        for old in std::mem::take(&mut self.old) {
            if !old.is_meant {
                continue;
            }
            let mut stored = self.stored(old.from.transmission, old.number)?;
            for (field, reading) in old.readings {
                let change = |supersedes| Change {
                    from: old.from.clone(),
                    frame: old.number,
                    field,
                    reading: Some(reading.clone()),
                    supersedes,
                    quantity: reading.quantity.to_string(),
                };
                match stored.remove(&field) {
                    None => self.changes.push(change(None)),
                    Some(stored) if stored.is_void || stored.says(&reading) => {}
                    Some(stored) => self.changes.push(change(Some(stored.id))),
                }
            }
            // What is left was read then and is no reading now.
            for (field, stored) in stored.into_iter().filter(|(_, stored)| !stored.is_void && !stored.is_none()) {
                let Stored { id, quantity, .. } = stored;
                let (from, frame) = (old.from.clone(), old.number);
                self.changes.push(Change { from, frame, field, reading: None, supersedes: Some(id), quantity });
            }
        }
        if self.changes.len() >= BATCH { self.send() } else { Ok(()) }
    }

    /// What the store says of a frame's readings by now.
    fn stored(&self, transmission: i64, frame: u32) -> Result<BTreeMap<i64, Stored>, StoreFault> {
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT field, {COLUMNS} FROM result \
             WHERE transmission = ?1 AND frame = ?2 AND field < {COMPUTED_FIELDS} AND kind = 'reading'"
        ))?;
        let rows = statement
            .query_map(params![transmission, frame], |row| Ok((row.get::<_, i64>(0)?, Stored::from_row(row, 1)?)))?;
        let mut stored: BTreeMap<i64, Stored> = rows.collect::<Result<_, _>>()?;
        for stored in stored.values_mut() {
            while let Some(correction) = self.corrections.get(&stored.id) {
                *stored = correction.clone();
            }
        }
        Ok(stored)
    }

    fn send(&mut self) -> Result<(), ReplayFault> {
        let changes = std::mem::take(&mut self.changes);
        if changes.is_empty() {
            return Ok(());
        }
        if let Answer::Reread { new, corrected } = self.pen.ask_blocking(What::Reread(changes))? {
            self.told.new += new;
            self.told.corrected += corrected;
        }
        Ok(())
    }
}
