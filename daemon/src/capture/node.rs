//! Character devices that are no terminal. The kernel's driver for USB test and measurement devices (USBTMC) makes
//! one: it is asked, and read up to the end of its answer. Any other is read whenever it has something to say.

use std::fs::File;
use std::io::{self, ErrorKind, Read, Write};
use std::os::fd::AsFd;
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::sync::atomic::{AtomicBool, Ordering};

use ridgepost_config::{CharDevice, ReadAfter};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{FlockOperation, OFlags, flock};
use rustix::ioctl::{Getter, Opcode, Setter, ioctl, opcode};

use super::holders::holders;
use super::pump::{LOOK, Pipe, Pump};

/// Bytes of an answer that are asked for at once; a longer one takes more than one turn.
const ANSWER: usize = 65_536;

// What the driver is told, by linux/usb/tmc.h.
const SET_TIMEOUT: Opcode = opcode::write::<u32>(91, 10);
const API_VERSION: Opcode = opcode::read::<u32>(91, 16);
const MSG_IN_ATTR: Opcode = opcode::read::<u8>(91, 24);
const AUTO_ABORT: Opcode = opcode::write::<u8>(91, 25);

/// Opens the device and begins to read it.
pub(super) async fn open(device: &CharDevice) -> Result<Pump, String> {
    let device = device.clone();
    let opening = tokio::task::spawn_blocking(move || {
        let node = opened(&device).map_err(|error| why_refused(&device, &error))?;
        Pump::begin(node).map_err(|error| error.to_string())
    });
    opening.await.unwrap_or_else(|error| Err(error.to_string()))
}

struct Node {
    file: File,
    /// Of a USBTMC device: after which messages it is read.
    turns: Option<ReadAfter>,
    /// The answer is over.
    answered: AtomicBool,
}

fn opened(device: &CharDevice) -> io::Result<Node> {
    if !std::fs::metadata(&device.path)?.file_type().is_char_device() {
        return Err(io::Error::other("it is no character device"));
    }
    let flags = i32::try_from((OFlags::NOCTTY | OFlags::NONBLOCK).bits()).unwrap_or(0);
    let file = File::options().read(true).write(true).custom_flags(flags).open(&device.path)?;
    // The kernel lets several programs have one; at least no second daemon gets it.
    flock(&file, FlockOperation::NonBlockingLockExclusive)?;
    let is_test_and_measurement = tell(&file, device.timeout_ms);
    if is_test_and_measurement {
        rustix::fs::fcntl_setfl(&file, OFlags::empty())?;
    }
    Ok(Node { file, turns: is_test_and_measurement.then_some(device.read_after), answered: AtomicBool::new(true) })
}

/// Whether the driver is that of USBTMC. It is told how long an answer may take, and to call an answer off that did not
/// come, so that it is not taken for the answer to the next question.
#[expect(unsafe_code, reason = "the driver's settings have no other way")]
fn tell(file: &File, timeout_ms: u32) -> bool {
    // SAFETY: number and type of each request are those of linux/usb/tmc.h; any other driver refuses them (ENOTTY).
    unsafe {
        if ioctl(file, Getter::<API_VERSION, u32>::new()).is_err() {
            return false;
        }
        let _ = ioctl(file, Setter::<SET_TIMEOUT, u32>::new(timeout_ms));
        let _ = ioctl(file, Setter::<AUTO_ABORT, u8>::new(1));
    }
    true
}

/// Whether what was read last was the end of a message (EOM, bit 0 of bmTransferAttributes); `None` where the driver is
/// too old to say.
#[expect(unsafe_code, reason = "the driver has no other way to say it")]
fn is_end_of_message(file: &File) -> Option<bool> {
    // SAFETY: as above.
    let attributes = unsafe { ioctl(file, Getter::<MSG_IN_ATTR, u8>::new()) };
    attributes.ok().map(|attributes| attributes & 1 != 0)
}

impl Pipe for Node {
    fn unit(&self) -> usize {
        ANSWER
    }

    fn read(&self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.turns.is_none() {
            return self.read_when_ready(buffer);
        }
        if self.answered.load(Ordering::Relaxed) {
            return Ok(0);
        }
        let read = match (&self.file).read(buffer) {
            // It had nothing to say; whoever asked finds that out.
            Err(error) if error.kind() == ErrorKind::TimedOut => 0,
            read => read?,
        };
        let is_end = is_end_of_message(&self.file).unwrap_or(read < buffer.len());
        self.answered.store(read == 0 || is_end, Ordering::Relaxed);
        Ok(read)
    }

    fn write(&self, bytes: &[u8]) -> io::Result<usize> {
        if self.turns.is_none() && !self.is_ready(PollFlags::OUT)? {
            return Err(ErrorKind::TimedOut.into());
        }
        self.answered.store(false, Ordering::Relaxed);
        (&self.file).write(bytes)
    }

    fn in_turns(&self) -> bool {
        self.turns.is_some()
    }

    fn asks(&self, bytes: &[u8]) -> bool {
        self.turns != Some(ReadAfter::Query) || bytes.contains(&b'?')
    }
}

impl Node {
    fn read_when_ready(&self, buffer: &mut [u8]) -> io::Result<usize> {
        if !self.is_ready(PollFlags::IN)? {
            return Ok(0);
        }
        match (&self.file).read(buffer) {
            Ok(0) => Err(io::Error::new(ErrorKind::NotConnected, "the device hung up")),
            Err(error) if error.kind() == ErrorKind::WouldBlock => Ok(0),
            read => read,
        }
    }

    /// Whether the device can be read or written, or is gone, which reading then tells.
    fn is_ready(&self, wanted: PollFlags) -> io::Result<bool> {
        let wait = Timespec { tv_sec: 0, tv_nsec: i64::from(LOOK.subsec_nanos()) };
        let mut polled = [PollFd::from_borrowed_fd(self.file.as_fd(), wanted)];
        Ok(poll(&mut polled, Some(&wait))? > 0)
    }
}

fn why_refused(device: &CharDevice, error: &io::Error) -> String {
    let path = device.path.display();
    match error.kind() {
        ErrorKind::NotFound => format!("{path} is not there: is the cable in and the instrument on?"),
        ErrorKind::PermissionDenied => {
            format!("{path} may not be opened by this user: `ridgepost ports` shows the cure")
        }
        _ => match holders(&device.path) {
            holders if holders.is_empty() => format!("{path}: {error}"),
            holders => format!("{path} is held by {}: end it ({error})", holders.join(", ")),
        },
    }
}
