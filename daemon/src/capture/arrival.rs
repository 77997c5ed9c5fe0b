//! When a file in an export folder is complete enough to be read. Pure: listings and hints in, names out.
//!
//! A file is complete when its writer closed it or it was renamed in before our eyes, or when its size and time
//! have stood still for the settling time. A hint alone never suffices: what is read is what a listing shows.

use std::collections::{BTreeMap, BTreeSet};

use ridgepost_parsers::Tick;
use serde::{Deserialize, Serialize};

/// What tells one state of a file from another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fingerprint {
    /// Bytes.
    pub size: u64,
    /// Time of last change, nanoseconds since 1970.
    pub changed_ns: i128,
    /// The file system's number for it.
    pub inode: u64,
}

impl std::fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {} {}", self.size, self.changed_ns, self.inode)
    }
}

#[derive(Clone, Copy, Debug)]
struct Seen {
    fingerprint: Fingerprint,
    since: Tick,
    closed: bool,
    done: bool,
}

/// The files of one folder.
#[derive(Clone, Debug)]
pub struct Arrivals {
    settle_ms: u64,
    files: BTreeMap<String, Seen>,
    closed: BTreeSet<String>,
}

/// What a listing leads to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Look {
    /// Files to read now, oldest first.
    pub ready: Vec<(String, Fingerprint)>,
    /// Files that have settled without a byte in them.
    pub empty: Vec<String>,
    /// When to look again for files that are still settling.
    pub again: Option<Tick>,
}

impl Arrivals {
    /// No file seen yet.
    pub fn new(settle_ms: u64) -> Self {
        Arrivals { settle_ms, files: BTreeMap::new(), closed: BTreeSet::new() }
    }

    /// A hint: a writer closed this file, or it was renamed in.
    pub fn closed(&mut self, name: &str) {
        self.closed.insert(name.to_owned());
    }

    /// A hint: this file was written to since.
    pub fn touched(&mut self, name: &str) {
        self.closed.remove(name);
        if let Some(seen) = self.files.get_mut(name) {
            seen.closed = false;
        }
    }

    /// This state of a file is recorded (or told of, where it can't be): it isn't looked at again until it changes.
    pub fn done(&mut self, name: &str) {
        if let Some(seen) = self.files.get_mut(name) {
            seen.done = true;
        }
    }

    /// The file could not be read now: it counts as just seen.
    pub fn later(&mut self, name: &str, now: Tick) {
        if let Some(seen) = self.files.get_mut(name) {
            seen.since = now;
            seen.closed = false;
        }
    }

    /// What to do, now that the folder holds these files.
    pub fn look(&mut self, now: Tick, listing: &[(String, Fingerprint)]) -> Look {
        let names: BTreeSet<&str> = listing.iter().map(|(name, _)| name.as_str()).collect();
        self.files.retain(|name, _| names.contains(name.as_str()));
        self.closed.retain(|name| names.contains(name.as_str()));
        let mut look = Look::default();
        for (name, fingerprint) in listing {
            let seen = self.files.entry(name.clone()).or_insert(Seen {
                fingerprint: *fingerprint,
                since: now,
                closed: false,
                done: false,
            });
            if seen.fingerprint != *fingerprint {
                *seen = Seen { fingerprint: *fingerprint, since: now, closed: false, done: false };
            }
            seen.closed |= self.closed.remove(name);
            if seen.done {
                continue;
            }
            let settled_at = Tick(seen.since.0.saturating_add(self.settle_ms));
            let settled = settled_at <= now;
            match (fingerprint.size, seen.closed, settled) {
                (0, _, true) => look.empty.push(name.clone()),
                (0, _, false) | (_, false, false) => {
                    look.again = Some(look.again.map_or(settled_at, |again| again.min(settled_at)));
                }
                _ => look.ready.push((name.clone(), *fingerprint)),
            }
        }
        look.ready.sort_by(|(one, a), (other, b)| (a.changed_ns, one).cmp(&(b.changed_ns, other)));
        look
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(name: &str, size: u64, changed: i128) -> (String, Fingerprint) {
        (name.to_owned(), Fingerprint { size, changed_ns: changed, inode: 7 })
    }

    #[test]
    fn a_growing_file_waits_until_it_stands_still() {
        let mut arrivals = Arrivals::new(2_000);
        assert_eq!(arrivals.look(Tick(0), &[file("a.csv", 10, 1)]).again, Some(Tick(2_000)));
        assert_eq!(arrivals.look(Tick(1_900), &[file("a.csv", 20, 2)]).again, Some(Tick(3_900)));
        assert_eq!(arrivals.look(Tick(3_899), &[file("a.csv", 20, 2)]).ready, []);
        assert_eq!(arrivals.look(Tick(3_900), &[file("a.csv", 20, 2)]).ready, [file("a.csv", 20, 2)]);
    }

    #[test]
    fn a_closed_file_is_read_at_once_unless_it_is_written_again() {
        let mut arrivals = Arrivals::new(2_000);
        arrivals.closed("a.csv");
        assert_eq!(arrivals.look(Tick(0), &[file("a.csv", 10, 1)]).ready, [file("a.csv", 10, 1)]);
        arrivals.closed("b.csv");
        arrivals.touched("b.csv");
        assert_eq!(arrivals.look(Tick(0), &[file("b.csv", 10, 1)]).ready, []);
    }

    #[test]
    fn an_empty_file_is_never_read_and_a_recorded_one_only_when_it_changed() {
        let mut arrivals = Arrivals::new(100);
        arrivals.closed("a.csv");
        let look = arrivals.look(Tick(0), &[file("a.csv", 0, 1)]);
        assert_eq!((look.ready.len(), look.empty.len()), (0, 0));
        assert_eq!(arrivals.look(Tick(100), &[file("a.csv", 0, 1)]).empty, ["a.csv"]);
        arrivals.done("a.csv");
        assert_eq!(arrivals.look(Tick(900), &[file("a.csv", 0, 1)]), Look::default());
        assert_eq!(arrivals.look(Tick(1_000), &[file("a.csv", 5, 2)]).again, Some(Tick(1_100)));
    }

    #[test]
    fn oldest_first() {
        let mut arrivals = Arrivals::new(0);
        let look = arrivals.look(Tick(0), &[file("a", 1, 9), file("b", 1, 3), file("c", 1, 3)]);
        let names: Vec<_> = look.ready.iter().map(|(name, _)| name.as_str()).collect();
        assert_eq!(names, ["b", "c", "a"]);
    }
}
