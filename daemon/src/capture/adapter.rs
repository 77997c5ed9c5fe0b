//! Which serial port is meant, where adapters may look alike: of two that fit, none is opened.
//!
//! A link under /dev/serial/by-id is made of what an adapter says of itself. Of two that say the same, both want the one
//! link, and which of them has it depends on which was plugged in last; a reading would be another gauge's.

use std::path::{Path, PathBuf};

use ridgepost_config::{PortAt, Usb};

use super::usb::{self, tree};
use tree::Plugged;

/// Where udev keeps links that are made of what adapters say of themselves.
const BY_IDENTITY: &str = "/dev/serial/by-id";

/// The node to be opened now; why there is none is for people.
pub fn node(at: &PortAt) -> Result<PathBuf, String> {
    match at {
        PortAt::Adapter(adapter) => port_of(adapter, &tree::plugged(Path::new(tree::KERNEL))),
        PortAt::Path(path) if path.starts_with(BY_IDENTITY) => {
            if let Ok(node) = std::fs::canonicalize(path) {
                unmistakable(&node, &tree::plugged(Path::new(tree::KERNEL)))?;
            }
            Ok(path.clone())
        }
        PortAt::Path(path) => Ok(path.clone()),
    }
}

/// The one port of the one adapter that is meant.
fn port_of(adapter: &Usb, found: &[Plugged]) -> Result<PathBuf, String> {
    let device = usb::meant(adapter, found)?;
    let ports = device.interfaces.get(&adapter.interface).map(|interface| &interface.ports[..]).unwrap_or_default();
    match ports {
        [one] => Ok(one.clone()),
        [] => {
            let with = device.interfaces.iter().filter(|(_, interface)| !interface.ports.is_empty());
            let numbers: Vec<_> = with.map(|(number, _)| number.to_string()).collect();
            match numbers.is_empty() {
                true => Err("it is there and no driver has made a serial port of it (yet)".into()),
                false => Err(format!(
                    "its interface {} has no serial port: write `interface` = {}",
                    adapter.interface,
                    numbers.join(" or ")
                )),
            }
        }
        several => {
            let names: Vec<_> = several.iter().map(|port| port.display().to_string()).collect();
            Err(format!(
                "its interface has several ports ({}), and none of them is opened: write their `path` under \
                 /dev/serial/by-path",
                names.join(", ")
            ))
        }
    }
}

/// Whether no other adapter says of itself what this port's adapter says.
pub fn unmistakable(node: &Path, found: &[Plugged]) -> Result<(), String> {
    let has = |device: &Plugged, node: &Path| {
        device.interfaces.iter().find(|(_, interface)| interface.ports.iter().any(|port| port == node)).map(|(n, _)| *n)
    };
    let Some((own, interface)) = found.iter().find_map(|device| Some((device, has(device, node)?))) else {
        return Ok(());
    };
    let alike = |device: &&Plugged| {
        let is_port = device.interfaces.get(&interface).is_some_and(|interface| !interface.ports.is_empty());
        is_port && device.identity() == own.identity()
    };
    let places: Vec<_> = found.iter().filter(alike).map(|device| device.at.clone()).collect();
    if places.len() < 2 {
        return Ok(());
    }
    Err(format!(
        "{} adapters say of themselves that they are {} (in sockets {}), and none of them is opened: give the path under \
         /dev/serial/by-path, or usb = {{ id = ..., at = ... }}",
        places.len(),
        own.identity(),
        places.join(" and ")
    ))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, reason = "a test that can't go on should stop")]
    use std::collections::BTreeMap;

    use super::*;

    /// An adapter in a socket, with the ports of its interface 0.
    fn adapter(at: &str, serial: Option<&str>, ports: &[&str]) -> Plugged {
        let ports = ports.iter().map(PathBuf::from).collect();
        let interface = tree::Interface { is_serial: true, ports, ..tree::Interface::default() };
        Plugged {
            at: at.into(),
            vendor: 0x1209,
            product: 1,
            serial: serial.map(str::to_owned),
            maker: None,
            name: None,
            node: "/dev/bus/usb/001/002".into(),
            interfaces: BTreeMap::from([(0, interface)]),
        }
    }

    fn meant(serial: Option<&str>, at: Option<&str>, interface: u8) -> Usb {
        let (serial, at) = (serial.map(str::to_owned), at.map(str::to_owned));
        Usb { vendor: 0x1209, product: 1, serial, at, interface, input: None, output: None, control: vec![] }
    }

    /// Which adapter, and the port that is opened or a part of what is told.
    #[test]
    fn a_port_is_found_by_its_adapter_or_not_opened() {
        let found = [
            adapter("1-1", Some("A1"), &["/dev/ttyUSB0"]),
            adapter("1-2", None, &["/dev/ttyUSB1"]),
            adapter("1-3", None, &["/dev/ttyUSB2"]),
            adapter("1-4", Some("A4"), &[]),
            adapter("1-5", Some("A5"), &["/dev/ttyUSB3", "/dev/ttyUSB4"]),
        ];
        for (serial, at, interface, expected) in [
            (Some("A1"), None, 0, Ok("/dev/ttyUSB0")),
            (None, Some("1-3"), 0, Ok("/dev/ttyUSB2")),
            (None, None, 0, Err("5 devices fit")),
            (Some("A1"), None, 1, Err("write `interface` = 0")),
            (Some("A4"), None, 0, Err("no driver has made a serial port of it")),
            (Some("A5"), None, 0, Err("(/dev/ttyUSB3, /dev/ttyUSB4), and none of them")),
            (Some("A9"), None, 0, Err("it is not there, only 1209:0001:A1 at 1-1")),
        ] {
            let node = port_of(&meant(serial, at, interface), &found);
            match (node, expected) {
                (Ok(node), Ok(expected)) => assert_eq!(node, Path::new(expected)),
                (Err(why), Err(part)) => assert!(why.contains(part), "{why}"),
                (node, expected) => panic!("{node:?}, not {expected:?}"),
            }
        }
    }

    #[test]
    fn a_link_that_two_adapters_claim_is_not_opened() {
        let found = [
            adapter("1-1", Some("A1"), &["/dev/ttyUSB0"]),
            adapter("1-2", None, &["/dev/ttyUSB1"]),
            adapter("1-3", None, &["/dev/ttyUSB2"]),
        ];
        for node in ["/dev/ttyUSB0", "/dev/ttyS0"] {
            assert_eq!(unmistakable(Path::new(node), &found), Ok(()));
        }
        for node in ["/dev/ttyUSB1", "/dev/ttyUSB2"] {
            let why = unmistakable(Path::new(node), &found).unwrap_err();
            assert!(why.contains("2 adapters") && why.contains("1209:0001 (in sockets 1-2 and 1-3)"), "{why}");
        }
        assert_eq!(unmistakable(Path::new("/dev/ttyUSB1"), &found[..2]), Ok(()));
    }
}
