//! Results as they stand: rows that no later row took the place of, as judging knows them.

use ridgepost_config::Rule;
use ridgepost_judge::{GaugeState, Kind, Mode, Outcome, Row, Source};
use ridgepost_parsers::{Mark, Quantity, Unit, Value};
use rusqlite::{Connection, OptionalExtension, params};

use super::StoreFault;

/// A row that stands.
#[derive(Clone, Debug)]
pub(super) struct Standing {
    /// Number of the row that its line of corrections begins with; its own where it is the first.
    pub(super) root: i64,
    /// Kind of that one: what the line is about.
    pub(super) about: Kind,
    /// Its result_id.
    pub(super) id: String,
    /// What it says; its kind is `about`.
    pub(super) row: Row,
    /// Name of the station.
    pub(super) station: Option<String>,
    /// Who measured.
    pub(super) operator: Option<String>,
    /// What labels had said.
    pub(super) context: Option<i64>,
    /// Order number.
    pub(super) job: Option<String>,
    /// The opening of the job.
    pub(super) run: Option<i64>,
    /// The instrument's time.
    pub(super) measured_at: Option<String>,
    /// Where its bytes are: transmission, frame, number among the readings of the frame.
    pub(super) place: Option<(i64, u32, u32)>,
    /// Transmission of the row itself.
    pub(super) transmission: Option<i64>,
    /// Whether its value was read anew by a later definition.
    pub(super) was_reread: bool,
}

const COLUMNS: &str = "SELECT coalesce(r.root, r.seq), o.kind, r.result_id, r.station, r.operator, e.context, r.job, r.run, \
    r.measured_at, o.transmission, o.frame, o.field, r.transmission, \
    r.root IS NOT NULL AND NOT EXISTS (SELECT 1 FROM decided AS d WHERE d.seq = r.seq), \
    r.gauge, r.serial, r.piece, r.cycle, r.mode, r.balloon, r.feature, r.quantity, r.value, r.unit, r.value_as_sent, \
    r.unit_as_sent, r.mark, r.lower, r.upper, r.rule, r.outcome, r.reasons, r.trace, r.attempt, r.cutoff_mm, r.sections, \
    r.lambda_s_um, r.filter, r.standard, r.conditions_source, r.gauge_state, r.instrument_verdict \
    FROM entry AS e CROSS JOIN result AS r ON r.seq = e.seq CROSS JOIN result AS o ON o.seq = coalesce(e.root, e.seq)";

/// No later row of the same line.
const LAST: &str = "NOT EXISTS (SELECT 1 FROM entry AS n WHERE n.root = coalesce(e.root, e.seq) AND n.seq > e.seq)";

fn standing(row: &rusqlite::Row) -> rusqlite::Result<Standing> {
    let about = row.get::<_, String>(1)?;
    let about = Kind::parse(&about).unwrap_or(Kind::Notice);
    let place: (Option<i64>, Option<u32>, Option<u32>) = (row.get(9)?, row.get(10)?, row.get(11)?);
    Ok(Standing {
        root: row.get(0)?,
        about,
        id: row.get(2)?,
        station: row.get(3)?,
        operator: row.get(4)?,
        context: row.get(5)?,
        job: row.get(6)?,
        run: row.get(7)?,
        measured_at: row.get(8)?,
        place: place.0.zip(place.1).zip(place.2).map(|((transmission, frame), field)| (transmission, frame, field)),
        transmission: row.get(12)?,
        was_reread: row.get(13)?,
        row: judged(row, 14, about)?,
    })
}

