//! Whether it *conforms*: limits, conditions, the state of the gauge, pieces and their slots.
//!
//! Everything here is a pure function of its arguments. The daemon's writer calls [`judge`] inside the
//! transaction that stores a reading and keeps the returned [`Piece`] for the next one.

mod piece;
mod row;

pub use piece::{Attempt, Piece, Slot};
pub use row::{GaugeState, Kind, Mode, Outcome, Reason, Row, Source};
