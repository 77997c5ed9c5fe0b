//! Sinks: what is recorded reaches whoever waits for it.
//!
//! The outbox in the store is the queue; nothing that is to be delivered lives in memory. A sink makes one
//! distinction only: *later* (the folder is away, full, read-only: the whole sink waits, with growing pauses) or
//! *never* (this parcel can't be delivered as it is: it is parked with its reason and the next one goes on).

pub mod drop;
pub mod porter;
pub mod sheet;

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use porter::Porter;
use ridgepost_config::{CsvSink, Sink, SinkKind};
use rusqlite::Connection;
use sheet::Sheet;

use crate::capture::Board;
use crate::store::weaken::Weakened;
use crate::store::{Pen, Severity, StoreFault, What, open_for_reading, query};

/// Parcels looked for without a nudge. Every commit gives one, and so does the sign of life, every 20 s.
const RESCAN: Duration = Duration::from_secs(60);
/// First and longest pause after a failure.
const PAUSE_FIRST: Duration = Duration::from_millis(500);
const PAUSE_LONGEST: Duration = Duration::from_secs(15);
/// Most parcels delivered between two notes to the store, and the longest time: after a kill what was not noted is placed
/// again.
const BATCH: usize = 64;
const NOTE_WITHIN: Duration = Duration::from_millis(200);

/// Why a parcel is not delivered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Undelivered {
    /// The sink can't take anything now.
    Later(String),
    /// The sink can't take this parcel.
    Never(String),
}

/// The pause before a failing sink is tried again. Pure: failures in, pauses out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BackOff(u32);

impl BackOff {
    /// The pause after one more failure: doubling, with a cap.
    pub fn failed(&mut self) -> Duration {
        let pause = PAUSE_FIRST.saturating_mul(2_u32.saturating_pow(self.0)).min(PAUSE_LONGEST);
        self.0 = self.0.saturating_add(1);
        pause
    }

    /// All is well again: how many failures there were.
    pub fn recovered(&mut self) -> u32 {
        std::mem::take(&mut self.0)
    }
}

/// One sink at work.
pub struct Worker {
    /// What it is.
    pub sink: Sink,
    /// Where the store is.
    pub store: PathBuf,
    /// The way to the writer.
    pub pen: Pen,
    /// Woken after commits; ends when the daemon drops its end.
    pub nudged: Receiver<()>,
    /// Where it says how it is doing.
    pub board: Board,
    /// The program stops.
    pub stop: tokio_util::sync::CancellationToken,
    /// Its read connection, once it has one.
    pub reader: Option<Connection>,
    /// Who carries files to a folder that may hang.
    pub porter: Porter,
}

impl Worker {
    /// Delivers until the program stops. Blocks.
    pub fn run(mut self) {
        let mut back_off = BackOff::default();
        let mut trouble: Option<Instant> = None;
        while !self.stop.is_cancelled() {
            let pause = match self.deliver_due() {
                Ok(()) => {
                    let failures = back_off.recovered();
                    if let Some(since) = trouble.take() {
                        let s = since.elapsed().as_secs();
                        tracing::info!(
                            code = "sink-back",
                            sink = self.sink.name,
                            "delivers again after {s} s and {failures} tries"
                        );
                        self.board.change(&key(&self.sink.name), |status| status.trouble = None);
                    }
                    None
                }
                Err(cause) => {
                    let pause = back_off.failed();
                    if trouble.is_none() {
                        trouble = Some(Instant::now());
                        tracing::warn!(
                            code = "sink-waits",
                            sink = self.sink.name,
                            "can't deliver: {cause}; nothing is lost, it is tried again until it can"
                        );
                    }
                    self.board.change(&key(&self.sink.name), |status| status.trouble = Some(cause));
                    Some(pause)
                }
            };
            if !self.wait(pause) {
                return;
            }
        }
    }

    /// Waits for a nudge, or out a pause that no nudge shortens; false when the daemon is gone.
    fn wait(&self, pause: Option<Duration>) -> bool {
        let until = Instant::now() + pause.unwrap_or(RESCAN);
        loop {
            let left = until.saturating_duration_since(Instant::now());
            match self.nudged.recv_timeout(left) {
                Ok(()) if pause.is_none() || self.stop.is_cancelled() => return true,
                Ok(()) => {}
                Err(RecvTimeoutError::Timeout) => return true,
                Err(RecvTimeoutError::Disconnected) => return false,
            }
        }
    }

    /// Delivers everything that is due, in order; the cause where the sink can't take anything now.
    fn deliver_due(&mut self) -> Result<(), String> {
        let reader = match self.reader.take() {
            Some(reader) => reader,
            None => open_for_reading(&self.store).map_err(|fault| self.unread(&fault))?,
        };
        self.deliver_all(&reader)?;
        self.reader = Some(reader);
        Ok(())
    }

