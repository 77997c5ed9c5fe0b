//! The rules of the house that the compiler doesn't know, as functions over a tree of files: each names every place
//! where it is broken.

mod rules;
mod source;

use std::path::Path;

pub use rules::{
    SizeException, file_sizes, forbidden_words, function_sizes, module_docs, names, pure_crates, top_level, unfinished,
    walls,
};
pub use source::{Function, code_only, functions, without_tests};

/// A file of the tree.
#[derive(Clone, Debug)]
pub struct File {
    /// Path from the top of the tree, with `/`.
    pub path: String,
    /// Its text; bytes that are no UTF-8 are replaced.
    pub text: String,
}

/// The files that belong to the project.
#[derive(Clone, Debug, Default)]
pub struct Tree {
    /// By path.
    pub files: Vec<File>,
}

impl Tree {
    /// Reads everything below `root` that version control would keep.
    pub fn read(root: &Path) -> Tree {
        let mut tree = Tree::default();
        tree.read_folder(root, "");
        tree.files.sort_by(|one, other| one.path.cmp(&other.path));
        tree
    }

    fn read_folder(&mut self, folder: &Path, prefix: &str) {
        for entry in std::fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
            let entry = entry.unwrap();
            let name = entry.file_name().to_string_lossy().into_owned();
            let path = format!("{prefix}{name}");
            if path == ".git" || path == "target" {
                continue;
            }
            if entry.file_type().unwrap().is_dir() {
                self.read_folder(&entry.path(), &format!("{path}/"));
            } else {
                // Somebody may be moving files while this runs.
                let Ok(bytes) = std::fs::read(entry.path()) else { continue };
                self.files.push(File { path, text: String::from_utf8_lossy(&bytes).into_owned() });
            }
        }
    }

    /// The Rust files.
    pub fn rust(&self) -> impl Iterator<Item = &File> {
        self.files.iter().filter(|file| file.path.ends_with(".rs"))
    }
}
