//! The one thread that writes. It drains what waits, puts it into one transaction, commits once, and only then
//! answers everybody: what was answered is on the disk.
//!
//! When the disk is full nothing is lost and nothing is dropped: the batch is rolled back, kept, and tried again
//! until there is room; the queue fills, and stations stop reading. When the disk *fails*, the program ends with
//! its own exit code, because what is on the disk can then only be told by reading it again.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rusqlite::{Connection, OptionalExtension, params};
use tokio::sync::{mpsc, oneshot};

use super::job::{JobCommand, JobFault};
use super::record::{Burst, Context, Heard, Provenance, Recorder, Taken, Tally};
use super::{Severity, StoreFault, open_for_writing, parcel, piece};
use crate::cell::Cell;
use crate::clock::{Clock, Stamp};

/// Waiting requests the writer's queue holds before senders wait.
const QUEUE: usize = 128;
/// Requests that go into one transaction at most.
const BATCH: usize = 256;
/// First and longest wait before a full disk is tried again.
const RETRY_FIRST: Duration = Duration::from_millis(250);
const RETRY_LONGEST: Duration = Duration::from_secs(5);

/// A way to weaken the writer so that a test can show that its rig notices. Only in debug builds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Weakened {
    /// As it should be.
    #[default]
    No,
    /// Answers before COMMIT, and commits late.
    AckBeforeCommit,
    /// Puts no row into any parcel.
    ForgetOutbox,
}

impl Weakened {
    /// What the environment asks for; nothing in a release build.
    pub fn from_environment() -> Self {
        if !cfg!(debug_assertions) {
            return Weakened::No;
        }
        match std::env::var("RIDGEPOST_WEAKEN").as_deref() {
            Ok("ack-before-commit") => Weakened::AckBeforeCommit,
            Ok("forget-outbox") => Weakened::ForgetOutbox,
            _ => Weakened::No,
        }
    }
}

/// A file of a folder station, before its first frame is written.
#[derive(Clone, Debug)]
pub struct FileBegin {
    /// Origin of its transmission.
    pub origin: String,
    /// Which station found it.
    pub station: Arc<ridgepost_config::Station>,
    /// Its name.
    pub name: String,
    /// What tells this file from another one under its name.
    pub fingerprint: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// When it was read.
    pub received: Stamp,
    /// Its bytes.
    pub raw: Vec<u8>,
    /// When its readings were taken.
    pub taken: Taken,
    /// Its first frames.
    pub frames: Vec<Heard>,
    /// Whether these are all.
    pub last: bool,
}

/// What the store knows of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileState {
    /// Its frames up to and including `done` are written, by this request or by a run that was stopped.
    Begun {
        /// Key of the file.
        file: i64,
        /// Key of its transmission.
        transmission: i64,
        /// Number of the last frame written.
        done: u32,
    },
    /// This very file is recorded.
    Recorded {
        /// Key of the file.
        file: i64,
    },
    /// Another file with the same bytes is recorded.
    Repeat {
        /// Key of this file.
        file: i64,
        /// Transmission that holds the bytes.
        transmission: i64,
    },
}

