//! Readings that a person gives to a piece: to one that is known by its serial number, to the same piece for another
//! characteristic, or to new ones of another job, together as they were.

use std::collections::BTreeMap;
use std::sync::Arc;

use ridgepost_config::Job;
use ridgepost_judge::{self as judge, Reason};
use rusqlite::{OptionalExtension, params};
use serde_json::json;

use super::StoreFault;
use super::correct::{Decision, Said, Target, is_of_parts, piece_of, plural};
use super::record::Recorder;
use super::rejudge::{Joining, Run};
use super::standing::{self, Standing};

/// A piece that readings are given to, and how it is known.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Wanted {
    /// The piece they are of already.
    Same(i64, i64),
    /// The one with this serial number.
    Serial(String),
    /// One of its own for those that were of one piece.
    Like(i64, i64),
}

impl Recorder<'_> {
    /// Gives readings to pieces.
    pub(super) fn assign(
        &mut self,
        decision: &Decision,
        target: &Target,
        readings: Vec<Standing>,
    ) -> Result<Said, StoreFault> {
        let job = match self.job_wanted(target, &readings) {
            Ok(job) => job,
            Err(why) => return Ok(Err(why)),
        };
        if let Some(balloon) = &target.balloon
            && !job.characteristics.iter().any(|characteristic| characteristic.balloon == *balloon)
        {
            let known: Vec<&str> = job.characteristics.iter().map(|it| it.balloon.as_str()).collect();
            return Ok(Err(format!("job {} has no characteristic {balloon}; it has {}", job.id, known.join(", "))));
        }
        let mut groups: BTreeMap<Wanted, Vec<Standing>> = BTreeMap::new();
        for reading in readings {
            match wanted(target, &job, &reading) {
                Ok(wanted) => groups.entry(wanted).or_default().push(reading),
                Err(why) => return Ok(Err(why)),
            }
        }
        let mut joining = Vec::with_capacity(groups.len());
        for (wanted, readings) in groups {
            match self.decoded(&readings)? {
                Ok(readings) => joining.push((wanted, readings)),
                Err(why) => return Ok(Err(why)),
            }
        }
        if let Some(why) = self.unreadable_beside(&job, &joining)? {
            return Ok(Err(why));
        }
        let body =
            json!({ "job": job.id, "job_hash": job.text.hash, "serial": target.serial, "balloon": target.balloon });
        let key = self.keep_decision(decision, &body)?;
        let count: usize = joining.iter().map(|(_, readings)| readings.len()).sum();
        let (mut given, mut left): (usize, Vec<(i64, i64)>) = (0, Vec::new());
        for (wanted, readings) in &joining {
            let serial = match wanted {
                Wanted::Serial(serial) => Some(serial.clone()),
                Wanted::Same(..) | Wanted::Like(..) => {
                    readings.iter().rev().find_map(|reading| reading.standing.row.serial.clone())
                }
            };
            let piece = self.piece_wanted(wanted, &job)?;
            left.extend(readings.iter().filter_map(|reading| piece_of(&reading.standing)).filter(|of| *of != piece));
            given += 1;
            let mut anew = self.anew(Some(key), Reason::Superseded);
            anew.piece(piece, (serial.as_deref(), target.balloon.as_deref()), &[], readings)?;
        }
        left.sort_unstable();
        left.dedup();
        let mut anew = self.anew(Some(key), Reason::Superseded);
        for piece in left {
            anew.piece(piece, (None, None), &[], &[])?;
        }
        let told = anew.told();
        self.given_to_changed(&job)?;
        Ok(Ok(format!(
            "{} of job {} given {}{told}",
            plural(given, "piece", "pieces"),
            job.id,
            plural(count, "reading", "readings")
        )))
    }

    /// The job: as it was opened if it is open, else as its file is.
    fn job_wanted(&self, target: &Target, readings: &[Standing]) -> Result<Arc<Job>, String> {
        if let Some(other) = readings.iter().find(|reading| !is_of_parts(reading)) {
            return Err(format!("result {} was taken in {}, so it is of no part", other.root, other.row.mode));
        }
        let own = readings.first().and_then(|reading| reading.job.as_ref());
        let is_one = readings.iter().all(|reading| reading.job.as_ref() == own);
        let id = match target.job.as_ref().or(own.filter(|_| is_one)) {
            Some(id) => id,
            None => return Err("these readings are of several jobs, or of none: name one with --job".to_owned()),
        };
        let open = self.context.open.as_ref().filter(|open| open.job.id == *id).map(|open| &open.job);
        let Some(job) = open.or_else(|| self.plan.jobs.get(id)) else {
            let ids: Vec<&str> = self.plan.jobs.keys().map(String::as_str).collect();
            return Err(format!("there is no job `{id}`; the cell's jobs are: {}", ids.join(", ")));
        };
        judge::check(job, &judge::Piece::fresh(job, 1))
            .map_err(|fault| format!("job {id} can't be judged by: {fault}"))?;
        Ok(Arc::clone(job))
    }

    /// Why the pieces that readings leave or join can't be judged anew, if one of them can't: its job's kept text is needed.
    fn unreadable_beside(
        &mut self,
        job: &Job,
        joining: &[(Wanted, Vec<Joining>)],
    ) -> Result<Option<String>, StoreFault> {
        let mut touched: Vec<(i64, i64)> = Vec::new();
        for (wanted, readings) in joining {
            touched.extend(readings.iter().filter_map(|reading| piece_of(&reading.standing)));
            if let Wanted::Serial(serial) = wanted {
                touched.extend(standing::piece_of(self.tx, &job.id, serial)?);
            }
        }
        for (run, piece) in touched {
            if self.judged_by(run)?.is_none() {
                return Ok(Some(format!(
                    "piece {piece} was measured by a text of its job that this version can't use, so it can't be judged anew \
                     with other readings; nothing was changed: void what is wrong and measure again"
                )));
            }
        }
        Ok(None)
    }

    /// Opening and counter of the piece; a new one of an opening of its own where none is known.
    fn piece_wanted(&mut self, wanted: &Wanted, job: &Arc<Job>) -> Result<(i64, i64), StoreFault> {
        let known = match wanted {
            Wanted::Same(run, piece) => Some((*run, *piece)),
            Wanted::Serial(serial) => standing::piece_of(self.tx, &job.id, serial)?,
            Wanted::Like(..) => None,
        };
        if let Some(known) = known {
            return Ok(known);
        }
        let (run, _) = self.assigned_run(job)?;
        let being_measured = self.context.open.as_ref().filter(|open| open.job.id == job.id).map(|open| {
            // An untouched one gives its number away.
            if open.piece.is_untouched() { 0 } else { open.piece.counter }
        });
        let next = self.next_counter(&job.id)?.max(being_measured.map_or(0, |counter| counter + 1));
        Ok((run, i64::try_from(next).unwrap_or(i64::MAX)))
    }

    /// The opening of a job that later assignments by this text of it go into.
    fn assigned_run(&mut self, job: &Arc<Job>) -> Result<Run, StoreFault> {
        let sql =
            "SELECT id FROM job_event WHERE kind = 'assign' AND job = ?1 AND job_hash = ?2 ORDER BY id DESC LIMIT 1";
        let known: Option<i64> =
            self.tx.prepare_cached(sql)?.query_row(params![job.id, job.text.hash], |row| row.get(0)).optional()?;
        let run = match known {
            Some(run) => run,
            None => {
                self.wording("job", &job.id, &job.text)?;
                self.job_event("assign", job)?;
                self.tx.last_insert_rowid()
            }
        };
        self.context.runs.insert(run, Arc::clone(job));
        Ok((run, Arc::clone(job)))
    }

    /// The piece being measured gets no number that is given away.
    fn given_to_changed(&mut self, job: &Job) -> Result<(), StoreFault> {
        if self.context.open.as_ref().is_some_and(|open| open.job.id == job.id) {
            let given_to = super::piece::given_to(self.tx, &job.id)?;
            if let Some(open) = &mut self.context.open {
                open.given_to = given_to;
                open.pass_over();
            }
        }
        Ok(())
    }
}

fn wanted(target: &Target, job: &Job, reading: &Standing) -> Result<Wanted, String> {
    if let Some(serial) = &target.serial {
        return Ok(Wanted::Serial(serial.clone()));
    }
    let own = piece_of(reading);
    if let Some((run, piece)) = own.filter(|_| reading.job.as_deref() == Some(job.id.as_str())) {
        return match target.balloon {
            Some(_) => Ok(Wanted::Same(run, piece)),
            None => Err(format!(
                "result {} is of job {} already: name the serial number or the characteristic that it is of",
                reading.root, job.id
            )),
        };
    }
    match (&reading.row.serial, own) {
        (Some(serial), _) => Ok(Wanted::Serial(serial.clone())),
        (None, Some((run, piece))) => Ok(Wanted::Like(run, piece)),
        (None, None) => Err(format!("nobody knows the piece of result {}: name its serial number", reading.root)),
    }
}
