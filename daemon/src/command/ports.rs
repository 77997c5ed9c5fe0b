//! `ridgepost ports`: every serial device with a name that stays, who holds it, what to do if it may not be
//! opened, and the TOML for it.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use rustix::fs::{Access, access};
use serde_json::{Value as Json, json};
use serialport::{SerialPortType, UsbPortInfo};

use super::out::{Out, shown};
use crate::exit::Exit;

/// Lists serial devices; none is an answer too.
pub fn ports(as_json: bool, out: &mut Out) -> Exit {
    let ports = match serialport::available_ports() {
        Ok(ports) => ports,
        Err(error) => {
            out.complain(&format!("the system's serial devices can't be listed: {error}"));
            return Exit::Unusable;
        }
    };
    let links = stable_links();
    let mut shown_any = false;
    for port in ports {
        let device = PathBuf::from(&port.port_name);
        let described = describe(&device, &port.port_type, links.get(&device).map(Vec::as_slice).unwrap_or_default());
        shown_any = true;
        match as_json {
            true => out.json(&described),
            false => tell(&described, out),
        }
    }
    if !shown_any && !as_json {
        out.say("no serial device found: is the cable in? A USB adapter appears as /dev/ttyUSB0 or /dev/ttyACM0");
    }
    Exit::Done
}

/// Links of udev that keep pointing at the same device or socket, by the device they point at now.
fn stable_links() -> BTreeMap<PathBuf, Vec<PathBuf>> {
    let mut links: BTreeMap<PathBuf, Vec<PathBuf>> = BTreeMap::new();
    for folder in ["/dev/serial/by-id", "/dev/serial/by-path"] {
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            if let Ok(device) = fs::canonicalize(entry.path()) {
                links.entry(device).or_default().push(entry.path());
            }
        }
    }
    links
}

fn describe(device: &Path, kind: &SerialPortType, links: &[PathBuf]) -> Json {
    let path = links.first().map_or(device, PathBuf::as_path);
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

/// Programs that have the device open, as far as this user may see.
pub(super) fn holders(device: &Path) -> Vec<String> {
    let mut holders = Vec::new();
    for process in fs::read_dir("/proc").into_iter().flatten().flatten() {
        let open = fs::read_dir(process.path().join("fd")).into_iter().flatten().flatten();
        if open.filter_map(|fd| fs::read_link(fd.path()).ok()).any(|target| target == device) {
            let name = fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            holders.push(format!("{} (process {})", name.trim(), process.file_name().to_string_lossy()));
        }
    }
    holders
}

fn tell(port: &Json, out: &mut Out) {
    out.say(&shown(&port["device"]));
    for name in ["usb", "maker", "product", "trouble", "cure"] {
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
}
