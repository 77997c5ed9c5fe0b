//! Stations: each has one instrument, one gauge (or one a channel) and one port or folder that no other station has.

use std::collections::BTreeMap;
use std::path::{Path as FilePath, PathBuf};

use super::instruments::Library;
use super::{Names, duplicates, plain_name, resolve};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::pattern::overlap;
use crate::plan::{Flow, Folder, GaugeBinding, Parity, Port, Source, Station, WhenRecorded};
use crate::said::{FolderSaid, PortSaid, StationSaid};
use crate::sheet::Sheet;

/// Names of kernel devices that change with the order of plugging.
const UNSTABLE: [&str; 2] = ["/dev/ttyUSB", "/dev/ttyACM"];

fn at(index: usize) -> Path {
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
    shared_ports(sheet, said, cell_dir);
    shared_folders(sheet, said, cell_dir);
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
    let gauge = gauge(sheet, path, said, gauges);
    let source = source(sheet, path, said, cell_dir);
    let (instrument, definition) = library.get(said.instrument.as_deref()?)?;
    Some(Station { name: said.name.clone()?, instrument, definition, gauge: gauge?, source: source? })
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

fn source(sheet: &mut Sheet, path: &Path, said: &StationSaid, cell_dir: &FilePath) -> Option<Source> {
    let (port, folder) = (path.key("port"), path.key("folder"));
    if sheet.has(&port) && sheet.has(&folder) {
        let message = "`port` and `folder` are both there".to_owned();
        sheet.fault_of_key(&folder, Code::Contradiction, message, "a station listens to one: make two stations of it");
    } else if sheet.lacks(&port) && sheet.lacks(&folder) {
        let message = "this station has neither `port` nor `folder`".to_owned();
        sheet.fault(
            path,
            Code::MissingKey,
            message,
            "write port = { path = \"/dev/serial/by-id/...\", baud = 9600 } or folder = { path = \"...\" }",
        );
    }
    let port = said.port.as_ref().and_then(|said| read_port(sheet, &port, said, cell_dir));
    let folder = said.folder.as_ref().and_then(|said| read_folder(sheet, &folder, said, cell_dir));
    port.map(Source::Port).or(folder.map(Source::Folder))
}

fn read_port(sheet: &mut Sheet, path: &Path, said: &PortSaid, cell_dir: &FilePath) -> Option<Port> {
    let device = said.path.as_ref()?;
    if UNSTABLE.iter().any(|prefix| device.starts_with(prefix)) {
        let message = format!("`{device}` may be another adapter after the next plugging in");
        sheet.warn(
            &path.key("path"),
            Code::AmbiguousPort,
            message,
            "write a stable name under /dev/serial/by-id or by-path; `ridgepost ports` lists them",
        );
    }
    Some(Port {
        path: resolve(cell_dir, device),
        baud: said.baud?,
        data_bits: said.data_bits.unwrap_or(8),
        parity: said.parity.unwrap_or(Parity::None),
        stop_bits: said.stop_bits.unwrap_or(1),
        flow: said.flow.unwrap_or(Flow::None),
        dtr: said.dtr,
        rts: said.rts,
    })
}

fn read_folder(sheet: &mut Sheet, path: &Path, said: &FolderSaid, cell_dir: &FilePath) -> Option<Folder> {
    let pattern = said.pattern.clone().unwrap_or_else(|| "*".to_owned());
    if pattern.contains('/') {
        let message = format!("`{pattern}` reaches into other folders");
        sheet.fault(
            &path.key("pattern"),
            Code::WrongValue,
            message,
            "a pattern is about names in `path` only: write the folder there",
        );
    }
    Some(Folder {
        path: resolve(cell_dir, said.path.as_ref()?),
        pattern,
        when_recorded: said.when_recorded.unwrap_or(WhenRecorded::Archive),
        settle_ms: said.settle_ms.unwrap_or(2000),
    })
}

/// A port belongs to one station. Names are compared as texts: a link and its target can't be told here.
fn shared_ports(sheet: &mut Sheet, said: &[StationSaid], cell_dir: &FilePath) {
    let port = |said: &StationSaid| Some(resolve(cell_dir, said.port.as_ref()?.path.as_ref()?));
    let ports: Vec<Option<PathBuf>> = said.iter().map(port).collect();
    for (index, port) in ports.iter().enumerate() {
        let Some(port) = port else { continue };
        if let Some(first) = ports[..index].iter().position(|other| other.as_ref() == Some(port)) {
            shared(sheet, said, "port", first, index, port.display().to_string());
        }
    }
}

/// A file belongs to one station: patterns of two stations in one folder must not claim one name.
fn shared_folders(sheet: &mut Sheet, said: &[StationSaid], cell_dir: &FilePath) {
    let folder = |said: &StationSaid| {
        let folder = said.folder.as_ref()?;
        Some((resolve(cell_dir, folder.path.as_ref()?), folder.pattern.clone().unwrap_or_else(|| "*".to_owned())))
    };
    let folders: Vec<_> = said.iter().map(folder).collect();
    for (index, here) in folders.iter().enumerate() {
        let Some((path, pattern)) = here else { continue };
        let claims = |other: &Option<(PathBuf, String)>| {
            other.as_ref().is_some_and(|(folder, claimed)| folder == path && overlap(claimed, pattern))
        };
        if let Some(first) = folders[..index].iter().position(claims) {
            shared(sheet, said, "folder", first, index, format!("{} ({pattern})", path.display()));
        }
    }
}

fn shared(sheet: &mut Sheet, said: &[StationSaid], kind: &str, first: usize, second: usize, place: String) {
    let key = |index: usize| at(index).key(kind).key("path");
    let line = sheet.line(&key(first));
    let name = said[first].name.clone().unwrap_or_else(|| at(first).to_string());
    let message = format!("{kind} {place} is listened to by station `{name}` already, on line {line}");
    let help = match kind {
        "port" => "neither is opened until one of them names another port",
        _ => "neither is read until folders or patterns differ so that no name fits both",
    };
    sheet.fault(&key(second), Code::AmbiguousPort, message, help);
    sheet.blame(&at(first));
}
