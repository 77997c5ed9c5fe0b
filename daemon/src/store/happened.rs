//! What can happen to a gauge, as the store keeps it.

use ridgepost_judge::Turn;

/// What happened, by the code under which it is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Happened {
    /// A verification began.
    Began,
    /// A value of the specimen that counts.
    Counted,
    /// A value of the specimen that does not.
    NotCounted,
    /// A verification was given up.
    Stopped,
    /// A verification passed.
    Passed,
    /// A verification did not.
    Failed,
    /// It got another stylus.
    Stylus,
    /// It was dropped or knocked.
    Dropped,
    /// It was repaired or adjusted.
    Adjusted,
    /// It was set otherwise.
    Settings,
    /// A person found it bad.
    FoundBad,
    /// Every sink was told what it measured while it may have been bad.
    Told,
    /// A person decided what becomes of that.
    Settled,
}

impl Happened {
    /// All of them.
    pub const ALL: [Happened; 13] = [
        Happened::Began,
        Happened::Counted,
        Happened::NotCounted,
        Happened::Stopped,
        Happened::Passed,
        Happened::Failed,
        Happened::Stylus,
        Happened::Dropped,
        Happened::Adjusted,
        Happened::Settings,
        Happened::FoundBad,
        Happened::Told,
        Happened::Settled,
    ];

    /// The code.
    pub fn code(self) -> &'static str {
        match self {
            Happened::Began => "began",
            Happened::Counted => "counted",
            Happened::NotCounted => "not-counted",
            Happened::Stopped => "stopped",
            Happened::Passed => "passed",
            Happened::Failed => "failed",
            Happened::Stylus => "stylus",
            Happened::Dropped => "dropped",
            Happened::Adjusted => "adjusted",
            Happened::Settings => "settings",
            Happened::FoundBad => "found-bad",
            Happened::Told => "told",
            Happened::Settled => "settled",
        }
    }

    /// In words, for people.
    pub fn words(self) -> &'static str {
        match self {
            Happened::Began => "verification began",
            Happened::Counted => "value of the specimen",
            Happened::NotCounted => "value of the specimen that does not count",
            Happened::Stopped => "verification given up",
            Happened::Passed => "verification passed",
            Happened::Failed => "verification failed",
            Happened::Stylus => "another stylus",
            Happened::Dropped => "dropped or knocked",
            Happened::Adjusted => "repaired or adjusted",
            Happened::Settings => "other settings",
            Happened::FoundBad => "found bad",
            Happened::Told => "results in doubt told to every sink",
            Happened::Settled => "results in doubt settled",
        }
    }

    /// Whether people tell it; all else the program sees by itself.
    pub fn is_told_by_people(self) -> bool {
        let by_itself = matches!(self, Happened::Passed | Happened::Failed);
        self == Happened::Settled || (self.turn().is_some() && !by_itself)
    }

    /// What a code means.
    pub fn parse(code: &str) -> Option<Happened> {
        Happened::ALL.into_iter().find(|happened| happened.code() == code)
    }

    /// What it makes of the gauge's state, where it decides on that.
    pub fn turn(self) -> Option<Turn> {
        match self {
            Happened::Passed => Some(Turn::Passed),
            Happened::Failed | Happened::FoundBad => Some(Turn::Failed),
            Happened::Stylus | Happened::Dropped | Happened::Adjusted | Happened::Settings => Some(Turn::Demanded),
            Happened::Began
            | Happened::Counted
            | Happened::NotCounted
            | Happened::Stopped
            | Happened::Told
            | Happened::Settled => None,
        }
    }
}
