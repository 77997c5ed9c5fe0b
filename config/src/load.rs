//! The one place of the pure crates that reads files: a cell folder from disk.

use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::string::FromUtf8Error;

use crate::diagnostic::Diagnostic;
use crate::read::{Loaded, ORDERS, gather, unreadable};

/// A configuration file is never this long; a device or a misplaced export might be.
const LONGEST: u64 = 4 << 20;

/// Reads and checks a cell folder. A file that can't be read or is faulty takes no other down.
pub fn load(cell_dir: &Path) -> Loaded {
    let cell_dir = std::path::absolute(cell_dir).unwrap_or_else(|_| cell_dir.to_owned());
    let mut found = Found::default();
    for file in ["cell.toml", "gauges.toml", "labels.toml"] {
        found.file(&cell_dir, file.into());
    }
    for folder in ["jobs", "instruments"] {
        found.folder(&cell_dir, folder);
    }
    let known = found.texts.len() + found.faults.len();
    let loaded = gather(&cell_dir, &found.texts, found.faults.clone());
    // Jobs that other systems handed over lie beside the store, and where that is only the files tell.
    let beside = loaded.partial.as_ref().filter(|plan| plan.orders.is_some()).and_then(|plan| plan.store.parent());
    if let Some(beside) = beside {
        found.folder(beside, ORDERS);
    }
    match found.texts.len() + found.faults.len() > known {
        true => gather(&cell_dir, &found.texts, found.faults),
        false => loaded,
    }
}

#[derive(Default)]
struct Found {
    texts: BTreeMap<PathBuf, String>,
    faults: Vec<Diagnostic>,
}

impl Found {
    fn file(&mut self, cell_dir: &Path, file: PathBuf) {
        match text(&cell_dir.join(&file)) {
            Ok(Some(text)) => {
                self.texts.insert(file, text);
            }
            Ok(None) => {}
            Err(Unread { message, help, place }) => {
                let (line, column, snippet) = place.unwrap_or_default();
                self.faults.push(Diagnostic { line, column, snippet, ..unreadable(file, message, help) });
            }
        }
    }

    /// Every `*.toml` of a folder; hidden names are editors' own.
    fn folder(&mut self, cell_dir: &Path, folder: &str) {
        let entries = match std::fs::read_dir(cell_dir.join(folder)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == ErrorKind::NotFound => return,
            Err(error) => {
                // Told under a name of the kind, so that no reference into the folder is called missing.
                let file = Path::new(folder).join("*.toml");
                return self.faults.push(unreadable(file, format!("the folder can't be read: {error}"), PERMISSION));
            }
        };
        for entry in entries.flatten() {
            let name = entry.file_name();
            let file = Path::new(folder).join(&name);
            let hidden = name.to_string_lossy().starts_with('.');
            if !hidden && file.extension().is_some_and(|extension| extension == "toml") {
                self.file(cell_dir, file);
            }
        }
    }
}

const PERMISSION: &str = "let the user that the service runs as read it";

/// Why a file is no text.
struct Unread {
    message: String,
    help: &'static str,
    /// Line and column in characters, both from 1, and the line as far as it can be shown.
    place: Option<(usize, usize, String)>,
}

impl Unread {
    fn new(message: impl Into<String>, help: &'static str) -> Self {
        Unread { message: message.into(), help, place: None }
    }

    /// A text in another encoding; the first byte that can't be read has its place.
    fn not_utf8(error: &FromUtf8Error) -> Self {
        let (bytes, at) = (error.as_bytes(), error.utf8_error().valid_up_to());
        let start = bytes[..at].iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        let line = bytes[..start].iter().filter(|byte| **byte == b'\n').count() + 1;
        let end = bytes[at..].iter().position(|byte| *byte == b'\n').map_or(bytes.len(), |end| at + end);
        let column = String::from_utf8_lossy(&bytes[start..at]).trim_start_matches('\u{feff}').chars().count() + 1;
        let shown = String::from_utf8_lossy(&bytes[start..end]);
        let shown = shown.trim_start_matches('\u{feff}').trim_end_matches('\r').to_owned();
        let message = format!("is not UTF-8: byte {:02X} stands for no character", bytes[at]);
        Unread { place: Some((line, column, shown)), ..Unread::new(message, "save it as UTF-8") }
    }
}

/// The text of a file, `None` where there is none.
fn text(path: &Path) -> Result<Option<String>, Unread> {
    let size = match std::fs::metadata(path) {
        Ok(about) if about.is_file() => about.len(),
        Ok(_) => return Err(Unread::new("is no file", "write a text file here")),
        // A link without target is a fault, no file at all is none.
        Err(error) if error.kind() == ErrorKind::NotFound && path.symlink_metadata().is_err() => return Ok(None),
        Err(error) => return Err(Unread::new(format!("can't be read: {error}"), PERMISSION)),
    };
    if size > LONGEST {
        let message = format!("is too long: {size} bytes");
        return Err(Unread::new(message, "a configuration file has at most 4 MiB"));
    }
    let bytes = std::fs::read(path).map_err(|error| Unread::new(format!("can't be read: {error}"), PERMISSION))?;
    String::from_utf8(bytes).map(Some).map_err(|error| Unread::not_utf8(&error))
}
