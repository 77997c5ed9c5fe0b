//! How the frames of a transmission fared: accepted frames of a file in pages, every other frame in a row of its own.

use ridgepost_parsers::{Outcome, Remark, kept_report};
use rusqlite::{Transaction, params};

use super::StoreFault;
use super::record::Heard;

/// Accepted frames in a row that are not written yet.
#[derive(Debug, Default)]
pub(super) struct Page<'a> {
    first: Option<(&'a Heard, Vec<Remark>)>,
    /// The reports of more than one frame, as a list that is not closed.
    body: String,
    last: u32,
}

impl<'a> Page<'a> {
    /// Takes the next frame.
    pub(super) fn add(
        &mut self,
        tx: &Transaction,
        transmission: i64,
        heard: &'a Heard,
        remarks: &[Remark],
    ) -> Result<(), StoreFault> {
        let follows = self.first.is_none() || self.last + 1 == heard.number;
        if heard.decoded.outcome != Outcome::Accepted || heard.decoded.detail.is_some() {
            self.close(tx, transmission)?;
            return single(tx, transmission, heard, remarks);
        }
        if !follows {
            self.close(tx, transmission)?;
        }
        match &self.first {
            None => self.first = Some((heard, remarks.to_vec())),
            Some((first, of_first)) => {
                if self.body.is_empty() {
                    self.body.push('[');
                    kept_report(&mut self.body, first.number, &first.frame, &first.decoded, of_first);
                }
                self.body.push(',');
                kept_report(&mut self.body, heard.number, &heard.frame, &heard.decoded, remarks);
            }
        }
        self.last = heard.number;
        Ok(())
    }

    /// Writes what was taken.
    pub(super) fn close(&mut self, tx: &Transaction, transmission: i64) -> Result<(), StoreFault> {
        let Some((first, remarks)) = self.first.take() else { return Ok(()) };
        if self.body.is_empty() {
            return single(tx, transmission, first, &remarks);
        }
        self.body.push(']');
        tx.prepare_cached("INSERT INTO frame_page (transmission, first, last, body) VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![transmission, first.number, self.last, self.body])?;
        self.body.clear();
        Ok(())
    }
}

fn single(tx: &Transaction, transmission: i64, heard: &Heard, remarks: &[Remark]) -> Result<(), StoreFault> {
    let (frame, decoded) = (&heard.frame, &heard.decoded);
    let mut report = String::new();
    kept_report(&mut report, heard.number, frame, decoded, remarks);
    let codes: Vec<&str> = remarks.iter().map(|remark| remark.code()).collect();
    tx.prepare_cached(
        "INSERT INTO single_frame (transmission, number, start, bytes, outcome, reason, detail, remarks, report) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    )?
    .execute(params![
        transmission,
        heard.number,
        i64::try_from(frame.offset).unwrap_or(i64::MAX),
        i64::try_from(frame.raw.len()).unwrap_or(i64::MAX),
        outcome_code(decoded.outcome),
        decoded.reason.map(|reason| reason.code()),
        decoded.detail,
        codes.join(" "),
        report
    ])?;
    Ok(())
}

fn outcome_code(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Accepted => "accepted",
        Outcome::NotMine => "not-mine",
        Outcome::Damaged => "damaged",
        Outcome::Incomplete => "incomplete",
    }
}
