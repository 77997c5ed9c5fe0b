//! One file while it is being checked: its document, everything found in it, and which parts are still to be trusted.

use std::path::{Path as FilePath, PathBuf};

use serde::de::DeserializeOwned;
use serde_json::Value;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue, ValueDeserializer};

use crate::diagnostic::{Code, Diagnostic, Severity, plain};
use crate::document::{Document, Node, Path, Place};
use crate::walk::{Cut, misfits};

/// A file under check.
#[derive(Debug)]
pub(crate) struct Sheet<'t> {
    /// The file, relative to the cell folder.
    pub(crate) file: PathBuf,
    document: Document<'t>,
    found: Vec<(Path, Diagnostic)>,
    /// Absent keys that an unknown key was probably meant to be: nobody should miss them too.
    meant: Vec<Path>,
    /// Parts that a fault elsewhere makes unusable.
    blamed: Vec<Path>,
    cuts: Vec<(Path, Cut)>,
}

impl<'t> Sheet<'t> {
    /// Reads a text and finds everything that doesn't fit its schema.
    pub(crate) fn open(file: &FilePath, text: &'t str, schema: &Value) -> Self {
        let document = Document::parse(text);
        let found = misfits(&document, schema);
        let mut sheet =
            Sheet { file: file.to_owned(), document, found: vec![], meant: vec![], blamed: vec![], cuts: vec![] };
        let spoilt = sheet.syntax();
        for misfit in found {
            // In a file with syntax faults what seems to be missing may stand on a line that could not be read.
            let doubtful = misfit.code == Code::MissingKey && sheet.is_broken();
            if doubtful || spoilt.iter().any(|path| misfit.path.is_within(path)) {
                continue;
            }
            sheet.meant.extend(misfit.meant);
            sheet.cuts.push((misfit.path.clone(), misfit.cut));
            sheet.tell(&misfit.path, misfit.place, Severity::Fault, misfit.code, misfit.message, misfit.help);
        }
        sheet
    }

    /// Tells the syntax faults, one a line and one a value; gives the values that can't be trusted.
    fn syntax(&mut self) -> Vec<Path> {
        let mut spoilt: Vec<Path> = vec![];
        let mut lines = vec![];
        let mut broken = self.document.broken.clone();
        broken.sort_by_key(|fault| fault.span.start);
        for fault in broken {
            let at = fault.span.start;
            let value = covering(&self.document.root, &Path::top(), at).filter(|path| !path.0.is_empty());
            let spot = self.document.spot(at);
            let told = lines.contains(&spot.line) || value.as_ref().is_some_and(|path| spoilt.contains(path));
            lines.push(spot.line);
            if !told {
                let path = value.clone().unwrap_or_else(|| part_at(&self.document.root, at));
                let diagnostic = Diagnostic {
                    severity: Severity::Fault,
                    code: Code::Syntax,
                    file: self.file.clone(),
                    line: spot.line,
                    column: spot.column,
                    snippet: spot.snippet,
                    message: fault.message,
                    help: Some("the rest of the file was checked as far as it could be read".to_owned()),
                };
                self.found.push((path, diagnostic));
            }
            if let Some(path) = value {
                let element = self.document.find(&path).is_some_and(|node| node.get_ref().is_table());
                self.cuts.push((path.clone(), if element { Cut::Emptied } else { Cut::Value }));
                spoilt.push(path);
            }
        }
        spoilt
    }

    /// What the file says, without what did not fit; `None` (and told) where even that can't be read.
    pub(crate) fn read<T: DeserializeOwned>(&mut self) -> Option<T> {
        let rest = without(&self.document.root, &Path::top(), &self.cuts)?;
        match T::deserialize(ValueDeserializer::from(rest)) {
            Ok(said) => Some(said),
            Err(error) => {
                let path = covering(&self.document.root, &Path::top(), error.span().map_or(0, |span| span.start));
                let help = "write it as in the examples".to_owned();
                self.fault(&path.unwrap_or_default(), Code::WrongValue, error.message().to_owned(), help);
                None
            }
        }
    }

    /// As [`Sheet::read`], but silent: the reason is told already.
    pub(crate) fn try_read<T: DeserializeOwned>(&self) -> Option<T> {
        T::deserialize(ValueDeserializer::from(without(&self.document.root, &Path::top(), &self.cuts)?)).ok()
    }

    /// The text at `path`, if one stands there.
    pub(crate) fn text(&self, path: &Path) -> Option<String> {
        self.document.find(path)?.get_ref().as_str().map(str::to_owned)
    }

    /// The texts of the list at `path`, each at its position.
    pub(crate) fn elements(&self, path: &Path) -> Vec<String> {
        let list = self.document.find(path).and_then(|node| node.get_ref().as_array());
        let texts = list.into_iter().flat_map(|list| list.iter());
        texts.map(|node| node.get_ref().as_str().unwrap_or_default().to_owned()).collect()
    }

    /// Whether something was told of the value at `path` or of something in it.
    pub(crate) fn is_told_below(&self, path: &Path) -> bool {
        self.found.iter().any(|(told, _)| told.is_within(path))
    }

    /// Tells a fault of the value at `path`.
    pub(crate) fn fault(&mut self, path: &Path, code: Code, message: String, help: impl Into<String>) {
        self.tell(path, Place::Value, Severity::Fault, code, message, help.into());
    }

