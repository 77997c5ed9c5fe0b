//! The daemon: joins stations, writer and sinks, brings them to a changed configuration, and takes them down.
//!
//! One thread runs all port stations, the control socket and the timers; the writer, each folder and each sink
//! have threads of their own, because files and the store block.

mod crew;
mod host;
mod reload;

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::{Value as Json, json};
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::capture::Board;
use crate::capture::kept::Kept;
use crate::capture::serial::Shell;
use crate::cell::Cell;
use crate::clock::Clock;
use crate::control::{self, Reply, Request};
use crate::deliver;
use crate::exit::Exit;
use crate::store::weaken::Weakened;
use crate::store::writer::{Health, Outfit};
use crate::store::{Answer, Lock, LockFault, Pen, PenFault, What, writer};
use crew::Crew;
pub use crew::Nudges;
use reload::CellWatch;

/// How often the store learns that the program is alive.
const ALIVE_EVERY: Duration = Duration::from_secs(20);
/// How long a stop may take before what hangs is left behind.
const STOP_WITHIN: Duration = Duration::from_secs(6);

/// Why the daemon did not come up, or had to end.
#[derive(Debug, thiserror::Error)]
pub enum RunFault {
    /// The configuration leaves nothing to run.
    #[error("there is nothing to run: {0}")]
    Nothing(String),
    /// Somebody else writes this store.
    #[error(transparent)]
    Lock(#[from] LockFault),
    /// The store can't be used.
    #[error("the store {0} can't be used: {1}")]
    Store(String, crate::store::StoreFault),
    /// Something the operating system says.
    #[error("{0}: {1}")]
    Io(&'static str, std::io::Error),
    /// The disk failed while it ran.
    #[error("{0}; ending, so that a new start reads from the disk what stands there")]
    Disk(String),
}

impl RunFault {
    /// The exit status that tells it.
    pub fn exit(&self) -> Exit {
        match self {
            RunFault::Nothing(_) => Exit::No,
            RunFault::Disk(_) => Exit::DiskFailed,
            _ => Exit::Unusable,
        }
    }
}

/// Runs until SIGTERM or SIGINT.
pub fn run(cell: Cell) -> Result<(), RunFault> {
    let kept = Kept::from_service_manager();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| RunFault::Io("runtime", error))?;
    let local = tokio::task::LocalSet::new();
    let cell = if cell.faults.is_empty() { cell } else { last_good(cell) };
    let result = local.block_on(&runtime, daemon(Arc::new(cell), kept));
    runtime.shutdown_timeout(Duration::from_millis(500));
    result
}

/// What a start with faulty files runs: the last plan without fault, kept in the store; else every faultless part.
fn last_good(faulty: Cell) -> Cell {
    let kept = crate::store::open_for_reading(&faulty.plan.store)
        .and_then(|connection| crate::store::query::kept_plan(&connection))
        .ok()
        .flatten()
        .and_then(|texts| Cell::from_kept(&faulty.dir, &texts));
    match kept {
        Some(kept) if kept.plan.store == faulty.plan.store => {
            tracing::warn!(code = "last-good-plan", "the files have faults; the last plan without fault runs");
            kept.beside_faults(faulty.faults)
        }
        _ => {
            tracing::warn!(code = "faultless-parts", "the files have faults; every part without fault runs");
            faulty
        }
    }
}

/// What the parts of a running daemon share.
struct House {
    /// The configuration in force, and what is wrong with the files as they are now.
    cell: Mutex<(Arc<Cell>, Vec<String>)>,
    clock: Clock,
    pen: Pen,
    board: Board,
    health: Arc<Mutex<Health>>,
    since: String,
}

impl House {
    fn cell(&self) -> (Arc<Cell>, Vec<String>) {
        self.cell.lock().map_or_else(|poisoned| poisoned.into_inner().clone(), |cell| cell.clone())
    }

