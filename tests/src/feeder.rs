//! An instrument that numbers its readings and goes on talking while the daemon is killed and started, with an account
//! of what each run of the daemon had heard.

use std::collections::BTreeSet;

use crate::oracle::{Row, Store, numbers};
use crate::pty::Line;
use crate::seed::Seeded;

/// A talking instrument at one port station.
#[derive(Debug)]
pub struct Feeder {
    station: String,
    line: Line,
    message: fn(u64) -> Vec<u8>,
    next: u64,
    /// Everything said so far, whether the kernel has taken it or not.
    said: Vec<u8>,
    messages: Vec<Message>,
    /// Bytes heard when each run of the daemon ended.
    heard: Vec<u64>,
}

#[derive(Clone, Copy, Debug)]
struct Message {
    number: u64,
    begin: u64,
    end: u64,
}

/// What became of an instrument's readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Account {
    /// Readings said.
    pub said: usize,
    /// Readings stored.
    pub stored: usize,
    /// Readings that a killed daemon had taken from the kernel whole and not committed.
    pub lost: usize,
    /// Readings that a killed daemon had taken a part of.
    pub cut: usize,
}

impl Feeder {
    /// An instrument at `line` that says `message(number)` for rising numbers.
    pub fn new(station: &str, line: Line, message: fn(u64) -> Vec<u8>) -> Feeder {
        Feeder { station: station.into(), line, message, next: 1, said: vec![], messages: vec![], heard: vec![] }
    }

    /// The instrument's line.
    pub fn line(&self) -> &Line {
        &self.line
    }

    /// The station it talks to.
    pub fn station(&self) -> &str {
        &self.station
    }

    /// The last number said.
    pub fn last_number(&self) -> u64 {
        self.next - 1
    }

    /// Says the next reading, or a part of it, or the rest of one begun.
    pub fn speak(&mut self, seeded: &mut Seeded) {
        if self.line.written() == self.said.len() as u64 {
            self.begin();
        }
        let rest = &self.said[self.line.written() as usize..];
        let whole = seeded.between(0, 3) > 0;
        let length = if whole { rest.len() } else { seeded.between(1, rest.len() as u64) as usize };
        self.line.send_some(&rest[..length]);
    }

    /// Says the rest of a reading begun.
    pub fn finish_speaking(&mut self) {
        let rest = self.said[self.line.written() as usize..].to_vec();
        self.line.send(&rest);
    }

    /// Says the next reading whole.
    pub fn say(&mut self) {
        self.finish_speaking();
        self.begin();
        self.finish_speaking();
    }

    fn begin(&mut self) {
        let message = (self.message)(self.next);
        let begin = self.said.len() as u64;
        self.messages.push(Message { number: self.next, begin, end: begin + message.len() as u64 });
        self.said.extend_from_slice(&message);
        self.next += 1;
    }

    /// Notes what the daemon, which was killed and is gone, had taken.
    pub fn daemon_was_killed(&mut self) {
        self.line.let_go();
        self.heard.push(self.line.written() - self.line.untaken());
    }

    /// Compares what is stored with what was said and heard. A run of the daemon may have lost what it had heard last;
    /// it may not have lost anything before what it stored, nor anything that it had not heard. Call after a last run
    /// that was not killed.
    pub fn account(&self, store: &Store, number_of: impl Fn(&Row) -> Result<u64, String>) -> (Account, Vec<String>) {
        let rows = store.readings(&self.station);
        let (stored, mut findings) = numbers(&self.station, &rows, number_of);
        let mut account = Account { said: self.messages.len(), stored: stored.len(), lost: 0, cut: 0 };
        for number in stored.iter().filter(|number| **number == 0 || **number >= self.next) {
            findings.push(format!("{}: {number} was never said", self.station));
        }
        for (run, (from, to)) in self.runs().into_iter().enumerate() {
            let killed = run < self.heard.len();
            let inside = self.messages.iter().filter(|message| from <= message.begin && message.end <= to);
            let mut missing = None;
            for message in inside {
                let is_stored = stored.binary_search(&message.number).is_ok();
                match (is_stored, missing) {
                    (true, Some(before)) => {
                        findings.push(format!(
                            "{}: {} is stored and {before} before it is not",
                            self.station, message.number
                        ));
                    }
                    (true, None) => {}
                    (false, _) => {
                        missing = Some(message.number);
                        account.lost += 1;
                        if !killed {
                            findings.push(format!("{}: {} is lost without a kill", self.station, message.number));
                        }
                    }
                }
            }
            let across = self.messages.iter().find(|message| message.begin < to && to < message.end);
            account.cut += usize::from(across.is_some_and(|message| stored.binary_search(&message.number).is_err()));
        }
        findings.extend(self.raw_findings(&store.raw(&self.station)));
        (account, findings)
    }

    /// Of each run's bytes the store holds the first so many, in order, and nothing else; of the last run's, all.
    fn raw_findings(&self, raw: &[u8]) -> Vec<String> {
        let runs = self.runs();
        // Where in the kept bytes a run may have ended: messages look alike at their beginnings, so there may be more
        // than one place.
        let mut ends = BTreeSet::from([0]);
        for (run, (from, to)) in runs.iter().enumerate() {
            let said = &self.said[*from as usize..*to as usize];
            let last = run + 1 == runs.len();
            let kept = |begin: usize| said.iter().zip(&raw[begin..]).take_while(|(one, other)| one == other).count();
            let reached = ends.iter().flat_map(|begin| {
                let most = kept(*begin);
                let least = if last { said.len() } else { 0 };
                (least..=most).map(move |length| begin + length)
            });
            ends = reached.collect();
        }
        if ends.contains(&raw.len()) {
            vec![]
        } else {
            vec![format!(
                "{}: the bytes kept are not the beginnings of what each run heard, and all of the last",
                self.station
            )]
        }
    }

    /// The stretches of bytes that each run of the daemon heard; the last run heard the rest.
    fn runs(&self) -> Vec<(u64, u64)> {
        let begins = std::iter::once(0).chain(self.heard.iter().copied());
        let ends = self.heard.iter().copied().chain([self.said.len() as u64]);
        begins.zip(ends).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn talked(said: &[u8], heard: &[u64]) -> Feeder {
        let folder = tempfile::tempdir().unwrap();
        let mut feeder = Feeder::new("s", Line::plugged_in(&folder.path().join("s")), |_| vec![]);
        (feeder.said, feeder.heard) = (said.to_vec(), heard.to_vec());
        feeder
    }

    #[test]
    fn kept_bytes_are_the_beginnings_of_runs() {
        let feeder = talked(b"no 1,no 2,no 3,no 4,", &[10, 15]);
        for raw in ["no 1,no 2,no 3,no 4,", "no 1,no 4,", "no 4,", "no 1,no 3,no 4,", "no 1,no no 4,"] {
            assert_eq!(feeder.raw_findings(raw.as_bytes()), Vec::<String>::new(), "{raw}");
        }
        for raw in
            ["", "no 1,no 2,no 3,", "no 2,no 4,", "no 1,no 4,no 4,", "no 1,no 2,no 3,no 4", "no 1,no 2,no 3,no 4,n"]
        {
            assert_eq!(feeder.raw_findings(raw.as_bytes()).len(), 1, "{raw}");
        }
    }
}
