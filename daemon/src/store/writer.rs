//! The one thread that writes. It drains what waits, puts it into one transaction, commits once, and only then
//! answers everybody: what was answered is on the disk.
//!
//! When the disk is full nothing is lost and nothing is dropped: the batch is rolled back, kept, and tried again
//! until there is room; the queue fills, and stations stop reading. When the disk *fails*, or what it holds is found
//! damaged, the program ends with its own exit code: what is on the disk can then only be told by reading it again.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rusqlite::Connection;
use tokio::sync::{mpsc, oneshot};

use super::babble::{Babble, Notice};
use super::numbers::Numbers;
use super::pen::{Ask, Pen, PenFault};
use super::perform::{keep_raw, perform};
use super::record::{Context, Recorder};
use super::request::{Answer, What};
use super::weaken::Weakened;
use super::{Severity, StoreFault, chain, checkpoint, damage, gauge, held, open_for_writing, piece, query};
use crate::cell::Cell;
use crate::clock::{self, Clock, Stamp};

/// Waiting requests the writer's queue holds before senders wait.
const QUEUE: usize = 128;
/// Requests that go into one transaction at most.
const BATCH: usize = 256;
/// Signs of life in a row before the log is brought back.
const QUIET_MOST: u32 = 15;
/// First and longest wait before a full disk is tried again.
const RETRY_FIRST: Duration = Duration::from_millis(250);
const RETRY_LONGEST: Duration = Duration::from_secs(5);
/// How long the log may take to be brought back at the end.
const CLOSES_WITHIN: Duration = Duration::from_secs(3);

/// How the writer is doing, for the status.
#[derive(Clone, Debug, Default)]
pub struct Health {
    /// What keeps it from writing, if something does.
    pub trouble: Option<String>,
    /// Rises with every try while something does.
    pub beats: u64,
    /// When it last committed.
    pub committed: Option<std::time::Instant>,
    /// What the writing connection is set to, asked of itself: `full` means that a COMMIT waits for the disk.
    pub synchronous: String,
}

/// Told when the program must end.
pub type Fatal = Arc<dyn Fn(Severity, String) + Send + Sync>;

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
    /// Told when the disk failed or the store is damaged: the program must end.
    pub fatal: Fatal,
    /// What was found when the store was looked at before.
    pub found: damage::Found,
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
        writer.close();
    })?;
    Ok((Pen { asks }, thread))
}

struct Writer {
    outfit: Outfit,
    connection: Connection,
    checkpoints: checkpoint::Nudge,
    /// None until the first request: a full disk must not keep the program from coming up.
    numbers: Option<Numbers>,
    /// Signs of life since the log was brought back.
    quiet: u32,
    context: Context,
    /// The last day known from a synchronised clock.
    known_day: Option<jiff::civil::Date>,
}

impl Writer {
    fn open(outfit: Outfit) -> Result<Writer, StoreFault> {
        let connection = open_for_writing(&outfit.path)?;
        let mut context = piece::context(&connection, &outfit.cell)?;
        context.labels = held::load(&connection)?;
        context.gauges = gauge::load(&connection, &outfit.cell.plan)?;
        context.babble = Babble::load(&connection, &outfit.cell.plan.cell.time_zone)?;
        if let Ok(mut health) = outfit.health.lock() {
            health.synchronous = synchronous(&connection)?;
        }
        let (path, fatal) = (outfit.path.clone(), Arc::clone(&outfit.fatal));
        let checkpoints = checkpoint::start(&outfit.path, move |fault| end_for(&path, fault, &fatal))?;
        let known_day = query::known_day(&connection)?;
        Ok(Writer { outfit, connection, checkpoints, quiet: 0, numbers: None, context, known_day })
    }