/// What the writer is asked to do.
#[derive(Debug)]
pub enum What {
    /// Write transmissions of a port.
    Bursts(Vec<Burst>),
    /// What is known of a file; its bytes if it is new.
    FileBegin(Box<FileBegin>),
    /// Write frames of a file; with `last`, the file is recorded.
    FileFrames {
        /// Key of the file.
        file: i64,
        /// Where they came from.
        from: Provenance,
        /// The frames.
        frames: Vec<Heard>,
        /// Whether these are the last ones.
        last: bool,
    },
    /// These files were moved, or removed.
    FilesArchived(Vec<i64>),
    /// A person's word about the job.
    Job(JobCommand),
    /// A station can't listen.
    Deaf {
        /// Which.
        station: String,
        /// Why.
        cause: String,
        /// Since when.
        since: Stamp,
    },
    /// A station listens (again).
    Listening(String),
    /// Something happened that people may ask about later.
    Event {
        /// Which station, if one.
        station: Option<String>,
        /// Code of a small list.
        code: &'static str,
        /// In words.
        text: String,
        /// Transmission it is about.
        transmission: Option<i64>,
    },
    /// Parcels in place: key and SHA-256 of the file.
    Delivered(Vec<(i64, String)>),
    /// A parcel that can't be delivered as it is.
    Parked {
        /// Which.
        parcel: i64,
        /// Why.
        reason: String,
    },
    /// Parcels of a sink that wait: what holds them up.
    Waiting {
        /// Which parcel is first in line.
        parcel: i64,
        /// Why it waits.
        reason: String,
    },
    /// Parked parcels are due again.
    Retry,
    /// Rows from..to go out again.
    Again {
        /// First row.
        from: i64,
        /// Last row.
        to: i64,
    },
    /// Nothing: the answer says that the writer writes.
    Ping,
    /// The program is alive: a later start knows until when.
    Alive,
    /// The program has come up with these stations.
    Started(Vec<String>),
    /// This configuration is in force from the next request on.
    Adopt(Arc<Cell>, Vec<std::sync::mpsc::SyncSender<()>>),
}

/// What came of it.
#[derive(Debug)]
pub enum Answer {
    /// It is written.
    Done,
    /// So many rows.
    Count(u64),
    /// How the frames fared.
    Tally(Tally),
    /// What is known of the file, and how the frames fared that were written now.
    File(FileState, Tally),
    /// What came of a person's word.
    Job(Result<String, JobFault>),
}

struct Ask {
    what: What,
    reply: oneshot::Sender<Result<Answer, StoreFault>>,
}

/// The way to the writer. Cheap to clone; the writer ends when the last one is gone.
#[derive(Clone, Debug)]
pub struct Pen {
    asks: mpsc::Sender<Ask>,
}

impl std::fmt::Debug for Ask {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.what.fmt(f)
    }
}

/// Why an answer did not come.
#[derive(Debug, thiserror::Error)]
pub enum PenFault {
    /// The writer has ended.
    #[error("the store's writer has ended")]
    Ended,
    /// The store refused it.
    #[error(transparent)]
    Store(#[from] StoreFault),
}

impl Pen {
    /// Asks, and waits until it is on the disk.
    pub async fn ask(&self, what: What) -> Result<Answer, PenFault> {
        let (reply, answer) = oneshot::channel();
        self.asks.send(Ask { what, reply }).await.map_err(|_| PenFault::Ended)?;
        Ok(answer.await.map_err(|_| PenFault::Ended)??)
    }

    /// As [`Pen::ask`], from a thread.
    pub fn ask_blocking(&self, what: What) -> Result<Answer, PenFault> {
        let (reply, answer) = oneshot::channel();
        self.asks.blocking_send(Ask { what, reply }).map_err(|_| PenFault::Ended)?;
        Ok(answer.blocking_recv().map_err(|_| PenFault::Ended)??)
    }
}

/// How the writer is doing, for the status.
#[derive(Clone, Debug, Default)]
pub struct Health {
    /// What keeps it from writing, if something does.
    pub trouble: Option<String>,
    /// Rises with every try while something does.
    pub beats: u64,
}

/// What the writer needs.
pub struct Outfit {
    /// The store's file.
    pub path: PathBuf,
    /// The configuration in force.
    pub cell: Arc<Cell>,
    /// Time.
    pub clock: Clock,
    /// Woken after each commit that may have made something due.
    pub nudges: Vec<std::sync::mpsc::SyncSender<()>>,
    /// Told when the disk failed: the program must end.
    pub fatal: Box<dyn Fn(String) + Send>,
    /// Where the writer says how it is doing.
    pub health: Arc<Mutex<Health>>,
    /// A test's control.
    pub weakened: Weakened,
}

/// Opens the store and starts the writer.
pub fn start(outfit: Outfit) -> Result<(Pen, std::thread::JoinHandle<()>), StoreFault> {
    let mut writer = Writer::open(outfit)?;
    let (asks, mut waiting) = mpsc::channel(QUEUE);
    let thread = std::thread::Builder::new().name("writer".into()).spawn(move || {
        let mut batch = Vec::new();
        while let Some(ask) = waiting.blocking_recv() {
            batch.push(ask);
            while batch.len() < BATCH
                && let Ok(ask) = waiting.try_recv()
            {
                batch.push(ask);
            }
            if !writer.serve(&mut batch) {
                return;
            }
        }
    })?;
    Ok((Pen { asks }, thread))
}

struct Writer {
    outfit: Outfit,
    connection: Connection,
    store_id: String,
    context: Context,
}

impl Writer {
    fn open(outfit: Outfit) -> Result<Writer, StoreFault> {
        let connection = open_for_writing(&outfit.path)?;
        let store_id = connection.query_row("SELECT value FROM fact WHERE key = 'store_id'", [], |row| row.get(0))?;
        let context = piece::context(&connection, &outfit.cell)?;
        Ok(Writer { outfit, connection, store_id, context })
    }

