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

/// Rows read at a time.
const PAGE: usize = 1000;

/// Results that fit a filter, oldest first, handed over one by one; those that are there when it begins. Nothing is being
/// read while they are handed over: whoever is slow to take them (a pager, a stopped pipe) keeps no log from being
/// brought back.
pub fn results(
    connection: &Connection,
    filter: &Filter,
    mut each: impl FnMut(Cells) -> std::io::Result<()>,
) -> Result<u64, StoreFault> {
    let last: i64 = connection.query_row("SELECT coalesce(max(seq), 0) FROM entry", [], |row| row.get(0))?;
    let mut behind = match filter.since_us {
        Some(us) => connection.query_row(
            "SELECT coalesce(min(seq) - 1, ?2) FROM entry WHERE received_us >= ?1",
            params![us, last],
            |row| row.get(0),
        )?,
        None => 0,
    };
    let mut sql = format!("SELECT {} FROM results WHERE seq > ?1 AND seq <= ?2", selected());
    let mut values: Vec<&dyn rusqlite::ToSql> = Vec::new();
    let wanted = [
        ("job", &filter.job),
        ("serial", &filter.serial),
        ("gauge", &filter.gauge),
        ("outcome", &filter.outcome),
        ("kind", &filter.kind),
    ];
    for (name, value) in wanted {
        let Some(value) = value else { continue };
        values.push(value);
        sql.push_str(&format!(" AND {name} = ?{}", values.len() + 2));
    }
    if let Some(us) = &filter.since_us {
        values.push(us);
        let place = values.len() + 2;
        sql.push_str(&format!(" AND (SELECT received_us FROM entry AS r WHERE r.seq = results.seq) >= ?{place}"));
    }
    sql.push_str(&format!(" ORDER BY seq LIMIT {PAGE}"));
    let mut statement = connection.prepare(&sql)?;
    let mut count = 0;
    loop {
        let bounds: [&dyn rusqlite::ToSql; 2] = [&behind, &last];
        let rows = statement.query_map(params_from_iter(bounds.iter().chain(&values)), cells)?;
        let page = rows.collect::<Result<Vec<Cells>, _>>()?;
        let more = page.len() == PAGE;
        let seq = page.last().and_then(|cells| cells.get(super::fields::position("seq")?)?.as_ref()?.parse().ok());
        count += page.len() as u64;
        page.into_iter().try_for_each(&mut each)?;
        match seq {
            Some(seq) if more => behind = seq,
            _ => return Ok(count),
        }
    }
}

/// One result by its id or its number.
pub fn result(connection: &Connection, id: &str) -> Result<Option<Cells>, StoreFault> {
    let sql = format!("SELECT {} FROM results WHERE seq = ?1 AND (result_id = ?2 OR ?3)", selected());
    let number: Option<i64> = id.trim_start_matches('#').parse().ok();
    let of_id = || id.rsplit('-').next().and_then(|seq| seq.parse().ok());
    let seq = number.or_else(of_id).unwrap_or(-1);
    let values = params![seq, id, number.is_some()];
    Ok(connection.prepare(&sql)?.query_row(values, |row| Ok(cells(row))).optional()?.transpose()?)
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

/// Hands over the rows of a parcel one by one, as they stand in the view: every field in the order of [`FIELDS`] as text,
/// empty where unknown. The count of rows, or what `each` ended with.
pub fn parcel_rows<E>(
    connection: &Connection,
    parcel: i64,
    mut each: impl FnMut(&[String]) -> Result<(), E>,
) -> Result<Result<u64, E>, StoreFault> {
    let stretches: Vec<(i64, i64)> = connection
        .prepare_cached("SELECT first, last FROM stretch WHERE parcel = ?1 ORDER BY first")?
        .query_map([parcel], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<_, _>>()?;
    let sql = format!("SELECT {} FROM results WHERE seq BETWEEN ?1 AND ?2 ORDER BY seq", selected());
    let mut statement = connection.prepare_cached(&sql)?;
    let mut cells = vec![String::new(); FIELDS.len()];
    let mut count = 0;
    for (first, last) in stretches {
        let mut rows = statement.query([first, last])?;
        while let Some(row) = rows.next()? {
            for (at, cell) in cells.iter_mut().enumerate() {
                cell.clear();
                match row.get_ref(at)? {
                    ValueRef::Text(bytes) => cell.push_str(&String::from_utf8_lossy(bytes)),
                    other => cell.extend(text(other)?),
                }
            }
            if let Err(fault) = each(&cells) {
                return Ok(Err(fault));
            }
            count += 1;
        }
    }
    Ok(Ok(count))
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
    let sql = "SELECT p.sink, p.name, p.state, p.attempts, p.reason, min(s.first) AS first_seq, \
               max(s.last) AS last_seq, coalesce(sum(s.last - s.first + 1), 0) AS rows \
               FROM parcel AS p LEFT JOIN stretch AS s ON s.parcel = p.id \
               WHERE p.state <> 'delivered' GROUP BY p.id ORDER BY p.id";
    objects(connection, sql, &[])
}

/// The open job: id, when it was opened, its text's hash, the piece being measured.
pub fn open_job(connection: &Connection) -> Result<Option<Json>, StoreFault> {
    let sql = "SELECT e.kind, e.job, e.at AS opened_at, e.job_hash, \
               1 + coalesce((SELECT max((SELECT piece FROM result WHERE run = j.id AND piece IS NOT NULL \
               AND kind = 'part' ORDER BY piece DESC LIMIT 1)) FROM job_event AS j \
               WHERE j.job = e.job AND j.kind = 'open'), 0) AS piece, \
               (SELECT count(*) FROM result WHERE run = e.id AND piece IS NOT NULL AND kind = 'part') AS parts \
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
    let sql = "SELECT CASE f.outcome WHEN 'incomplete' THEN substr(t.raw, f.start + 1, f.bytes) END \
               FROM transmission AS t JOIN single_frame AS f ON f.transmission = t.id \
               WHERE t.station = ?1 ORDER BY t.id DESC, f.number DESC LIMIT 1";
    Ok(connection.prepare_cached(sql)?.query_row([station], |row| row.get(0)).optional()?.flatten())
}

/// The fact that tells the last day known from a synchronised clock.
pub(super) const KNOWN_DAY: &str = "known_day";

/// The last day known from a synchronised clock.
pub fn known_day(connection: &Connection) -> Result<Option<jiff::civil::Date>, StoreFault> {
    let sql = "SELECT value FROM fact WHERE key = ?1";
    let day: Option<String> = connection.query_row(sql, [KNOWN_DAY], |row| row.get(0)).optional()?;
    Ok(day.and_then(|day| day.parse().ok()))
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
