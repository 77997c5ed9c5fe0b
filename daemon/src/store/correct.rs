//! What persons decide about results: a reading is void, or of another piece or characteristic; what becomes of a part. Nothing
//! that was written is changed: every decision adds rows, and names who made it and why.

use ridgepost_config::{Authority, refusal};
use ridgepost_judge::{Kind, Mode, Outcome, Reason, Row, void};
use rusqlite::params;
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};

use super::StoreFault;
use super::held::Spoken;
use super::parcel::Posted;
use super::record::Recorder;
use super::row::{Around, Beside};
use super::standing::{self, Standing};

/// Readings that one decision is about at most: the writer does nothing else meanwhile.
const MOST: usize = 10_000;

/// What a person decides about results.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Decision {
    /// Which results, as they were named: numbers, ids, stretches `12..40`.
    pub results: Vec<String>,
    /// Who decides.
    pub by: String,
    /// Why.
    pub reason: String,
    /// What.
    pub what: Decided,
}

/// What is decided.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decided {
    /// They count for nothing.
    Void,
    /// They are of another piece, job or characteristic than was taken.
    Assign(Target),
    /// What becomes of the part.
    Dispose {
        /// What.
        disposition: Disposition,
        /// Number of the concession, permit or report it stands on.
        reference: Option<String>,
    },
}

/// What readings are of.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Target {
    /// The job; without it, the one they were taken in.
    pub job: Option<String>,
    /// The serial number; without it, pieces stay together as they were.
    pub serial: Option<String>,
    /// The characteristic.
    pub balloon: Option<String>,
}

/// What becomes of a part that does not conform, or of which nobody knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Disposition {
    /// It is made again: its next readings are of the next cycle
    Rework,
    /// It is measured again
    ReInspect,
    /// It is used as it is, by a concession or permit
    UseAsIs,
    /// It is scrapped
    Scrap,
    /// It goes back to who delivered it
    Return,
}

impl Disposition {
    /// The word as it is kept.
    pub fn word(self) -> &'static str {
        match self {
            Disposition::Rework => "rework",
            Disposition::ReInspect => "re-inspect",
            Disposition::UseAsIs => "use-as-is",
            Disposition::Scrap => "scrap",
            Disposition::Return => "return",
        }
    }
}

/// What was done, or why nothing was.
pub(super) type Said = Result<String, String>;

