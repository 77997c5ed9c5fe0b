//! What happened to gauges, as the store keeps it: a row for everything, from which a restart finds what memory held and
//! `gauge` and `why` tell the history.

use std::collections::BTreeMap;
use std::sync::Arc;

use ridgepost_config::Plan;
use ridgepost_judge::{AsOf, GaugeState, SinceTurn, Turn, Values, gauge_state_since};
use ridgepost_parsers::{Quantity, Value};
use rusqlite::{Connection, OptionalExtension, params};
use rust_decimal::Decimal;
use serde_json::{Value as Json, json};

use super::StoreFault;
use super::happened::Happened;
use super::record::Recorder;
use crate::clock::Stamp;

/// Whether a verification shows how the gauge was found, or how it is left after something was done to it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Before anything is done to it.
    #[default]
    AsFound,
    /// After cleaning, adjusting, repair.
    AsLeft,
}

impl Phase {
    /// The word.
    pub fn word(self) -> &'static str {
        match self {
            Phase::AsFound => "as-found",
            Phase::AsLeft => "as-left",
        }
    }
}

/// What a person says about a gauge.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GaugeCommand {
    /// Its next readings are of a specimen.
    Verify {
        /// Which gauge.
        gauge: String,
        /// Which specimen, where not the one that its rule names.
        specimen: Option<String>,
        /// As found or as left.
        phase: Phase,
        /// Who does it.
        by: String,
    },
    /// The verification under way is given up.
    Stop {
        /// Which gauge.
        gauge: String,
        /// Who says so.
        by: String,
        /// Why.
        reason: String,
    },
    /// Something happened to it: the code of [`Happened`].
    Happened {
        /// Which gauge.
        gauge: String,
        /// What.
        what: String,
        /// Who says so.
        by: String,
        /// In their words.
        reason: String,
    },
    /// Every sink is told of the results in doubt of a gauge that was found bad.
    Tell {
        /// Which gauge.
        gauge: String,
        /// Who says so.
        by: String,
        /// Why, in their words.
        reason: String,
    },
}

impl GaugeCommand {
    /// The gauge that it is about.
    pub fn gauge(&self) -> &str {
        let (GaugeCommand::Verify { gauge, .. }
        | GaugeCommand::Stop { gauge, .. }
        | GaugeCommand::Happened { gauge, .. }
        | GaugeCommand::Tell { gauge, .. }) = self;
        gauge
    }

    /// Who says so.
    pub fn by(&self) -> &str {
        let (GaugeCommand::Verify { by, .. }
        | GaugeCommand::Stop { by, .. }
        | GaugeCommand::Happened { by, .. }
        | GaugeCommand::Tell { by, .. }) = self;
        by
    }
}

/// A verification under way.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Session {
    /// The row that began it.
    pub(super) began: i64,
    /// When.
    pub(super) began_us: i64,
    /// With which specimen.
    pub(super) specimen: String,
    /// As found or as left.
    pub(super) phase: Phase,
    /// Who does it.
    pub(super) by: Option<String>,
    /// Values that count, in the certificate's units.
    pub(super) values: Values,
    /// Values that don't.
    pub(super) not_counted: u32,
}

/// What is known of one gauge beside the register.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Known {
    /// The last turn.
    pub(super) since: Option<SinceTurn>,
    /// The verification under way.
    pub(super) session: Option<Session>,
}

/// What is known of all gauges beside the register, by id.
#[derive(Clone, Debug, Default)]
pub struct Gauges {
    pub(super) known: Arc<BTreeMap<String, Known>>,
}

impl Gauges {
    /// The state of a gauge.
    pub fn state(&self, plan: &Plan, gauge: &str, as_of: &AsOf) -> GaugeState {
        let since = self.known.get(gauge).and_then(|known| known.since.as_ref());
        gauge_state_since(plan.gauges.get(gauge), since, as_of)
    }

    /// The verification under way of a gauge, for people.
    pub fn under_way(&self, gauge: &str) -> Option<Json> {
        let session = self.known.get(gauge)?.session.as_ref()?;
        let counts = session.values.iter().map(|(quantity, values)| (quantity.to_string(), json!(values.len())));
        Some(json!({
            "specimen": session.specimen,
            "phase": session.phase,
            "by": session.by,
            "values": counts.collect::<serde_json::Map<_, _>>(),
            "not_counted": session.not_counted,
        }))
    }

    /// How much a gauge was used since the last turn, where its rule counts that.
    pub fn used(&self, plan: &Plan, gauge: &str) -> Option<Json> {
        let rule = &plan.gauges.get(gauge)?.verification;
        if rule.readings.is_none() && rule.distance.is_none() {
            return None;
        }
        let since = self.known.get(gauge)?.since.as_ref().filter(|since| since.turn == Turn::Passed)?;
        Some(json!({ "readings": since.readings, "traced_mm": since.traced_mm.to_string() }))
    }

