//! When the cell folder changed: hints from the kernel, and a look at the files' times as the truth.

use std::path::{Path, PathBuf};
use std::time::Duration;

use notify::{RecursiveMode, Watcher};
use tokio::sync::mpsc;

/// A look without hint.
const LOOK_EVERY: Duration = Duration::from_secs(30);
/// How long the files must stand still: an editor may write a file in several steps.
const SETTLE: Duration = Duration::from_millis(700);

/// Watches a cell folder.
pub struct CellWatch {
    dir: PathBuf,
    known: String,
    _watcher: Option<notify::RecommendedWatcher>,
    hints: mpsc::Receiver<()>,
}

impl CellWatch {
    /// Watches `dir` from how it looks now.
    pub fn new(dir: &Path) -> Self {
        let (tell, hints) = mpsc::channel(1);
        let watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
            if event.is_ok_and(|event| !event.kind.is_access()) {
                let _ = tell.try_send(());
            }
        });
        let mut watcher = watcher.ok();
        if let Some(watcher) = &mut watcher {
            for folder in folders(dir) {
                let _ = watcher.watch(&folder, RecursiveMode::NonRecursive);
            }
        }
        CellWatch { dir: dir.to_owned(), known: fingerprint(dir), _watcher: watcher, hints }
    }

    /// Waits until the files differ from how they looked last and stand still.
    pub async fn changed(&mut self) {
        loop {
            let hint = async {
                match self.hints.recv().await {
                    Some(()) => {}
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                () = hint => {}
                () = tokio::time::sleep(LOOK_EVERY) => {}
            }
            let mut now = fingerprint(&self.dir);
            if now == self.known {
                continue;
            }
            loop {
                tokio::time::sleep(SETTLE).await;
                let later = fingerprint(&self.dir);
                if later == now {
                    break;
                }
                now = later;
            }
            self.known = now;
            return;
        }
    }
}

fn folders(dir: &Path) -> [PathBuf; 3] {
    [dir.to_owned(), dir.join("jobs"), dir.join("instruments")]
}

/// Names, sizes and times of everything that configures the cell.
fn fingerprint(dir: &Path) -> String {
    use std::os::unix::fs::MetadataExt;
    let mut files: Vec<String> = folders(dir)
        .iter()
        .flat_map(|folder| std::fs::read_dir(folder).into_iter().flatten().flatten())
        .filter(|entry| entry.path().extension().is_some_and(|extension| extension == "toml"))
        .map(|entry| match std::fs::metadata(entry.path()) {
            Ok(data) => {
                format!("{:?} {} {}.{} {}", entry.path(), data.len(), data.mtime(), data.mtime_nsec(), data.ino())
            }
            Err(error) => format!("{:?} {error}", entry.path()),
        })
        .collect();
    files.sort();
    files.join("\n")
}
