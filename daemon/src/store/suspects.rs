//! What a gauge measured since it was last known to be good: the readings to look at again when it is found bad.

use std::collections::HashMap;
use std::rc::Rc;

use jiff::civil::Date;
use ridgepost_config::Plan;
use ridgepost_judge::{Kind, Mode, Row, Turn};
use rusqlite::{Connection, OptionalExtension, params};
use serde_json::{Value as Json, json};

use super::StoreFault;
use super::gauge;
use super::happened::Happened;
use super::parcel::Posted;
use super::record::Recorder;
use crate::clock::Stamp;

/// From where to where the results of a gauge are in doubt.
#[derive(Clone, Debug)]
pub struct Doubt {
    /// What found it bad, as [`gauge::history`] tells it; null where it is asked without that.
    pub found: Json,
    /// The last verification before that passed, likewise; null where there was none.
    pub good: Json,
    /// In words, where the good time ended.
    pub good_until: String,
    /// Results behind this one are in doubt.
    pub behind: i64,
    /// Up to this one.
    pub until: i64,
}

impl Doubt {
    /// The last time that a gauge was found bad; none where it never was.
    pub fn of(connection: &Connection, plan: &Plan, gauge: &str) -> Result<Option<Doubt>, StoreFault> {
        let events = gauge::history(connection, gauge, None)?;
        let turn = |event: &Json| event["kind"].as_str().and_then(Happened::parse).and_then(Happened::turn);
        let Some(at) = events.iter().rposition(|event| turn(event) == Some(Turn::Failed)) else { return Ok(None) };
        let last: i64 = connection.query_row("SELECT coalesce(max(seq), 0) FROM entry", [], |row| row.get(0))?;
        let (before, after) = events.split_at(at);
        let good = before.iter().rev().find(|event| turn(event) == Some(Turn::Passed));
        let next_good = after.iter().find(|event| turn(event) == Some(Turn::Passed));
        let seq = |event: &Json| event["after_seq"].as_i64().unwrap_or(0);
        let stated = stated(connection, plan, gauge, after[0]["at_us"].as_i64().unwrap_or(i64::MAX))?;
        let (behind, good_until) = match (good, stated) {
            (Some(good), Some((behind, _))) if seq(good) >= behind => (seq(good), words_of(good)),
            (_, Some((behind, day))) => (behind, format!("its verification of {day}, stated in the register")),
            (Some(good), None) => (seq(good), words_of(good)),
            (None, None) => (0, "never: no verification before that passed".to_owned()),
        };
        Ok(Some(Doubt {
            found: after[0].clone(),
            good: good.cloned().unwrap_or(Json::Null),
            good_until,
            behind,
            until: next_good.map_or(last, seq),
        }))
    }

