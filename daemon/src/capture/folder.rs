//! The shell of a folder station: lists the folder, reads what [`arrival`](super::arrival) says is complete,
//! hands it to the writer in bounded batches, and only then moves the file away.
//!
//! It has a thread of its own, because listing and reading block. Hints from the kernel shorten its waits; the
//! listing is the truth.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use notify::event::{AccessKind, AccessMode, ModifyKind, RenameMode};
use notify::{EventKind, RecursiveMode, Watcher};
use ridgepost_config::{Folder, Station, WhenRecorded};

use super::arrival::{Arrivals, Fingerprint};
use super::disk::{PutAway, archive, list, read, remove};
use super::frames::{BATCH, Frames};
use super::serial::Shell;
use crate::store::{Answer, FileBegin, FileState, PenFault, Provenance, Taken, What, answered_tally, sha256};

/// A listing without hint.
const RESCAN: Duration = Duration::from_secs(5);
/// A file older than this when it is found waited for us; what it says was not measured now.
const LIVE: Duration = Duration::from_secs(15 * 60);
/// What wakes the thread.
#[derive(Debug)]
pub enum Wake {
    /// A file was closed or renamed in.
    Closed(String),
    /// A file was written to.
    Touched(String),
    /// Something else changed, or hints were lost.
    Look,
    /// The program stops.
    Stop,
}

/// Watches a folder until the program stops. Blocks.
pub fn watch(station: Arc<Station>, folder: Folder, shell: Shell) {
    let (wake, woken) = channel();
    let stop = (wake.clone(), shell.stop.clone());
    shell.runtime.spawn(async move {
        stop.1.cancelled().await;
        let _ = stop.0.send(Wake::Stop);
    });
    let mut desk = Desk {
        arrivals: Arrivals::new(folder.settle_ms),
        station,
        folder,
        shell,
        listening: None,
        told: BTreeSet::new(),
        number: 0,
        archived: Vec::new(),
    };
    let mut watcher = None;
    loop {
        if watcher.is_none() {
            watcher = hints(&desk.folder.path, wake.clone());
        }
        let again = desk.look();
        if desk.listening != Some(true) {
            watcher = None;
        }
        if !desk.sleep(&woken, again) {
            break;
        }
    }
}

fn hints(folder: &Path, wake: Sender<Wake>) -> Option<notify::RecommendedWatcher> {
    let mut watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
        let Ok(event) = event else {
            let _ = wake.send(Wake::Look);
            return;
        };
        let name =
            |path: Option<&PathBuf>| path.and_then(|path| Some(path.file_name()?.to_string_lossy().into_owned()));
        let first = name(event.paths.first());
        let wakes = match (event.kind, first) {
            (EventKind::Access(AccessKind::Close(AccessMode::Write)), Some(name)) => Wake::Closed(name),
            (EventKind::Modify(ModifyKind::Name(RenameMode::To)), Some(name)) => Wake::Closed(name),
            (EventKind::Modify(ModifyKind::Data(_)), Some(name)) => Wake::Touched(name),
            (EventKind::Access(_), _) if !event.need_rescan() => return,
            (EventKind::Modify(ModifyKind::Name(RenameMode::Both)), _) => return,
            _ => Wake::Look,
        };
        let _ = wake.send(wakes);
    })
    .ok()?;
    watcher.watch(folder, RecursiveMode::NonRecursive).ok()?;
    Some(watcher)
}