impl Recorder<'_> {
    /// Does what a person decides, whole or not at all.
    pub(super) fn decision(&mut self, decision: &Decision) -> Result<Said, StoreFault> {
        if decision.by.trim().is_empty() || decision.reason.trim().is_empty() {
            return Ok(Err("who decides and why must be said".to_owned()));
        }
        let authority = match &decision.what {
            Decided::Void => Authority::Void,
            Decided::Assign(_) => Authority::Assign,
            Decided::Dispose { .. } => Authority::Dispose,
        };
        if let Some(why) = refusal(self.plan.operators.as_deref(), &decision.by, authority) {
            return Ok(Err(why));
        }
        if let Decided::Dispose { disposition, reference } = &decision.what {
            return self.dispose(decision, *disposition, reference.as_deref());
        }
        let readings = match self.readings_named(&decision.results)? {
            Ok(readings) => readings,
            Err(why) => return Ok(Err(why)),
        };
        match &decision.what {
            Decided::Assign(target) => self.assign(decision, target, readings),
            _ => self.void(decision, &readings),
        }
    }

    /// The readings that results name, as they stand, each once and in the order in which they were taken.
    fn readings_named(&self, names: &[String]) -> Result<Result<Vec<Standing>, String>, StoreFault> {
        let mut found: Vec<Standing> = Vec::new();
        for name in names {
            let stretch = name.split_once("..").map(|(from, to)| (number(from), number(to)));
            if let Some(ends) = stretch {
                let (Some(from), Some(to)) = ends else {
                    return Ok(Err(format!(
                        "`{name}` is no stretch of results; write the first and last number: 12..40"
                    )));
                };
                if to.checked_sub(from).is_none_or(|long| !(0..1_000_000).contains(&long)) {
                    return Ok(Err(format!(
                        "{name}: a stretch goes from the smaller number to the larger one, a million at most"
                    )));
                }
                let readings = standing::readings_of(self.tx, from, to)?;
                if readings.is_empty() {
                    return Ok(Err(format!("there is no reading among the results {name}")));
                }
                found.extend(readings);
            } else {
                let Some(standing) = self.named(name)? else {
                    return Ok(Err(format!("there is no result {name}; `ridgepost readings` lists them")));
                };
                if standing.about != Kind::Reading {
                    return Ok(Err(format!(
                        "result {name} is a {}, not a reading: name the readings that it rests on, `ridgepost why {name}` shows them",
                        standing.about
                    )));
                }
                found.push(standing);
            }
            if found.len() > MOST {
                return Ok(Err(format!("these are more than {MOST} readings: decide about fewer at a time")));
            }
        }
        found.sort_by_key(|standing| standing.root);
        found.dedup_by_key(|standing| standing.root);
        match found.iter().find(|standing| standing.row.reasons.iter().any(|code| code == Reason::Voided.code())) {
            Some(gone) => Ok(Err(format!("result {} is void already", gone.root))),
            None => Ok(Ok(found)),
        }
    }

    /// A result by its number or id, as it stands.
    fn named(&self, name: &str) -> Result<Option<Standing>, StoreFault> {
        let is_number = number(name).is_some();
        let Some(seq) = number(name).or_else(|| number(name.rsplit('-').next()?)) else { return Ok(None) };
        let id: Option<String> = {
            use rusqlite::OptionalExtension;
            let sql = "SELECT result_id FROM result WHERE seq = ?1";
            self.tx.prepare_cached(sql)?.query_row([seq], |row| row.get(0)).optional()?
        };
        match id {
            Some(id) if is_number || id == name => standing::of(self.tx, seq),
            _ => Ok(None),
        }
    }

    fn void(&mut self, decision: &Decision, readings: &[Standing]) -> Result<Said, StoreFault> {
        let key = self.keep_decision(decision, &json!({}))?;
        let mut pieces: Vec<(i64, i64)> = Vec::new();
        for reading in readings {
            match piece_of(reading) {
                Some(piece) if !pieces.contains(&piece) => pieces.push(piece),
                Some(_) => {}
                None => {
                    self.instead(Some(key), reading, &void(&reading.row), None)?;
                }
            }
        }
        let mut anew = self.anew(Some(key), Reason::Voided);
        for (run, piece) in pieces {
            anew.piece((run, piece), (None, None), readings, &[])?;
        }
        let changed = anew.told();
        Ok(Ok(format!("{} void{changed}", plural(readings.len(), "reading is", "readings are"))))
    }

    /// Writes down a decision; its key.
    pub(super) fn keep_decision(&self, decision: &Decision, body: &Json) -> Result<i64, StoreFault> {
        let kind = match &decision.what {
            Decided::Void => "void",
            Decided::Assign(_) => "assign",
            Decided::Dispose { .. } => "dispose",
        };
        let mut body = body.clone();
        body["results"] = json!(decision.results);
        self.tx
            .prepare_cached(
                "INSERT INTO decision (at, at_us, kind, by_whom, reason, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?
            .execute(params![self.now.at, self.now.us, kind, decision.by, decision.reason, body.to_string()])?;
        Ok(self.tx.last_insert_rowid())
    }

    /// Writes a row that takes the place of one that stands.
    pub(super) fn instead(
        &mut self,
        decision: Option<i64>,
        of: &Standing,
        row: &Row,
        run: Option<&super::rejudge::Run>,
    ) -> Result<(), StoreFault> {
        let row = Row { kind: Kind::Correction, reading: None, ..row.clone() };
        let kept = match (run, of.run) {
            (None, Some(run)) => self.run_of(run)?,
            _ => None,
        };
        self.decided(decision, &row, run.or(kept.as_ref()), Beside { of, supersedes: true })
    }

    /// Writes a row that a decision makes, or a later definition.
    pub(super) fn decided(
        &mut self,
        decision: Option<i64>,
        row: &Row,
        run: Option<&super::rejudge::Run>,
        beside: Beside,
    ) -> Result<(), StoreFault> {
        let spoken = Spoken { operator: beside.of.operator.clone(), context: beside.of.context };
        let around = Around { from: None, reading: None, run, spoken: &spoken, beside: Some(&beside) };
        let seq = self.row(row, around)?;
        if let Some(decision) = decision {
            self.tx.prepare_cached("INSERT INTO decided (seq, decision) VALUES (?1, ?2)")?.execute([seq, decision])?;
        }
        // What was delivered of its piece or job is closed: corrections travel by themselves.
        self.post(&[Posted::new(seq, row, None)])
    }

    fn dispose(
        &mut self,
        decision: &Decision,
        disposition: Disposition,
        reference: Option<&str>,
    ) -> Result<Said, StoreFault> {
        let mut found = Vec::new();
        for name in &decision.results {
            match self.named(name)? {
                None => return Ok(Err(format!("there is no result {name}; `ridgepost readings` lists them"))),
                Some(standing) if !matches!(standing.about, Kind::Part | Kind::Verdict | Kind::Reading) => {
                    return Ok(Err(format!(
                        "result {name} is a {}: a part, a verdict or a reading is disposed of",
                        standing.about
                    )));
                }
                Some(standing) if standing.row.outcome == Some(Outcome::Conforms) => {
                    return Ok(Err(format!("result {name} conforms: there is nothing to dispose of")));
                }
                Some(standing) => found.push(standing),
            }
        }
        if disposition == Disposition::UseAsIs && reference.is_none_or(|text| text.trim().is_empty()) {
            return Ok(Err("use as is stands on a concession or permit: name its number with --reference".to_owned()));
        }
        let again = |standing: &Standing| standing.job.clone().zip(standing.row.serial.clone());
        if disposition == Disposition::Rework
            && let Some(nameless) = found.iter().find(|standing| again(standing).is_none())
        {
            return Ok(Err(format!(
                "result {} has no job and serial number, so its part would not be known again after rework",
                nameless.root
            )));
        }
        let key = self.keep_decision(decision, &json!({ "disposition": disposition, "reference": reference }))?;
        for standing in &found {
            let reasons = vec![format!("{}:{}", Reason::Disposed, disposition.word())];
            let row = Row { kind: Kind::Notice, outcome: None, reasons, trace: None, ..standing.row.clone() };
            let run = match standing.run {
                Some(run) => self.run_of(run)?,
                None => None,
            };
            self.decided(Some(key), &row, run.as_ref(), Beside { of: standing, supersedes: false })?;
            if let (Disposition::Rework, Some((job, serial))) = (disposition, again(standing)) {
                self.made_again(&job, &serial, standing.row.cycle.unwrap_or(1).saturating_add(1))?;
            }
        }
        Ok(Ok(format!(
            "{} written down as {}; no outcome is changed by it",
            plural(found.len(), "result is", "results are"),
            disposition.word()
        )))
    }

    fn made_again(&mut self, job: &str, serial: &str, cycle: u32) -> Result<(), StoreFault> {
        self.tx
            .prepare_cached(
                "INSERT INTO rework (job, serial, cycle) VALUES (?1, ?2, ?3) \
                 ON CONFLICT (job, serial) DO UPDATE SET cycle = max(cycle, excluded.cycle)",
            )?
            .execute(params![job, serial, cycle])?;
        if self.context.open.as_ref().is_some_and(|open| open.job.id == job) {
            let cycles = super::piece::cycles(self.tx, job)?;
            if let Some(open) = &mut self.context.open {
                open.cycles = cycles;
            }
        }
        Ok(())
    }
}

