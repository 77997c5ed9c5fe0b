//! Brings the write-ahead log back into the store's file, in a thread of its own: a commit never waits for it, and
//! the log stays short. Where commits never pause, the log is never all brought back at any moment, and the engine goes
//! on at its end for ever; a log that has grown long is therefore begun anew by the writer itself, between two transactions,
//! right after most of it was brought back.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::time::Duration;

use rusqlite::Connection;

use super::{Severity, StoreFault, settle};

/// Commits go on for so long before the log is brought back.
const PAUSE: Duration = Duration::from_millis(250);
/// A log of so many pages of 4 KiB is long: 8 MiB.
const LONG: i64 = 2048;
/// How long the writer waits for somebody who reads in a long log, before beginning anew is put off until the log has grown
/// by half as much again.
const ANEW_WITHIN: Duration = Duration::from_millis(100);

/// Wakes the thread; it ends when this is gone.
pub(super) struct Nudge {
    wake: SyncSender<()>,
    /// Pages in the log when it was brought back last; 0 once that was looked at.
    pages: Arc<AtomicI64>,
    /// How long the log must be to be begun anew.
    anew_at: i64,
}

impl Nudge {
    /// Something was committed.
    pub(super) fn committed(&self) {
        let _ = self.wake.try_send(());
    }

    /// Begins a long log anew, by the writer's connection and between its transactions.
    pub(super) fn begin_anew(&mut self, writer: &Connection) -> Result<(), StoreFault> {
        let pages = self.pages.swap(0, Ordering::Relaxed);
        if pages < self.anew_at {
            if 0 < pages && pages < LONG {
                self.anew_at = LONG;
            }
            return Ok(());
        }
        writer.busy_timeout(ANEW_WITHIN)?;
        let put_off = writer.query_row("PRAGMA wal_checkpoint(RESTART)", [], |row| row.get::<_, bool>(0));
        settle(writer)?;
        self.anew_at = if put_off? { pages + LONG / 2 } else { LONG };
        Ok(())
    }
}

/// Starts the thread on a connection of its own. `failed` is told when the disk failed under it: an fsync that failed is
/// never tried again, because the next one may succeed over pages that were dropped.
pub(super) fn start(store: &Path, failed: impl Fn(StoreFault) + Send + 'static) -> Result<Nudge, StoreFault> {
    let connection = Connection::open(store)?;
    settle(&connection)?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    let (wake, nudged) = sync_channel(1);
    let pages = Arc::new(AtomicI64::new(0));
    let found = Arc::clone(&pages);
    std::thread::Builder::new().name("checkpoint".into()).spawn(move || {
        while nudged.recv().is_ok() {
            std::thread::sleep(PAUSE);
            let fault = match bring_back(&connection).map_err(StoreFault::from) {
                Ok(pages) => {
                    found.store(pages, Ordering::Relaxed);
                    continue;
                }
                Err(fault) => fault,
            };
            if matches!(fault.severity(), Severity::Disk | Severity::Damaged) {
                failed(fault);
                return;
            }
            // What can't be brought back now is brought back later; the log holds it all the while.
            tracing::debug!(code = "checkpoint", "the log could not be brought back yet: {fault}");
        }
    })?;
    Ok(Nudge { wake, pages, anew_at: LONG })
}

/// Brings the log back as far as nobody is in the way. How many pages it holds.
fn bring_back(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| row.get(1))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    /// A log that was long begins anew although commits go on, and goes on where somebody reads in it.
    #[test]
    fn a_long_log_begins_anew() {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("store.db");
        let open = || {
            let connection = Connection::open(&store).unwrap();
            connection.pragma_update(None, "wal_autocheckpoint", 0).unwrap();
            connection.busy_timeout(ANEW_WITHIN).unwrap();
            connection
        };
        let (writer, reader, checkpoints) = (open(), open(), open());
        writer.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(())).unwrap();
        writer.execute_batch("CREATE TABLE t (b BLOB)").unwrap();
        let fill = |pages: i64| {
            writer.execute("INSERT INTO t VALUES (zeroblob(?1))", [pages * 4096]).unwrap();
        };
        let log = || std::fs::metadata(folder.path().join("store.db-wal")).unwrap().len();
        fill(LONG + 10);
        let long = log();
        let (wake, _nudged) = sync_channel(1);
        let mut nudge = Nudge { wake, pages: Arc::default(), anew_at: LONG };
        let mut brought_back = || {
            nudge.pages.store(bring_back(&checkpoints).unwrap(), Ordering::Relaxed);
            nudge.begin_anew(&writer).unwrap();
            nudge.anew_at
        };
        assert_eq!(brought_back(), LONG);
        fill(100);
        assert_eq!(log(), long, "it is written from its beginning again");
        reader.execute_batch("BEGIN; SELECT count(*) FROM t").unwrap();
        fill(LONG);
        assert!(brought_back() > LONG, "put off until it is longer");
        fill(100);
        assert!(log() > long, "somebody reads in it");
        reader.execute_batch("COMMIT").unwrap();
        let longer = log();
        fill(LONG);
        let longest = log().max(longer);
        assert_eq!(brought_back(), LONG);
        fill(100);
        assert_eq!(log(), longest);
    }
}
