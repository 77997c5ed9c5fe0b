//! Instruments and scanners that type: an input device, taken so that nobody else gets its keys.
//!
//! Without that, digits would land in whatever has the console: a login prompt, a mask of another program. Where the
//! device can't be taken, nothing is read from it. What it yields are strokes (`ridgepost_parsers::KeyEvents`), which the
//! station's instrument reads by its layout.

use std::io::{self, ErrorKind};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::task::{Context, Poll, ready};

use ridgepost_config::Keyboard;
use ridgepost_parsers::{EventForm, KeyEvents};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use super::holders::holders;
use super::kernel;

/// A device that types and is ours alone.
#[derive(Debug)]
pub struct Keys {
    device: AsyncFd<OwnedFd>,
    events: KeyEvents,
    /// Strokes that nobody has read yet.
    strokes: Vec<u8>,
}

/// Opens the device for reading and takes it. A driver may hold whoever opens its device, so that is done beside the
/// ports.
pub(super) async fn open(keyboard: &Keyboard) -> Result<Keys, String> {
    let keyboard = keyboard.clone();
    let opening = tokio::task::spawn_blocking(move || taken(&keyboard));
    let device = opening.await.unwrap_or_else(|error| Err(error.to_string()))?;
    let mut events = KeyEvents::new(EventForm::OWN);
    // At once: asking later throws away what came in between.
    ask_state(&mut events, device.as_fd()).map_err(|error| error.to_string())?;
    Keys::of(device, events).map_err(|error| error.to_string())
}

fn taken(keyboard: &Keyboard) -> Result<OwnedFd, String> {
    let path = keyboard.path.display();
    let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::CLOEXEC | OFlags::NOCTTY;
    let device = rustix::fs::open(&keyboard.path, flags, Mode::empty()).map_err(|error| match error {
        Errno::NOENT => format!("{path} is not there: is the cable in and the device on?"),
        Errno::ACCESS | Errno::PERM => {
            format!("{path} may not be opened by this user: `ridgepost ports` shows the cure")
        }
        error => format!("{path}: {error}"),
    })?;
    kernel::input_version(device.as_fd()).map_err(|error| format!("{path} is no input device ({error})"))?;
    kernel::grab(device.as_fd()).map_err(|error| {
        let who = match holders(&keyboard.path) {
            holders if holders.is_empty() => "another program has taken it for itself".to_owned(),
            holders => format!("one of these has taken it for itself: {}", holders.join(", ")),
        };
        format!("{path} can't be taken, so nothing is read from it: {who}; end that program ({error})")
    })?;
    Ok(device)
}

/// Takes over a device that is open already. It was taken when it was opened, and stays so as long as anybody holds it
/// open.
pub(super) fn adopt(kept: OwnedFd) -> io::Result<Keys> {
    match kernel::grab(kept.as_fd()) {
        Err(error) if error.raw_os_error() != Some(Errno::BUSY.raw_os_error()) => return Err(error),
        _ => {}
    }
    let flags = rustix::fs::fcntl_getfl(&kept)?;
    rustix::fs::fcntl_setfl(&kept, flags | OFlags::NONBLOCK)?;
    let mut events = KeyEvents::new(EventForm::OWN);
    // Which keys are down can't be asked for: the kernel would throw away what was typed meanwhile.
    events.set_state(&[], kernel::caps_lamp(kept.as_fd())?);
    Keys::of(kept, events)
}

/// Asks for the keys that are down. The kernel throws away what waits to be read then.
fn ask_state(events: &mut KeyEvents, device: BorrowedFd<'_>) -> io::Result<()> {
    events.set_state(&kernel::keys_down(device)?, kernel::caps_lamp(device)?);
    Ok(())
}

impl Keys {
    fn of(device: OwnedFd, events: KeyEvents) -> io::Result<Keys> {
        #[expect(unsafe_code, reason = "the runtime asks for a promise about the descriptor")]
        // SAFETY: an `OwnedFd` shows the same open descriptor until it is dropped.
        let device = unsafe { AsyncFd::register_with_interest(device, Interest::READABLE) };
        Ok(Keys { device: device.map_err(io::Error::from)?, events, strokes: Vec::new() })
    }

    /// What the service manager may keep open.
    pub(super) fn as_fd(&self) -> BorrowedFd<'_> {
        self.device.get_ref().as_fd()
    }

    /// Reads strokes; 0 bytes mean that the device is gone.
    pub(super) fn poll_read(&mut self, context: &mut Context<'_>, buffer: &mut [u8]) -> Poll<io::Result<usize>> {
        while self.strokes.is_empty() {
            let mut ready = ready!(self.device.poll_read_ready(context))?;
            // One event at a time, so that the state of the keys is asked for before the next one is looked at.
            let mut event = [0; EventForm::OWN.bytes()];
            let read = ready.try_io(|device| Ok(rustix::io::read(device.get_ref(), &mut event)?));
            match read {
                Err(_) => continue,
                Ok(Err(error)) if error.kind() == ErrorKind::Interrupted => continue,
                Ok(Ok(count @ 1..)) => self.events.push(&event[..count], &mut self.strokes),
                Ok(ended) => return Poll::Ready(ended),
            }
            if self.events.wants_state() {
                ask_state(&mut self.events, self.device.get_ref().as_fd())?;
            }
        }
        let count = self.strokes.len().min(buffer.len());
        buffer[..count].copy_from_slice(&self.strokes[..count]);
        self.strokes.drain(..count);
        Poll::Ready(Ok(count))
    }
}
