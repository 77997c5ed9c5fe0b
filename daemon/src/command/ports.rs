//! `ridgepost ports`: every serial device, every USB interface that an instrument may talk by and every device that types, with a name that
//! stays, who holds it, what to do if it may not be opened, and the TOML for it.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use rustix::fs::{Access, access};
use serde_json::{Value as Json, json};
use serialport::{SerialPortType, UsbPortInfo};

use super::out::{Out, shown};
use crate::capture::adapter::unmistakable;
use crate::capture::holders::holders;
use crate::capture::inputs::{self, Typing};
use crate::capture::usb::tree::Plugged;
use crate::capture::usb::{self, tree};
use crate::exit::Exit;

/// Lists serial devices, USB interfaces and devices that type; none is an answer too.
pub fn ports(as_json: bool, out: &mut Out) -> Exit {
    let ports = match serialport::available_ports() {
        Ok(ports) => ports,
        Err(error) => {
            out.complain(&format!("the system's serial devices can't be listed: {error}"));
            return Exit::Unusable;
        }
    };
    let links = stable_links();
    let links_of = |device: &Path| links.get(device).map(Vec::as_slice).unwrap_or_default();
    let mut found = Vec::new();
    let plugged = tree::plugged(Path::new(tree::KERNEL));
    for port in ports {
        let device = PathBuf::from(&port.port_name);
        found.push(describe(&device, &port.port_type, links_of(&device), &plugged));
    }
    for device in &plugged {
        let talking = device.interfaces.iter().filter(|(_, interface)| may_talk(interface));
        for (number, interface) in talking {
            match interface.nodes.first() {
                Some(node) => found.push(describe_node(device, node, links_of(node))),
                None => found.push(describe_usb(device, *number, interface)),
            }
        }
    }
    for device in inputs::typing(Path::new(inputs::KERNEL)) {
        found.push(describe_typing(&device, links_of(&device.node)));
    }
    for described in &found {
        match as_json {
            true => out.json(described),
            false => tell(described, out),
        }
    }
    if found.is_empty() && !as_json {
        out.say("no device found: is the cable in? A USB adapter appears as /dev/ttyUSB0 or /dev/ttyACM0");
    }
    Exit::Done
}

/// Links of udev that keep pointing at the same device or socket, by the device they point at now.
fn stable_links() -> BTreeMap<PathBuf, Vec<PathBuf>> {
    let mut links: BTreeMap<PathBuf, Vec<PathBuf>> = BTreeMap::new();
    for folder in
        ["/dev/serial/by-id", "/dev/serial/by-path", "/dev/usbtmc-by-id", "/dev/input/by-id", "/dev/input/by-path"]
    {
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            if let Ok(device) = fs::canonicalize(entry.path()) {
                links.entry(device).or_default().push(entry.path());
            }
        }
    }
    links
}

/// Whether an instrument may talk by an interface: bytes come from it, it is no serial port (those are listed as such),
/// and its class (by the USB-IF's list of defined class codes) is not one for something else.
fn may_talk(interface: &tree::Interface) -> bool {
    const AUDIO: u8 = 0x01;
    const INPUT: u8 = 0x03;
    const STORAGE: u8 = 0x08;
    const HUB: u8 = 0x09;
    const VIDEO: u8 = 0x0e;
    const WIRELESS: u8 = 0xe0;
    // Subclass 1 of input devices: keyboards and mice that a PC knows before its system runs.
    let is_keyboard = interface.class.0 == INPUT && interface.class.1 == 1;
    let is_other = [AUDIO, STORAGE, HUB, VIDEO, WIRELESS].contains(&interface.class.0) || is_keyboard;
    !is_other && !interface.is_serial && interface.addresses(true).next().is_some()
}

/// A device that types.
fn describe_typing(device: &Typing, links: &[PathBuf]) -> Json {
    let may_not = access(&device.node, Access::READ_OK).is_err();
    let path = links.first().map_or(device.node.as_path(), PathBuf::as_path);
    json!({
        "device": device.node,
        "links": links,
        "usb": device.identity(),
        "product": device.name,
        "held_by": holders(&device.node),
        "trouble": may_not.then_some("this user may not open it"),
        "cure": may_not.then(|| device.cure()),
        "note": "if people type on it, leave it: a station takes it for itself alone",
        "toml": format!("keyboard = {{ path = \"{}\", layout = \"us\" }}", path.display()),
    })
}

/// An interface whose driver made a character device.
fn describe_node(device: &tree::Plugged, node: &Path, links: &[PathBuf]) -> Json {
    let trouble = trouble(node);
    json!({
        "device": node,
        "links": links,
        "usb": device.identity(),
        "maker": device.maker,
        "product": device.name,
        "held_by": holders(node),
        "trouble": trouble.as_ref().map(|(trouble, _)| trouble),
        "cure": trouble.as_ref().map(|(_, cure)| cure),
        "toml": format!("device = {{ path = \"{}\" }}", links.first().map_or(node, PathBuf::as_path).display()),
    })
}

