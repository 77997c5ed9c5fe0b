//! How the daemon is watched while nobody looks: metrics, a sign of life, a digest of each day, room on the disk,
//! the journal.
//!
//! Each outlet is a task of its own that sleeps nearly all the time; what may block (files, the store) runs beside
//! the ports, and what may hang (a share) in another process. A fault of one is told once and touches no other.

pub mod daily;
pub mod digest;
pub mod heartbeat;
pub mod journal;
pub mod ledger;
pub mod metrics;
mod outlet;
pub mod picture;
mod reminder;
mod serve;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ridgepost_config::{Metrics, Watch};
use tokio::sync::Notify;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::capture::Board;
use crate::cell::Cell;
use crate::clock::Clock;
use crate::store::writer::Health;
use crate::store::{Pen, What, damage};
pub use ledger::Ledger;
use outlet::{Outlet, beside};
use picture::Picture;

/// Between two looks at the room on the store's disk.
const SPACE_EVERY: Duration = Duration::from_secs(30);
/// The log of a store in use is begun anew at 8 MiB and cut to 16 MiB; at so many somebody holds it.
const LOG_MIB_WARN: u64 = 256;
/// Between two writings of the file of metrics.
const METRICS_EVERY: Duration = Duration::from_secs(15);
/// Between two tries to listen where metrics are asked for.
const LISTEN_EVERY: Duration = Duration::from_secs(15);
/// Longest sleep of the digest, so that a clock that is set is noticed.
const DIGEST_EVERY: Duration = Duration::from_secs(60);
/// How long outlets may take to end.
const END_WITHIN: Duration = Duration::from_secs(2);
/// How long the writer may take for a sign of life.
const WRITER_WITHIN: Duration = Duration::from_secs(10);

/// What the watch needs of a running daemon.
#[derive(Clone)]
pub struct Scene {
    /// The configuration in force, and what is wrong with the files as they are now.
    pub cell: Arc<dyn Fn() -> (Arc<Cell>, Vec<String>) + Send + Sync>,
    /// Told when the configuration in force changed.
    pub changed: Arc<Notify>,
    /// Where the store lies.
    pub store: PathBuf,
    /// Time.
    pub clock: Clock,
    /// The way to the writer.
    pub pen: Pen,
    /// How stations and sinks are doing.
    pub board: Board,
    /// How the writer is doing.
    pub health: Arc<Mutex<Health>>,
    /// What the watch itself has to tell.
    pub ledger: Ledger,
    /// The program stops.
    pub stop: CancellationToken,
}

impl Scene {
    fn watch(&self) -> Watch {
        (self.cell)().0.plan.watch.clone()
    }

    /// How things stand, looked up beside the ports.
    async fn picture(&self) -> Option<Picture> {
        let scene = self.clone();
        beside(move || Picture::take(&scene)).await
    }
}

/// Watches until the program stops, following the configuration.
pub async fn run(scene: Scene) {
    while !scene.stop.is_cancelled() {
        let watch = scene.watch();
        let until = scene.stop.child_token();
        let mut outlets = start(&scene, &watch, &until);
        loop {
            tokio::select! {
                () = scene.stop.cancelled() => break,
                () = scene.changed.notified() => {}
            }
            if scene.watch() != watch {
                break;
            }
        }
        until.cancel();
        // Who hangs is left behind: a stop must not wait for a share.
        let _ = tokio::time::timeout(END_WITHIN, async { while outlets.join_next().await.is_some() {} }).await;
    }
}

