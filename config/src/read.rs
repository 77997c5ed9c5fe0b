//! From texts to a plan: every file checked, references followed, whatever is faultless put together.

use std::collections::BTreeMap;
use std::path::{Path as FilePath, PathBuf};
use std::sync::Arc;

use sha2::{Digest, Sha256};

use crate::check::instruments::{Entry, Library};
use crate::check::jobs::Around;
use crate::check::{Names, cell, gauges, instruments, jobs, labels, sinks, sources, stations, watch};
use crate::diagnostic::{Code, Diagnostic, Severity};
use crate::document::Path;
use crate::labels::Labels;
use crate::plan::{Folder, GaugeBinding, Job, Plan, Sink, Station, Text};
use crate::schema;
use crate::sheet::Sheet;

/// What became of a cell folder.
#[derive(Clone, Debug, Default)]
pub struct Loaded {
    /// The plan; only where no file has a fault.
    pub plan: Option<Plan>,
    /// Everything faultless: faulty jobs, stations, sinks, gauges and definitions are left out. The same as `plan`
    /// where there is one; `None` where the cell's name or its store can't be known.
    pub partial: Option<Plan>,
    /// Every fault and warning, by file and line.
    pub diagnostics: Vec<Diagnostic>,
    /// Every file that was read, relative to the cell folder: given to [`read`] they yield this plan again.
    pub texts: BTreeMap<PathBuf, Text>,
}

impl Loaded {
    /// Everything that keeps parts of the configuration from being used.
    pub fn faults(&self) -> impl Iterator<Item = &Diagnostic> {
        self.diagnostics.iter().filter(|diagnostic| diagnostic.is_fault())
    }

    /// Everything that a person should look at although it can be used.
    pub fn warnings(&self) -> impl Iterator<Item = &Diagnostic> {
        self.diagnostics.iter().filter(|diagnostic| !diagnostic.is_fault())
    }
}

impl Text {
    /// A text with its hash.
    pub fn new(body: &str) -> Self {
        let hash = Sha256::digest(body.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect();
        Text { body: body.into(), hash }
    }
}

/// Checks texts of a cell folder, by path relative to `cell_dir` (absolute): `cell.toml`, `gauges.toml`,
/// `labels.toml`, `jobs/*.toml`, `instruments/*.toml`, and `orders/*.toml`, which lie beside the store. Other paths are not looked at.
pub fn read(cell_dir: &FilePath, files: &BTreeMap<PathBuf, String>) -> Loaded {
    gather(cell_dir, files, vec![])
}

/// As [`read`], with files that could not be read.
pub(crate) fn gather(cell_dir: &FilePath, files: &BTreeMap<PathBuf, String>, unreadable: Vec<Diagnostic>) -> Loaded {
    let mut desk = Desk { cell_dir, files, unreadable: &unreadable, sheets: vec![] };
    let library = desk.instruments();
    let register = desk.gauges();
    let cell = desk.cell(&library, &register.ids);
    let around = around(&cell, &register);
    let (jobs, job_ids) = desk.jobs(&around);
    let labels = desk.labels(&labels::Around { stations: cell.instrument_names(), jobs: job_ids });
    let missing = desk.missing_cell();
    let mut diagnostics: Vec<_> = desk.sheets.into_iter().flat_map(Sheet::into_diagnostics).collect();
    diagnostics.extend(missing);
    diagnostics.extend(unreadable);
    diagnostics.sort_by(|one, other| (&one.file, one.line, one.column).cmp(&(&other.file, other.line, other.column)));
    let partial = cell.place.map(|(place, store)| Plan {
        cell: place,
        store,
        stations: cell.stations,
        gauges: register.gauges,
        specimens: register.specimens,
        jobs,
        labels: labels.map(Arc::new),
        operators: cell.operators,
        orders: cell.orders,
        sinks: cell.sinks,
        watch: cell.watch,
    });
    let faultless = !diagnostics.iter().any(Diagnostic::is_fault);
    Loaded {
        plan: partial.clone().filter(|_| faultless),
        partial,
        diagnostics,
        texts: files
            .iter()
            .filter(|(file, _)| kind(file).is_some())
            .map(|(file, text)| (file.clone(), Text::new(text)))
            .collect(),
    }
}

/// The folder, beside the store, that keeps the jobs of other systems.
pub const ORDERS: &str = "orders";

/// Which file of a cell folder a path is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Cell,
    Gauges,
    Labels,
    Job,
    Instrument,
}