    pub(super) fn change(&mut self, gauge: &str) -> &mut Known {
        Arc::make_mut(&mut self.known).entry(gauge.to_owned()).or_default()
    }
}

/// What was known of all gauges when the program ended.
pub fn load(connection: &Connection, plan: &Plan) -> Result<Gauges, StoreFault> {
    let mut statement = connection.prepare("SELECT DISTINCT gauge FROM gauge_event")?;
    let gauges = statement.query_map([], |row| row.get::<_, String>(0))?.collect::<Result<Vec<_>, _>>()?;
    let mut known = BTreeMap::new();
    for gauge in gauges {
        let one = Known { since: since(connection, plan, &gauge, i64::MAX)?, session: session(connection, &gauge)? };
        known.insert(gauge, one);
    }
    Ok(Gauges { known: Arc::new(known) })
}

/// What decided last on a gauge's state before a result, and first after it: `{"before": .., "after": ..}`, null where
/// nothing did.
pub fn around(connection: &Connection, gauge: &str, seq: i64) -> Result<Json, StoreFault> {
    let turn = |sql: &str| -> Result<Json, StoreFault> {
        let mut statement =
            connection.prepare(&format!("SELECT {EVENT} FROM gauge_event WHERE gauge = ?1 AND {sql}"))?;
        let mut rows = statement.query(params![gauge, seq])?;
        while let Some(row) = rows.next()? {
            let event = event(row)?;
            if event["turns"] == true {
                return Ok(event);
            }
        }
        Ok(Json::Null)
    };
    Ok(json!({
        "before": turn("after_seq < ?2 ORDER BY id DESC")?,
        "after": turn("after_seq >= ?2 ORDER BY id")?,
    }))
}

/// All that happened to a gauge, oldest first; from a time on (microseconds since 1970) where one is given. Each as `event`, `at`,
/// `at_us`, `kind`, `in_words`, `turns` (it decides on the state), `by`, `after_seq`, `body`.
pub fn history(connection: &Connection, gauge: &str, since_us: Option<i64>) -> Result<Vec<Json>, StoreFault> {
    let sql = format!("SELECT {EVENT} FROM gauge_event WHERE gauge = ?1 AND at_us >= ?2 ORDER BY id");
    let mut statement = connection.prepare(&sql)?;
    let mut rows = statement.query(params![gauge, since_us.unwrap_or(i64::MIN)])?;
    let mut events = Vec::new();
    while let Some(row) = rows.next()? {
        events.push(event(row)?);
    }
    Ok(events)
}

const EVENT: &str = "id, at, at_us, kind, by_whom, after_seq, body";

/// A row of `gauge_event` with the columns of [`EVENT`].
fn event(row: &rusqlite::Row) -> Result<Json, StoreFault> {
    let kind: String = row.get(3)?;
    let happened = Happened::parse(&kind);
    Ok(json!({
        "event": row.get::<_, i64>(0)?,
        "at": row.get::<_, String>(1)?,
        "at_us": row.get::<_, i64>(2)?,
        "kind": kind,
        "in_words": happened.map(Happened::words),
        "turns": happened.and_then(Happened::turn).is_some(),
        "by": row.get::<_, Option<String>>(4)?,
        "after_seq": row.get::<_, i64>(5)?,
        "body": serde_json::from_str::<Json>(&row.get::<_, String>(6)?).unwrap_or_default(),
    }))
}

/// The last turn of a gauge before a result of this number, and how much it was used from there to that result.
pub fn since(connection: &Connection, plan: &Plan, gauge: &str, before: i64) -> Result<Option<SinceTurn>, StoreFault> {
    let mut statement = connection.prepare_cached(
        "SELECT kind, at_us, after_seq FROM gauge_event WHERE gauge = ?1 AND after_seq < ?2 ORDER BY id DESC",
    )?;
    let mut rows = statement.query(params![gauge, before])?;
    while let Some(row) = rows.next()? {
        let Some(turn) = Happened::parse(&row.get::<_, String>(0)?).and_then(Happened::turn) else { continue };
        let after: i64 = row.get(2)?;
        let mut since = SinceTurn { turn, at_us: row.get(1)?, readings: 0, traced_mm: Decimal::ZERO };
        let rule = plan.gauges.get(gauge).map(|gauge| &gauge.verification);
        let is_counted = rule.is_some_and(|rule| rule.readings.is_some() || rule.distance.is_some());
        if is_counted && turn == Turn::Passed {
            used(connection, gauge, after, before, &mut since)?;
        }
        return Ok(Some(since));
    }
    Ok(None)
}

