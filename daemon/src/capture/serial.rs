//! The shell of a port station: opens the device, reads it, and does what its [`Session`] says.
//!
//! Reading never waits for the disk up to a bound: closed frames go through a short queue to a recorder task,
//! which hands the writer all that waits at once. Nothing that waits in the device is flushed at opening.

use std::io::ErrorKind;
use std::sync::Arc;
use std::time::Duration;

use ridgepost_config::{Flow, Parity, Port, Station};
use tokio::io::AsyncReadExt;
use tokio::sync::mpsc;
use tokio_serial::{SerialPort, SerialPortBuilderExt, SerialStream};
use tokio_util::sync::CancellationToken;

use super::holders::holders;
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

/// Listens to a port until the program stops. `cut` is what an earlier run heard last, if that was cut short.
pub async fn listen(station: Arc<Station>, port: Port, shell: Shell, cut: Option<Vec<u8>>) {
    let (frames, waiting) = mpsc::channel(FRAMES_WAITING);
    let recorder = tokio::spawn(record(Arc::clone(&station), waiting, shell.clone()));
    let session = Session::new(&station.instrument, shell.clock.tick(), cut.as_deref());
    let mut line = Line { station, port, shell, session, stream: None, frames, number: 0, hint: None };
    line.run().await;
    drop(line);
    let _ = recorder.await;
}

struct Line {
    station: Arc<Station>,
    port: Port,
    shell: Shell,
    session: Session,
    stream: Option<SerialStream>,
    frames: mpsc::Sender<Burst>,
    number: u64,
    hint: Option<watch::Hint>,
}

