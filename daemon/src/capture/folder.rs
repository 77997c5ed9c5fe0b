//! The shell of a folder station: lists the folder, reads what [`arrival`](super::arrival) says is complete,
//! hands it to the writer in bounded batches, and only then moves the file away.
//!
//! It has a thread of its own, because listing and reading block. Hints from the kernel shorten its waits; the
//! listing is the truth.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use ridgepost_config::{Folder, Station, WhenRecorded};
use ridgepost_parsers::Tick;

use super::arrival::{Arrivals, Fingerprint};
use super::disk::{Left, PutAway, Told};
use super::frames::BATCH;
use super::growing::Growing;
use super::hints::{Hints, Wake};
use super::line::Shell;
use super::reach::Reach;
use crate::store::{PenFault, What};

/// A listing without hint; on shares, where there are none, every listing.
const RESCAN: Duration = Duration::from_secs(5);
/// How long a file that ends in the middle of a record waits for more.
pub(super) const CUT_WAITS_MS: u64 = 60_000;
/// How long a file that could not be moved waits for another try.
const MOVED_AGAIN_MS: u64 = 10_000;
/// The code of a file that could not be moved.
pub(super) const NOT_MOVED: &str = "not-moved";
/// How long, and how many, files are looked at after they were put away.
const MOVED_WATCHED_MS: u64 = 600_000;
const MOVED_MAX: usize = 256;

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
        reach: Reach::new(&station.name, &folder),
        station,
        folder,
        shell,
        listening: None,
        told: BTreeSet::new(),
        number: 0,
        growing: Growing::default(),
        inner: Vec::new(),
        archived: Vec::new(),
        emptied: BTreeSet::new(),
        stays: BTreeMap::new(),
        moved: VecDeque::new(),
    };
    let mut watcher = None;
    loop {
        if watcher.is_none() && !desk.reach.is_far() {
            watcher = Hints::of(&desk.folder.path, wake.clone());
        }
        let again = desk.look();
        if desk.listening != Some(true) {
            watcher = None;
        }
        // What came into a folder before it was watched is found by looking once more.
        let more = watcher.as_mut().is_some_and(|hints| hints.follow(&desk.inner));
        let again = if more { Duration::ZERO } else { again };
        if !desk.sleep(&woken, again) {
            break;
        }
    }
}

