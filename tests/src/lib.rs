//! The rig: recordings with their expected readings, terminals without hardware, a cell in a temporary folder,
//! and oracles that judge the daemon from outside, without any of its own code.
//!
//! It is a library of test code: where it can't go on, it stops the test that uses it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

pub mod answering;
pub mod bench;
pub mod cell;
pub mod container;
pub mod corpus;
pub mod debian;
pub mod drops;
pub mod feeder;
pub mod fuzz;
pub mod guest;
pub mod instruments;
pub mod oracle;
pub mod patience;
pub mod pty;
pub mod said;
pub mod seed;
pub mod server;
pub mod share;
pub mod shop;
pub mod soak;
pub mod steady;
pub mod tester;
pub mod tidy;
pub mod typist;
mod wiring;