/// Counts readings and the length they traced. A trace gives several quantities, so of each setting the quantity that was
/// read most often tells the number of traces.
fn used(
    connection: &Connection,
    gauge: &str,
    after: i64,
    before: i64,
    since: &mut SinceTurn,
) -> Result<(), StoreFault> {
    let mut statement = connection.prepare_cached(
        "SELECT b.cutoff_mm, b.sections, b.quantity, count(*) FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis \
         WHERE e.seq > ?2 AND e.seq < ?3 AND b.gauge = ?1 AND b.kind = 'reading' GROUP BY 1, 2, 3",
    )?;
    let mut rows = statement.query(params![gauge, after, before])?;
    let mut traces: BTreeMap<(String, i64), i64> = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let count: i64 = row.get(3)?;
        since.readings = since.readings.saturating_add(u64::try_from(count).unwrap_or(0));
        let quantity = row.get::<_, Option<String>>(2)?.and_then(|symbol| Quantity::parse(&symbol));
        if let (Some(cutoff), true) = (row.get(0)?, quantity.is_some_and(|quantity| quantity.is_texture())) {
            let most = traces.entry((cutoff, row.get::<_, Option<i64>>(1)?.unwrap_or(5))).or_default();
            *most = (*most).max(count);
        }
    }
    for ((cutoff, sections), count) in traces {
        let one = Value::parse(&cutoff).ok().and_then(|cutoff| cutoff.decimal().checked_mul(Decimal::from(sections)));
        let all = one.and_then(|one| one.checked_mul(Decimal::from(count)));
        since.traced_mm = all.and_then(|all| since.traced_mm.checked_add(all)).unwrap_or(since.traced_mm);
    }
    Ok(())
}

/// The verification that was under way.
fn session(connection: &Connection, gauge: &str) -> Result<Option<Session>, StoreFault> {
    let last = "SELECT id, at_us, body, by_whom, kind FROM gauge_event WHERE gauge = ?1 \
                AND kind NOT IN ('counted', 'not-counted', 'told', 'settled') ORDER BY id DESC LIMIT 1";
    let begun = connection
        .prepare_cached(last)?
        .query_row([gauge], |row| {
            Ok((row.get::<_, i64>(0)?, row.get(1)?, row.get::<_, String>(2)?, row.get(3)?, row.get::<_, String>(4)?))
        })
        .optional()?;
    let Some((began, began_us, body, by, kind)) = begun else { return Ok(None) };
    if kind != Happened::Began.code() {
        return Ok(None);
    }
    let damaged = |row: i64| StoreFault::Damaged(format!("row {row} of `gauge_event` can't be read"));
    let body: Json = serde_json::from_str(&body).map_err(|_| damaged(began))?;
    let phase = if body["phase"] == "as-left" { Phase::AsLeft } else { Phase::AsFound };
    let specimen = body["specimen"].as_str().ok_or_else(|| damaged(began))?.to_owned();
    let mut session = Session { began, began_us, specimen, phase, by, values: Values::new(), not_counted: 0 };
    let mut statement =
        connection.prepare_cached("SELECT id, kind, body FROM gauge_event WHERE gauge = ?1 AND id > ?2 ORDER BY id")?;
    let mut rows = statement.query(params![gauge, began])?;
    while let Some(row) = rows.next()? {
        match Happened::parse(&row.get::<_, String>(1)?) {
            Some(Happened::Counted) => {}
            Some(Happened::NotCounted) => {
                session.not_counted += 1;
                continue;
            }
            _ => continue,
        }
        let body: Json = serde_json::from_str(&row.get::<_, String>(2)?).unwrap_or_default();
        let quantity = body["quantity"].as_str().and_then(Quantity::parse);
        let value = body["value"].as_str().and_then(|value| Value::parse(value).ok());
        let (Some(quantity), Some(value)) = (quantity, value) else { return Err(damaged(row.get(0)?)) };
        session.values.entry(quantity).or_default().push(value);
    }
    Ok(Some(session))
}

impl Recorder<'_> {
    /// Writes that something happened to a gauge.
    pub(super) fn happened(
        &mut self,
        gauge: &str,
        what: Happened,
        by: Option<&str>,
        at: &Stamp,
        body: &Json,
    ) -> Result<i64, StoreFault> {
        self.tx
            .prepare_cached(
                "INSERT INTO gauge_event (at, at_us, gauge, kind, by_whom, after_seq, body) \
                 VALUES (?1, ?2, ?3, ?4, ?5, (SELECT coalesce(max(seq), 0) FROM entry), ?6)",
            )?
            .execute(params![at.at, at.us, gauge, what.code(), by, body.to_string()])?;
        let row = self.tx.last_insert_rowid();
        if let Some(turn) = what.turn() {
            let since = SinceTurn { turn, at_us: at.us, readings: 0, traced_mm: Decimal::ZERO };
            self.context.gauges.change(gauge).since = Some(since);
        }
        Ok(row)
    }

    /// The time for which states are asked now.
    pub(super) fn as_of(&self, us: i64) -> AsOf {
        AsOf { us, day: self.day_for_dates, zone: self.plan.cell.time_zone.clone() }
    }
}
