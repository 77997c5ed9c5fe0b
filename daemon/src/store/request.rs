//! What the writer is asked, and what it answers.

use std::sync::Arc;

use super::correct::Decision;
use super::gauge::GaugeCommand;
use super::growth::Grown;
use super::job::{JobCommand, JobFault};
use super::label::Typed;
use super::record::{Burst, Heard, Provenance, Tally};
use super::reread::Change;
use super::taken::Taken;
use crate::cell::Cell;
use crate::clock::Stamp;

/// A file of a folder station, before its first frame is written.
#[derive(Clone, Debug)]
pub struct FileBegin {
    /// Origin of its transmission.
    pub origin: String,
    /// Which station found it.
    pub station: Arc<ridgepost_config::Station>,
    /// Its name.
    pub name: String,
    /// What tells this file from another one under its name.
    pub fingerprint: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// When it was read.
    pub received: Stamp,
    /// Its bytes.
    pub raw: Arc<Vec<u8>>,
    /// When its readings were taken.
    pub taken: Taken,
    /// Its first frames.
    pub frames: Vec<Heard>,
    /// Whether these are all.
    pub last: bool,
}

/// What the store knows of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileState {
    /// Its frames up to and including `done` are written, by this request or by a run that was stopped.
    Begun {
        /// Key of the file.
        file: i64,
        /// Key of its transmission.
        transmission: i64,
        /// Number of the last frame written.
        done: u32,
    },
    /// This very file is recorded.
    Recorded {
        /// Key of the file.
        file: i64,
    },
    /// Another file with the same bytes is recorded.
    Repeat {
        /// Key of this file.
        file: i64,
        /// Transmission that holds the bytes.
        transmission: i64,
    },
}

/// What the writer is asked to do.
#[derive(Debug)]
pub enum What {
    /// Write transmissions of a port.
    Bursts(Vec<Burst>),
    /// What is known of a file; its bytes if it is new.
    FileBegin(Box<FileBegin>),
    /// Write frames of a file; with `last`, the file is recorded.
    FileFrames {
        /// Key of the file.
        file: i64,
        /// Where they came from.
        from: Provenance,
        /// Number of the last frame before these: without it they are refused, so that none is left out in between.
        after: u32,
        /// The frames.
        frames: Vec<Heard>,
        /// Whether these are the last ones.
        last: bool,
    },
    /// Write rows of a file that grows.
    Grown(Box<Grown>),
    /// These files were moved, or removed.
    FilesArchived(Vec<i64>),
    /// A person's word about the job.
    Job(JobCommand),
    /// What stored bytes say by today's definition.
    Reread(Vec<Change>),
    /// A label that a person types.
    Label(Typed),
    /// What a person decides about results.
    Decide(Decision),
    /// A person's word about a gauge.
    Gauge(GaugeCommand),
    /// A station can't listen.
    Deaf {
        /// Which.
        station: String,
        /// Why.
        cause: String,
        /// Since when.
        since: Stamp,
    },
    /// A station listens (again).
    Listening(String),
    /// Something happened that people may ask about later.
    Event {
        /// Which station, if one.
        station: Option<String>,
        /// Code of a small list.
        code: &'static str,
        /// In words.
        text: String,
        /// Transmission it is about.
        transmission: Option<i64>,
    },
    /// Parcels in place: key and SHA-256 of the file.
    Delivered(Vec<(i64, String)>),
    /// A parcel that can't be delivered as it is.
    Parked {
        /// Which.
        parcel: i64,
        /// Why.
        reason: String,
    },
    /// Parcels of a sink that wait: what holds them up.
    Waiting {
        /// Which parcel is first in line.
        parcel: i64,
        /// Why it waits.
        reason: String,
    },
    /// Parked parcels are due again.
    Retry,
    /// Rows from..to go out again.
    Again {
        /// First row.
        from: i64,
        /// Last row.
        to: i64,
    },
    /// A single fact to be remembered.
    Fact {
        /// Its key.
        key: &'static str,
        /// Its value.
        value: String,
    },
    /// Somebody read damage in the store: the program ends, and the next start looks.
    Damaged(String),
    /// Nothing: the answer says that the writer writes.
    Ping,
    /// The program is alive: a later start knows until when.
    Alive,
    /// The program has come up with these stations.
    Started(Vec<String>),
    /// This configuration is in force from the next request on.
    Adopt(Arc<Cell>, Vec<std::sync::mpsc::SyncSender<()>>),
}

/// What came of it.
#[derive(Debug)]
pub enum Answer {
    /// It is written.
    Done,
    /// So many rows.
    Count(u64),
    /// How the frames fared.
    Tally(Tally),
    /// What is known of the file, and how the frames fared that were written now.
    File(FileState, Tally),
    /// Which writing of a file its rows are of, and how they fared.
    Grown(i64, Tally),
    /// How many readings were new, and how many say something else.
    Reread {
        /// New ones.
        new: u64,
        /// Others.
        corrected: u64,
    },
    /// What came of a label, of a word about a gauge, of a decision: what was done, or why nothing was.
    Label(Result<String, String>),
    /// What came of a person's word.
    Job(Result<String, JobFault>),
}
