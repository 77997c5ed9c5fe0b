//! The daemon: joins stations, writer and sinks, and takes them down again.
//!
//! One thread runs all port stations, the control socket and the timers; the writer, each folder and each sink
//! have threads of their own, because files and the store block.

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ridgepost_config::{Plan, Source};
use serde_json::{Value as Json, json};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::capture::serial::{self, Shell};
use crate::capture::{Board, folder};
use crate::cell::Cell;
use crate::clock::Clock;
use crate::control::{self, Reply, Request};
use crate::deliver;
use crate::exit::Exit;
use crate::store::writer::{Health, Outfit, Weakened};
use crate::store::{Answer, Lock, LockFault, Pen, PenFault, What, writer};

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
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| RunFault::Io("runtime", error))?;
    let local = tokio::task::LocalSet::new();
    let result = local.block_on(&runtime, daemon(Arc::new(cell)));
    runtime.shutdown_timeout(Duration::from_millis(500));
    result
}

/// What the parts of a running daemon share.
struct House {
    cell: Arc<Cell>,
    clock: Clock,
    pen: Pen,
    board: Board,
    health: Arc<Mutex<Health>>,
    since: String,
}

async fn daemon(cell: Arc<Cell>) -> Result<(), RunFault> {
    let plan = Arc::clone(&cell.plan);
    for fault in &cell.faults {
        tracing::error!(code = "configuration", "{fault}");
    }
    if let Some(folder) = plan.store.parent() {
        std::fs::create_dir_all(folder).map_err(|error| RunFault::Io("the store's folder can't be made", error))?;
    }
    let socket = control::socket_path(&plan.store);
    let _lock = Lock::take(&plan.store, Some(socket.clone()))?;
    let clock = Clock::new(plan.cell.time_zone.clone());
    let stop = CancellationToken::new();
    let (fatal, mut failed) = watch::channel(None);
    let health = Arc::<Mutex<Health>>::default();
    let (nudges, nudged) = channels(plan.sinks.len());
    let (pen, writer) = start_writer(&cell, &clock, nudges, fatal, Arc::clone(&health))?;
    let board = Board::default();
    let names = plan.stations.iter().map(|station| station.name.clone()).collect();
    let _ = pen.ask(What::Started(names)).await;

    let listener = control::open(&socket).map_err(|error| RunFault::Io("the control socket can't be opened", error))?;
    let house = Arc::new(House {
        cell: Arc::clone(&cell),
        clock: clock.clone(),
        pen: pen.clone(),
        board: board.clone(),
        health,
        since: clock.stamp().at,
    });
    let answers = Arc::clone(&house);
    let control =
        tokio::task::spawn_local(control::serve(listener, move |request| answer(Arc::clone(&answers), request)));
    let alive = tokio::spawn(keep_alive(pen.clone()));
    let crew = start_crew(&plan, &clock, &pen, &board, &stop, nudged);
    tracing::info!(
        code = "started",
        "cell {} runs with {} stations and {} sinks",
        plan.cell.name,
        plan.stations.len(),
        plan.sinks.len()
    );

    let outcome = tokio::select! {
        () = terminated() => Ok(()),
        reason = fatal_reason(&mut failed) => Err(RunFault::Disk(reason)),
    };
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

type Nudges = Vec<std::sync::mpsc::SyncSender<()>>;

fn channels(count: usize) -> (Nudges, Vec<std::sync::mpsc::Receiver<()>>) {
    (0..count).map(|_| std::sync::mpsc::sync_channel(1)).unzip()
}

fn start_writer(
    cell: &Arc<Cell>,
    clock: &Clock,
    nudges: Nudges,
    fatal: watch::Sender<Option<String>>,
    health: Arc<Mutex<Health>>,
) -> Result<(Pen, std::thread::JoinHandle<()>), RunFault> {
    let outfit = Outfit {
        path: cell.plan.store.clone(),
        cell: Arc::clone(cell),
        clock: clock.clone(),
        nudges,
        fatal: Box::new(move |reason| {
            let _ = fatal.send(Some(reason));
        }),
        health,
        weakened: Weakened::from_environment(),
    };
    writer::start(outfit).map_err(|fault| RunFault::Store(cell.plan.store.display().to_string(), fault))
}

/// Everything that captures and delivers, by name, so that what hangs at a stop can be named.
struct Crew {
    tasks: Vec<(String, tokio::task::JoinHandle<()>)>,
    threads: Vec<(String, std::thread::JoinHandle<()>)>,
}

fn start_crew(
    plan: &Arc<Plan>,
    clock: &Clock,
    pen: &Pen,
    board: &Board,
    stop: &CancellationToken,
    nudged: Vec<std::sync::mpsc::Receiver<()>>,
) -> Crew {
    let mut crew = Crew { tasks: Vec::new(), threads: Vec::new() };
    let shell = Shell {
        clock: clock.clone(),
        pen: pen.clone(),
        board: board.clone(),
        stop: stop.clone(),
        run: run_id().into(),
        runtime: tokio::runtime::Handle::current(),
    };
    for station in &plan.stations {
        let (station, shell) = (Arc::new(station.clone()), shell.clone());
        let name = format!("station {}", station.name);
        match station.source.clone() {
            Source::Port(port) => crew.tasks.push((name, tokio::spawn(serial::listen(station, port, shell)))),
            Source::Folder(place) => crew.thread(name, move || folder::watch(station, place, shell)),
        }
    }
    for (sink, nudged) in plan.sinks.iter().zip(nudged) {
        let worker = deliver::Worker {
            sink: sink.clone(),
            store: plan.store.clone(),
            pen: pen.clone(),
            nudged,
            board: board.clone(),
            stop: stop.clone(),
            reader: None,
        };
        crew.thread(format!("sink {}", sink.name), move || worker.run());
    }
    crew
}

impl Crew {
    fn thread(&mut self, name: String, work: impl FnOnce() + Send + 'static) {
        match std::thread::Builder::new().name(name.clone()).spawn(work) {
            Ok(thread) => self.threads.push((name, thread)),
            Err(error) => tracing::error!(code = "no-thread", "{name} could not be started: {error}"),
        }
    }

    /// Waits for everybody up to a bound, and names who is still busy.
    async fn rest(mut self) -> Vec<String> {
        let until = tokio::time::Instant::now() + STOP_WITHIN;
        while tokio::time::Instant::now() < until {
            self.tasks.retain(|(_, task)| !task.is_finished());
            self.threads.retain(|(_, thread)| !thread.is_finished());
            if self.tasks.is_empty() && self.threads.is_empty() {
                break;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        let tasks = self.tasks.into_iter().map(|(name, _)| name);
        tasks.chain(self.threads.into_iter().map(|(name, _)| name)).collect()
    }
}

async fn take_down(crew: Crew, house: Arc<House>, pen: Pen, writer: std::thread::JoinHandle<()>) {
    // Sinks wait for nudges; the writer's next commit is one, and "alive" is a commit.
    let _ = tokio::time::timeout(Duration::from_secs(1), pen.ask(What::Alive)).await;
    let stuck = crew.rest().await;
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

async fn keep_alive(pen: Pen) {
    loop {
        tokio::time::sleep(ALIVE_EVERY).await;
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
    let trouble = house.health.lock().ok().and_then(|health| health.trouble.clone());
    let (sinks, stations): (Vec<_>, Vec<_>) =
        house.board.snapshot().into_iter().partition(|(name, _)| name.starts_with("sink "));
    let sinks: Vec<Json> = house
        .cell
        .plan
        .sinks
        .iter()
        .map(|sink| {
            let status = sinks.iter().find(|(name, _)| *name == deliver::key(&sink.name));
            json!({ "sink": sink.name, "trouble": status.and_then(|(_, status)| status.trouble.clone()) })
        })
        .collect();
    json!({
        "pid": std::process::id(),
        "since": house.since,
        "now": house.clock.stamp().at,
        "version": env!("CARGO_PKG_VERSION"),
        "store_trouble": trouble,
        "clock_synced": house.clock.stamp().synced,
        "stations": stations.into_iter().collect::<std::collections::BTreeMap<_, _>>(),
        "sinks": sinks,
        "faults": house.cell.faults.iter().map(ToString::to_string).collect::<Vec<_>>(),
    })
}

/// The socket of the daemon that holds a store, if one does.
pub fn running(store: &Path) -> Option<std::path::PathBuf> {
    crate::store::holder(store).and_then(|holder| holder.socket)
}
