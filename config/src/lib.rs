//! What the *shop* asks: TOML to a checked plan.
//!
//! Three stages: *said* (what the files hold), *checked* (every fault found, all at once), *planned* (what the
//! daemon and the judge work with). [`load`] is the one function of the pure crates that reads files.

mod diagnostic;
mod plan;

pub use diagnostic::{Code, Diagnostic};
pub use plan::*;
