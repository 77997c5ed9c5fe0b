//! Files of a cell, and the labels that they give a meaning to.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use ridgepost_config::{Item, Labels, Loaded, Refusal, VALUE_CHARACTERS_MAX, explain, read};
use ridgepost_tests::fuzz::{Input, Target, mutate::mutated, outline};

use crate::seed;

const CELL_DIR: &str = "/etc/ridgepost";

fn config_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../config")
}

/// The example cell; the first word is the kind of each file.
fn example() -> &'static BTreeMap<PathBuf, String> {
    static EXAMPLE: OnceLock<BTreeMap<PathBuf, String>> = OnceLock::new();
    EXAMPLE.get_or_init(|| {
        let folder = config_folder().join("examples/impeller-shaft");
        let files = ["cell.toml", "gauges.toml", "labels.toml", "jobs/impeller-shaft.toml", "jobs/inch-sleeve.toml"];
        let files = files.into_iter().chain(["instruments/two-inlet-box.toml"]);
        files.map(|file| (file.into(), std::fs::read_to_string(folder.join(file)).unwrap())).collect()
    })
}

/// Where a file of a kind lies in a cell.
const PLACES: &[(&str, &str)] = &[
    ("cell", "cell.toml"),
    ("gauges", "gauges.toml"),
    ("labels", "labels.toml"),
    ("job", "jobs/impeller-shaft.toml"),
    ("instrument", "instruments/two-inlet-box.toml"),
];

fn place(of: &str) -> &'static Path {
    let known = PLACES.iter().find(|(kind, _)| *kind == of);
    Path::new(known.unwrap_or_else(|| panic!("no file of kind {of}")).1)
}

/// The example's files and every faulty file of the tests of `check`.
fn files() -> Vec<Input> {
    let mut files: Vec<Input> =
        PLACES.iter().map(|(of, place)| seed(of, example()[Path::new(place)].clone())).collect();
    files.push(seed("job", example()[Path::new("jobs/inch-sleeve.toml")].clone()));
    for entry in std::fs::read_dir(config_folder().join("tests/faulty")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if let Some((of, _)) = PLACES.iter().find(|(of, _)| name.split('-').next() == Some(*of)) {
            files.push(seed(of, std::fs::read(&path).unwrap()));
        }
    }
    files
}

pub(crate) fn target() -> Target<'static> {
    let seeds = files();
    let mut words: Vec<String> = vec!["\n".into(), "\"\"".into(), "[]".into(), "{}".into(), "1979-05-27".into()];
    for file in &seeds {
        let text = String::from_utf8_lossy(&file.bytes).into_owned();
        words.extend(text.lines().filter(|line| !line.starts_with('#')).map(|line| format!("{line}\n")));
        words.extend(text.split(['=', ',', '\n']).map(str::to_owned));
    }
    words.extend(
        ["\\sqrt", "U", "L", " 0.8/ Ra 0.4", "0.008-0.8 / Rz 3.2", "Ra16% ", "Rmr(0,5) ≥ 20 %"].map(str::to_owned),
    );
    let words: &'static [String] = words.leak();
    let words: &'static [&str] = words.iter().map(String::as_str).collect::<Vec<_>>().leak();
    Target {
        name: "configuration",
        seeds,
        change: Box::leak(Box::new(move |seeded: &mut _, input: &Input, others: &[&[u8]]| {
            mutated(seeded, &input.bytes, others, words)
        })),
        check: &|input| {
            let Ok(text) = std::str::from_utf8(&input.bytes) else { return Ok(vec![]) };
            let mut files = example().clone();
            files.insert(place(&input.of).to_owned(), text.to_owned());
            told_well(&files, &read(Path::new(CELL_DIR), &files))
        },
        memory: |bytes| (96 << 20) + bytes * 16_384,
    }
}