/// What judging knows of a row, from this column on.
fn judged(row: &rusqlite::Row, from: usize, kind: Kind) -> rusqlite::Result<Row> {
    let text = |at: usize| row.get::<_, Option<String>>(from + at);
    let value = |at: usize| Ok::<_, rusqlite::Error>(text(at)?.and_then(|text| Value::parse(&text).ok()));
    let mode = text(4)?.and_then(|code| Mode::parse(&code)).unwrap_or(Mode::Production);
    let marks = [Mark::Over, Mark::Under, Mark::None, Mark::Error, Mark::Unstable];
    let mark = text(12)?;
    let rules = [Rule::Max, Rule::Sixteen, Rule::Median, Rule::Mean];
    let rule = text(15)?;
    Ok(Row {
        gauge: text(0)?,
        serial: text(1)?,
        piece: row.get::<_, Option<i64>>(from + 2)?.and_then(|piece| u64::try_from(piece).ok()),
        cycle: row.get(from + 3)?,
        balloon: text(5)?,
        feature: text(6)?,
        quantity: text(7)?.and_then(|symbol| Quantity::parse(&symbol)),
        value: value(8)?,
        unit: text(9)?.and_then(|symbol| Unit::parse(&symbol)),
        value_as_sent: text(10)?,
        unit_as_sent: text(11)?,
        mark: marks.into_iter().map(Mark::code).find(|code| mark.as_deref() == Some(code)),
        lower: value(13)?,
        upper: value(14)?,
        rule: rules.into_iter().map(Rule::word).find(|word| rule.as_deref() == Some(word)),
        outcome: text(16)?.and_then(|code| Outcome::parse(&code)),
        reasons: text(17)?.unwrap_or_default().split_whitespace().map(str::to_owned).collect(),
        trace: row.get(from + 18)?,
        attempt: row.get(from + 19)?,
        cutoff_mm: value(20)?,
        sections: row.get(from + 21)?,
        lambda_s_um: value(22)?,
        filter: text(23)?,
        standard: text(24)?,
        conditions_source: text(25)?.and_then(|code| Source::parse(&code)),
        gauge_state: text(26)?.and_then(|code| GaugeState::parse(&code)),
        instrument_verdict: text(27)?,
        ..Row::blank(kind, mode)
    })
}

/// The row that stands in the line of this one.
pub(super) fn of(connection: &Connection, seq: i64) -> Result<Option<Standing>, StoreFault> {
    let sql = format!(
        "{COLUMNS} WHERE e.seq = (SELECT coalesce((SELECT max(n.seq) FROM entry AS n WHERE n.root = coalesce(a.root, a.seq)), a.seq) \
         FROM entry AS a WHERE a.seq = ?1)"
    );
    Ok(connection.prepare_cached(&sql)?.query_row([seq], standing).optional()?)
}

/// Everything that stands of a piece, in the order in which its lines began.
pub(super) fn of_piece(connection: &Connection, run: i64, piece: i64) -> Result<Vec<Standing>, StoreFault> {
    let sql = format!("{COLUMNS} WHERE e.run = ?1 AND e.piece = ?2 AND {LAST} ORDER BY coalesce(e.root, e.seq)");
    let mut statement = connection.prepare_cached(&sql)?;
    let rows = statement.query_map(params![run, piece], standing)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The readings that stand of a stretch of results.
pub(super) fn readings_of(connection: &Connection, first: i64, last: i64) -> Result<Vec<Standing>, StoreFault> {
    let sql = "SELECT e.seq FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis \
               WHERE e.seq BETWEEN ?1 AND ?2 AND b.kind = 'reading' ORDER BY e.seq";
    let mut statement = connection.prepare_cached(sql)?;
    let roots = statement.query_map([first, last], |row| row.get(0))?.collect::<Result<Vec<i64>, _>>()?;
    let found = roots.into_iter().map(|root| of(connection, root)).collect::<Result<Vec<_>, _>>()?;
    Ok(found.into_iter().flatten().collect())
}

/// The piece of a job that a serial number was measured as last: opening and counter.
pub(super) fn piece_of(connection: &Connection, job: &str, serial: &str) -> Result<Option<(i64, i64)>, StoreFault> {
    let sql = format!(
        "SELECT e.run, e.piece FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis WHERE e.serial = ?1 AND b.job = ?2 \
         AND b.balloon IS NOT NULL AND e.run IS NOT NULL AND e.piece IS NOT NULL AND b.kind IN ('reading', 'correction') \
         AND {LAST} ORDER BY e.seq DESC LIMIT 1"
    );
    let found = connection.prepare_cached(&sql)?.query_row([serial, job], |row| Ok((row.get(0)?, row.get(1)?)));
    Ok(found.optional()?)
}

/// Results among which the last reading of a station is looked for.
const RECENT: i64 = 10_000;

/// Number and job of the last reading of any of these stations.
pub(super) fn last_reading(
    connection: &Connection,
    stations: &[String],
) -> Result<Option<(i64, Option<String>)>, StoreFault> {
    let sql = "SELECT e.seq, b.job FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis \
               WHERE e.seq > (SELECT max(seq) FROM entry) - ?1 AND b.kind = 'reading' \
               AND b.station IN (SELECT value FROM json_each(?2)) ORDER BY e.seq DESC LIMIT 1";
    let stations = serde_json::json!(stations).to_string();
    let row = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?));
    Ok(connection.prepare_cached(sql)?.query_row(rusqlite::params![RECENT, stations], row).optional()?)
}
