//! How a kind of instrument talks, as an engineer writes it down in TOML.
//!
//! The words here become the JSON Schema that editors show, so they teach: what, unit, default, an example.
//! What the form of a file can't show (patterns, names, parts that must agree) is checked by
//! [`Definition::compile`], which tells every fault at once.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Deserialize;

use crate::instrument::Instrument;
use crate::reading::Mark;

mod binary;
mod cutting;
mod proof;
mod text;
mod trace;
mod tree;

pub use binary::{Binary, BinaryBit, BinaryField, BinaryKind, ByteOrder, Repeat};
pub use cutting::{Counts, Escape, Framing, FramingKind, LengthField, LengthWritten, Terminators};
pub use proof::{Checksum, ChecksumKind, ChecksumPlace, Complement, Covers, CrcForm, Written};
pub use text::{EncodingName, Parity, Text};
pub use trace::{TraceMark, TraceRule, WrittenHeights};
pub use tree::{Json, Xml};

/// One instrument definition: how the bytes are cut into frames, what proves a frame whole, and what its
/// fields mean.
///
/// A frame is read in this order: `[framing]` cuts it, `[envelope]` and `[checksum]` prove it, `[text]` turns
/// bytes into characters, then every line is tried against the `[[line]]` rules in order, and what no rule
/// takes goes to `[table]`, `[places]` or `[pairs]` (at most one of them). `[xml]`, `[json]` and `[binary]` read
/// a frame as a whole in place of lines.
///
/// Field names that carry a meaning: `quantity` `value` `unit` `decimals` `number` `date` `time` `program`
/// `part` `channel` `remark` `verdict` `limit_upper` `limit_lower` `converted_from` `count` `cutoff` `sections` `filter`
/// `standard` `lambda_s` `traverse` `cutoff.unit` `lambda_s.unit` `traverse.unit` `state`, and for profiles
/// `heights` `points` `spacing` `spacing.unit` `height_scale` `height_scale.unit` `height_exponent`. A field named by
/// a quantity symbol (`Ra`, `Rz`, `L`) is a value of that quantity; `Ra.unit`, `Ra.verdict`, `Ra.limit_upper`,
/// `Ra.limit_lower`, `Ra.state` go with it. Any other name is kept in `other`.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Definition {
    /// What this instrument is.
    pub instrument: About,
    /// How the stream or file is cut into frames. Default: one frame per line.
    #[serde(default)]
    pub framing: Framing,
    /// How bytes become characters. Default: 7-bit ASCII.
    #[serde(default)]
    pub text: Text,
    /// What every frame must look like as a whole, before its fields are read.
    #[serde(default)]
    pub envelope: Envelope,
    /// The check value that proves a frame undamaged. Without one every reading is marked `unprotected`.
    pub checksum: Option<Checksum>,
    /// Rules for lines, tried in order; the first whose pattern fits takes the line. In a frame of many lines
    /// every line must be taken by a rule (or by `table`, `places`, `pairs`), else the frame is damaged.
    #[serde(default)]
    pub line: Vec<LineRule>,
    /// Rows of cells between delimiters, with or without a header row.
    pub table: Option<Table>,
    /// Fixed places in the line, counted from 1 as manuals do, both ends included: `number = "1-4"`. Places
    /// that no field names must be blank. A shorter or longer line is damaged (`length`).
    pub places: Option<BTreeMap<String, String>>,
    /// Keys and values: `Ra=0.412;N=17`. Unknown keys are kept in `other`; a key twice is damage.
    pub pairs: Option<Pairs>,
    /// The frame is an XML document: where in it the fields are.
    pub xml: Option<Xml>,
    /// The frame (or every line) is a JSON document: where in it the fields are.
    pub json: Option<Json>,
    /// The frame is no text: fields by their bytes.
    pub binary: Option<Binary>,
    /// The frame holds a measured profile.
    pub trace: Option<TraceRule>,
    /// What the instrument's own names (keys, headings, captures, quantity words) mean here: a field name or a
    /// quantity symbol. Example: `N = "number"`, `RA = "Ra"`. A key or heading sent by the instrument means
    /// something only if it is named here (or in `labels`), or is a texture symbol such as `Ra`.
    #[serde(default)]
    pub names: BTreeMap<String, String>,
    /// Names by language: `[labels.de]` then `"Mittenrauwert Ra" = "Ra"`. A stream whose labels change from one
    /// language to another is remarked upon (`label-language-changed`).
    #[serde(default)]
    pub labels: BTreeMap<String, BTreeMap<String, String>>,
    /// The instrument's own spellings of units: `UM = "µm"`. The units' own symbols (and `um`, `uin`) are known
    /// without being named.
    #[serde(default)]
    pub units: BTreeMap<String, String>,
    /// How numbers are written. Default: `12.347` or `-0.003`.
    #[serde(default)]
    pub numbers: Numbers,
    /// More about single fields, by field name or quantity symbol: `[field.cutoff]` then `unit = "mm"`.
    #[serde(default)]
    pub field: BTreeMap<String, Field>,
    /// What stands in place of a number, or beside it.
    #[serde(default)]
    pub mark: Vec<MarkRule>,
    /// What the words of a field `state` mean: `OK = "good"`, `over = "over"`. Beside `over`, `under`, `none` and
    /// `error` a number is never taken for the value. A word that is not named here is damage.
    #[serde(default)]
    pub states: BTreeMap<String, StateWord>,
    /// What the instrument's own verdicts mean: `IN = "in"`, `"*HI" = "out"`. A word that is not named here means
    /// nothing and is remarked upon (`verdict-unknown`).
    #[serde(default)]
    pub verdicts: BTreeMap<String, VerdictWord>,
    /// How this PC talks to the instrument: start-up, questions, acknowledgements. Default: it only listens.
    pub dialogue: Option<crate::dialogue::DialogueRule>,
    /// What makes a reading: defaults, required fields, what tells one measurement from another.
    #[serde(default)]
    pub reading: ReadingRule,
}

