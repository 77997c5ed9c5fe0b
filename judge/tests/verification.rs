//! Verification of gauges: what the register alone says against it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::civil::date;
use ridgepost_config::{Plan, read};
use ridgepost_judge::register_concerns;

/// The plan of a cell without stations whose register is this.
fn plan(register: &str) -> Plan {
    let cell = "[cell]\nname = \"c\"\ntime_zone = \"UTC\"\n[store]\npath = \"/s/s.db\"\n";
    let files = [("cell.toml", cell), ("gauges.toml", register)];
    let files: BTreeMap<PathBuf, String> =
        files.into_iter().map(|(file, text)| (file.into(), text.to_owned())).collect();
    let loaded = read(Path::new("/etc/ridgepost"), &files);
    loaded.partial.unwrap_or_else(|| panic!("{:?}", loaded.diagnostics))
}

#[test]
fn days_that_are_past_and_other_filters_are_told() {
    let plan = plan(
        r#"
        [[gauge]]
        id = "A"
        kind = "stylus"
        calibration_due = "2026-11-26"
        verified = { on = "2026-11-01", until = "2026-11-25", source = "book" }
        settings = { filter = "2RC" }
        verification = { specimen = "S" }
        [[gauge]]
        id = "B"
        kind = "stylus"
        calibration_due = "2026-11-25"
        settings = { filter = "Gauß" }
        verification = { specimen = "S" }
        [[specimen]]
        id = "S"
        certified = { Ra = "3 µm" }
        uncertainty = { Ra = "0.06 µm" }
        conditions = { filter = "gaussian" }
        due = "2026-11-25"
        "#,
    );
    let told = register_concerns(&plan, date(2026, 11, 26));
    let expected = [
        "gauge A: the verification written in the register held until 2026-11-25",
        "gauge A: specimen S was certified with filter gaussian",
        "gauge B: its calibration was due on 2026-11-25",
        "specimen S: its certificate was due on 2026-11-25",
    ];
    assert_eq!(told.len(), expected.len(), "{told:#?}");
    for (told, expected) in told.iter().zip(expected) {
        assert!(told.starts_with(expected), "{told}");
    }
    assert_eq!(register_concerns(&plan, date(2026, 11, 25)).len(), 1, "a day named as the last one still counts");
}