    fn deliver_all(&mut self, reader: &Connection) -> Result<(), String> {
        loop {
            let due = query::due_parcels(reader, &self.sink.name, BATCH).map_err(|fault| self.unread(&fault))?;
            if due.is_empty() || self.stop.is_cancelled() {
                return Ok(());
            }
            let mut delivered = Vec::new();
            let mut held_up = None;
            let mut noted = Instant::now();
            for parcel in due {
                // A folder on a slow disk takes its time for each file: a stop does not wait for a whole batch.
                if self.stop.is_cancelled() {
                    break;
                }
                match self.deliver(reader, &parcel) {
                    Ok(sha256) => delivered.push((parcel.id, sha256)),
                    Err(Undelivered::Never(reason)) => self.park(&parcel, reason)?,
                    Err(Undelivered::Later(reason)) => {
                        held_up = Some((parcel.id, reason));
                        break;
                    }
                }
                if noted.elapsed() >= NOTE_WITHIN {
                    self.note(std::mem::take(&mut delivered))?;
                    noted = Instant::now();
                }
            }
            self.note(delivered)?;
            if let Some((parcel, reason)) = held_up {
                let waiting = What::Waiting { parcel, reason: reason.clone() };
                self.pen.ask_blocking(waiting).map_err(|fault| fault.to_string())?;
                return Err(reason);
            }
        }
    }

    /// Why the store can't be read; damage is told to the writer, which ends the program.
    fn unread(&self, fault: &StoreFault) -> String {
        if fault.severity() == Severity::Damaged {
            let _ = self.pen.ask_blocking(What::Damaged(fault.to_string()));
        }
        fault.to_string()
    }

    /// Tells the store what was delivered.
    fn note(&self, delivered: Vec<(i64, String)>) -> Result<(), String> {
        if delivered.is_empty() {
            return Ok(());
        }
        let count = delivered.len() as u64;
        self.pen.ask_blocking(What::Delivered(delivered)).map_err(|fault| fault.to_string())?;
        self.board.change(&key(&self.sink.name), |status| status.recorded += count);
        Ok(())
    }

    fn park(&self, parcel: &query::Parcel, reason: String) -> Result<(), String> {
        tracing::error!(
            code = "parked",
            sink = self.sink.name,
            "{} can't be delivered: {reason}; it is parked, the next one goes on (`ridgepost outbox retry` tries again)",
            parcel.name
        );
        let parked = What::Parked { parcel: parcel.id, reason };
        self.pen.ask_blocking(parked).map(|_| ()).map_err(|fault| fault.to_string())
    }

    fn deliver(&mut self, reader: &Connection, parcel: &query::Parcel) -> Result<String, Undelivered> {
        let SinkKind::Csv(csv) = self.sink.kind.clone();
        let csv = &csv;
        let mut sheet = Sheet::begin(csv).map_err(Undelivered::Never)?;
        let rows = query::parcel_rows(reader, parcel.id, |row| sheet.add(row))
            .map_err(|fault| Undelivered::Later(self.unread(&fault)))?;
        let rows = rows.map_err(Undelivered::Never)?;
        let bytes = sheet.finish().map_err(Undelivered::Never)?;
        let sha256 = crate::store::sha256(&bytes);
        self.place(csv, &parcel.name, &bytes)?;
        if csv.ok_file {
            let ok = format!("rows={rows}\r\nsha256={sha256}\r\n");
            self.place(csv, &format!("{}.ok", parcel.name), ok.as_bytes())?;
        }
        Ok(sha256)
    }

    /// Places a file from here, or by a porter where touching the folder may hang.
    fn place(&mut self, csv: &CsvSink, name: &str, bytes: &[u8]) -> Result<(), Undelivered> {
        match porter::may_hang(&csv.folder) && Weakened::from_environment() != Weakened::NoPorter {
            true => self.porter.place(csv, name, bytes),
            false => drop::place(&csv.folder, csv.marker.as_deref(), name, bytes),
        }
    }
}

/// The entry of a sink on the board that stations share.
pub fn key(sink: &str) -> String {
    format!("sink {sink}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_to_a_cap_and_start_anew() {
        let mut back_off = BackOff::default();
        let pauses: Vec<u64> = (0..8).map(|_| back_off.failed().as_millis() as u64).collect();
        assert_eq!(pauses, [500, 1_000, 2_000, 4_000, 8_000, 15_000, 15_000, 15_000]);
        assert_eq!(back_off.recovered(), 8);
        assert_eq!(back_off.failed(), PAUSE_FIRST);
        let mut worn = BackOff(u32::MAX);
        assert_eq!(worn.failed(), PAUSE_LONGEST);
    }
}