    /// All that was received from a time on (microseconds since 1970), for those who ask before anything is found.
    pub fn since(connection: &Connection, since_us: i64) -> Result<Doubt, StoreFault> {
        let (behind, until) = connection.query_row(
            "SELECT coalesce((SELECT min(seq) - 1 FROM entry WHERE received_us >= ?1), max(seq), 0), coalesce(max(seq), 0) \
             FROM entry",
            [since_us],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
        let good_until = "the time that was asked for".to_owned();
        Ok(Doubt { found: Json::Null, good: Json::Null, good_until, behind, until })
    }
}

fn words_of(event: &Json) -> String {
    format!("the verification of {}", event["at"].as_str().unwrap_or_default())
}

/// The result before the day on which the register says that the gauge was good, where that is before a time. A register
/// tells no hour, so all of that day is in doubt.
fn stated(
    connection: &Connection,
    plan: &Plan,
    gauge: &str,
    before_us: i64,
) -> Result<Option<(i64, Date)>, StoreFault> {
    let verified = plan.gauges.get(gauge).and_then(|gauge| gauge.verified.as_ref());
    let Some(day) = verified.map(|verified| verified.on) else { return Ok(None) };
    let begins = day
        .at(0, 0, 0, 0)
        .to_zoned_datetime(plan.cell.time_zone.clone())
        .ok()
        .map(|begins| begins.timestamp().as_microsecond());
    let Some(begins) = begins.filter(|begins| *begins < before_us) else { return Ok(None) };
    let behind =
        "SELECT coalesce((SELECT min(seq) - 1 FROM entry WHERE received_us >= ?1), (SELECT max(seq) FROM entry), 0)";
    Ok(Some((connection.query_row(behind, [begins], |row| row.get(0))?, day)))
}

/// What a suspect shares with others.
#[derive(Debug)]
pub struct Shared {
    /// `reading`, `correction`.
    pub kind: String,
    /// Id of the store that wrote it.
    pub store_id: String,
    /// Job.
    pub job: Option<String>,
    /// Part number.
    pub part_number: Option<String>,
    /// Revision of the drawing.
    pub revision: Option<String>,
    /// Operation.
    pub operation: Option<String>,
    /// Balloon number.
    pub balloon: Option<String>,
    /// Feature in words.
    pub feature: Option<String>,
    /// Quantity, by its symbol.
    pub quantity: Option<String>,
    /// Unit of value and limits.
    pub unit: Option<String>,
    /// Lower limit, as digits.
    pub lower: Option<String>,
    /// Upper limit, as digits.
    pub upper: Option<String>,
    /// Outcome.
    pub outcome: Option<String>,
}

/// A reading of production in doubt.
#[derive(Debug)]
pub struct Suspect {
    /// Its number.
    pub seq: i64,
    /// Key of what it shares.
    pub basis: i64,
    /// What it shares with others.
    pub shared: Rc<Shared>,
    /// When it was received.
    pub received_at: String,
    /// Serial number of the piece.
    pub serial: Option<String>,
    /// Counter of the piece.
    pub piece: Option<i64>,
    /// The value as digits.
    pub value: Option<String>,
}

/// Numbers looked at in one go, so that no long look keeps the log from being brought back.
const STRETCH: i64 = 20_000;

const SHARED: &str = "SELECT kind, store_id, job, part_number, revision, operation, balloon, feature, quantity, unit, lower, upper, \
    outcome FROM basis WHERE id = ?1 AND gauge = ?2 AND mode = 'production' AND kind IN ('reading', 'correction') AND reasons <> 'voided'";

fn shared(connection: &Connection, basis: i64, gauge: &str) -> Result<Option<Rc<Shared>>, StoreFault> {
    let row = connection.prepare_cached(SHARED)?.query_row(params![basis, gauge], |row| {
        Ok(Rc::new(Shared {
            kind: row.get(0)?,
            store_id: row.get(1)?,
            job: row.get(2)?,
            part_number: row.get(3)?,
            revision: row.get(4)?,
            operation: row.get(5)?,
            balloon: row.get(6)?,
            feature: row.get(7)?,
            quantity: row.get(8)?,
            unit: row.get(9)?,
            lower: row.get(10)?,
            upper: row.get(11)?,
            outcome: row.get(12)?,
        }))
    });
    Ok(row.optional()?)
}

/// Hands over the readings of production of a gauge that are in doubt, in the order in which they
/// were taken, each as it stands; none that is void.
/// `each` may end it with `false`.
pub fn each(
    connection: &Connection,
    gauge: &str,
    doubt: &Doubt,
    mut each: impl FnMut(Suspect) -> Result<bool, StoreFault>,
) -> Result<(), StoreFault> {
    let mut bases: HashMap<i64, Option<Rc<Shared>>> = HashMap::new();
    let mut statement = connection.prepare(
        "SELECT e.seq, e.basis, o.received_at, e.serial, e.piece, e.value FROM entry AS o CROSS JOIN entry AS e \
         ON e.seq = coalesce((SELECT max(n.seq) FROM entry AS n WHERE n.root = o.seq), o.seq) \
         WHERE o.seq > ?1 AND o.seq <= ?2 AND o.root IS NULL ORDER BY o.seq",
    )?;
    let mut behind = doubt.behind;
    while behind < doubt.until {
        let to = behind.saturating_add(STRETCH).min(doubt.until);
        let mut page = Vec::new();
        let mut rows = statement.query([behind, to])?;
        while let Some(row) = rows.next()? {
            let basis = row.get(1)?;
            let shared = match bases.get(&basis) {
                Some(shared) => shared.clone(),
                None => {
                    let shared = shared(connection, basis, gauge)?;
                    bases.insert(basis, shared.clone());
                    shared
                }
            };
            let Some(shared) = shared else { continue };
            let seq: i64 = row.get(0)?;
            page.push(Suspect {
                seq,
                basis,
                shared,
                received_at: row.get(2)?,
                serial: row.get(3)?,
                piece: row.get(4)?,
                value: row.get(5)?,
            });
        }
        drop(rows);
        for suspect in page {
            if !each(suspect)? {
                return Ok(());
            }
        }
        behind = to;
    }
    Ok(())
}

/// Readings that every sink is told of at most. The writer does nothing else meanwhile, and more belong into a file.
const MOST_TOLD: usize = 100_000;

impl Recorder<'_> {
    /// Writes a notice for each result in doubt, once for each time that the gauge was found bad.
    pub(super) fn tell_suspects(
        &mut self,
        gauge: &str,
        by: &str,
        reason: &str,
    ) -> Result<Result<String, String>, StoreFault> {
        let Some(doubt) = Doubt::of(self.tx, self.plan, gauge)? else {
            return Ok(Err(format!("gauge {gauge} was never found bad: there is nothing to tell")));
        };
        let told =
            |event: &&Json| event["kind"] == Happened::Told.code() && event["body"]["found"] == doubt.found["event"];
        if let Some(told) = gauge::history(self.tx, gauge, None)?.iter().find(told) {
            let at = told["at"].as_str().unwrap_or_default();
            return Ok(Err(format!("every sink was told of these results at {at} already")));
        }
        let mut suspects = Vec::new();
        each(self.tx, gauge, &doubt, |suspect| {
            suspects.push((suspect.seq, suspect.basis));
            Ok(suspects.len() <= MOST_TOLD)
        })?;
        if suspects.len() > MOST_TOLD {
            return Ok(Err(format!(
                "gauge {gauge} measured more than {MOST_TOLD} results in doubt; nothing is told, hand over the list of \
                 `ridgepost gauge {gauge} --measured --csv`"
            )));
        }
        let mut bases = HashMap::new();
        let mut posted = Vec::with_capacity(suspects.len());
        for (seq, basis) in &suspects {
            let basis = match bases.get(basis) {
                Some(known) => *known,
                None => {
                    self.tx.prepare_cached(NOTICE_BASIS)?.execute(params![basis])?;
                    *bases.entry(*basis).or_insert(self.tx.last_insert_rowid())
                }
            };
            self.tx.prepare_cached(NOTICE)?.execute(params![seq, basis, self.now.at, self.now.us])?;
            posted.push(Posted::new(self.tx.last_insert_rowid(), &Row::blank(Kind::Notice, Mode::Production), None));
        }
        self.post(&posted)?;
        let body = json!({ "found": doubt.found["event"], "behind": doubt.behind, "until": doubt.until,
                           "results": suspects.len(), "reason": reason });
        let now = self.now.clone();
        self.happened(gauge, Happened::Told, Some(by), &now, &body)?;
        tracing::warn!(
            code = "gauge-doubt",
            "every sink is told of {} results in doubt of gauge {gauge}",
            suspects.len()
        );
        Ok(Ok(format!("every sink is told of {} results of gauge {gauge} that are in doubt", suspects.len())))
    }

