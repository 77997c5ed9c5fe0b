//! Judges the daemon from outside: reads its store and its result files without any of its code, and compares them
//! with what was sent and what was acknowledged. Every check gives a line per breach.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::Duration;

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OpenFlags};

use crate::drops::Drops;

/// A row of the view `results`: column -> text, `None` where unknown.
pub type Row = BTreeMap<String, Option<String>>;

/// The fields of a result in their order, as the contract fixes them.
pub const COLUMNS: &[&str] = &[
    "result_id",
    "seq",
    "kind",
    "received_at",
    "measured_at",
    "clock_synced",
    "cell",
    "station",
    "gauge",
    "operator",
    "job",
    "part_number",
    "revision",
    "operation",
    "serial",
    "piece",
    "cycle",
    "mode",
    "balloon",
    "feature",
    "quantity",
    "value",
    "unit",
    "value_as_sent",
    "unit_as_sent",
    "mark",
    "lower",
    "upper",
    "rule",
    "outcome",
    "reasons",
    "trace",
    "attempt",
    "cutoff_mm",
    "sections",
    "lambda_s_um",
    "filter",
    "standard",
    "conditions_source",
    "gauge_state",
    "instrument_verdict",
    "transmission",
    "job_hash",
    "supersedes",
];

/// A store, read by a connection of its own.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
}

impl Store {
    /// Opens it for reading only. `None` while there is none.
    pub fn open(path: &Path) -> Option<Store> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).ok()?;
        connection.busy_timeout(Duration::from_secs(5)).ok()?;
        connection.query_row("SELECT count(*) FROM results", [], |_| Ok(())).ok()?;
        Some(Store { connection })
    }

    /// Rows of the view `results` in order.
    pub fn results(&self) -> Vec<Row> {
        self.results_since(0)
    }

    /// Rows of the view `results` behind `seq`, in order.
    pub fn results_since(&self, seq: i64) -> Vec<Row> {
        self.query("SELECT * FROM results WHERE seq > ?1 ORDER BY seq", [seq])
    }

    /// Rows that hold one value each, of one station, in order.
    pub fn readings(&self, station: &str) -> Vec<Row> {
        self.query("SELECT * FROM results WHERE kind = 'reading' AND station = ?1 ORDER BY seq", [station])
    }

    /// Columns of the view `results` in order.
    pub fn columns(&self) -> Vec<String> {
        let statement = self.connection.prepare("SELECT * FROM results").unwrap();
        statement.column_names().map(str::to_owned).collect()
    }

    /// Every byte kept of one station, in the order in which it came.
    pub fn raw(&self, station: &str) -> Vec<u8> {
        let mut statement =
            self.connection.prepare("SELECT raw FROM transmission WHERE station = ?1 ORDER BY id").unwrap();
        let raw = statement.query_map([station], |row| row.get::<_, Vec<u8>>(0)).unwrap();
        raw.flat_map(Result::unwrap).collect()
    }

    /// How the frames of one station fared: outcome, reason, remarks, bytes.
    pub fn frames(&self, station: &str) -> Vec<Row> {
        let sql = "SELECT frame.outcome, frame.reason, frame.remarks, frame.bytes FROM frame \
                   JOIN transmission ON transmission.id = frame.transmission \
                   WHERE transmission.station = ?1 ORDER BY frame.transmission, frame.number";
        self.query(sql, [station])
    }

    /// When one station could not listen, and why.
    pub fn coverage(&self, station: &str) -> Vec<Row> {
        self.query("SELECT * FROM coverage WHERE station = ?1 ORDER BY id", [station])
    }

    /// What any statement gives, as text.
    pub fn query(&self, sql: &str, params: impl rusqlite::Params) -> Vec<Row> {
        let mut statement = self.connection.prepare(sql).unwrap_or_else(|error| panic!("{sql}: {error}"));
        let names: Vec<String> = statement.column_names().map(str::to_owned).collect();
        let rows = statement.query_map(params, |row| {
            let fields = names.iter().enumerate().map(|(at, name)| Ok((name.clone(), text_of(row.get_ref(at)?))));
            fields.collect::<rusqlite::Result<Row>>()
        });
        rows.unwrap().map(Result::unwrap).collect()
    }

    /// What the database engine itself finds wrong.
    pub fn integrity(&self) -> Vec<String> {
        let mut findings: Vec<String> = self
            .query("PRAGMA integrity_check", [])
            .iter()
            .filter_map(|row| row.values().next().cloned().flatten())
            .filter(|line| line != "ok")
            .collect();
        findings.extend(self.query("PRAGMA foreign_key_check", []).iter().map(|row| format!("foreign key: {row:?}")));
        findings
    }
}

