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
    /// Whose place no later row took.
    pub standing: bool,
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
    if filter.standing {
        sql.push_str(
            " AND NOT EXISTS (SELECT 1 FROM entry AS a JOIN entry AS n ON n.root = coalesce(a.root, a.seq) \
             WHERE a.seq = results.seq AND n.seq > a.seq)",
        );
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

/// The words on delivered parcels are those of the index that leaves them out: without them every parcel there ever was is
/// looked at.
const DUE: &str =
    "SELECT id, name FROM parcel WHERE state <> 'delivered' AND sink = ?1 AND state = 'due' ORDER BY id LIMIT ?2";

/// The first parcels of a sink that are due, in order.
pub fn due_parcels(connection: &Connection, sink: &str, most: usize) -> Result<Vec<Parcel>, StoreFault> {
    let mut statement = connection.prepare_cached(DUE)?;
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

const UNDELIVERED_COUNTS: &str = "SELECT sink, state, count(*) AS parcels FROM parcel WHERE state <> 'delivered' \
    GROUP BY sink, state ORDER BY sink, state";

/// Counts of parcels by sink and state.
pub fn outbox_counts(connection: &Connection) -> Result<Vec<Json>, StoreFault> {
    objects(connection, UNDELIVERED_COUNTS, &[])
}

const UNDELIVERED: &str = "SELECT p.sink, p.name, p.state, p.attempts, p.reason, \
    (SELECT min(first) FROM stretch WHERE parcel = p.id) AS first_seq, \
    (SELECT max(last) FROM stretch WHERE parcel = p.id) AS last_seq, \
    (SELECT coalesce(sum(last - first + 1), 0) FROM stretch WHERE parcel = p.id) AS rows \
    FROM parcel AS p INDEXED BY parcel_open WHERE p.state <> 'delivered' ORDER BY p.id";

/// Parcels that are not delivered, with what holds them up.
pub fn outbox(connection: &Connection) -> Result<Vec<Json>, StoreFault> {
    objects(connection, UNDELIVERED, &[])
}

const OPEN_JOB: &str = "SELECT now.kind, now.job, now.at AS opened_at, now.job_hash, now.id AS run, \
    (SELECT count(*) FROM result WHERE run = now.id AND piece IS NOT NULL AND kind = 'part') AS parts \
    FROM job_event AS now WHERE now.kind IN ('open', 'close') ORDER BY now.id DESC LIMIT 1";

/// The open job: id, when it was opened, its text's hash, the piece being measured.
pub fn open_job(connection: &Connection) -> Result<Option<Json>, StoreFault> {
    let Some(mut last) = objects(connection, OPEN_JOB, &[])?.pop() else { return Ok(None) };
    if last["kind"] != "open" {
        return Ok(None);
    }
    let run = last["run"].as_i64().unwrap_or_default();
    last["piece"] = json!(super::piece::open_counter(connection, run, last["job"].as_str().unwrap_or_default())?);
    Ok(Some(last))
}

/// Each station there ever was with the time of its last transmission, found step by step along the index.
const LAST_HEARD: &str = "WITH RECURSIVE each_station (name) AS (SELECT min(station) FROM transmission UNION ALL \
    SELECT (SELECT min(station) FROM transmission WHERE station > name) FROM each_station WHERE name IS NOT NULL) \
    SELECT name AS station, (SELECT received_at FROM transmission WHERE station = name ORDER BY id DESC LIMIT 1) AS last \
    FROM each_station WHERE name IS NOT NULL ORDER BY name";
const LAST_RESULT: &str = "SELECT coalesce(max(seq), 0) FROM entry";
const UNJUDGED_SINCE: &str =
    "SELECT count(*) FROM result WHERE received_us >= ?1 AND kind = 'reading' AND outcome = 'unjudged'";
/// Every outcome but `accepted` by name, so that each is looked up by its first transmission since then.
const REJECTED_SINCE: &str = "SELECT count(*) FROM single_frame WHERE outcome <> 'accepted' \
    AND outcome IN ('damaged', 'incomplete', 'not-mine') \
    AND transmission >= (SELECT min(id) FROM transmission WHERE received_us >= ?1)";

/// What stations were heard last, oldest name first: `station`, `last`.
pub fn last_heard(connection: &Connection) -> Result<Vec<Json>, StoreFault> {
    objects(connection, LAST_HEARD, &[])
}

/// How much there is: number of the last result; readings unjudged and frames rejected since a time (microseconds since
/// 1970). It costs what was received since then, however large the store is.
pub fn amounts(connection: &Connection, since_us: i64) -> Result<[i64; 3], StoreFault> {
    let of = |sql: &str, since: &[i64]| connection.query_row(sql, params_from_iter(since), |row| row.get(0));
    Ok([of(LAST_RESULT, &[])?, of(UNJUDGED_SINCE, &[since_us])?, of(REJECTED_SINCE, &[since_us])?])
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

/// The last whole frame that a station heard and that could be read.
pub fn last_whole(connection: &Connection, station: &str) -> Result<Option<Vec<u8>>, StoreFault> {
    let sql = "SELECT t.raw FROM transmission AS t JOIN single_frame AS f \
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    /// Large tables; of these no statement that is asked again and again may look at every row.
    const LARGE: [&str; 6] = ["entry", "transmission", "single_frame", "frame_page", "parcel", "stretch"];

    fn scans(connection: &Connection, sql: &str) -> Vec<String> {
        let mut statement = connection.prepare(&format!("EXPLAIN QUERY PLAN {sql}")).unwrap();
        let values: Vec<i64> = vec![1; statement.parameter_count()];
        let steps = statement.query_map(params_from_iter(values), |row| row.get::<_, String>(3)).unwrap();
        // The index of undelivered parcels holds few; every other walk over a large table is one over all there ever was.
        // A table under another name in the statement is called by that name.
        let walks = |step: &String| {
            let Some(over) = step.strip_prefix("SCAN ").or(step.strip_prefix("SEARCH ")) else { return false };
            let table = over.split(' ').next().unwrap_or_default();
            let large = LARGE.contains(&table) || ["e", "f", "p", "r", "s", "t"].contains(&table);
            let by_sink_alone = step.contains("sqlite_autoindex_parcel") && !step.contains("name=");
            large && !step.contains("parcel_open") && (step.starts_with("SCAN") || by_sink_alone)
        };
        steps.map(Result::unwrap).filter(walks).collect()
    }

    fn tables() -> Connection {
        let mut connection = Connection::open_in_memory().unwrap();
        crate::store::schema::migrate(&mut connection).unwrap();
        connection
    }

    #[test]
    fn what_is_asked_again_and_again_looks_at_few_rows() {
        let connection = tables();
        for sql in
            [DUE, UNDELIVERED, UNDELIVERED_COUNTS, OPEN_JOB, LAST_HEARD, LAST_RESULT, UNJUDGED_SINCE, REJECTED_SINCE]
        {
            assert_eq!(scans(&connection, sql), Vec::<String>::new(), "{sql}");
        }
        for sql in crate::store::parcel::STATEMENTS {
            assert_eq!(scans(&connection, sql), Vec::<String>::new(), "{sql}");
        }
    }

    /// The test above can fail.
    #[test]
    fn a_walk_over_all_rows_is_found() {
        let connection = tables();
        for sql in [
            "SELECT count(*) FROM result",
            "SELECT station, count(*) FROM transmission GROUP BY station",
            "SELECT id, name FROM parcel WHERE sink = ?1 AND state = 'due' ORDER BY id LIMIT ?2",
            "UPDATE parcel SET state = 'due' WHERE state = 'filling' AND closes_us <= ?1",
        ] {
            assert_eq!(scans(&connection, sql).len(), 1, "{sql}");
        }
    }
}
