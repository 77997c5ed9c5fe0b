//! Which files an export folder holds: a listing, with the folders inside where a station asks for them. What it finds
//! odd it tells, and goes on: one entry keeps no other one from being read.

use std::collections::VecDeque;
use std::fs::{self, DirEntry, FileType};
use std::io::{Error, ErrorKind, Result};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::arrival::Fingerprint;
use super::disk::{ARCHIVE, fingerprint};
use crate::deliver::porter::{may_hang, may_hang_below};

/// Folders inside folders, counted from the station's own.
const DEPTH_MAX: usize = 8;
/// Folders inside a station's own, all together.
const FOLDERS_MAX: usize = 10_000;

/// What is asked for.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Wanted {
    /// The folder.
    pub(super) path: PathBuf,
    /// Which names of files count.
    pub(super) pattern: String,
    /// Whether the folders inside count.
    pub(super) subfolders: bool,
    /// The file without which the folder counts as away.
    pub(super) marker: Option<String>,
}

/// What an export folder holds. Names are relative to it.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(super) struct Listing {
    /// Regular files whose names fit, with their fingerprints.
    pub(super) files: Vec<(String, Fingerprint)>,
    /// Folders that were looked into, with the file system's numbers for them.
    pub(super) folders: Vec<(String, u64)>,
    /// Entries whose names fit and that can't be read, with what is wrong.
    pub(super) odd: Vec<(String, String)>,
}

/// Lists a folder, with a beat for each entry. Hidden files are somebody's work in progress; folders of the archive's name
/// hold what is recorded.
///
/// # Errors
/// Where the folder itself can't be listed, or holds no marker.
pub(super) fn list(wanted: &Wanted, beat: &mut dyn FnMut()) -> Result<Listing> {
    if let Some(marker) = &wanted.marker {
        fs::metadata(wanted.path.join(marker)).map_err(|error| match error.kind() {
            ErrorKind::NotFound => Error::other(format!("it holds no `{marker}`, so it is probably not mounted")),
            _ => error,
        })?;
    }
    let mut walk =
        Walk { wanted, listing: Listing::default(), ahead: VecDeque::new(), hanging: Vec::new(), root: None };
    if wanted.subfolders && !may_hang(&wanted.path) {
        walk.hanging = may_hang_below(&wanted.path);
    }
    walk.folder(Path::new(""), 0, beat)?;
    while let Some((inner, depth)) = walk.ahead.pop_front() {
        match walk.folder(&inner, depth, beat) {
            Err(error) if error.kind() != ErrorKind::NotFound => walk.odd(&inner, format!("can't be listed: {error}")),
            _ => {}
        }
    }
    Ok(walk.listing)
}

struct Walk<'a> {
    wanted: &'a Wanted,
    listing: Listing,
    /// Folders to be looked into, with their depth.
    ahead: VecDeque<(PathBuf, usize)>,
    /// Where touching anything may hang, in a folder that can't.
    hanging: Vec<PathBuf>,
    /// The station's folder without links, once it was needed.
    root: Option<PathBuf>,
}

