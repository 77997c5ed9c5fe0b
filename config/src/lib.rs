//! What the *shop* asks: TOML to a checked plan.
//!
//! Three stages: *said* (what the files hold), *checked* (every fault found, all at once), *planned* (what the
//! daemon and the judge work with). [`load`] is the one function of the pure crates that reads files; [`read`] does
//! the same with texts. [`explain`] tells what a plan means where it says nothing.

mod amount;
mod callout;
mod check;
mod check_digit;
mod diagnostic;
mod document;
mod explain;
mod fields;
mod labels;
mod load;
mod nearest;
mod operator;
mod order;
mod pattern;
mod plan;
mod read;
mod register;
mod said;
mod samples;
mod schema;
mod shape;
mod sheet;
mod source;
mod walk;
mod watch;
mod way;

pub use check::instruments::{instrument, label_line};
pub use diagnostic::{Code, Diagnostic, Severity};
pub use explain::{explain, rules_in_words};
pub use fields::{FIELDS, KINDS};
pub use labels::{
    CheckDigit, Command, Item, Keep, LABEL_CHARACTERS_MAX, Label, Labels, Refusal, Rule as LabelRule,
    VALUE_CHARACTERS_MAX,
};
pub use load::load;
pub use operator::{Authority, Operator, refusal};
pub use order::{FORMS, Order};
pub use pattern::matches;
pub use plan::*;
pub use read::{Loaded, ORDERS, read};
pub use schema::schemas;
pub use watch::{Digest, Heartbeat, Metrics, Watch};
pub use way::{Place, Way};