struct Desk {
    station: Arc<Station>,
    folder: Folder,
    shell: Shell,
    arrivals: Arrivals,
    /// Whether the folder could be listed the last time.
    listening: Option<bool>,
    /// What was told of which file, so that it is told once.
    told: BTreeSet<(String, &'static str)>,
    number: u64,
    archived: Vec<i64>,
}

/// Why a file was not taken.
pub(super) enum Left {
    /// Named case, told once: code and words.
    Told(&'static str, String),
    /// It changed or vanished while it was read; the next listing tells.
    Later,
    /// The writer has ended.
    Ended,
}

impl From<PenFault> for Left {
    fn from(fault: PenFault) -> Self {
        match fault {
            PenFault::Ended => Left::Ended,
            PenFault::Store(fault) => Left::Told("not-recorded", format!("could not be recorded: {fault}")),
        }
    }
}

impl Desk {
    /// Waits for something to do; false when the program stops. A burst of hints is taken together.
    fn sleep(&mut self, woken: &Receiver<Wake>, again: Duration) -> bool {
        let mut next = match woken.recv_timeout(again) {
            Ok(wake) => Some(wake),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => return false,
        };
        while let Some(wake) = next {
            match wake {
                Wake::Stop => return false,
                Wake::Closed(name) => self.arrivals.closed(&name),
                Wake::Touched(name) => self.arrivals.touched(&name),
                Wake::Look => {}
            }
            next = woken.try_recv().ok();
        }
        !self.shell.stop.is_cancelled()
    }

    /// Lists the folder and takes what is complete. Returns how long to wait.
    fn look(&mut self) -> Duration {
        let listing = match list(&self.folder) {
            Ok(listing) => listing,
            Err(error) => {
                self.deaf(format!("{} can't be listed: {error}", self.folder.path.display()));
                return Duration::from_secs(1);
            }
        };
        self.hears();
        let look = self.arrivals.look(self.shell.clock.tick(), &listing);
        for name in look.empty {
            self.tell(&name, "empty-file", "holds no byte; it is looked at again when it changes");
            self.arrivals.done(&name);
        }
        for (name, fingerprint) in look.ready {
            if self.shell.stop.is_cancelled() {
                break;
            }
            self.handle(&name, fingerprint);
        }
        self.confirm_archived();
        let now = self.shell.clock.tick();
        let settle = look.again.map(|again| Duration::from_millis(again.0.saturating_sub(now.0).max(10)));
        settle.map_or(RESCAN, |settle| settle.min(RESCAN))
    }

    fn handle(&mut self, name: &str, fingerprint: Fingerprint) {
        match self.take(name, fingerprint) {
            Ok(()) => self.told.retain(|(told, _)| told != name),
            Err(Left::Told(code, words)) => {
                self.tell(name, code, &words);
                self.arrivals.later(name, self.shell.clock.tick());
            }
            Err(Left::Later | Left::Ended) => self.arrivals.later(name, self.shell.clock.tick()),
        }
    }

    /// Reads, records and archives one file.
    fn take(&mut self, name: &str, fingerprint: Fingerprint) -> Result<(), Left> {
        let path = self.folder.path.join(name);
        let raw = read(&path, fingerprint)?;
        let file = self.record(name, fingerprint, raw)?;
        self.arrivals.done(name);
        self.put_away(name, &path, fingerprint, file);
        Ok(())
    }

