//! Hints from the kernel about an export folder. They shorten waits; a listing is the truth.

use std::collections::BTreeMap;
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

/// The watch over a folder and those inside that it was told of. Not the kernel's whole tree: archives, hidden folders and
/// links are none of ours.
pub(super) struct Hints {
    watcher: notify::RecommendedWatcher,
    root: PathBuf,
    inner: BTreeMap<String, u64>,
}

impl Hints {
    /// Watches a folder; `None` where that can't be done.
    pub(super) fn of(root: &Path, wake: Sender<Wake>) -> Option<Hints> {
        let below = root.to_owned();
        let mut watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
            if let Some(wakes) = meaning(event, &below) {
                let _ = wake.send(wakes);
            }
        })
        .ok()?;
        watcher.watch(root, RecursiveMode::NonRecursive).ok()?;
        Some(Hints { watcher, root: root.to_owned(), inner: BTreeMap::new() })
    }

    /// Watches these folders inside, by name and the file system's number for each, and no others. Whether one was
    /// added. One that can't be watched is looked at on the timer.
    pub(super) fn follow(&mut self, folders: &[(String, u64)]) -> bool {
        let wanted: BTreeMap<&str, u64> = folders.iter().map(|(name, inode)| (name.as_str(), *inode)).collect();
        let (watcher, root) = (&mut self.watcher, &self.root);
        self.inner.retain(|name, inode| {
            let stays = wanted.get(name.as_str()) == Some(inode);
            if !stays {
                let _ = watcher.unwatch(&root.join(name));
            }
            stays
        });
        let mut more = false;
        for (name, inode) in folders {
            if !self.inner.contains_key(name) {
                more |= watcher.watch(&root.join(name), RecursiveMode::NonRecursive).is_ok();
                self.inner.insert(name.clone(), *inode);
            }
        }
        more
    }
}

/// What an event wakes the thread with; names are relative to the folder.
fn meaning(event: notify::Result<notify::Event>, root: &Path) -> Option<Wake> {
    let Ok(event) = event else { return Some(Wake::Look) };
    let name = event.paths.first().and_then(|path| Some(path.strip_prefix(root).ok()?.to_string_lossy().into_owned()));
    match (event.kind, name) {
        (EventKind::Access(AccessKind::Close(AccessMode::Write)), Some(name)) => Some(Wake::Closed(name)),
        (EventKind::Modify(ModifyKind::Name(RenameMode::To)), Some(name)) => Some(Wake::Closed(name)),
        (EventKind::Modify(ModifyKind::Data(_)), Some(name)) => Some(Wake::Touched(name)),
        (EventKind::Access(_), _) if !event.need_rescan() => None,
        (EventKind::Modify(ModifyKind::Name(RenameMode::Both)), _) => None,
        _ => Some(Wake::Look),
    }
}