    /// Writes a batch and answers it; false when the program must end.
    fn serve(&mut self, batch: &mut Vec<Ask>) -> bool {
        let mut wait = RETRY_FIRST;
        let early = self.outfit.weakened == Weakened::AckBeforeCommit;
        loop {
            match self.transact(batch, early) {
                Ok(answers) => {
                    self.recovered();
                    for (ask, answer) in batch.drain(..).zip(answers) {
                        if let What::Adopt(cell, nudges) = ask.what {
                            self.outfit.cell = cell;
                            self.outfit.nudges = nudges;
                        }
                        let _ = ask.reply.send(answer);
                    }
                    for nudge in &self.outfit.nudges {
                        let _ = nudge.try_send(());
                    }
                    return true;
                }
                Err(fault) if fault.severity() == Severity::Full => {
                    self.in_trouble(&fault);
                    std::thread::sleep(wait);
                    wait = (wait * 2).min(RETRY_LONGEST);
                }
                Err(fault) => {
                    (self.outfit.fatal)(format!("the store {}: {fault}", self.outfit.path.display()));
                    return false;
                }
            }
        }
    }

    /// One transaction over the whole batch. A request that fails by its own content is undone alone.
    fn transact(&mut self, batch: &mut [Ask], early: bool) -> Result<Vec<Result<Answer, StoreFault>>, StoreFault> {
        let before = self.context.clone();
        let result = self.transact_inner(batch, early);
        if result.is_err() {
            self.context = before;
        }
        result
    }

    fn transact_inner(
        &mut self,
        batch: &mut [Ask],
        early: bool,
    ) -> Result<Vec<Result<Answer, StoreFault>>, StoreFault> {
        let now = self.outfit.clock.stamp();
        let today = self.outfit.clock.today();
        let mut tx = self.connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        let mut answers = Vec::with_capacity(batch.len());
        for ask in batch.iter() {
            let before = self.context.clone();
            tx.execute_batch("SAVEPOINT request")?;
            let mut recorder = Recorder {
                tx: &tx,
                plan: &self.outfit.cell.plan,
                store_id: &self.store_id,
                context: &mut self.context,
                today,
                now: &now,
                posts: self.outfit.weakened != Weakened::ForgetOutbox,
            };
            let answer = perform(&mut recorder, &ask.what);
            match &answer {
                Err(fault) if fault.severity() != Severity::Content => return answer.map(|_| Vec::new()),
                Err(fault) => {
                    tracing::error!(code = "request-refused", "the store refused a request: {fault}");
                    tx.execute_batch("ROLLBACK TO request")?;
                    *recorder.context = before;
                    if let What::Bursts(bursts) = &ask.what {
                        keep_raw(&mut recorder, bursts, fault)?;
                    }
                }
                Ok(_) => {}
            }
            tx.execute_batch("RELEASE request")?;
            answers.push(answer);
        }
        if early {
            answer_early(batch, &mut answers);
        }
        tx.set_drop_behavior(rusqlite::DropBehavior::Rollback);
        tx.commit()?;
        Ok(answers)
    }

