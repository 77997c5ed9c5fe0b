//! What the *standards* say about a measured surface profile: settings, filters, parameters, and what puts a trace in doubt.
//!
//! [`evaluate`] takes a [`Trace`] and [`Settings`] and gives back an [`Evaluation`]: every parameter with its unit, the values of
//! each section, every choice that was made, and remarks with evidence. Lengths along the trace are in mm, heights in µm.
//! Floating point is used inside profile mathematics only; [`Parameter::rounded`] makes the exact decimal that is judged.
//!
//! Every number names where it is known from. What is "from memory" or an "unconfirmed reading" is to be confirmed against the
//! bought standard before anybody claims conformity by it.

mod cutoff;
mod defaults;
mod evaluate;
pub mod filter;
mod form;
pub mod parameters;
mod table;
mod trace;
mod trust;

pub use cutoff::{CUTOFFS, Cutoff, nominal_cutoff_mm};
pub use defaults::{DefaultSetting, Edition, Selector, default_setting, has_default_settings};
pub use evaluate::{Evaluation, Filter, Parameter, Settings, evaluate, usual_lambda_s};
pub use form::{Form, without as without_form};
pub use trace::{Refusal, Trace};
pub use trust::{REMARKS, Remark};
