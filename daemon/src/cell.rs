//! The cell folder as the program uses it: whatever of it is faultless, and the faults.

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use ridgepost_config::{Diagnostic, Job, Loaded, ORDERS, Order, Plan, Text};

/// A loaded cell folder with a usable plan.
#[derive(Clone, Debug)]
pub struct Cell {
    /// The folder.
    pub dir: PathBuf,
    /// Everything faultless in it.
    pub plan: Arc<Plan>,
    /// Everything that keeps parts of it from being used.
    pub faults: Vec<Diagnostic>,
    /// How the folder looked just before it was read.
    pub look: Look,
    texts: BTreeMap<PathBuf, String>,
}

/// Names, sizes and times of everything that configures a cell: another look means that something changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Look(String);

impl Look {
    /// How a cell folder looks now.
    pub fn at(dir: &Path) -> Self {
        let mut files: Vec<String> = folders(dir)
            .iter()
            .flat_map(|folder| std::fs::read_dir(folder).into_iter().flatten().flatten())
            .filter(|entry| entry.path().extension().is_some_and(|extension| extension == "toml"))
            .map(|entry| match std::fs::metadata(entry.path()) {
                Ok(data) => {
                    format!("{:?} {} {}.{} {}", entry.path(), data.len(), data.mtime(), data.mtime_nsec(), data.ino())
                }
                Err(error) => format!("{:?} {error}", entry.path()),
            })
            .collect();
        files.sort();
        Look(files.join("\n"))
    }
}

/// The folders whose files configure a cell.
pub fn folders(dir: &Path) -> [PathBuf; 3] {
    [dir.to_owned(), dir.join("jobs"), dir.join("instruments")]
}

impl Cell {
    /// Loads a cell folder. Without a usable `cell.toml` there is nothing to go by: every fault is the error.
    pub fn load(dir: &Path) -> Result<Cell, Vec<Diagnostic>> {
        let dir = std::path::absolute(dir).unwrap_or_else(|_| dir.to_owned());
        let look = Look::at(&dir);
        let Loaded { partial, diagnostics, texts, .. } = ridgepost_config::load(&dir);
        let Some(plan) = partial else { return Err(diagnostics) };
        let faults = diagnostics.into_iter().filter(Diagnostic::is_fault).collect();
        let texts = texts.into_iter().map(|(path, text)| (path, text.body.to_string())).collect();
        Ok(Cell { dir, plan: Arc::new(plan), faults, look, texts })
    }

    /// All texts of the folder in one, to be kept in the store.
    pub fn kept_texts(&self) -> Text {
        Text::new(&serde_json::to_string(&self.texts).unwrap_or_default())
    }

    /// The cell that kept texts say: the last configuration without fault. `look` is how the folder looks instead.
    pub fn from_kept(dir: &Path, look: Look, kept: &str) -> Option<Cell> {
        let texts: BTreeMap<PathBuf, String> = serde_json::from_str(kept).ok()?;
        let loaded = ridgepost_config::read(dir, &texts);
        Some(Cell { dir: dir.to_owned(), plan: Arc::new(loaded.plan?), faults: Vec::new(), look, texts })
    }

    /// This plan in force beside files with faults.
    pub fn beside_faults(self, faults: Vec<Diagnostic>) -> Cell {
        Cell { faults, ..self }
    }

    /// The text that is kept of the job of an order.
    pub fn order(&self, order: &Order) -> Option<String> {
        self.texts.get(&Path::new(ORDERS).join(order.file_name())).cloned()
    }

    /// This cell with a job of another system, or everything that is wrong with that.
    ///
    /// # Errors
    /// Each fault with its place in the job's text.
    pub fn with_order(&self, order: &Order) -> Result<Cell, Vec<String>> {
        let file = Path::new(ORDERS).join(order.file_name());
        let mut texts = self.texts.clone();
        texts.insert(file.clone(), order.text.clone());
        let loaded = ridgepost_config::read(&self.dir, &texts);
        let faults: Vec<String> = loaded.faults().filter(|fault| fault.file == file).map(in_one_line).collect();
        match loaded.partial {
            Some(plan) if faults.is_empty() && plan.jobs.contains_key(&order.id) => {
                Ok(Cell { plan: Arc::new(plan), texts, ..self.clone() })
            }
            _ if faults.is_empty() => {
                Err(vec![format!("job {} can't be used beside the files of this cell", order.id)])
            }
            _ => Err(faults),
        }
    }

    /// The job that a kept text says, read beside the rest of the folder as it is now. The text may differ from
    /// today's job file, or the file may be gone: an open job stays as it was opened.
    pub fn kept_job(&self, body: &str) -> Option<Arc<Job>> {
        if let Some(job) = self.plan.jobs.values().find(|job| &*job.text.body == body) {
            return Some(Arc::clone(job));
        }
        let mut texts = self.texts.clone();
        texts.retain(|path, _| !path.starts_with("jobs") && !path.starts_with(ORDERS));
        texts.insert("jobs/kept.toml".into(), body.to_owned());
        ridgepost_config::read(&self.dir, &texts).partial?.jobs.into_values().next()
    }
}

/// A fault of a text that its writer may have written in another form: the line itself says where it is.
fn in_one_line(fault: &Diagnostic) -> String {
    let help = fault.help.as_ref().map(|help| format!(" ({help})")).unwrap_or_default();
    match fault.snippet.trim() {
        "" => format!("{}{help}", fault.message),
        line => format!("`{line}`: {}{help}", fault.message),
    }
}
