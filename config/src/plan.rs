//! The checked plan: what the daemon captures, what the judge judges by, where results go.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use jiff::tz::TimeZone;
use ridgepost_parsers::{Instrument, Quantity, Unit};
use ridgepost_texture::DefaultSetting;
pub use ridgepost_texture::Edition as TextureEdition;
use rust_decimal::Decimal;

pub use crate::register::{Gauge, Specimen, Stylus, VerificationRule, Verified};
pub use crate::source::{
    CharDevice, Control, Flow, Folder, Keyboard, Parity, Port, PortAt, ReadAfter, Source, Stream, Tcp, Usb,
    WhenRecorded,
};

/// Everything one PC does, without a fault in it.
#[derive(Clone, Debug)]
pub struct Plan {
    /// This PC.
    pub cell: Cell,
    /// Where the store lies (absolute).
    pub store: PathBuf,
    /// Ports and folders to listen to, in the order written.
    pub stations: Vec<Station>,
    /// The gauge register by id.
    pub gauges: BTreeMap<String, Gauge>,
    /// Material measures by id.
    pub specimens: BTreeMap<String, Specimen>,
    /// Jobs by id.
    pub jobs: BTreeMap<String, Arc<Job>>,
    /// What labels mean, where the cell knows any.
    pub labels: Option<Arc<crate::labels::Labels>>,
    /// Who may decide what; `None` where nobody is listed.
    pub operators: Option<Vec<crate::operator::Operator>>,
    /// The folder that another system puts job files into, where there is one.
    pub orders: Option<Folder>,
    /// Where results go, in the order written.
    pub sinks: Vec<Sink>,
    /// What the daemon tells of itself, and from when on it warns.
    pub watch: crate::watch::Watch,
}

/// This PC.
#[derive(Clone, Debug)]
pub struct Cell {
    /// Its name, carried by every result.
    pub name: String,
    /// The zone that results' times are written in.
    pub time_zone: TimeZone,
}

/// One port or folder, bound to one instrument definition and its gauge.
#[derive(Clone, Debug)]
pub struct Station {
    /// Its name.
    pub name: String,
    /// How the instrument there talks.
    pub instrument: Arc<Instrument>,
    /// Text of that definition, and the SHA-256 (lower-case hex) that transmissions are bound to.
    pub definition: Text,
    /// Which registered gauge speaks here.
    pub gauge: GaugeBinding,
    /// What is heard here are labels.
    pub scanner: Option<Scanner>,
    /// Where it listens.
    pub source: Source,
}

/// A station whose frames are labels, never readings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Scanner {
    /// The stations that its labels are about; all that have an instrument where none is named.
    pub stations: Vec<String>,
}

/// A text of the configuration, kept to the letter beside its hash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Text {
    /// The text.
    pub body: Arc<str>,
    /// Its SHA-256, lower-case hex.
    pub hash: String,
}

/// Which gauge a reading of a station comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum GaugeBinding {
    /// Always this one.
    One(String),
    /// By the channel the message names.
    ByChannel(BTreeMap<String, String>),
    /// None: a scanner.
    None,
}

/// A number with its unit, as a limit or a setting is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Amount {
    /// The number, digits as written.
    pub number: Decimal,
    /// Its unit.
    pub unit: Unit,
}

/// Measuring conditions: what a gauge is declared to be set to, or what a characteristic requires.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Settings {
    /// Cutoff λc.
    pub cutoff: Option<Amount>,
    /// Short-wave cutoff λs.
    pub lambda_s: Option<Amount>,
    /// Number of sampling lengths.
    pub sections: Option<u32>,
    /// Profile filter.
    pub filter: Option<String>,
    /// Standard the instrument works to.
    pub standard: Option<String>,
    /// Stored program.
    pub program: Option<String>,
}