/// An interface that has no driver, or one that makes no device of it.
fn describe_usb(device: &tree::Plugged, number: u8, interface: &tree::Interface) -> Json {
    let may_not = access(&device.node, Access::READ_OK | Access::WRITE_OK).is_err();
    let which = match &device.serial {
        Some(serial) => format!("serial = {serial:?}"),
        None => format!("at = \"{}\"", device.at),
    };
    let mut toml =
        format!("usb = {{ id = \"{:04x}:{:04x}\", {which}, interface = {number}", device.vendor, device.product);
    for (key, inwards) in [("in", true), ("out", false)] {
        let addresses: Vec<u8> = interface.addresses(inwards).collect();
        // Of several one has to be chosen, and the first is as good a guess as any.
        if let [first, _, ..] = addresses[..] {
            toml.push_str(&format!(", {key} = {first:#04x}"));
        }
    }
    toml.push_str(" }");
    json!({
        "device": device.node,
        "links": [],
        "usb": device.identity(),
        "maker": device.maker,
        "product": device.name,
        "interface": number,
        "driver": interface.driver,
        "in": interface.addresses(true).map(|address| format!("{address:#04x}")).collect::<Vec<_>>(),
        "out": interface.addresses(false).map(|address| format!("{address:#04x}")).collect::<Vec<_>>(),
        "held_by": holders(&device.node),
        "trouble": may_not.then_some("this user may not open it"),
        "cure": may_not.then(|| usb::cure(device)),
        "toml": toml,
    })
}

fn describe(device: &Path, kind: &SerialPortType, links: &[PathBuf], plugged: &[Plugged]) -> Json {
    let alike = unmistakable(device, plugged).err();
    // A link that several adapters want is none of theirs; one without a serial number is as its twin, plugged in later.
    let of_socket = |link: &&PathBuf| link.starts_with("/dev/serial/by-path");
    let has_serial = matches!(kind, SerialPortType::UsbPort(usb) if usb.serial_number.is_some());
    let stays = if alike.is_some() || !has_serial { links.iter().find(of_socket) } else { None };
    let path = stays.or(links.first()).map_or(device, PathBuf::as_path);
    let adapter = plugged.iter().find_map(|plugged| {
        let mut interfaces = plugged.interfaces.iter();
        let (number, _) = interfaces.find(|(_, interface)| interface.ports == [device.to_owned()])?;
        let which = match &plugged.serial {
            Some(serial) if alike.is_none() => format!("serial = {serial:?}"),
            _ => format!("at = {:?}", plugged.at),
        };
        let id = format!("{:04x}:{:04x}", plugged.vendor, plugged.product);
        Some(format!("port = {{ usb = {{ id = \"{id}\", {which}, interface = {number} }}, baud = 9600 }}"))
    });
    let usb = match kind {
        SerialPortType::UsbPort(usb) => Some(usb),
        _ => None,
    };
    let holders = holders(device);
    let trouble = trouble(device);
    json!({
        "device": device,
        "links": links,
        "usb": usb.map(usb_identity),
        "maker": usb.and_then(|usb| usb.manufacturer.clone()),
        "product": usb.and_then(|usb| usb.product.clone()),
        "held_by": holders,
        "trouble": trouble.as_ref().map(|(trouble, _)| trouble),
        "cure": trouble.as_ref().map(|(_, cure)| cure),
        "note": alike,
        "by_adapter": adapter,
        "toml": format!("port = {{ path = \"{}\", baud = 9600 }}", path.display()),
    })
}

/// `vendor:product:serial`, as it stands in selectors and udev rules.
fn usb_identity(usb: &UsbPortInfo) -> String {
    format!("{:04x}:{:04x}:{}", usb.vid, usb.pid, usb.serial_number.as_deref().unwrap_or(""))
}

/// What keeps this user from opening the device, and the cure.
fn trouble(device: &Path) -> Option<(String, String)> {
    access(device, Access::READ_OK | Access::WRITE_OK).err()?;
    let group = group_of(device).unwrap_or_else(|| "dialout".into());
    Some((
        "this user may not open it".into(),
        format!(
            "as root: usermod -aG {group} USER, then log in again; for the service, a udev rule gives it a group of its own"
        ),
    ))
}

fn group_of(device: &Path) -> Option<String> {
    use std::os::unix::fs::MetadataExt;
    let gid = fs::metadata(device).ok()?.gid().to_string();
    let groups = fs::read_to_string("/etc/group").ok()?;
    groups
        .lines()
        .map(|line| line.split(':').collect::<Vec<_>>())
        .find(|line| line.get(2) == Some(&gid.as_str()))
        .map(|line| line[0].to_owned())
}

fn tell(port: &Json, out: &mut Out) {
    out.say(&shown(&port["device"]));
    for name in ["usb", "maker", "product", "interface", "driver", "note", "trouble", "cure"] {
        if !port[name].is_null() {
            out.say(&format!("    {name}: {}", shown(&port[name])));
        }
    }
    for link in port["links"].as_array().into_iter().flatten() {
        out.say(&format!("    stays the same: {}", shown(link)));
    }
    for holder in port["held_by"].as_array().into_iter().flatten() {
        out.say(&format!("    held by {}", shown(holder)));
    }
    out.say(&format!("    {}", shown(&port["toml"])));
    if !port["by_adapter"].is_null() {
        out.say(&format!("    or {}", shown(&port["by_adapter"])));
    }
}