    /// Hands the writer a file, batch by batch; its key once every frame is on the disk.
    fn record(&mut self, name: &str, fingerprint: Fingerprint, raw: Vec<u8>) -> Result<i64, Left> {
        let received = self.shell.clock.stamp();
        let changed_us = i64::try_from(fingerprint.changed_ns / 1000).unwrap_or(received.us);
        let live_us = i64::try_from(LIVE.as_micros()).unwrap_or(i64::MAX);
        let taken = if received.us - changed_us > live_us { Taken::At(changed_us) } else { Taken::Live };
        self.number += 1;
        let mut frames = Frames::new(&self.station, &raw);
        let first = frames.batch();
        let begin = FileBegin {
            origin: format!("{} {} file {}", self.shell.run, self.station.name, self.number),
            station: Arc::clone(&self.station),
            name: name.to_owned(),
            fingerprint: fingerprint.to_string(),
            sha256: sha256(&raw),
            received: received.clone(),
            raw: raw.clone(),
            taken,
            last: frames.at_end(),
            frames: first,
        };
        let heard = received.at.clone();
        let answer = self.shell.pen.ask_blocking(What::FileBegin(Box::new(begin)))?;
        let Answer::File(state, tally) = answer else { return Err(Left::Later) };
        self.shell.board.count(&self.station.name, &tally);
        self.shell.board.change(&self.station.name, |status| status.last_heard = Some(heard));
        let (file, transmission, done) = match state {
            FileState::Recorded { file } => return Ok(file),
            FileState::Repeat { file, transmission } => {
                self.shell.board.change(&self.station.name, |status| status.repeats += 1);
                tracing::info!(
                    code = "repeat",
                    station = self.station.name,
                    "{name} holds the same bytes as transmission {transmission}: noted, not counted"
                );
                return Ok(file);
            }
            FileState::Begun { file, transmission, done } => (file, transmission, done),
        };
        let from = Provenance { transmission, station: Arc::clone(&self.station), received, taken };
        while !frames.at_end() {
            let mut batch = frames.batch();
            batch.retain(|heard| heard.number > done);
            let last = frames.at_end();
            let ask = What::FileFrames { file, from: from.clone(), frames: batch, last };
            let answer = self.shell.pen.ask_blocking(ask)?;
            self.shell.board.count(&self.station.name, &answered_tally(&answer));
        }
        Ok(file)
    }

    /// Moves or removes a recorded file; a file that can't be moved stays, and is known by its fingerprint.
    fn put_away(&mut self, name: &str, path: &Path, recorded: Fingerprint, file: i64) {
        let result = match self.folder.when_recorded {
            WhenRecorded::Leave => return,
            WhenRecorded::Delete => remove(path, recorded),
            WhenRecorded::Archive => archive(path, recorded),
        };
        match result {
            Ok(PutAway::Gone) => self.archived.push(file),
            Ok(PutAway::Changed) => {}
            Err(error) => self.tell(
                name,
                "not-moved",
                &format!("is recorded but can't be moved away: {error}; it stays and is not read again"),
            ),
        }
        if self.archived.len() >= BATCH {
            self.confirm_archived();
        }
    }

    fn confirm_archived(&mut self) {
        if self.archived.is_empty() {
            return;
        }
        let files = std::mem::take(&mut self.archived);
        if let Err(fault) = self.shell.pen.ask_blocking(What::FilesArchived(files)) {
            tracing::error!(code = "note-lost", station = self.station.name, "moved files could not be noted: {fault}");
        }
    }

    fn tell(&mut self, name: &str, code: &'static str, words: &str) {
        if !self.told.insert((name.to_owned(), code)) {
            return;
        }
        let text = format!("{name} {words}");
        tracing::warn!(code, station = self.station.name, "{text}");
        let ask = What::Event { station: Some(self.station.name.clone()), code, text, transmission: None };
        if let Err(fault) = self.shell.pen.ask_blocking(ask) {
            tracing::error!(code = "note-lost", station = self.station.name, "a note could not be written: {fault}");
        }
    }

    fn deaf(&mut self, cause: String) {
        if self.listening == Some(false) {
            return;
        }
        self.listening = Some(false);
        let station = self.station.name.clone();
        tracing::warn!(code = "deaf", station, "{cause}; it is tried again until it can");
        self.shell.board.change(&station, |status| {
            status.state = "deaf".into();
            status.trouble = Some(cause.clone());
            status.lost += 1;
        });
        let since = self.shell.clock.stamp();
        let _ = self.shell.pen.ask_blocking(What::Deaf { station, cause, since });
    }

    fn hears(&mut self) {
        if self.listening == Some(true) {
            return;
        }
        self.listening = Some(true);
        let station = self.station.name.clone();
        tracing::info!(code = "listening", station, "watching {}", self.folder.path.display());
        self.shell.board.change(&station, |status| {
            status.state = "listening".into();
            status.trouble = None;
        });
        let _ = self.shell.pen.ask_blocking(What::Listening(station));
    }
}