/// What this instrument is.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct About {
    /// Name that stations refer to. Example: `"report-block"`.
    pub name: String,
    /// One line for people: what it is and how it sends. Example: `"hand-held tester, prints on key press"`.
    pub description: Option<String>,
    /// What it sends are labels for a station with `scanner`, never readings: no field is needed. Default: false.
    #[serde(default)]
    pub labels: bool,
}

/// What every frame must look like as a whole.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Envelope {
    /// Characters between the marks (of a line: without its line end), exactly; another length is damage
    /// (`length`), never shifted columns. Example: `37`.
    pub length: Option<usize>,
    /// Pattern that a frame of this instrument begins with. A frame without it is `not-mine`: kept, not raised.
    /// For rows of a file only the first row is asked. Example: `'RT1,'`.
    pub mine: Option<String>,
}

/// Something an instrument tells that is no reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    /// It reports an error; the capture `code` is told to people.
    InstrumentError,
    /// Its battery is low.
    BatteryLow,
    /// It can't answer now and is to be asked again.
    Busy,
    /// It answers that it has no new measurement.
    NothingNew,
}

/// One rule for lines.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LineRule {
    /// Regular expression over the whole line (it needs no `^` and `$`); named captures are fields.
    /// Example: `'(?<quantity>R[a-z]+) +(?<value>\S+) (?<unit>um)'`.
    pub pattern: String,
    /// A line that is known and not wanted (a rule, a heading, statistics, an echo). Default: false.
    #[serde(default)]
    pub ignore: bool,
    /// What the line tells besides readings.
    pub event: Option<Event>,
    /// Whether the fields of a line without value apply to all later lines of the stream or file, until stated
    /// again. Default: true for rows (the preamble of an export), else false. In a block they apply to the
    /// whole block in any case.
    pub carry: Option<bool>,
    /// Whether the pattern fits the line several times, side by side (columns of a page): it is applied again to what
    /// is left until nothing is. Each time is a value. Default: false.
    #[serde(default)]
    pub again: bool,
    /// Of an ignored line: what follows it is not wanted either (statistics), up to a line that this pattern fits as a
    /// whole, which is read. `""` fits no line, so all the rest is skipped. In blocks and files only.
    pub skip_to: Option<String>,
    /// Whether the line begins a new record of a block: its fields apply to the lines after it, up to the next
    /// such line. Default: false.
    #[serde(default)]
    pub starts_record: bool,
}

