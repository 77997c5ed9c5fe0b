//! What happens in the demo, step by step: each step does something to an instrument and waits until the store
//! says what became of it.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use indicatif::ProgressBar;
use rusqlite::Connection;

use super::instrument::{Instrument, Record};
use super::shop::{JOB, Numbers, ZONE};
use crate::control::{Reply, Request, ask};
use crate::store::{JobCommand, open_for_reading};

/// A step that takes longer than this has failed.
const STEP_WITHIN: Duration = Duration::from_secs(15);

/// How many steps the show has, for the progress bar.
pub(super) const STEPS: u64 = 10;

/// Why the show could not go on.
#[derive(Debug, thiserror::Error)]
pub(super) enum ShowFault {
    /// Something was expected and did not come.
    #[error("waited 15 s in vain for {0}")]
    InVain(String),
    /// The daemon said no.
    #[error("the daemon refused: {0}")]
    Refused(String),
    /// The store could not be read.
    #[error("{0}")]
    Store(#[from] crate::store::StoreFault),
    /// The store could not be read.
    #[error("{0}")]
    Sqlite(#[from] rusqlite::Error),
    /// Something the operating system says.
    #[error("{0}")]
    Io(#[from] std::io::Error),
}

/// The stage: instruments, folder, and eyes on the store.
pub(super) struct Show<'a> {
    tester: Instrument,
    micrometer: Instrument,
    exports: PathBuf,
    store: PathBuf,
    numbers: Numbers,
    record: u32,
    exported: u32,
    bar: &'a ProgressBar,
}

impl<'a> Show<'a> {
    /// Plugs the instruments in.
    pub(super) fn new(dir: &Path, seed: u64, bar: &'a ProgressBar) -> Result<Self, ShowFault> {
        Ok(Show {
            tester: Instrument::plugged_in(&dir.join("ports/tester-a"))?,
            micrometer: Instrument::plugged_in(&dir.join("ports/micrometer"))?,
            exports: dir.join("exports"),
            store: dir.join("store.db"),
            numbers: Numbers::new(seed),
            record: 30,
            exported: 0,
            bar,
        })
    }

    /// The whole show.
    pub(super) fn play(&mut self) -> Result<(), ShowFault> {
        self.step("the daemon comes up, the job is opened", Self::open_job)?;
        self.step("part 001: everything is as it should be", |show| show.good_part("001", "um"))?;
        self.step("part 002: the tester with the folder is set to microinches", |show| show.good_part("002", "uin"))?;
        self.step("part 003: the second track of the seat is too rough", Self::rough_part)?;
        self.step("part 004: somebody left the cutoff at 0.25 mm, and measures again", Self::wrong_cutoff)?;
        self.step("part 005: the cable is pulled in the middle of a line, and put back", Self::pulled_cable)?;
        self.step("part 006: nobody measured the diameter", Self::forgotten_diameter)?;
        self.step("part 007: a digit is damaged on the way", Self::damaged_frame)?;
        self.step("the export of part 002 is dropped again", Self::repeated_export)?;
        self.step("everything is handed over", Self::handed_over)
    }

    /// Sends a line as the micrometer.
    pub(super) fn press(&mut self, line: &str) -> std::io::Result<()> {
        self.micrometer.send(format!("{line}\r\n").as_bytes())
    }

    fn step(
        &mut self,
        what: &'static str,
        act: impl FnOnce(&mut Self) -> Result<(), ShowFault>,
    ) -> Result<(), ShowFault> {
        self.bar.set_message(what);
        act(self)?;
        // Slow enough to watch.
        std::thread::sleep(Duration::from_millis(1_500));
        self.bar.inc(1);
        Ok(())
    }

    fn open_job(&mut self) -> Result<(), ShowFault> {
        self.wait_for("the daemon's stations", |_| {
            let Ok(Reply::Done(status)) = self.ask(&Request::Status) else { return Ok(false) };
            let stations = status["stations"].as_object();
            Ok(stations.is_some_and(|stations| {
                stations.len() == 3 && stations.values().all(|station| station["state"] == "listening")
            }))
        })?;
        self.order(JobCommand::Open(JOB.into()))
    }

    fn order(&self, command: JobCommand) -> Result<(), ShowFault> {
        match self.ask(&Request::Job(command))? {
            Reply::Done(_) => Ok(()),
            Reply::Refused(why) | Reply::Failed(why) => Err(ShowFault::Refused(why)),
        }
    }

    fn ask(&self, request: &Request) -> std::io::Result<Reply> {
        let socket = crate::run::running(&self.store).ok_or(std::io::ErrorKind::NotConnected)?;
        ask(&socket, request)
    }

    fn good_part(&mut self, part: &str, unit: &str) -> Result<(), ShowFault> {
        self.two_good_tracks(part)?;
        self.finish(part, unit)
    }

    fn rough_part(&mut self) -> Result<(), ShowFault> {
        self.track("003", "0.80", None)?;
        self.track("003", "0.80", Some("0.862"))?;
        // 31.5 µin is 0.8001 µm: over the limit by a tenth of a nanometre, and nobody rounds it away.
        self.diameter("003")?;
        self.export("003", "uin", "31.5", "172")?;
        self.part_ended("003")
    }

    fn wrong_cutoff(&mut self) -> Result<(), ShowFault> {
        self.track("004", "0.25", None)?;
        self.good_part("004", "um")
    }

    fn pulled_cable(&mut self) -> Result<(), ShowFault> {
        self.track("005", "0.80", None)?;
        let whole = self.next_record("005", "0.80", None).bytes();
        self.tester.send(&whole[..whole.len() - 25])?;
        std::thread::sleep(Duration::from_millis(200));
        self.tester.pull_out()?;
        self.wait_for("the cut record to be kept", |store| {
            exists(store, "SELECT 1 FROM single_frame WHERE outcome = 'incomplete'")
        })?;
        std::thread::sleep(Duration::from_millis(1_200));
        self.tester.plug_in()?;
        self.wait_for("the tester to be heard again", |store| {
            let deaf = "SELECT 1 FROM coverage WHERE station = 'tester-a' AND until_us IS NULL";
            Ok(!exists(store, deaf)?)
        })?;
        self.track("005", "0.80", None)?;
        self.finish("005", "um")
    }

    fn forgotten_diameter(&mut self) -> Result<(), ShowFault> {
        self.two_good_tracks("006")?;
        let ra = self.numbers.ra();
        self.export("006", "um", &ra, "3.120")?;
        self.order(JobCommand::Next)?;
        self.part_ended("006")
    }

    fn damaged_frame(&mut self) -> Result<(), ShowFault> {
        let record = self.next_record("007", "0.80", None);
        let mut bytes = record.bytes();
        // The first digit of Ra: 0.4.. becomes 8.4.., and only the check value tells.
        let at = bytes.windows(9).position(|window| window == b"Ra       ").unwrap_or(0) + 9;
        bytes[at] ^= 0x08;
        self.tester.send(&bytes)?;
        self.wait_for("the damaged record to be kept", |store| {
            exists(store, "SELECT 1 FROM single_frame WHERE outcome = 'damaged' AND reason = 'checksum'")
        })?;
        self.tester.send(&record.bytes())?;
        self.recorded(&record)?;
        self.track("007", "0.80", None)?;
        self.finish("007", "um")
    }

    fn repeated_export(&mut self) -> Result<(), ShowFault> {
        let copy = self.exports.join("recorded/part-002.csv");
        std::fs::copy(copy, self.exports.join("part-002-again.csv"))?;
        self.wait_for("the repeat to be noted", |store| exists(store, "SELECT 1 FROM event WHERE code = 'repeat'"))
    }

    fn handed_over(&mut self) -> Result<(), ShowFault> {
        self.wait_for("all deliveries", |store| Ok(!exists(store, "SELECT 1 FROM parcel WHERE state <> 'delivered'")?))
    }

    fn two_good_tracks(&mut self, part: &str) -> Result<(), ShowFault> {
        self.track(part, "0.80", None)?;
        self.track(part, "0.80", None)
    }

    fn finish(&mut self, part: &str, unit: &str) -> Result<(), ShowFault> {
        self.diameter(part)?;
        let (ra, rz) = match unit {
            "uin" => (self.numbers.between(18, 30).to_string() + ".0", self.numbers.between(100, 150).to_string()),
            _ => (self.numbers.ra(), self.numbers.rz()),
        };
        self.export(part, unit, &ra, &rz)?;
        self.part_ended(part)
    }

    fn next_record(&mut self, part: &str, cutoff_mm: &'static str, ra: Option<&str>) -> Record {
        self.record += 1;
        let ra = ra.map_or_else(|| self.numbers.ra(), str::to_owned);
        Record { number: self.record, time: now(), part: serial(part), cutoff_mm, ra, rz: self.numbers.rz() }
    }

    fn track(&mut self, part: &str, cutoff_mm: &'static str, ra: Option<&str>) -> Result<(), ShowFault> {
        let record = self.next_record(part, cutoff_mm, ra);
        self.tester.send(&record.bytes())?;
        self.recorded(&record)
    }

    fn recorded(&self, record: &Record) -> Result<(), ShowFault> {
        let sql = format!(
            "SELECT 1 FROM result WHERE kind = 'reading' AND station = 'tester-a' AND serial = '{}' AND value_as_sent = '{}'",
            record.part, record.rz
        );
        self.wait_for(&format!("record {:04} of the tester", record.number), |store| exists(store, &sql))
    }

    fn diameter(&mut self, part: &str) -> Result<(), ShowFault> {
        let diameter = self.numbers.diameter();
        self.micrometer.send(format!("D {diameter} mm\r\n").as_bytes())?;
        let sql = format!(
            "SELECT 1 FROM result WHERE kind = 'reading' AND station = 'micrometer' AND serial = '{}'",
            serial(part)
        );
        self.wait_for("the diameter", |store| exists(store, &sql))
    }

    fn export(&mut self, part: &str, unit: &str, ra: &str, rz: &str) -> Result<(), ShowFault> {
        self.exported += 1;
        let text = format!(
            "Cutoff,0.80 mm\r\nSections,5\r\nFilter,gaussian\r\n\r\nNumber,Time,Part,Ra ({unit}),Rz ({unit})\r\n\
             {},{},{},{ra},{rz}\r\n",
            self.exported,
            now(),
            serial(part)
        );
        std::fs::write(self.exports.join(format!("part-{part}.csv")), text)?;
        let sql = format!(
            "SELECT 1 FROM result WHERE kind = 'reading' AND station = 'tester-b' AND serial = '{}'",
            serial(part)
        );
        self.wait_for("the export", |store| exists(store, &sql))
    }

    fn part_ended(&self, part: &str) -> Result<(), ShowFault> {
        let sql = format!("SELECT 1 FROM result WHERE kind = 'part' AND serial = '{}'", serial(part));
        self.wait_for("the part's verdict", |store| exists(store, &sql))
    }

    fn wait_for(&self, what: &str, holds: impl Fn(&Connection) -> Result<bool, ShowFault>) -> Result<(), ShowFault> {
        let until = Instant::now() + STEP_WITHIN;
        let mut store = None;
        while Instant::now() < until {
            if store.is_none() {
                store = open_for_reading(&self.store).ok();
            }
            if let Some(store) = &store
                && holds(store)?
            {
                return Ok(());
            }
            self.bar.tick();
            std::thread::sleep(Duration::from_millis(40));
        }
        Err(ShowFault::InVain(what.to_owned()))
    }
}

fn serial(part: &str) -> String {
    format!("IS-2207/{part}")
}

/// The instruments' clocks: the cell's local time.
fn now() -> String {
    let zone = jiff::tz::TimeZone::get(ZONE).unwrap_or(jiff::tz::TimeZone::UTC);
    jiff::Timestamp::now().to_zoned_datetime(zone).strftime("%Y-%m-%d %H:%M:%S").to_string()
}

fn exists(store: &Connection, sql: &str) -> Result<bool, ShowFault> {
    Ok(store.prepare_cached(sql)?.exists([])?)
}