    /// Tells a fault of the key at `path`.
    pub(crate) fn fault_of_key(&mut self, path: &Path, code: Code, message: String, help: impl Into<String>) {
        self.tell(path, Place::Key, Severity::Fault, code, message, help.into());
    }

    /// Tells something that a person should look at.
    pub(crate) fn warn(&mut self, path: &Path, code: Code, message: String, help: impl Into<String>) {
        self.tell(path, Place::Value, Severity::Warning, code, message, help.into());
    }

    fn tell(&mut self, path: &Path, place: Place, severity: Severity, code: Code, message: String, help: String) {
        let spot = self.document.spot(self.document.span(path, place).start);
        let diagnostic = Diagnostic {
            severity,
            code,
            file: self.file.clone(),
            line: spot.line,
            column: spot.column,
            snippet: spot.snippet,
            message: plain(&message),
            help: Some(plain(&help)).filter(|help| !help.is_empty()),
        };
        self.found.push((path.clone(), diagnostic));
    }

    /// Makes a part unusable because of a fault told elsewhere.
    pub(crate) fn blame(&mut self, path: &Path) {
        self.blamed.push(path.clone());
    }

    /// Whether the part at `path` has a fault in it, or lies in something faulty as a whole.
    pub(crate) fn is_faulty(&self, path: &Path) -> bool {
        let faults = self.found.iter().filter(|(_, diagnostic)| diagnostic.is_fault()).map(|(path, _)| path);
        faults.chain(&self.blamed).any(|fault| fault.is_within(path) || path.is_within(fault))
    }

    /// Whether a key is absent and nobody spoke of it yet.
    pub(crate) fn lacks(&self, path: &Path) -> bool {
        let cut = self.cuts.iter().any(|(place, cut)| *cut != Cut::Nothing && path.is_within(place));
        let spoken = cut || self.found.iter().any(|(place, _)| place == path) || self.meant.contains(path);
        !spoken && !self.is_broken() && self.document.find(path).is_none()
    }

    /// Whether a key is there, whatever it holds.
    pub(crate) fn has(&self, path: &Path) -> bool {
        self.document.find(path).is_some()
    }

    /// Whether parts of the text could not be read at all.
    pub(crate) fn is_broken(&self) -> bool {
        !self.document.broken.is_empty()
    }

    /// The line where the value at `path` stands.
    pub(crate) fn line(&self, path: &Path) -> usize {
        self.document.spot(self.document.span(path, Place::Value).start).line
    }

    /// Everything found.
    pub(crate) fn into_diagnostics(self) -> impl Iterator<Item = Diagnostic> {
        self.found.into_iter().map(|(_, diagnostic)| diagnostic)
    }
}

/// The outermost value whose text covers a byte.
fn covering(node: &Node, path: &Path, byte: usize) -> Option<Path> {
    let span = node.span();
    if !path.0.is_empty() && span.start <= byte && byte <= span.end {
        return Some(path.clone());
    }
    children(node, path).into_iter().find_map(|(path, child)| covering(child, &path, byte))
}

/// The table, or element of an array of tables, whose lines a byte stands in; the top where there is none.
fn part_at(root: &Node, byte: usize) -> Path {
    let mut parts: Vec<(usize, Path)> = vec![];
    for (path, node) in children(root, &Path::top()) {
        match node.get_ref() {
            DeValue::Table(_) => parts.push((node.span().start, path)),
            DeValue::Array(_) => {
                let elements = children(node, &path).into_iter();
                parts.extend(
                    elements
                        .filter(|(_, item)| item.get_ref().is_table())
                        .map(|(path, item)| (item.span().start, path)),
                );
            }
            _ => {}
        }
    }
    let before = parts.into_iter().filter(|(start, _)| *start <= byte);
    before.max_by_key(|(start, _)| *start).map_or_else(Path::top, |(_, path)| path)
}

fn children<'n, 't>(node: &'n Node<'t>, path: &Path) -> Vec<(Path, &'n Node<'t>)> {
    match node.get_ref() {
        DeValue::Table(table) => table.iter().map(|(key, value)| (path.key(key.get_ref()), value)).collect(),
        DeValue::Array(array) => array.iter().enumerate().map(|(at, value)| (path.index(at), value)).collect(),
        _ => vec![],
    }
}

/// A copy of a value without what is cut; `None` where nothing usable is left of it.
fn without<'t>(node: &Node<'t>, path: &Path, cuts: &[(Path, Cut)]) -> Option<Node<'t>> {
    let cut = cuts.iter().filter(|(at, _)| at == path).map(|(_, cut)| *cut).find(|cut| *cut != Cut::Nothing);
    let value = match (cut, node.get_ref()) {
        (Some(Cut::Emptied), _) => DeValue::Table(DeTable::new()),
        (Some(_), _) => return None,
        (None, DeValue::Table(table)) => {
            let kept = table.iter().filter_map(|(key, value)| {
                without(value, &path.key(key.get_ref()), cuts).map(|value| (key.clone(), value))
            });
            DeValue::Table(kept.collect())
        }
        (None, DeValue::Array(array)) => {
            let mut kept = DeArray::new();
            for (at, item) in array.iter().enumerate() {
                kept.push(without(item, &path.index(at), cuts)?);
            }
            DeValue::Array(kept)
        }
        (None, value) => value.clone(),
    };
    Some(Spanned::new(node.span(), value))
}
