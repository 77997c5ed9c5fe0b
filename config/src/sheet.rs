//! One file while it is being checked: its document, everything found in it, and which parts are still to be trusted.

use std::collections::{BTreeMap, BTreeSet};
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
    found: Vec<Diagnostic>,
    /// Where something was told.
    told: BTreeSet<Path>,
    /// Where a fault was told, and parts that a fault elsewhere makes unusable.
    faulty: BTreeSet<Path>,
    /// Absent keys that an unknown key was probably meant to be: nobody should miss them too.
    meant: BTreeSet<Path>,
    cuts: BTreeMap<Path, Cut>,
}

impl<'t> Sheet<'t> {
    /// Reads a text and finds everything that doesn't fit its schema.
    pub(crate) fn open(file: &FilePath, text: &'t str, schema: &Value) -> Self {
        let document = Document::parse(text);
        let found = misfits(&document, schema);
        let mut sheet = Sheet {
            file: file.to_owned(),
            document,
            found: vec![],
            told: BTreeSet::new(),
            faulty: BTreeSet::new(),
            meant: BTreeSet::new(),
            cuts: BTreeMap::new(),
        };
        let spoilt = sheet.syntax();
        for misfit in found {
            // In a file with syntax faults what seems to be missing may stand on a line that could not be read.
            let doubtful = misfit.code == Code::MissingKey && sheet.is_broken();
            if doubtful || lies_in(&misfit.path, &spoilt) {
                continue;
            }
            sheet.meant.extend(misfit.meant);
            sheet.cut(misfit.path.clone(), misfit.cut);
            sheet.tell(&misfit.path, misfit.place, Severity::Fault, misfit.code, misfit.message, misfit.help);
        }
        sheet
    }

