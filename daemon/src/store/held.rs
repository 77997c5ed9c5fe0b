//! What labels said and still holds, as the store keeps it: a row for every change, in the order of results, so that a
//! restart finds what memory held and every result names what it was given.

use std::sync::Arc;

use ridgepost_config::{Item, Labels};
use ridgepost_judge::{Context as Held, Ending, Given, Gone, Held as Of, Holding, Kind, Mode, Moment, Reason, Row};
use rusqlite::{Connection, OptionalExtension, params};
use serde_json::{Value as Json, json};

use super::StoreFault;
use super::perform::event;
use super::record::{Provenance, Recorder};
use crate::clock::Stamp;

/// What is held, and the row that tells it.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    pub(super) held: Arc<Held>,
    row: Option<i64>,
}

/// What a row of a result names of it.
#[derive(Clone, Debug, Default)]
pub(super) struct Spoken {
    /// Who measured.
    pub(super) operator: Option<String>,
    /// The row that tells what was held.
    pub(super) context: Option<i64>,
}

/// What labels say of the readings of a station now.
pub(super) struct Said {
    held: Arc<Held>,
    labels: Option<Arc<Labels>>,
    station: String,
    row: Option<i64>,
}

impl Said {
    fn item(&self, item: Item) -> Of<'_> {
        self.labels.as_ref().map_or(Of::Unsaid, |labels| self.held.held(&self.station, item, labels))
    }

    pub(super) fn given(&self) -> Given<'_> {
        let is_unknown = |item| self.item(item) == Of::Unknown;
        Given {
            serial: self.item(Item::Serial),
            balloon: self.item(Item::Balloon),
            unknown: is_unknown(Item::Operator) || is_unknown(Item::Mode),
        }
    }

    pub(super) fn mode(&self) -> Mode {
        self.item(Item::Mode).known().and_then(Mode::parse).unwrap_or(Mode::Production)
    }

    pub(super) fn spoken(&self) -> Spoken {
        let operator = self.item(Item::Operator).known().map(str::to_owned);
        Spoken { operator, context: self.row.filter(|_| self.labels.is_some()) }
    }
}

/// What was held when the program ended.
pub fn load(connection: &Connection) -> Result<Kept, StoreFault> {
    let last: Option<(i64, i64, String)> = connection
        .query_row("SELECT id, after_seq, body FROM context ORDER BY id DESC LIMIT 1", [], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })
        .optional()?;
    let Some((row, after, body)) = last else { return Ok(Kept::default()) };
    let Ok(mut held) = serde_json::from_str::<Held>(&body) else {
        return Err(StoreFault::Damaged(format!("row {row} of `context` can't be read")));
    };
    // Readings since then are told by their own rows.
    let mut statement = connection.prepare(
        "SELECT b.station, count(*) FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis \
         WHERE e.seq > ?1 AND e.context = ?2 AND b.kind = 'reading' GROUP BY b.station",
    )?;
    let mut counts = statement.query(params![after, row])?;
    while let Some(count) = counts.next()? {
        held.count(&count.get::<_, String>(0)?, u64::try_from(count.get::<_, i64>(1)?).unwrap_or(0));
    }
    Ok(Kept { held: Arc::new(held), row: Some(row) })
}

/// The labels that a result was given, each with what it said: item, value, its transmission.
pub fn given(connection: &Connection, seq: i64) -> Result<Vec<Json>, StoreFault> {
    let sql = "SELECT c.body, b.station FROM entry AS e JOIN basis AS b ON b.id = e.basis \
               JOIN context AS c ON c.id = e.context WHERE e.seq = ?1";
    let kept = connection
        .query_row(sql, [seq], |row| Ok((row.get::<_, String>(0)?, row.get::<_, Option<String>>(1)?)))
        .optional()?;
    let Some((body, station)) = kept else { return Ok(Vec::new()) };
    let held: Held = serde_json::from_str(&body).unwrap_or_default();
    // A row that a label itself made is about what was held everywhere: the first station tells it.
    let station = station.or_else(|| held.stations().next().map(str::to_owned)).unwrap_or_default();
    let labels = held.of(&station).filter(|(_, holding)| holding.gone.is_none());
    labels.map(|(item, holding)| told(connection, item, holding)).collect()
}

/// What is held now, by station: item, value, why it is gone, its transmission.
pub fn held(connection: &Connection) -> Result<Vec<Json>, StoreFault> {
    let Kept { held, .. } = load(connection)?;
    let mut rows = Vec::new();
    for station in held.stations() {
        for (item, holding) in held.of(station) {
            let mut row = told(connection, item, holding)?;
            row["station"] = json!(station);
            row["gone"] = json!(holding.gone.map(Gone::words));
            rows.push(row);
        }
    }
    Ok(rows)
}

