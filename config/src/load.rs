//! The one place of the pure crates that reads files: a cell folder from disk.

use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::diagnostic::Diagnostic;
use crate::read::{Loaded, gather, unreadable};

/// A configuration file is never this long; a device or a misplaced export might be.
const LONGEST: u64 = 4 << 20;

/// Reads and checks a cell folder. A file that can't be read or is faulty takes no other down.
pub fn load(cell_dir: &Path) -> Loaded {
    let cell_dir = std::path::absolute(cell_dir).unwrap_or_else(|_| cell_dir.to_owned());
    let mut found = Found::default();
    for file in ["cell.toml", "gauges.toml"] {
        found.file(&cell_dir, file.into());
    }
    for folder in ["jobs", "instruments"] {
        found.folder(&cell_dir, folder);
    }
    gather(&cell_dir, &found.texts, found.faults)
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
            Err((message, help)) => self.faults.push(unreadable(file, message, help)),
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

/// The text of a file, `None` where there is none.
fn text(path: &Path) -> Result<Option<String>, (String, &'static str)> {
    let size = match std::fs::metadata(path) {
        Ok(about) if about.is_file() => about.len(),
        Ok(_) => return Err(("is no file".to_owned(), "write a text file here")),
        // A link without target is a fault, no file at all is none.
        Err(error) if error.kind() == ErrorKind::NotFound && path.symlink_metadata().is_err() => return Ok(None),
        Err(error) => return Err((format!("can't be read: {error}"), PERMISSION)),
    };
    if size > LONGEST {
        return Err((format!("is too long: {size} bytes"), "a configuration file has at most 4 MiB"));
    }
    let bytes = std::fs::read(path).map_err(|error| (format!("can't be read: {error}"), PERMISSION))?;
    String::from_utf8(bytes).map(Some).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..at].iter().filter(|byte| **byte == b'\n').count() + 1;
        (format!("is not UTF-8: a wrong byte on line {line}"), "save it as UTF-8")
    })
}
