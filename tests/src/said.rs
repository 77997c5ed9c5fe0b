//! What a command said: how it ended, its output, its messages.

use std::process::ExitStatus;

use serde_json::Value;

/// What a command said.
#[derive(Debug)]
pub struct Said {
    /// How it ended.
    pub status: ExitStatus,
    /// Its output.
    pub stdout: String,
    /// Its messages.
    pub stderr: String,
}

impl Said {
    /// The output as JSON Lines; stops the test where a line is none.
    pub fn json(&self) -> Vec<Value> {
        let read =
            |line: &str| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line:?}: {error}\n{self:?}"));
        self.stdout.lines().map(read).collect()
    }

    /// The exit status as a number.
    pub fn code(&self) -> Option<i32> {
        self.status.code()
    }
}