    fn set_cell(&self, cell: Arc<Cell>, faults: Vec<String>) {
        let mut held = self.cell.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        *held = (cell, faults);
    }
}

async fn daemon(cell: Arc<Cell>, kept: Kept) -> Result<(), RunFault> {
    let plan = Arc::clone(&cell.plan);
    let faults = tell_faults(&cell);
    // A limit on file size kills a program that does not catch this signal; caught, the write fails and is told.
    let _file_size = signal(SignalKind::from_raw(libc::SIGXFSZ));
    if let Some(folder) = plan.store.parent() {
        std::fs::create_dir_all(folder).map_err(|error| RunFault::Io("the store's folder can't be made", error))?;
    }
    let socket = control::socket_path(&plan.store);
    let _lock = Lock::take(&plan.store, Some(socket.clone()))?;
    let clock = Clock::new(plan.cell.time_zone.clone());
    let stop = CancellationToken::new();
    let (fatal, mut failed) = watch::channel(None);
    let health = Arc::<Mutex<Health>>::default();
    let (pen, writer) = start_writer(&cell, &clock, fatal, Arc::clone(&health))?;
    let board = Board::default();
    let names = plan.stations.iter().map(|station| station.name.clone()).collect();
    let _ = pen.ask(What::Started(names)).await;

    let listener = control::open(&socket).map_err(|error| RunFault::Io("the control socket can't be opened", error))?;
    let house = Arc::new(House {
        cell: Mutex::new((Arc::clone(&cell), faults)),
        clock: clock.clone(),
        pen: pen.clone(),
        board: board.clone(),
        health,
        since: clock.stamp().at,
    });
    let answers = Arc::clone(&house);
    let control =
        tokio::task::spawn_local(control::serve(listener, move |request| answer(Arc::clone(&answers), request)));
    let alive = tokio::spawn(keep_alive(pen.clone(), kept.clone()));
    let runtime = tokio::runtime::Handle::current();
    let shell = Shell {
        clock,
        pen: pen.clone(),
        board,
        stop: stop.clone(),
        run: run_id().into(),
        runtime,
        kept,
        end: stop.clone(),
    };
    let mut crew = Crew::new(shell, plan.store.clone());
    adopt(&house, &mut crew, cell, Vec::new()).await;
    tracing::info!(
        code = "started",
        "cell {} runs with {} stations and {} sinks",
        plan.cell.name,
        plan.stations.len(),
        plan.sinks.len()
    );

    host::ready();
    let outcome = tokio::select! {
        () = terminated() => Ok(()),
        reason = fatal_reason(&mut failed) => Err(RunFault::Disk(reason)),
        () = follow_changes(&house, &mut crew) => Ok(()),
        () = host::report(&house) => Ok(()),
    };
    host::stopping();
    stop.cancel();
    control.abort();
    alive.abort();
    let _ = std::fs::remove_file(&socket);
    if outcome.is_ok() {
        take_down(crew, house, pen, writer).await;
        tracing::info!(code = "stopped", "stopped");
    }
    outcome
}

/// Tells what is wrong with the files; the parts without fault run.
fn tell_faults(cell: &Cell) -> Vec<String> {
    for fault in &cell.faults {
        tracing::error!(code = "configuration", "{fault}");
    }
    cell.faults.iter().map(ToString::to_string).collect()
}

/// Brings the daemon to changed files, again and again.
async fn follow_changes(house: &House, crew: &mut Crew) {
    let (cell, _) = house.cell();
    let mut watch = CellWatch::new(&cell.dir);
    let mut hang_up = signal(SignalKind::hangup()).ok();
    loop {
        tokio::select! {
            () = watch.changed() => {}
            () = received(&mut hang_up) => {}
        }
        host::reloading();
        reload(house, crew).await;
        host::ready();
    }
}

async fn received(signal: &mut Option<Signal>) {
    match signal {
        Some(signal) => {
            signal.recv().await;
        }
        None => std::future::pending().await,
    }
}

/// Loads the files into a fresh plan and swaps it whole; a file with faults changes nothing.
async fn reload(house: &House, crew: &mut Crew) {
    let (old, told) = house.cell();
    let faults: Vec<String> = match Cell::load(&old.dir) {
        Ok(new) if new.faults.is_empty() => {
            if let Some(what) = needs_restart(&old, &new) {
                tracing::warn!(
                    code = "restart-needed",
                    "{what}; nothing of the changed configuration is in force until then"
                );
                house.set_cell(old, vec![what.to_owned()]);
                return;
            }
            tracing::info!(code = "reloaded", "the changed configuration is in force");
            adopt(house, crew, Arc::new(new), Vec::new()).await;
            return;
        }
        Ok(new) => new.faults.iter().map(ToString::to_string).collect(),
        Err(faults) => faults.iter().map(ToString::to_string).collect(),
    };
    if faults != told {
        tracing::error!(
            code = "not-reloaded",
            "the configuration has {} faults and changes nothing, the plan in force runs on:\n{}",
            faults.len(),
            faults.join("\n")
        );
    }
    house.set_cell(old, faults);
}

fn needs_restart(old: &Cell, new: &Cell) -> Option<&'static str> {
    if old.plan.store != new.plan.store {
        Some("the store's place changed: restart the daemon")
    } else if old.plan.cell.name != new.plan.cell.name || old.plan.cell.time_zone != new.plan.cell.time_zone {
        Some("the cell's name or time zone changed: restart the daemon")
    } else {
        None
    }
}

/// Puts a configuration in force: stations and sinks by difference, judging with the next transmission.
async fn adopt(house: &House, crew: &mut Crew, cell: Arc<Cell>, faults: Vec<String>) {
    let nudges = crew.apply(&cell.plan);
    let faults = if cell.faults.is_empty() { faults } else { cell.faults.iter().map(ToString::to_string).collect() };
    house.set_cell(Arc::clone(&cell), faults);
    if let Err(fault) = house.pen.ask(What::Adopt(cell, nudges)).await {
        tracing::error!(code = "not-adopted", "the writer did not take the new plan: {fault}");
    }
}

