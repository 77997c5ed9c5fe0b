//! The shell of a station that listens to a device: opens it, reads it, and does what its [`Session`] says.
//!
//! Reading never waits for the disk up to a bound: closed frames go through a short queue to a recorder task,
//! which hands the writer all that waits at once. Nothing that waits in the device is flushed at opening. Which kind
//! of device it is, only [`Device`] knows.

mod telling;

use std::io::ErrorKind;
use std::sync::Arc;
use std::time::Duration;

use ridgepost_config::{Station, Stream};
use tokio::sync::mpsc;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

use super::asking::{Asker, Bells};
use super::device::{Device, Exchanged, Way};
use super::errors::Errors;
use super::kept::{self, Kept};
use super::opening::{Opened, Opening, slow};
use super::recorder::{FRAMES_WAITING, record};
use super::session::{Action, Before, Event, Session};
use super::{Board, watch};
use crate::aside::leave_behind;
use crate::clock::Clock;
use crate::store::weaken::Weakened;
use crate::store::{Burst, Heard, Pen};

/// How long bytes that wait in the kernel may take to be seen.
const KERNEL_LOOK: Duration = Duration::from_millis(3);

/// Bytes that are read at most when a station stops and nobody keeps its device open.
const LAST_BYTES_MAX: usize = 64 * 1024;

/// How long a stop waits for a device that is just being opened.
const OPENS_WITHIN: Duration = Duration::from_millis(500);

/// How long a stop waits for the disk and the line, so that what is stored is also acknowledged.
const LAST_WORDS: Duration = Duration::from_secs(2);

/// What every station needs.
#[derive(Clone, Debug)]
pub struct Shell {
    /// Time.
    pub clock: Clock,
    /// The way to the writer.
    pub pen: Pen,
    /// Where the station says how it is doing.
    pub board: Board,
    /// The store, to look up what is known.
    pub store: Arc<std::path::Path>,
    /// The program stops.
    pub stop: CancellationToken,
    /// Unique over all runs of the program, and over all starts of a station within one.
    pub run: Arc<str>,
    /// Where tasks run, for threads.
    pub runtime: tokio::runtime::Handle,
    /// Devices that an earlier run left open.
    pub kept: Kept,
    /// Where stations are asked.
    pub bells: Bells,
    /// The whole program stops, not only this station.
    pub end: CancellationToken,
}

/// Listens to a device until the program stops. `before` is what an earlier run knew of it.
pub async fn listen(station: Arc<Station>, stream: Stream, shell: Shell, before: Before) {
    let (frames, waiting) = mpsc::channel(FRAMES_WAITING);
    let (tell, stored) = mpsc::unbounded_channel();
    let recorder = tokio::spawn(record(Arc::clone(&station), waiting, shell.clone(), tell));
    let renews = matches!(stream, Stream::Tcp(_));
    let session = Session::new(&station.instrument, shell.clock.tick(), &before, renews);
    let rung = shell.bells.hang(&station.name);
    let mut line = Line {
        station,
        stream,
        shell,
        session,
        way: Way::default(),
        opening: None,
        device: None,
        errors: None,
        out: Vec::new(),
        frames,
        number: 0,
        stored,
        rung,
        asker: None,
        hint: None,
    };
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
    /// What counts errors of the open device's line.
    errors: Option<Errors>,
    /// What is still to be sent.
    out: Vec<u8>,
    frames: mpsc::Sender<Burst>,
    number: u64,
    /// Up to which frame everything is on the disk.
    stored: mpsc::UnboundedReceiver<u64>,
    /// People who ask.
    rung: mpsc::Receiver<Asker>,
    /// Who waits for an answer.
    asker: Option<Asker>,
    hint: Option<watch::Hint>,
}

enum Woken {
    Opened(Opened),
    Read(std::io::Result<usize>),
    Wrote(std::io::Result<usize>),
    Stored(u64),
    Rung(Asker),
    Deadline,
    Hint,
    Stop,
}