    fn in_trouble(&self, fault: &StoreFault) {
        let Ok(mut health) = self.outfit.health.lock() else { return };
        if health.trouble.is_none() {
            tracing::error!(
                code = "store-full",
                "the store {} can't be written: {fault}; nothing is lost, readings wait, and it goes on by itself when \
                 there is room",
                self.outfit.path.display()
            );
        }
        health.trouble = Some(fault.to_string());
        health.beats += 1;
    }

    fn recovered(&self) {
        if let Ok(mut health) = self.outfit.health.lock()
            && health.trouble.take().is_some()
        {
            tracing::info!(code = "store-writable", "the store can be written again");
        }
    }
}

/// The control of the crash rig: says "written" while nothing is, and gives a crash time to happen.
fn answer_early(batch: &mut [Ask], answers: &mut [Result<Answer, StoreFault>]) {
    for (ask, answer) in batch.iter_mut().zip(answers) {
        let (unheard, _) = oneshot::channel();
        let reply = std::mem::replace(&mut ask.reply, unheard);
        let _ = reply.send(std::mem::replace(answer, Ok(Answer::Done)));
    }
    std::thread::sleep(Duration::from_millis(300));
}

fn perform(recorder: &mut Recorder, what: &What) -> Result<Answer, StoreFault> {
    let tx = recorder.tx;
    match what {
        What::Bursts(bursts) => {
            let mut total = Tally::default();
            for burst in bursts {
                let tally = recorder.burst(burst)?;
                total.new += tally.new;
                total.seen += tally.seen;
                total.rejected += tally.rejected;
            }
            Ok(Answer::Tally(total))
        }
        What::FileBegin(file) => file_begin(recorder, file).map(|(state, tally)| Answer::File(state, tally)),
        What::FileFrames { file, from, frames, last } => {
            let tally = recorder.frames(from, frames)?;
            if *last {
                set_file_state(recorder, *file, "recorded")?;
            }
            Ok(Answer::Tally(tally))
        }
        What::FilesArchived(files) => {
            files.iter().try_for_each(|file| set_file_state(recorder, *file, "archived"))?;
            Ok(Answer::Done)
        }
        What::Job(command) => recorder.job(command).map(Answer::Job),
        What::Deaf { station, cause, since } => {
            tx.prepare_cached(
                "INSERT INTO coverage (station, cause, from_at, from_us) SELECT ?1, ?2, ?3, ?4 \
                 WHERE NOT EXISTS (SELECT 1 FROM coverage WHERE station = ?1 AND until_us IS NULL)",
            )?
            .execute(params![station, cause, since.at, since.us])?;
            Ok(Answer::Done)
        }
        What::Listening(station) => {
            tx.prepare_cached(
                "UPDATE coverage SET until_at = ?2, until_us = ?3 WHERE station = ?1 AND until_us IS NULL",
            )?
            .execute(params![station, recorder.now.at, recorder.now.us])?;
            Ok(Answer::Done)
        }
        What::Event { station, code, text, transmission } => {
            event(recorder, station.as_deref(), code, text, *transmission).map(|()| Answer::Done)
        }
        What::Ping => Ok(Answer::Done),
        What::Alive => {
            parcel::close_timed(tx, recorder.now.us)?;
            alive(recorder).map(|()| Answer::Done)
        }
        What::Adopt(cell, _) => recorder.adopt(cell).map(|()| Answer::Done),
        What::Started(stations) => started(recorder, stations).map(|()| Answer::Done),
        What::Delivered(_) | What::Parked { .. } | What::Waiting { .. } | What::Retry | What::Again { .. } => {
            delivery(recorder, what)
        }
    }
}

/// The last resort where readings could not be written: their bytes are kept, named as damaged, and nothing is
/// lost that a later version could not read again.
fn keep_raw(recorder: &mut Recorder, bursts: &[Burst], fault: &StoreFault) -> Result<(), StoreFault> {
    for burst in bursts {
        let mut raw = burst.clone();
        let decoded = &mut raw.heard.decoded;
        decoded.readings.clear();
        decoded.traces.clear();
        decoded.outcome = ridgepost_parsers::Outcome::Damaged;
        decoded.reason = Some(ridgepost_parsers::Reason::Sanity);
        decoded.detail = Some(format!("the store refused its readings: {fault}"));
        recorder.burst(&raw)?;
    }
    Ok(())
}

fn delivery(recorder: &Recorder, what: &What) -> Result<Answer, StoreFault> {
    let tx = recorder.tx;
    let rows = match what {
        What::Delivered(parcels) => {
            let mut statement = tx.prepare_cached(
                "UPDATE parcel SET state = 'delivered', attempts = attempts + 1, reason = NULL, sha256 = ?2, \
                 delivered_at = ?3 WHERE id = ?1",
            )?;
            for (parcel, sha256) in parcels {
                statement.execute(params![parcel, sha256, recorder.now.at])?;
            }
            parcels.len()
        }
        What::Parked { parcel, reason } => tx
            .prepare_cached("UPDATE parcel SET state = 'parked', attempts = attempts + 1, reason = ?2 WHERE id = ?1")?
            .execute(params![parcel, reason])?,
        What::Waiting { parcel, reason } => tx
            .prepare_cached("UPDATE parcel SET attempts = attempts + 1, reason = ?2 WHERE id = ?1 AND state = 'due'")?
            .execute(params![parcel, reason])?,
        What::Retry => tx.execute("UPDATE parcel SET state = 'due' WHERE state = 'parked'", [])?,
        What::Again { from, to } => tx
            .prepare_cached(
                "UPDATE parcel SET state = 'due' WHERE state IN ('delivered', 'parked') AND id IN \
                 (SELECT parcel FROM outbox WHERE seq BETWEEN ?1 AND ?2)",
            )?
            .execute(params![from, to])?,
        _ => 0,
    };
    Ok(Answer::Count(rows as u64))
}

fn event(
    recorder: &Recorder,
    station: Option<&str>,
    code: &str,
    text: &str,
    transmission: Option<i64>,
) -> Result<(), StoreFault> {
    recorder
        .tx
        .prepare_cached(
            "INSERT INTO event (at, at_us, station, code, text, transmission) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )?
        .execute(params![recorder.now.at, recorder.now.us, station, code, text, transmission])?;
    Ok(())
}

fn set_file_state(recorder: &Recorder, file: i64, state: &str) -> Result<(), StoreFault> {
    recorder
        .tx
        .prepare_cached("UPDATE file SET state = ?2 WHERE id = ?1 AND state <> 'repeat'")?
        .execute(params![file, state])?;
    Ok(())
}

fn file_begin(recorder: &mut Recorder, file: &FileBegin) -> Result<(FileState, Tally), StoreFault> {
    if let Some(state) = known_file(recorder, file)? {
        return Ok((state, Tally::default()));
    }
    let station = &file.station.name;
    let twin: Option<i64> = recorder
        .tx
        .prepare_cached(
            "SELECT transmission FROM file WHERE station = ?1 AND sha256 = ?2 AND state IN ('recorded', 'archived') \
             LIMIT 1",
        )?
        .query_row(params![station, file.sha256], |row| row.get(0))
        .optional()?;
    if let Some(transmission) = twin {
        let id = insert_file(recorder, file, transmission, "repeat")?;
        let text = format!("{} holds the same bytes as transmission {transmission}: noted, not counted", file.name);
        event(recorder, Some(station), "repeat", &text, Some(transmission))?;
        return Ok((FileState::Repeat { file: id, transmission }, Tally::default()));
    }
    let transmission = recorder.transmission(&file.origin, &file.station, &file.name, &file.received, &file.raw)?;
    let id = insert_file(recorder, file, transmission, if file.last { "recorded" } else { "recording" })?;
    let from = Provenance {
        transmission,
        station: Arc::clone(&file.station),
        received: file.received.clone(),
        taken: file.taken,
    };
    let tally = recorder.frames(&from, &file.frames)?;
    let done = file.frames.last().map_or(0, |heard| heard.number);
    Ok((FileState::Begun { file: id, transmission, done }, tally))
}

/// This very file (station, name, fingerprint, bytes), if the store has it.
fn known_file(recorder: &Recorder, file: &FileBegin) -> Result<Option<FileState>, StoreFault> {
    let row = recorder
        .tx
        .prepare_cached(
            "SELECT id, transmission, state FROM file \
             WHERE station = ?1 AND name = ?2 AND fingerprint = ?3 AND sha256 = ?4",
        )?
        .query_row(params![file.station.name, file.name, file.fingerprint, file.sha256], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, String>(2)?))
        })
        .optional()?;
    let Some((id, transmission, state)) = row else { return Ok(None) };
    if state != "recording" {
        return Ok(Some(FileState::Recorded { file: id }));
    }
    let done = recorder.tx.query_row(
        "SELECT coalesce(max(number), 0) FROM frame WHERE transmission = ?1",
        [transmission],
        |row| row.get(0),
    )?;
    Ok(Some(FileState::Begun { file: id, transmission, done }))
}

