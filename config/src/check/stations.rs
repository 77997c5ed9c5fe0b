//! Stations: each has one instrument, one gauge (or one a channel) and one place to listen to. Scanners have no gauge.

use std::collections::BTreeMap;
use std::path::Path as FilePath;
use std::sync::Arc;

use ridgepost_parsers::{FramingKind, Instrument, Layout};

use super::instruments::Library;
use super::{Names, duplicates, plain_name, sources};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::plan::{GaugeBinding, Scanner, Station};
use crate::said::StationSaid;
use crate::sheet::Sheet;
use crate::source::{Source, Stream};

/// How a scanner sends its labels where nothing is written: a line each.
pub(crate) const SCANNER_DEFINITION: &str = "label-line";

/// Where a station stands in the file.
pub(super) fn at(index: usize) -> Path {
    Path::top().key("station").index(index)
}

/// Every faultless station, in the order written.
pub(crate) fn check(
    sheet: &mut Sheet,
    said: &[StationSaid],
    cell_dir: &FilePath,
    library: &Library,
    gauges: &Names,
) -> Vec<Station> {
    let names: Vec<_> = said.iter().enumerate().map(|(index, said)| (at(index), said.name.clone())).collect();
    duplicates(sheet, "station", &names, "name");
    let read: Vec<_> = said
        .iter()
        .enumerate()
        .map(|(index, said)| station(sheet, &at(index), said, cell_dir, library, gauges))
        .collect();
    sources::shared(sheet, said, cell_dir);
    scanned_stations(sheet, said);
    read.into_iter()
        .enumerate()
        .filter(|(index, _)| !sheet.is_faulty(&at(*index)))
        .filter_map(|(_, read)| read)
        .collect()
}

fn station(
    sheet: &mut Sheet,
    path: &Path,
    said: &StationSaid,
    cell_dir: &FilePath,
    library: &Library,
    gauges: &Names,
) -> Option<Station> {
    if let Some(name) = &said.name {
        plain_name(sheet, &path.key("name"), name);
    }
    if let Some(name) = &said.instrument {
        library.names().refer(
            sheet,
            &path.key("instrument"),
            "instrument",
            "the shipped definitions or instruments/",
            name,
        );
    }
    let is_scanner = sheet.has(&path.key("scanner"));
    let gauge = if is_scanner { no_gauge(sheet, path) } else { gauge(sheet, path, said, gauges) };
    let source = sources::source(sheet, path, said, cell_dir);
    if is_scanner && matches!(source, Some(Source::Folder(_))) {
        let message = "a scanner sends its labels over a line".to_owned();
        sheet.fault_of_key(&path.key("folder"), Code::Contradiction, message, "write `port` or `tcp`");
    } else if !is_scanner && sheet.lacks(&path.key("instrument")) {
        let message = "`instrument` is missing in this `station`".to_owned();
        sheet.fault(path, Code::MissingKey, message, "name of the instrument definition: how it talks");
    }
    let unwritten = is_scanner.then_some(SCANNER_DEFINITION);
    let (instrument, definition) = library.get(said.instrument.as_deref().or(unwritten)?)?;
    if !is_scanner && instrument.definition().instrument.labels {
        let message = format!("`{}` sends labels, and this station is no scanner", instrument.name());
        let help = "write scanner = {} and no gauge, or name the definition of an instrument that measures";
        sheet.fault(&path.key("instrument"), Code::Contradiction, message, help);
    }
    let is_of_files = instrument.definition().framing.kind == FramingKind::File;
    if is_of_files && source.as_ref().is_some_and(|source| matches!(source, Source::Stream(_))) {
        let message = format!("`{}` reads whole files, and over a line no file ends", instrument.name());
        let help = "give the station a `folder`, or the definition a framing with an end mark, a length or a silence";
        sheet.fault(&path.key("instrument"), Code::Contradiction, message, help);
    }
    let ends_by_itself = !matches!(instrument.definition().framing.kind, FramingKind::File | FramingKind::Gap);
    if !ends_by_itself && matches!(&source, Some(Source::Folder(folder)) if folder.grows) {
        let message = format!("`{}` has no rows that could be taken one by one", instrument.name());
        let help = "leave `grows` out, or name the definition of an instrument whose files have rows or lines";
        sheet.fault(&path.key("folder").key("grows"), Code::Contradiction, message, help);
    }
    let instrument = match &source {
        Some(Source::Stream(Stream::Keyboard(keyboard))) => {
            suits_keys(sheet, path, &instrument);
            Arc::new(instrument.typing(Layout::new(keyboard.layout, keyboard.keypad_decimal)))
        }
        _ => instrument,
    };
    let scanner = said.scanner.as_ref().map(|said| Scanner { stations: said.stations.clone().unwrap_or_default() });
    Some(Station { name: said.name.clone()?, instrument, definition, gauge: gauge?, scanner, source: source? })
}

