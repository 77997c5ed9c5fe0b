//! An instrument without hardware: a pseudo-terminal behind a stable link, as a device with a by-id name would be.
//!
//! What it does not show: parity, overruns, modem lines, the pace of a baud rate. Two things it does otherwise than a
//! real adapter: bytes sent while nobody has the device open wait in the kernel and are delivered later, and closing
//! the instrument's side destroys what was not read. The rig uses the first to know to the byte what a killed daemon
//! had taken, and keeps the instrument open for the second.

use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant};

use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

/// How long a write may wait for room before the test gives up.
const PATIENCE: Duration = Duration::from_secs(20);

/// One instrument's side of a line.
#[derive(Debug)]
pub struct Line {
    link: PathBuf,
    plugged: Option<Plug>,
    written: u64,
}

#[derive(Debug)]
struct Plug {
    master: fs::File,
    /// Held open: without it nobody but root could lift the exclusive use that a killed daemon leaves behind, which
    /// with a real device ends when the last one closes it.
    host_side: OwnedFd,
    device: PathBuf,
}

impl Line {
    /// A plugged-in instrument whose device is found under `link`.
    pub fn plugged_in(link: &Path) -> Line {
        let mut line = Line { link: link.to_owned(), plugged: None, written: 0 };
        line.replug();
        line
    }

    /// The stable name.
    pub fn link(&self) -> &Path {
        &self.link
    }

    /// The device node behind the stable name, while plugged in.
    pub fn device(&self) -> Option<&Path> {
        self.plugged.as_ref().map(|plug| plug.device.as_path())
    }

    /// Bytes sent since it was created.
    pub fn written(&self) -> u64 {
        self.written
    }

    /// Sends all of `bytes`; waits where the kernel has no room, because nobody reads.
    pub fn send(&mut self, bytes: &[u8]) {
        let until = Instant::now() + PATIENCE;
        let mut rest = bytes;
        while !rest.is_empty() {
            rest = &rest[self.send_some(rest)..];
            if !rest.is_empty() {
                assert!(Instant::now() < until, "{}: nobody reads", self.link.display());
                sleep(Duration::from_millis(2));
            }
        }
    }

    /// Sends as much of `bytes` as the kernel takes now, and says how much that was.
    pub fn send_some(&mut self, bytes: &[u8]) -> usize {
        let plug = self.plugged.as_mut().expect("an instrument that is plugged in");
        let sent = match plug.master.write(bytes) {
            Ok(sent) => sent,
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => 0,
            Err(error) => panic!("{}: {error}", self.link.display()),
        };
        self.written += sent as u64;
        sent
    }

    /// Sends pieces with a pause in milliseconds before each.
    pub fn send_pieces<'a>(&mut self, pieces: impl IntoIterator<Item = (u64, &'a [u8])>) {
        for (pause_ms, piece) in pieces {
            sleep(Duration::from_millis(pause_ms));
            self.send(piece);
        }
    }

    /// What the host has sent to the instrument so far.
    pub fn received(&mut self) -> Vec<u8> {
        let plug = self.plugged.as_mut().expect("an instrument that is plugged in");
        let mut bytes = Vec::new();
        let mut buffer = [0; 4096];
        while let Ok(count) = plug.master.read(&mut buffer) {
            if count == 0 {
                break;
            }
            bytes.extend_from_slice(&buffer[..count]);
        }
        bytes
    }

    /// Bytes that were sent and that no program has taken yet. Only sure while nobody reads and less than a
    /// terminal's input buffer (4096 bytes) waits.
    pub fn untaken(&self) -> u64 {
        let plug = self.plugged.as_ref().expect("an instrument that is plugged in");
        // The kernel moves bytes from the one end to the other by a worker of its own.
        let count = || rustix::io::ioctl_fionread(&plug.host_side).unwrap();
        let mut last = count();
        let mut same = 0;
        while same < 3 {
            sleep(Duration::from_millis(1));
            let now = count();
            same = if now == last { same + 1 } else { 0 };
            last = now;
        }
        last
    }

    /// What the kernel does with a real device when a killed program's hold on it ends.
    pub fn let_go(&self) {
        let plug = self.plugged.as_ref().expect("an instrument that is plugged in");
        rustix::termios::ioctl_tiocnxcl(&plug.host_side).unwrap();
    }

    /// Pulls the plug: the device and its link are gone, and so is what was not read.
    pub fn unplug(&mut self) {
        self.plugged = None;
        let _ = fs::remove_file(&self.link);
    }

    /// Plugs in again: most likely another device number behind the same stable name.
    pub fn replug(&mut self) {
        self.unplug();
        let plug = Plug::new();
        if let Some(folder) = self.link.parent() {
            fs::create_dir_all(folder).unwrap();
        }
        // The link appears at once and whole.
        let unfinished = self.link.with_extension("new");
        let _ = fs::remove_file(&unfinished);
        std::os::unix::fs::symlink(&plug.device, &unfinished).unwrap();
        fs::rename(&unfinished, &self.link).unwrap();
        self.plugged = Some(plug);
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.unplug();
    }
}

