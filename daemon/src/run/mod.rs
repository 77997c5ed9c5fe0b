//! The daemon: joins stations, writer and sinks, brings them to a changed configuration, and takes them down.
//!
//! One thread runs all port stations, the control socket and the timers; the writer, each folder and each sink
//! have threads of their own, because files and the store block.

mod answer;
mod change;
mod crew;
mod host;
mod orders;
mod reload;

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::capture::Board;
use crate::capture::asking::Bells;
use crate::capture::kept::Kept;
use crate::capture::line::Shell;
use crate::cell::Cell;
use crate::clock::Clock;
use crate::control;
use crate::exit::Exit;
use crate::store::weaken::Weakened;
use crate::store::writer::{Health, Outfit};
use crate::store::{Lock, LockFault, Pen, PenFault, Severity, StoreFault, What, damage, writer};
use crate::watch::{Ledger, Scene};
pub use answer::{replayed, to_reply};
use crew::Crew;
pub use crew::Nudges;

/// How often the store learns that the program is alive.
const ALIVE_EVERY: Duration = Duration::from_secs(20);
/// When everybody has started: what only starting needed is given back.
const STARTED_WITHIN: Duration = Duration::from_secs(2);
/// How long a stop may take before what hangs is left behind.
const STOP_WITHIN: Duration = Duration::from_secs(6);
/// How long after the word to stop a busy disk may take over the writer's last transaction and the log's way into the store.
const WRITER_ENDS_WITHIN: Duration = Duration::from_secs(8);

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
    Store(String, StoreFault),
    /// Something the operating system says.
    #[error("{0}: {1}")]
    Io(&'static str, std::io::Error),
    /// The disk failed while it ran.
    #[error("{0}; ending, so that a new start reads from the disk what stands there")]
    Disk(String),
    /// The store was found damaged while it ran.
    #[error("{0}; ending, so that a new start reads it through and puts it aside if it is damaged")]
    Damaged(String),
    /// It was stopped, and these hang.
    #[error("did not stop in time and is left behind: {0}")]
    LeftBehind(String),
}

impl RunFault {
    /// The exit status that tells it.
    pub fn exit(&self) -> Exit {
        match self {
            RunFault::Nothing(_) => Exit::No,
            RunFault::Disk(_) => Exit::DiskFailed,
            RunFault::Damaged(_) => Exit::StoreDamaged,
            RunFault::Store(_, fault) if fault.severity() == Severity::Disk => Exit::DiskFailed,
            RunFault::Store(_, fault) if fault.severity() == Severity::Damaged => Exit::StoreDamaged,
            RunFault::LeftBehind(_) => Exit::LeftBehind,
            _ => Exit::Unusable,
        }
    }
}

