//! The shell of a station that listens to a device: opens it, reads it, and does what its [`Session`] says.
//!
//! Reading never waits for the disk up to a bound: closed frames go through a short queue to a recorder task,
//! which hands the writer all that waits at once. Nothing that waits in the device is flushed at opening. Which kind
//! of device it is, only [`Device`] knows.

use std::io::ErrorKind;
use std::sync::Arc;
use std::time::Duration;

use ridgepost_config::{Station, Stream};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tokio_util::task::AbortOnDropHandle;

use super::device::{Device, Way};
use super::kept::{self, Kept};
use super::session::{Action, Event, Session};
use super::{Board, watch};
use crate::aside::leave_behind;
use crate::clock::Clock;
use crate::store::weaken::Weakened;
use crate::store::{Burst, Heard, Pen, What, answered_tally};

/// Closed frames that may wait for the writer before reading pauses.
const FRAMES_WAITING: usize = 16;

/// How long a device may take to open before that is told.
const OPENS_WITHIN: Duration = Duration::from_secs(10);

/// How long bytes that wait in the kernel may take to be seen.
const LAST_LOOK: Duration = Duration::from_millis(3);

/// Bytes that are read at most when a station stops and nobody keeps its device open.
const LAST_BYTES_MAX: usize = 64 * 1024;

/// What every station needs.
#[derive(Clone, Debug)]
pub struct Shell {
    /// Time.
    pub clock: Clock,
    /// The way to the writer.
    pub pen: Pen,
    /// Where the station says how it is doing.
    pub board: Board,
    /// The program stops.
    pub stop: CancellationToken,
    /// Unique over all runs of the program.
    pub run: Arc<str>,
    /// Where tasks run, for threads.
    pub runtime: tokio::runtime::Handle,
    /// Devices that an earlier run left open.
    pub kept: Kept,
    /// The whole program stops, not only this station.
    pub end: CancellationToken,
}

/// Listens to a device until the program stops. `cut` is what an earlier run heard last, if that was cut short.
pub async fn listen(station: Arc<Station>, stream: Stream, shell: Shell, cut: Option<Vec<u8>>) {
    let (frames, waiting) = mpsc::channel(FRAMES_WAITING);
    let recorder = tokio::spawn(record(Arc::clone(&station), waiting, shell.clone()));
    let session = Session::new(&station.instrument, shell.clock.tick(), cut.as_deref());
    let (opening, device, hint) = (None, None, None);
    let mut line =
        Line { station, stream, shell, session, way: Way::default(), opening, device, frames, number: 0, hint };
    line.run().await;
    drop(line);
    let _ = recorder.await;
}

struct Line {
    station: Arc<Station>,
    stream: Stream,
    shell: Shell,
    session: Session,
    /// What tries to open the device leave for the next one.
    way: Way,
    /// A try to open the device; what it takes holds nothing else up.
    opening: Option<Opening>,
    device: Option<Device>,
    frames: mpsc::Sender<Burst>,
    number: u64,
    hint: Option<watch::Hint>,
}

/// A try to open a device.
struct Opening {
    task: AbortOnDropHandle<Result<Device, String>>,
    /// When it has taken so long that it is told; `None` once it was.
    slow_at: Option<tokio::time::Instant>,
}

enum Woken {
    Opened(Result<Device, String>),
    OpensSlowly,
    Read(std::io::Result<usize>),
    Deadline,
    Hint,
    Stop,
}

