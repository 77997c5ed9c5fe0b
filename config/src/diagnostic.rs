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
    /// Well said, but this version can't do it: refused, so that nothing passes silently.
    Unsupported,
}

impl Code {
    /// Every code, in the order of the list.
    pub const ALL: &'static [Code] = &[
        Code::Syntax,
        Code::Unreadable,
        Code::UnknownKey,
        Code::MissingKey,
        Code::WrongValue,
        Code::WrongUnit,
        Code::LimitsOrder,
        Code::MissingReference,
        Code::Duplicate,
        Code::AmbiguousPort,
        Code::Contradiction,
        Code::Unsupported,
    ];

    /// The code as it stands in JSON.
    pub fn code(self) -> &'static str {
        match self {
            Code::Syntax => "syntax",
            Code::Unreadable => "unreadable",
            Code::UnknownKey => "unknown-key",
            Code::MissingKey => "missing-key",
            Code::WrongValue => "wrong-value",
            Code::WrongUnit => "wrong-unit",
            Code::LimitsOrder => "limits-order",
            Code::MissingReference => "missing-reference",
            Code::Duplicate => "duplicate",
            Code::AmbiguousPort => "ambiguous-port",
            Code::Contradiction => "contradiction",
            Code::Unsupported => "unsupported",
        }
    }
}

/// Whether the plan can be used in spite of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// No: the part it stands in is left out.
    Fault,
    /// Yes, but a person should look.
    Warning,
}

/// One fault: where, what, and what can be done.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Diagnostic {
    /// Whether the plan can be used in spite of it.
    pub severity: Severity,
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

impl Diagnostic {
    /// Whether it keeps a part of the configuration from being used.
    pub fn is_fault(&self) -> bool {
        self.severity == Severity::Fault
    }
}

/// A text without control characters: what a file holds must not steer a terminal or a log.
pub(crate) fn plain(text: &str) -> String {
    let escaped = |char: char| if char.is_control() { char.escape_default().to_string() } else { char.to_string() };
    text.chars().map(escaped).collect()
}

/// Longest piece of a line that is shown, in characters.
const SHOWN: usize = 160;

/// The line to show and the blanks before the caret. Tabs stay tabs in both, so the caret stands right whatever
/// their width; a long line is cut round the place; other control characters must not reach a terminal.
fn excerpt(line: &str, column: usize) -> (String, String) {
    let at = column.saturating_sub(1);
    let length = line.chars().count();
    let from = if length > SHOWN { at.saturating_sub(SHOWN / 2).min(length - SHOWN) } else { 0 };
    let before = if from > 0 { "... " } else { "" };
    let after = if length > from + SHOWN { " ..." } else { "" };
    let shown: String = line
        .chars()
        .skip(from)
        .take(SHOWN)
        .map(|char| if char.is_control() && char != '\t' { '\u{fffd}' } else { char })
        .collect();
    let blanks = shown.chars().chain(std::iter::repeat(' ')).take(at - from);
    let indent =
        " ".repeat(before.len()) + &blanks.map(|char| if char == '\t' { '\t' } else { ' ' }).collect::<String>();
    (format!("{before}{shown}{after}"), indent)
}

impl fmt::Display for Diagnostic {
    /// `jobs/impeller.toml:12:9: upper limit 0.4 µm is below lower limit 0.8 µm`, the line, the help. A warning
    /// says so before its message.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if self.line > 0 {
            write!(f, ":{}:{}", self.line, self.column)?;
        }
        let warning = if self.is_fault() { "" } else { "warning: " };
        write!(f, ": {warning}{}", self.message)?;
        if !self.snippet.is_empty() {
            let (line, indent) = excerpt(&self.snippet, self.column);
            write!(f, "\n  | {line}\n  | {indent}^")?;
        }
        if let Some(help) = &self.help {
            write!(f, "\n  = help: {help}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(snippet: &str, column: usize) -> String {
        Diagnostic {
            severity: Severity::Fault,
            code: Code::LimitsOrder,
            file: "jobs/impeller.toml".into(),
            line: 12,
            column,
            snippet: snippet.to_owned(),
            message: "upper limit 0.4 µm is below lower limit 0.8 µm".to_owned(),
            help: Some("exchange them".to_owned()),
        }
        .to_string()
    }

    #[test]
    fn a_fault_is_told_with_place_line_caret_and_help() {
        assert_eq!(
            shown("upper = \"0.4 µm\"", 9),
            "jobs/impeller.toml:12:9: upper limit 0.4 µm is below lower limit 0.8 µm\n  | upper = \"0.4 µm\"\n  |         ^\n  = help: exchange them"
        );
    }

    #[test]
    fn the_caret_stands_right_behind_tabs_and_in_long_lines() {
        assert!(shown("\tµ = \t1", 6).contains("\n  | \tµ = \t1\n  | \t    ^\n"), "{}", shown("\tµ = \t1", 6));
        let long = format!("{}X{}", "µ".repeat(500), "b".repeat(500));
        let text = shown(&long, 501);
        let lines: Vec<Vec<char>> = text.lines().map(|line| line.chars().collect()).collect();
        let caret = lines[2].iter().position(|char| *char == '^');
        assert_eq!(caret, lines[1].iter().position(|char| *char == 'X'));
        assert!(lines[1].len() < 180);
    }

    #[test]
    fn control_characters_do_not_reach_the_terminal() {
        assert!(!shown("a = \"\u{1b}[2J\"", 5).contains('\u{1b}'));
    }

    #[test]
    fn codes_are_written_as_serialised() {
        for code in Code::ALL {
            assert_eq!(serde_json::to_value(code).ok(), Some(code.code().into()));
        }
    }
}