    /// Leaves one whole file behind: after a stop the store can be copied as it lies.
    fn close(self) {
        let until = std::time::Instant::now() + CLOSES_WITHIN;
        while std::time::Instant::now() < until {
            // While the thread that brings the log back is at it, SQLite refuses at once and waits for nobody.
            match self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, bool>(0)) {
                Ok(false) => return,
                Ok(true) => std::thread::sleep(Duration::from_millis(10)),
                Err(error) => {
                    self.log_failed(error.into(), "stays beside the store");
                    return;
                }
            }
        }
    }

    /// Writes a batch and answers it; false when the program must end.
    fn serve(&mut self, batch: &mut Vec<Ask>) -> bool {
        let mut wait = RETRY_FIRST;
        let early = self.outfit.weakened == Weakened::AckBeforeCommit;
        loop {
            let before = self.connection.total_changes();
            match self.transact(batch, early) {
                Ok(answers) => {
                    self.recovered();
                    let quiet = batch.iter().all(|ask| matches!(ask.what, What::Alive | What::Ping));
                    // A round trip writes nothing and wakes nobody.
                    let mut wakes = self.connection.total_changes() != before;
                    self.context.babble.told().iter().for_each(Notice::log);
                    for (ask, answer) in batch.drain(..).zip(answers) {
                        if let What::Adopt(cell, nudges) = ask.what {
                            self.outfit.cell = cell;
                            self.outfit.nudges = nudges;
                            wakes = true;
                        }
                        let _ = ask.reply.send(answer);
                    }
                    if wakes {
                        self.committed(quiet);
                        for nudge in &self.outfit.nudges {
                            let _ = nudge.try_send(());
                        }
                    }
                    return self.begin_anew();
                }
                Err(fault) if fault.severity() == Severity::Full => {
                    self.in_trouble(&fault);
                    std::thread::sleep(wait);
                    wait = (wait * 2).min(RETRY_LONGEST);
                }
                Err(fault) => {
                    end_for(&self.outfit.path, fault, &self.outfit.fatal);
                    return false;
                }
            }
        }
    }

    /// Lets the log be brought back: at once after readings; after many where nothing but signs of life was written, so
    /// that a PC where nobody measures sleeps.
    fn committed(&mut self, quiet: bool) {
        self.quiet = if quiet { self.quiet + 1 } else { QUIET_MOST };
        if self.quiet >= QUIET_MOST && self.outfit.weakened != Weakened::NeverCheckpoint {
            self.quiet = 0;
            self.checkpoints.committed();
        }
    }

    /// Begins a long log anew, where it can be done now; false when the program must end.
    fn begin_anew(&mut self) -> bool {
        let Err(fault) = self.checkpoints.begin_anew(&self.connection) else { return true };
        !self.log_failed(fault, "could not be begun anew yet")
    }

    /// The log could not be brought back: whether the program must end for it. What was committed stays in the log.
    fn log_failed(&self, fault: StoreFault, what: &str) -> bool {
        let failed = matches!(fault.severity(), Severity::Disk | Severity::Damaged);
        match failed {
            true => end_for(&self.outfit.path, fault, &self.outfit.fatal),
            false => tracing::debug!(code = "checkpoint", "the log {what}: {fault}"),
        }
        failed
    }

    /// One transaction over the whole batch. A request that fails by its own content is undone alone: the batch is then done
    /// once more with a point to go back to before each request. Such points cost a copy of every page that a request
    /// touches, and hardly a request in a year fails, so the first try is made without.
    fn transact(&mut self, batch: &mut [Ask], early: bool) -> Result<Vec<Result<Answer, StoreFault>>, StoreFault> {
        let before = self.context.clone();
        let mut result = self.transact_inner(batch, early, false);
        if result.as_ref().is_err_and(|fault| fault.severity() == Severity::Content) {
            self.context = before.clone();
            result = self.transact_inner(batch, early, true);
        }
        if result.is_err() {
            self.context = before;
        }
        result
    }

    fn transact_inner(
        &mut self,
        batch: &mut [Ask],
        early: bool,
        guarded: bool,
    ) -> Result<Vec<Result<Answer, StoreFault>>, StoreFault> {
        let now = self.outfit.clock.stamp();
        let today = self.outfit.clock.today();
        let numbers = match &mut self.numbers {
            Some(numbers) => numbers,
            none => none.insert(begin(&mut self.connection, &self.outfit, &now)?),
        };
        let mut tx = self.connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        let mut answers = Vec::with_capacity(batch.len());
        for ask in batch.iter() {
            let before = guarded.then(|| self.context.clone());
            if guarded {
                tx.prepare_cached("SAVEPOINT request")?.execute([])?;
            }
            let mut recorder = Recorder {
                tx: &tx,
                cell: &self.outfit.cell,
                plan: &self.outfit.cell.plan,
                store_id: numbers.store_id(),
                restored: numbers.told.is_some(),
                context: &mut self.context,
                today,
                day_for_dates: clock::day_for_dates(today, now.synced, self.known_day),
                now: &now,
                posts: self.outfit.weakened != Weakened::ForgetOutbox,
            };
            let answer = perform(&mut recorder, &ask.what);
            match (&answer, before) {
                (Ok(_), _) => {}
                (Err(fault), Some(before)) if fault.severity() == Severity::Content => {
                    tracing::error!(code = "request-refused", "the store refused a request: {fault}");
                    tx.execute_batch("ROLLBACK TO request")?;
                    *recorder.context = before;
                    if let What::Bursts(bursts) = &ask.what {
                        keep_raw(&mut recorder, bursts, fault)?;
                    }
                }
                (Err(_), _) => return answer.map(|_| Vec::new()),
            }
            if guarded {
                tx.prepare_cached("RELEASE request")?.execute([])?;
            }
            answers.push(answer);
        }
        let learnt = now.synced && self.known_day != Some(today);
        if learnt {
            let sql =
                "INSERT INTO fact (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = excluded.value";
            tx.prepare_cached(sql)?.execute([query::KNOWN_DAY, &today.to_string()])?;
        }
        if early {
            answer_early(batch, &mut answers);
        }
        tx.set_drop_behavior(rusqlite::DropBehavior::Rollback);
        chain::seal(&tx, &mut self.context.chain)?;
        numbers.reserve(&tx)?;
        tx.commit()?;
        if learnt {
            self.known_day = Some(today);
        }
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
        let Ok(mut health) = self.outfit.health.lock() else { return };
        health.committed = Some(std::time::Instant::now());
        if health.trouble.take().is_some() {
            tracing::info!(code = "store-writable", "the store can be written again");
        }
    }
}

