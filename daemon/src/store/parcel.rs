//! Which rows travel together: every row gets its place in a parcel of every sink in the transaction that
//! writes it, so what a file holds never depends on when it is written.

use std::sync::Arc;

use ridgepost_config::{CsvSink, Job, Per, Plan, Sink, SinkKind};
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

/// What goes into parcels: parcels that take more rows, and stretches of rows that are not written yet. Belongs to the
/// transactions of one writer, as the rest of its context does.
#[derive(Clone, Debug, Default)]
pub(super) struct Postings {
    filling: Vec<Filling>,
    stretches: Vec<Stretch>,
}

/// A parcel that takes more rows.
#[derive(Clone, Debug)]
struct Filling {
    sink: String,
    bundle: Bundle,
    parcel: i64,
    closes_us: Option<i64>,
    rows: u64,
    /// The stretch that the next row goes on with, if it follows.
    stretch: Option<Stretch>,
}

/// Rows of one parcel whose numbers follow one another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    parcel: i64,
    first: i64,
    last: i64,
}

/// What rows must share to go into one parcel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Bundle {
    Run(i64),
    Piece(i64, u64),
    Minutes,
}

impl Bundle {
    fn of(per: Per, row: &Posted) -> Option<Bundle> {
        match (per, row.run, row.piece) {
            (Per::Reading, ..) => None,
            (Per::Piece, Some(run), Some(piece)) => Some(Bundle::Piece(run, piece)),
            (Per::Job, Some(run), _) => Some(Bundle::Run(run)),
            (Per::Minutes(_), ..) => Some(Bundle::Minutes),
            (Per::Piece | Per::Job, ..) => None,
        }
    }

    /// As it stands in the store.
    fn name(self) -> String {
        match self {
            Bundle::Run(run) => format!("run {run}"),
            Bundle::Piece(run, piece) => format!("run {run} piece {piece}"),
            Bundle::Minutes => "minutes".to_owned(),
        }
    }
}

impl Postings {
    /// Puts the rows of one judgement into the parcels of every sink; [`Postings::write`] has to follow before the
    /// transaction ends.
    pub(super) fn post(
        &mut self,
        tx: &Transaction,
        sinks: &[Sink],
        cell: &str,
        rows: &[Posted],
        now_us: i64,
    ) -> Result<(), StoreFault> {
        for sink in sinks {
            let SinkKind::Csv(csv) = &sink.kind;
            let sheet = Sheet { tx, sink, csv, cell, now_us };
            let mut travelling = None;
            for row in rows.iter().filter(|row| csv.kinds.iter().any(|kind| kind == row.kind.code())) {
                travelling = Some(match Bundle::of(csv.per, row) {
                    Some(bundle) => self.fill(&sheet, bundle, row)?,
                    None => self.travel(&sheet, row, travelling)?,
                });
            }
        }
        Ok(())
    }

    /// A row whose parcel takes no more than one reading and what it brought.
    fn travel(&mut self, sheet: &Sheet, row: &Posted, travelling: Option<i64>) -> Result<i64, StoreFault> {
        let parcel = match travelling {
            Some(parcel) if matches!(row.kind, Kind::Verdict | Kind::Part) => parcel,
            _ => sheet.open(row, None, None)?,
        };
        match self.stretches.last_mut() {
            Some(last) if last.parcel == parcel && last.last + 1 == row.seq => last.last = row.seq,
            _ => self.stretches.push(Stretch { parcel, first: row.seq, last: row.seq }),
        }
        Ok(parcel)
    }

    /// A row that goes into the parcel of its bundle, until that is full.
    fn fill(&mut self, sheet: &Sheet, bundle: Bundle, row: &Posted) -> Result<i64, StoreFault> {
        let at = self.filling(sheet, bundle, row)?;
        let Some(filling) = self.filling.get_mut(at) else { return Ok(0) };
        let parcel = filling.parcel;
        match &mut filling.stretch {
            Some(stretch) if stretch.last + 1 == row.seq => stretch.last = row.seq,
            stretch => {
                self.stretches.extend(stretch.take());
                *stretch = Some(Stretch { parcel, first: row.seq, last: row.seq });
            }
        }
        filling.rows += 1;
        let ends = sheet.csv.per == Per::Piece && row.kind == Kind::Part;
        if ends || filling.rows >= sheet.csv.rows_max {
            close(sheet.tx, parcel)?;
            let filling = self.filling.swap_remove(at);
            self.stretches.extend(filling.stretch);
        }
        Ok(parcel)
    }

    /// Position of the parcel that takes rows of a bundle: one that is known, one that the store knows, or a new one.
    fn filling(&mut self, sheet: &Sheet, bundle: Bundle, row: &Posted) -> Result<usize, StoreFault> {
        let name = &sheet.sink.name;
        let known = self.filling.iter().position(|filling| filling.bundle == bundle && filling.sink == *name);
        if let Some(at) = known
            && self.filling.get(at).is_some_and(|filling| filling.closes_us.is_none_or(|closes| closes > sheet.now_us))
        {
            return Ok(at);
        }
        if let Some(at) = known {
            let over = self.filling.swap_remove(at);
            self.stretches.extend(over.stretch);
        }
        let closes_us = match sheet.csv.per {
            Per::Minutes(minutes) => Some(sheet.now_us.saturating_add(i64::from(minutes) * MINUTE_US)),
            _ => None,
        };
        let (parcel, closes_us, rows) = match sheet.filling(bundle)? {
            Some(found) => found,
            None => (sheet.open(row, Some(bundle), closes_us)?, closes_us, 0),
        };
        let filling = Filling { sink: name.clone(), bundle, parcel, closes_us, rows, stretch: None };
        self.filling.push(filling);
        Ok(self.filling.len() - 1)
    }