fn text_of(value: ValueRef<'_>) -> Option<String> {
    match value {
        ValueRef::Null => None,
        ValueRef::Integer(number) => Some(number.to_string()),
        ValueRef::Real(number) => Some(number.to_string()),
        ValueRef::Text(text) => Some(String::from_utf8_lossy(text).into_owned()),
        ValueRef::Blob(bytes) => Some(bytes.iter().map(|byte| format!("{byte:02x}")).collect()),
    }
}

/// The text of a field, empty where unknown.
pub fn field<'a>(row: &'a Row, name: &str) -> &'a str {
    row.get(name).and_then(Option::as_deref).unwrap_or_default()
}

/// What was acknowledged is in the store.
pub fn acknowledged_and_lost(acknowledged: &BTreeSet<String>, stored: &[Row]) -> Vec<String> {
    let stored: BTreeSet<&str> = stored.iter().map(|row| field(row, "result_id")).collect();
    let lost = acknowledged.iter().filter(|id| !stored.contains(id.as_str()));
    lost.map(|id| format!("{id} was acknowledged and is not in the store")).collect()
}

/// No result is there twice.
pub fn doubled(stored: &[Row]) -> Vec<String> {
    let mut seen = BTreeSet::new();
    let doubled = stored.iter().filter(|row| !seen.insert(field(row, "result_id")));
    doubled.map(|row| format!("{} is in the store twice", field(row, "result_id"))).collect()
}

/// Numbers that a station's readings carry, against those that were sent: none twice, none that was not sent, rising.
/// `number_of` finds the number in a row and says whether the row is what was sent under it.
pub fn numbers(
    station: &str,
    stored: &[Row],
    number_of: impl Fn(&Row) -> Result<u64, String>,
) -> (Vec<u64>, Vec<String>) {
    let mut numbers = Vec::new();
    let mut findings = Vec::new();
    for row in stored.iter().filter(|row| field(row, "station") == station && field(row, "kind") == "reading") {
        match number_of(row) {
            Ok(number) => numbers.push(number),
            Err(fault) => findings.push(format!("{station}: {fault}")),
        }
    }
    for pair in numbers.windows(2).filter(|pair| pair[0] >= pair[1]) {
        findings.push(format!("{station}: {} is stored before {}", pair[0], pair[1]));
    }
    (numbers, findings)
}

/// What was delivered is what is stored: every stored row stands in exactly one file, field by field the same, and no
/// file holds anything else.
pub fn deliveries(stored: &[Row], drops: &Drops) -> Vec<String> {
    let mut findings = Vec::new();
    let mut delivered: BTreeMap<String, String> = BTreeMap::new();
    let by_id: BTreeMap<&str, &Row> = stored.iter().map(|row| (field(row, "result_id"), row)).collect();
    for (file, fields) in drops.rows() {
        let id = fields.get("result_id").cloned().unwrap_or_default();
        if let Some(before) = delivered.insert(id.clone(), file.clone()) {
            findings.push(format!("{id} stands in {before} and in {file}"));
        }
        match by_id.get(id.as_str()) {
            None => findings.push(format!("{file}: {id} is not in the store")),
            Some(row) => {
                findings.extend(differences(row, &fields).into_iter().map(|text| format!("{file}: {id}: {text}")))
            }
        }
    }
    let missing = stored.iter().map(|row| field(row, "result_id")).filter(|id| !delivered.contains_key(*id));
    findings.extend(missing.map(|id| format!("{id} is stored and was not delivered")));
    findings
}

