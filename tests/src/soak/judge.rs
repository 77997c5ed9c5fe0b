//! What a day must have left behind: everything sent whole, once, delivered, with a gap for each pulled cable.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use super::Sent;
use super::office::Office;
use crate::cell::Cell;
use crate::drops::read_table;
use crate::instruments::number_of;
use crate::oracle::{Row, Store, differences, field, numbers};

/// Everything that the oracle has to say.
pub(super) fn judge(cell: &Cell, sent: &[Sent], office: &Office, log: &str) -> Vec<String> {
    let store = cell.store();
    let mut findings = store.integrity();
    let ids = store.query("SELECT result_id FROM results", []);
    let stored: BTreeSet<&str> = ids.iter().map(|row| field(row, "result_id")).collect();
    if stored.len() != ids.len() {
        findings.push(format!("{} results have {} ids", ids.len(), stored.len()));
    }
    let lost = office.seen.iter().filter(|id| !stored.contains(id.as_str()));
    findings.extend(lost.map(|id| format!("{id} was acknowledged and is not in the store")));
    for sent in sent {
        findings.extend(sent.findings.iter().cloned());
        findings.extend(as_sent(&store, sent));
    }
    let parts = "SELECT seq FROM results WHERE kind = 'part'";
    findings.extend(as_stored(&store, &office.drops.join("all"), "SELECT seq FROM results"));
    findings.extend(as_stored(&store, &office.drops.join("parts"), parts));
    let reloaded = log.lines().filter(|line| line.contains("code=\"reloaded\"")).count() as u64;
    if office.reloads > 3 && reloaded * 2 < office.reloads {
        findings.push(format!("{} files were saved and {reloaded} changes followed", office.reloads));
    }
    findings
}

/// What is stored of a station is what was sent whole, each once, in order; and each pulled cable is one gap.
fn as_sent(store: &Store, sent: &Sent) -> Vec<String> {
    let sql = "SELECT station, kind, quantity, value, value_as_sent, unit FROM results \
               WHERE kind = 'reading' AND station = ?1 ORDER BY seq";
    let mut rows = store.query(sql, [&sent.station]);
    // Files that arrive together are read in any order.
    if sent.line.is_none() {
        rows.sort_by_key(|row| number_of(row).ok());
    }
    let (stored, mut findings) = numbers(&sent.station, &rows, number_of);
    let (stored, whole): (BTreeSet<u64>, BTreeSet<u64>) =
        (stored.into_iter().collect(), sent.whole.iter().copied().collect());
    findings.extend(stored.difference(&whole).map(|number| format!("{}: {number} was never sent", sent.station)));
    findings.extend(whole.difference(&stored).map(|number| format!("{}: {number} is lost", sent.station)));
    let gaps = store.query("SELECT until_us FROM coverage WHERE station = ?1", [&sent.station]);
    let open = gaps.iter().filter(|gap| field(gap, "until_us").is_empty()).count();
    if gaps.len() as u64 != sent.unplugs || open > 0 {
        let (count, unplugs) = (gaps.len(), sent.unplugs);
        findings.push(format!("{}: {unplugs} cables pulled are {count} gaps, {open} of them open", sent.station));
    }
    findings
}

/// Files held against the store at once.
const SOME_FILES: usize = 200;

/// What lies in a result folder is what is stored: whole files, every row once, field by field the same. Looks at some
/// files at a time, because a day's rows are many.
fn as_stored(store: &Store, folder: &Path, due: &str) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap().flatten().map(|entry| entry.file_name().to_string_lossy().into_owned());
    let mut names: Vec<String> = entries.filter(|name| name.ends_with(".csv") && !name.starts_with('.')).collect();
    names.sort();
    let (mut findings, mut delivered) = (Vec::new(), BTreeSet::new());
    for some in names.chunks(SOME_FILES) {
        let mut rows = Vec::new();
        for name in some {
            match fs::read_to_string(folder.join(name))
                .map_err(|error| error.to_string())
                .and_then(|text| read_table(&text, ','))
            {
                Ok(table) => rows.extend(table.rows.iter().map(|row| {
                    let fields: BTreeMap<String, String> =
                        table.header.iter().cloned().zip(row.iter().cloned()).collect();
                    (name.clone(), fields)
                })),
                Err(fault) => findings.push(format!("{name}: {fault}")),
            }
        }
        let seq =
            |fields: &BTreeMap<String, String>| fields.get("seq").and_then(|seq| seq.parse::<i64>().ok()).unwrap_or(-1);
        let (least, most) = (rows.iter().map(|(_, row)| seq(row)).min(), rows.iter().map(|(_, row)| seq(row)).max());
        let sql = "SELECT * FROM results WHERE seq BETWEEN ?1 AND ?2";
        let stored = store.query(sql, [least.unwrap_or(0), most.unwrap_or(0)]);
        let stored: BTreeMap<i64, Row> =
            stored.into_iter().map(|row| (field(&row, "seq").parse().unwrap(), row)).collect();
        for (name, fields) in rows {
            let seq = seq(&fields);
            if !delivered.insert(seq) {
                findings.push(format!("{name}: row {seq} stands in another file too"));
            }
            match stored.get(&seq) {
                Some(row) => {
                    findings.extend(differences(row, &fields).into_iter().map(|text| format!("{name}: {text}")))
                }
                None => findings.push(format!("{name}: row {seq} is not in the store")),
            }
        }
    }
    let due = store.query(due, []);
    let due: BTreeSet<i64> = due.iter().map(|row| field(row, "seq").parse().unwrap()).collect();
    let (missing, strange) = (due.difference(&delivered).count(), delivered.difference(&due).count());
    if missing + strange > 0 {
        let (folder, due) = (folder.display(), due.len());
        findings.push(format!("{folder}: of {due} rows {missing} are missing, {strange} do not belong there"));
    }
    findings
}