fn start(scene: &Scene, watch: &Watch, until: &CancellationToken) -> JoinSet<()> {
    let mut outlets = JoinSet::new();
    outlets.spawn(space(scene.clone(), watch.free_mib_warn, until.clone()));
    match watch.remind_minutes {
        None => scene.ledger.note("part-waits", None),
        Some(minutes) => drop(outlets.spawn(reminder::remind(scene.clone(), minutes, until.clone()))),
    }
    match &watch.metrics {
        None => scene.ledger.note("metrics", None),
        Some(Metrics::File(file)) => drop(outlets.spawn(metrics_file(scene.clone(), file.clone(), until.clone()))),
        Some(Metrics::Listen(at)) => drop(outlets.spawn(metrics_port(scene.clone(), *at, until.clone()))),
    }
    match &watch.heartbeat {
        None => scene.ledger.note("heartbeat", None),
        Some(heartbeat) => drop(outlets.spawn(beat(scene.clone(), heartbeat.clone(), until.clone()))),
    }
    match &watch.digest {
        None => scene.ledger.note("digest", None),
        Some(digest) => drop(outlets.spawn(digests(scene.clone(), digest.clone(), until.clone()))),
    }
    outlets
}

/// Sleeps; false when it is time to end.
async fn sleeps(span: Duration, until: &CancellationToken) -> bool {
    tokio::time::timeout(span, until.cancelled()).await.is_err()
}

/// Warns of a disk that fills, and tells of stores that were put aside.
async fn space(scene: Scene, warn_mib: u64, until: CancellationToken) {
    loop {
        let store = scene.store.clone();
        if let Some(free) = beside(move || free_bytes(&store)).await.flatten() {
            let mib = free / 1024 / 1024;
            let was_low = scene.ledger.is_open("low-space");
            let low = is_low(was_low, mib, warn_mib);
            let text = low.then(|| {
                format!(
                    "{mib} MiB free on the disk of the store {}, less than {warn_mib} MiB: make room, nothing is \
                     deleted by itself",
                    scene.store.display()
                )
            });
            if low && !was_low {
                keep_event(&scene, text.clone().unwrap_or_default());
            }
            scene.ledger.note("low-space", text);
        }
        let log = PathBuf::from(format!("{}-wal", scene.store.display()));
        if let Some(length) = beside(move || std::fs::metadata(log).map_or(0, |log| log.len())).await {
            scene.ledger.note("log-grows", log_grows(length));
        }
        let store = scene.store.clone();
        if let Some(aside) = beside(move || damage::aside(&store)).await {
            scene.ledger.note("store-damaged", aside.first().map(|first| put_aside(first, aside.len())));
        }
        if !sleeps(SPACE_EVERY, &until).await {
            return;
        }
    }
}

/// A log that can't be brought back for long: somebody keeps a read transaction open.
fn log_grows(length: u64) -> Option<String> {
    let mib = length / 1024 / 1024;
    (mib >= LOG_MIB_WARN).then(|| {
        format!(
            "the log beside the store has {mib} MiB and can't be brought back: some program has been reading the store \
             for long; `fuser` on the file names it, end it"
        )
    })
}

/// Told until a person has moved away what was put aside.
fn put_aside(first: &Path, count: usize) -> String {
    let more = if count > 1 { format!(" and {} files more", count - 1) } else { String::new() };
    format!("a damaged store lies aside: {}{more}. {}", first.display(), damage::way_out(first))
}

/// Notes low space in the store without waiting: on a full disk the note has to wait itself.
fn keep_event(scene: &Scene, text: String) {
    let pen = scene.pen.clone();
    tokio::spawn(async move {
        let _ = pen.ask(What::Event { station: None, code: "low-space", text, transmission: None }).await;
    });
}

/// Whether there is too little room. What was low stays low until there is a twentieth more, so that a disk at the
/// limit is not told again and again.
fn is_low(was_low: bool, free_mib: u64, warn_mib: u64) -> bool {
    let enough = if was_low { warn_mib.saturating_add(warn_mib / 20) } else { warn_mib };
    free_mib < enough
}

/// Room for the store's user on the disk that a path lies on.
pub fn free_bytes(store: &Path) -> Option<u64> {
    let stat = rustix::fs::statvfs(store.parent()?).ok()?;
    Some(stat.f_bavail.saturating_mul(stat.f_frsize))
}

