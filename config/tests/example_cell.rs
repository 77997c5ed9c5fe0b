//! The shipped example and the shipped definitions load without a fault, and mean what they say.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::path::{Path, PathBuf};

use example::{CELL_DIR, example, folder};
use ridgepost_config::{
    Flow, GaugeBinding, Heartbeat, Metrics, Parity, Per, Rule, SinkKind, Source, Stream, WhenRecorded, explain, load,
    read,
};
use ridgepost_parsers::Unit;

fn shown(loaded: &ridgepost_config::Loaded) -> String {
    loaded.diagnostics.iter().map(|diagnostic| format!("{diagnostic}\n")).collect()
}

#[test]
fn the_example_loads_without_fault_or_warning() {
    let loaded = load(&folder());
    assert_eq!(shown(&loaded), "");
    let plan = loaded.plan.expect("a plan");
    assert_eq!(loaded.texts.len(), example().len(), "the list of the tests is the folder");
    assert_eq!(plan.cell.name, "grind-2");
    assert_eq!(plan.cell.time_zone.iana_name(), Some("Europe/Zurich"));
    let names: Vec<_> =
        plan.stations.iter().map(|station| (station.name.as_str(), station.instrument.name())).collect();
    assert_eq!(
        names,
        [("tester-a", "report-block"), ("stick", "csv-export"), ("bench", "two-inlet-box"), ("scanner", "label-line")]
    );
    assert_eq!(plan.gauges.len(), 4);
    assert_eq!(plan.specimens.len(), 1);
    assert_eq!(plan.jobs.keys().collect::<Vec<_>>(), ["WO-48213", "WO-48240"]);
}

#[test]
fn what_is_not_written_has_its_default() {
    let plan = read(Path::new(CELL_DIR), &example()).plan.expect("a plan");
    let Source::Stream(Stream::Port(port)) = &plan.stations[0].source else { panic!("a port") };
    assert_eq!((port.baud, port.data_bits, port.stop_bits), (9600, 8, 1));
    assert_eq!((port.parity, port.flow, port.dtr, port.rts), (Parity::None, Flow::None, None, None));
    let Source::Folder(folder) = &plan.stations[1].source else { panic!("a folder") };
    assert_eq!((folder.when_recorded, folder.settle_ms), (WhenRecorded::Archive, 2000));
    assert!(matches!(&plan.stations[2].gauge, GaugeBinding::ByChannel(ids) if ids["2"] == "MIC-04"));
    let SinkKind::Csv(csv) = &plan.sinks[0].kind;
    assert_eq!((csv.per, csv.separator, csv.decimal), (Per::Reading, ',', '.'));
    assert_eq!((csv.encoding.as_str(), csv.name.as_str(), csv.ok_file), ("utf-8", "{cell}-{seq}.csv", false));
    assert_eq!((csv.columns.len(), csv.kinds.len()), (ridgepost_config::FIELDS.len(), 5));
    let SinkKind::Csv(office) = &plan.sinks[1].kind;
    assert_eq!(office.per, Per::Minutes(30));
    let job = &plan.jobs["WO-48213"];
    assert_eq!((job.characteristics[1].rule, job.characteristics[1].traces), (Rule::Max, 3));
}

#[test]
fn limits_keep_their_digits_and_the_job_its_text() {
    let files = example();
    let plan = read(Path::new(CELL_DIR), &files).plan.expect("a plan");
    let job = &plan.jobs["WO-48213"];
    let bearing = &job.characteristics[3];
    assert_eq!(bearing.upper.unwrap().to_string(), "25.000");
    assert_eq!((bearing.lower.unwrap().to_string(), bearing.unit), ("24.987".to_owned(), Unit::Millimetre));
    let text = &files[Path::new("jobs/impeller-shaft.toml")];
    assert_eq!(&*job.text.body, text);
    assert_eq!(job.text.hash.len(), 64);
    let sleeve = &plan.jobs["WO-48240"].characteristics[0];
    assert_eq!(sleeve.conditions.cutoff.unwrap().number.to_string(), "0.030");
}

