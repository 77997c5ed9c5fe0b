//! The corpus: recordings of invented instruments with the readings they hold, and the dozen tests that each
//! recording yields.
//!
//! A case is a folder with `definition.toml` (or a shipped definition of the folder's name), `input.*` (the exact
//! bytes), `expected.json`, and `packets.json` where timing matters.

mod case;
mod compare;
mod derive;
mod expected;
mod play;
mod stored;

pub use case::{Case, Kind, SHARED_GRAMMAR};
pub use compare::{compare_exactly, compare_values, consists_of, fits_run_together, is_subsequence, values_of_frames};
pub use derive::{Noise, Stretch, cut_at_random, damaged, flips, noises};
pub use expected::{Event, Expected, Param, Record, Reject};
pub use play::{Piece, Played, Shown, Told, play, show};
pub use stored::{false_readings, stored_otherwise};
