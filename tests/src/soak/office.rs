//! Everybody round the instruments in a day: who saves files, opens jobs, takes the result folder away, and looks.

use std::collections::BTreeSet;
use std::fs;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use super::{A_DAY, JOBS, LOOKS, READERS, RELOADS, SINK_AWAY, SINK_EVERY, SPARE, Sent, Sun};
use crate::cell::Cell;
use crate::oracle::{Store, field};
use crate::patience::{LONG, within};
use crate::steady::{Look, Watched};

/// Everybody round the instruments: who saves files, opens jobs, takes the result folder away, and looks.
pub(super) struct Office {
    pub(super) drops: PathBuf,
    away: PathBuf,
    watched: Watched,
    store: Option<Store>,
    /// Results seen by a connection of our own: every one of them was committed.
    pub(super) seen: BTreeSet<String>,
    seen_up_to: i64,
    looked: Instant,
    pub(super) looks: Vec<Look>,
    pub(super) findings: Vec<String>,
    plain: String,
    downs: u64,
    pub(super) reloads: u64,
    jobs: u64,
    readers: u64,
}

impl Office {
    pub(super) fn new(cell: &Cell) -> Office {
        let wal = PathBuf::from(format!("{}-wal", cell.store_path().display()));
        Office {
            drops: cell.path("drops"),
            away: cell.path("drops-away"),
            watched: Watched { process: cell.process(), wal, log: cell.path("log") },
            store: None,
            seen: BTreeSet::new(),
            seen_up_to: 0,
            looked: Instant::now(),
            looks: Vec::new(),
            findings: Vec::new(),
            plain: fs::read_to_string(cell.path("cell/cell.toml")).unwrap(),
            downs: 0,
            reloads: 0,
            jobs: 0,
            readers: 0,
        }
    }

    pub(super) fn go_on(&mut self, cell: &Cell, sun: &Sun) {
        let (done, readings) = (sun.done(), sun.day.readings);
        let due = |events: u64| done * events / A_DAY;
        if done * LOOKS / readings >= self.looks.len() as u64 {
            match self.watched.look(done) {
                Some(look) => self.looks.push(look),
                None => panic!("the daemon ended:\n{}", cell.log()),
            }
        }
        let down = done % SINK_EVERY >= SINK_EVERY - SINK_AWAY && done + SINK_EVERY < readings;
        if down != self.away.exists() {
            let (from, to) = if down { (&self.drops, &self.away) } else { (&self.away, &self.drops) };
            fs::rename(from, to).unwrap();
            self.downs += u64::from(down);
        }
        if due(RELOADS) > self.reloads {
            self.reloads += 1;
            let spare = if self.reloads % 2 == 1 { SPARE } else { "" };
            cell.write("cell.toml", &format!("{}{spare}", self.plain));
        }
        if due(JOBS) > self.jobs {
            self.jobs += 1;
            // One in eight half hours is worked on a job.
            match self.jobs % 8 {
                1 => self.ask(cell, &["job", "open", "J-1"]),
                2 => self.ask(cell, &["job", "close"]),
                _ => self.ask(cell, &["status"]),
            }
        }
        if due(READERS) > self.readers {
            self.readers += 1;
            // Who reads everything keeps the log from being brought back meanwhile: once in each half of the day.
            match self.readers % (READERS / 2) {
                9 => self.ask(cell, &["readings", "--json"]),
                _ => self.ask(cell, &["readings", "--json", "--job", "J-1", "--outcome", "nonconforming"]),
            }
        }
        if self.looked.elapsed() > Duration::from_millis(500) {
            self.store = self.store.take().or_else(|| Store::open(&cell.store_path()));
            self.acknowledged();
            self.looked = Instant::now();
        }
    }

    fn ask(&mut self, cell: &Cell, arguments: &[&str]) {
        let said = cell.ask(arguments);
        if !said.status.success() {
            self.findings.push(format!("{arguments:?}: {} {}", said.status, said.stderr));
        }
    }

    fn acknowledged(&mut self) {
        let Some(store) = &self.store else { return };
        let rows = store.query("SELECT seq, result_id FROM results WHERE seq > ?1 ORDER BY seq", [self.seen_up_to]);
        for row in rows {
            self.seen_up_to = field(&row, "seq").parse().unwrap();
            self.seen.insert(field(&row, "result_id").to_owned());
        }
    }

    /// The folder is there again, the job closed, the plan as it was.
    pub(super) fn close(&mut self, cell: &Cell) {
        if self.away.exists() {
            fs::rename(&self.away, &self.drops).unwrap();
        }
        if self.jobs % 8 == 1 {
            self.ask(cell, &["job", "close"]);
        }
        self.acknowledged();
    }

    /// Waits until everything sent is stored and everything stored delivered, as long as it goes on.
    pub(super) fn settle(&mut self, cell: &mut Cell, sent: &[Sent]) {
        let whole: usize = sent.iter().map(|sent| sent.whole.len()).sum();
        let store = cell.store();
        let number = |sql: &str| field(&store.query(sql, [])[0], "n").parse::<usize>().unwrap();
        let mut before = (0, usize::MAX);
        loop {
            let mut now = before;
            // A file by minutes is closed by the sign of life that follows its minute.
            let more = within(4 * LONG, || {
                let stored = number("SELECT count(*) AS n FROM results WHERE kind = 'reading'");
                now = (stored, number("SELECT count(*) AS n FROM parcel WHERE state <> 'delivered'"));
                (now != before).then_some(now.0 < whole || now.1 > 0)
            });
            match more {
                Some(true) => before = now,
                Some(false) => return,
                None => {
                    return self
                        .findings
                        .push(format!("of {whole} readings {} are stored, {} files wait", now.0, now.1));
                }
            }
        }
    }

    pub(super) fn told(&self, sun: &Sun, took: Duration, sent: &[Sent]) -> String {
        let day = Duration::from_secs(86_400).mul_f64(sun.day.readings as f64 / A_DAY as f64);
        format!(
            "{} readings in {:.0} s: {:.0} times as fast as a day; {} cables pulled, the result folder away {} times, {} \
             files saved, {} words about jobs, {} readers; {} results seen acknowledged",
            sun.done(),
            took.as_secs_f64(),
            day.as_secs_f64() / took.as_secs_f64(),
            sent.iter().map(|sent| sent.unplugs).sum::<u64>(),
            self.downs,
            self.reloads,
            self.jobs,
            self.readers,
            self.seen.len()
        )
    }
}