fn insert_file(recorder: &Recorder, file: &FileBegin, transmission: i64, state: &str) -> Result<i64, StoreFault> {
    Ok(recorder
        .tx
        .prepare_cached(
            "INSERT INTO file (station, name, fingerprint, sha256, transmission, state) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT (station, name, fingerprint) DO UPDATE SET \
             sha256 = excluded.sha256, transmission = excluded.transmission, state = excluded.state RETURNING id",
        )?
        .query_row(
            params![file.station.name, file.name, file.fingerprint, file.sha256, transmission, state],
            |row| row.get(0),
        )?)
}

fn alive(recorder: &Recorder) -> Result<(), StoreFault> {
    recorder
        .tx
        .prepare_cached(
            "INSERT INTO fact (key, value) VALUES ('alive_at', ?1), ('alive_us', ?2) \
             ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        )?
        .execute(params![recorder.now.at, recorder.now.us.to_string()])?;
    Ok(())
}

/// Nobody listened between the last sign of life and now: every station gets a gap that ends when it listens.
fn started(recorder: &Recorder, stations: &[String]) -> Result<(), StoreFault> {
    for station in stations {
        recorder
            .tx
            .prepare_cached(
                "INSERT INTO coverage (station, cause, from_at, from_us) \
                 SELECT ?1, 'ridgepost was not running', at.value, CAST(us.value AS INTEGER) FROM fact AS at, fact AS us \
                 WHERE at.key = 'alive_at' AND us.key = 'alive_us' \
                 AND NOT EXISTS (SELECT 1 FROM coverage WHERE station = ?1 AND until_us IS NULL)",
            )?
            .execute([station])?;
    }
    alive(recorder)
}

/// Opens a store, does one thing and closes it: for commands while no daemon runs.
pub fn once(cell: Arc<Cell>, what: What) -> Result<Answer, PenFault> {
    let outfit = Outfit {
        path: cell.plan.store.clone(),
        clock: Clock::new(cell.plan.cell.time_zone.clone()),
        cell,
        nudges: Vec::new(),
        fatal: Box::new(|text| tracing::error!("{text}")),
        health: Arc::default(),
        weakened: Weakened::No,
    };
    let (pen, thread) = start(outfit)?;
    let answer = pen.ask_blocking(what);
    drop(pen);
    let _ = thread.join();
    answer
}
