//! Files that grow and are not what they were: renamed, copied, written anew. Which of their rows are recorded already.

use std::collections::BTreeMap;

use sha2::Digest;

use super::arrival::Fingerprint;
use super::disk::Left;
use super::folder::Desk;
use super::frames::BATCH;
use super::growing::{Listed, PIECE, Step, asked};
use super::tail::{Known, Rows, Tail};
use crate::store::growth::{Growth, generation};
use crate::store::hex;

/// Writings of a file that are looked through for its rows.
const WRITINGS_MAX: usize = 4;
/// Bytes in which a new file is compared with those it may be a copy of.
const HEAD: u64 = 4096;
/// Files that one under a new name may have been.
const NAMES_MAX: usize = 64;

impl Desk {
    /// A file under a new name that begins with all that was taken of one which is not under its own name any more: it
    /// goes on from there.
    pub(super) fn follow_renamed(
        &mut self,
        name: &str,
        listing: &Listed,
        before: Option<&BTreeMap<String, Growth>>,
    ) -> Result<Step, Left> {
        let (Some(before), Some(file)) = (before, self.growing.files.get(name)) else { return Ok(Step::Done) };
        let (seen, since) = (file.seen, file.since);
        let own = before.get(name);
        if own.is_some_and(|own| own.inode == seen.inode) {
            return Ok(Step::Done);
        }
        let now: BTreeMap<&str, &Fingerprint> = listing.iter().map(|(name, print)| (name.as_str(), print)).collect();
        let fits = |other: &str, growth: &Growth| other != name && growth.last > 0 && growth.last <= seen.size;
        let moved = |other: &str, growth: &Growth| {
            let left = now.get(other).is_none_or(|print| print.size < growth.last);
            growth.inode == seen.inode || own.is_none() && left
        };
        let mut others: Vec<&Growth> = before
            .iter()
            .filter(|(other, growth)| fits(other, growth) && moved(other, growth))
            .map(|(_, it)| it)
            .collect();
        others.sort_by_key(|growth| std::cmp::Reverse(growth.last));
        for growth in others.into_iter().take(NAMES_MAX) {
            if self.begins_with(name, growth.last, &growth.sha256)? {
                let growth = Growth { inode: seen.inode, ..growth.clone() };
                let rows = Rows {
                    first: growth.last,
                    last: growth.last,
                    sha256: growth.sha256.clone(),
                    raw: vec![],
                    heard: vec![],
                };
                self.record(name, rows, &growth)?;
                return Ok(Step::Done);
            }
        }
        // A copy that is made before the file itself is emptied, and may not be whole yet: which of both goes on shows in a
        // moment.
        let settled = since.0.saturating_add(self.folder.settle_ms) <= self.shell.clock.tick().0;
        if own.is_some() || settled {
            return Ok(Step::Done);
        }
        let (print, head) = self.reach.piece(&self.folder.path.join(name), 0, HEAD)?;
        if print.size != seen.size || head.is_empty() {
            // Changed since the listing, as the others may have.
            return Ok(Step::Settle);
        }
        let copied = |other: &str| other != name && now.get(other).is_some_and(|listed| listed.size >= seen.size);
        for other in before.keys().filter(|other| copied(other)).take(NAMES_MAX) {
            let Some(listed) = now.get(other.as_str()) else { continue };
            let (print, others) = self.reach.piece(&self.folder.path.join(other), 0, HEAD)?;
            if print != **listed || others.starts_with(&head) {
                return Ok(Step::Settle);
            }
        }
        Ok(Step::Done)
    }

    /// Whether a file begins with so many bytes of this SHA-256.
    pub(super) fn begins_with(&mut self, name: &str, length: u64, sha256: &str) -> Result<bool, Left> {
        let (path, mut hash, mut at) = (self.folder.path.join(name), sha2::Sha256::new(), 0);
        while at < length {
            let (_, raw) = self.reach.piece(&path, at, PIECE.min(length - at))?;
            if raw.is_empty() {
                return Ok(false);
            }
            hash.update(&raw);
            at += raw.len() as u64;
        }
        Ok(hex(&hash.finalize()) == sha256)
    }

    /// Rows of a writing of a file and of those before it.
    pub(super) fn rows_of(&self, writing: i64) -> Result<Known, Left> {
        let store = self.store().map_err(asked)?;
        let (mut known, mut next) = (Known::default(), Some(writing));
        for _ in 0..WRITINGS_MAX {
            let Some(writing) = next else { break };
            let mut before = Ok(None);
            let rows = Known::of(&self.station, |piece| before = generation(&store, writing, piece));
            known = known.or(&rows);
            next = before.map_err(asked)?;
        }
        Ok(known)
    }

    /// A file that does not begin with what was taken of it. Where at least half of its rows are recorded ones, or it
    /// holds at least half of the recorded ones and these tell it apart, it is the same file, written again; else it has
    /// begun anew.
    pub(super) fn anew(&mut self, name: &str, before: Option<&BTreeMap<String, Growth>>) -> Result<Step, Left> {
        let own = self.growing.grown.as_ref().and_then(|grown| grown.get(name)).cloned().unwrap_or_default();
        let was = before.and_then(|before| before.get(name)).unwrap_or(&own).generation;
        let elsewhere = self.growing.grown.iter().flatten().any(|(other, it)| other != name && it.generation == was);
        let known = match own.generation.filter(|_| !elsewhere) {
            Some(writing) => self.rows_of(writing)?,
            None => Known::default(),
        };
        let telling = known.telling();
        let (rows, again, size) = self.count_again(name, known.clone())?;
        if rows == 0 {
            return Ok(Step::Done);
        }
        // Rows may have been added by the thousand before it was written again.
        let most_recorded = telling.is_some_and(|recorded| again * 2 >= recorded);
        let same = again * 2 >= rows || most_recorded;
        let what = match (elsewhere, same) {
            (true, _) => "its earlier rows go on under another name; all in it are taken".to_owned(),
            (_, true) => format!("{again} of its {rows} rows are recorded already, the others are taken"),
            _ => format!("only {again} of its {rows} rows were in it before, so it has begun anew; all are taken"),
        };
        self.say("written-anew", format!("{name} does not begin with what was taken of it any more: {what}"));
        let same = same && !elsewhere;
        let (before, until) = (own.generation.filter(|_| same), if same { size.max(own.last) } else { 0 });
        let growth = Growth { before, until, ..Growth::default() };
        if let Some(grown) = &mut self.growing.grown {
            grown.insert(name.to_owned(), growth);
        }
        self.growing.change(name, |file| (file.known, file.skip) = (same.then_some(known), 0));
        let tail = Tail::new(&self.station);
        self.go_on(name, tail)
    }

    /// How many rows with readings a file holds, how many of them are known, and how many bytes were read.
    pub(super) fn count_again(&mut self, name: &str, mut known: Known) -> Result<(usize, usize, u64), Left> {
        let (path, mut tail) = (self.folder.path.join(name), Tail::new(&self.station));
        let (mut count, mut again) = (0, 0);
        loop {
            let (_, raw) = self.reach.piece(&path, tail.pushed(), PIECE)?;
            if raw.is_empty() {
                return Ok((count, again, tail.pushed()));
            }
            tail.push(&raw);
            while let Some(rows) = tail.rows(BATCH) {
                for heard in rows.heard.iter().filter(|heard| !heard.decoded.readings.is_empty()) {
                    count += 1;
                    again += usize::from(known.take(&heard.frame.raw));
                }
            }
        }
    }
}
