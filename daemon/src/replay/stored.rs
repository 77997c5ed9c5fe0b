//! What the store says of a reading, and whether today's definition says the same.

use ridgepost_judge::in_unit;
use ridgepost_parsers::{Reading, Unit, Value};

/// What the store says of a reading, or what a correction said of it last.
#[derive(Clone, Debug)]
pub(super) struct Stored {
    pub(super) id: String,
    pub(super) quantity: String,
    value: Option<Value>,
    unit: Option<Unit>,
    mark: Option<String>,
    measured_at: Option<String>,
    as_sent: Option<String>,
    /// A person said that it is void: what its bytes say does not matter any more.
    pub(super) is_void: bool,
}

/// The columns of [`Stored::from_row`].
pub(super) const COLUMNS: &str = "result_id, quantity, value, unit, mark, measured_at, value_as_sent, \
    reasons = 'voided' AND EXISTS (SELECT 1 FROM decided WHERE decided.seq = result.seq)";

impl Stored {
    pub(super) fn from_row(row: &rusqlite::Row, from: usize) -> rusqlite::Result<Stored> {
        let text = |at: usize| row.get::<_, Option<String>>(from + at);
        Ok(Stored {
            id: text(0)?.unwrap_or_default(),
            quantity: text(1)?.unwrap_or_default(),
            value: text(2)?.and_then(|text| Value::parse(&text).ok()),
            unit: text(3)?.and_then(|text| Unit::parse(&text)),
            mark: text(4)?,
            measured_at: text(5)?,
            as_sent: text(6)?,
            is_void: row.get(from + 7)?,
        })
    }

    /// Whether a reading says the same.
    pub(super) fn says(&self, reading: &Reading) -> bool {
        let beside =
            self.mark.as_deref() == reading.mark.map(|mark| mark.code()) && self.measured_at == reading.identity.time;
        // What was stored may be the size that a deviation and a job's master make.
        if reading.quantity.is_deviation() {
            return beside && self.as_sent.as_deref() == Some(&reading.value_as_sent);
        }
        let value = match (self.value, reading.value) {
            (None, None) => true,
            (Some(stored), Some(read)) => {
                let read = match (reading.unit, self.unit) {
                    (Some(from), Some(to)) => in_unit(read, from, to),
                    (None, None) => Some(read),
                    _ => None,
                };
                read.is_some_and(|read| read.decimal() == stored.decimal())
            }
            _ => false,
        };
        value && beside && self.quantity == reading.quantity.to_string()
    }

    /// Whether it was corrected to be no reading at all.
    pub(super) fn is_none(&self) -> bool {
        self.value.is_none() && self.mark.is_none()
    }
}
