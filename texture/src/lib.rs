//! What the *standard* says about a measured profile: tables of settings, and what is computed from them.
//!
//! Every number names where it is known from. Tables "from memory" are to be confirmed against the bought
//! standard before anybody claims conformity by them.

mod cutoff;
mod defaults;

pub use cutoff::{CUTOFFS, Cutoff, nominal_cutoff_mm};
pub use defaults::{DefaultSetting, Edition, Selector, default_setting, has_default_settings};
