//! Whether it *conforms*: limits, conditions, the state of the gauge, pieces and their slots.
//!
//! Everything here is a pure function of its arguments. The daemon's writer calls [`judge`] inside the
//! transaction that stores a reading and keeps the returned [`Piece`] for the next one; after a restart it gets
//! the same piece from the stored rows by [`Piece::rebuild`]. [`end_piece`] ends a piece by word of a person.
//!
//! What counts for a slot is the first value, or the first values of a rule that needs several: a later attempt is
//! kept, judged on its own as far as the job allows retests, and never changes the verdict.

mod anew;
mod closing;
mod conditions;
mod context;
mod decision;
mod explain;
mod filter;
mod gauge;
mod hint;
mod judging;
mod limits;
mod piece;
mod plausible;
mod row;
mod rule;
mod sampling;
pub mod series;
mod standing;
mod suspect;
mod told;
mod traced;
mod verification;
mod verified;

pub use anew::{Anew, Joins, Step, judge_anew, void};
pub use closing::end_piece;
pub use conditions::other_conditions;
pub use context::{Context, Ending, Gone, Held, Holding, Moment};
pub use explain::explain;
pub use filter::Filter;
pub use gauge::{due_soon, gauge_state, register_concerns};
pub use hint::{Hint, Specimens, hints, odd_ratio};
pub use judging::{Circumstances, Cycles, Given, Judgement, Place, judge, part_named};
pub use limits::{PRINTED_DIGITS, in_unit};
pub use piece::{Attempt, Piece, Slot, StoredReading};
pub use plausible::Band;
pub use row::{GaugeState, Kind, Mode, Outcome, Reason, Row, Source};
pub use rule::{Unjudgeable, check, still_needed};
pub use sampling::{History, due_by, is_due};
pub use suspect::{Bias, Biases, bias_for, margin};
pub use told::sum_in_words;
pub use traced::computed;
pub use verification::{Compared, Values, compared, quantities_due, specimen_value, verification_objections};
pub use verified::{AsOf, SinceTurn, Turn, ends_us, gauge_state_since, traced_mm};
