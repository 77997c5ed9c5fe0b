//! A day of a cell in a few minutes: instruments talk, cables are pulled, the result folder goes away, files are saved,
//! jobs opened and closed, people look; and what the daemon holds is looked at all the while.
//!
//! Everything is reckoned in readings: 50,000 of them are a day, so that 35 are a minute. [`Day::span`] says how long the
//! day takes. The daemon's own time-outs are not shortened by it.

mod judge;
mod office;
mod speakers;

use std::fs;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::cell::Cell;
use crate::instruments;
use crate::pty::Line;
use crate::seed::Seeded;
use crate::steady::Look;
use judge::judge;
use office::Office;
use speakers::{Talker, export_all};

/// Readings of a day.
pub const A_DAY: u64 = 50_000;
/// A cable is pulled after so many readings: once a minute.
const UNPLUG_EVERY: u64 = 35;
/// The result folder goes away after so many readings, every ten minutes, and stays away for the last part of them.
const SINK_EVERY: u64 = 350;
const SINK_AWAY: u64 = 70;
/// Events of a day: a file of the cell is saved, a job opened or closed, somebody looks.
const RELOADS: u64 = 24;
const JOBS: u64 = 48;
const READERS: u64 = 24;
/// Looks at what the daemon holds, however short the day.
const LOOKS: u64 = 200;
/// One reading in so many comes as a file; one in so many is preceded by noise.
const FILED: u64 = 20;
const NOISE: u64 = 60;
/// Instruments at ports.
const PORTS: [(&str, bool); 6] = [("a", true), ("b", false), ("c", true), ("d", false), ("e", true), ("f", false)];

const JOB: &str = r#"
[job]
id = "J-1"
part_number = "P-1"
revision = "A"
operation = "10"
edition = "ISO 21920"
gate = "warn"
accept_unknown_conditions = true
[[characteristic]]
balloon = "1"
feature = "face"
quantity = "Ra"
upper = "5 µm"
rule = "max"
plausible = { min = "0 µm", max = "1000 µm" }
"#;

/// Stations that come and go with the reloads: a port that is not there and a folder.
const SPARE: &str = r#"
[[station]]
name = "spare-port"
instrument = "counted"
gauge = "G-1"
port = { path = "../by-id/nowhere", baud = 9600 }
[[station]]
name = "spare-folder"
instrument = "exported"
gauge = "G-3"
folder = { path = "../exports/spare", pattern = "*.csv", when_recorded = "archive" }
"#;

/// How long a day is.
#[derive(Clone, Copy, Debug)]
pub struct Day {
    /// Readings in it.
    pub readings: u64,
    /// How long it takes at least.
    pub span: Duration,
    /// What brings it back.
    pub seed: u64,
    /// A way in which the daemon is weakened.
    pub weaken: Option<&'static str>,
}

/// What came of a day.
#[derive(Debug, Default)]
pub struct Report {
    /// What was seen of the daemon, in order.
    pub looks: Vec<Look>,
    /// Broken promises.
    pub findings: Vec<String>,
    /// What was done, for people.
    pub told: String,
}

/// What one station was sent.
#[derive(Debug, Default)]
struct Sent {
    station: String,
    /// Numbers sent whole, rising.
    whole: Vec<u64>,
    unplugs: u64,
    findings: Vec<String>,
    /// The line, plugged in still.
    line: Option<Line>,
}

/// How far the day is.
struct Sun {
    began: Instant,
    day: Day,
    done: AtomicU64,
}

impl Sun {
    /// Waits until the `n`-th of `of` readings of one speaker is due.
    fn wait(&self, n: u64, of: u64) {
        let due = self.began + self.day.span.mul_f64(n as f64 / of.max(1) as f64);
        sleep(due.saturating_duration_since(Instant::now()));
    }

    fn done(&self) -> u64 {
        self.done.load(Ordering::Relaxed)
    }
}

/// Runs a day with the program at `binary`.
pub fn run(binary: &str, day: Day) -> Report {
    let mut cell = Cell::with_instruments(binary);
    // Half of the instruments are known by their numbers, so that what is remembered of those is looked at too. They count
    // alike, so each has a gauge of its own.
    cell.instrument("counted", &format!("{}unique_by = [\"number\"]\n", instruments::COUNTED));
    let mut port = |(name, counted): &(&str, bool)| {
        let gauge = format!("G-{name}");
        cell.gauge(&format!("id = \"{gauge}\"\nkind = \"stylus\""));
        cell.port(name, if *counted { "counted" } else { "plain" }, &gauge)
    };
    let lines: Vec<Line> = PORTS.iter().map(&mut port).collect();
    let exports = cell.folder("exports", "exported", "G-3", "*.csv");
    // Two syncs a file, hundreds of files a second: the disk of a day is asked for less, so single files hold parts only.
    // Minutes are not shortened as the day is: so that their files hold no more than real ones would, rows end them too.
    cell.sink_of("parts", "per = \"reading\", kinds = [\"part\"]");
    cell.sink_of("all", "per = \"minutes\", minutes = 1, rows_max = 200");
    fs::create_dir_all(cell.path("exports/spare")).unwrap();
    cell.configure();
    cell.write("jobs/j.toml", JOB);
    if let Some(weaken) = day.weaken {
        cell.set("RIDGEPOST_WEAKEN", weaken);
    }
    cell.start_listening(&lines.iter().collect::<Vec<_>>());
    let sun = Sun { began: Instant::now(), day, done: AtomicU64::new(0) };
    let mut seeded = Seeded::new(day.seed);
    let (mut office, mut sent) = (Office::new(&cell), Vec::new());
    std::thread::scope(|scope| {
        let filed = day.readings / FILED;
        let each = (day.readings - filed) / lines.len() as u64;
        let mut speakers = Vec::new();
        for (line, (name, counted)) in lines.into_iter().zip(PORTS) {
            let message = if counted { instruments::counted } else { instruments::plain };
            let seeded = Seeded::new(seeded.next_bits());
            let talker = Talker {
                process: cell.process(),
                sun: &sun,
                line,
                message,
                seeded,
                last: vec![],
                store_path: cell.store_path(),
                store: None,
            };
            speakers.push(scope.spawn(move || talker.talk(name, each)));
        }
        let files = (&exports, &sun, Seeded::new(seeded.next_bits()));
        speakers.push(scope.spawn(move || export_all(files.0, files.1, files.2, filed)));
        while speakers.iter().any(|speaker| !speaker.is_finished()) {
            office.go_on(&cell, &sun);
            sleep(Duration::from_millis(5));
        }
        sent.extend(speakers.into_iter().map(|speaker| speaker.join().unwrap()));
    });
    let took = sun.began.elapsed();
    office.close(&cell);
    let mut report = Report { looks: std::mem::take(&mut office.looks), ..Report::default() };
    office.settle(&mut cell, &sent);
    report.told = office.told(&sun, took, &sent);
    let log = cell.log();
    report.findings = std::mem::take(&mut office.findings);
    cell.stop();
    report.findings.extend(judge(&cell, &sent, &office, &log));
    report
}
