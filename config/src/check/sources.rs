//! Where a station listens: exactly one place, which no other station has.

use std::path::{Path as FilePath, PathBuf};

use super::devices::{read_device, read_usb, shared_usb};
use super::resolve;
use super::stations::at;
use crate::diagnostic::Code;
use crate::document::Path;
use crate::pattern::overlap;
use crate::plan::{Flow, Folder, Keyboard, Parity, Port, PortAt, Source, Stream, Tcp, WhenRecorded};
use crate::said::{DecimalWord, FolderSaid, KeyboardSaid, OrdersSaid, PortSaid, StationSaid, TcpSaid};
use crate::sheet::Sheet;
use crate::way::Way;

/// Names of kernel devices that change with the order of plugging.
const UNSTABLE: [&str; 3] = ["/dev/ttyUSB", "/dev/ttyACM", "/dev/input/event"];

/// The keys of a station that say where it listens.
const KINDS: [&str; 6] = ["port", "tcp", "device", "usb", "keyboard", "folder"];

/// The one place where a station listens.
pub(super) fn source(sheet: &mut Sheet, path: &Path, said: &StationSaid, cell_dir: &FilePath) -> Option<Source> {
    let written: Vec<&str> = KINDS.into_iter().filter(|kind| sheet.has(&path.key(kind))).collect();
    if let [first, second, ..] = written[..] {
        let message = format!("`{first}` and `{second}` are both there");
        let help = "a station listens to one: make two stations of it";
        sheet.fault_of_key(&path.key(second), Code::Contradiction, message, help);
    } else if KINDS.iter().all(|kind| sheet.lacks(&path.key(kind))) {
        let message = format!("this station has none of {}", KINDS.map(|kind| format!("`{kind}`")).join(", "));
        sheet.fault(
            path,
            Code::MissingKey,
            message,
            "write port = { path = \"/dev/serial/by-id/...\", baud = 9600 }, tcp = { host = \"...\", port = 4001 }, keyboard = \
             { path = \"/dev/input/by-id/...\", layout = \"us\" } or folder = { path = \"...\" }; `ridgepost ports` lists what \
             is plugged in",
        );
    }
    let port = said.port.as_ref().and_then(|said| read_port(sheet, &path.key("port"), said, cell_dir));
    let tcp = said.tcp.as_ref().and_then(|said| read_tcp(sheet, &path.key("tcp"), said));
    let folder = said.folder.as_ref().and_then(|said| read_folder(sheet, &path.key("folder"), said, cell_dir));
    let device = said.device.as_ref().and_then(|said| read_device(sheet, &path.key("device"), said, cell_dir));
    let usb = said.usb.as_ref().and_then(|said| read_usb(sheet, &path.key("usb"), said));
    let stream = port.map(Stream::Port).or(tcp.map(Stream::Tcp));
    let stream = stream.or(device.map(Stream::Device)).or(usb.map(Stream::Usb));
    let keyboard = said.keyboard.as_ref().and_then(|said| read_keyboard(sheet, &path.key("keyboard"), said, cell_dir));
    let stream = stream.or(keyboard.map(Stream::Keyboard));
    stream.map(Source::Stream).or(folder.map(Source::Folder))
}

fn read_port(sheet: &mut Sheet, path: &Path, said: &PortSaid, cell_dir: &FilePath) -> Option<Port> {
    let at = port_at(sheet, path, said, cell_dir);
    Some(Port {
        at: at?,
        baud: said.baud?,
        data_bits: said.data_bits.unwrap_or(8),
        parity: said.parity.unwrap_or(Parity::None),
        stop_bits: said.stop_bits.unwrap_or(1),
        flow: said.flow.unwrap_or(Flow::None),
        dtr: said.dtr,
        rts: said.rts,
    })
}

/// The port that is meant: by its node or by its adapter.
fn port_at(sheet: &mut Sheet, path: &Path, said: &PortSaid, cell_dir: &FilePath) -> Option<PortAt> {
    let by_node = said.path.as_ref().map(|node| {
        warn_of_unstable(sheet, path, node, "/dev/serial");
        PortAt::Path(resolve(cell_dir, node))
    });
    let adapter = said.usb.as_ref().map(|said| read_usb(sheet, &path.key("usb"), &said.as_usb()));
    if by_node.is_some() && adapter.is_some() {
        let help = "one of them says which port is meant: leave the other out";
        sheet.fault_of_key(&path.key("usb"), Code::Contradiction, "`path` and `usb` are both there".into(), help);
    } else if sheet.lacks(&path.key("path")) && sheet.lacks(&path.key("usb")) {
        let help = "write path = \"/dev/serial/by-id/...\" or usb = { id = \"...\", serial = \"...\" }; `ridgepost ports` shows both";
        sheet.fault(path, Code::MissingKey, "this port has neither `path` nor `usb`".into(), help);
    }
    by_node.or(adapter.flatten().map(PortAt::Adapter))
}