    /// A person decides what becomes of the results in doubt.
    pub(super) fn settle_doubt(
        &mut self,
        gauge: &str,
        by: &str,
        decision: &str,
        now: &Stamp,
    ) -> Result<Result<String, String>, StoreFault> {
        let Some(doubt) = Doubt::of(self.tx, self.plan, gauge)? else {
            return Ok(Err(format!("gauge {gauge} was never found bad: there is nothing to settle")));
        };
        let body = json!({ "found": doubt.found["event"], "reason": decision });
        self.happened(gauge, Happened::Settled, Some(by), now, &body)?;
        Ok(Ok(format!(
            "what becomes of the results in doubt of gauge {gauge} is written down; no outcome is changed by it"
        )))
    }
}

/// What a notice shares with the result that it tells of.
const NOTICE_BASIS: &str = "INSERT INTO basis (store_id, kind, clock_synced, cell, station, gauge, operator, job, part_number, \
    revision, operation, cycle, mode, balloon, feature, quantity, unit, unit_as_sent, mark, lower, upper, rule, outcome, \
    reasons, cutoff_mm, sections, lambda_s_um, filter, standard, conditions_source, gauge_state, instrument_verdict, \
    job_hash, program_version) SELECT store_id, 'notice', clock_synced, cell, station, gauge, operator, job, part_number, \
    revision, operation, cycle, mode, balloon, feature, quantity, unit, unit_as_sent, mark, lower, upper, rule, NULL, \
    'gauge-failed', cutoff_mm, sections, lambda_s_um, filter, standard, conditions_source, 'failed', instrument_verdict, \
    job_hash, program_version FROM basis WHERE id = ?1";

/// It has the transmission and the digits of its result, by which that is found again.
const NOTICE: &str = "INSERT INTO entry (basis, received_at, received_us, measured_at, serial, piece, value, value_as_sent, \
    trace, attempt, transmission) SELECT ?2, ?3, ?4, measured_at, serial, piece, value, value_as_sent, trace, attempt, \
    transmission FROM entry WHERE seq = ?1";
