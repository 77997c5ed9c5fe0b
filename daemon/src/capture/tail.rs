//! A file that grows, read from its beginning on: bytes in, whole rows out. What stands behind the last whole row waits
//! inside.

use std::collections::HashMap;

use ridgepost_config::Station;
use ridgepost_parsers::{Decoder, Framer, Tick};
use sha2::{Digest, Sha256};

use crate::store::{Heard, hex};

/// Bytes before the end that are looked at again each time.
const EDGE: usize = 4096;

/// So many rows that are nearly all different tell one file from another (our own choice).
const TELLING: usize = 8;

/// The way through one file.
pub(super) struct Tail {
    framer: Framer,
    decoder: Decoder,
    hash: Sha256,
    /// Where the last whole row ends that was handed out.
    last: u64,
    pushed: u64,
    edge: Vec<u8>,
}

/// Whole rows that follow each other.
pub(super) struct Rows {
    /// Where they begin and end in the file.
    pub(super) first: u64,
    pub(super) last: u64,
    /// SHA-256 of the file up to their end.
    pub(super) sha256: String,
    pub(super) raw: Vec<u8>,
    /// Numbered from 1; each frame's place is counted from `first`.
    pub(super) heard: Vec<Heard>,
}

impl Tail {
    /// At the beginning of a file.
    pub(super) fn new(station: &Station) -> Tail {
        let (framer, decoder) = (station.instrument.framer(), station.instrument.decoder());
        Tail { framer, decoder, hash: Sha256::new(), last: 0, pushed: 0, edge: Vec::new() }
    }

    /// Takes the bytes that follow.
    pub(super) fn push(&mut self, bytes: &[u8]) {
        self.framer.push(bytes, Tick(0));
        self.pushed += bytes.len() as u64;
        self.edge.extend_from_slice(bytes);
        self.edge.drain(..self.edge.len().saturating_sub(EDGE));
    }

    /// The next whole rows, at most so many.
    pub(super) fn rows(&mut self, most: usize) -> Option<Rows> {
        let first = self.last;
        let (mut raw, mut heard) = (Vec::new(), Vec::new());
        while heard.len() < most
            && let Some(mut frame) = self.framer.poll()
        {
            raw.extend_from_slice(&frame.raw);
            let decoded = self.decoder.decode(&frame);
            frame.offset = frame.offset.saturating_sub(first);
            let number = u32::try_from(heard.len() + 1).unwrap_or(u32::MAX);
            heard.push(Heard { number, frame, decoded });
        }
        self.hash.update(&raw);
        self.last += raw.len() as u64;
        (!heard.is_empty()).then(|| Rows { first, last: self.last, sha256: self.sha256(), raw, heard })
    }

    /// Where the last whole row ends.
    pub(super) fn last(&self) -> u64 {
        self.last
    }

    /// Bytes taken in.
    pub(super) fn pushed(&self) -> u64 {
        self.pushed
    }

    /// The last bytes taken in.
    pub(super) fn edge(&self) -> &[u8] {
        &self.edge
    }

    /// The beginning of a row that waits for its end, as far as it is held.
    pub(super) fn waiting(&self) -> &[u8] {
        let waits = usize::try_from(self.pushed - self.last).unwrap_or(usize::MAX);
        &self.edge[self.edge.len().saturating_sub(waits)..]
    }

    /// SHA-256 of the file up to the last whole row.
    pub(super) fn sha256(&self) -> String {
        hex(&self.hash.clone().finalize())
    }
}

/// Rows that are recorded, and how often each: what makes a row the same in a file that was written anew.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Known(HashMap<[u8; 32], u32>);

impl Known {
    /// Cuts recorded bytes into rows.
    pub(super) fn of(station: &Station, fill: impl FnOnce(&mut dyn FnMut(&[u8]))) -> Known {
        let (mut framer, mut known) = (station.instrument.framer(), Known::default());
        fill(&mut |bytes| {
            framer.push(bytes, Tick(0));
            while let Some(frame) = framer.poll() {
                *known.0.entry(row(&frame.raw)).or_default() += 1;
            }
        });
        known
    }

    /// As often as in either of both.
    pub(super) fn or(mut self, other: &Known) -> Known {
        for (row, times) in &other.0 {
            let mine = self.0.entry(*row).or_default();
            *mine = (*mine).max(*times);
        }
        self
    }

    /// Without those, as often as they are there.
    pub(super) fn without(mut self, other: &Known) -> Known {
        for (row, times) in &other.0 {
            if let Some(mine) = self.0.get_mut(row) {
                *mine = mine.saturating_sub(*times);
            }
        }
        self
    }

