//! How a folder station takes complete files: read, handed to the writer in bounded batches, a few ahead of its answers.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use ridgepost_parsers::Tick;

use super::arrival::Fingerprint;
use super::disk::Left;
use super::folder::{CUT_WAITS_MS, Desk, NOT_MOVED, Recorded};
use super::frames::Frames;
use crate::clock::Stamp;
use crate::store::{Answer, FileBegin, FileState, Promise, Provenance, Taken, What, answered_tally, sha256};

/// A file older than this when it is found waited for us; what it says was not measured now.
const LIVE: Duration = Duration::from_secs(15 * 60);
/// Small files that the writer may be asked for before the first of them is answered: half of its queue.
const AHEAD: usize = 64;

/// A file that the writer was asked to begin.
pub(super) struct Ahead {
    name: String,
    fingerprint: Fingerprint,
    received: Stamp,
    taken: Taken,
    /// Whether its first batch of frames ends in the middle of a record.
    cut: bool,
    /// Its bytes, where the first batch of frames is not all.
    rest: Option<Arc<Vec<u8>>>,
    promise: Promise,
}

impl Desk {
    /// Takes files in their order. Small ones are asked of the writer ahead, so that many of them share a transaction; a
    /// file is put away only when its own answer says that it is on the disk.
    pub(super) fn take_all(&mut self, ready: Vec<(String, Fingerprint)>) {
        let mut ahead: VecDeque<Ahead> = VecDeque::new();
        for (name, fingerprint) in ready {
            if self.shell.stop.is_cancelled() {
                break;
            }
            while ahead.len() >= AHEAD {
                self.end_first(&mut ahead);
            }
            match self.begin(&name, fingerprint) {
                Ok(begun) if begun.rest.is_none() => ahead.push_back(begun),
                Ok(begun) => {
                    while !ahead.is_empty() {
                        self.end_first(&mut ahead);
                    }
                    self.end(begun);
                }
                Err(left) => self.left(&name, left),
            }
        }
        while !ahead.is_empty() {
            self.end_first(&mut ahead);
        }
    }

    fn end_first(&mut self, ahead: &mut VecDeque<Ahead>) {
        if let Some(first) = ahead.pop_front() {
            self.end(first);
        }
    }

    /// Reads a file and asks the writer to begin it.
    fn begin(&mut self, name: &str, fingerprint: Fingerprint) -> Result<Ahead, Left> {
        let raw = self.reach.read(&self.folder.path.join(name), fingerprint)?;
        self.ask(name, fingerprint, raw)
    }

    /// What became of a file that was begun: recorded and put away, or left for later.
    fn end(&mut self, begun: Ahead) {
        let (name, fingerprint) = (begun.name.clone(), begun.fingerprint);
        match self.recorded(begun) {
            Ok((file, cut)) => {
                self.told.retain(|(told, code)| *told != name || *code == NOT_MOVED);
                self.arrivals.done(&name);
                self.recorded_as(&name, Recorded { fingerprint, file, since: self.shell.clock.tick() }, cut);
            }
            Err(left) => self.left(&name, left),
        }
    }

    fn left(&mut self, name: &str, left: Left) {
        if let Left::Told(what, words) = left {
            self.tell(name, what.code(), &words);
        }
        self.arrivals.later(name, self.shell.clock.tick());
    }

    /// Every frame of a file is on the disk: it is put away, unless it may go on.
    fn recorded_as(&mut self, name: &str, recorded: Recorded, cut: bool) {
        match cut {
            true => {
                self.tell(
                    name,
                    "cut-file",
                    "ends in the middle of a record; it stays a while, in case more is written",
                );
                self.stays.insert(name.to_owned(), (Tick(recorded.since.0 + CUT_WAITS_MS), recorded));
            }
            false => {
                self.stays.remove(name);
                self.put_away(name, recorded);
            }
        }
    }