/// Says where a name changes with the order of plugging.
fn warn_of_unstable(sheet: &mut Sheet, path: &Path, device: &str, stable: &str) {
    if UNSTABLE.iter().any(|prefix| device.starts_with(prefix)) {
        let message = format!("`{device}` may be another device after the next plugging in");
        let help = format!("write a stable name under {stable}/by-id or by-path; `ridgepost ports` lists them");
        sheet.warn(&path.key("path"), Code::AmbiguousPort, message, &help);
    }
}

fn read_keyboard(sheet: &mut Sheet, path: &Path, said: &KeyboardSaid, cell_dir: &FilePath) -> Option<Keyboard> {
    let device = said.path.as_ref()?;
    warn_of_unstable(sheet, path, device, "/dev/input");
    let keypad_decimal = said.keypad_decimal.map(|decimal| match decimal {
        DecimalWord::Point => '.',
        DecimalWord::Comma => ',',
    });
    Some(Keyboard { path: resolve(cell_dir, device), layout: said.layout?, keypad_decimal })
}

fn marker(sheet: &mut Sheet, path: &Path, said: Option<&String>) {
    if let Some(marker) = said.filter(|marker| marker.contains('/')) {
        let message = format!("`{marker}` is not a file in the folder");
        let help = "write the name of a file that lies in `path` itself";
        sheet.fault(&path.key("marker"), Code::WrongValue, message, help);
    }
}

/// The folder that another system puts job files into.
pub(crate) fn orders(sheet: &mut Sheet, said: Option<&OrdersSaid>, cell_dir: &FilePath) -> Option<Folder> {
    let said = said?;
    marker(sheet, &Path::top().key("orders"), said.marker.as_ref());
    Some(Folder {
        path: resolve(cell_dir, said.path.as_ref()?),
        pattern: "*".to_owned(),
        subfolders: false,
        marker: said.marker.clone(),
        says: None,
        grows: false,
        when_recorded: WhenRecorded::Archive,
        settle_ms: said.settle_ms.unwrap_or(2000),
    })
}

/// What the way to a file says, where that can be read.
fn way(sheet: &mut Sheet, path: &Path, text: &str, subfolders: bool) -> Option<Way> {
    let path = path.key("says");
    match Way::new(text) {
        Ok(way) if way.depth() > 0 && !subfolders => {
            let message = format!("`{text}` is about folders inside, and these are not looked into");
            sheet.fault(&path, Code::Contradiction, message, "write subfolders = true");
            None
        }
        Ok(way) => Some(way),
        Err(why) => {
            let message = format!("`{text}` can't be read: {why}");
            sheet.fault(&path, Code::WrongValue, message, "as in \"{job}/{part}/*.csv\"");
            None
        }
    }
}

fn read_folder(sheet: &mut Sheet, path: &Path, said: &FolderSaid, cell_dir: &FilePath) -> Option<Folder> {
    let pattern = said.pattern.clone().unwrap_or_else(|| "*".to_owned());
    if pattern.contains('/') {
        let message = format!("`{pattern}` reaches into other folders");
        sheet.fault(
            &path.key("pattern"),
            Code::WrongValue,
            message,
            "a pattern is about names of files: write the folder as `path`, or subfolders = true",
        );
    }
    marker(sheet, path, said.marker.as_ref());
    let says = said.says.as_ref().and_then(|text| way(sheet, path, text, said.subfolders == Some(true)));
    let grows = said.grows == Some(true);
    if grows && said.when_recorded.is_some_and(|then| then != WhenRecorded::Leave) {
        let message = "a file that grows is never recorded to its end, so it is not moved or deleted".to_owned();
        let help = "leave `when_recorded` out: files that grow stay where they are";
        sheet.fault_of_key(&path.key("when_recorded"), Code::Contradiction, message, help);
    }
    let otherwise = if grows { WhenRecorded::Leave } else { WhenRecorded::Archive };
    Some(Folder {
        path: resolve(cell_dir, said.path.as_ref()?),
        pattern,
        subfolders: said.subfolders.unwrap_or(false),
        marker: said.marker.clone(),
        says,
        grows,
        when_recorded: said.when_recorded.unwrap_or(otherwise),
        settle_ms: said.settle_ms.unwrap_or(2000),
    })
}

