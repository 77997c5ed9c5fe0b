//! What is plugged into this PC's USB, as the kernel tells everybody: no device is opened for it, so no permission is
//! needed.
//!
//! Files and their meaning: Documentation/ABI/testing/sysfs-bus-usb and sysfs-devices of the kernel; fields by USB 2.0,
//! 9.6.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Where the kernel lists devices and interfaces of USB.
pub const KERNEL: &str = "/sys/bus/usb/devices";
/// Where the nodes lie that devices are opened by.
pub const NODES: &str = "/dev/bus/usb";

/// A device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plugged {
    /// The socket it is plugged into, by the kernel's name: `1-1.2`.
    pub at: String,
    /// idVendor.
    pub vendor: u16,
    /// idProduct.
    pub product: u16,
    /// Its serial number.
    pub serial: Option<String>,
    /// Who made it, as it says itself.
    pub maker: Option<String>,
    /// What it is, as it says itself.
    pub name: Option<String>,
    /// The node it is opened by.
    pub node: PathBuf,
    /// Its interfaces, by number.
    pub interfaces: BTreeMap<u8, Interface>,
}

/// An interface in its setting of now.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Interface {
    /// bInterfaceClass, bInterfaceSubClass, bInterfaceProtocol.
    pub class: (u8, u8, u8),
    /// The kernel driver that has it.
    pub driver: Option<String>,
    /// Nodes that its driver made, without terminals.
    pub nodes: Vec<PathBuf>,
    /// Serial ports that its driver made.
    pub ports: Vec<PathBuf>,
    /// Whether it is a serial port, or a part of one.
    pub is_serial: bool,
    /// Endpoints that carry bytes one after the other (bulk or interrupt): address, and bytes of a packet at most.
    pub endpoints: BTreeMap<u8, usize>,
}

impl Plugged {
    /// Vendor, product and serial number as people write them.
    pub fn identity(&self) -> String {
        let serial = self.serial.as_ref().map(|serial| format!(":{serial}")).unwrap_or_default();
        format!("{:04x}:{:04x}{serial}", self.vendor, self.product)
    }
}

impl Interface {
    /// Addresses of the endpoints that lead to this PC, or away from it.
    pub fn addresses(&self, inwards: bool) -> impl Iterator<Item = u8> {
        self.endpoints.keys().copied().filter(move |address| (address & 0x80 != 0) == inwards)
    }
}

/// Every device below `root`, in the order of its sockets' names. What can't be read is left out.
pub fn plugged(root: &Path) -> Vec<Plugged> {
    let mut found: Vec<Plugged> =
        fs::read_dir(root).into_iter().flatten().flatten().filter_map(|entry| device(&entry.path())).collect();
    found.sort_by(|one, two| one.at.cmp(&two.at));
    found
}

fn device(folder: &Path) -> Option<Plugged> {
    let number = |name: &str| text(folder, name)?.parse::<u16>().ok();
    let (bus, place) = (number("busnum")?, number("devnum")?);
    let interfaces = fs::read_dir(folder).into_iter().flatten().flatten();
    Some(Plugged {
        at: folder.file_name()?.to_str()?.to_owned(),
        vendor: hex(folder, "idVendor")?,
        product: hex(folder, "idProduct")?,
        serial: text(folder, "serial"),
        maker: text(folder, "manufacturer"),
        name: text(folder, "product"),
        node: Path::new(NODES).join(format!("{bus:03}")).join(format!("{place:03}")),
        interfaces: interfaces.filter_map(|entry| interface(&entry.path())).collect(),
    })
}

fn interface(folder: &Path) -> Option<(u8, Interface)> {
    let byte = |name: &str| hex(folder, name).and_then(|number| u8::try_from(number).ok());
    let number = byte("bInterfaceNumber")?;
    let driver = fs::read_link(folder.join("driver")).ok();
    let driver = driver.and_then(|link| Some(link.file_name()?.to_str()?.to_owned()));
    let mut interface = Interface {
        class: (byte("bInterfaceClass")?, byte("bInterfaceSubClass")?, byte("bInterfaceProtocol")?),
        is_serial: driver.as_deref() == Some("cdc_acm") || folder.join("tty").is_dir(),
        driver,
        ..Interface::default()
    };
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with("ttyUSB") {
            interface.is_serial = true;
            interface.ports.push(Path::new("/dev").join(&name));
        }
        if name.starts_with("ep_") {
            interface.endpoints.extend(endpoint(&entry.path()));
        }
    }
    for entry in fs::read_dir(folder.join("tty")).into_iter().flatten().flatten() {
        interface.ports.push(Path::new("/dev").join(entry.file_name()));
    }
    interface.ports.sort();
    for entry in fs::read_dir(folder.join("usbmisc")).into_iter().flatten().flatten() {
        interface.nodes.push(Path::new("/dev").join(entry.file_name()));
    }
    Some((number, interface))
}

