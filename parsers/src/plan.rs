//! A definition made ready: patterns compiled, names resolved, defaults filled in.

use std::collections::BTreeMap;
use std::sync::Arc;

use regex::Regex;

use crate::binary::BinaryForm;
use crate::check::Check;
use crate::cut::Shape;
use crate::definition::{Event, Numbers};
use crate::dialogue::DialogueForm;
use crate::numbering::Numbering;
use crate::pattern::LinePattern;
use crate::quantity::Quantity;
use crate::reading::{Mark, Verdict};
use crate::role::{Role, Words};
use crate::stamp::StampForm;
use crate::trace::TraceForm;
use crate::tree::{JsonPath, TreeForm, XmlPath};
use crate::unit::Unit;

/// Everything a framer and a decoder go by.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) shape: Arc<Shape>,
    pub(crate) marks: FrameMarks,
    pub(crate) check: Option<Check>,
    pub(crate) length: Option<usize>,
    pub(crate) mine: Option<Regex>,
    /// Whether frames are rows or lines of one stream rather than blocks.
    pub(crate) is_single_line: bool,
    pub(crate) is_rows: bool,
    /// Patterns of the first and last line of a block.
    pub(crate) start_line: Option<LinePattern>,
    pub(crate) end_line: Option<LinePattern>,
    pub(crate) rules: Vec<Rule>,
    pub(crate) reader: Reader,
    pub(crate) words: Words,
    pub(crate) units: BTreeMap<String, Unit>,
    pub(crate) numbers: Numbers,
    pub(crate) fields: BTreeMap<String, FieldForm>,
    pub(crate) value_marks: Vec<ValueMark>,
    pub(crate) verdicts: BTreeMap<String, Verdict>,
    /// Words for the state of a value; `None` where it counts.
    pub(crate) states: BTreeMap<String, Option<Mark>>,
    pub(crate) trace: Option<TraceForm>,
    pub(crate) reading: ReadingForm,
    pub(crate) dialogue: Option<Arc<DialogueForm>>,
    /// What tells a new measurement from the last one repeated.
    pub(crate) new: Option<Regex>,
}

/// The byte marks round a frame's payload.
#[derive(Clone, Debug, Default)]
pub(crate) struct FrameMarks {
    pub(crate) start: Vec<u8>,
    pub(crate) end: Vec<u8>,
    pub(crate) tail: Vec<u8>,
}

/// A rule for lines.
#[derive(Clone, Debug)]
pub(crate) struct Rule {
    pub(crate) pattern: LinePattern,
    pub(crate) ignore: bool,
    pub(crate) event: Option<Event>,
    pub(crate) carry: bool,
    pub(crate) starts_record: bool,
    /// Whether it fits a line several times, side by side.
    pub(crate) again: bool,
    /// Where lines behind it are wanted again.
    pub(crate) skip_to: Option<Regex>,
    /// Whether it captures a value at all.
    pub(crate) has_value: bool,
}

/// What reads a line that no rule takes, or a frame as a whole.
#[derive(Clone, Debug)]
pub(crate) enum Reader {
    Nothing,
    Table(TableForm),
    Places(Vec<Place>),
    Pairs(PairsForm),
    Xml(TreeForm<XmlPath>),
    Json(TreeForm<JsonPath>),
    Binary(BinaryForm),
}

impl Reader {
    /// Whether it reads a frame as a whole rather than its lines.
    pub(crate) fn is_of_frames(&self) -> bool {
        matches!(self, Reader::Xml(_) | Reader::Json(_) | Reader::Binary(_))
    }
}

/// Rows of cells.
#[derive(Clone, Debug)]
pub(crate) struct TableForm {
    pub(crate) delimiter: char,
    pub(crate) quote: Option<char>,
    pub(crate) header: Option<Regex>,
    /// The row right above the header.
    pub(crate) header_above: Option<Regex>,
    pub(crate) columns: Option<Arc<Vec<Column>>>,
    pub(crate) heading: Option<Regex>,
    pub(crate) units_row: bool,
}

/// Keys and values.
#[derive(Clone, Debug)]
pub(crate) struct PairsForm {
    pub(crate) pair: String,
    pub(crate) between: Option<String>,
    pub(crate) quote: Option<char>,
    /// Pattern of a key that holds quantity and unit.
    pub(crate) key: Option<Regex>,
}

/// One column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Column {
    pub(crate) role: Role,
    pub(crate) unit: Option<String>,
}

/// A field at a fixed place: characters `from..to`, from 0.
#[derive(Clone, Debug)]
pub(crate) struct Place {
    pub(crate) role: Role,
    pub(crate) from: usize,
    pub(crate) to: usize,
}

/// More about a field.
#[derive(Clone, Debug, Default)]
pub(crate) struct FieldForm {
    pub(crate) unit: Option<Unit>,
    pub(crate) unit_in_text: Option<bool>,
    pub(crate) pattern: Option<Regex>,
    pub(crate) format: Option<StampForm>,
    pub(crate) decimals: Option<u8>,
    /// The hardness scale that its values were measured in.
    pub(crate) converted_from: Option<String>,
    pub(crate) ignore: bool,
}

/// What stands in place of a number, or beside it.
#[derive(Clone, Debug)]
pub(crate) struct ValueMark {
    pub(crate) pattern: Regex,
    pub(crate) means: Mark,
}

/// What makes a reading.
#[derive(Clone, Debug, Default)]
pub(crate) struct ReadingForm {
    pub(crate) quantity: Option<Quantity>,
    pub(crate) unit: Option<Unit>,
    pub(crate) required: Vec<Role>,
    pub(crate) unique_by: Vec<Role>,
    pub(crate) numbering: Numbering,
    pub(crate) stored: bool,
    pub(crate) quantity_again: bool,
}

impl Plan {
    /// What the definition says about a field, by its role.
    pub(crate) fn field(&self, role: &Role) -> Option<&FieldForm> {
        match role {
            Role::Measured(quantity) => self.field_of_quantity(quantity),
            role => self.fields.get(&role.name()),
        }
    }

    /// What the definition says about a quantity, with its argument or without.
    pub(crate) fn field_of_quantity(&self, quantity: &Quantity) -> Option<&FieldForm> {
        self.fields.get(&quantity.to_string()).or_else(|| self.fields.get(quantity.symbol()))
    }

    /// The unit that a text of the instrument stands for.
    pub(crate) fn unit(&self, text: &str) -> Option<Unit> {
        self.units.get(&one_micro(text)).copied().or_else(|| Unit::parse(text))
    }
}

/// The text with one of the two micro signs alone.
pub(crate) fn one_micro(text: &str) -> String {
    text.replace('\u{3bc}', "\u{b5}")
}
