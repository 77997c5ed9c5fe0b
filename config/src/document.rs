//! A TOML text with the place of every key and value in it, so that a fault found anywhere later can be told with
//! its line and column.

use std::fmt;
use std::ops::Range;

use ridgepost_parsers::Step;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One value with its place.
pub(crate) type Node<'t> = Spanned<DeValue<'t>>;

/// Keys and positions from the top of a document to a value: `characteristic[2].upper`.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Path(pub(crate) Vec<Step>);

impl Path {
    /// The document itself.
    pub(crate) fn top() -> Self {
        Path::default()
    }

    /// The key `key` of this table.
    pub(crate) fn key(&self, key: &str) -> Self {
        self.step(Step::Key(key.to_owned()))
    }

    /// The element `index` of this array, from 0.
    pub(crate) fn index(&self, index: usize) -> Self {
        self.step(Step::Index(index))
    }

    fn step(&self, step: Step) -> Self {
        Path(self.0.iter().cloned().chain([step]).collect())
    }

    /// Whether this is `other` or lies below it.
    pub(crate) fn is_within(&self, other: &Path) -> bool {
        self.0.starts_with(&other.0)
    }
}

impl fmt::Display for Path {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (depth, step) in self.0.iter().enumerate() {
            match step {
                Step::Key(key) if depth == 0 => f.write_str(key)?,
                Step::Key(key) => write!(f, ".{key}")?,
                Step::Index(index) => write!(f, "[{index}]")?,
            }
        }
        Ok(())
    }
}

/// Where a fault points to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// The key of the value.
    Key,
    /// The value, or the table where it should be.
    Value,
}

/// A line of a text with a place on it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Spot {
    /// From 1.
    pub(crate) line: usize,
    /// In characters, from 1.
    pub(crate) column: usize,
    /// The whole line.
    pub(crate) snippet: String,
}

/// Something that keeps a text from being TOML.
#[derive(Clone, Debug)]
pub(crate) struct SyntaxFault {
    /// Where, in bytes.
    pub(crate) span: Range<usize>,
    /// What is wrong.
    pub(crate) message: String,
}

/// A text, and what could be read of it.
#[derive(Debug)]
pub(crate) struct Document<'t> {
    text: &'t str,
    /// Where lines begin, behind the byte order mark if there is one.
    lines: Vec<usize>,
    /// The top table.
    pub(crate) root: Node<'t>,
    /// What kept parts from being read; the rest was.
    pub(crate) broken: Vec<SyntaxFault>,
}

impl<'t> Document<'t> {
    /// Reads as much as can be read.
    pub(crate) fn parse(text: &'t str) -> Self {
        let (table, errors) = DeTable::parse_recoverable(text);
        let root = Spanned::new(table.span(), DeValue::Table(table.into_inner()));
        let broken = errors
            .iter()
            .map(|error| SyntaxFault { span: error.span().unwrap_or(0..0), message: error.message().to_owned() })
            .collect();
        let (_, shown) = unmarked(text);
        let lines = std::iter::once(0).chain(shown.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Document { text, lines, root, broken }
    }

    /// The value at `path`.
    pub(crate) fn find(&self, path: &Path) -> Option<&Node<'t>> {
        path.0.iter().try_fold(&self.root, |node, step| child(node, step).map(|(_, value)| value))
    }

    /// The bytes that a fault at `path` points to: its key or its value, else the nearest table round it.
    pub(crate) fn span(&self, path: &Path, place: Place) -> Range<usize> {
        let mut node = &self.root;
        let mut span = node.span();
        for step in &path.0 {
            let Some((key, value)) = child(node, step) else { return span };
            span = match (place, key) {
                (Place::Key, Some(key)) => key,
                _ => value.span(),
            };
            node = value;
        }
        span
    }

    /// Line, column and text of the line at a byte.
    pub(crate) fn spot(&self, byte: usize) -> Spot {
        let (mark, text) = unmarked(self.text);
        let byte = byte.saturating_sub(mark).min(text.len());
        let byte = (0..=byte).rev().find(|byte| text.is_char_boundary(*byte)).unwrap_or(0);
        // Files of thousands of faults are told too: nothing here may look through all of the text.
        let line = self.lines.partition_point(|start| *start <= byte);
        let start = self.lines[line - 1];
        let end = text[byte..].find('\n').map_or(text.len(), |end| byte + end);
        // What ends a line is not shown, and no column lies beyond what is shown.
        let snippet = text[start..end].trim_end_matches('\r');
        let byte = byte.min(start + snippet.len());
        Spot { line, column: text[start..byte].chars().count() + 1, snippet: snippet.to_owned() }
    }

    /// The text between two bytes.
    pub(crate) fn slice(&self, span: Range<usize>) -> &'t str {
        self.text.get(span).unwrap_or("")
    }
}

/// How long the byte order mark of a text is, and the text behind it.
fn unmarked(text: &str) -> (usize, &str) {
    let rest = text.strip_prefix('\u{feff}').unwrap_or(text);
    (text.len() - rest.len(), rest)
}

/// The value one step below a node, and the place of its key.
fn child<'a, 't>(node: &'a Node<'t>, step: &Step) -> Option<(Option<Range<usize>>, &'a Node<'t>)> {
    match (node.get_ref(), step) {
        (DeValue::Table(table), Step::Key(name)) => {
            table.iter().find(|(key, _)| key.get_ref() == name).map(|(key, value)| (Some(key.span()), value))
        }
        (DeValue::Array(array), Step::Index(index)) => array.get(*index).map(|value| (None, value)),
        _ => None,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test that can't go on may stop")]
mod tests {
    use super::*;

    #[test]
    fn a_path_finds_its_line_and_column() {
        let text =
            "\u{feff}[cell]\r\nname = 'µ'\r\n[[station]]\r\n[[station]]\r\nport = { path = \"ä\", baud = 9_600 }\r\n";
        let document = Document::parse(text);
        let port = Path::top().key("station").index(1).key("port");
        for (path, place, line, column) in [
            (Path::top().key("cell").key("name"), Place::Value, 2, 8),
            (Path::top().key("cell").key("name"), Place::Key, 2, 1),
            (port.key("baud"), Place::Value, 5, 29),
            (port.key("flow"), Place::Value, 5, 8),
            (Path::top().key("station").index(0).key("name"), Place::Value, 3, 1),
            (Path::top().key("store"), Place::Value, 1, 1),
        ] {
            let spot = document.spot(document.span(&path, place).start);
            assert_eq!((spot.line, spot.column), (line, column), "{path}");
            assert!(!spot.snippet.contains('\r'));
        }
        assert_eq!(document.slice(document.find(&port.key("baud")).unwrap().span()), "9_600");
    }

    /// A carriage return alone ends no line, and many before a line feed are not shown.
    #[test]
    fn no_column_lies_beyond_what_is_shown() {
        for (text, byte, line, column, snippet) in
            [("\r", 1, 1, 1, ""), ("a = 1\r\r\nb", 7, 1, 6, "a = 1"), ("\ra", 1, 1, 2, "\ra"), ("ä\r", 3, 1, 2, "ä")]
        {
            let spot = Document::parse(text).spot(byte);
            assert_eq!((spot.line, spot.column, spot.snippet.as_str()), (line, column, snippet), "{text:?}");
        }
    }

    #[test]
    fn a_broken_line_does_not_hide_the_rest() {
        let document = Document::parse("a = \nb = maybe\nc = 3\n");
        assert_eq!(document.broken.len(), 2);
        assert!(document.find(&Path::top().key("c")).is_some());
    }
}