/// FIPS 180-4, example of a one-block message: SHA-256("abc").
#[test]
fn the_hash_is_sha_256() {
    let text = ridgepost_config::Text::new("abc");
    assert_eq!(text.hash, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

#[test]
fn relative_paths_belong_to_the_cell_folder() {
    let mut files = example();
    let cell = files.get_mut(Path::new("cell.toml")).unwrap();
    *cell = cell
        .replace("\"/var/lib/ridgepost/store.db\"", "\"../state/./store.db\"")
        .replace("\"/srv/results\"", "\"drops\"");
    let plan = read(Path::new(CELL_DIR), &files).plan.expect("a plan");
    assert_eq!(plan.store, PathBuf::from("/etc/state/store.db"));
    let SinkKind::Csv(office) = &plan.sinks[1].kind;
    assert_eq!(office.folder, PathBuf::from("/etc/ridgepost/drops"));
}

#[test]
fn the_same_texts_give_the_same_plan_again() {
    let loaded = load(&folder());
    let texts = loaded.texts.iter().map(|(file, text)| (file.clone(), text.body.to_string())).collect();
    let again = read(&folder(), &texts);
    assert_eq!(format!("{:?}", again.plan.unwrap().jobs), format!("{:?}", loaded.plan.unwrap().jobs));
}

#[test]
fn check_says_what_unwritten_defaults_mean() {
    let plan = read(Path::new(CELL_DIR), &example()).plan.expect("a plan");
    let lines = explain(&plan);
    let line = |start: &str| {
        lines.iter().find(|line| line.starts_with(start)).unwrap_or_else(|| panic!("{start}: {lines:#?}"))
    };
    assert_eq!(
        line("job WO-48213, balloon 12"),
        "job WO-48213, balloon 12: Ra at most 0.8 µm, rule max, conditions required: cutoff 0.8 mm, sections 5, plausible from 0.05 µm to 5 µm"
    );
    assert!(
        line("job WO-48213, balloon 13")
            .contains("rule max (not written: under ISO 21920 no value may pass the limit), 3 values")
    );
    assert!(line("gauge RT-09").contains("holds until its calibration is due on 2027-01-15 (no end written)"));
    assert!(line("station tester-a").contains("9600 baud 8N1, no flow control"));
    assert_eq!(
        line("labels"),
        "labels: 8 rules, nothing needed; kept are serial until the end of the piece, operator until 600 min, balloon until the end \
         of the piece, mode until another label"
    );
    assert!(line("station scanner").contains("labels about every station as `label-line`"));
    assert_eq!(
        line("watch"),
        "watch: no metrics, no heartbeat, no digest, 20000 rejects kept per port and day, less than 1024 MiB free is told"
    );
}

#[test]
fn an_edition_with_another_default_rule_is_told() {
    let mut files = example();
    let job = files.get_mut(Path::new("jobs/impeller-shaft.toml")).unwrap();
    *job = job.replace("\"ISO 21920\"", "\"ISO 1302 / ISO 4288\"");
    let lines = explain(&read(Path::new(CELL_DIR), &files).plan.expect("a plan"));
    assert!(
        lines.iter().any(|line| line.contains("balloon 13")
            && line.contains("rule 16% (not written: ISO 1302 / ISO 4288 means that at most 16 % may pass)")),
        "{lines:#?}"
    );
    assert!(
        !lines.iter().any(|line| line.contains("balloon 12") && line.contains("16 %")),
        "a written rule is as written"
    );
}

#[test]
fn how_the_daemon_is_watched_is_as_written() {
    let with = |lines: &str| {
        let mut files = example();
        let cell = files.get_mut(Path::new("cell.toml")).unwrap();
        let end = cell.find("[watch]").expect("the example's own");
        cell.truncate(end);
        cell.push_str(&format!("[watch]\n{lines}\n"));
        let loaded = read(Path::new(CELL_DIR), &files);
        assert_eq!(shown(&loaded), "", "{lines}");
        let plan = loaded.plan.expect("a plan");
        let line = explain(&plan).into_iter().find(|line| line.starts_with("watch: ")).expect("a line");
        (plan.watch, line)
    };
    let (watch, line) = with("metrics = { listen = \"[::1]:9617\" }\nheartbeat = { file = \"state/alive.json\" }");
    assert_eq!(watch.metrics, Some(Metrics::Listen("[::1]:9617".parse().unwrap())));
    let file = PathBuf::from("/etc/ridgepost/state/alive.json");
    assert_eq!(watch.heartbeat, Some(Heartbeat { file, every_s: 30 }));
    assert_eq!((watch.digest, watch.rejects_per_day, watch.free_mib_warn), (None, 20_000, 1024));
    assert!(line.contains("metrics at http://[::1]:9617/metrics, a heartbeat into /etc/ridgepost/state/alive.json"));

    let (watch, line) = with(
        "metrics = { file = \"/run/m.prom\" }\ndigest = { folder = \"/srv/digest\", at = \"14:05\" }\n\
         rejects_per_day = 5\nfree_mib_warn = 0\nremind_minutes = 30",
    );
    assert_eq!(watch.metrics, Some(Metrics::File("/run/m.prom".into())));
    let digest = watch.digest.expect("a digest");
    assert_eq!((digest.folder, digest.at.to_string()), ("/srv/digest".into(), "14:05:00".to_owned()));
    assert_eq!((watch.rejects_per_day, watch.free_mib_warn, watch.remind_minutes), (5, 0, Some(30)));
    assert!(line.ends_with("reminds of bad parts every 30 min until they are disposed of"), "{line}");
    assert!(line.contains("at 14:05 of the next one, 5 rejects kept per port and day, low space is not told"));
}
