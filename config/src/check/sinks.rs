//! Sinks: where results go, and that a file written there can be read again.

use std::path::Path as FilePath;

use encoding_rs::Encoding;

use super::{duplicates, plain_name, resolve};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::fields::{FIELDS, KINDS};
use crate::nearest::advice;
use crate::plan::{CsvSink, Per, Sink, SinkKind};
use crate::said::{CsvSaid, DecimalWord, KindWord, PerWord, SinkSaid, StationSaid};
use crate::sheet::Sheet;

/// What a file name template may hold between braces.
const PLACES: [&str; 6] = ["cell", "sink", "job", "serial", "piece", "seq"];

/// The template where none is written.
const NAME: &str = "{cell}-{seq}.csv";

/// Rows of a file where nothing is written: a spreadsheet opens it, and it stands in memory while it is made.
const ROWS_MAX: u32 = 20_000;

fn at(index: usize) -> Path {
    Path::top().key("sink").index(index)
}

/// Every faultless sink, in the order written.
pub(crate) fn check(sheet: &mut Sheet, said: &[SinkSaid], stations: &[StationSaid], cell_dir: &FilePath) -> Vec<Sink> {
    let names: Vec<_> = said.iter().enumerate().map(|(index, said)| (at(index), said.name.clone())).collect();
    duplicates(sheet, "sink", &names, "name");
    let mut sinks = vec![];
    for (index, said) in said.iter().enumerate() {
        if let Some(name) = &said.name {
            plain_name(sheet, &at(index).key("name"), name);
        }
        let csv = said.csv.as_ref().and_then(|said| csv(sheet, &at(index).key("csv"), said, cell_dir));
        if let (Some(name), Some(csv)) = (said.name.clone(), csv) {
            sinks.push((index, Sink { name, kind: SinkKind::Csv(csv) }));
        }
    }
    watched_folders(sheet, said, stations, cell_dir);
    same_names(sheet, said, cell_dir);
    sinks.retain(|(index, _)| !sheet.is_faulty(&at(*index)));
    sinks.into_iter().map(|(_, sink)| sink).collect()
}

fn csv(sheet: &mut Sheet, path: &Path, said: &CsvSaid, cell_dir: &FilePath) -> Option<CsvSink> {
    let per = per(sheet, path, said);
    let kinds = kinds(sheet, path, said);
    let columns = columns(sheet, path, said);
    let decimal = if said.decimal == Some(DecimalWord::Comma) { ',' } else { '.' };
    let separator = separator(sheet, path, said, decimal);
    let encoding = encoding(sheet, path, said);
    let name = said.name.clone().unwrap_or_else(|| NAME.to_owned());
    template(sheet, &path.key("name"), &name, said.per);
    if let Some(marker) = said.marker.as_ref().filter(|marker| marker.contains('/')) {
        let message = format!("`{marker}` is not a file in the folder");
        sheet.fault(
            &path.key("marker"),
            Code::WrongValue,
            message,
            "write the name of a file that lies in `folder` itself",
        );
    }
    Some(CsvSink {
        folder: resolve(cell_dir, said.folder.as_ref()?),
        per: per?,
        rows_max: u64::from(said.rows_max.unwrap_or(ROWS_MAX)),
        kinds,
        columns,
        separator: separator?,
        decimal,
        encoding: encoding?,
        name,
        ok_file: said.ok_file.unwrap_or(false),
        marker: said.marker.clone(),
    })
}

fn per(sheet: &mut Sheet, path: &Path, said: &CsvSaid) -> Option<Per> {
    let minutes = path.key("minutes");
    if said.per == Some(PerWord::Minutes) && sheet.lacks(&minutes) {
        let message = "`per = \"minutes\"` does not say how many".to_owned();
        sheet.fault(&path.key("per"), Code::MissingKey, message, "add minutes = 15, or as many as one file shall hold");
    }
    let spoilt = sheet.is_faulty(&path.key("per"));
    if said.per != Some(PerWord::Minutes) && said.minutes.is_some() && !spoilt {
        let message = "`minutes` counts only with `per = \"minutes\"`".to_owned();
        sheet.fault_of_key(&minutes, Code::Contradiction, message, "write per = \"minutes\", or leave `minutes` out");
    }
    Some(match said.per.unwrap_or(PerWord::Reading) {
        PerWord::Reading => Per::Reading,
        PerWord::Piece => Per::Piece,
        PerWord::Job => Per::Job,
        PerWord::Minutes => Per::Minutes(said.minutes?),
    })
}

