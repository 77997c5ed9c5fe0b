//! How a folder station takes files that grow: row by row as they come, each row once.
//!
//! How far a file is taken stands in the store beside its rows. The file's own beginning up to there tells whether it is
//! still the same: where it is not, the file was written anew, and its rows are compared with those recorded.

use std::collections::BTreeMap;
use std::sync::Arc;

use ridgepost_parsers::Tick;

use super::arrival::Fingerprint;
use super::disk::Left;
use super::folder::Desk;
use super::frames::BATCH;
use super::tail::{Known, Rows, Tail};
use crate::store::growth::{Grown, Growth, growths, recorded_whole};
use crate::store::{Answer, StoreFault, What, open_for_reading};

/// Bytes that are read at once.
pub(super) const PIECE: u64 = 4 * 1024 * 1024;
/// A larger file is compared with what was taken of it only this often.
const COMPARED_WHOLE: u64 = 8 * 1024 * 1024;
const COMPARED_EVERY_MS: u64 = 600_000;
/// This many zeros at the end of a file are space that its writer set aside.
const SET_ASIDE: usize = 4;

/// What a station knows of its files.
#[derive(Default)]
pub(super) struct Growing {
    pub(super) files: BTreeMap<String, File>,
    /// How far each is taken; none before the store was asked.
    pub(super) grown: Option<BTreeMap<String, Growth>>,
}

pub(super) struct File {
    pub(super) seen: Fingerprint,
    /// Since when it is like that.
    pub(super) since: Tick,
    /// Something may be there to be taken.
    pub(super) due: bool,
    /// Whether it is to be compared with what was taken once it stands still, and when it was last.
    pub(super) unlike: bool,
    pub(super) compared: Tick,
    pub(super) tail: Option<Tail>,
    /// Rows of the writing before that this one may hold again.
    pub(super) known: Option<Known>,
    /// Bytes that were recorded when the file was taken as a whole.
    pub(super) skip: u64,
}

/// What comes of a look at a file.
pub(super) enum Step {
    /// Nothing more for now.
    Done,
    /// Look again when it has stood still.
    Settle,
    /// It does not begin with what was taken.
    Anew,
}

pub(super) type Listed = [(String, Fingerprint)];

impl Desk {
    /// Takes what was added to the files. When to look again, where something waits.
    pub(super) fn grow_all(&mut self, listing: &Listed) -> Option<Tick> {
        let now = self.shell.clock.tick();
        if self.growing.grown.is_none() {
            match self.store().and_then(|store| growths(&store, &self.station.name)) {
                Ok(grown) => self.growing.grown = Some(grown),
                Err(fault) => {
                    tracing::warn!(
                        code = "not-recorded",
                        station = self.station.name,
                        "the store can't be asked: {fault}"
                    );
                    return Some(Tick(now.0 + 1000));
                }
            }
        }
        self.forget_gone(listing);
        for (name, fingerprint) in listing {
            self.growing.see(name, *fingerprint, now);
        }
        let before = self.growing.grown.clone().filter(|grown| {
            listing.iter().any(|(name, print)| grown.get(name).is_none_or(|growth| growth.inode != print.inode))
        });
        let mut again: Option<Tick> = None;
        let settled = |file: &File, desk: &Desk| Tick(file.since.0.saturating_add(desk.folder.settle_ms));
        let mut passed = Vec::new();
        for (name, _) in listing.iter().filter(|_| before.is_some()) {
            let due = self.growing.files.get(name).is_some_and(|file| file.due);
            match due.then(|| self.follow_renamed(name, listing, before.as_ref())) {
                Some(Ok(Step::Settle)) => passed.push(name),
                Some(Err(left)) => self.grow_later(name, left),
                _ => {}
            }
        }
        for (name, _) in listing {
            if self.shell.stop.is_cancelled() {
                break;
            }
            if !passed.contains(&name) && self.growing.is_due(name, now, self.folder.settle_ms) {
                match self.grow(name, before.as_ref()) {
                    Ok(Step::Done) => {}
                    Ok(_) => passed.push(name),
                    Err(left) => {
                        self.grow_later(name, left);
                        again = Some(Tick(now.0 + 1000));
                    }
                }
            }
            if let Some(file) = self.growing.files.get(name)
                && (file.due || file.unlike)
            {
                let at = settled(file, self).max(Tick(now.0 + 20));
                again = Some(again.map_or(at, |again| again.min(at)));
            }
        }
        again
    }

    pub(super) fn store(&self) -> Result<rusqlite::Connection, StoreFault> {
        open_for_reading(&self.shell.store)
    }

