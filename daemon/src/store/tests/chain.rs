//! Whatever is changed in results, or in what they rest on, is found.

use rusqlite::Connection;

use super::super::chain::{Looked, look};
use super::super::{Decided, Decision, JobCommand, What};
use super::Bench;

/// A store with readings, verdicts, a part and a decision, sealed in several transactions.
fn sealed() -> (Bench, Connection) {
    let mut bench = Bench::new();
    bench.write([What::Job(JobCommand::Open("J1".to_owned()))]);
    for line in ["1 Ra 0.412 um\r", "2 Ra 0.512 um\r", "3 Rz 2.1 um\r", "~~\r", "4 Ra 0.4 um\r"] {
        let burst = bench.burst(line);
        bench.write([burst]);
    }
    let what = Decided::Void;
    let decision = Decision { results: vec!["1".to_owned()], by: "M. K.".to_owned(), reason: "dirt".to_owned(), what };
    bench.write([What::Decide(decision)]);
    let store = Connection::open(bench.path().join("store.db")).unwrap();
    store.pragma_update(None, "foreign_keys", false).unwrap();
    (bench, store)
}

fn columns(store: &Connection, table: &str) -> Vec<(String, String)> {
    let mut statement = store.prepare("SELECT name, type FROM pragma_table_info(?1)").unwrap();
    statement.query_map([table], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect()
}

#[test]
fn every_column_of_every_row_is_sealed() {
    let (_bench, store) = sealed();
    let whole = look(&store, None).unwrap();
    assert!(whole.broken.is_empty() && whole.rows >= 7, "{whole:?}");
    assert!(look(&store, Some(2)).unwrap().rows < whole.rows);
    let mut changed = 0;
    // `transmission.sha256` stands for the bytes, whose hash is looked at by itself.
    for (table, key, apart) in [
        ("entry", "seq", &["seq"][..]),
        ("basis", "id", &["id"]),
        ("decision", "id", &["id"]),
        ("decided", "seq", &["seq"]),
        (
            "transmission",
            "id",
            &[
                "id",
                "origin",
                "station",
                "source",
                "received_at",
                "received_us",
                "monotonic_ms",
                "clock_synced",
                "definition",
                "raw",
            ],
        ),
    ] {
        let keys: Vec<i64> = {
            let mut statement = store.prepare(&format!("SELECT {key} FROM {table}")).unwrap();
            statement.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
        };
        for (column, kind) in columns(&store, table) {
            if apart.contains(&column.as_str()) {
                continue;
            }
            let other = match kind.as_str() {
                "INTEGER" => format!("coalesce({column}, 0) + 17"),
                "BLOB" => "x'00'".to_owned(),
                _ => format!("coalesce({column}, '') || 'x'"),
            };
            for row in &keys {
                let used = match table {
                    "transmission" => "SELECT EXISTS (SELECT 1 FROM entry WHERE transmission = ?1)",
                    "basis" => "SELECT EXISTS (SELECT 1 FROM entry WHERE basis = ?1)",
                    _ => "SELECT ?1 IS NOT NULL",
                };
                if !store.query_row(used, [row], |row| row.get::<_, bool>(0)).unwrap() {
                    continue;
                }
                store.execute_batch("BEGIN").unwrap();
                let sql = format!("UPDATE {table} SET {column} = {other} WHERE {key} = ?1");
                assert_eq!(store.execute(&sql, [row]).unwrap(), 1, "{sql}");
                let found = look(&store, None).unwrap();
                store.execute_batch("ROLLBACK").unwrap();
                assert!(!found.broken.is_empty(), "{table}.{column} of row {row} was changed unnoticed");
                changed += 1;
            }
        }
    }
    assert!(changed > 300, "only {changed} changes");
    assert_eq!(look(&store, None).unwrap(), whole);
}

#[test]
fn rows_that_are_taken_out_or_put_in_are_found() {
    let (_bench, store) = sealed();
    let last: i64 = store.query_row("SELECT max(seq) FROM entry", [], |row| row.get(0)).unwrap();
    let broken = |sql: &str| {
        store.execute_batch("BEGIN").unwrap();
        store.execute_batch(sql).unwrap();
        let found = look(&store, None).unwrap();
        store.execute_batch("ROLLBACK").unwrap();
        found.broken
    };
    // Of the end nothing can tell but the head, noted elsewhere.
    for seq in 1..last {
        assert!(
            !broken(&format!("DELETE FROM entry WHERE seq = {seq}")).is_empty(),
            "row {seq} was taken out unnoticed"
        );
    }
    let copied =
        "INSERT INTO entry (basis, received_at, received_us) SELECT basis, received_at, received_us FROM entry LIMIT 1";
    assert_eq!(broken(copied), [(last, last + 1)]);
    let exchanged = "UPDATE entry SET seq = 1000 WHERE seq = 1; UPDATE entry SET seq = 1 WHERE seq = 2; \
                     UPDATE entry SET seq = 2 WHERE seq = 1000";
    assert!(!broken(exchanged).is_empty());
}

#[test]
fn a_chain_goes_on_after_a_restart_and_begins_where_an_older_store_ends() {
    let (mut bench, store) = sealed();
    let head = |store: &Connection| -> Looked { look(store, None).unwrap() };
    let before = head(&store);
    for line in ["7 Ra 0.3 um\r", "8 Ra 0.3 um\r"] {
        let burst = bench.burst(line);
        bench.write([burst]);
    }
    let after = head(&store);
    assert!(after.broken.is_empty() && after.rows > before.rows && after.head != before.head, "{after:?}");

    // As a store of the version before had it.
    store.execute_batch("UPDATE entry SET chain = NULL; UPDATE fact SET value = (SELECT max(seq) FROM entry) WHERE key = 'chain_from'").unwrap();
    let burst = bench.burst("9 Ra 0.3 um\r");
    bench.write([burst]);
    let anew = head(&store);
    assert!(anew.broken.is_empty() && anew.rows < 4 && anew.before > 0, "{anew:?}");
}
