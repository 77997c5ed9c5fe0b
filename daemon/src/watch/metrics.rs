//! Metrics in the Prometheus text format, version 0.0.4 (prometheus.io, "Exposition formats", text-based format).
//!
//! Written by hand: a family is a HELP line, a TYPE line and its samples; a crate would bring a registry that the
//! board of stations and the store already are. Labels are bounded by the configuration: stations, sinks, states.

use std::fmt::{Display, Write};

use super::picture::Picture;
use crate::capture::StationStatus;

/// What it is served as.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// States of a station, as the board names them.
const STATION_STATES: [&str; 3] = ["listening", "deaf", "starting"];
/// States of a parcel that is not delivered yet.
const PARCEL_STATES: [&str; 3] = ["filling", "due", "parked"];

/// Everything, as text.
pub fn exposition(picture: &Picture) -> String {
    let mut page = Page::default();
    page.family("build_info", "gauge", "Version of the program and name of the cell.");
    page.sample("build_info", &[("version", env!("CARGO_PKG_VERSION")), ("cell", &picture.cell)], 1);
    page.single("up_seconds", "Seconds since the daemon started.", Some(picture.at.monotonic_ms as f64 / 1000.0));
    stations(&mut page, picture);
    sinks(&mut page, picture);
    store(&mut page, picture);
    page.single(
        "clock_synced",
        "Whether the kernel holds the clock for synchronised.",
        Some(u8::from(picture.at.synced)),
    );
    page.single("configuration_faults", "Faults in the files as they are now.", Some(picture.faults));
    let low = picture.troubles.iter().any(|(code, _)| *code == "low-space");
    page.single("low_space", "Whether there is less room on the store's disk than asked for.", Some(u8::from(low)));
    page.single("troubles", "Things that need a person, as the heartbeat names them.", Some(picture.causes().len()));
    page.text
}

fn stations(page: &mut Page, picture: &Picture) {
    type Count = fn(&StationStatus) -> u64;
    let counters: [(&str, &str, Count); 5] = [
        ("readings_total", "Readings committed since the daemon started.", |status| status.recorded),
        ("repeats_total", "Repeats of readings seen before.", |status| status.repeats),
        ("rejects_total", "Frames that could not be trusted.", |status| status.rejected),
        ("rejects_not_kept_total", "Of these, frames that were counted and not kept.", |status| status.not_kept),
        ("port_losses_total", "Times the station was lost.", |status| status.lost),
    ];
    for (name, help, count) in counters {
        page.family(name, "counter", help);
        for (station, status) in &picture.stations {
            page.sample(name, &[("station", station)], count(status));
        }
    }
    page.family("line_errors_total", "counter", "Errors of a serial line, where its driver counts them.");
    for (station, status) in &picture.stations {
        let Some(errors) = status.line else { continue };
        for (kind, count) in [("overrun", errors.overruns), ("framing", errors.framing), ("parity", errors.parity)] {
            page.sample("line_errors_total", &[("station", station), ("kind", kind)], count);
        }
    }
    page.family("station_state", "gauge", "1 for the state that a station is in, 0 for the others.");
    for (station, status) in &picture.stations {
        for state in STATION_STATES {
            let labels = [("station", station.as_str()), ("state", state)];
            page.sample("station_state", &labels, u8::from(status.state == state));
        }
    }
    page.family("station_babbling", "gauge", "Whether rejects of a station are counted and not kept.");
    for (station, _) in &picture.stations {
        page.sample("station_babbling", &[("station", station)], u8::from(picture.babbling.contains(station)));
    }
}

fn sinks(page: &mut Page, picture: &Picture) {
    page.family("parcels_delivered_total", "counter", "Parcels delivered since the daemon started.");
    for (sink, status) in &picture.sinks {
        page.sample("parcels_delivered_total", &[("sink", sink)], status.recorded);
    }
    page.family("sink_waiting", "gauge", "Whether a sink can't take anything now.");
    for (sink, status) in &picture.sinks {
        page.sample("sink_waiting", &[("sink", sink)], u8::from(status.trouble.is_some()));
    }
    if picture.seq.is_none() {
        return;
    }
    page.family("parcels", "gauge", "Parcels that are not delivered, by state.");
    for (sink, _) in &picture.sinks {
        for state in PARCEL_STATES {
            page.sample("parcels", &[("sink", sink), ("state", state)], picture.count(sink, state));
        }
    }
}

