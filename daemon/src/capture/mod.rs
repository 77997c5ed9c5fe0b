//! Stations: one device or one folder each, yielding transmissions to the writer.
//!
//! What a station *decides* is in pure state machines ([`session`], [`arrival`]); what it *does* is in the thin
//! shells around them ([`line`], [`folder`]).

pub mod adapter;
mod anew;
pub mod arrival;
pub mod asking;
mod causes;
pub mod device;
mod disk;
pub mod errors;
pub mod folder;
mod frames;
mod growing;
mod hints;
pub mod holders;
pub mod inputs;
pub mod kept;
mod kernel;
mod keyboard;
pub mod line;
mod listing;
mod node;
mod opening;
pub mod orders;
mod pump;
pub mod reach;
mod recorder;
mod serial;
pub mod session;
mod tail;
mod taking;
mod tcp;
pub mod usb;
pub mod watch;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use serde::{Deserialize, Serialize};

pub use errors::LineErrors;

/// How a station is doing, for `status`.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct StationStatus {
    /// `listening`, `deaf` or `starting`.
    pub state: String,
    /// Why it can't listen, or what troubles it.
    pub trouble: Option<String>,
    /// When a byte or file last arrived.
    pub last_heard: Option<String>,
    /// Readings committed since the program started.
    pub recorded: u64,
    /// Repeats since the program started.
    pub repeats: u64,
    /// Frames that could not be trusted since the program started.
    pub rejected: u64,
    /// Of these, frames that were counted and not kept: the port babbles.
    #[serde(default)]
    pub not_kept: u64,
    /// Times the port was lost since the program started.
    pub lost: u64,
    /// Errors of the line that a serial port's driver counted since the program started; `None` where it does not count.
    #[serde(default)]
    pub line: Option<LineErrors>,
}

/// The state of every station, shared with whoever shows it.
#[derive(Clone, Debug, Default)]
pub struct Board(Arc<Mutex<BTreeMap<String, StationStatus>>>);

impl Board {
    /// Changes the entry of a station.
    pub fn change(&self, station: &str, change: impl FnOnce(&mut StationStatus)) {
        if let Ok(mut board) = self.0.lock() {
            change(board.entry(station.to_owned()).or_default());
        }
    }

    /// A copy of everything.
    pub fn snapshot(&self) -> BTreeMap<String, StationStatus> {
        self.0.lock().map(|board| board.clone()).unwrap_or_default()
    }

    /// Adds what a commit brought.
    pub fn count(&self, station: &str, tally: &crate::store::Tally) {
        self.change(station, |status| {
            status.recorded += tally.new;
            status.repeats += tally.seen;
            status.rejected += tally.rejected;
            status.not_kept += tally.not_kept;
        });
    }
}
