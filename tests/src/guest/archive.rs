//! Writes the archive that a kernel unpacks into memory as its first file system ("newc": headers of hexadecimal
//! numbers, everything aligned to four bytes; Documentation/driver-api/early-userspace/buffer-format.rst).

use std::collections::BTreeSet;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// An archive in the making.
#[derive(Debug, Default)]
pub struct Archive {
    bytes: Vec<u8>,
    entries: u32,
    folders: BTreeSet<PathBuf>,
}

impl Archive {
    fn entry(&mut self, name: &str, mode: u32, content: &[u8]) {
        self.entries += 1;
        let size = u32::try_from(content.len()).expect("files below 4 GB");
        let length = u32::try_from(name.len() + 1).expect("a short name");
        let fields = [self.entries, mode, 0, 0, 1, 0, size, 0, 0, 0, 0, length, 0];
        self.bytes.extend_from_slice(b"070701");
        self.bytes.extend(fields.iter().flat_map(|field| format!("{field:08X}").into_bytes()));
        self.bytes.extend_from_slice(name.as_bytes());
        self.bytes.push(0);
        self.align();
        self.bytes.extend_from_slice(content);
        self.align();
    }

    fn align(&mut self) {
        self.bytes.resize(self.bytes.len().next_multiple_of(4), 0);
    }

    fn folders_above(&mut self, name: &Path) {
        let above: Vec<PathBuf> = name.ancestors().skip(1).map(Path::to_owned).collect();
        for folder in above.into_iter().rev().filter(|folder| !folder.as_os_str().is_empty()) {
            if self.folders.insert(folder.clone()) {
                self.entry(super::text(&folder), 0o040_755, &[]);
            }
        }
    }

    /// Adds a file under a name without a leading slash.
    pub fn file(&mut self, name: &str, content: &[u8], mode: u32) {
        self.folders_above(Path::new(name));
        self.entry(name, 0o100_000 | mode, content);
    }

    /// Adds a file of the host with its mode.
    #[track_caller]
    pub fn copy(&mut self, name: &str, from: &Path) {
        let content = std::fs::read(from).unwrap_or_else(|error| panic!("{}: {error}", from.display()));
        let mode = std::fs::metadata(from).unwrap().permissions().mode();
        self.file(name, &content, mode & 0o777);
    }

    /// Adds a program of the host under `bin/NAME`, with the shared libraries it asks for where it asks for them.
    pub fn program(&mut self, name: &str, from: &Path) {
        self.copy(&format!("bin/{name}"), from);
        let needs = super::output("ldd", &[super::text(from)]);
        for word in String::from_utf8_lossy(&needs.stdout).split_whitespace().filter(|word| word.starts_with('/')) {
            let library = word.trim_start_matches('/');
            if self.folders.insert(PathBuf::from(word)) {
                self.copy(library, Path::new(word));
            }
        }
    }

    /// The whole archive.
    pub fn finish(mut self) -> Vec<u8> {
        self.entry("TRAILER!!!", 0, &[]);
        self.bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_archive_is_aligned_and_names_folders_before_their_files() {
        let mut archive = Archive::default();
        archive.file("a/b/c", b"12345", 0o644);
        let bytes = archive.finish();
        let text = String::from_utf8_lossy(&bytes);
        let at = |name: &str| text.find(name).unwrap();
        assert!(at("a\0") < at("a/b\0") && at("a/b\0") < at("a/b/c\0"));
        assert_eq!(text.matches("070701").count(), 4);
        assert!(text.match_indices("070701").all(|(at, _)| at % 4 == 0));
        assert!(text.contains("000081A4") && text.contains("12345\0\0\x00070701"));
    }
}
