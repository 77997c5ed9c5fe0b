//! Questions to the store. Short reads on connections of their own; nothing here writes.

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row, params, params_from_iter};
use serde_json::{Map, Value as Json, json};

use super::StoreFault;
use super::fields::{FIELDS, Form};

/// One row of the view `results`: every field as text, in the order of [`FIELDS`]; `None` where unknown.
pub type Cells = Vec<Option<String>>;

/// Which results are asked for; everything that is given must hold.
#[derive(Clone, Debug, Default)]
pub struct Filter {
    /// Received at or after this time (microseconds since 1970).
    pub since_us: Option<i64>,
    /// Of this job.
    pub job: Option<String>,
    /// Of this serial number.
    pub serial: Option<String>,
    /// By this gauge.
    pub gauge: Option<String>,
    /// With this outcome.
    pub outcome: Option<String>,
    /// Of this kind.
    pub kind: Option<String>,
}

fn selected() -> String {
    FIELDS.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ")
}

/// Results that fit a filter, oldest first, handed over one by one.
pub fn results(
    connection: &Connection,
    filter: &Filter,
    mut each: impl FnMut(Cells) -> std::io::Result<()>,
) -> Result<u64, StoreFault> {
    let wanted = [
        ("job = ", filter.job.clone()),
        ("serial = ", filter.serial.clone()),
        ("gauge = ", filter.gauge.clone()),
        ("outcome = ", filter.outcome.clone()),
        ("kind = ", filter.kind.clone()),
        ("seq IN (SELECT seq FROM result WHERE received_us >= ", filter.since_us.map(|us| us.to_string())),
    ];
    let mut conditions = Vec::new();
    let mut values = Vec::new();
    for (text, value) in wanted {
        let Some(value) = value else { continue };
        values.push(value);
        let close = if text.contains('(') { ")" } else { "" };
        let cast = if text.contains('(') { "CAST(? AS INTEGER)" } else { "?" };
        conditions.push(format!("{text}{cast}{close}"));
    }
    let wheres = if conditions.is_empty() { String::new() } else { format!(" WHERE {}", conditions.join(" AND ")) };
    let mut statement = connection.prepare(&format!("SELECT {} FROM results{wheres} ORDER BY seq", selected()))?;
    let mut rows = statement.query(params_from_iter(values))?;
    let mut count = 0;
    while let Some(row) = rows.next()? {
        each(cells(row)?)?;
        count += 1;
    }
    Ok(count)
}

/// One result by its id or its number.
pub fn result(connection: &Connection, id: &str) -> Result<Option<Cells>, StoreFault> {
    let sql = format!("SELECT {} FROM results WHERE result_id = ?1 OR seq = ?2", selected());
    let seq: i64 = id.trim_start_matches('#').parse().unwrap_or(-1);
    Ok(connection.prepare(&sql)?.query_row(params![id, seq], |row| Ok(cells(row))).optional()?.transpose()?)
}

fn cells(row: &Row) -> Result<Cells, rusqlite::Error> {
    (0..FIELDS.len()).map(|at| text(row.get_ref(at)?)).collect()
}

fn text(value: ValueRef) -> Result<Option<String>, rusqlite::Error> {
    Ok(match value {
        ValueRef::Null => None,
        ValueRef::Integer(number) => Some(number.to_string()),
        ValueRef::Real(number) => Some(number.to_string()),
        ValueRef::Text(bytes) | ValueRef::Blob(bytes) => Some(String::from_utf8_lossy(bytes).into_owned()),
    })
}

/// A result as JSON: every field, in order.
pub fn to_json(cells: &[Option<String>]) -> Json {
    let fields = FIELDS.iter().zip(cells).map(|((name, form), cell)| {
        let value = match (form, cell) {
            (Form::Codes, cell) => {
                json!(cell.as_deref().unwrap_or("").split(' ').filter(|code| !code.is_empty()).collect::<Vec<_>>())
            }
            (_, None) => Json::Null,
            (Form::Text, Some(text)) => json!(text),
            (Form::Truth, Some(text)) => json!(text == "yes"),
            (Form::Whole, Some(text)) => text.parse::<i64>().map_or(Json::Null, |number| json!(number)),
        };
        ((*name).to_owned(), value)
    });
    Json::Object(Map::from_iter(fields))
}

/// A parcel that is due.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Parcel {
    /// Its key.
    pub id: i64,
    /// Its file name.
    pub name: String,
}

