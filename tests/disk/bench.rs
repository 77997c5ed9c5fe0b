//! A cell whose store lies on a disk of its own, what happens to it meanwhile, and what must be found afterwards.

use std::ops::{Deref, DerefMut};
use std::path::PathBuf;
use std::process::ExitStatus;
use std::time::{Duration, Instant};

use ridgepost_tests::bench::Bench as AtWork;
use ridgepost_tests::patience::LONG;

use super::send;

/// A cell whose store lies on a disk that can be pulled out; instruments, export folder and sink lie elsewhere.
pub struct Bench(AtWork);

impl Deref for Bench {
    type Target = AtWork;

    fn deref(&self) -> &AtWork {
        &self.0
    }
}

impl DerefMut for Bench {
    fn deref_mut(&mut self) -> &mut AtWork {
        &mut self.0
    }
}

impl Bench {
    pub fn new(weaken: Option<&str>) -> Bench {
        Bench(AtWork::new(env!("CARGO_BIN_EXE_ridgepost"), weaken))
    }

    pub fn say(&mut self, count: u64) {
        let from = self.said + 1;
        self.said += count;
        let last = self.said;
        send(&mut self.line, from..=last);
    }

    pub fn export(&mut self) -> PathBuf {
        self.0.export(3)
    }

    /// Starts and waits until the next reading and every file is taken and delivered.
    pub fn goes_on(&mut self) -> Vec<String> {
        self.line.let_go();
        let AtWork { cell, line, .. } = &mut self.0;
        cell.start_listening(&[line]);
        self.catches_up()
    }

    /// Waits until the next reading and every file is taken and delivered.
    pub fn catches_up(&mut self) -> Vec<String> {
        self.say(3);
        self.until_taken()
    }

    /// Offers readings until the daemon ends, or waits and says so.
    pub fn offer(&mut self) -> Option<ExitStatus> {
        let until = Instant::now() + LONG;
        while Instant::now() < until {
            if self.cell.has_ended() {
                return Some(self.cell.ended());
            }
            if self.line.untaken() < 2000 {
                self.say(1);
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        None
    }

    /// What is wrong. Nothing else happened to the files, so their rows stand in the order of the exports as well.
    pub fn judge(&mut self) -> Vec<String> {
        self.look();
        let mut found = self.findings();
        let files = self.numbers("exports");
        if !files.is_sorted() {
            found.push(format!("the files' readings are {files:?}"));
        }
        found
    }
}
