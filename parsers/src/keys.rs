//! Instruments and scanners that type: what their keys mean in a keyboard layout.
//!
//! The way of the data: the kernel's input events become *strokes* ([`KeyEvents`]), written as plain words
//! (`LEFTSHIFT+2 DOT ENTER `). Strokes are what is received and kept, because a layout that was wrong can then be replaced
//! and everything read again. A [`Layout`] turns strokes into UTF-8 text, which is cut and decoded like any other.

mod events;
mod layout;
mod stroke;
mod typed;

pub use events::{EventForm, KeyEvents};
pub use layout::{Layout, LayoutName};
pub(crate) use typed::Typing;