impl Opening {
    /// Waits for the device, or until that has taken long. A device that does not open is waited for: no second try
    /// beside it.
    async fn done(&mut self) -> Woken {
        let slow = async {
            match self.slow_at {
                Some(at) => tokio::time::sleep_until(at).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            outcome = &mut self.task => Woken::Opened(outcome.unwrap_or_else(|error| Err(error.to_string()))),
            () = slow => {
                self.slow_at = None;
                Woken::OpensSlowly
            }
        }
    }
}

impl Line {
    async fn run(&mut self) {
        self.shell.board.change(&self.station.name, |status| status.state = "starting".into());
        let mut buffer = vec![0; 4096];
        loop {
            let woken = self.wait(&mut buffer).await;
            let now = self.shell.clock.tick();
            let actions = match woken {
                Woken::Opened(outcome) => self.opened(outcome),
                Woken::OpensSlowly => {
                    self.deaf(format!("it has not opened for {} s: pull the plug", OPENS_WITHIN.as_secs()));
                    continue;
                }
                Woken::Read(Ok(0)) => self.session.step(now, Event::HungUp("the device hung up".into())),
                Woken::Read(Ok(count)) => self.session.step(now, Event::Bytes(&buffer[..count])),
                Woken::Read(Err(error)) if error.kind() == ErrorKind::Interrupted => continue,
                Woken::Read(Err(error)) => self.session.step(now, Event::HungUp(error.to_string())),
                Woken::Deadline => self.session.step(now, Event::Passed),
                Woken::Hint => self.session.step(now, Event::Hint),
                Woken::Stop => {
                    self.read_the_rest(&mut buffer).await;
                    let actions = self.session.step(now, Event::Stop);
                    if self.opening.as_ref().is_some_and(|opening| opening.slow_at.is_none()) {
                        leave_behind(&format!("station {} (its device does not open)", self.station.name));
                    }
                    self.perform(actions).await;
                    return;
                }
            };
            self.perform(actions).await;
        }
    }

