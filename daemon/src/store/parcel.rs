//! Which rows travel together: every row gets its place in a parcel of every sink in the transaction that
//! writes it, so what a file holds never depends on when it is written.

use std::sync::Arc;

use ridgepost_config::{Job, Per, Plan, Sink, SinkKind};
use ridgepost_judge::{Kind, Row};
use rusqlite::{OptionalExtension, Transaction, params};

use super::StoreFault;

/// Microseconds of a minute.
const MINUTE_US: i64 = 60_000_000;

/// A row just written, as far as parcels care.
#[derive(Clone, Debug)]
pub struct Posted {
    seq: i64,
    kind: Kind,
    job: Option<String>,
    run: Option<i64>,
    serial: Option<String>,
    piece: Option<u64>,
}

impl Posted {
    /// From a row and the job run it belongs to.
    pub fn new(seq: i64, row: &Row, run: Option<&(i64, Arc<Job>)>) -> Self {
        Posted {
            seq,
            kind: row.kind,
            job: run.map(|(_, job)| job.id.clone()),
            run: run.map(|(run, _)| *run),
            serial: row.serial.clone(),
            piece: row.piece,
        }
    }
}

/// Puts the rows of one judgement into the parcels of every sink.
pub fn post(tx: &Transaction, sinks: &[Sink], cell: &str, rows: &[Posted], now_us: i64) -> Result<(), StoreFault> {
    for sink in sinks {
        let SinkKind::Csv(csv) = &sink.kind;
        let mut travelling = None;
        for row in rows.iter().filter(|row| csv.kinds.iter().any(|kind| kind == row.kind.code())) {
            let sheet = Sheet { tx, sink, template: &csv.name, cell, now_us };
            let parcel = sheet.parcel(csv.per, row, travelling)?;
            tx.prepare_cached("INSERT INTO outbox (sink, seq, parcel) VALUES (?1, ?2, ?3)")?
                .execute(params![sink.name, row.seq, parcel])?;
            if csv.per == Per::Piece && row.kind == Kind::Part {
                close(tx, parcel)?;
            }
            travelling = Some(parcel);
        }
    }
    Ok(())
}

/// Closes the parcels that a job run was filling.
pub fn close_run(tx: &Transaction, run: i64) -> Result<(), StoreFault> {
    tx.prepare_cached(
        "UPDATE parcel SET state = 'due', bundle = NULL WHERE state = 'filling' AND (bundle = ?1 OR bundle GLOB ?2)",
    )?
    .execute(params![format!("run {run}"), format!("run {run} piece *")])?;
    Ok(())
}

/// Closes the parcels by minutes whose time is up, and those that would stay open for longer than their minutes, because
/// the clock was set back.
pub fn close_timed(tx: &Transaction, plan: &Plan, now_us: i64) -> Result<(), StoreFault> {
    tx.prepare_cached("UPDATE parcel SET state = 'due', bundle = NULL WHERE state = 'filling' AND closes_us <= ?1")?
        .execute([now_us])?;
    for sink in &plan.sinks {
        let SinkKind::Csv(csv) = &sink.kind;
        if let Per::Minutes(minutes) = csv.per {
            tx.prepare_cached(
                "UPDATE parcel SET state = 'due', bundle = NULL WHERE state = 'filling' AND sink = ?1 AND closes_us > ?2",
            )?
            .execute(params![sink.name, now_us.saturating_add(i64::from(minutes) * MINUTE_US)])?;
        }
    }
    Ok(())
}

fn close(tx: &Transaction, parcel: i64) -> Result<(), StoreFault> {
    tx.prepare_cached("UPDATE parcel SET state = 'due', bundle = NULL WHERE id = ?1")?.execute([parcel])?;
    Ok(())
}

struct Sheet<'a> {
    tx: &'a Transaction<'a>,
    sink: &'a Sink,
    template: &'a str,
    cell: &'a str,
    now_us: i64,
}