fn kinds(sheet: &mut Sheet, path: &Path, said: &CsvSaid) -> Vec<String> {
    once(sheet, &path.key("kinds"));
    let Some(kinds) = &said.kinds else { return KINDS.iter().map(|kind| (*kind).to_owned()).collect() };
    let words: Vec<&str> = kinds.iter().map(|kind: &KindWord| kind.word()).collect();
    words.into_iter().map(str::to_owned).collect()
}

fn columns(sheet: &mut Sheet, path: &Path, said: &CsvSaid) -> Vec<String> {
    once(sheet, &path.key("columns"));
    let Some(columns) = &said.columns else { return FIELDS.iter().map(|field| (*field).to_owned()).collect() };
    let words: Vec<&str> = columns.iter().map(|field| field.0.as_str()).collect();
    words.into_iter().map(str::to_owned).collect()
}

/// Tells words that a list holds twice, beside wrong ones too.
fn once(sheet: &mut Sheet, path: &Path) {
    let words = sheet.elements(path);
    for (index, word) in words.iter().enumerate().filter(|(index, word)| words[..*index].contains(word)) {
        let message = format!("`{word}` is in the list already");
        sheet.fault(&path.index(index), Code::Duplicate, message, "leave it out here");
    }
}

fn separator(sheet: &mut Sheet, path: &Path, said: &CsvSaid, decimal: char) -> Option<char> {
    let at = path.key("separator");
    let text = said.separator.as_deref().unwrap_or(",");
    let mut chars = text.chars();
    let (Some(separator), None) = (chars.next(), chars.next()) else {
        let message = format!("`{}` is not one character", text.escape_debug());
        sheet.fault(&at, Code::WrongValue, message, "write one: \",\" or \";\" or \"\\t\" or \"|\"");
        return None;
    };
    if separator.is_alphanumeric()
        || (separator.is_control() && separator != '\t')
        || matches!(separator, '"' | '+' | '-')
    {
        let message = format!("`{}` can't part fields", separator.escape_debug());
        sheet.fault(
            &at,
            Code::WrongValue,
            message,
            "write one that stands in no number: \",\" or \";\" or \"\\t\" or \"|\"",
        );
        return None;
    }
    if separator == decimal {
        let place = if said.decimal.is_some() { path.key("decimal") } else { at };
        let message = format!("`{separator}` can't be separator and decimal mark at once");
        sheet.fault(&place, Code::Contradiction, message, "with decimal = \",\" write separator = \";\"");
        return None;
    }
    Some(separator)
}

fn encoding(sheet: &mut Sheet, path: &Path, said: &CsvSaid) -> Option<String> {
    let at = path.key("encoding");
    let label = said.encoding.as_deref().unwrap_or("utf-8");
    let Some(encoding) = Encoding::for_label(label.as_bytes()) else {
        let known =
            ["utf-8", "windows-1252", "iso-8859-1", "iso-8859-15", "shift_jis", "gbk", "windows-1250", "windows-1251"];
        sheet.fault(&at, Code::WrongValue, format!("unknown encoding `{label}`"), advice(label, &known));
        return None;
    };
    if encoding.output_encoding() != encoding {
        let message = format!("files can't be written in `{label}`");
        sheet.fault(&at, Code::Unsupported, message, "write \"utf-8\" or a one-byte encoding such as \"windows-1252\"");
        return None;
    }
    if encoding.encode("\u{b5}").2 {
        let message = format!("`{label}` has no sign for micro");
        sheet.warn(&at, Code::WrongValue, message, "the unit µm can't be written to the letter: \"utf-8\" can do it");
    }
    Some(label.to_owned())
}