/// Settles where numbers go on, and notes what was found before.
fn begin(connection: &mut Connection, outfit: &Outfit, now: &Stamp) -> Result<Numbers, StoreFault> {
    if outfit.weakened == Weakened::ForgetNumbers {
        Numbers::forget(connection, &outfit.path)?;
    }
    let numbers = Numbers::open(connection, &outfit.path, outfit.found.rolled_back)?;
    let put_in_place = numbers.told.iter().inspect(|text| tracing::warn!(code = "store-restored", "{text}"));
    let events = outfit.found.told.iter().map(|text| ("store-damaged", text));
    for (code, text) in events.chain(put_in_place.map(|text| ("store-restored", text))) {
        let sql = "INSERT INTO event (at, at_us, code, text) VALUES (?1, ?2, ?3, ?4)";
        connection.execute(sql, rusqlite::params![now.at, now.us, code, text])?;
    }
    Ok(numbers)
}

/// Tells that the program must end, and lets the next start know of damage.
fn end_for(path: &Path, fault: StoreFault, fatal: &Fatal) {
    let fault = damage::suspect(path, fault);
    fatal(fault.severity(), format!("the store {}: {fault}", path.display()));
}

/// The connection's own word on PRAGMA synchronous.
fn synchronous(connection: &Connection) -> Result<String, StoreFault> {
    let level: i64 = connection.query_row("PRAGMA synchronous", [], |row| row.get(0))?;
    let names = ["off", "normal", "full", "extra"];
    Ok(usize::try_from(level)
        .ok()
        .and_then(|level| names.get(level))
        .map_or_else(|| level.to_string(), |name| (*name).to_owned()))
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

/// Opens a store, does one thing and closes it: for commands while no daemon runs.
pub fn once(cell: Arc<Cell>, what: What) -> Result<Answer, PenFault> {
    alone(cell, |pen| pen.ask_blocking(what))?
}

/// Opens a store, lets `work` write and closes it: for commands while no daemon runs.
pub fn alone<T>(cell: Arc<Cell>, work: impl FnOnce(&Pen) -> T) -> Result<T, StoreFault> {
    let outfit = Outfit {
        path: cell.plan.store.clone(),
        clock: Clock::new(cell.plan.cell.time_zone.clone()),
        cell,
        nudges: Vec::new(),
        fatal: Arc::new(|_, text| tracing::error!("{text}")),
        found: damage::Found::default(),
        health: Arc::default(),
        weakened: Weakened::No,
    };
    let (pen, thread) = start(outfit)?;
    let done = work(&pen);
    drop(pen);
    let _ = thread.join();
    Ok(done)
}
