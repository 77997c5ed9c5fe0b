//! Faults of the configuration, told like a good compiler tells them: place, line, what is wrong, a way out.

use std::fmt;
use std::path::PathBuf;

use serde::Serialize;

/// The closed list of configuration faults.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Code {
    /// The file is no TOML.
    Syntax,
    /// The file could not be read.
    Unreadable,
    /// A key nobody knows.
    UnknownKey,
    /// A key that must be there is not.
    MissingKey,
    /// A value of the wrong type or form.
    WrongValue,
    /// A quantity written without unit, or with one of the wrong kind.
    WrongUnit,
    /// Limits out of order.
    LimitsOrder,
    /// A name that refers to nothing.
    MissingReference,
    /// The same name twice.
    Duplicate,
    /// Two places ask for the same port or folder.
    AmbiguousPort,
    /// Parts of a definition contradict each other.
    Contradiction,
}

/// One fault: where, what, and what can be done.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Diagnostic {
    /// Which kind of fault.
    pub code: Code,
    /// The file, relative to the cell folder where it lies inside it.
    pub file: PathBuf,
    /// Line, from 1; 0 where the fault has no place in the file.
    pub line: usize,
    /// Column in characters, from 1; 0 where the fault has no place in the file.
    pub column: usize,
    /// The offending line.
    pub snippet: String,
    /// What is wrong: lower case, no full stop.
    pub message: String,
    /// A way out.
    pub help: Option<String>,
}

impl fmt::Display for Diagnostic {
    /// `jobs/impeller.toml:12:9: upper limit 0.4 µm is below lower limit 0.8 µm`, the line, the help.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if self.line > 0 {
            write!(f, ":{}:{}", self.line, self.column)?;
        }
        write!(f, ": {}", self.message)?;
        if !self.snippet.is_empty() {
            let indent = " ".repeat(self.column.saturating_sub(1));
            write!(f, "\n  | {}\n  | {indent}^", self.snippet)?;
        }
        if let Some(help) = &self.help {
            write!(f, "\n  = help: {help}")?;
        }
        Ok(())
    }
}