/// A file name template: known places, a number that rises, no folder.
fn template(sheet: &mut Sheet, path: &Path, name: &str, per: Option<PerWord>) {
    let mut rest = name;
    let mut places = vec![];
    while let Some((_, behind)) = rest.split_once('{') {
        let Some((place, behind)) = behind.split_once('}') else { break };
        places.push(place);
        rest = behind;
    }
    let plain: String =
        places.iter().fold(name.to_owned(), |name, place| name.replacen(&format!("{{{place}}}"), "", 1));
    if plain.contains(['{', '}']) {
        let message = format!("`{name}` has a brace without its partner");
        sheet.fault(
            path,
            Code::WrongValue,
            message,
            format!("places are written {{seq}}; known: {}", PLACES.join(", ")),
        );
    }
    for place in places.iter().filter(|place| !PLACES.contains(place)) {
        let message = format!("unknown place `{{{place}}}` in a file name");
        sheet.fault(path, Code::WrongValue, message, advice(place, &PLACES));
    }
    if !places.contains(&"seq") {
        let message = format!("`{name}` would be the name of more than one file");
        sheet.fault(path, Code::WrongValue, message, format!("put {{seq}} into it, as in \"{NAME}\""));
    }
    if plain.contains(['/', '\\']) || plain.chars().any(char::is_control) || name.starts_with('.') {
        let message = format!("`{}` can't be a file name", name.escape_debug());
        sheet.fault(path, Code::WrongValue, message, "leave out slashes, control characters and a point at the start");
    }
    let vague: &[&str] = match per {
        Some(PerWord::Job) => &["serial", "piece"],
        Some(PerWord::Minutes) => &["serial", "piece", "job"],
        _ => &[],
    };
    for place in places.iter().filter(|place| vague.contains(place)) {
        let message = format!("`{{{place}}}` has no one value in a file of this `per`");
        sheet.fault(path, Code::Contradiction, message, "leave it out of the name; it is a column of every row");
    }
}

/// Results must not come back as an instrument's exports.
fn watched_folders(sheet: &mut Sheet, said: &[SinkSaid], stations: &[StationSaid], cell_dir: &FilePath) {
    for (index, sink) in said.iter().enumerate() {
        let Some(folder) = sink.csv.as_ref().and_then(|csv| csv.folder.as_ref()) else { continue };
        let folder = resolve(cell_dir, folder);
        let watched = |station: &&StationSaid| {
            let Some(said) = &station.folder else { return false };
            let path = said.path.as_ref().map(|path| resolve(cell_dir, path));
            path.is_some_and(|path| path == folder || said.subfolders == Some(true) && folder.starts_with(path))
        };
        if let Some(station) = stations.iter().find(watched) {
            let name = station.name.as_deref().unwrap_or("?");
            let message = format!("folder {} is the one that station `{name}` reads from", folder.display());
            let help = "results would come back as exports: write them into another folder";
            sheet.fault(&at(index).key("csv").key("folder"), Code::AmbiguousPort, message, help);
        }
    }
}

/// Two sinks in one folder must not write the same names.
fn same_names(sheet: &mut Sheet, said: &[SinkSaid], cell_dir: &FilePath) {
    let target = |sink: &SinkSaid| {
        let csv = sink.csv.as_ref()?;
        let name = csv.name.as_deref().unwrap_or(NAME);
        let name = match &sink.name {
            Some(sink) => name.replace("{sink}", sink),
            None => name.to_owned(),
        };
        Some((resolve(cell_dir, csv.folder.as_ref()?), name))
    };
    let targets: Vec<_> = said.iter().map(target).collect();
    for (index, here) in targets.iter().enumerate().filter(|(_, here)| here.is_some()) {
        if let Some(first) = targets[..index].iter().position(|other| other == here) {
            let other = said[first].name.as_deref().unwrap_or("?");
            let message = format!("sink `{other}` writes files of the same names into this folder");
            let place = at(index).key("csv").key("folder");
            sheet.fault(
                &place,
                Code::AmbiguousPort,
                message,
                "put {sink} into both names, or give each its own folder",
            );
            sheet.blame(&at(first));
        }
    }
}