impl Plug {
    fn new() -> Plug {
        // Close-on-exec: a daemon must not inherit the instrument's side.
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master: OwnedFd = openpt(flags).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let device = PathBuf::from(ptsname(&master, Vec::new()).unwrap().into_string().unwrap());
        // Without this, bytes sent before the daemon has set the line would be echoed and translated.
        let host_side = open_device(&device);
        let mut settings = tcgetattr(&host_side).unwrap();
        settings.make_raw();
        tcsetattr(&host_side, OptionalActions::Now, &settings).unwrap();
        let flags = rustix::fs::fcntl_getfl(&master).unwrap();
        rustix::fs::fcntl_setfl(master.as_fd(), flags | OFlags::NONBLOCK).unwrap();
        Plug { master: fs::File::from(master), host_side, device }
    }
}

fn open_device(device: &Path) -> OwnedFd {
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    rustix::fs::open(device, flags, Mode::empty()).unwrap_or_else(|error| panic!("{}: {error}", device.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_some(device: &mut fs::File) -> Vec<u8> {
        let mut buffer = [0; 256];
        let count = device.read(&mut buffer).unwrap_or(0);
        buffer[..count].to_vec()
    }

    /// The crash rig's reckoning rests on this: what a closed reader had not taken is still there, to the byte.
    #[test]
    fn what_a_reader_left_behind_is_counted_and_delivered_later() {
        let folder = tempfile::tempdir().unwrap();
        let mut line = Line::plugged_in(&folder.path().join("by-id/gauge"));
        line.send(b"0123456789");
        assert_eq!(line.untaken(), 10);
        let mut first = fs::File::from(open_device(line.link()));
        let mut four = [0; 4];
        first.read_exact(&mut four).unwrap();
        drop(first);
        assert_eq!((&four, line.untaken(), line.written()), (b"0123", 6, 10));
        line.send(b"ab");
        assert_eq!(line.untaken(), 8);
        let mut second = fs::File::from(open_device(line.link()));
        assert_eq!(read_some(&mut second), b"456789ab");
    }

    #[test]
    fn the_name_stays_and_the_device_goes() {
        let folder = tempfile::tempdir().unwrap();
        let mut line = Line::plugged_in(&folder.path().join("gauge"));
        let mut reader = fs::File::from(open_device(line.link()));
        line.unplug();
        assert!(!line.link().exists());
        assert_eq!(reader.read(&mut [0; 8]).unwrap(), 0, "a reader is told that the line hung up");
        line.replug();
        assert!(line.link().exists());
        line.send(b"again");
        let mut reader = fs::File::from(open_device(line.link()));
        assert_eq!(read_some(&mut reader), b"again");
    }

    #[test]
    fn the_host_is_heard() {
        let folder = tempfile::tempdir().unwrap();
        let mut line = Line::plugged_in(&folder.path().join("gauge"));
        let mut host = fs::File::from(open_device(line.link()));
        host.write_all(b"M?\r").unwrap();
        sleep(Duration::from_millis(20));
        assert_eq!(line.received(), b"M?\r");
    }
}
