//! What the daemon's store holds of a recording that was sent to it.

use std::collections::BTreeSet;

use super::case::Case;
use super::play::Shown;
use crate::oracle::{Row, Store, field};

/// A stored reading as it is compared.
fn shown(row: &Row) -> Shown {
    let text = |name: &str| row.get(name).cloned().flatten();
    (field(row, "quantity").to_owned(), text("value"), text("unit"), text("mark"))
}

/// What should have been stored of the recording, at the station of its name, and was not; or was and should not.
pub fn stored_otherwise(case: &Case, store: &Store) -> Vec<String> {
    let got: Vec<Shown> = store.readings(&case.name).iter().map(shown).collect();
    let expected = case.expected.values();
    let mut findings = Vec::new();
    if got != expected {
        findings.push(format!("{}: expected {expected:?} but stored {got:?}", case.name));
    }
    let frames = store.frames(&case.name);
    let rejected = frames.iter().filter(|frame| matches!(field(frame, "outcome"), "damaged" | "incomplete")).count();
    if rejected != case.expected.rejects.len() {
        findings.push(format!("{}: expected {} rejected frames: {frames:?}", case.name, case.expected.rejects.len()));
    }
    for event in &case.expected.events {
        let remark = event.remark();
        if !frames.iter().any(|frame| field(frame, "remarks").split(' ').any(|code| code == remark)) {
            findings.push(format!("{}: nothing raises {remark}: {frames:?}", case.name));
        }
    }
    if store.raw(&case.name) != case.input {
        findings.push(format!("{}: the bytes kept are not those sent", case.name));
    }
    findings
}

/// Readings of a damaged recording, at the station of its name, that can't be: a value that was not sent, unless a byte
/// was flipped and nothing guards the message; a reading that does not say whether anything guards it.
pub fn false_readings(case: &Case, store: &Store, flipped: bool) -> Vec<String> {
    let expected: BTreeSet<Shown> = case.expected.values().into_iter().collect();
    let protected = case.instrument.is_protected();
    let mut findings = Vec::new();
    for shown in store.readings(&case.name).iter().map(shown) {
        if (!flipped || protected) && !expected.contains(&shown) {
            findings.push(format!("{}: {shown:?} was never sent", case.name));
        }
    }
    let sql = "SELECT DISTINCT frame.remarks FROM result JOIN frame USING (transmission) \
               WHERE result.station = ?1 AND result.kind = 'reading'";
    for row in store.query(sql, [&case.name]) {
        let unprotected = field(&row, "remarks").split(' ').any(|code| code == "unprotected");
        if unprotected == protected {
            findings.push(format!("{}: its readings' frames are remarked {:?}", case.name, field(&row, "remarks")));
        }
    }
    findings
}