    /// When the newest readings of a file were taken, as far as its time tells.
    pub(super) fn taken_when(file: Fingerprint, received: &Stamp) -> Taken {
        let changed_us = i64::try_from(file.changed_ns / 1000).unwrap_or(received.us);
        let live_us = i64::try_from(LIVE.as_micros()).unwrap_or(i64::MAX);
        if received.us - changed_us > live_us { Taken::At(changed_us) } else { Taken::Live }
    }

    /// Asks the writer to begin a file; whatever does not fit into one request is kept for [`Desk::recorded`].
    pub(super) fn ask(&mut self, name: &str, fingerprint: Fingerprint, raw: Vec<u8>) -> Result<Ahead, Left> {
        let received = self.shell.clock.stamp();
        let taken = Self::taken_when(fingerprint, &received);
        self.number += 1;
        let raw = Arc::new(raw);
        let mut frames = Frames::new(&self.station, &raw);
        let first = frames.batch();
        let (last, cut) = (frames.at_end(), frames.is_cut());
        let begin = FileBegin {
            origin: format!("{} {} file {}", self.shell.run, self.station.name, self.number),
            station: Arc::clone(&self.station),
            name: name.to_owned(),
            fingerprint: fingerprint.to_string(),
            sha256: sha256(&raw),
            received: received.clone(),
            raw: Arc::clone(&raw),
            taken,
            last,
            frames: first,
        };
        let rest = (!last).then_some(raw);
        let promise = self.shell.pen.ask_ahead(What::FileBegin(Box::new(begin)))?;
        Ok(Ahead { name: name.to_owned(), fingerprint, received, taken, cut, rest, promise })
    }

    /// Waits for the answer to a file that was begun and hands over the rest of it, batch by batch. Once every frame is on
    /// the disk: its key and whether it ends in the middle of a record.
    pub(super) fn recorded(&mut self, begun: Ahead) -> Result<(i64, bool), Left> {
        let Ahead { name, received, taken, cut, rest, promise, .. } = begun;
        let Answer::File(state, tally) = promise.wait()? else { return Err(Left::Later) };
        self.shell.board.count(&self.station.name, &tally);
        self.shell.board.change(&self.station.name, |status| status.last_heard = Some(received.at.clone()));
        let (file, transmission, done) = match state {
            FileState::Recorded { file } => return Ok((file, rest.is_none() && cut)),
            FileState::Repeat { file, transmission } => {
                self.shell.board.change(&self.station.name, |status| status.repeats += 1);
                tracing::info!(
                    code = "repeat",
                    station = self.station.name,
                    "{name} holds the same bytes as transmission {transmission}: noted, not counted"
                );
                return Ok((file, false));
            }
            FileState::Begun { file, transmission, done } => (file, transmission, done),
        };
        let Some(raw) = rest else { return Ok((file, cut)) };
        let place = Arc::new(self.station.source.place(&name));
        let from = Provenance { transmission, station: Arc::clone(&self.station), received, taken, place };
        let cut = self.rest(file, &from, &raw, done)?;
        Ok((file, cut))
    }

    /// Hands over the frames of a large file behind its first batch; whether it ends in the middle of a record. One batch
    /// is read while the one before it is written.
    fn rest(&self, file: i64, from: &Provenance, raw: &[u8], done: u32) -> Result<bool, Left> {
        let station = Arc::clone(&self.station);
        let mut frames = Frames::new(&station, raw);
        let mut after = frames.batch().last().map_or(0, |heard| heard.number);
        let mut before: Option<Promise> = None;
        while !frames.at_end() {
            if self.shell.stop.is_cancelled() {
                return Err(Left::Ended);
            }
            let mut batch = frames.batch();
            let ends = batch.last().map_or(after, |heard| heard.number);
            batch.retain(|heard| heard.number > done);
            let last = frames.at_end();
            let ask = What::FileFrames { file, from: from.clone(), after, frames: batch, last };
            after = ends;
            let next = self.shell.pen.ask_ahead(ask)?;
            if let Some(before) = before.replace(next) {
                self.shell.board.count(&station.name, &answered_tally(&before.wait()?));
            }
        }
        if let Some(before) = before {
            self.shell.board.count(&station.name, &answered_tally(&before.wait()?));
        }
        Ok(frames.is_cut())
    }
}
