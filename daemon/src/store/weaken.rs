//! The controls of the rigs: a daemon weakened on purpose, so that a test can show that its rig notices.

use std::sync::Mutex;

/// A way to weaken the daemon so that a test can show that its rig notices. Only in debug builds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Weakened {
    /// As it should be.
    #[default]
    No,
    /// Answers before COMMIT, and commits late.
    AckBeforeCommit,
    /// Puts no row into any parcel.
    ForgetOutbox,
    /// Lets a store that was put in place of another one go on from its own last number.
    ForgetNumbers,
    /// Sinks touch shares themselves.
    NoPorter,
    /// Asks USB devices for many packets at once.
    LongTransfers,
    /// Keeps a descriptor of every port that it closes.
    KeepDescriptors,
    /// Keeps some memory of every port that it closes.
    KeepMemory,
    /// Never brings the write-ahead log back.
    NeverCheckpoint,
    /// Does not know after a start how far files that grow are taken.
    ForgetGrowth,
}

/// What a daemon that was weakened so keeps for good.
static KEPT: Mutex<(Vec<std::fs::File>, Vec<Vec<u8>>)> = Mutex::new((Vec::new(), Vec::new()));

impl Weakened {
    /// What the environment asks for; nothing in a release build.
    pub fn from_environment() -> Self {
        if !cfg!(debug_assertions) {
            return Weakened::No;
        }
        match std::env::var("RIDGEPOST_WEAKEN").as_deref() {
            Ok("ack-before-commit") => Weakened::AckBeforeCommit,
            Ok("forget-outbox") => Weakened::ForgetOutbox,
            Ok("forget-numbers") => Weakened::ForgetNumbers,
            Ok("no-porter") => Weakened::NoPorter,
            Ok("long-transfers") => Weakened::LongTransfers,
            Ok("keep-descriptors") => Weakened::KeepDescriptors,
            Ok("keep-memory") => Weakened::KeepMemory,
            Ok("never-checkpoint") => Weakened::NeverCheckpoint,
            Ok("forget-growth") => Weakened::ForgetGrowth,
            _ => Weakened::No,
        }
    }

    /// A port was closed: what a daemon that was weakened so would keep of it.
    pub fn port_closed() {
        let Ok(mut kept) = KEPT.lock() else { return };
        match Weakened::from_environment() {
            Weakened::KeepDescriptors => kept.0.extend(std::fs::File::open("/dev/null")),
            Weakened::KeepMemory => kept.1.push(vec![1; 256 * 1024]),
            _ => {}
        }
    }
}