fn store(page: &mut Page, picture: &Picture) {
    if let Some(seq) = picture.seq {
        page.family("results_total", "counter", "Number of the last result: rows since the store was made.");
        page.sample("results_total", &[], seq);
    }
    page.single("store_bytes", "Size of the store's file.", picture.store_bytes);
    page.single("store_wal_bytes", "Size of the log beside the store.", picture.wal_bytes);
    page.single("store_free_bytes", "Room on the store's disk.", picture.free_bytes);
    page.single("store_commit_age_seconds", "Seconds since the writer last committed.", picture.commit_age_s);
    page.single("store_queue_length", "Requests that wait for the writer.", Some(picture.queue));
    let trouble = picture.store_trouble.is_some();
    page.single("store_trouble", "Whether the store can't be written and readings wait.", Some(u8::from(trouble)));
}

/// The text as it grows.
#[derive(Default)]
struct Page {
    text: String,
}

impl Page {
    fn family(&mut self, name: &str, kind: &str, help: &str) {
        let _ = writeln!(self.text, "# HELP ridgepost_{name} {help}\n# TYPE ridgepost_{name} {kind}");
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: impl Display) {
        let labels: Vec<String> = labels.iter().map(|(key, value)| format!("{key}=\"{}\"", escape(value))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        let _ = writeln!(self.text, "ridgepost_{name}{labels} {value}");
    }

    /// A gauge without labels; left out where it is unknown.
    fn single(&mut self, name: &str, help: &str, value: Option<impl Display>) {
        if let Some(value) = value {
            self.family(name, "gauge", help);
            self.sample(name, &[], value);
        }
    }
}

/// A label's value between its quotes: backslash, quote and line feed are escaped.
fn escape(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use std::collections::{BTreeMap, BTreeSet};
    use std::io::Write as _;

    use super::super::picture::tests::picture;
    use super::*;

    /// One sample: name, labels, value.
    type Sample = (String, BTreeMap<String, String>, f64);

    /// Reads the format as its description says, and stops at whatever does not fit.
    fn parse(text: &str) -> Vec<Sample> {
        assert!(text.ends_with('\n'), "the last line ends");
        let (mut types, mut helped, mut samples) = (BTreeMap::new(), BTreeSet::new(), Vec::new());
        let mut current = String::new();
        for line in text.lines() {
            if let Some(rest) = line.strip_prefix("# HELP ") {
                let (name, help) = rest.split_once(' ').unwrap();
                assert!(!help.is_empty() && helped.insert(name.to_owned()), "one help per family: {line}");
                current = name.to_owned();
            } else if let Some(rest) = line.strip_prefix("# TYPE ") {
                let (name, kind) = rest.split_once(' ').unwrap();
                assert_eq!(name, current, "its type follows its help");
                assert_eq!(kind == "counter", name.ends_with("_total"), "{name} is a {kind}");
                assert!(types.insert(name.to_owned(), kind.to_owned()).is_none(), "one type per family: {line}");
            } else {
                let sample = sample(line);
                assert_eq!(sample.0, current, "samples of a family stand together");
                assert!(types.contains_key(&sample.0));
                samples.push(sample);
            }
        }
        let unique: BTreeSet<_> = samples.iter().map(|(name, labels, _)| (name, labels)).collect();
        assert_eq!(unique.len(), samples.len(), "no sample twice");
        samples
    }

    fn sample(line: &str) -> Sample {
        let end = line.find(['{', ' ']).unwrap();
        let (name, mut rest) = line.split_at(end);
        assert!(name.chars().all(|c| c.is_ascii_lowercase() || c == '_'), "{name}");
        let mut labels = BTreeMap::new();
        if let Some(inner) = rest.strip_prefix('{') {
            rest = inner;
            while !rest.starts_with('}') {
                let (key, after) = rest.trim_start_matches(',').split_once("=\"").unwrap();
                let mut value = String::new();
                let mut chars = after.char_indices();
                let close = loop {
                    match chars.next().unwrap() {
                        (_, '\\') => value.push(match chars.next().unwrap().1 {
                            'n' => '\n',
                            other => other,
                        }),
                        (at, '"') => break at,
                        (_, other) => value.push(other),
                    }
                };
                assert!(labels.insert(key.to_owned(), value).is_none());
                rest = &after[close + 1..];
            }
            rest = &rest[1..];
        }
        (name.to_owned(), labels, rest.trim_start().parse().unwrap())
    }

    fn value(samples: &[Sample], name: &str, wanted: &[(&str, &str)]) -> Option<f64> {
        let fits = |labels: &BTreeMap<String, String>| {
            wanted.iter().all(|(key, value)| labels.get(*key).is_some_and(|is| is == value))
        };
        let found = samples.iter().find(|(is, labels, _)| *is == format!("ridgepost_{name}") && fits(labels));
        found.map(|(_, _, value)| *value)
    }

    #[test]
    fn every_number_is_told_under_its_name() {
        let samples = parse(&exposition(&picture()));
        let station = [("station", "tester-a")];
        for (name, labels, expected) in [
            ("up_seconds", &[][..], Some(61.5)),
            ("readings_total", &station, Some(40.0)),
            ("rejects_total", &station, Some(2.0)),
            ("rejects_not_kept_total", &station, Some(0.0)),
            ("line_errors_total", &[("station", "tester-a"), ("kind", "framing")], Some(3.0)),
            ("station_state", &[("station", "tester-a"), ("state", "listening")], Some(1.0)),
            ("station_state", &[("station", "tester-a"), ("state", "deaf")], Some(0.0)),
            ("parcels", &[("sink", "mes"), ("state", "due")], Some(1.0)),
            ("parcels", &[("sink", "mes"), ("state", "parked")], Some(0.0)),
            ("parcels_delivered_total", &[("sink", "mes")], Some(39.0)),
            ("results_total", &[], Some(42.0)),
            ("store_bytes", &[], Some(4096.0)),
            ("store_commit_age_seconds", &[], Some(0.25)),
            ("store_trouble", &[], Some(0.0)),
            ("clock_synced", &[], Some(1.0)),
            ("low_space", &[], Some(0.0)),
            ("troubles", &[], Some(0.0)),
        ] {
            let found = value(&samples, name, labels);
            assert!(found.zip(expected).is_some_and(|(one, other)| (one - other).abs() < 1e-9), "{name}: {found:?}");
        }
    }

    #[test]
    fn what_is_unknown_is_left_out() {
        let mut picture = picture();
        (picture.seq, picture.free_bytes, picture.commit_age_s) = (None, None, None);
        let samples = parse(&exposition(&picture));
        for name in ["results_total", "parcels", "store_free_bytes", "store_commit_age_seconds"] {
            assert_eq!(value(&samples, name, &[]), None, "{name}");
        }
    }

    #[test]
    fn names_with_quotes_and_backslashes_come_back_whole() {
        let mut picture = picture();
        let name = "a \"b\" \\c\nd µ";
        picture.stations[0].0 = name.into();
        let samples = parse(&exposition(&picture));
        assert!(value(&samples, "readings_total", &[("station", name)]).is_some());
    }

    #[test]
    #[ignore = "needs promtool"]
    fn promtool_finds_nothing_to_say() {
        let mut picture = picture();
        picture.stations.push(("a \"b\" \\c".into(), StationStatus::default()));
        let mut tool = std::process::Command::new("promtool")
            .args(["check", "metrics"])
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        tool.stdin.take().unwrap().write_all(exposition(&picture).as_bytes()).unwrap();
        let said = tool.wait_with_output().unwrap();
        let text = format!("{}{}", String::from_utf8_lossy(&said.stdout), String::from_utf8_lossy(&said.stderr));
        assert!(said.status.success() && text.is_empty(), "{text}");
    }
}