/// What is made and what is asked of it.
#[derive(Clone, Debug)]
pub struct Job {
    /// Order number.
    pub id: String,
    /// Part number of the drawing.
    pub part_number: String,
    /// Revision of the drawing.
    pub revision: String,
    /// Operation number.
    pub operation: String,
    /// Edition of the texture standards the drawing was made to; empty where the job asks for no texture.
    pub edition: String,
    /// What an unverified gauge does to its readings.
    pub gate: Gate,
    /// Judge texture although its conditions are neither sent nor declared.
    pub accept_unknown_conditions: bool,
    /// Judge hardness although the instrument converted it from another scale.
    pub accept_converted: bool,
    /// Times that a characteristic may be measured again on a piece after it was decided; more are not judged.
    pub retests: u32,
    /// Requirements in measuring order.
    pub characteristics: Vec<Characteristic>,
    /// The exact text this was read from.
    pub text: Text,
}

/// What a gauge without a good verification does to its readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Gate {
    /// Kept, not judged.
    Hold,
    /// Judged and marked.
    Warn,
    /// Refused as results, kept raw.
    Block,
}

/// One requirement on one feature.
#[derive(Clone, Debug, PartialEq)]
pub struct Characteristic {
    /// Balloon number on the drawing.
    pub balloon: String,
    /// The feature in words.
    pub feature: String,
    /// What is measured.
    pub quantity: Quantity,
    /// Lower limit, in `unit`.
    pub lower: Option<Decimal>,
    /// Upper limit, in `unit`.
    pub upper: Option<Decimal>,
    /// Unit of both limits; a reading's `unit` in results.
    pub unit: Unit,
    /// Acceptance rule.
    pub rule: Rule,
    /// Values due for one verdict; under the 16 % rule the fewest.
    pub traces: u32,
    /// How the uncertainty of measuring counts.
    pub decision: DecisionRule,
    /// How wide the guard band of the decision rule is.
    pub guard: GuardWidth,
    /// Where it is judged by what is computed from the profile, and not by the instrument's own figure: how.
    pub trace: Option<FromTrace>,
    /// On which pieces it is due; `None` on every one.
    pub sampling: Option<Sampling>,
    /// Conditions the requirement states.
    pub conditions: Settings,
    /// What the edition says of the cutoff where the requirement states none.
    pub unwritten: Unwritten,
    /// Band outside of which a value is a slip, in `unit`; the quantity's own band where not written.
    pub plausible: Option<(Decimal, Decimal)>,
    /// Only readings of this station fill it.
    pub station: Option<String>,
    /// What an instrument that sends deviations was set with; a deviation without one is not judged.
    pub master: Option<Master>,
    /// The callout it was written as, in its canonical form.
    pub callout: Option<String>,
    /// Whether the acceptance rule is written, and not the edition's.
    pub is_rule_written: bool,
}

/// How a value is computed from a profile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FromTrace {
    /// By which edition's definitions.
    pub edition: TextureEdition,
    /// How far the instrument's own figure may be away from it, in per cent of it; more is remarked upon.
    pub agree_percent: Decimal,
}

/// On which pieces a characteristic is due: on any that one of these asks for it on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sampling {
    /// The first so many pieces since the job was opened.
    pub first: u32,
    /// Each piece that comes so many after the last one it was decided on.
    pub every: Option<u32>,
    /// The piece that is begun so many minutes, or more, after it was decided last.
    pub minutes: Option<u32>,
    /// After one that did not conform each piece, until so many in a row conform.
    pub tightened: u32,
    /// The last piece before the job is closed.
    pub last: bool,
}

/// What an edition says of a cutoff that is not written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unwritten {
    /// Nothing: it is written, or the edition has no row for this parameter.
    Nothing,
    /// The setting of the row in which the limit lies.
    OfLimit(DefaultSetting),
    /// The row in which the measured value lies says which cutoff it should have been measured with.
    OfMeasured(TextureEdition),
}

/// The master that an indicator or a bore gauge is set with. A part's size is the master's size and, by `larger`, plus or
/// minus what the instrument then indicates (common practice).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Master {
    /// Its id, as engraved.
    pub id: String,
    /// The size it is marked with.
    pub nominal: Amount,
    /// Its own deviation from that size, by its certificate; zero where not written.
    pub deviation: Option<Amount>,
    /// Whether a positive indication means that the part is larger than the master.
    pub larger: bool,
    /// Where the characteristic asks for the deviation itself: the size that it is a deviation from.
    pub deviation_from: Option<Amount>,
}