impl Walk<'_> {
    fn folder(&mut self, inner: &Path, depth: usize, beat: &mut dyn FnMut()) -> Result<()> {
        let mut folders = Vec::new();
        for entry in fs::read_dir(self.wanted.path.join(inner))? {
            let entry = entry?;
            beat();
            let shown = entry.file_name().to_string_lossy().into_owned();
            if shown.starts_with('.') {
                continue;
            }
            let name = inner.join(entry.file_name());
            let kind = if self.wanted.subfolders { entry.file_type().ok() } else { None };
            match kind {
                Some(kind) if kind.is_dir() => folders.push((shown, name)),
                Some(kind) if self.is_odd_link(kind, &entry, &name, &shown) => {}
                _ => self.file(&entry, &name, &shown, depth),
            }
        }
        folders.sort();
        for (shown, name) in folders {
            self.enter(&shown, name, depth + 1);
        }
        Ok(())
    }

    fn file(&mut self, entry: &DirEntry, name: &Path, shown: &str, depth: usize) {
        let is_marker = depth == 0 && self.wanted.marker.as_deref() == Some(shown);
        if is_marker || !ridgepost_config::matches(&self.wanted.pattern, shown) {
            return;
        }
        match (name.to_str(), fs::metadata(entry.path())) {
            (_, Err(error)) if error.kind() == ErrorKind::NotFound => {}
            (_, Err(error)) => self.odd(name, format!("can't be looked at: {error}")),
            (_, Ok(metadata)) if !metadata.is_file() => {}
            (None, Ok(_)) => {
                let bytes = entry.file_name().as_encoded_bytes().escape_ascii().to_string();
                self.odd(name, format!("has a name that is no UTF-8 ({bytes}); rename it and it is read"));
            }
            (Some(name), Ok(metadata)) => self.listing.files.push((name.to_owned(), fingerprint(&metadata))),
        }
    }

    /// Where folders inside count, a link is none of the ways in: what it leads to inside is read at its own place, and
    /// what lies outside belongs to somebody else.
    fn is_odd_link(&mut self, kind: FileType, entry: &DirEntry, name: &Path, shown: &str) -> bool {
        if !kind.is_symlink() {
            return false;
        }
        let root = self.root.take().or_else(|| fs::canonicalize(&self.wanted.path).ok()).unwrap_or_default();
        let target = fs::canonicalize(entry.path());
        let inside = target.as_ref().is_ok_and(|target| target.starts_with(&root));
        self.root = Some(root);
        match target {
            Ok(target) if !inside && (target.is_dir() || ridgepost_config::matches(&self.wanted.pattern, shown)) => {
                let target = target.display();
                self.odd(name, format!("is a link to {target}, outside of the station's folder: it is not followed"));
            }
            _ => {}
        }
        true
    }

    /// Notes a folder that is to be looked into.
    fn enter(&mut self, shown: &str, name: PathBuf, depth: usize) {
        if shown == ARCHIVE {
            return;
        }
        let path = self.wanted.path.join(&name);
        if self.hanging.contains(&path) {
            return self
                .odd(&name, "is a share of its own: it is not read unless a station names it as its folder".into());
        }
        if depth > DEPTH_MAX {
            return self.odd(&name, format!("lies more than {DEPTH_MAX} folders deep: it is not read"));
        }
        if self.listing.folders.len() >= FOLDERS_MAX {
            let words = format!("holds more than {FOLDERS_MAX} folders: not all of them are read; clear old ones away");
            return self.odd(Path::new("."), words);
        }
        match (name.to_str(), fs::symlink_metadata(&path)) {
            (_, Err(error)) if error.kind() == ErrorKind::NotFound => {}
            (_, Err(error)) => self.odd(&name, format!("can't be looked at: {error}")),
            (None, Ok(_)) => self.odd(&name, "has a name that is no UTF-8; rename it and it is read".into()),
            (Some(text), Ok(metadata)) => {
                self.listing.folders.push((text.to_owned(), metadata.ino()));
                self.ahead.push_back((name, depth));
            }
        }
    }

    /// Told once each; many of one kind under one name are told once as well.
    fn odd(&mut self, name: &Path, what: String) {
        let name = name.to_string_lossy().into_owned();
        if self.listing.odd.last().is_none_or(|(last, _)| *last != name) {
            self.listing.odd.push((name, what));
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;
    use std::os::unix::fs::symlink;

    fn wanted(path: &Path, subfolders: bool) -> Wanted {
        Wanted { path: path.to_owned(), pattern: "*.csv".into(), subfolders, marker: None }
    }

    fn names(listing: &Listing) -> Vec<&str> {
        let mut names: Vec<&str> = listing.files.iter().map(|(name, _)| name.as_str()).collect();
        names.sort_unstable();
        names
    }

    #[test]
    fn an_odd_entry_keeps_no_other_one_from_being_read() {
        use std::os::unix::ffi::OsStrExt;
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &[u8]| folder.path().join(std::ffi::OsStr::from_bytes(name));
        fs::write(at(b"good.csv"), "x").unwrap();
        fs::write(at(b"caf\xe9.csv"), "x").unwrap();
        symlink("loop.csv", at(b"loop.csv")).unwrap();
        let listing = list(&wanted(folder.path(), false), &mut || {}).unwrap();
        assert_eq!(listing.files.len(), 1);
        let odd: Vec<&str> = listing.odd.iter().map(|(_, what)| what.as_str()).collect();
        assert_eq!(odd.len(), 2);
        assert!(odd.iter().any(|what| what.contains("caf\\xe9.csv")), "{odd:?}");
    }

    #[test]
    fn folders_inside_count_only_where_asked_for_and_only_down_to_a_bound() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        let deepest = "1/2/3/4/5/6/7/8";
        fs::create_dir_all(root.join(deepest).join("9")).unwrap();
        for inner in [".", "1", "1/recorded", "recorded", ".hidden", deepest, "1/2/3/4/5/6/7/8/9"] {
            fs::create_dir_all(root.join(inner)).unwrap();
            fs::write(root.join(inner).join("x.csv"), "x").unwrap();
        }
        fs::write(root.join("1/x.txt"), "x").unwrap();
        assert_eq!(names(&list(&wanted(root, false), &mut || {}).unwrap()), ["x.csv"]);
        let listing = list(&wanted(root, true), &mut || {}).unwrap();
        assert_eq!(names(&listing), ["1/2/3/4/5/6/7/8/x.csv", "1/x.csv", "x.csv"]);
        assert_eq!(listing.folders.len(), 8);
        assert_eq!(listing.odd.len(), 1, "{:?}", listing.odd);
        assert!(listing.odd[0].1.contains("more than 8 folders deep"), "{:?}", listing.odd);
    }

    #[test]
    fn links_lead_neither_out_nor_round() {
        let folder = tempfile::tempdir().unwrap();
        let (root, outside) = (folder.path().join("in"), folder.path().join("out"));
        fs::create_dir_all(root.join("a")).unwrap();
        fs::create_dir(&outside).unwrap();
        for path in [root.join("a/x.csv"), outside.join("y.csv"), outside.join("z.csv")] {
            fs::write(path, "x").unwrap();
        }
        symlink(&root, root.join("a/round")).unwrap();
        symlink("x.csv", root.join("a/again.csv")).unwrap();
        symlink(&outside, root.join("a/away")).unwrap();
        symlink(outside.join("z.csv"), root.join("z.csv")).unwrap();
        symlink(outside.join("y.csv"), root.join("y.txt")).unwrap();
        let listing = list(&wanted(&root, true), &mut || {}).unwrap();
        assert_eq!(names(&listing), ["a/x.csv"]);
        let mut odd: Vec<&str> = listing.odd.iter().map(|(name, _)| name.as_str()).collect();
        odd.sort_unstable();
        assert_eq!(odd, ["a/away", "z.csv"]);
    }

    #[test]
    fn without_its_marker_a_folder_is_away() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("x.csv"), "x").unwrap();
        let wanted = Wanted { marker: Some("here.csv".into()), ..wanted(folder.path(), false) };
        assert!(list(&wanted, &mut || {}).unwrap_err().to_string().contains("holds no `here.csv`"));
        fs::write(folder.path().join("here.csv"), "").unwrap();
        assert_eq!(names(&list(&wanted, &mut || {}).unwrap()), ["x.csv"], "the marker itself is no export");
    }
}