enum Woken {
    Read(std::io::Result<usize>),
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
                Woken::Read(Ok(0)) => self.session.step(now, Event::HungUp("the device hung up".into())),
                Woken::Read(Ok(count)) => self.session.step(now, Event::Bytes(&buffer[..count])),
                Woken::Read(Err(error)) if error.kind() == ErrorKind::Interrupted => continue,
                Woken::Read(Err(error)) => self.session.step(now, Event::HungUp(error.to_string())),
                Woken::Deadline => self.session.step(now, Event::Passed),
                Woken::Hint => self.session.step(now, Event::Hint),
                Woken::Stop => {
                    let actions = self.session.step(now, Event::Stop);
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
        let read = async {
            match self.stream.as_mut() {
                Some(stream) => stream.read(buffer).await,
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
            result = read => return Woken::Read(result),
            () = hint => return Woken::Hint,
            () = timer => {}
        }
        self.look_again(buffer).await
    }

    /// A deadline says that the line was silent. Where this task itself was held up (the disk was full), bytes may
    /// have waited all the while: they come first.
    async fn look_again(&mut self, buffer: &mut [u8]) -> Woken {
        let Some(stream) = self.stream.as_mut() else { return Woken::Deadline };
        match tokio::time::timeout(LAST_LOOK, stream.read(buffer)).await {
            Ok(result) => Woken::Read(result),
            Err(_) => Woken::Deadline,
        }
    }

    async fn perform(&mut self, actions: Vec<Action>) {
        for action in actions {
            match action {
                Action::Open => {
                    let Some(opened) = self.open().await else { continue };
                    let event = match opened {
                        Ok(stream) => {
                            kept::keep(&self.station, &self.port, &stream);
                            self.stream = Some(stream);
                            Event::Opened
                        }
                        Err(why) => Event::Refused(why),
                    };
                    let next = self.session.step(self.shell.clock.tick(), event);
                    Box::pin(self.perform(next)).await;
                }
                Action::Close => {
                    if !self.shell.end.is_cancelled() {
                        kept::forget(&self.station, &self.port);
                    }
                    self.stream = None;
                    Weakened::port_closed();
                }
                Action::Record(frame, decoded) => {
                    self.number += 1;
                    let burst = Burst {
                        origin: format!("{} {} {}", self.shell.run, self.station.name, self.number),
                        station: Arc::clone(&self.station),
                        source: self.port.path.display().to_string(),
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

    /// The device that an earlier run left open, else the device opened anew; `None` where the program stops meanwhile.
    ///
    /// A driver may hold whoever opens its device for as long as it likes, so that is done beside the ports. A device
    /// that does not open for long is told like one that can't be opened, and waited for: no second try beside it.
    async fn open(&mut self) -> Option<Result<SerialStream, String>> {
        let (kept, station, port) = (self.shell.kept.clone(), Arc::clone(&self.station), self.port.clone());
        let mut opening = tokio::task::spawn_blocking(move || {
            open_or_take(&kept, &station, &port).map_err(|error| why_refused(&port, &error))
        });
        let mut slow = false;
        loop {
            tokio::select! {
                opened = &mut opening => {
                    return Some(opened.unwrap_or_else(|error| Err(error.to_string())));
                }
                () = tokio::time::sleep(OPENS_WITHIN), if !slow => {
                    slow = true;
                    self.deaf(format!("its driver has not opened it for {} s: pull the plug", OPENS_WITHIN.as_secs()));
                }
                () = self.shell.stop.cancelled() => {
                    if slow {
                        leave_behind(&format!("station {} (its driver does not open the port)", self.station.name));
                    }
                    return None;
                }
            }
        }
    }

    fn deaf(&mut self, cause: String) {
        self.hint = watch::Hint::on(&self.port.path);
        let station = self.station.name.clone();
        tracing::warn!(
            code = "deaf",
            station,
            "{} can't be listened to: {cause}; it is tried again until it can",
            self.port.path.display()
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
            self.port.path.display(),
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

/// The device that an earlier run left open, else the device opened anew.
fn open_or_take(kept: &Kept, station: &Station, port: &Port) -> Result<SerialStream, tokio_serial::Error> {
    let Some(mut stream) = kept.take(station, port) else { return open(port) };
    set(&mut stream, port)?;
    tracing::info!(code = "taken-over", station = station.name, "goes on with the device an earlier run left open");
    Ok(stream)
}

/// Opens the device: exclusively (TIOCEXCL and flock, both by `serialport`), with every line setting, without
/// flushing what waits.
fn open(port: &Port) -> Result<SerialStream, tokio_serial::Error> {
    let mut builder = tokio_serial::new(port.path.to_string_lossy(), port.baud)
        .data_bits(data_bits(port))
        .parity(parity(port))
        .stop_bits(stop_bits(port))
        .flow_control(flow(port));
    if let Some(level) = port.dtr {
        builder = builder.dtr_on_open(level);
    }
    let mut stream = builder.open_native_async()?;
    if let Some(level) = port.rts {
        stream.write_request_to_send(level)?;
    }
    Ok(stream)
}

/// Gives a device that was open already the line settings of today.
fn set(stream: &mut SerialStream, port: &Port) -> Result<(), tokio_serial::Error> {
    stream.set_baud_rate(port.baud)?;
    stream.set_data_bits(data_bits(port))?;
    stream.set_parity(parity(port))?;
    stream.set_stop_bits(stop_bits(port))?;
    stream.set_flow_control(flow(port))
}

fn data_bits(port: &Port) -> tokio_serial::DataBits {
    match port.data_bits {
        5 => tokio_serial::DataBits::Five,
        6 => tokio_serial::DataBits::Six,
        7 => tokio_serial::DataBits::Seven,
        _ => tokio_serial::DataBits::Eight,
    }
}

fn parity(port: &Port) -> tokio_serial::Parity {
    match port.parity {
        Parity::None => tokio_serial::Parity::None,
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
    }
}

fn stop_bits(port: &Port) -> tokio_serial::StopBits {
    if port.stop_bits == 2 { tokio_serial::StopBits::Two } else { tokio_serial::StopBits::One }
}

fn flow(port: &Port) -> tokio_serial::FlowControl {
    match port.flow {
        Flow::None => tokio_serial::FlowControl::None,
        Flow::Software => tokio_serial::FlowControl::Software,
        Flow::Hardware => tokio_serial::FlowControl::Hardware,
    }
}

/// Why a device could not be opened, with what a person can do about it.
fn why_refused(port: &Port, error: &tokio_serial::Error) -> String {
    let path = port.path.display();
    if !port.path.exists() {
        return format!("{path} is not there: is the cable in and the instrument on?");
    }
    match error.kind() {
        tokio_serial::ErrorKind::Io(ErrorKind::PermissionDenied) => {
            format!("{path} may not be opened by this user: `ridgepost ports` shows the cure")
        }
        _ => match holders(&port.path) {
            holders if holders.is_empty() => format!("{path}: {error}"),
            holders => format!("{path} is held by {}: end it ({error})", holders.join(", ")),
        },
    }
}