fn endpoint(folder: &Path) -> Option<(u8, usize)> {
    let carries = matches!(text(folder, "type")?.as_str(), "Bulk" | "Interrupt");
    let address = u8::try_from(hex(folder, "bEndpointAddress")?).ok()?;
    // Bits 11 and 12 say how often an interrupt endpoint is asked in a microframe.
    let packet = usize::from(hex(folder, "wMaxPacketSize")? & 0x7ff);
    (carries && packet > 0).then_some((address, packet))
}

fn text(folder: &Path, name: &str) -> Option<String> {
    let text = fs::read_to_string(folder.join(name)).ok()?;
    Some(text.trim().to_owned()).filter(|text| !text.is_empty())
}

fn hex(folder: &Path, name: &str) -> Option<u16> {
    u16::from_str_radix(&text(folder, name)?, 16).ok()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    fn write(folder: &Path, files: &[(&str, &str)]) {
        fs::create_dir_all(folder).unwrap();
        for (name, text) in files {
            fs::write(folder.join(name), format!("{text}\n")).unwrap();
        }
    }

    /// Files as a kernel shows them.
    #[test]
    fn devices_are_read_as_the_kernel_shows_them() {
        let root = tempfile::tempdir().unwrap();
        let device = root.path().join("1-1.2");
        let ids = [("idVendor", "1209"), ("idProduct", "0002"), ("serial", "A1"), ("product", "Gauge")];
        write(&device, &ids);
        write(&device, &[("busnum", "1"), ("devnum", "12")]);
        let interface = device.join("1-1.2:1.0");
        let class = [("bInterfaceClass", "ff"), ("bInterfaceSubClass", "00"), ("bInterfaceProtocol", "01")];
        write(&interface, &class);
        write(&interface, &[("bInterfaceNumber", "00")]);
        let ends =
            [("81", "Bulk", "0200"), ("02", "Bulk", "0200"), ("83", "Interrupt", "1040"), ("84", "Isoc", "0400")];
        for (address, kind, packet) in ends {
            let endpoint = [("bEndpointAddress", address), ("type", kind), ("wMaxPacketSize", packet)];
            write(&interface.join(format!("ep_{address}")), &endpoint);
        }
        // An interface stands beside its device as well, and a hub without interfaces is a device too.
        write(&root.path().join("1-1.2:1.0"), &[("bInterfaceNumber", "00")]);
        write(
            &root.path().join("usb1"),
            &[("idVendor", "1d6b"), ("idProduct", "0002"), ("busnum", "1"), ("devnum", "1")],
        );
        let found = plugged(root.path());
        assert_eq!(found.iter().map(|device| device.at.as_str()).collect::<Vec<_>>(), ["1-1.2", "usb1"]);
        assert_eq!(found[0].identity(), "1209:0002:A1");
        assert_eq!(found[0].node, Path::new("/dev/bus/usb/001/012"));
        let interface = &found[0].interfaces[&0];
        assert_eq!(interface.class, (0xff, 0, 1));
        assert_eq!(interface.endpoints, BTreeMap::from([(0x81, 512), (0x02, 512), (0x83, 64)]));
        assert_eq!(interface.addresses(true).collect::<Vec<_>>(), [0x81, 0x83]);
        assert!(!interface.is_serial);
        // Ports of a serial adapter, and of an instrument that is one itself.
        for (below, node) in [("ttyUSB3/tty/ttyUSB3", "/dev/ttyUSB3"), ("tty/ttyACM0", "/dev/ttyACM0")] {
            let serial = device.join("1-1.2:1.0").join(below);
            fs::create_dir_all(&serial).unwrap();
            let interface = plugged(root.path()).remove(0).interfaces.remove(&0).unwrap();
            assert_eq!((interface.is_serial, interface.ports), (true, vec![PathBuf::from(node)]));
            fs::remove_dir_all(device.join("1-1.2:1.0").join(below.split('/').next().unwrap())).unwrap();
        }
        assert_eq!(plugged(&root.path().join("nothing")), []);
    }
}