async fn metrics_file(scene: Scene, file: PathBuf, until: CancellationToken) {
    let mut outlet = Outlet::new(&file);
    loop {
        if let Some(picture) = scene.picture().await {
            let result = outlet.write(metrics::exposition(&picture).into_bytes(), false).await;
            scene.ledger.note("metrics", result.err());
        }
        if !sleeps(METRICS_EVERY, &until).await {
            return;
        }
    }
}

async fn metrics_port(scene: Scene, at: std::net::SocketAddr, until: CancellationToken) {
    loop {
        match tokio::net::TcpListener::bind(at).await {
            Ok(listener) => {
                scene.ledger.note("metrics", None);
                let answers = serve::serve(listener, || async { Some(metrics::exposition(&scene.picture().await?)) });
                tokio::select! {
                    () = until.cancelled() => return,
                    () = answers => {}
                }
            }
            Err(error) => scene.ledger.note("metrics", Some(format!("metrics can't be told at {at}: {error}"))),
        }
        if !sleeps(LISTEN_EVERY, &until).await {
            return;
        }
    }
}

async fn beat(scene: Scene, heartbeat: ridgepost_config::Heartbeat, until: CancellationToken) {
    let mut outlet = Outlet::new(&heartbeat.file);
    loop {
        let writes = tokio::time::timeout(WRITER_WITHIN, scene.pen.ask(What::Ping)).await.is_ok();
        if let Some(mut picture) = scene.picture().await {
            picture.writes = writes;
            let result = outlet.write(heartbeat::line(&picture, heartbeat.every_s).into_bytes(), false).await;
            scene.ledger.note("heartbeat", result.err());
        }
        if !sleeps(Duration::from_secs(heartbeat.every_s.into()), &until).await {
            break;
        }
    }
    if scene.stop.is_cancelled()
        && let Some(mut picture) = scene.picture().await
    {
        picture.stopped = true;
        let _ = outlet.write(heartbeat::line(&picture, heartbeat.every_s).into_bytes(), false).await;
    }
}

async fn digests(scene: Scene, digest: ridgepost_config::Digest, until: CancellationToken) {
    loop {
        let now = scene.clock.now();
        let written = beside({
            let store = scene.store.clone();
            move || digest::last_written(&store)
        });
        if let Some(Ok(last)) = written.await
            && let Some(day) = daily::due(&now, digest.at, last)
        {
            let result = write_digest(&scene, &digest.folder, day).await;
            scene.ledger.note("digest", result.err());
        }
        let pause = daily::until_next(&scene.clock.now(), digest.at).min(DIGEST_EVERY);
        if !sleeps(pause, &until).await {
            return;
        }
    }
}

/// Writes the digest of a day, and remembers that it is written.
async fn write_digest(scene: &Scene, folder: &Path, day: jiff::civil::Date) -> Result<(), String> {
    let (store, clock, name) = (scene.store.clone(), scene.clock.clone(), (scene.cell)().0.plan.cell.name.clone());
    let digest = beside(move || digest::of_day(&store, &clock, &name, day)).await;
    let digest = digest.ok_or("the digest broke off")?.map_err(|fault| format!("digest of {day}: {fault}"))?;
    Outlet::new(&folder.join(digest::file_name(day))).write(digest.text().into_bytes(), true).await?;
    let fact = What::Fact { key: digest::FACT, value: day.to_string() };
    scene.pen.ask(fact).await.map(|_| ()).map_err(|fault| fault.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_log_that_is_held_is_told() {
        assert_eq!(log_grows(64 << 20), None);
        assert!(log_grows(300 << 20).is_some_and(|text| text.contains("300 MiB")));
    }

    #[test]
    fn a_disk_at_the_limit_is_told_once() {
        let mut low = false;
        let told: Vec<bool> = [2000, 1024, 1023, 1024, 1050, 1074, 1075, 1024, 0]
            .into_iter()
            .map(|free| {
                low = is_low(low, free, 1024);
                low
            })
            .collect();
        assert_eq!(told, [false, false, true, true, true, true, false, false, true]);
        assert!(!is_low(false, 0, 0), "0 never tells");
    }
}
