//! Instrument definitions: the shipped ones and the shop's own.

use std::path::Path as FilePath;
use std::sync::{Arc, LazyLock};

use ridgepost_parsers::{Definition, Instrument};

use super::{Names, plain_name};
use crate::diagnostic::{Code, Diagnostic};
use crate::document::Path;
use crate::plan::Text;
use crate::schema::INSTRUMENT;
use crate::sheet::Sheet;

/// Shipped definitions: file name and text. To add one, put the file into `config/instruments` and a line here.
const SHIPPED: &[(&str, &str)] = &[
    ("csv-export.toml", include_str!("../../instruments/csv-export.toml")),
    ("report-block.toml", include_str!("../../instruments/report-block.toml")),
    ("single-line.toml", include_str!("../../instruments/single-line.toml")),
];

/// One definition that stations can refer to.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    /// Its name.
    pub(crate) name: String,
    /// Ready for use; `None` where the definition is faulty.
    pub(crate) instrument: Option<Arc<Instrument>>,
    /// Its text.
    pub(crate) text: Text,
}

/// The shipped definitions, compiled once a process.
pub(crate) static SHIPPED_ENTRIES: LazyLock<Vec<Entry>> = LazyLock::new(|| {
    let compiled = SHIPPED.iter().filter_map(|(file, text)| {
        let mut sheet = Sheet::open(FilePath::new(file), text, &INSTRUMENT);
        let (name, instrument) = check(&mut sheet);
        Some(Entry { name: name?, instrument, text: Text::new(text) })
    });
    compiled.collect()
});

/// Every definition there is.
#[derive(Clone, Debug, Default)]
pub(crate) struct Library {
    /// Shipped ones first.
    pub(crate) entries: Vec<Entry>,
    /// A file could not be read so far that its name is known.
    pub(crate) more: bool,
}

impl Library {
    /// What stations can refer to.
    pub(crate) fn names(&self) -> Names {
        Names { written: self.entries.iter().map(|entry| entry.name.clone()).collect(), more: self.more }
    }

    /// The usable definition of a name.
    pub(crate) fn get(&self, name: &str) -> Option<(Arc<Instrument>, Text)> {
        let entry = self.entries.iter().find(|entry| entry.name == name)?;
        Some((entry.instrument.clone()?, entry.text.clone()))
    }
}

/// Where a definition's name stands.
pub(crate) fn name_path() -> Path {
    Path::top().key("instrument").key("name")
}

/// Reads one definition: its name as far as it can be known, and the instrument where it is faultless.
pub(crate) fn check(sheet: &mut Sheet) -> (Option<String>, Option<Arc<Instrument>>) {
    let name = sheet.text(&name_path());
    if let Some(name) = &name {
        plain_name(sheet, &name_path(), name);
    }
    // What the form of the file spoilt is left out, so that the meaning of the rest is checked too.
    let spoilt = sheet.is_faulty(&Path::top());
    let compiled = match if spoilt { sheet.try_read::<Definition>() } else { sheet.read() } {
        Some(definition) => definition.compile(),
        None => return (name, None),
    };
    let instrument = match compiled {
        Ok(instrument) => Some(Arc::new(instrument)),
        Err(faults) => {
            let faults: Vec<_> =
                faults.into_iter().map(|fault| (Path(fault.path), fault.message, fault.help)).collect();
            // A fault round a spot that is told already may only be its echo.
            let fresh: Vec<_> = faults.into_iter().filter(|(path, ..)| !sheet.is_told_below(path)).collect();
            for (path, message, help) in fresh {
                sheet.fault(&path, Code::Contradiction, message, help.unwrap_or_default());
            }
            None
        }
    };
    (name, instrument.filter(|_| !sheet.is_faulty(&Path::top())))
}

/// One definition by itself, with what a person should look at; else every fault of it. `origin` is the name that
/// faults are told under.
pub fn instrument(text: &str, origin: &FilePath) -> Result<(Arc<Instrument>, Vec<Diagnostic>), Vec<Diagnostic>> {
    let mut sheet = Sheet::open(origin, text, &INSTRUMENT);
    let (_, instrument) = check(&mut sheet);
    let mut told: Vec<_> = sheet.into_diagnostics().collect();
    told.sort_by_key(|diagnostic| (diagnostic.line, diagnostic.column));
    match instrument {
        Some(instrument) => Ok((instrument, told)),
        None => Err(told),
    }
}

#[cfg(test)]
#[allow(clippy::panic, reason = "a test that can't go on may stop")]
mod tests {
    use super::*;

    #[test]
    fn shipped_definitions_are_faultless_and_named_like_their_files() {
        for (file, text) in SHIPPED {
            match instrument(text, FilePath::new(file)) {
                Ok((instrument, told)) => {
                    assert_eq!((instrument.name(), told.len()), (file.trim_end_matches(".toml"), 0));
                }
                Err(faults) => panic!("{}", faults.iter().map(|fault| format!("{fault}\n")).collect::<String>()),
            }
        }
        assert_eq!(SHIPPED_ENTRIES.len(), SHIPPED.len());
    }

    #[test]
    fn meaning_is_checked_beside_form() {
        let text = "[instrument]\nname = \"x\"\ncolour = 1\n\n[[line]]\npattern = '('\n";
        let told: Vec<_> = match instrument(text, FilePath::new("x.toml")) {
            Ok(_) => vec![],
            Err(faults) => faults.into_iter().map(|fault| (fault.code, fault.line, fault.column)).collect(),
        };
        assert_eq!(told, [(Code::UnknownKey, 3, 1), (Code::Contradiction, 6, 11)]);
    }
}
