//! The folder that another system puts job files into: what is complete is handed over, and moved away once it is settled.
//! By the same rules, and through the same other process, as files of readings (see `folder`). It has a thread of its own.

use std::collections::BTreeSet;
use std::time::Duration;

use ridgepost_config::{FORMS, Folder};
use tokio::sync::{mpsc, oneshot};

use super::arrival::{Arrivals, Fingerprint};
use super::disk::Left;
use super::line::Shell;
use super::reach::Reach;

/// Between two listings. Job files are not in a hurry.
const LOOK_EVERY: Duration = Duration::from_secs(2);
/// How soon a stop is seen.
const STOP_SEEN: Duration = Duration::from_millis(200);

/// What is told of the folder.
pub enum News {
    /// A job file is complete; the answer says what becomes of it.
    Arrived {
        /// Its name.
        name: String,
        /// What it holds.
        raw: Vec<u8>,
        /// Whether it is settled.
        answer: oneshot::Sender<Settled>,
    },
    /// A job file that was refused is gone, or is another one now.
    Gone(String),
    /// The folder can't be read, or (`None`) can be again.
    Trouble(Option<String>),
    /// A job file can't be read or moved, for this reason.
    Held(String, String),
}

/// What becomes of a job file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Settled {
    /// It is moved into `recorded/`.
    PutAway,
    /// It stays as it is until somebody changes it.
    Stays,
    /// It is asked about again later.
    Later,
}

/// Watches the folder until the program stops. Blocks.
pub fn watch(folder: Folder, shell: Shell, tell: mpsc::Sender<News>) {
    let mut desk = Desk {
        arrivals: Arrivals::new(folder.settle_ms),
        reach: Reach::new("orders", &folder),
        refused: BTreeSet::new(),
        trouble: None,
        folder,
        shell,
        tell,
    };
    while !desk.shell.stop.is_cancelled() && desk.look().is_some() {
        let mut rest = LOOK_EVERY;
        while !rest.is_zero() && !desk.shell.stop.is_cancelled() {
            std::thread::sleep(STOP_SEEN);
            rest = rest.saturating_sub(STOP_SEEN);
        }
    }
}

struct Desk {
    folder: Folder,
    shell: Shell,
    reach: Reach,
    arrivals: Arrivals,
    tell: mpsc::Sender<News>,
    /// Files that stay although they were read.
    refused: BTreeSet<String>,
    /// What was told last of the folder.
    trouble: Option<String>,
}

impl Desk {
    /// One look at the folder; `None` when nobody listens any more.
    fn look(&mut self) -> Option<()> {
        let listing = match self.reach.list() {
            Ok(listing) => listing,
            Err(error) => {
                return self.trouble(Some(format!("{} can't be listed: {error}", self.folder.path.display())));
            }
        };
        self.trouble(None)?;
        let is_job_file = |name: &str| {
            let end = name.rsplit_once('.').map_or(String::new(), |(_, end)| end.to_ascii_lowercase());
            FORMS.contains(&end.as_str())
        };
        let files: Vec<_> = listing.files.into_iter().filter(|(name, _)| is_job_file(name)).collect();
        let gone: Vec<String> =
            self.refused.iter().filter(|name| files.iter().all(|(there, _)| there != *name)).cloned().collect();
        for name in gone {
            self.refused.remove(&name);
            self.tell.blocking_send(News::Gone(name)).ok()?;
        }
        let look = self.arrivals.look(self.shell.clock.tick(), &files);
        for name in look.empty {
            self.arrivals.done(&name);
        }
        for (name, fingerprint) in look.ready {
            self.take(&name, fingerprint)?;
        }
        Some(())
    }

    fn take(&mut self, name: &str, fingerprint: Fingerprint) -> Option<()> {
        let now = self.shell.clock.tick();
        let path = self.folder.path.join(name);
        let raw = match self.reach.read(&path, fingerprint) {
            Ok(raw) => raw,
            Err(Left::Told(_, why)) => {
                self.arrivals.later(name, now);
                self.refused.insert(name.to_owned());
                return self.tell.blocking_send(News::Held(name.to_owned(), why)).ok();
            }
            Err(_) => {
                self.arrivals.later(name, now);
                return Some(());
            }
        };
        let (answer, settled) = oneshot::channel();
        self.tell.blocking_send(News::Arrived { name: name.to_owned(), raw, answer }).ok()?;
        let settled = settled.blocking_recv().ok()?;
        match settled {
            Settled::Later => self.arrivals.later(name, now),
            Settled::Stays => {
                self.arrivals.done(name);
                self.refused.insert(name.to_owned());
            }
            Settled::PutAway => {
                self.arrivals.done(name);
                self.refused.remove(name);
                let moved = self.reach.archive(name, fingerprint);
                let moved = moved.and_then(|_| self.reach.settle_archive(vec![std::path::PathBuf::new()]));
                // It stays, and is known by its text when it is read again.
                if let Err(error) = moved {
                    self.refused.insert(name.to_owned());
                    let why = format!("is settled but can't be moved into recorded/: {error}; take it away by hand");
                    return self.tell.blocking_send(News::Held(name.to_owned(), why)).ok();
                }
            }
        }
        Some(())
    }

    /// Tells of a trouble once, and that it is over.
    fn trouble(&mut self, why: Option<String>) -> Option<()> {
        if why == self.trouble {
            return Some(());
        }
        self.trouble.clone_from(&why);
        self.tell.blocking_send(News::Trouble(why)).ok()
    }
}
