//! What commands print: data on stdout, messages on stderr. A reader that goes away ends the printing, not with
//! an error: `ridgepost readings | head` is a usual thing to type.

use std::io::{BufWriter, ErrorKind, Stderr, Stdout, Write};

use serde_json::Value as Json;

use crate::exit::Exit;

/// Where a command prints.
pub struct Out {
    data: BufWriter<Stdout>,
    messages: Stderr,
    broken: Option<std::io::Error>,
}

impl Default for Out {
    fn default() -> Self {
        Out::new()
    }
}

impl Out {
    /// Stdout and stderr.
    pub fn new() -> Self {
        Out { data: BufWriter::new(std::io::stdout()), messages: std::io::stderr(), broken: None }
    }

    /// A line of data for people.
    pub fn say(&mut self, line: &str) {
        let result = writeln!(self.data, "{line}");
        self.note(result);
    }

    /// A line of data for programs.
    pub fn json(&mut self, value: &Json) {
        let result = writeln!(self.data, "{value}");
        self.note(result);
    }

    /// A message beside the data.
    pub fn complain(&mut self, message: &str) {
        let _ = self.data.flush();
        let _ = writeln!(self.messages, "ridgepost: {message}");
    }

    /// Brings what was printed out.
    pub fn flush(&mut self) {
        let result = self.data.flush();
        self.note(result);
    }

    /// Whether nobody reads any more.
    pub fn is_broken(&self) -> bool {
        self.broken.is_some()
    }

    /// Brings everything out; the status, unless what was printed could not be.
    pub fn end(mut self, exit: Exit) -> Exit {
        self.flush();
        match self.broken {
            Some(error) if error.kind() != ErrorKind::BrokenPipe => {
                let _ = writeln!(self.messages, "ridgepost: could not print: {error}");
                Exit::Unusable
            }
            _ => exit,
        }
    }

    fn note(&mut self, result: std::io::Result<()>) {
        if let Err(error) = result
            && self.broken.is_none()
        {
            self.broken = Some(error);
        }
    }
}

/// A table for people: no lines, columns aligned.
pub fn table(header: &[&str], rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut table = comfy_table::Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_header(header.iter().map(|title| title.to_uppercase()));
    for row in rows {
        table.add_row(row);
    }
    table.lines().map(|line| line.trim_end().to_owned()).collect::<Vec<_>>().join("\n")
}

/// A JSON value as a cell: strings without quotes, nothing for null.
pub fn shown(value: &Json) -> String {
    match value {
        Json::Null => String::new(),
        Json::String(text) => text.clone(),
        other => other.to_string(),
    }
}
