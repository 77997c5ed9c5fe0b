//! The controls of the rigs: a daemon weakened on purpose, so that a test can show that its rig notices.

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
}

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
            _ => Weakened::No,
        }
    }
}