impl Sheet<'_> {
    /// The parcel a row goes into: one that is filling, the one its reading travels in, or a new one.
    fn parcel(&self, per: Per, row: &Posted, travelling: Option<i64>) -> Result<i64, StoreFault> {
        let bundle = match (per, row.run, row.piece) {
            (Per::Reading, ..) => None,
            (Per::Piece, Some(run), Some(piece)) => Some(format!("run {run} piece {piece}")),
            (Per::Job, Some(run), _) => Some(format!("run {run}")),
            (Per::Minutes(_), ..) => Some("minutes".to_owned()),
            (Per::Piece | Per::Job, ..) => None,
        };
        let closes_us = match per {
            Per::Minutes(minutes) => Some(self.now_us.saturating_add(i64::from(minutes) * MINUTE_US)),
            _ => None,
        };
        match bundle {
            Some(bundle) => match self.filling(&bundle)? {
                Some(parcel) => Ok(parcel),
                None => self.open(row, Some(&bundle), closes_us),
            },
            None => match travelling {
                Some(parcel) if matches!(row.kind, Kind::Verdict | Kind::Part) => Ok(parcel),
                _ => self.open(row, None, None),
            },
        }
    }

    fn filling(&self, bundle: &str) -> Result<Option<i64>, StoreFault> {
        Ok(self
            .tx
            .prepare_cached(
                "SELECT id FROM parcel WHERE sink = ?1 AND state = 'filling' AND bundle = ?2 \
                 AND (closes_us IS NULL OR closes_us > ?3)",
            )?
            .query_row(params![self.sink.name, bundle, self.now_us], |row| row.get(0))
            .optional()?)
    }

    fn open(&self, row: &Posted, bundle: Option<&str>, closes_us: Option<i64>) -> Result<i64, StoreFault> {
        let name = file_name(self.template, self.cell, &self.sink.name, row);
        let state = if bundle.is_some() { "filling" } else { "due" };
        self.tx
            .prepare_cached("INSERT INTO parcel (sink, name, bundle, closes_us, state) VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![self.sink.name, name, bundle, closes_us, state])?;
        Ok(self.tx.last_insert_rowid())
    }
}

/// The file name of a parcel, from the sink's template. Built on the number of its first row, so it is never
/// used twice and never depends on a clock; characters that some file system refuses become `-`.
fn file_name(template: &str, cell: &str, sink: &str, first: &Posted) -> String {
    let piece = first.piece.map(|piece| piece.to_string());
    template
        .replace("{seq}", &format!("{:09}", first.seq))
        .replace("{cell}", &tame(cell))
        .replace("{sink}", &tame(sink))
        .replace("{job}", &tame(first.job.as_deref().unwrap_or("no-job")))
        .replace("{serial}", &tame(first.serial.as_deref().unwrap_or("no-serial")))
        .replace("{piece}", &tame(piece.as_deref().unwrap_or("no-piece")))
}

/// Bytes of one field in a name: four of them, the number and what the template adds stay below the 255 bytes that
/// file systems take.
const FIELD_BYTES_MAX: usize = 40;

/// A text as a part of a file name, cut between characters where it is long.
fn tame(text: &str) -> String {
    let harmful = |c: char| c.is_control() || c.is_whitespace() || "/\\:*?\"<>|".contains(c);
    let mut tamed = String::new();
    for c in text.trim_matches('.').chars().map(|c| if harmful(c) { '-' } else { c }) {
        if tamed.len() + c.len_utf8() > FIELD_BYTES_MAX {
            break;
        }
        tamed.push(c);
    }
    tamed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_hold_nothing_a_file_system_refuses() {
        let row = Posted {
            seq: 42,
            kind: Kind::Reading,
            job: Some("WO/4:8".into()),
            run: Some(1),
            serial: Some("../A 1".into()),
            piece: None,
        };
        let name = file_name("{cell}_{job}_{serial}_{piece}-{seq}.csv", "grind 2", "mes", &row);
        assert_eq!(name, "grind-2_WO-4-8_-A-1_no-piece-000000042.csv");
    }

    #[test]
    fn a_long_part_name_never_costs_the_number_or_the_file() {
        let named = |seq: i64| {
            let serial = Some("Prüfling".repeat(60));
            let row = Posted { seq, kind: Kind::Part, job: serial.clone(), run: Some(1), serial, piece: Some(1) };
            file_name("{cell}_{sink}_{job}_{serial}_{piece}-{seq}.csv", &"z".repeat(300), &"s".repeat(300), &row)
        };
        assert!(named(1).len() <= 230, "{}", named(1));
        assert!(named(1) != named(2));
    }
}