fn told(connection: &Connection, item: Item, holding: &Holding) -> Result<Json, StoreFault> {
    let sql = "SELECT station, received_at, CAST(substr(raw, 1, 600) AS BLOB) FROM transmission WHERE id = ?1";
    let label = connection
        .prepare_cached(sql)?
        .query_row([holding.label], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?, row.get::<_, Vec<u8>>(2)?))
        })
        .optional()?;
    let (scanner, at, raw) = label.unwrap_or_default();
    Ok(json!({
        "item": item.word(),
        "value": holding.value,
        "text": String::from_utf8_lossy(&raw).trim(),
        "scanner": scanner,
        "transmission": holding.label,
        "received_at": at,
    }))
}

pub(super) fn moment(stamp: &Stamp) -> Moment {
    Moment { us: stamp.us, monotonic_ms: Some(stamp.monotonic_ms) }
}

impl Recorder<'_> {
    /// Changes what is held, and writes a row where that makes a difference.
    pub(super) fn hold(
        &mut self,
        transmission: Option<i64>,
        at: &Stamp,
        change: impl FnOnce(&mut Held, &Labels),
    ) -> Result<(), StoreFault> {
        let plan = self.plan;
        let Some(labels) = plan.labels.as_deref() else { return Ok(()) };
        let kept = &mut self.context.labels;
        let mut held = (*kept.held).clone();
        change(&mut held, labels);
        // A label makes a row even where it says what was said before: it is another label.
        if held == *kept.held && transmission.is_none() {
            return Ok(());
        }
        let body = serde_json::to_string(&held).map_err(|error| StoreFault::Io(error.into()))?;
        self.tx
            .prepare_cached(
                "INSERT INTO context (at, at_us, transmission, after_seq, body) \
                 VALUES (?1, ?2, ?3, (SELECT coalesce(max(seq), 0) FROM entry), ?4)",
            )?
            .execute(params![at.at, at.us, transmission, body])?;
        *kept = Kept { held: Arc::new(held), row: Some(self.tx.last_insert_rowid()) };
        Ok(())
    }

    /// What labels say of a station's readings that are taken now.
    pub(super) fn said_of(&mut self, station: &str, at: &Stamp) -> Result<Said, StoreFault> {
        self.hold(None, at, |held, labels| held.settle(station, labels, &moment(at)))?;
        let Kept { held, row } = self.context.labels.clone();
        Ok(Said { held, labels: self.plan.labels.clone(), station: station.to_owned(), row })
    }

    /// Readings were taken with it: how many, and whether any of them belongs to nobody knows what.
    pub(super) fn was_given(&mut self, from: &Provenance, readings: u64, unassigned: bool) -> Result<(), StoreFault> {
        let (station, at) = (from.station.name.as_str(), &from.received);
        let Some(labels) = self.plan.labels.clone() else { return Ok(()) };
        if !self.context.labels.held.is_empty() {
            Arc::make_mut(&mut self.context.labels.held).count(station, readings);
        }
        let mut tells = false;
        let missing = self.context.labels.held.missing(station, &labels);
        self.hold(None, at, |held, labels| {
            tells = held.tells(station, unassigned);
            held.settle(station, labels, &moment(at));
        })?;
        if tells {
            let why =
                missing.map_or("label and instrument name two parts".to_owned(), |what| format!("not known: {what}"));
            let text = format!(
                "readings of {station} can't be assigned ({why}); they are kept and not judged, scan the label"
            );
            tracing::warn!(code = "unassigned", station, "{text}");
            event(self, Some(station), "unassigned", &text, Some(from.transmission))?;
        }
        Ok(())
    }

    /// What the pieces that these rows end had.
    pub(super) fn pieces_ended(&mut self, rows: &[Row], at: &Stamp) -> Result<(), StoreFault> {
        rows.iter()
            .filter(|row| row.kind == Kind::Part)
            .try_for_each(|row| self.ended(Ending::Piece(row.serial.as_deref()), at))
    }

    /// Counts readings that labels were about.
    pub(super) fn labels_used(&mut self, from: &Provenance, rows: &[Row], is_now: bool) -> Result<(), StoreFault> {
        if !is_now {
            return Ok(());
        }
        let of_reading = || rows.iter().filter(|row| row.kind == Kind::Reading);
        let unassigned = of_reading().any(|row| row.reasons.iter().any(|code| code == Reason::Unassigned.code()));
        self.was_given(from, of_reading().count() as u64, unassigned)
    }

    /// A piece or a job ended: what labels said of it does not hold for the next one.
    pub(super) fn ended(&mut self, ending: Ending, at: &Stamp) -> Result<(), StoreFault> {
        self.hold(None, at, |held, labels| held.end(labels, ending))
    }

    /// A cell that knows no labels any more forgets what they said: should it know some again, that is of another time.
    pub(super) fn forget_labels(&mut self, knows_labels: bool) -> Result<(), StoreFault> {
        if knows_labels || self.context.labels.held.is_empty() {
            return Ok(());
        }
        let now = self.now.clone();
        self.hold(None, &now, |held, _| *held = Held::default())
    }
}
