//! Proofs that need a kernel of their own: power cuts, disks with a volatile cache, adapters, instruments and scanners on
//! USB that are pulled, restarts under a service manager, shares that hang. Each stands beside a control that must be
//! found out.
//!
//! `RIDGEPOST_POWER_CUTS` sets the number of power cuts, `RIDGEPOST_SEED` brings a run back.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

#[path = "guest/adapter.rs"]
mod adapter;
#[path = "guest/crash_images.rs"]
mod crash_images;
#[path = "guest/endpoints.rs"]
mod endpoints;
#[path = "guest/power_cuts.rs"]
mod power_cuts;
#[path = "guest/share.rs"]
mod share;
#[path = "guest/stick.rs"]
mod stick;
#[path = "guest/typist.rs"]
mod typist;

use std::path::{Path, PathBuf};

use ridgepost_tests::guest::power::Guest;

/// The daemon under proof.
const DAEMON: &str = env!("CARGO_BIN_EXE_ridgepost");

/// Where parts of guests are kept between runs.
fn cache() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("machines")
}

fn small_guest() -> Guest {
    Guest::new(DAEMON, &cache())
}