    /// Tells the syntax faults, one a line and one a value; gives the values that can't be trusted.
    fn syntax(&mut self) -> BTreeSet<Path> {
        let mut spoilt = BTreeSet::new();
        let mut lines = BTreeSet::new();
        if self.document.broken.is_empty() {
            return spoilt;
        }
        let places = Places::of(&self.document.root);
        let mut broken = self.document.broken.clone();
        broken.sort_by_key(|fault| fault.span.start);
        for fault in broken {
            let at = fault.span.start;
            let value = places.covering(at);
            let spot = self.document.spot(at);
            let told = lines.contains(&spot.line) || value.as_ref().is_some_and(|path| spoilt.contains(path));
            lines.insert(spot.line);
            if !told {
                let path = value.clone().unwrap_or_else(|| places.part_at(at));
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
                self.keep(&path, diagnostic);
            }
            if let Some(path) = value {
                let element = self.document.find(&path).is_some_and(|node| node.get_ref().is_table());
                self.cut(path.clone(), if element { Cut::Emptied } else { Cut::Value });
                spoilt.insert(path);
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
                let at = error.span().map_or(0, |span| span.start);
                let path = Places::of(&self.document.root).covering(at);
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
        is_hit_below(path, &self.told)
    }

    /// Tells a fault of the value at `path`.
    pub(crate) fn fault(&mut self, path: &Path, code: Code, message: String, help: impl Into<String>) {
        self.tell(path, Place::Value, Severity::Fault, code, message, help.into());
    }

    /// Tells a fault of the text at `path`, behind these words of it; of the whole text where it is written with escapes.
    pub(crate) fn fault_within(&mut self, path: &Path, before: &str, code: Code, message: String, help: String) {
        let span = self.document.span(path, Place::Value);
        let written = self.document.slice(span.clone());
        let text = written.trim_start_matches(['"', '\'']);
        let quote = written.len() - text.len();
        let text = text.strip_prefix('\n').filter(|_| quote == 3).unwrap_or(text);
        let start = span.start + written.len() - text.len();
        let start = if text.starts_with(before) { start + before.len() } else { span.start };
        self.tell_at(path, start, Severity::Fault, code, message, help);
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
        let start = self.document.span(path, place).start;
        self.tell_at(path, start, severity, code, message, help);
    }

    fn tell_at(&mut self, path: &Path, start: usize, severity: Severity, code: Code, message: String, help: String) {
        let spot = self.document.spot(start);
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
        self.keep(path, diagnostic);
    }

    fn keep(&mut self, path: &Path, diagnostic: Diagnostic) {
        self.told.insert(path.clone());
        if diagnostic.is_fault() {
            self.faulty.insert(path.clone());
        }
        self.found.push(diagnostic);
    }

    /// Of several cuts of one value the first that leaves something out counts.
    fn cut(&mut self, path: Path, cut: Cut) {
        if cut != Cut::Nothing {
            self.cuts.entry(path).or_insert(cut);
        }
    }

    /// Makes a part unusable because of a fault told elsewhere.
    pub(crate) fn blame(&mut self, path: &Path) {
        self.faulty.insert(path.clone());
    }

    /// Whether the part at `path` has a fault in it, or lies in something faulty as a whole.
    pub(crate) fn is_faulty(&self, path: &Path) -> bool {
        is_hit_below(path, &self.faulty) || lies_in(path, &self.faulty)
    }

    /// Whether a key is absent and nobody spoke of it yet.
    pub(crate) fn lacks(&self, path: &Path) -> bool {
        let cut = upwards(path).any(|place| self.cuts.contains_key(&place));
        let spoken = cut || self.told.contains(path) || self.meant.contains(path);
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
        self.found.into_iter()
    }
}

/// A path and all that it lies in, up to the top.
fn upwards(path: &Path) -> impl Iterator<Item = Path> {
    (0..=path.0.len()).rev().map(|depth| Path(path.0[..depth].to_vec()))
}

/// Whether `path` is one of `places` or lies in one.
fn lies_in(path: &Path, places: &BTreeSet<Path>) -> bool {
    upwards(path).any(|place| places.contains(&place))
}

/// Whether one of `places` is `path` or lies in it.
fn is_hit_below(path: &Path, places: &BTreeSet<Path>) -> bool {
    // In the order of paths, what lies in one follows it at once.
    places.range(path..).next().is_some_and(|place| place.is_within(path))
}

/// Where the values and parts of a document stand, for finding what stands at a byte.
struct Places {
    /// Outermost values: first and last byte, order in the document, path; by first byte.
    values: Vec<(usize, usize, usize, Path)>,
    /// The last byte of any value up to here.
    reach: Vec<usize>,
    /// Tables and elements of arrays of tables by the byte where they begin.
    parts: Vec<(usize, Path)>,
}

impl Places {
    fn of(root: &Node) -> Self {
        let mut values = vec![];
        for (path, child) in children(root, &Path::top()) {
            outermost(child, path, None, &mut values);
        }
        values.sort();
        let mut reach = 0;
        let reached = values.iter().map(|(_, end, ..)| {
            reach = reach.max(*end);
            reach
        });
        Places { reach: reached.collect(), values, parts: parts(root) }
    }

    /// The outermost value whose text covers a byte.
    fn covering(&self, byte: usize) -> Option<Path> {
        let before = self.values.partition_point(|(start, ..)| *start <= byte);
        let near = (0..before).rev().take_while(|at| self.reach[*at] >= byte).map(|at| &self.values[at]);
        near.filter(|(_, end, ..)| byte <= *end).min_by_key(|(.., order, _)| *order).map(|(.., path)| path.clone())
    }

    /// The table, or element of an array of tables, whose lines a byte stands in; the top where there is none.
    fn part_at(&self, byte: usize) -> Path {
        let before = self.parts.partition_point(|(start, _)| *start <= byte);
        before.checked_sub(1).map_or_else(Path::top, |at| self.parts[at].1.clone())
    }
}

/// Every value that does not lie in the text of one round it: the bodies of tables with a heading do not.
fn outermost(node: &Node, path: Path, within: Option<(usize, usize)>, found: &mut Vec<(usize, usize, usize, Path)>) {
    let (start, end) = (node.span().start, node.span().end);
    let inside = within.is_some_and(|(from, to)| from <= start && end <= to);
    let below = if inside { within } else { Some((start, end)) };
    if !inside {
        let order = found.len();
        found.push((start, end, order, path.clone()));
    }
    for (path, child) in children(node, &path) {
        outermost(child, path, below, found);
    }
}

/// Tables and elements of arrays of tables at the top, in the order in which they begin.
fn parts(root: &Node) -> Vec<(usize, Path)> {
    let mut parts: Vec<(usize, Path)> = vec![];
    for (path, node) in children(root, &Path::top()) {
        match node.get_ref() {
            DeValue::Table(_) => parts.push((node.span().start, path)),
            DeValue::Array(_) => {
                let elements = children(node, &path).into_iter().filter(|(_, item)| item.get_ref().is_table());
                parts.extend(elements.map(|(path, item)| (item.span().start, path)));
            }
            _ => {}
        }
    }
    parts.sort_by_key(|(start, _)| *start);
    parts
}

fn children<'n, 't>(node: &'n Node<'t>, path: &Path) -> Vec<(Path, &'n Node<'t>)> {
    match node.get_ref() {
        DeValue::Table(table) => table.iter().map(|(key, value)| (path.key(key.get_ref()), value)).collect(),
        DeValue::Array(array) => array.iter().enumerate().map(|(at, value)| (path.index(at), value)).collect(),
        _ => vec![],
    }
}

/// A copy of a value without what is cut; `None` where nothing usable is left of it.
fn without<'t>(node: &Node<'t>, path: &Path, cuts: &BTreeMap<Path, Cut>) -> Option<Node<'t>> {
    let cut = cuts.get(path).copied();
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
