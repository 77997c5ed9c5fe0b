//! The shell that joins the pure crates: ports, folders, store, sinks, command line.
//!
//! The data's way through it: [`capture`] hears, `ridgepost-parsers` frames and decodes, [`store`] judges (by
//! `ridgepost-judge`) and records in one transaction, [`deliver`] hands over what is recorded. [`run`] joins them
//! into a daemon; [`command`] is what a person types.

pub mod aside;
pub mod capture;
pub mod cell;
pub mod clock;
pub mod command;
pub mod control;
pub mod deliver;
pub mod demo;
pub mod exit;
mod memory;
pub mod replay;
pub mod run;
pub mod store;
pub mod watch;