/// Runs until SIGTERM or SIGINT.
pub fn run(cell: Cell) -> Result<(), RunFault> {
    crate::memory::keep_small();
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
        .and_then(|texts| Cell::from_kept(&faulty.dir, faulty.look.clone(), &texts));
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

/// What a service runs whose `cell.toml` can't be read at all: the last plan without fault, from the store in the
/// folder that the service manager names. Without a service manager nobody knows where the store lies.
pub fn last_good_of_service(dir: &Path, faults: &[ridgepost_config::Diagnostic]) -> Option<Cell> {
    let store = std::path::PathBuf::from(std::env::var_os("STATE_DIRECTORY")?).join("store.db");
    let dir = std::path::absolute(dir).ok()?;
    let look = crate::cell::Look::at(&dir);
    let connection = crate::store::open_for_reading(&store).ok()?;
    let texts = crate::store::query::kept_plan(&connection).ok()??;
    let kept = Cell::from_kept(&dir, look, &texts).filter(|kept| kept.plan.store == store)?;
    tracing::warn!(code = "last-good-plan", "cell.toml can't be used; the last plan without fault runs");
    Some(kept.beside_faults(faults.to_vec()))
}

/// Why the store forces an end.
type End = (Severity, String);

/// What the parts of a running daemon share.
struct House {
    /// The configuration in force, and what is wrong with the files as they are now.
    cell: Mutex<(Arc<Cell>, Vec<String>)>,
    clock: Clock,
    pen: Pen,
    board: Board,
    bells: Bells,
    health: Arc<Mutex<Health>>,
    /// What the watch has to tell.
    ledger: Ledger,
    /// Told when the configuration in force changed.
    changed: Arc<tokio::sync::Notify>,
    stop: CancellationToken,
    since: String,
}

impl House {
    /// Opens the store, starts the writer and puts together what the rest shares.
    fn build(
        cell: &Arc<Cell>,
        fatal: &watch::Sender<Option<End>>,
    ) -> Result<(Arc<House>, std::thread::JoinHandle<()>), RunFault> {
        let clock = Clock::new(cell.plan.cell.time_zone.clone());
        let health = Arc::<Mutex<Health>>::default();
        let store = &cell.plan.store;
        let open = |found: damage::Found| {
            found.told.iter().for_each(|text| tracing::error!(code = "store-damaged", "{text}"));
            let fatal = fatal.clone();
            writer::start(Outfit {
                path: store.clone(),
                cell: Arc::clone(cell),
                clock: clock.clone(),
                nudges: Vec::new(),
                fatal: Arc::new(move |severity, reason| drop(fatal.send_replace(Some((severity, reason))))),
                found,
                health: Arc::clone(&health),
                weakened: Weakened::from_environment(),
            })
        };
        // Damage where nobody looked before the writer did: the next start reads everything.
        let opened = damage::look(store).and_then(open).map_err(|fault| damage::suspect(store, fault));
        let (pen, writer) = opened.map_err(|fault| RunFault::Store(store.display().to_string(), fault))?;
        let since = clock.stamp().at;
        let cell = Mutex::new((Arc::clone(cell), Vec::new()));
        let (board, bells, ledger, changed, stop) = Default::default();
        Ok((Arc::new(House { cell, clock, pen, board, bells, health, ledger, changed, stop, since }), writer))
    }

    fn cell(&self) -> (Arc<Cell>, Vec<String>) {
        self.cell.lock().map_or_else(|poisoned| poisoned.into_inner().clone(), |cell| cell.clone())
    }

    fn set_cell(&self, cell: Arc<Cell>, faults: Vec<String>) {
        let mut held = self.cell.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        *held = (cell, faults);
        self.changed.notify_one();
    }

    /// What watching this daemon needs of it.
    fn scene(self: &Arc<Self>, stop: &CancellationToken) -> Scene {
        let house = Arc::clone(self);
        Scene {
            store: self.cell().0.plan.store.clone(),
            cell: Arc::new(move || house.cell()),
            changed: Arc::clone(&self.changed),
            clock: self.clock.clone(),
            pen: self.pen.clone(),
            board: self.board.clone(),
            health: Arc::clone(&self.health),
            ledger: self.ledger.clone(),
            stop: stop.clone(),
        }
    }
}

async fn daemon(cell: Arc<Cell>, kept: Kept) -> Result<(), RunFault> {
    let store = cell.plan.store.clone();
    // A limit on file size kills a program that does not catch this signal; caught, the write fails and is told.
    let _file_size = signal(SignalKind::from_raw(libc::SIGXFSZ));
    // So does one that tells of a lease on a file that somebody opens (see `capture`'s question for writers).
    let _lease = signal(SignalKind::io());
    if let Some(folder) = store.parent() {
        std::fs::create_dir_all(folder).map_err(|error| RunFault::Io("the store's folder can't be made", error))?;
    }
    let asked_to_end = terminated(); // From here on: a stop while everybody starts is a stop.
    let socket = control::socket_path(&store);
    let mut lock = Lock::take(&store, Some(socket.clone()))?;
    let (fatal, mut failed) = watch::channel(None);
    let (house, writer) = House::build(&cell, &fatal)?;
    lock.cover(&store)?;
    let stop = house.stop.clone();
    let shell = Shell {
        clock: house.clock.clone(),
        pen: house.pen.clone(),
        board: house.board.clone(),
        store: store.as_path().into(),
        stop: stop.clone(),
        run: run_id().into(),
        runtime: tokio::runtime::Handle::current(),
        kept: kept.clone(),
        bells: house.bells.clone(),
        end: stop.clone(),
    };
    let (mut crew, orders) = Crew::new(shell, store);
    let around = Around::start(&house, &socket, kept)?;
    let work = async {
        come_up(&house, &mut crew, cell).await;
        drop(tokio::spawn(async {
            tokio::time::sleep(STARTED_WITHIN).await;
            crate::memory::settle();
        }));
        // It ends by the stop; what hangs in it holds nobody up.
        drop(tokio::spawn(crate::watch::run(house.scene(&stop))));
        tokio::select! {
            () = change::follow(&house, &mut crew, orders) => {}
            () = host::report(&house) => {}
        }
    };
    // A start may take as long as a full disk stays full: the word to stop is heard meanwhile.
    let outcome = tokio::select! {
        () = asked_to_end => Ok(()),
        fault = end_forced(&mut failed) => Err(fault),
        () = work => Ok(()),
    };
    host::stopping();
    stop.cancel();
    around.stop();
    let _ = std::fs::remove_file(&socket);
    outcome?;
    let (stuck, writer_ended) = take_down(crew, house, writer).await;
    if writer_ended {
        drop(lock);
    } else {
        // The writer may be at the store still; the kernel lets go of the lock when this process is gone.
        std::mem::forget(lock);
    }
    stopped(&stuck.join(", "), failed.borrow().clone())
}

/// How a stop went, with who hangs and what the store forced meanwhile: a disk that failed while everybody stopped failed
/// all the same.
fn stopped(stuck: &str, late: Option<End>) -> Result<(), RunFault> {
    if !stuck.is_empty() {
        tracing::error!(code = "stuck", "did not stop in time and is left behind: {stuck}");
    }
    match late {
        Some(end) => Err(forced(end)),
        None if !stuck.is_empty() => Err(RunFault::LeftBehind(stuck.to_owned())),
        None => {
            tracing::info!(code = "stopped", "stopped");
            Ok(())
        }
    }
}

/// Everybody starts, and the service manager learns of it.
async fn come_up(house: &House, crew: &mut Crew, cell: Arc<Cell>) {
    for fault in &cell.faults {
        tracing::error!(code = "configuration", "{fault}");
    }
    let names: Vec<String> = cell.plan.stations.iter().map(|station| station.name.clone()).collect();
    let (stations, sinks, name) = (names.len(), cell.plan.sinks.len(), cell.plan.cell.name.clone());
    let _ = house.pen.ask(What::Started(names)).await;
    change::adopt(house, crew, cell).await;
    tracing::info!(code = "started", "cell {name} runs with {stations} stations and {sinks} sinks");
    host::ready();
}

/// What runs beside capture and delivery.
struct Around {
    control: tokio::task::JoinHandle<()>,
    alive: tokio::task::JoinHandle<()>,
}

impl Around {
    fn start(house: &Arc<House>, socket: &Path, kept: Kept) -> Result<Around, RunFault> {
        let listener =
            control::open(socket).map_err(|error| RunFault::Io("the control socket can't be opened", error))?;
        let answers = Arc::clone(house);
        let serve = control::serve(listener, move |request| answer::answer(Arc::clone(&answers), request));
        let control = tokio::task::spawn_local(serve);
        Ok(Around { control, alive: tokio::spawn(keep_alive(house.pen.clone(), kept)) })
    }

    fn stop(self) {
        self.control.abort();
        self.alive.abort();
    }
}

/// Waits for everybody, within bounds; who hangs, and whether the writer has ended.
async fn take_down(crew: Crew, house: Arc<House>, writer: std::thread::JoinHandle<()>) -> (Vec<String>, bool) {
    let until = tokio::time::Instant::now() + WRITER_ENDS_WITHIN;
    let mut stuck = crew.rest(STOP_WITHIN).await;
    // Who hangs may hold a way to the writer, and then it does not end.
    let may_end = stuck.is_empty();
    stuck.extend(crate::aside::left_behind());
    let answered = tokio::time::timeout_at(until, house.pen.ask(What::Alive)).await.is_ok();
    if !answered {
        stuck.push("the store's writer".to_owned());
    }
    drop(house);
    while answered && may_end && !writer.is_finished() && tokio::time::Instant::now() < until {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    (stuck, writer.is_finished())
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

/// Catches the signals that ask for an end; what is returned waits for one.
fn terminated() -> impl Future<Output = ()> {
    let signals = (signal(SignalKind::terminate()), signal(SignalKind::interrupt()));
    async {
        let (Ok(mut term), Ok(mut interrupt)) = signals else {
            tracing::error!(code = "no-signals", "signals can't be caught; the daemon ends only by being killed");
            return std::future::pending().await;
        };
        tokio::select! {
            _ = term.recv() => {}
            _ = interrupt.recv() => {}
        }
    }
}

async fn end_forced(failed: &mut watch::Receiver<Option<End>>) -> RunFault {
    loop {
        if let Some(end) = failed.borrow_and_update().clone() {
            return forced(end);
        }
        if failed.changed().await.is_err() {
            std::future::pending::<()>().await;
        }
    }
}

fn forced((severity, reason): End) -> RunFault {
    match severity {
        Severity::Damaged => RunFault::Damaged(reason),
        _ => RunFault::Disk(reason),
    }
}

/// Unique over all runs: random by the kernel; process and time where it gives none.
pub fn run_id() -> String {
    let random = std::fs::read_to_string("/proc/sys/kernel/random/uuid").unwrap_or_default();
    let now = jiff::Timestamp::now().as_nanosecond();
    format!("{}-{}-{now}", random.trim(), std::process::id())
}

/// The socket of the daemon that holds a store, if one does.
pub fn running(store: &Path) -> Option<std::path::PathBuf> {
    crate::store::holder(store).and_then(|holder| holder.socket)
}
