//! Hints from the kernel about an export folder. They shorten waits; a listing is the truth.

use std::path::{Path, PathBuf};
use std::sync::mpsc::Sender;

use notify::event::{AccessKind, AccessMode, ModifyKind, RenameMode};
use notify::{EventKind, RecursiveMode, Watcher};

/// What wakes the thread.
#[derive(Debug)]
pub(super) enum Wake {
    /// A file was closed or renamed in.
    Closed(String),
    /// A file was written to.
    Touched(String),
    /// Something else changed, or hints were lost.
    Look,
    /// The program stops.
    Stop,
}

/// Watches a folder; `None` where that can't be done.
pub(super) fn hints(folder: &Path, wake: Sender<Wake>) -> Option<notify::RecommendedWatcher> {
    let mut watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
        let Ok(event) = event else {
            let _ = wake.send(Wake::Look);
            return;
        };
        let name =
            |path: Option<&PathBuf>| path.and_then(|path| Some(path.file_name()?.to_string_lossy().into_owned()));
        let first = name(event.paths.first());
        let wakes = match (event.kind, first) {
            (EventKind::Access(AccessKind::Close(AccessMode::Write)), Some(name)) => Wake::Closed(name),
            (EventKind::Modify(ModifyKind::Name(RenameMode::To)), Some(name)) => Wake::Closed(name),
            (EventKind::Modify(ModifyKind::Data(_)), Some(name)) => Wake::Touched(name),
            (EventKind::Access(_), _) if !event.need_rescan() => return,
            (EventKind::Modify(ModifyKind::Name(RenameMode::Both)), _) => return,
            _ => Wake::Look,
        };
        let _ = wake.send(wakes);
    })
    .ok()?;
    watcher.watch(folder, RecursiveMode::NonRecursive).ok()?;
    Some(watcher)
}