    /// How many rows these are, where they tell one file from another: enough of them, and nearly all different. Short
    /// rows of few figures come again by chance.
    pub(super) fn telling(&self) -> Option<usize> {
        let rows: u32 = self.0.values().sum();
        let differ = self.0.values().filter(|times| **times > 0).count();
        let rows = usize::try_from(rows).unwrap_or(usize::MAX);
        (rows >= TELLING && differ * 10 >= rows * 9).then_some(rows)
    }

    /// Whether a row is known, once more than it was taken before.
    pub(super) fn take(&mut self, raw: &[u8]) -> bool {
        match self.0.get_mut(&row(raw)) {
            Some(times) if *times > 0 => {
                *times -= 1;
                true
            }
            _ => false,
        }
    }
}

/// A row without what ends it and what fills the space before it.
fn row(raw: &[u8]) -> [u8; 32] {
    Sha256::digest(raw.trim_ascii()).into()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    fn station() -> Station {
        let cell = "[cell]\nname = \"c\"\ntime_zone = \"UTC\"\n[store]\npath = \"/s.db\"\n[[station]]\nname = \"b\"\ninstrument = \"rows\"\n\
                    gauge = \"G\"\nfolder = { path = \"/x\", grows = true }\n";
        let rows = "[instrument]\nname = \"rows\"\n[framing]\nkind = \"rows\"\nquote = \"\\\"\"\n[table]\ndelimiter = \";\"\n\
                    header = 'Part;Ra'\n[names]\nPart = \"part\"\n[reading]\nunit = \"um\"\n";
        let files = [
            ("cell.toml", cell),
            ("gauges.toml", "[[gauge]]\nid = \"G\"\nkind = \"stylus\"\n"),
            ("instruments/rows.toml", rows),
        ];
        let files = files.map(|(name, text)| (name.into(), text.to_owned())).into();
        let loaded = ridgepost_config::read(std::path::Path::new("/cell"), &files);
        assert_eq!(loaded.faults().map(ToString::to_string).collect::<Vec<_>>(), Vec::<String>::new());
        loaded.plan.unwrap().stations.remove(0)
    }

    const TEXT: &str = "Part;Ra\r\nA;0.4\r\n\"B\r\nC\";0.5\r\n\r\nD;0.6\r\nE;0.";

    #[test]
    fn rows_do_not_depend_on_how_their_bytes_came() {
        let station = station();
        for cut in 0..TEXT.len() {
            let mut tail = Tail::new(&station);
            let (mut raw, mut values, mut first) = (Vec::new(), Vec::new(), 0);
            for piece in [&TEXT[..cut], &TEXT[cut..]] {
                tail.push(piece.as_bytes());
                while let Some(rows) = tail.rows(2) {
                    assert_eq!((rows.first, rows.last - rows.first), (first, rows.raw.len() as u64), "{cut}");
                    for heard in &rows.heard {
                        let start = heard.frame.offset as usize;
                        assert_eq!(rows.raw[start..start + heard.frame.raw.len()], heard.frame.raw, "{cut}");
                        values.extend(heard.decoded.readings.iter().map(|it| it.value_as_sent.clone()));
                    }
                    raw.extend(rows.raw);
                    first = rows.last;
                    assert_eq!(rows.sha256, crate::store::sha256(&raw), "{cut}");
                }
            }
            assert_eq!(values, ["0.4", "0.5", "0.6"], "{cut}");
            assert_eq!([&raw[..], tail.waiting()].concat(), TEXT.as_bytes(), "{cut}");
        }
    }

    #[test]
    fn few_rows_and_rows_that_come_again_by_chance_tell_no_file() {
        let station = station();
        let of = |text: String| Known::of(&station, |piece| piece(text.as_bytes())).telling();
        let rows = |numbers: std::ops::Range<u32>, of: u32| numbers.map(|it| format!("{};0.4\r\n", it % of)).collect();
        assert_eq!(of(rows(0..7, 100)), None);
        assert_eq!(of(rows(0..8, 100)), Some(8));
        assert_eq!(of(rows(0..20, 18)), Some(20));
        assert_eq!(of(rows(0..20, 17)), None);
    }

    #[test]
    fn equal_rows_are_known_as_often_as_they_were_there() {
        let station = station();
        let of = |text: &str| Known::of(&station, |piece| piece(text.as_bytes()));
        let mut known = of("1;2\r\n1;2\r\n3;4\r\n").without(&of("1;2\r\n")).or(&of("3;4\n3;4\n"));
        let taken: Vec<bool> =
            ["1;2\r\n", "1;2\n", "3;4", "\n3;4", "3;4", "5;6"].iter().map(|row| known.take(row.as_bytes())).collect();
        assert_eq!(taken, [true, false, true, true, false, false]);
    }
}
