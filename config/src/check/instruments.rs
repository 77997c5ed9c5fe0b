//! Instrument definitions: the shipped ones and the shop's own.

use std::path::Path as FilePath;
use std::sync::{Arc, OnceLock};

use ridgepost_parsers::{Definition, Instrument};

use super::{Names, plain_name};
use crate::diagnostic::{Code, Diagnostic};
use crate::document::Path;
use crate::plan::Text;
use crate::schema::INSTRUMENT;
use crate::sheet::Sheet;

/// A shipped definition. Its patterns are made when a station names it for the first time in the process, and only then:
/// made, they take up to 2 MB each.
struct Shipped {
    file: &'static str,
    text: &'static str,
    instrument: OnceLock<Option<Arc<Instrument>>>,
}

impl Shipped {
    const fn new(file: &'static str, text: &'static str) -> Self {
        Shipped { file, text, instrument: OnceLock::new() }
    }

    /// Its name, which is that of its file.
    fn name(&self) -> &'static str {
        self.file.trim_end_matches(".toml")
    }

    fn instrument(&self) -> Option<Arc<Instrument>> {
        let compile = || check(&mut Sheet::open(FilePath::new(self.file), self.text, &INSTRUMENT)).1;
        self.instrument.get_or_init(compile).clone()
    }
}

/// Shipped definitions. To add one, put the file into `config/instruments` and a line here.
static SHIPPED: [Shipped; 4] = [
    Shipped::new("csv-export.toml", include_str!("../../instruments/csv-export.toml")),
    Shipped::new("label-line.toml", include_str!("../../instruments/label-line.toml")),
    Shipped::new("report-block.toml", include_str!("../../instruments/report-block.toml")),
    Shipped::new("single-line.toml", include_str!("../../instruments/single-line.toml")),
];

/// One definition of the shop's own that stations can refer to.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    /// Its name.
    pub(crate) name: String,
    /// Ready for use; `None` where the definition is faulty.
    pub(crate) instrument: Option<Arc<Instrument>>,
    /// Its text.
    pub(crate) text: Text,
}

/// Every definition there is: the shipped ones, and the shop's own.
#[derive(Clone, Debug, Default)]
pub(crate) struct Library {
    /// The shop's own.
    pub(crate) entries: Vec<Entry>,
    /// A file could not be read so far that its name is known.
    pub(crate) more: bool,
}

impl Library {
    /// What stations can refer to.
    pub(crate) fn names(&self) -> Names {
        let shipped = SHIPPED.iter().map(|shipped| shipped.name().to_owned());
        Names { written: shipped.chain(self.entries.iter().map(|entry| entry.name.clone())).collect(), more: self.more }
    }

    /// Whether a shipped definition bears this name.
    pub(crate) fn is_shipped(name: &str) -> bool {
        SHIPPED.iter().any(|shipped| shipped.name() == name)
    }

    /// The usable definition of a name.
    pub(crate) fn get(&self, name: &str) -> Option<(Arc<Instrument>, Text)> {
        if let Some(shipped) = SHIPPED.iter().find(|shipped| shipped.name() == name) {
            return Some((shipped.instrument()?, Text::new(shipped.text)));
        }
        let entry = self.entries.iter().find(|entry| entry.name == name)?;
        Some((entry.instrument.clone()?, entry.text.clone()))
    }
}

/// The text of the definition by which labels are lines: of what a person types, too.
pub fn label_line() -> Text {
    let shipped = SHIPPED.iter().find(|shipped| shipped.name() == super::stations::SCANNER_DEFINITION);
    Text::new(shipped.map_or("", |shipped| shipped.text))
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
        for shipped in &SHIPPED {
            match instrument(shipped.text, FilePath::new(shipped.file)) {
                Ok((instrument, told)) => {
                    assert_eq!((instrument.name(), told.len()), (shipped.name(), 0));
                    assert!(shipped.instrument().is_some());
                }
                Err(faults) => panic!("{}", faults.iter().map(|fault| format!("{fault}\n")).collect::<String>()),
            }
        }
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
