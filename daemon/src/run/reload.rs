//! When the cell folder changed: hints from the kernel, and a look at the files' times as the truth.

use std::path::{Path, PathBuf};
use std::time::Duration;

use notify::{RecursiveMode, Watcher};
use tokio::sync::mpsc;

use crate::cell::{self, Look};

/// A look without hint.
const LOOK_EVERY: Duration = Duration::from_secs(30);
/// How long the files must stand still: an editor may write a file in several steps.
const SETTLE: Duration = Duration::from_millis(700);

/// Watches a cell folder.
pub struct CellWatch {
    dir: PathBuf,
    known: Look,
    _watcher: Option<notify::RecommendedWatcher>,
    hints: mpsc::Receiver<()>,
}

impl CellWatch {
    /// Watches `dir` for looking otherwise than `known`, its look when it was loaded.
    pub fn new(dir: &Path, known: &Look) -> Self {
        let (tell, hints) = mpsc::channel(1);
        let watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
            if event.is_ok_and(|event| !event.kind.is_access()) {
                let _ = tell.try_send(());
            }
        });
        let mut watcher = watcher.ok();
        if let Some(watcher) = &mut watcher {
            for folder in cell::folders(dir) {
                let _ = watcher.watch(&folder, RecursiveMode::NonRecursive);
            }
        }
        CellWatch { dir: dir.to_owned(), known: known.clone(), _watcher: watcher, hints }
    }

    /// Waits until the files differ from how they looked last and stand still.
    pub async fn changed(&mut self) {
        while Look::at(&self.dir) == self.known {
            self.wait().await;
        }
        let mut now = Look::at(&self.dir);
        loop {
            tokio::time::sleep(SETTLE).await;
            let later = Look::at(&self.dir);
            if later == now {
                break;
            }
            now = later;
        }
        self.known = now;
    }

    async fn wait(&mut self) {
        let hint = async {
            if self.hints.recv().await.is_none() {
                std::future::pending::<()>().await;
            }
        };
        tokio::select! {
            () = hint => {}
            () = tokio::time::sleep(LOOK_EVERY) => {}
        }
    }
}
