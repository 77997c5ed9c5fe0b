//! Brings the write-ahead log back into the store's file, in a thread of its own: a commit never waits for it, and
//! the log stays short.

use std::path::Path;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::time::Duration;

use rusqlite::Connection;

use super::{Severity, StoreFault, settle};

/// Commits go on for so long before the log is brought back.
const PAUSE: Duration = Duration::from_millis(250);

/// Wakes the thread; it ends when this is gone.
pub(super) struct Nudge(SyncSender<()>);

impl Nudge {
    /// Something was committed.
    pub(super) fn committed(&self) {
        let _ = self.0.try_send(());
    }
}

/// Starts the thread on a connection of its own. `failed` is told when the disk failed under it: an fsync that failed is
/// never tried again, because the next one may succeed over pages that were dropped.
pub(super) fn start(store: &Path, failed: impl Fn(&StoreFault) + Send + 'static) -> Result<Nudge, StoreFault> {
    let connection = Connection::open(store)?;
    settle(&connection)?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    let (nudge, nudged) = sync_channel(1);
    std::thread::Builder::new().name("checkpoint".into()).spawn(move || {
        while nudged.recv().is_ok() {
            std::thread::sleep(PAUSE);
            let brought = connection.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()));
            let Err(fault) = brought.map_err(StoreFault::from) else { continue };
            if matches!(fault.severity(), Severity::Disk | Severity::Damaged) {
                failed(&fault);
                return;
            }
            // What can't be brought back now is brought back later; the log holds it all the while.
            tracing::debug!(code = "checkpoint", "the log could not be brought back yet: {fault}");
        }
    })?;
    Ok(Nudge(nudge))
}