/// Acceptance rule of a characteristic.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
pub enum Rule {
    /// No value may pass the limit.
    #[serde(rename = "max")]
    Max,
    /// The 16 % rule of ISO 4288 5.2.
    #[serde(rename = "16%")]
    Sixteen,
    /// The median of the values.
    #[serde(rename = "median")]
    Median,
    /// The mean of the values.
    #[serde(rename = "mean")]
    Mean,
}

impl Rule {
    /// The word as a job writes it.
    pub fn word(self) -> &'static str {
        match self {
            Rule::Max => "max",
            Rule::Sixteen => "16%",
            Rule::Median => "median",
            Rule::Mean => "mean",
        }
    }
}

/// How the uncertainty of measuring counts where a value is held against a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
pub enum DecisionRule {
    /// It does not: simple acceptance of JCGM 106.
    #[serde(rename = "simple")]
    Simple,
    /// Accepted only inside limits narrowed by the guard band, else rejected (JCGM 106).
    #[serde(rename = "guarded-acceptance")]
    GuardedAcceptance,
    /// Rejected only outside limits widened by the guard band, else accepted (JCGM 106).
    #[serde(rename = "guarded-rejection")]
    GuardedRejection,
    /// Neither proven nor disproven between the narrowed and the widened limits (ISO 14253-1).
    #[serde(rename = "ISO 14253-1")]
    Iso14253,
}

impl DecisionRule {
    /// The word as a job writes it.
    pub fn word(self) -> &'static str {
        match self {
            DecisionRule::Simple => "simple",
            DecisionRule::GuardedAcceptance => "guarded-acceptance",
            DecisionRule::GuardedRejection => "guarded-rejection",
            DecisionRule::Iso14253 => "ISO 14253-1",
        }
    }
}

/// Width of the guard band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
pub enum GuardWidth {
    /// The expanded uncertainty (ISO 14253-1:1998 and 2013).
    #[serde(rename = "U")]
    Expanded,
    /// 1.65 standard uncertainties, 95 % on one side (ISO 14253-1:2017).
    #[serde(rename = "1.65u")]
    OneSided,
}

/// Where results go.
#[derive(Clone, Debug, PartialEq)]
pub struct Sink {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: SinkKind,
}

/// The closed list of sinks.
#[derive(Clone, Debug, PartialEq)]
pub enum SinkKind {
    /// Result files in a folder.
    Csv(CsvSink),
}

/// How result files are written.
#[derive(Clone, Debug, PartialEq)]
pub struct CsvSink {
    /// The folder (absolute); it must exist, it is never made.
    pub folder: PathBuf,
    /// What one file holds.
    pub per: Per,
    /// Rows that one file holds at most; `per` a reading knows no bound.
    pub rows_max: u64,
    /// Which kinds of rows (`reading`, `verdict`, `part`, `correction`, `notice`); all by default.
    pub kinds: Vec<String>,
    /// Columns by field name, in order; all fields of a result by default.
    pub columns: Vec<String>,
    /// Between fields.
    pub separator: char,
    /// Decimal mark of numbers.
    pub decimal: char,
    /// Encoding of the file, a WHATWG label; `utf-8` by default.
    pub encoding: String,
    /// File name: `{cell}`, `{sink}`, `{job}`, `{serial}`, `{piece}` and `{seq}`, which must be there.
    pub name: String,
    /// Write `NAME.ok` with row count and SHA-256 beside each file.
    pub ok_file: bool,
    /// File that must be in the folder before anything is written into it: an unmounted share has none.
    pub marker: Option<String>,
}

/// What one result file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Per {
    /// The rows of one reading.
    Reading,
    /// The rows of one piece.
    Piece,
    /// The rows of one job.
    Job,
    /// The rows of so many minutes.
    Minutes(u32),
}
