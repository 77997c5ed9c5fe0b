//! The shipped example cell as texts, for tests that change a file of it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Where the example is taken to lie.
pub(crate) const CELL_DIR: &str = "/etc/ridgepost";

/// Where it really lies.
pub(crate) fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/impeller-shaft")
}

/// Every file of it by path within the cell folder.
pub(crate) fn example() -> BTreeMap<PathBuf, String> {
    let files = [
        "cell.toml",
        "gauges.toml",
        "labels.toml",
        "jobs/impeller-shaft.toml",
        "jobs/inch-sleeve.toml",
        "instruments/two-inlet-box.toml",
    ];
    let read = |file: &str| std::fs::read_to_string(folder().join(file)).expect("a file of the example");
    files.iter().map(|file| (PathBuf::from(file), read(file))).collect()
}
