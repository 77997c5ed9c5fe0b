//! The JSON Schemas in `config/schema/` are those that the program itself reads by; `UPDATE=1` writes them anew.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

use std::path::Path;

#[test]
fn schemas_on_disk_are_those_in_use() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("schema");
    let update = std::env::var_os("UPDATE").is_some_and(|value| value == "1");
    let schemas = ridgepost_config::schemas();
    for (name, text) in &schemas {
        if update {
            std::fs::write(folder.join(name), text).expect("the schema can be written");
        }
        let kept = std::fs::read_to_string(folder.join(name)).unwrap_or_default();
        assert!(kept == *text, "{name} has drifted: run the test once with UPDATE=1 and look at the difference");
    }
    let mut kept: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    kept.sort();
    let mut known: Vec<_> = schemas.iter().map(|(name, _)| std::ffi::OsString::from(*name)).collect();
    known.sort();
    assert_eq!(kept, known, "no schema without a file that it describes");
}