impl Line {
    async fn run(&mut self) {
        self.shell.board.change(&self.station.name, |status| status.state = "starting".into());
        let mut buffer = vec![0; 4096];
        loop {
            let woken = self.wait(&mut buffer).await;
            let now = self.shell.clock.tick();
            let actions = match woken {
                Woken::Opened(Opened::Done(outcome)) => self.opened(outcome),
                Woken::Opened(Opened::Slowly) => {
                    self.deaf(slow(&self.stream).0);
                    continue;
                }
                Woken::Read(Ok(0)) => self.session.step(now, Event::HungUp("the device hung up".into())),
                Woken::Read(Ok(count)) => self.heard(&buffer[..count]),
                Woken::Read(Err(error)) if error.kind() == ErrorKind::Interrupted => continue,
                Woken::Read(Err(error)) => self.session.step(now, Event::HungUp(error.to_string())),
                Woken::Wrote(Ok(count)) => {
                    self.out.drain(..count.min(self.out.len()));
                    continue;
                }
                Woken::Wrote(Err(error)) if error.kind() == ErrorKind::Interrupted => continue,
                Woken::Wrote(Err(error)) => self.session.step(now, Event::HungUp(error.to_string())),
                Woken::Stored(number) => self.session.step(now, Event::Stored(number)),
                Woken::Rung(asker) => self.ask(asker),
                Woken::Deadline => self.session.step(now, Event::Passed),
                Woken::Hint => self.session.step(now, Event::Hint),
                Woken::Stop => {
                    self.end_opening().await;
                    self.read_the_rest(&mut buffer).await;
                    let _ = timeout(LAST_WORDS, self.last_words()).await;
                    let actions = self.session.step(now, Event::Stop);
                    if self.opening.as_ref().is_some_and(Opening::is_slow) {
                        leave_behind(&format!("station {} ({})", self.station.name, slow(&self.stream).1));
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
        let exchanged = async {
            match self.device.as_mut() {
                Some(device) => device.exchange(buffer, &self.out).await,
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
            opened = opened => return Woken::Opened(opened),
            number = next(&mut self.stored) => return Woken::Stored(number),
            done = exchanged => return match done {
                Exchanged::Read(result) => Woken::Read(result),
                Exchanged::Wrote(result) => Woken::Wrote(result),
            },
            Some(asker) = self.rung.recv() => return Woken::Rung(asker),
            () = hint => return Woken::Hint,
            () = timer => {}
        }
        self.look_again(buffer).await
    }

    /// A deadline says that the line was silent. Where this task itself was held up (the disk was full), bytes may
    /// have waited all the while: they come first.
    async fn look_again(&mut self, buffer: &mut [u8]) -> Woken {
        let Some(device) = self.device.as_mut() else { return Woken::Deadline };
        match timeout(KERNEL_LOOK, device.read(buffer)).await {
            Ok(result) => Woken::Read(result),
            Err(_) => Woken::Deadline,
        }
    }

    /// A device that is just being opened may have been read already: what it said is taken before it is closed again.
    async fn end_opening(&mut self) {
        let Some(opening) = self.opening.as_mut().filter(|opening| !opening.is_slow()) else { return };
        if let Ok(Opened::Done(outcome)) = timeout(OPENS_WITHIN, opening.done()).await {
            let actions = self.opened(outcome);
            self.perform(actions).await;
        }
    }

    /// What waits in the kernel is lost when the device is closed; where the service manager keeps it open, it waits
    /// there for the next run, whole.
    async fn read_the_rest(&mut self, buffer: &mut [u8]) {
        let Some(device) = &self.device else { return };
        if kept::outlives() && self.shell.end.is_cancelled() && device.descriptor().is_some() {
            return;
        }
        device.quiet();
        let mut bytes = 0;
        while let Some(device) = self.device.as_mut()
            && let Ok(Ok(count @ 1..)) = timeout(device.last_look(), device.read(buffer)).await
            && bytes < LAST_BYTES_MAX
        {
            bytes += count;
            let actions = self.heard(&buffer[..count]);
            self.perform(actions).await;
        }
    }

    /// What is stored is acknowledged before the device is closed; an instrument that hears nothing sends again.
    async fn last_words(&mut self) {
        if self.device.is_none() || self.station.instrument.definition().dialogue.is_none() {
            return;
        }
        while !self.session.is_all_stored() {
            let Some(number) = self.stored.recv().await else { return };
            let actions = self.session.step(self.shell.clock.tick(), Event::Stored(number));
            self.perform(actions).await;
        }
        while let (false, Some(device)) = (self.out.is_empty(), self.device.as_mut()) {
            let wrote = std::future::poll_fn(|context| device.poll_write(context, &self.out)).await;
            let Ok(count @ 1..) = wrote else { return };
            self.out.drain(..count.min(self.out.len()));
        }
    }

    fn ask(&mut self, asker: Asker) -> Vec<Action> {
        if self.asker.as_ref().is_some_and(|waiting| !waiting.is_closed()) {
            let _ = asker.send(Err("it is being asked already".into()));
            return Vec::new();
        }
        self.asker = Some(asker);
        self.session.step(self.shell.clock.tick(), Event::Ask)
    }

    fn opened(&mut self, outcome: Result<Device, String>) -> Vec<Action> {
        self.opening = None;
        let event = match outcome {
            Ok(device) => {
                kept::keep(&self.station, &self.stream, &device);
                self.begin_counting(&device);
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
                    self.opening = None;
                    if let Some(device) = self.device.take() {
                        device.close().await;
                    }
                    Weakened::port_closed();
                    self.out.clear();
                }
                Action::Record(frame, decoded) => {
                    self.number += 1;
                    let burst = Burst {
                        origin: format!("{} {} {}", self.shell.run, self.station.name, self.number),
                        station: Arc::clone(&self.station),
                        source: self.stream.origin(),
                        received: self.shell.clock.stamp(),
                        heard: Heard { number: 1, frame: *frame, decoded: *decoded },
                    };
                    let _ = self.frames.send(burst).await;
                }
                Action::Send(bytes) => self.out.extend(bytes),
                Action::Lines { dtr, rts } => self.set_lines(dtr, rts),
                Action::Reply(how) => {
                    if let Some(asker) = self.asker.take() {
                        let _ = asker.send(how);
                    }
                }
                Action::Deaf(cause) => self.deaf(cause),
                Action::StillDeaf(cause) => self.still_deaf(cause),
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
        self.opening = Some(Opening::begin(open));
    }
}

async fn next(stored: &mut mpsc::UnboundedReceiver<u64>) -> u64 {
    match stored.recv().await {
        Some(number) => number,
        None => std::future::pending().await,
    }
}