/// Rows of cells.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Table {
    /// The character between cells. A blank means any number of blanks and tabs. Example: `";"`, `"\t"`, `" "`.
    pub delimiter: String,
    /// Pattern of the whole header row as sent. It may come again, with its columns in another order; rows
    /// before the first one are taken by `[[line]]` rules. Example: `'Nr;.*'`.
    pub header: Option<String>,
    /// Pattern of the whole row right above the header row whose headings reach over several columns. An empty cell
    /// there goes on with the heading at its left, and a column is named by both texts with a blank between: `Ra` over
    /// `limit` is `Ra limit`. Example: `';;Ra;;Rz;'`.
    pub header_above: Option<String>,
    /// Field names of the columns from the left, where there is no header row. Example: `["number", "Ra"]`.
    pub columns: Option<Vec<String>>,
    /// Pattern of a column heading that holds quantity and unit. Example:
    /// `'(?<quantity>\S+) \[(?<unit>\S+)\]'`.
    pub heading: Option<String>,
    /// Whether the row behind the header states the units. Default: false.
    #[serde(default)]
    pub units_row: bool,
}

/// Keys and values.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pairs {
    /// What stands between key and value. Example: `"="`.
    pub pair: String,
    /// What stands between pairs of one line, each line being a record. Absent: every line of a block is one
    /// pair, and the block is one record. Example: `";"`.
    pub between: Option<String>,
    /// The quotation mark of values that may hold `between`. A doubled one stands for itself. Example: `"\""`.
    pub quote: Option<String>,
    /// Pattern of a key that holds quantity and unit. Example: `'(?<quantity>\w+)\[(?<unit>\S+)\]'` for `Ra[um]`.
    pub key: Option<String>,
}

/// Where the sign of a number stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SignPlace {
    /// Right before the digits, or missing: `-0.003`.
    #[default]
    Before,
    /// Before the digits, blanks between allowed: `- 0.003`.
    Spaced,
    /// Right after the digits, or missing: `0.003-`.
    After,
    /// There is none.
    None,
}

/// How numbers are written. What is not written exactly so is damage (`number`), and a text that can be read as
/// two different numbers is damage as well (`ambiguous-number`).
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Numbers {
    /// The decimal mark; several characters where several are in use. Default: `"."`. Example: `",."`.
    pub decimal: String,
    /// Marks between groups of three digits; several characters where several are in use. Default: none.
    /// Example: `" "`.
    pub grouping: String,
    /// Where the sign stands. Default: `"before"`.
    pub sign: SignPlace,
    /// Whether an exponent may follow: `4.120E-07`. Default: false.
    pub exponent: bool,
    /// Whether the digit before the decimal mark may be missing: `.415`. Default: false.
    pub leading_point: bool,
    /// Whether the digits after the decimal mark may be missing: `12.`. Default: false.
    pub trailing_point: bool,
    /// Decimals of numbers sent without a decimal mark: with 3, `00001234` is 1.234. Default: none. A capture
    /// `decimals` states them per message.
    pub decimals: Option<u8>,
}

impl Default for Numbers {
    fn default() -> Self {
        Numbers {
            decimal: ".".to_owned(),
            grouping: String::new(),
            sign: SignPlace::Before,
            exponent: false,
            leading_point: false,
            trailing_point: false,
            decimals: None,
        }
    }
}