/// The first parcels of a sink that are due, in order.
pub fn due_parcels(connection: &Connection, sink: &str, most: usize) -> Result<Vec<Parcel>, StoreFault> {
    let mut statement = connection
        .prepare_cached("SELECT id, name FROM parcel WHERE sink = ?1 AND state = 'due' ORDER BY id LIMIT ?2")?;
    let most = i64::try_from(most).unwrap_or(i64::MAX);
    let rows = statement.query_map(params![sink, most], |row| Ok(Parcel { id: row.get(0)?, name: row.get(1)? }))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The rows of a parcel, as they stand in the view.
pub fn parcel_rows(connection: &Connection, parcel: i64) -> Result<Vec<Cells>, StoreFault> {
    let fields = FIELDS.iter().map(|(name, _)| format!("r.{name}")).collect::<Vec<_>>().join(", ");
    let sql = format!(
        "SELECT {fields} FROM outbox AS o JOIN results AS r ON r.seq = o.seq WHERE o.parcel = ?1 ORDER BY o.seq"
    );
    let mut statement = connection.prepare_cached(&sql)?;
    let rows = statement.query_map([parcel], cells)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Rows of any query as JSON objects, column names as keys.
pub fn objects(connection: &Connection, sql: &str, values: &[&dyn rusqlite::ToSql]) -> Result<Vec<Json>, StoreFault> {
    let mut statement = connection.prepare_cached(sql)?;
    let names: Vec<String> = statement.column_names().map(str::to_owned).collect();
    let rows = statement.query_map(values, |row| {
        let mut object = Map::new();
        for (at, name) in names.iter().enumerate() {
            let value = match row.get_ref(at)? {
                ValueRef::Integer(number) => json!(number),
                other => text(other)?.map_or(Json::Null, Json::String),
            };
            object.insert(name.clone(), value);
        }
        Ok(Json::Object(object))
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Counts of parcels by sink and state.
pub fn outbox_counts(connection: &Connection) -> Result<Vec<Json>, StoreFault> {
    let sql = "SELECT sink, state, count(*) AS parcels FROM parcel WHERE state <> 'delivered' GROUP BY sink, state \
               ORDER BY sink, state";
    objects(connection, sql, &[])
}

/// Parcels that are not delivered, with what holds them up.
pub fn outbox(connection: &Connection) -> Result<Vec<Json>, StoreFault> {
    let sql = "SELECT p.sink, p.name, p.state, p.attempts, p.reason, min(o.seq) AS first_seq, max(o.seq) AS last_seq, \
               count(o.seq) AS rows FROM parcel AS p LEFT JOIN outbox AS o ON o.parcel = p.id \
               WHERE p.state <> 'delivered' GROUP BY p.id ORDER BY p.id";
    objects(connection, sql, &[])
}

/// The open job: id, when it was opened, its text's hash, the piece being measured.
pub fn open_job(connection: &Connection) -> Result<Option<Json>, StoreFault> {
    let sql = "SELECT e.kind, e.job, e.at AS opened_at, e.job_hash, \
               (SELECT coalesce(max(piece), 0) + 1 FROM result WHERE job = e.job AND kind = 'part') AS piece, \
               (SELECT count(*) FROM result WHERE run = e.id AND kind = 'part') AS parts \
               FROM job_event AS e WHERE e.kind IN ('open', 'close') ORDER BY e.id DESC LIMIT 1";
    let last = objects(connection, sql, &[])?.pop();
    Ok(last.filter(|event| event["kind"] == "open"))
}

/// The text of a job or definition by its hash.
pub fn wording(connection: &Connection, hash: &str) -> Result<Option<String>, StoreFault> {
    Ok(connection
        .prepare_cached("SELECT body FROM wording WHERE hash = ?1")?
        .query_row([hash], |row| row.get(0))
        .optional()?)
}

/// The bytes of the last frame of a station, where it was cut short: what comes next may be the rest of it.
pub fn last_cut(connection: &Connection, station: &str) -> Result<Option<Vec<u8>>, StoreFault> {
    // Of a stream, each transmission is one frame, and `start` counts from the opening of the device.
    let sql = "SELECT CASE f.outcome WHEN 'incomplete' THEN t.raw END \
               FROM transmission AS t JOIN frame AS f ON f.transmission = t.id \
               WHERE t.station = ?1 ORDER BY t.id DESC, f.number DESC LIMIT 1";
    Ok(connection.prepare_cached(sql)?.query_row([station], |row| row.get(0)).optional()?.flatten())
}

/// The last whole frame that a station heard and that could be read.
pub fn last_whole(connection: &Connection, station: &str) -> Result<Option<Vec<u8>>, StoreFault> {
    let sql = "SELECT t.raw FROM transmission AS t JOIN frame AS f \
               ON f.transmission = t.id WHERE t.station = ?1 AND f.outcome = 'accepted' ORDER BY t.id DESC LIMIT 1";
    Ok(connection.prepare_cached(sql)?.query_row([station], |row| row.get(0)).optional()?)
}

/// The texts of the last plan without fault.
pub fn kept_plan(connection: &Connection) -> Result<Option<String>, StoreFault> {
    let sql = "SELECT w.body FROM fact AS f JOIN wording AS w ON w.hash = f.value WHERE f.key = 'plan'";
    Ok(connection.query_row(sql, [], |row| row.get(0)).optional()?)
}

/// When stations could not listen, newest first.
pub fn gaps(connection: &Connection, most: u32) -> Result<Vec<Json>, StoreFault> {
    let sql = "SELECT station, cause, from_at, until_at FROM coverage ORDER BY id DESC LIMIT ?1";
    objects(connection, sql, &[&most])
}

/// What happened around the readings, newest first.
pub fn events(connection: &Connection, most: u32) -> Result<Vec<Json>, StoreFault> {
    objects(connection, "SELECT at, station, code, text FROM event ORDER BY id DESC LIMIT ?1", &[&most])
}