/// No gauge speaks through a scanner.
fn no_gauge(sheet: &mut Sheet, path: &Path) -> Option<GaugeBinding> {
    for key in ["gauge", "gauges"] {
        if sheet.has(&path.key(key)) {
            let message = format!("`{key}` and `scanner` are both there");
            let help = "what a scanner sends are labels, never readings of a gauge: keep one of the two";
            sheet.fault_of_key(&path.key(key), Code::Contradiction, message, help);
        }
    }
    Some(GaugeBinding::None)
}

/// A scanner's labels are about stations with an instrument.
fn scanned_stations(sheet: &mut Sheet, said: &[StationSaid]) {
    let written = said.iter().filter(|station| station.scanner.is_none()).filter_map(|station| station.name.clone());
    let known = Names { more: said.iter().any(|station| station.name.is_none()), written: written.collect() };
    for (index, said) in said.iter().enumerate() {
        let stations = said.scanner.iter().flat_map(|scanner| scanner.stations.iter().flatten());
        for (place, name) in stations.enumerate() {
            let path = at(index).key("scanner").key("stations").index(place);
            known.refer(sheet, &path, "station with an instrument", "cell.toml", name);
        }
    }
}

/// Keys come as UTF-8 text, and nothing can be sent to whoever types.
fn suits_keys(sheet: &mut Sheet, path: &Path, instrument: &Instrument) {
    let (name, key) = (instrument.name(), path.key("instrument"));
    if instrument.definition().dialogue.is_some() {
        let message = format!("`{name}` has a [dialogue], and nothing can be sent to a device that types");
        sheet.fault(&key, Code::Contradiction, message, "take the [dialogue] out of a copy of the definition");
    }
    if !instrument.takes_utf8() {
        let message = format!("`{name}` reads bytes of another form, and keys are read as UTF-8 text");
        let help = "take `encoding`, `parity` and [binary] out of a copy of the definition";
        sheet.fault(&key, Code::Contradiction, message, help);
    }
}

fn gauge(sheet: &mut Sheet, path: &Path, said: &StationSaid, known: &Names) -> Option<GaugeBinding> {
    let (one, many) = (path.key("gauge"), path.key("gauges"));
    if sheet.has(&one) && sheet.has(&many) {
        let message = "`gauge` and `gauges` are both there".to_owned();
        sheet.fault_of_key(
            &many,
            Code::Contradiction,
            message,
            "keep `gauge` for one gauge, `gauges` for one a channel",
        );
    } else if sheet.lacks(&one) && sheet.lacks(&many) {
        let message = "this station names no gauge".to_owned();
        let help = "write gauge = \"ID\" with an id of gauges.toml, or by channel gauges = { \"1\" = \"ID\" }";
        sheet.fault(path, Code::MissingKey, message, help);
    }
    if let Some(id) = &said.gauge {
        known.refer(sheet, &one, "gauge", "gauges.toml", id);
    }
    let channels: BTreeMap<String, String> = said.gauges.clone().unwrap_or_default();
    for (channel, id) in &channels {
        known.refer(sheet, &many.key(channel), "gauge", "gauges.toml", id);
        if let Some((first, _)) = channels.iter().find(|(other, same)| *other < channel && *same == id) {
            let message = format!("gauge `{id}` speaks on channel {first} already");
            sheet.fault(
                &many.key(channel),
                Code::Duplicate,
                message,
                "one gauge has one channel: write the id on its label",
            );
        }
    }
    if said.gauges.is_some() && channels.is_empty() && !sheet.is_faulty(&many) {
        sheet.fault(&many, Code::MissingKey, "`gauges` names no channel".to_owned(), "write { \"1\" = \"ID\" }");
    }
    match (&said.gauge, channels.is_empty()) {
        (Some(id), true) => Some(GaugeBinding::One(id.clone())),
        (None, false) => Some(GaugeBinding::ByChannel(channels)),
        _ => None,
    }
}