/// More about one field.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Field {
    /// The unit of its number where the message states none. For a quantity and for `value`, `cutoff`,
    /// `lambda_s`, `traverse`. Example: `"µm"`.
    pub unit: Option<String>,
    /// Whether the unit may stand behind the number in the same field: `0.412 um`. Default: true for `cutoff`,
    /// `lambda_s` and `traverse`, else false.
    pub unit_in_text: Option<bool>,
    /// Pattern of the whole field; something else is damage. Example: `'\d{4}'`.
    pub pattern: Option<String>,
    /// How `date` and `time` are written, in the letters of ISO 8601: `YYYY` `YY` (20YY) `MM` `M` `DD` `D` `hh`
    /// `h` `mm` `ss`, `f` for decimals of a second, `Z` for a zone; and `MMM` for an English month in three letters,
    /// `p` for AM or PM. Any other character stands for itself, and so do letters between
    /// apostrophes: `hh'h'mm` reads `14h07`. Nothing is added to what was sent: no seconds, no
    /// zone. Example: `"DD.MM.YYYY hh:mm"`. Default: the field is in ISO 8601 form already.
    pub format: Option<String>,
    /// Decimals of a number sent without a decimal mark. Default: as `numbers.decimals`.
    pub decimals: Option<u8>,
    /// Of a hardness: the scale it was measured in, where the instrument converts. Nothing is ever converted here, and
    /// such a value is judged only by a job with `accept_converted = true`. Example: `"HLD"`.
    pub converted_from: Option<String>,
    /// Whether the field is checked (`pattern`) and then left out. Default: false.
    #[serde(default)]
    pub ignore: bool,
}

/// What stands in place of a number, or beside it.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MarkRule {
    /// Pattern of the whole value field. The capture `code` is the instrument's own code; the capture `value`
    /// is a number beside the mark. Example: `'-+'`, `'(?<code>E-\d+)'`, `'~(?<value>.+)'`.
    pub pattern: String,
    /// What it means.
    pub means: Mark,
}

/// What a verdict of the instrument means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum VerdictWord {
    /// Within the limits that the instrument knows.
    In,
    /// Outside them.
    Out,
}

/// What a word for the state of a value means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum StateWord {
    /// The value counts.
    Good,
    /// Above the measuring range.
    Over,
    /// Below the measuring range.
    Under,
    /// Not measured.
    None,
    /// The instrument reports an error.
    Error,
    /// The value had not settled.
    Unstable,
}

/// What makes a reading.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadingRule {
    /// The quantity where the message names none. Example: `"L"`.
    pub quantity: Option<String>,
    /// The unit where the message states none, for quantities that it fits. Example: `"µm"`.
    pub unit: Option<String>,
    /// Fields and quantities that every record must have; without one of them the frame is damaged
    /// (`missing-field`). Example: `["number", "Ra", "Rz"]`.
    #[serde(default)]
    pub required: Vec<String>,
    /// Fields that together make a measurement unique: the same again, with the same quantity and digits, is a
    /// repeat, noted and not counted. Only `number`, `time`, `program`, `part`, `channel`, `remark`. Default:
    /// none, and two equal readings are two measurements. Example: `["number", "time"]`.
    #[serde(default)]
    pub unique_by: Vec<String>,
    /// The highest record number, behind which numbering begins anew at `number_first`. Without it a number that goes
    /// back is a new beginning. Example: `9999`.
    pub number_last: Option<u64>,
    /// The number behind `number_last`. Default: 1.
    pub number_first: Option<u64>,
    /// Whether readings come from the instrument's memory rather than from the moment of measuring. Default:
    /// false.
    #[serde(default)]
    pub stored: bool,
    /// Whether one record may state a quantity more than once (several traces). Default: false: the same quantity twice is two merged messages, and damage. The same heading or key twice likewise.
    #[serde(default)]
    pub quantity_again: bool,
}

/// A fault of a definition that the form of the file can't show: where in the document, what, a way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Keys and positions from the top of the document to the offending value.
    pub path: Vec<Step>,
    /// What is wrong: lower case, no full stop.
    pub message: String,
    /// A way out.
    pub help: Option<String>,
}

/// One step of a path into a document.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Step {
    /// A key of a table.
    Key(String),
    /// A position in an array, from 0.
    Index(usize),
}

impl Definition {
    /// Checks that the parts agree and compiles patterns; every fault at once.
    pub fn compile(self) -> Result<Instrument, Vec<Fault>> {
        Instrument::compile(self)
    }
}