fn kind(file: &FilePath) -> Option<Kind> {
    let is_toml = file.extension().is_some_and(|extension| extension == "toml");
    match file.parent()?.to_str()? {
        "" if file.as_os_str() == "cell.toml" => Some(Kind::Cell),
        "" if file.as_os_str() == "gauges.toml" => Some(Kind::Gauges),
        "" if file.as_os_str() == "labels.toml" => Some(Kind::Labels),
        "jobs" | ORDERS if is_toml => Some(Kind::Job),
        "instruments" if is_toml => Some(Kind::Instrument),
        _ => None,
    }
}

/// What `cell.toml` says.
#[derive(Default)]
struct CellPart {
    place: Option<(crate::plan::Cell, PathBuf)>,
    stations: Vec<Station>,
    station_names: Names,
    /// Those of scanners among them.
    scanners: Vec<String>,
    operators: Option<Vec<crate::operator::Operator>>,
    orders: Option<Folder>,
    sinks: Vec<Sink>,
    watch: crate::watch::Watch,
}

impl CellPart {
    /// Names of the stations with an instrument.
    fn instrument_names(&self) -> Names {
        let mut names = self.station_names.clone();
        names.written.retain(|name| !self.scanners.contains(name));
        names
    }
}

fn around(cell: &CellPart, register: &gauges::Register) -> Around {
    let is_skidded = |id: &String| register.gauges.get(id).is_some_and(|gauge| gauge.skidded);
    let skidded = cell.stations.iter().filter(|station| match &station.gauge {
        GaugeBinding::One(id) => is_skidded(id),
        GaugeBinding::ByChannel(ids) => ids.values().any(is_skidded),
        GaugeBinding::None => false,
    });
    Around {
        skidded: skidded.map(|station| station.name.clone()).collect(),
        stations: cell.station_names.clone(),
        cell: cell.place.as_ref().map(|(cell, _)| cell.name.clone()),
    }
}

/// The files side by side.
struct Desk<'t> {
    cell_dir: &'t FilePath,
    files: &'t BTreeMap<PathBuf, String>,
    unreadable: &'t [Diagnostic],
    sheets: Vec<Sheet<'t>>,
}

impl<'t> Desk<'t> {
    fn of(&self, wanted: Kind) -> Vec<(&'t FilePath, &'t str)> {
        let files = self.files.iter().filter(|(file, _)| kind(file) == Some(wanted));
        files.map(|(file, text)| (file.as_path(), text.as_str())).collect()
    }

    fn is_unreadable(&self, wanted: Kind) -> bool {
        self.unreadable.iter().any(|diagnostic| kind(&diagnostic.file) == Some(wanted))
    }

    fn instruments(&mut self) -> Library {
        let mut library = Library { more: self.is_unreadable(Kind::Instrument), entries: vec![] };
        for (file, text) in self.of(Kind::Instrument) {
            let mut sheet = Sheet::open(file, text, &schema::INSTRUMENT);
            let (name, instrument) = instruments::check(&mut sheet);
            library.more |= name.is_none();
            if let Some(name) = name {
                let twin = library.entries.iter().position(|entry| entry.name == name);
                let is_shipped = Library::is_shipped(&name);
                if is_shipped || twin.is_some() {
                    let whose = match is_shipped {
                        true => "a shipped definition has this name",
                        false => "another definition has this name",
                    };
                    let message = format!("instrument `{name}`: {whose} already");
                    sheet.fault(
                        &instruments::name_path(),
                        Code::Duplicate,
                        message,
                        "give it a name of its own, and name that in the stations",
                    );
                    // Of two of the shop's own nobody can say which is meant.
                    if let Some(twin) = twin {
                        library.entries[twin].instrument = None;
                    }
                } else {
                    library.entries.push(Entry { name, instrument, text: Text::new(text) });
                }
            }
            self.sheets.push(sheet);
        }
        library
    }

    fn gauges(&mut self) -> gauges::Register {
        let mut register = gauges::Register::default();
        for (file, text) in self.of(Kind::Gauges) {
            let mut sheet = Sheet::open(file, text, &schema::GAUGES);
            let said = sheet.read();
            register = said.as_ref().map(|said| gauges::check(&mut sheet, said)).unwrap_or_default();
            register.ids.more |= said.is_none();
            self.sheets.push(sheet);
        }
        register.ids.more |= self.is_unreadable(Kind::Gauges);
        register
    }