/// A plan exactly where nothing is amiss; every fault in a place that is there; the same for the same texts.
fn told_well(files: &BTreeMap<PathBuf, String>, loaded: &Loaded) -> Result<Vec<String>, String> {
    if loaded.plan.is_some() != (loaded.faults().next().is_none() && loaded.partial.is_some()) {
        return Err(format!("a plan: {}, and {:?}", loaded.plan.is_some(), loaded.diagnostics));
    }
    for fault in &loaded.diagnostics {
        let Some(text) = files.get(&fault.file) else {
            return Err(format!("a fault in a file that is not there: {fault:?}"));
        };
        let lines = text.lines().count().max(1) + 1;
        if fault.line > lines || fault.message.is_empty() || fault.message.contains(char::is_control) {
            return Err(format!("of {lines} lines: {fault:?}"));
        }
        if fault.to_string().chars().any(|char| char.is_control() && !matches!(char, '\n' | '\t')) {
            return Err(format!("a fault that steers a terminal: {fault:?}"));
        }
    }
    // Reading takes long, and reading twice twice as long.
    let length: usize = files.values().map(String::len).sum();
    let texts = loaded.texts.iter().map(|(file, text)| (file.clone(), text.body.to_string())).collect();
    let again = if length.is_multiple_of(8) { read(Path::new(CELL_DIR), &texts) } else { loaded.clone() };
    if again.diagnostics != loaded.diagnostics || again.plan.is_some() != loaded.plan.is_some() {
        return Err(format!("read again it tells {:?}, not {:?}", again.diagnostics, loaded.diagnostics));
    }
    if let Some(plan) = loaded.plan.as_ref().or(loaded.partial.as_ref()) {
        let words = explain(plan).concat();
        if words.contains(|char: char| char.is_control()) {
            return Err(format!("what the plan means holds control characters: {words:?}"));
        }
    }
    Ok(loaded.diagnostics.iter().map(|fault| format!("{} {}", fault.code.code(), outline(&fault.message))).collect())
}

fn grammar(text: &str) -> Option<Labels> {
    let mut files = example().clone();
    files.insert("labels.toml".into(), text.to_owned());
    let loaded = read(Path::new(CELL_DIR), &files);
    loaded.partial.and_then(|plan| plan.labels).map(|labels| (*labels).clone())
}

const TEXTS: &[&str] = &[
    "JOB WO-48213",
    "IS-2207/019E",
    "2900000000179",
    "BALLOON 12",
    "ANY FEATURE",
    "NEXT PIECE",
    "TRAINING",
    "PRODUCTION",
    "BALLOON 1",
    "IS-0000/0000",
    "",
    " ",
    "x",
    "\u{feff}JOB WO-48213",
];

/// Labels by the example's grammar (`text`), and the example's labels by a changed grammar (`grammar`).
pub(crate) fn labels() -> Target<'static> {
    let mut seeds: Vec<Input> = TEXTS.iter().map(|text| seed("text", *text)).collect();
    seeds.push(seed("grammar", example()[Path::new("labels.toml")].clone()));
    Target {
        name: "labels",
        seeds,
        change: &|seeded, input, others| {
            let words = [
                "(?<serial>.*)",
                "check = \"mod 10\"",
                "[[label]]",
                "set = {}",
                "JOB ",
                "BALLOON ",
                "9",
                "E",
                "\u{202e}",
            ];
            mutated(seeded, &input.bytes, others, &words)
        },
        check: &|input| {
            static EXAMPLE: OnceLock<Labels> = OnceLock::new();
            let Ok(text) = std::str::from_utf8(&input.bytes) else { return Ok(vec![]) };
            if input.of == "text" {
                let labels = EXAMPLE.get_or_init(|| grammar(&example()[Path::new("labels.toml")]).unwrap());
                return says_what_stands(labels, text).map(|told| vec![told]);
            }
            let Some(labels) = grammar(text) else { return Ok(vec!["no grammar".into()]) };
            TEXTS.iter().map(|text| says_what_stands(&labels, text)).collect()
        },
        memory: |bytes| (96 << 20) + bytes * 16_384,
    }
}

/// What a label says stands in it, or in its rule; it fits one rule and no other; its check character holds.
fn says_what_stands(labels: &Labels, text: &str) -> Result<String, String> {
    let told = labels.read(text);
    if told != labels.read(text) {
        return Err(format!("{text:?} is read in two ways"));
    }
    let fitting = labels.rules.iter().filter(|rule| rule.fits(text)).count();
    let label = match told {
        Err(Refusal::Ambiguous(names)) if names.len() < 2 => return Err(format!("{text:?} fits {names:?} alone")),
        Err(refusal) => return Ok(outline(&refusal.to_string())),
        Ok(label) => label,
    };
    if fitting != 1 || label.is_empty() {
        return Err(format!("{text:?} fits {fitting} rules and says {label:?}"));
    }
    let captured = label.items.iter().filter(|(item, _)| **item != Item::Mode).map(|(_, value)| value);
    for value in captured.chain(&label.job).chain(&label.station) {
        let is_set = labels.text.body.contains(value.as_str());
        if value.trim().is_empty()
            || value.chars().count() > VALUE_CHARACTERS_MAX
            || !(text.contains(value.as_str()) || is_set)
        {
            return Err(format!("{text:?} says {value:?}"));
        }
    }
    // One wrong character is always told by a check character modulo 43.
    let differing = |known: &str| known.bytes().zip(text.bytes()).filter(|(one, two)| one != two).count();
    let known = "IS-2207/019E";
    if label.rule == "piece" && text.len() == known.len() && differing(known) == 1 {
        return Err(format!("{text:?} is one character from {known:?} and is read"));
    }
    Ok(format!("{} {}", label.rule, label.items.len()))
}
