//! A faulty file takes no other down: what is left to run with.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use example::{CELL_DIR, example};
use ridgepost_config::{Code, Loaded, load, read};

/// What is left of the example after `edits` of (file, from, to).
fn left(edits: &[(&str, &str, &str)]) -> Loaded {
    let mut files = example();
    for (file, from, to) in edits {
        let text = files.get_mut(Path::new(file)).expect("a file of the example");
        assert!(text.contains(from), "{file} holds {from}");
        *text = text.replacen(from, to, 1);
    }
    let loaded = read(Path::new(CELL_DIR), &files);
    assert!(loaded.plan.is_none() && loaded.faults().next().is_some());
    loaded
}

fn names(loaded: &Loaded) -> (Vec<&str>, Vec<&str>, Vec<&str>) {
    let plan = loaded.partial.as_ref().expect("a partial plan");
    (
        plan.stations.iter().map(|station| station.name.as_str()).collect(),
        plan.jobs.keys().map(String::as_str).collect(),
        plan.sinks.iter().map(|sink| sink.name.as_str()).collect(),
    )
}

const STATIONS: [&str; 4] = ["tester-a", "stick", "bench", "scanner"];
const WITHOUT_BENCH: [&str; 3] = ["tester-a", "stick", "scanner"];
const JOBS: [&str; 2] = ["WO-48213", "WO-48240"];
const SINKS: [&str; 2] = ["mes", "office"];

#[test]
fn a_faulty_job_leaves_the_rest() {
    let loaded = left(&[("jobs/impeller-shaft.toml", "upper = \"0.8 µm\"", "upper = 0.8")]);
    assert_eq!(names(&loaded), (STATIONS.to_vec(), vec![JOBS[1]], SINKS.to_vec()));
}

#[test]
fn a_job_that_is_no_toml_leaves_the_rest() {
    let loaded = left(&[("jobs/impeller-shaft.toml", "[job]", "[job")]);
    assert_eq!(names(&loaded), (STATIONS.to_vec(), vec![JOBS[1]], SINKS.to_vec()));
}

#[test]
fn a_faulty_station_leaves_the_rest() {
    for (from, to) in [
        ("baud = 9600 }", "baud = \"fast\" }"),
        ("baud = 9600 }", "baud = 9600, partiy = \"even\" }"),
        ("instrument = \"report-block\"", "instrument = \"report-blok\""),
        ("instrument = \"report-block\"", "instrument = report-block"),
        ("gauge = \"RT-07\"", "gauge = \"RT-70\""),
        ("name = \"tester-a\"", "nmae = \"tester-a\""),
    ] {
        let loaded = left(&[("cell.toml", from, to)]);
        assert_eq!(names(&loaded), (STATIONS[1..].to_vec(), JOBS.to_vec(), SINKS.to_vec()), "{to}");
    }
}

#[test]
fn of_two_stations_on_one_port_neither_is_left() {
    let path = "/dev/serial/by-path/platform-example-usb-0:1.2:1.0-port0";
    let loaded = left(&[("cell.toml", path, "/dev/serial/by-id/usb-example_adapter_A1-if00-port0")]);
    assert_eq!(names(&loaded).0, ["stick", "scanner"]);
}

#[test]
fn a_faulty_sink_leaves_the_rest() {
    let loaded = left(&[("cell.toml", "minutes = 30", "minutes = 0")]);
    assert_eq!(names(&loaded), (STATIONS.to_vec(), JOBS.to_vec(), vec![SINKS[0]]));
}

#[test]
fn a_faulty_definition_takes_only_its_stations() {
    let loaded = left(&[("instruments/two-inlet-box.toml", "kind = \"lines\"", "kind = \"line\"")]);
    assert_eq!(names(&loaded), (WITHOUT_BENCH.to_vec(), JOBS.to_vec(), SINKS.to_vec()));
    assert_eq!(loaded.diagnostics.len(), 1, "the station that uses it is not at fault");
}

#[test]
fn a_faulty_gauge_leaves_its_station_listening() {
    let loaded = left(&[("gauges.toml", "calibration_due = \"2027-03-01\"", "calibration_due = \"2027-02-30\"")]);
    assert_eq!(names(&loaded), (STATIONS.to_vec(), JOBS.to_vec(), SINKS.to_vec()));
    assert!(!loaded.partial.unwrap().gauges.contains_key("RT-07"), "an unknown gauge is never a good one");
    assert_eq!(loaded.diagnostics.len(), 1);
}

