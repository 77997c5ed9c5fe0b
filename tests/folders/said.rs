//! What the way to a file says: parts and jobs by the names of folders; what names another job, or nothing that is known,
//! is kept and belongs to no part.

use std::fs;

use ridgepost_tests::oracle::field;

use super::{cell_with, export};

const JOB: &str = r#"
[job]
id = "WO-1"
part_number = "P-1"
revision = "A"
operation = "10"
edition = "ISO 21920"
gate = "warn"
accept_unknown_conditions = true
[[characteristic]]
balloon = "1"
feature = "face"
quantity = "Ra"
upper = "900 µm"
plausible = { min = "0 µm", max = "1000 µm" }
"#;

/// Rows without a part of their own.
const BARE: &str = r#"
[instrument]
name = "bare"
description = "rig: rows that name no part"
[framing]
kind = "rows"
[table]
delimiter = ";"
header = 'Ra;Of'
[names]
Of = "remark"
[reading]
unit = "µm"
required = ["Ra"]
"#;

#[test]
fn folders_name_jobs_and_parts_and_a_slip_in_a_name_belongs_to_none() {
    let (mut cell, root) = cell_with(", subfolders = true, settle_ms = 200, says = \"{job}/{part}/*.csv\"");
    cell.instrument("bare", BARE);
    let text = fs::read_to_string(cell.path("cell/cell.toml")).unwrap();
    cell.write("cell.toml", &text.replace("instrument = \"exported\"", "instrument = \"bare\""));
    cell.write("jobs/j.toml", JOB);
    cell.start_listening(&[]);
    cell.until("the job to be opened", |cell| cell.ask(&["job", "open", "WO-1"]).status.success().then_some(()));
    let same = b"Ra;Of\r\n0.412;a\r\n";
    for (count, name) in [
        (1, "WO-1/0001/a.csv"),
        (2, "WO-1/0002/a.csv"),
        (3, "WO-I/0003/a.csv"),
        (4, "WO-1/a.csv"),
        (4, "WO-1/0001/b.csv"),
    ] {
        let path = root.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        export(path.parent().unwrap(), path.file_name().unwrap().to_str().unwrap(), same);
        cell.until_recorded("b", count);
        cell.until(name, |_| root.join("recorded").join(name).is_file().then_some(()));
    }
    let rows = cell.store().readings("b");
    let said: Vec<String> =
        rows.iter().map(|row| ["serial", "outcome", "reasons"].map(|name| field(row, name)).join(" ")).collect();
    // The same bytes of the same part are one measurement, of another part another one.
    assert_eq!(
        said,
        [
            "0001 conforms within-limits gauge-unverified",
            "0002 conforms within-limits gauge-unverified",
            "0003 unjudged unassigned",
            " unjudged unassigned",
        ]
    );
    let parts: Vec<String> = cell
        .store()
        .results()
        .iter()
        .filter(|row| field(row, "kind") == "part")
        .map(|row| field(row, "serial").to_owned())
        .collect();
    assert_eq!(parts, ["0001", "0002"]);
    cell.stop();
}