fn read_tcp(sheet: &mut Sheet, path: &Path, said: &TcpSaid) -> Option<Tcp> {
    let written = said.host.as_ref()?;
    let host = plain_host(written);
    let address = host.split('%').next().unwrap_or_default();
    let is_number = address.parse::<std::net::IpAddr>().is_ok();
    let is_name = |host: &str| {
        host.split('.').all(|label| {
            let plain = label.chars().all(|char| char.is_alphanumeric() || matches!(char, '-' | '_'));
            plain && !label.is_empty()
        })
    };
    if !is_number && (host.contains('%') || !is_name(&host)) {
        let help = "write a name or an address alone, as in host = \"10.0.0.7\", port = 4001";
        sheet.fault(&path.key("host"), Code::WrongValue, format!("`{written}` is no name of a host"), help);
    } else if address.to_lowercase().starts_with("fe80:") && !host.contains('%') {
        let message = format!("`{written}` is an address of one network, and this PC may be in more than one");
        sheet.fault(&path.key("host"), Code::WrongValue, message, "name the interface: \"fe80::1%eth0\"");
    }
    Some(Tcp {
        host,
        port: said.port?,
        connect_ms: said.connect_ms.unwrap_or(1500),
        keep_alive_s: said.keep_alive_s.unwrap_or(15),
    })
}

/// A host as it is compared: an address in its plain form, a name in lower case.
fn plain_host(written: &str) -> String {
    let bare = written.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(written);
    match bare.parse::<std::net::IpAddr>() {
        Ok(address) => address.to_string(),
        Err(_) => bare.strip_suffix('.').unwrap_or(bare).to_lowercase(),
    }
}

/// Tells every place that two stations ask for.
pub(super) fn shared(sheet: &mut Sheet, said: &[StationSaid], cell_dir: &FilePath) {
    shared_streams(sheet, said, "port", "path", |said| {
        Some(resolve(cell_dir, said.port.as_ref()?.path.as_ref()?).display().to_string())
    });
    shared_streams(sheet, said, "keyboard", "path", |said| {
        Some(resolve(cell_dir, said.keyboard.as_ref()?.path.as_ref()?).display().to_string())
    });
    shared_streams(sheet, said, "tcp", "port", |said| {
        let tcp = said.tcp.as_ref()?;
        let host = plain_host(tcp.host.as_ref()?);
        Some(Tcp { host, port: tcp.port?, connect_ms: 0, keep_alive_s: 0 }.place())
    });
    shared_streams(sheet, said, "device", "path", |said| {
        Some(resolve(cell_dir, said.device.as_ref()?.path.as_ref()?).display().to_string())
    });
    shared_usb(sheet, said, ("usb", "id"), |said| said.usb.clone());
    shared_usb(sheet, said, ("port", "usb"), |said| Some(said.port.as_ref()?.usb.as_ref()?.as_usb()));
    shared_folders(sheet, said, cell_dir);
}

/// A device belongs to one station. Names are compared as texts: a link and its target can't be told here.
fn shared_streams(
    sheet: &mut Sheet,
    said: &[StationSaid],
    kind: &str,
    key: &str,
    place: impl Fn(&StationSaid) -> Option<String>,
) {
    let places: Vec<Option<String>> = said.iter().map(place).collect();
    for (index, place) in places.iter().enumerate() {
        let Some(place) = place else { continue };
        if let Some(first) = places[..index].iter().position(|other| other.as_ref() == Some(place)) {
            tell_shared(sheet, said, (kind, key), (first, index), place);
        }
    }
}

/// A file belongs to one station: patterns of two stations in one folder, or in folders of which one is read as a
/// subfolder of the other's, must not claim one name.
fn shared_folders(sheet: &mut Sheet, said: &[StationSaid], cell_dir: &FilePath) {
    let folder = |said: &StationSaid| {
        let folder = said.folder.as_ref()?;
        let pattern = folder.pattern.clone().unwrap_or_else(|| "*".to_owned());
        Some((resolve(cell_dir, folder.path.as_ref()?), pattern, folder.subfolders == Some(true)))
    };
    let folders: Vec<_> = said.iter().map(folder).collect();
    for (index, here) in folders.iter().enumerate() {
        let Some((path, pattern, deep)) = here else { continue };
        let claims = |other: &Option<(PathBuf, String, bool)>| {
            other.as_ref().is_some_and(|(folder, claimed, other_deep)| {
                let meet =
                    folder == path || *other_deep && path.starts_with(folder) || *deep && folder.starts_with(path);
                meet && overlap(claimed, pattern)
            })
        };
        if let Some(first) = folders[..index].iter().position(claims) {
            tell_shared(sheet, said, ("folder", "path"), (first, index), &format!("{} ({pattern})", path.display()));
        }
    }
}

pub(super) fn tell_shared(
    sheet: &mut Sheet,
    said: &[StationSaid],
    (kind, key): (&str, &str),
    (first, second): (usize, usize),
    place: &str,
) {
    let key = |index: usize| at(index).key(kind).key(key);
    let line = sheet.line(&key(first));
    let name = said[first].name.clone().unwrap_or_else(|| at(first).to_string());
    let message = format!("{kind} {place} is listened to by station `{name}` already, on line {line}");
    let help = match kind {
        "folder" => "neither is read until folders or patterns differ so that no name fits both",
        _ => "neither is opened until one of them names another place",
    };
    sheet.fault(&key(second), Code::AmbiguousPort, message, help);
    sheet.blame(&at(first));
}