    /// A file that is gone takes the beginning of its last row with it: that is told, with its bytes.
    fn forget_gone(&mut self, listing: &Listed) {
        let names: std::collections::BTreeSet<&str> = listing.iter().map(|(name, _)| name.as_str()).collect();
        let gone: Vec<String> =
            self.growing.files.keys().filter(|name| !names.contains(name.as_str())).cloned().collect();
        for name in gone {
            if let Some(File { tail: Some(tail), .. }) = self.growing.files.remove(&name) {
                self.tell_cut(&name, &tail, "is gone");
            }
        }
    }

    fn tell_cut(&mut self, name: &str, tail: &Tail, what: &str) {
        let waiting = tail.waiting().trim_ascii();
        if !waiting.is_empty() {
            let shown = waiting[..waiting.len().min(200)].escape_ascii().to_string();
            self.say("cut-file", format!("{name} {what} and ended in the middle of a row: `{shown}` is not recorded"));
        }
    }

    /// A note each time it happens.
    pub(super) fn say(&mut self, code: &'static str, text: String) {
        tracing::warn!(code, station = self.station.name, "{text}");
        let ask = What::Event { station: Some(self.station.name.clone()), code, text, transmission: None };
        if let Err(fault) = self.shell.pen.ask_blocking(ask) {
            tracing::error!(code = "note-lost", station = self.station.name, "a note could not be written: {fault}");
        }
    }

    /// Whatever failed: what is known is asked for anew.
    fn grow_later(&mut self, name: &str, left: Left) {
        if let Some(file) = self.growing.files.get_mut(name) {
            (file.tail, file.known, file.due) = (None, None, true);
        }
        match left {
            Left::Told(what, words) => self.tell(name, what.code(), &words),
            Left::Later | Left::Ended => {}
        }
        self.growing.grown = None;
    }

    /// Takes what was added to a file.
    fn grow(&mut self, name: &str, before: Option<&BTreeMap<String, Growth>>) -> Result<Step, Left> {
        let now = self.shell.clock.tick();
        let Some(file) = self.growing.files.get_mut(name) else { return Ok(Step::Done) };
        let settled = file.since.0.saturating_add(self.folder.settle_ms) <= now.0;
        let compare = file.unlike
            && settled
            && (file.seen.size <= COMPARED_WHOLE || now.0 - file.compared.0 >= COMPARED_EVERY_MS);
        if settled {
            file.unlike = false;
        }
        let went_on = file.tail.take().filter(|tail| !compare && file.seen.size >= tail.pushed());
        let step = match went_on {
            Some(tail) => self.go_on(name, tail)?,
            None => match self.primed(name)? {
                Some(tail) => self.go_on(name, tail)?,
                None => Step::Anew,
            },
        };
        let step = match step {
            Step::Anew if settled => self.anew(name, before)?,
            Step::Anew => Step::Settle,
            step => step,
        };
        if let Some(file) = self.growing.files.get_mut(name) {
            file.due = !matches!(step, Step::Done);
        }
        // Trouble that is over is told again when it comes back.
        if !self.told.is_empty() {
            self.told.retain(|(told, _)| told != name);
        }
        Ok(step)
    }

    /// A way through a file up to where it is taken; none where the file does not begin with what was taken.
    pub(super) fn primed(&mut self, name: &str) -> Result<Option<Tail>, Left> {
        let mut tail = Tail::new(&self.station);
        let growth = self.growing.grown.as_ref().and_then(|grown| grown.get(name)).cloned();
        let Some(growth) = growth else {
            let whole =
                self.store().and_then(|store| recorded_whole(&store, &self.station.name, name)).map_err(asked)?;
            if let Some((sha256, length)) = whole
                && self.begins_with(name, length, &sha256)?
            {
                self.growing.change(name, |file| file.skip = length);
            }
            return Ok(Some(tail));
        };
        let path = self.folder.path.join(name);
        while tail.pushed() < growth.last {
            let (_, raw) = self.reach.piece(&path, tail.pushed(), PIECE.min(growth.last - tail.pushed()))?;
            if raw.is_empty() {
                return Ok(None);
            }
            tail.push(&raw);
            while tail.rows(BATCH).is_some() {}
        }
        if tail.last() != growth.last || tail.sha256() != growth.sha256 {
            return Ok(None);
        }
        let known = match growth.before.filter(|_| growth.last < growth.until) {
            Some(before) => {
                let taken = growth.generation.map(|it| self.rows_of(it)).transpose()?.unwrap_or_default();
                Some(self.rows_of(before)?.without(&taken))
            }
            None => None,
        };
        let now = self.shell.clock.tick();
        self.growing.change(name, |file| (file.known, file.compared) = (known, now));
        Ok(Some(tail))
    }

