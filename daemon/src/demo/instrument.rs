//! Virtual instruments: pseudo-terminals that talk like the shipped definitions, with a cable to pull.

use std::io::Write;
use std::os::fd::OwnedFd;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

/// Between two bytes, about as at 9600 bit/s.
const PER_BYTE: Duration = Duration::from_micros(1_000);

/// An instrument on a cable. While the cable is out, nobody hears it.
pub(super) struct Instrument {
    link: PathBuf,
    cable: Option<Cable>,
}

/// Both ends are kept open: a pseudo-terminal forgets what was not read when its last user closes it.
struct Cable {
    ours: std::fs::File,
    _theirs: OwnedFd,
}

impl Instrument {
    /// An instrument whose device always appears under `link`, plugged in.
    pub(super) fn plugged_in(link: &Path) -> std::io::Result<Self> {
        let mut instrument = Instrument { link: link.to_owned(), cable: None };
        instrument.plug_in()?;
        Ok(instrument)
    }

    /// Puts the cable in: a new device appears under the same name.
    pub(super) fn plug_in(&mut self) -> std::io::Result<()> {
        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&ours)?;
        unlockpt(&ours)?;
        let name = ptsname(&ours, Vec::new())?.into_string().map_err(std::io::Error::other)?;
        let flags = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY | rustix::fs::OFlags::CLOEXEC;
        let theirs = rustix::fs::open(&name, flags, rustix::fs::Mode::empty())?;
        let mut settings = tcgetattr(&theirs)?;
        settings.make_raw();
        tcsetattr(&theirs, OptionalActions::Now, &settings)?;
        symlink(&name, &self.link)?;
        self.cable = Some(Cable { ours: ours.into(), _theirs: theirs });
        Ok(())
    }

    /// Pulls the cable out.
    pub(super) fn pull_out(&mut self) -> std::io::Result<()> {
        self.cable = None;
        std::fs::remove_file(&self.link)
    }

    /// Sends bytes at the speed of a slow line.
    pub(super) fn send(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        let Some(cable) = &mut self.cable else { return Ok(()) };
        for byte in bytes {
            cable.ours.write_all(std::slice::from_ref(byte))?;
            std::thread::sleep(PER_BYTE);
        }
        Ok(())
    }
}

/// One measurement of the stylus tester.
#[derive(Clone, Debug)]
pub(super) struct Record {
    /// Record number.
    pub(super) number: u32,
    /// Instrument's time, `YYYY-MM-DD hh:mm:ss`.
    pub(super) time: String,
    /// Part that somebody entered.
    pub(super) part: String,
    /// Cutoff set on the tester, in mm.
    pub(super) cutoff_mm: &'static str,
    /// Ra in µm.
    pub(super) ra: String,
    /// Rz in µm.
    pub(super) rz: String,
}

impl Record {
    /// The bytes, as the definition `report-block` describes them.
    pub(super) fn bytes(&self) -> Vec<u8> {
        let payload = format!(
            "record {:04}  {}\r\nprogram 3  part {}\r\ncutoff {} mm  sections 5  filter gaussian\r\n{}\r\n\
             Ra       {} um\r\nRz       {} um\r\n\u{3}",
            self.number,
            self.time,
            self.part,
            self.cutoff_mm,
            "-".repeat(32),
            self.ra,
            self.rz
        );
        let check = payload.bytes().fold(0, |check, byte| check ^ byte);
        format!("\u{2}{payload}{check:02X}\r\n").into_bytes()
    }
}
