//! `ridgepost backup`: a consistent copy of the store, made while the daemon runs.

use std::path::{Path, PathBuf};

use clap::Args;
use rusqlite::Connection;
use serde_json::json;

use super::out::Out;
use crate::cell::Cell;
use crate::exit::Exit;
use crate::store::{StoreFault, numbers, open_for_reading};

/// Arguments of `backup`.
#[derive(Debug, Args)]
pub struct BackupArgs {
    /// The copy; it must not exist yet
    file: PathBuf,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

/// Makes the copy and reads it once; 3 if it could not be made.
pub fn backup(cell: &Cell, args: &BackupArgs, out: &mut Out) -> Exit {
    if args.file.exists() {
        out.complain(&format!("{} exists already; a backup never overwrites", args.file.display()));
        return Exit::Usage;
    }
    let at = crate::clock::Clock::new(cell.plan.cell.time_zone.clone()).stamp().at;
    match copy(&cell.plan.store, &args.file, &at) {
        Ok(results) => {
            match args.json {
                true => out.json(&json!({ "file": args.file, "results": results })),
                false => out.say(&format!(
                    "{} holds {results} results and was read back without fault; to restore it, stop the daemon and put \
                     it in place of {}, without the -wal and -shm files beside it",
                    args.file.display(),
                    cell.plan.store.display()
                )),
            }
            Exit::Done
        }
        Err(fault) => {
            out.complain(&format!("no backup was made: {fault}"));
            let _ = std::fs::remove_file(&args.file);
            Exit::Unusable
        }
    }
}

/// One read transaction copies everything; the copy says of itself that it is one, its pages are checked and synced.
fn copy(store: &Path, file: &Path, at: &str) -> Result<i64, StoreFault> {
    open_for_reading(store)?.execute("VACUUM INTO ?1", [file.to_string_lossy()])?;
    let copy = Connection::open(file)?;
    copy.query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(()))?;
    // A restored store must not give numbers out again: see `store::numbers`.
    copy.execute("DELETE FROM fact WHERE key = ?1", [numbers::OPENING])?;
    copy.execute("INSERT OR REPLACE INTO fact (key, value) VALUES (?1, ?2)", [numbers::COPIED_AT, at])?;
    let check: String = copy.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))?;
    if check != "ok" {
        return Err(StoreFault::Damaged(format!("the copy is not sound: {check}")));
    }
    let results = copy.query_row("SELECT count(*) FROM entry", [], |row| row.get(0))?;
    drop(copy);
    std::fs::File::open(file)?.sync_all()?;
    numbers::sync_folder(file)?;
    Ok(results)
}
