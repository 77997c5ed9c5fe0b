//! Exit statuses: what scripts and the service manager read.

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Done; an empty answer is done too.
    Done = 0,
    /// The answer is no, or faults were found.
    No = 1,
    /// Wrong use.
    Usage = 2,
    /// The store or a file could not be used.
    Unusable = 3,
    /// The store was found damaged under a running daemon (EX_DATAERR of sysexits.h).
    StoreDamaged = 65,
    /// The disk failed under a running daemon (EX_IOERR of sysexits.h).
    DiskFailed = 74,
    /// A running daemon was stopped and left something behind that hangs (EX_TEMPFAIL of sysexits.h).
    LeftBehind = 75,
}

impl From<Exit> for std::process::ExitCode {
    fn from(exit: Exit) -> Self {
        std::process::ExitCode::from(exit as u8)
    }
}
