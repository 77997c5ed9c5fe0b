//! Hints from the kernel that something appeared. A hint only shortens a wait: whoever uses one also looks by
//! itself on a timer.

use std::path::Path;

use notify::{EventKind, RecursiveMode, Watcher};
use ridgepost_config::{Port, PortAt, Stream};
use tokio::sync::mpsc;

use super::usb::tree;

/// Wakes when something changes in the folder that should hold a path.
pub struct Hint {
    _watcher: notify::RecommendedWatcher,
    changes: mpsc::Receiver<()>,
}

impl std::fmt::Debug for Hint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Hint")
    }
}

impl Hint {
    /// Watches where a device should appear; `None` where that can't be watched.
    pub fn of(stream: &Stream) -> Option<Hint> {
        match stream {
            Stream::Usb(_) => Hint::below(Path::new(tree::NODES), RecursiveMode::Recursive),
            Stream::Port(Port { at: PortAt::Adapter(_), .. }) => {
                Hint::below(Path::new("/dev"), RecursiveMode::NonRecursive)
            }
            stream => stream.node().and_then(Hint::on),
        }
    }

    /// Watches a folder (and those in it) for whatever comes or may be opened now: a node has another name each time, and
    /// its owner is set after it came.
    fn below(folder: &Path, how: RecursiveMode) -> Option<Hint> {
        let (tell, changes) = mpsc::channel(1);
        let mut watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
            let metadata = |kind| matches!(kind, EventKind::Modify(notify::event::ModifyKind::Metadata(_)));
            if event.is_ok_and(|event| event.kind.is_create() || metadata(event.kind)) {
                let _ = tell.try_send(());
            }
        })
        .ok()?;
        watcher.watch(folder, how).ok()?;
        Some(Hint { _watcher: watcher, changes })
    }

    /// Watches the folder that should hold `path`; `None` where that can't be watched.
    pub fn on(path: &Path) -> Option<Hint> {
        let name = path.file_name()?.to_owned();
        let (tell, changes) = mpsc::channel(1);
        let mut watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
            let touched = event.is_ok_and(|event| {
                event.kind.is_create() && event.paths.iter().any(|path| path.file_name() == Some(&name))
                    || matches!(event.kind, notify::EventKind::Modify(notify::event::ModifyKind::Name(_)))
            });
            if touched {
                let _ = tell.try_send(());
            }
        })
        .ok()?;
        watcher.watch(path.parent()?, RecursiveMode::NonRecursive).ok()?;
        Some(Hint { _watcher: watcher, changes })
    }

    /// Waits for the next hint, for ever if the watch ended.
    pub async fn wait(&mut self) {
        if self.changes.recv().await.is_none() {
            std::future::pending().await
        }
    }
}