/// Fields of a delivered row that are not what is stored. A text that a spreadsheet would take for a formula may have
/// an apostrophe put before it.
pub fn differences(stored: &Row, delivered: &BTreeMap<String, String>) -> Vec<String> {
    let mut findings = Vec::new();
    for (name, text) in delivered {
        let Some(value) = stored.get(name) else {
            findings.push(format!("`{name}` is no field of a result"));
            continue;
        };
        let value = value.as_deref().unwrap_or_default();
        let risky = value.starts_with(['=', '+', '-', '@', '\t', '\r']);
        if text != value && !(risky && text.strip_prefix('\'') == Some(value)) {
            findings.push(format!("`{name}` is {value:?} in the store and {text:?} in the file"));
        }
    }
    findings
}

#[cfg(test)]
mod tests {
    use super::*;

    fn store(folder: &Path) -> std::path::PathBuf {
        let path = folder.join("store.db");
        let columns = COLUMNS.join(" TEXT, ");
        let sql = format!(
            "PRAGMA journal_mode = WAL; CREATE TABLE results ({columns} TEXT); \
             INSERT INTO results (result_id, seq, kind, station, value, feature) VALUES \
             ('a-1', 1, 'reading', 's', '0.100', '=1+1'), ('a-2', 2, 'reading', 's', '0.200', NULL);"
        );
        Connection::open(&path).unwrap().execute_batch(&sql).unwrap();
        path
    }

    fn number_of(row: &Row) -> Result<u64, String> {
        field(row, "value").strip_prefix("0.").and_then(|digits| digits.parse().ok()).ok_or_else(|| "not sent".into())
    }

    fn drops(folder: &Path, files: &[(&str, &str)]) -> Drops {
        for (name, text) in files {
            std::fs::write(folder.join(name), text).unwrap();
        }
        let mut drops = Drops::new(folder);
        assert_eq!(drops.look(), Vec::<String>::new());
        drops
    }

    #[test]
    fn a_store_is_read_without_the_daemon() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&store(folder.path())).unwrap();
        assert_eq!(store.columns(), COLUMNS);
        assert_eq!(store.readings("s").len(), 2);
        assert_eq!(store.results_since(1).len(), 1);
        assert_eq!(store.integrity(), Vec::<String>::new());
        assert!(Store::open(&folder.path().join("none.db")).is_none());
    }

    #[test]
    fn losses_and_doubles_are_found() {
        let folder = tempfile::tempdir().unwrap();
        let rows = Store::open(&store(folder.path())).unwrap().results();
        let acknowledged = |ids: &[&str]| ids.iter().map(|id| (*id).to_owned()).collect::<BTreeSet<_>>();
        assert_eq!(acknowledged_and_lost(&acknowledged(&["a-1", "a-2"]), &rows).len(), 0);
        assert_eq!(acknowledged_and_lost(&acknowledged(&["a-1", "a-3"]), &rows).len(), 1);
        assert_eq!(doubled(&rows).len(), 0);
        assert_eq!(doubled(&[&rows[..], &rows[..1]].concat()).len(), 1);
        assert_eq!(numbers("s", &rows, number_of), (vec![100, 200], vec![]));
        assert_eq!(numbers("s", &[rows[1].clone(), rows[0].clone()], number_of).1.len(), 1);
        assert_eq!(numbers("s", &rows, |_| Err("no".into())).1.len(), 2);
    }

    #[test]
    fn deliveries_that_differ_are_found() {
        let folder = tempfile::tempdir().unwrap();
        let rows = Store::open(&store(folder.path())).unwrap().results();
        let findings = |files: &[(&str, &str)]| {
            let folder = tempfile::tempdir().unwrap();
            deliveries(&rows, &drops(folder.path(), files))
        };
        let (one, two) =
            ("result_id,value,feature\r\na-1,0.100,'=1+1\r\n", "result_id,value,feature\r\na-2,0.200,\r\n");
        assert_eq!(findings(&[("1.csv", one), ("2.csv", two)]), Vec::<String>::new());
        assert_eq!(findings(&[("1.csv", one)]).len(), 1, "one that is missing");
        assert_eq!(findings(&[("1.csv", one), ("2.csv", two), ("3.csv", two)]).len(), 1, "one that is there twice");
        assert_eq!(findings(&[("1.csv", one), ("2.csv", &two.replace("0.200", "0.2"))]).len(), 1, "another digit");
        let stranger = two.replace("a-2", "a-9");
        assert_eq!(
            findings(&[("1.csv", one), ("2.csv", two), ("3.csv", &stranger)]).len(),
            1,
            "one that nobody stored"
        );
    }
}