    async fn wait(&mut self, buffer: &mut [u8]) -> Woken {
        let deadline = self.session.deadline().map(|tick| self.shell.clock.instant(tick));
        let timer = async {
            match deadline {
                Some(at) => tokio::time::sleep_until(at.into()).await,
                None => std::future::pending().await,
            }
        };
        let opened = async {
            match self.opening.as_mut() {
                Some(opening) => opening.done().await,
                None => std::future::pending().await,
            }
        };
        let read = async {
            match self.device.as_mut() {
                Some(device) => device.read(buffer).await,
                None => std::future::pending().await,
            }
        };
        let hint = async {
            match self.hint.as_mut() {
                Some(hint) => hint.wait().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            biased;
            () = self.shell.stop.cancelled() => return Woken::Stop,
            woken = opened => return woken,
            result = read => return Woken::Read(result),
            () = hint => return Woken::Hint,
            () = timer => {}
        }
        self.look_again(buffer).await
    }

    /// A deadline says that the line was silent. Where this task itself was held up (the disk was full), bytes may
    /// have waited all the while: they come first.
    async fn look_again(&mut self, buffer: &mut [u8]) -> Woken {
        let Some(device) = self.device.as_mut() else { return Woken::Deadline };
        match tokio::time::timeout(LAST_LOOK, device.read(buffer)).await {
            Ok(result) => Woken::Read(result),
            Err(_) => Woken::Deadline,
        }
    }

    /// What waits in the kernel is lost when the device is closed; where the service manager keeps it open, it waits
    /// there for the next run, whole.
    async fn read_the_rest(&mut self, buffer: &mut [u8]) {
        if kept::outlives() && self.shell.end.is_cancelled() {
            return;
        }
        let mut bytes = 0;
        while let Some(device) = self.device.as_mut()
            && let Ok(Ok(count @ 1..)) = tokio::time::timeout(LAST_LOOK, device.read(buffer)).await
            && bytes < LAST_BYTES_MAX
        {
            bytes += count;
            let actions = self.session.step(self.shell.clock.tick(), Event::Bytes(&buffer[..count]));
            self.perform(actions).await;
        }
    }

    fn opened(&mut self, outcome: Result<Device, String>) -> Vec<Action> {
        self.opening = None;
        let event = match outcome {
            Ok(device) => {
                kept::keep(&self.station, &self.stream, &device);
                self.device = Some(device);
                Event::Opened
            }
            Err(cause) => Event::Refused(cause),
        };
        self.session.step(self.shell.clock.tick(), event)
    }

    async fn perform(&mut self, actions: Vec<Action>) {
        for action in actions {
            match action {
                Action::Open => self.open(),
                Action::Close => {
                    if !self.shell.end.is_cancelled() {
                        kept::forget(&self.station, &self.stream);
                    }
                    (self.opening, self.device) = (None, None);
                    Weakened::port_closed();
                }
                Action::Record(frame, decoded) => {
                    self.number += 1;
                    let burst = Burst {
                        origin: format!("{} {} {}", self.shell.run, self.station.name, self.number),
                        station: Arc::clone(&self.station),
                        source: self.stream.place(),
                        received: self.shell.clock.stamp(),
                        heard: Heard { number: 1, frame: *frame, decoded: *decoded },
                    };
                    let _ = self.frames.send(burst).await;
                }
                Action::Deaf(cause) => self.deaf(cause),
                Action::Listening { ms, tries } => self.listening(ms, tries),
            }
        }
    }

    /// The device that an earlier run left open, else a try to open it anew.
    fn open(&mut self) {
        let kept = self.shell.kept.take(&self.station, &self.stream);
        if kept.is_some() {
            tracing::info!(
                code = "taken-over",
                station = self.station.name,
                "goes on with the device an earlier run left open"
            );
        }
        let (stream, way) = (self.stream.clone(), self.way.clone());
        let open = async move {
            match kept {
                Some(device) => Ok(device),
                None => Device::open(&stream, &way).await,
            }
        };
        let slow_at = Some(tokio::time::Instant::now() + OPENS_WITHIN);
        self.opening = Some(Opening { task: AbortOnDropHandle::new(tokio::spawn(open)), slow_at });
    }

    fn deaf(&mut self, cause: String) {
        self.hint = self.stream.node().and_then(watch::Hint::on);
        let station = self.station.name.clone();
        tracing::warn!(
            code = "deaf",
            station,
            "{} can't be listened to: {cause}; it is tried again until it can",
            self.stream.place()
        );
        self.shell.board.change(&station, |status| {
            status.state = "deaf".into();
            status.trouble = Some(cause.clone());
            status.lost += 1;
        });
        self.tell(What::Deaf { station, cause, since: self.shell.clock.stamp() });
    }

    fn listening(&mut self, ms: u64, tries: u32) {
        self.hint = None;
        let station = self.station.name.clone();
        tracing::info!(
            code = "listening",
            station,
            "listening on {} (deaf for {}.{:03} s, {tries} tries)",
            self.stream.place(),
            ms / 1000,
            ms % 1000
        );
        self.shell.board.change(&station, |status| {
            status.state = "listening".into();
            status.trouble = None;
        });
        self.tell(What::Listening(station));
    }

    /// Tells the writer without waiting: reading must not stand still for a note.
    fn tell(&self, what: What) {
        let pen = self.shell.pen.clone();
        tokio::spawn(async move {
            if let Err(fault) = pen.ask(what).await {
                tracing::error!(code = "note-lost", "a note on coverage could not be written: {fault}");
            }
        });
    }
}

/// Hands the writer all frames that wait, and waits until they are on the disk.
async fn record(station: Arc<Station>, mut waiting: mpsc::Receiver<Burst>, shell: Shell) {
    let mut bursts = Vec::new();
    while waiting.recv_many(&mut bursts, FRAMES_WAITING).await > 0 {
        let heard = bursts.last().map(|burst: &Burst| burst.received.at.clone());
        match shell.pen.ask(What::Bursts(std::mem::take(&mut bursts))).await {
            Ok(answer) => {
                shell.board.count(&station.name, &answered_tally(&answer));
                shell.board.change(&station.name, |status| status.last_heard = heard);
            }
            Err(fault) => {
                tracing::error!(
                    code = "not-recorded",
                    station = station.name,
                    "readings could not be recorded: {fault}"
                );
            }
        }
    }
}
