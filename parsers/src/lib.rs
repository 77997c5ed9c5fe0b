//! What the *instrument* says: bytes to readings and profiles.
//!
//! A [`Definition`] (said in TOML by an engineer) is compiled into an [`Instrument`], which hands out a
//! [`Framer`] (bytes to frames) and a [`Decoder`] (frames to readings). Both are pure: no clock, no files, no
//! threads. Decoding never fails and never panics; it reports a typed [`Outcome`].

mod definition;
mod frame;
mod instrument;
mod quantity;
mod reading;
mod unit;
mod value;

pub use definition::{Definition, Fault, Step};
pub use frame::{Close, Frame, Framer, Tick};
pub use instrument::{Decoder, Instrument};
pub use quantity::{Quantity, QuantityKind};
pub use reading::{
    Conditions, Decoded, Identity, InstrumentLimits, LengthText, Mark, Outcome, Reading, Reason, Remark, Trace, Verdict,
};
pub use unit::{Unit, UnitKind};
pub use value::{NumberFault, Value};