    /// Writes which rows go where.
    pub(super) fn write(&mut self, tx: &Transaction) -> Result<(), StoreFault> {
        if self.stretches.is_empty() && self.filling.is_empty() {
            return Ok(());
        }
        let mut statement = tx.prepare_cached(
            "INSERT INTO stretch (parcel, first, last) VALUES (?1, ?2, ?3) \
             ON CONFLICT (parcel, first) DO UPDATE SET last = excluded.last WHERE last <> excluded.last",
        )?;
        let open = self.filling.iter().filter_map(|filling| filling.stretch);
        for Stretch { parcel, first, last } in self.stretches.drain(..).chain(open) {
            statement.execute(params![parcel, first, last])?;
        }
        Ok(())
    }

    /// Which parcels take rows is looked up anew from here on: the plan changed, or parcels were closed.
    pub(super) fn forget(&mut self) {
        for filling in self.filling.drain(..) {
            self.stretches.extend(filling.stretch);
        }
    }

    /// Closes the parcels that a job run was filling.
    pub(super) fn close_run(&mut self, tx: &Transaction, run: i64) -> Result<(), StoreFault> {
        self.forget();
        tx.prepare_cached(CLOSE_RUN)?.execute(params![format!("run {run}"), format!("run {run} piece *")])?;
        Ok(())
    }

    /// Closes the parcels by minutes whose time is up, and those that would stay open for longer than their minutes, because
    /// the clock was set back.
    pub(super) fn close_timed(&mut self, tx: &Transaction, plan: &Plan, now_us: i64) -> Result<(), StoreFault> {
        self.forget();
        tx.prepare_cached(CLOSE_TIMED)?.execute([now_us])?;
        for sink in &plan.sinks {
            let SinkKind::Csv(csv) = &sink.kind;
            if let Per::Minutes(minutes) = csv.per {
                tx.prepare_cached(CLOSE_STRANDED)?
                    .execute(params![sink.name, now_us.saturating_add(i64::from(minutes) * MINUTE_US)])?;
            }
        }
        Ok(())
    }
}

// Every statement on parcels that are not delivered says so in the words of the index `parcel_open`: only then the engine
// sees that it may use it, and looks at a few parcels instead of at all there ever were.
const CLOSE_RUN: &str = "UPDATE parcel SET state = 'due', bundle = NULL WHERE state <> 'delivered' AND state = 'filling' \
    AND (bundle = ?1 OR bundle GLOB ?2)";
const CLOSE_TIMED: &str = "UPDATE parcel SET state = 'due', bundle = NULL WHERE state <> 'delivered' AND state = 'filling' \
    AND closes_us <= ?1";
const CLOSE_STRANDED: &str = "UPDATE parcel SET state = 'due', bundle = NULL WHERE state <> 'delivered' \
    AND state = 'filling' AND sink = ?1 AND closes_us > ?2";
const FILLING: &str = "SELECT id, closes_us, (SELECT coalesce(sum(last - first + 1), 0) FROM stretch WHERE parcel = id) \
    FROM parcel WHERE state <> 'delivered' AND sink = ?1 AND state = 'filling' AND bundle = ?2 \
    AND (closes_us IS NULL OR closes_us > ?3)";
/// What was parked is due again.
pub(super) const RETRY: &str = "UPDATE parcel SET state = 'due' WHERE state <> 'delivered' AND state = 'parked'";
/// All of them, for the test that they look at few rows.
#[cfg(test)]
pub(super) const STATEMENTS: [&str; 5] = [CLOSE_RUN, CLOSE_TIMED, CLOSE_STRANDED, FILLING, RETRY];

fn close(tx: &Transaction, parcel: i64) -> Result<(), StoreFault> {
    tx.prepare_cached("UPDATE parcel SET state = 'due', bundle = NULL WHERE id = ?1")?.execute([parcel])?;
    Ok(())
}

/// What parcels of one sink are made of.
struct Sheet<'a> {
    tx: &'a Transaction<'a>,
    sink: &'a Sink,
    csv: &'a CsvSink,
    cell: &'a str,
    now_us: i64,
}

impl Sheet<'_> {
    /// The parcel that takes rows of a bundle, as the store knows it: its key, when it closes, its rows so far.
    fn filling(&self, bundle: Bundle) -> Result<Option<(i64, Option<i64>, u64)>, StoreFault> {
        Ok(self
            .tx
            .prepare_cached(FILLING)?
            .query_row(params![self.sink.name, bundle.name(), self.now_us], |row| {
                Ok((row.get(0)?, row.get(1)?, u64::try_from(row.get::<_, i64>(2)?).unwrap_or(0)))
            })
            .optional()?)
    }

    fn open(&self, row: &Posted, bundle: Option<Bundle>, closes_us: Option<i64>) -> Result<i64, StoreFault> {
        let name = file_name(&self.csv.name, self.cell, &self.sink.name, row);
        let state = if bundle.is_some() { "filling" } else { "due" };
        self.tx
            .prepare_cached("INSERT INTO parcel (sink, name, bundle, closes_us, state) VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![self.sink.name, name, bundle.map(Bundle::name), closes_us, state])?;
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