pub(super) struct Desk {
    pub(super) station: Arc<Station>,
    pub(super) folder: Folder,
    pub(super) shell: Shell,
    pub(super) reach: Reach,
    pub(super) arrivals: Arrivals,
    /// Whether the folder could be listed the last time.
    listening: Option<bool>,
    /// What was told of which file, so that it is told once.
    pub(super) told: BTreeSet<(String, &'static str)>,
    pub(super) number: u64,
    /// Files that are taken row by row.
    pub(super) growing: Growing,
    /// Subfolders of the last listing, with the file system's numbers for them.
    inner: Vec<(String, u64)>,
    /// Files that are in the archive and not noted as such yet, and the folders they came out of.
    archived: Vec<i64>,
    emptied: BTreeSet<PathBuf>,
    /// Recorded files that are put away later: they ended in the middle of a record and have to stand still for long,
    /// or they could not be moved.
    pub(super) stays: BTreeMap<String, (Tick, Recorded)>,
    /// Files put away lately: a writer may have them open still.
    moved: VecDeque<Moved>,
}

/// A file whose every frame is on the disk.
#[derive(Clone, Copy)]
pub(super) struct Recorded {
    pub(super) fingerprint: Fingerprint,
    pub(super) file: i64,
    pub(super) since: Tick,
}

/// A file in the archive.
struct Moved {
    name: String,
    path: PathBuf,
    fingerprint: Fingerprint,
    since: Tick,
}

impl From<PenFault> for Left {
    fn from(fault: PenFault) -> Self {
        match fault {
            PenFault::Ended => Left::Ended,
            PenFault::Store(fault) => Left::Told(Told::NotRecorded, format!("could not be recorded: {fault}")),
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
        let listing = match self.reach.list() {
            Ok(listing) => listing,
            Err(error) => {
                self.deaf(format!("{} can't be listed: {error}", self.folder.path.display()));
                return Duration::from_secs(1);
            }
        };
        self.hears();
        for (name, what) in &listing.odd {
            self.tell(name, "unreadable-file", what);
        }
        if self.folder.grows {
            self.inner = listing.folders;
            let again = self.grow_all(&listing.files);
            return self.wait_until(again);
        }
        let look = self.arrivals.look(self.shell.clock.tick(), &listing.files);
        for name in look.empty {
            self.tell(&name, "empty-file", "holds no byte; it is looked at again when it changes");
            self.arrivals.done(&name);
        }
        self.inner = listing.folders;
        self.take_all(look.ready);
        self.put_away_rest();
        self.look_at_moved();
        self.confirm_archived();
        self.wait_until(look.again)
    }

    fn wait_until(&self, again: Option<Tick>) -> Duration {
        let now = self.shell.clock.tick();
        let settle = again.map(|again| Duration::from_millis(again.0.saturating_sub(now.0).max(10)));
        settle.map_or(RESCAN, |settle| settle.min(RESCAN))
    }

    /// Puts away what was cut short and stood still since, and what could not be moved before.
    fn put_away_rest(&mut self) {
        let now = self.shell.clock.tick();
        let due = self.stays.iter().filter(|(_, (due, _))| *due <= now);
        let names: Vec<String> = due.map(|(name, _)| name.clone()).collect();
        for name in names {
            if let Some((_, recorded)) = self.stays.remove(&name) {
                self.put_away(&name, recorded);
            }
        }
    }

    /// A writer that had a file open when it was put away goes on writing into it: what it adds is read on.
    fn look_at_moved(&mut self) {
        let now = self.shell.clock.tick();
        let keep = |moved: &Moved| now.0.saturating_sub(moved.since.0) < MOVED_WATCHED_MS;
        while self.moved.front().is_some_and(|moved| !keep(moved)) {
            self.moved.pop_front();
        }
        for mut moved in std::mem::take(&mut self.moved) {
            let Ok(found) = self.reach.look_at(&moved.path) else { continue };
            // FAT has other numbers for its files each time it is mounted.
            let is_same = |file: Fingerprint| (file.size, file.changed_ns);
            if is_same(found) != is_same(moved.fingerprint)
                && let Ok(raw) = self.reach.read(&moved.path, found)
                && self.ask(&moved.name, found, raw).and_then(|begun| self.recorded(begun)).is_ok()
            {
                tracing::warn!(
                    code = "written-on",
                    station = self.station.name,
                    "{} was written to after it was put away; what was added is recorded",
                    moved.path.display()
                );
                moved.fingerprint = found;
            }
            self.moved.push_back(moved);
        }
    }

    /// Moves or removes a recorded file; a file that can't be moved stays, and is known by its fingerprint.
    pub(super) fn put_away(&mut self, name: &str, recorded: Recorded) {
        let Recorded { fingerprint, file, since } = recorded;
        let path = self.folder.path.join(name);
        let result = match self.folder.when_recorded {
            WhenRecorded::Leave => return,
            WhenRecorded::Delete => self.reach.remove(&path, fingerprint),
            WhenRecorded::Archive => self.reach.archive(name, fingerprint),
        };
        match result {
            Ok(PutAway::Gone(to)) => {
                if self.told.remove(&(name.to_owned(), NOT_MOVED)) {
                    tracing::info!(code = "moved-now", station = self.station.name, "{name} is moved away now");
                }
                self.archived.push(file);
                self.emptied.insert(Path::new(name).parent().unwrap_or(Path::new("")).to_owned());
                let moved = to.map(|path| Moved { name: name.to_owned(), path, fingerprint, since });
                self.moved.extend(moved);
                if self.moved.len() > MOVED_MAX {
                    self.moved.pop_front();
                }
            }
            Ok(PutAway::Changed) => {}
            Err(error) => {
                self.tell(
                    name,
                    NOT_MOVED,
                    &format!("is recorded but can't be moved away: {error}; it stays, is not read again, and is moved when it can be"),
                );
                let again = Tick(self.shell.clock.tick().0 + MOVED_AGAIN_MS);
                self.stays.insert(name.to_owned(), (again, recorded));
            }
        }
        if self.archived.len() >= BATCH {
            self.confirm_archived();
        }
    }

    fn confirm_archived(&mut self) {
        if self.archived.is_empty() {
            return;
        }
        if self.folder.when_recorded == WhenRecorded::Archive
            && let Err(error) = self.reach.settle_archive(self.emptied.iter().cloned().collect())
        {
            tracing::debug!(code = "archive", station = self.station.name, "the archive is not settled: {error}");
            return;
        }
        let files = std::mem::take(&mut self.archived);
        self.emptied.clear();
        if let Err(fault) = self.shell.pen.ask_blocking(What::FilesArchived(files)) {
            tracing::error!(code = "note-lost", station = self.station.name, "moved files could not be noted: {fault}");
        }
    }

    pub(super) fn tell(&mut self, name: &str, code: &'static str, words: &str) {
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