    fn cell(&mut self, library: &Library, gauges: &Names) -> CellPart {
        let mut part = CellPart::default();
        part.station_names.more = true;
        for (file, text) in self.of(Kind::Cell) {
            let mut sheet = Sheet::open(file, text, &schema::CELL);
            if let Some(said) = sheet.read::<crate::said::CellFile>() {
                let scanners = said.station.iter().filter(|station| station.scanner.is_some());
                let scanners = scanners.filter_map(|station| station.name.clone()).collect();
                let names = said.station.iter().filter_map(|station| station.name.clone()).collect::<Vec<_>>();
                part = CellPart {
                    place: cell::check(&mut sheet, &said, self.cell_dir),
                    stations: stations::check(&mut sheet, &said.station, self.cell_dir, library, gauges),
                    scanners,
                    operators: cell::operators(&mut sheet, &said),
                    orders: sources::orders(&mut sheet, said.orders.as_ref(), self.cell_dir),
                    sinks: sinks::check(&mut sheet, &said.sink, &said.station, self.cell_dir),
                    watch: watch::check(&mut sheet, &said, self.cell_dir),
                    station_names: Names {
                        more: sheet.is_broken() || names.len() < said.station.len(),
                        written: names,
                    },
                };
            }
            self.sheets.push(sheet);
        }
        part
    }

    fn labels(&mut self, around: &labels::Around) -> Option<Labels> {
        let (file, text) = self.of(Kind::Labels).pop()?;
        let mut sheet = Sheet::open(file, text, &schema::LABELS);
        let said: Option<crate::said::LabelsFile> = sheet.read();
        let labels = labels::check(&mut sheet, &said.unwrap_or_default(), around, Text::new(text));
        self.sheets.push(sheet);
        Some(labels)
    }

    /// Every faultless job, and the ids of all.
    fn jobs(&mut self, around: &Around) -> (BTreeMap<String, Arc<Job>>, Names) {
        let first = self.sheets.len();
        let mut jobs = vec![];
        let mut ids: Vec<Option<String>> = vec![];
        for (file, text) in self.of(Kind::Job) {
            let mut sheet = Sheet::open(file, text, &schema::JOB);
            let said: Option<crate::said::JobFile> = sheet.read();
            let id = said.as_ref().and_then(|said| said.job.as_ref()?.id.clone());
            let twin = ids.iter().position(|other| other.is_some() && *other == id);
            if let (Some(twin), Some(id)) = (twin, &id) {
                let message = format!("job `{id}` is in {} already", self.sheets[first + twin].file.display());
                sheet.fault(
                    &jobs::id_path(),
                    Code::Duplicate,
                    message,
                    "neither can be opened until one has another id",
                );
                self.sheets[first + twin].blame(&Path::top());
            }
            jobs.push(said.and_then(|said| jobs::check(&mut sheet, &said, around, Text::new(text))));
            ids.push(id);
            self.sheets.push(sheet);
        }
        let sound = jobs.into_iter().zip(&self.sheets[first..]).filter(|(_, sheet)| !sheet.is_faulty(&Path::top()));
        let jobs = sound.filter_map(|(job, _)| job.map(|job| (job.id.clone(), Arc::new(job)))).collect();
        let more = self.is_unreadable(Kind::Job) || ids.iter().any(Option::is_none);
        (jobs, Names { written: ids.into_iter().flatten().collect(), more })
    }

    /// A cell folder without `cell.toml` says nothing.
    fn missing_cell(&self) -> Option<Diagnostic> {
        let absent = self.of(Kind::Cell).is_empty() && !self.is_unreadable(Kind::Cell);
        absent.then(|| {
            unreadable(
                "cell.toml".into(),
                format!("there is no cell.toml in {}", self.cell_dir.display()),
                "write one, or name the right folder with --cell",
            )
        })
    }
}

/// A file as a whole that can't be used.
pub(crate) fn unreadable(file: PathBuf, message: String, help: &str) -> Diagnostic {
    Diagnostic {
        severity: Severity::Fault,
        code: Code::Unreadable,
        file,
        line: 0,
        column: 0,
        snippet: String::new(),
        message,
        help: Some(help.to_owned()),
    }
}