fn start_writer(
    cell: &Arc<Cell>,
    clock: &Clock,
    fatal: watch::Sender<Option<String>>,
    health: Arc<Mutex<Health>>,
) -> Result<(Pen, std::thread::JoinHandle<()>), RunFault> {
    let outfit = Outfit {
        path: cell.plan.store.clone(),
        cell: Arc::clone(cell),
        clock: clock.clone(),
        nudges: Vec::new(),
        fatal: Box::new(move |reason| {
            let _ = fatal.send(Some(reason));
        }),
        health,
        weakened: Weakened::from_environment(),
    };
    writer::start(outfit).map_err(|fault| RunFault::Store(cell.plan.store.display().to_string(), fault))
}

async fn take_down(crew: Crew, house: Arc<House>, pen: Pen, writer: std::thread::JoinHandle<()>) {
    let stuck = crew.rest(STOP_WITHIN).await;
    if !stuck.is_empty() {
        tracing::error!(code = "stuck", "did not stop in time and is left behind: {}", stuck.join(", "));
        return;
    }
    let _ = tokio::time::timeout(Duration::from_secs(1), pen.ask(What::Alive)).await;
    drop(pen);
    drop(house);
    let until = tokio::time::Instant::now() + Duration::from_secs(1);
    while !writer.is_finished() && tokio::time::Instant::now() < until {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

async fn keep_alive(pen: Pen, kept: Kept) {
    loop {
        tokio::time::sleep(ALIVE_EVERY).await;
        // By now every station has tried to open its device.
        kept.release_rest();
        if let Err(PenFault::Ended) = pen.ask(What::Alive).await {
            return;
        }
    }
}

async fn terminated() {
    let (Ok(mut term), Ok(mut interrupt)) = (signal(SignalKind::terminate()), signal(SignalKind::interrupt())) else {
        tracing::error!(code = "no-signals", "signals can't be caught; the daemon ends only by being killed");
        return std::future::pending().await;
    };
    tokio::select! {
        _ = term.recv() => {}
        _ = interrupt.recv() => {}
    }
}

async fn fatal_reason(failed: &mut watch::Receiver<Option<String>>) -> String {
    loop {
        if let Some(reason) = failed.borrow_and_update().clone() {
            return reason;
        }
        if failed.changed().await.is_err() {
            std::future::pending::<()>().await;
        }
    }
}

/// Unique over all runs: the kernel's boot and this process's start within it.
fn run_id() -> String {
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/uuid").unwrap_or_default();
    format!("{}-{}", boot.trim(), std::process::id())
}

async fn answer(house: Arc<House>, request: Request) -> Reply {
    let asked = match request {
        Request::Status => return Reply::Done(status(&house)),
        Request::Job(command) => house.pen.ask(What::Job(command)).await,
        Request::Retry => house.pen.ask(What::Retry).await,
        Request::Again(from, to) => house.pen.ask(What::Again { from, to }).await,
    };
    to_reply(asked)
}

/// What a command is told of the writer's answer.
pub fn to_reply(answer: Result<Answer, PenFault>) -> Reply {
    match answer {
        Ok(Answer::Job(Ok(said))) => Reply::Done(json!(said)),
        Ok(Answer::Job(Err(fault))) => Reply::Refused(fault.to_string()),
        Ok(Answer::Count(count)) => Reply::Done(json!(count)),
        Ok(_) => Reply::Done(Json::Null),
        Err(fault) => Reply::Failed(fault.to_string()),
    }
}

fn status(house: &House) -> Json {
    let health = house.health.lock().map(|health| health.clone()).unwrap_or_default();
    let (cell, faults) = house.cell();
    let board = house.board.snapshot();
    let stations: serde_json::Map<String, Json> = cell
        .plan
        .stations
        .iter()
        .map(|station| (station.name.clone(), json!(board.get(&station.name).cloned().unwrap_or_default())))
        .collect();
    let sinks: Vec<Json> = cell
        .plan
        .sinks
        .iter()
        .map(|sink| {
            let status = board.get(&deliver::key(&sink.name));
            json!({ "sink": sink.name, "trouble": status.and_then(|status| status.trouble.clone()) })
        })
        .collect();
    let now = house.clock.stamp();
    json!({
        "pid": std::process::id(),
        "since": house.since,
        "now": now.at,
        "version": env!("CARGO_PKG_VERSION"),
        "store_trouble": health.trouble,
        "synchronous": health.synchronous,
        "clock_synced": now.synced,
        "stations": stations,
        "sinks": sinks,
        "faults": faults,
    })
}

/// The socket of the daemon that holds a store, if one does.
pub fn running(store: &Path) -> Option<std::path::PathBuf> {
    crate::store::holder(store).and_then(|holder| holder.socket)
}