#[test]
fn an_unknown_zone_leaves_times_in_utc() {
    let loaded = left(&[("cell.toml", "Europe/Zurich", "Europe/Zuerich")]);
    assert!(loaded.diagnostics[0].help.as_deref().unwrap().contains("Europe/Zurich"));
    assert_eq!(names(&loaded), (STATIONS.to_vec(), JOBS.to_vec(), SINKS.to_vec()));
}

#[test]
fn without_name_or_store_nothing_can_be_kept() {
    assert!(left(&[("cell.toml", "name = \"grind-2\"", "name = 2")]).partial.is_none());
    assert!(left(&[("cell.toml", "path = \"/var/lib", "paht = \"/var/lib")]).partial.is_none());
}

#[test]
fn two_jobs_of_one_id_are_both_left_out() {
    let loaded = left(&[("jobs/inch-sleeve.toml", "WO-48240", "WO-48213")]);
    assert_eq!(names(&loaded).1, Vec::<&str>::new());
    let fault = loaded.faults().next().unwrap();
    assert_eq!((fault.code, fault.line), (Code::Duplicate, 4));
    assert!(fault.message.contains("jobs/impeller-shaft.toml"));
}

#[test]
fn a_shipped_name_is_not_taken_silently() {
    let loaded = left(&[("instruments/two-inlet-box.toml", "name = \"two-inlet-box\"", "name = \"single-line\"")]);
    assert!(loaded.faults().any(|fault| fault.code == Code::Duplicate && fault.message.contains("shipped")));
    assert_eq!(names(&loaded).0, WITHOUT_BENCH);
}

#[test]
fn a_register_that_is_no_toml_invents_no_missing_gauges() {
    let loaded = left(&[("gauges.toml", "id = \"RT-07\"", "id = \"RT-07")]);
    assert!(loaded.faults().all(|fault| fault.file == Path::new("gauges.toml")), "{:#?}", loaded.diagnostics);
    assert_eq!(names(&loaded).0, STATIONS);
}

#[test]
fn files_that_cannot_be_read_are_told() {
    let folder = tempfile::tempdir().unwrap();
    for (file, text) in example() {
        std::fs::create_dir_all(folder.path().join(&file).parent().unwrap()).unwrap();
        std::fs::write(folder.path().join(file), text).unwrap();
    }
    std::fs::write(folder.path().join("jobs/latin.toml"), b"[job]\nid = \"\xc3\xa9\xb5\" # \xfc\r\n").unwrap();
    std::fs::create_dir(folder.path().join("jobs/folder.toml")).unwrap();
    std::fs::write(folder.path().join("jobs/.hidden.toml"), "no toml").unwrap();
    std::fs::write(folder.path().join("jobs/notes.txt"), "no toml").unwrap();
    std::os::unix::fs::symlink("nowhere", folder.path().join("instruments/gone.toml")).unwrap();
    let loaded = load(folder.path());
    let told: Vec<_> = loaded.faults().map(|fault| (fault.code, fault.file.to_str().unwrap())).collect();
    assert_eq!(
        told,
        [
            (Code::Unreadable, "instruments/gone.toml"),
            (Code::Unreadable, "jobs/folder.toml"),
            (Code::Unreadable, "jobs/latin.toml"),
        ]
    );
    let latin = &loaded.diagnostics[2];
    assert_eq!((latin.line, latin.column, latin.snippet.as_str()), (2, 8, "id = \"é\u{fffd}\" # \u{fffd}"));
    assert!(latin.message.contains("byte B5"), "{latin}");
    assert_eq!(names(&loaded).1, JOBS);
}

#[test]
fn an_empty_folder_says_what_is_missing() {
    let folder = tempfile::tempdir().unwrap();
    let loaded = load(folder.path());
    assert_eq!((loaded.diagnostics.len(), loaded.diagnostics[0].code), (1, Code::Unreadable));
    let none = BTreeMap::<PathBuf, String>::new();
    assert!(read(Path::new(CELL_DIR), &none).partial.is_none());
}

/// With a rule left out the others might mean more than was meant: no label is read then, and what is needed stays needed.
#[test]
fn a_faulty_rule_takes_all_labels_and_leaves_what_is_needed() {
    let loaded = left(&[
        ("labels.toml", "command = \"next\"", "command = \"nex\""),
        ("labels.toml", "need = []", "need = [\"serial\"]"),
    ]);
    let plan = loaded.partial.unwrap();
    assert_eq!(plan.stations.len(), 4);
    let labels = plan.labels.unwrap();
    assert_eq!(labels.read("BALLOON 3"), Err(ridgepost_config::Refusal::Unknown));
    assert!(labels.need.contains(&ridgepost_config::Item::Serial));
}
