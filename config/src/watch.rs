//! How the daemon is watched: what it tells of itself without being asked, and from when on it warns.

use std::net::SocketAddr;
use std::path::PathBuf;

use jiff::civil::Time;

/// What the daemon tells of itself, and from when on it warns.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Watch {
    /// Where metrics are to be had; nowhere where not written.
    pub metrics: Option<Metrics>,
    /// A file that shows that the daemon is alive; none where not written.
    pub heartbeat: Option<Heartbeat>,
    /// A summary of each day; none where not written.
    pub digest: Option<Digest>,
    /// Rejected frames of a port that are kept per local day; further ones are counted.
    pub rejects_per_day: u64,
    /// Less free room than this on the store's disk is told, in MiB; 0 never tells.
    pub free_mib_warn: u64,
    /// How often it is reminded of parts that do not conform until somebody disposes of them, in minutes; never where not written.
    pub remind_minutes: Option<u32>,
}

impl Watch {
    /// Rejects kept per day where not written: one every 4.3 s around the clock.
    pub const REJECTS_PER_DAY: u64 = 20_000;
    /// Free room where not written, in MiB.
    pub const FREE_MIB_WARN: u64 = 1024;
    /// Seconds between two signs of life where not written.
    pub const HEARTBEAT_EVERY_S: u32 = 30;
    /// When a day's digest is written where not written: after the night shift.
    pub const DIGEST_AT: Time = Time::constant(6, 0, 0, 0);
}

impl Default for Watch {
    fn default() -> Self {
        Watch {
            metrics: None,
            heartbeat: None,
            digest: None,
            rejects_per_day: Watch::REJECTS_PER_DAY,
            free_mib_warn: Watch::FREE_MIB_WARN,
            remind_minutes: None,
        }
    }
}

/// Where metrics are to be had.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Metrics {
    /// In this file (absolute), written anew every few seconds.
    File(PathBuf),
    /// At this address of the loopback interface.
    Listen(SocketAddr),
}

/// A file that shows that the daemon is alive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heartbeat {
    /// The file (absolute).
    pub file: PathBuf,
    /// Seconds between two signs of life.
    pub every_s: u32,
}

/// A summary of each local day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Digest {
    /// The folder (absolute).
    pub folder: PathBuf,
    /// When, on the day after, in the cell's zone.
    pub at: Time,
}