    /// Reads on where the way through a file ended, and records each whole row.
    pub(super) fn go_on(&mut self, name: &str, mut tail: Tail) -> Result<Step, Left> {
        let path = self.folder.path.join(name);
        loop {
            let edge = tail.edge().len();
            let from = tail.pushed() - edge as u64;
            let (print, mut raw) = self.reach.piece(&path, from, PIECE + edge as u64)?;
            let seen = self.growing.files.get(name).map(|file| file.seen);
            if seen.is_some_and(|seen| seen.inode != print.inode) {
                return Err(Left::Later);
            }
            let at_end = (raw.len() as u64) < PIECE + edge as u64;
            if !raw.starts_with(tail.edge()) {
                self.tell_cut(name, &tail, "was written anew");
                return Ok(Step::Anew);
            }
            let zeros = raw.iter().rev().take_while(|byte| **byte == 0).count();
            if at_end && zeros >= SET_ASIDE {
                raw.truncate((raw.len() - zeros).max(edge));
            }
            tail.push(&raw[edge..]);
            while let Some(rows) = tail.rows(BATCH) {
                let own = self.growing.grown.as_ref().and_then(|grown| grown.get(name)).cloned();
                let growth = Growth { inode: print.inode, ..own.unwrap_or_default() };
                self.record(name, rows, &growth)?;
                if self.shell.stop.is_cancelled() {
                    return Err(Left::Ended);
                }
            }
            if at_end {
                break;
            }
        }
        self.growing.change(name, |file| file.tail = Some(tail));
        Ok(Step::Done)
    }

    /// Records rows and how far the file is taken with them, both or neither.
    pub(super) fn record(&mut self, name: &str, rows: Rows, growth: &Growth) -> Result<(), Left> {
        let Rows { first, last, sha256, raw, mut heard } = rows;
        let Some(file) = self.growing.files.get_mut(name) else { return Err(Left::Later) };
        let instrument = &self.station.instrument;
        heard.retain(|heard| {
            let end = first + heard.frame.offset + heard.frame.raw.len() as u64;
            let mut readings = heard.decoded.readings.iter();
            let named = !heard.decoded.readings.is_empty() && readings.all(|it| instrument.identity_key(it).is_some());
            let again = file.known.as_mut().filter(|_| end <= growth.until && !named);
            end > file.skip && !again.is_some_and(|known| known.take(&heard.frame.raw))
        });
        if last >= growth.until {
            file.known = None;
        }
        let received = self.shell.clock.stamp();
        let taken = Self::taken_when(file.seen, &received);
        self.number += 1;
        let mut growth = Growth { last, sha256, ..growth.clone() };
        let grown = Grown {
            origin: format!("{} {} rows {}", self.shell.run, self.station.name, self.number),
            station: Arc::clone(&self.station),
            name: name.to_owned(),
            received: received.clone(),
            taken,
            first,
            growth: growth.clone(),
            raw,
            frames: heard,
        };
        let Answer::Grown(generation, tally) = self.shell.pen.ask_blocking(What::Grown(Box::new(grown)))? else {
            return Err(Left::Later);
        };
        self.shell.board.count(&self.station.name, &tally);
        self.shell.board.change(&self.station.name, |status| status.last_heard = Some(received.at.clone()));
        growth.generation = Some(generation);
        if let Some(grown) = &mut self.growing.grown {
            grown.insert(name.to_owned(), growth);
        }
        Ok(())
    }
}

pub(super) fn asked(fault: StoreFault) -> Left {
    Left::Told(super::disk::Told::NotRecorded, format!("waits: the store can't be asked: {fault}"))
}

impl Growing {
    fn see(&mut self, name: &str, fingerprint: Fingerprint, now: Tick) {
        let file = self.files.entry(name.to_owned()).or_insert(File {
            seen: fingerprint,
            since: now,
            due: true,
            unlike: false,
            compared: now,
            tail: None,
            known: None,
            skip: 0,
        });
        if file.seen != fingerprint {
            if file.seen.inode != fingerprint.inode {
                file.tail = None;
            }
            (file.seen, file.since, file.due, file.unlike) = (fingerprint, now, true, true);
        }
    }

    fn is_due(&self, name: &str, now: Tick, settle_ms: u64) -> bool {
        let is_due = |file: &File| file.due || file.unlike && file.since.0.saturating_add(settle_ms) <= now.0;
        self.files.get(name).is_some_and(is_due)
    }

    pub(super) fn change(&mut self, name: &str, change: impl FnOnce(&mut File)) {
        if let Some(file) = self.files.get_mut(name) {
            change(file);
        }
    }
}