/// The decisions about results, by the line they belong to: each with the row that it made.
pub fn decisions(connection: &rusqlite::Connection, seq: i64) -> Result<Vec<Json>, StoreFault> {
    let sql = "SELECT d.id AS decision, d.at, d.kind, d.by_whom, d.reason, d.body, r.seq, r.result_id, r.kind AS row_kind, r.outcome, \
               r.reasons, r.value, r.unit, r.job, r.serial, r.piece, r.balloon, \
               (SELECT o.kind FROM result AS o WHERE o.seq = r.root) AS about FROM result AS r \
               LEFT JOIN decided AS of ON of.seq = r.seq LEFT JOIN decision AS d ON d.id = of.decision \
               WHERE r.root = (SELECT coalesce(root, seq) FROM entry WHERE seq = ?1) ORDER BY r.seq";
    super::query::objects(connection, sql, &[&seq])
}

/// What was decided about what becomes of the piece that a result is of.
pub fn dispositions(connection: &rusqlite::Connection, seq: i64) -> Result<Vec<Json>, StoreFault> {
    let sql = "SELECT d.at, d.by_whom, d.reason, d.body, n.seq FROM entry AS a \
               JOIN entry AS n ON n.run = a.run AND n.piece = a.piece \
               JOIN decided AS of ON of.seq = n.seq JOIN decision AS d ON d.id = of.decision AND d.kind = 'dispose' \
               WHERE a.seq = ?1 ORDER BY n.seq";
    super::query::objects(connection, sql, &[&seq])
}

/// Opening of the job and counter of the piece that a reading fills a slot of.
pub(super) fn piece_of(standing: &Standing) -> Option<(i64, i64)> {
    standing.row.balloon.as_ref()?;
    standing.run.zip(standing.row.piece.and_then(|piece| i64::try_from(piece).ok()))
}

fn number(text: &str) -> Option<i64> {
    text.trim().trim_start_matches('#').parse().ok()
}

pub(super) fn plural(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// Readings of another mode than production belong to no piece.
pub(super) fn is_of_parts(standing: &Standing) -> bool {
    standing.row.mode == Mode::Production
}
