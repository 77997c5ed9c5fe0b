//! USB devices without a kernel driver of their own: which one is meant, and how it is claimed, read and given back.
//!
//! Which devices there are is told by the kernel's files (`tree`); a device is opened by its node, and the USB crate is
//! given the open node. So a refusal has the system's own reason, nothing is scanned, and no socket to the kernel is
//! needed.

use std::fs::File;
use std::io::{self, ErrorKind};
use std::os::fd::AsRawFd;
use std::path::Path;
use std::sync::Once;
use std::time::Duration;

use ridgepost_config::Usb;
use rusb::{Context, DeviceHandle, UsbContext};

use super::holders::holders;
use super::pump::{LOOK, Pipe, Pump};
use crate::store::weaken::Weakened;

pub mod tree;

use tree::Plugged;

/// How long a device may take for a request or for bytes that it is sent.
const TAKES: Duration = Duration::from_secs(2);

/// Opens the interface and begins to read it.
pub(super) async fn open(usb: &Usb) -> Result<Pump, String> {
    let usb = usb.clone();
    let opening = tokio::task::spawn_blocking(move || {
        let found = tree::plugged(Path::new(tree::KERNEL));
        let device = meant(&usb, &found)?;
        let ends = ends(&usb, device)?;
        let claimed = claim(&usb, device, &ends)?;
        Pump::begin(claimed).map_err(|error| error.to_string())
    });
    opening.await.unwrap_or_else(|error| Err(error.to_string()))
}

/// The one device that is meant. Where more than one fits, none is.
pub fn meant<'a>(usb: &Usb, found: &'a [Plugged]) -> Result<&'a Plugged, String> {
    let is_id = |device: &&Plugged| (device.vendor, device.product) == (usb.vendor, usb.product);
    let fits = |device: &&Plugged| {
        let serial = usb.serial.is_none() || usb.serial == device.serial;
        serial && usb.at.as_ref().is_none_or(|at| *at == device.at)
    };
    let of_id: Vec<&Plugged> = found.iter().filter(is_id).collect();
    let named = |devices: &[&Plugged]| {
        let names: Vec<_> = devices.iter().map(|device| format!("{} at {}", device.identity(), device.at)).collect();
        names.join(", ")
    };
    let fitting: Vec<&Plugged> = of_id.iter().copied().filter(fits).collect();
    match (&fitting[..], &of_id[..]) {
        ([one], _) => Ok(one),
        ([], []) => Err("it is not there: is the cable in and the instrument on?".into()),
        ([], others) => Err(format!("it is not there, only {}", named(others))),
        (several, _) => Err(format!(
            "{} devices fit ({}), and none of them is opened: write `serial`, or `at` where they have none",
            several.len(),
            named(several)
        )),
    }
}

/// The endpoints of an interface, and how many bytes a packet has at most.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ends {
    input: u8,
    output: Option<u8>,
    packet: usize,
}

/// The endpoints that are meant.
pub fn ends(usb: &Usb, device: &Plugged) -> Result<Ends, String> {
    let Some(interface) = device.interfaces.get(&usb.interface) else {
        let numbers: Vec<_> = device.interfaces.keys().map(u8::to_string).collect();
        return Err(format!("it has no interface {}, only {}", usb.interface, numbers.join(", ")));
    };
    let one = |key: &str, said: Option<u8>| {
        let all: Vec<u8> = interface.addresses(key == "in").collect();
        let listed: Vec<_> = all.iter().map(|address| format!("{address:#04x}")).collect();
        match (said, &all[..]) {
            (Some(said), all) if all.contains(&said) => Ok(Some(said)),
            (Some(said), _) => Err(format!("it has no endpoint {said:#04x} for `{key}`: {}", listed.join(", "))),
            (None, []) => Ok(None),
            (None, [only]) => Ok(Some(*only)),
            (None, _) => Err(format!("write which endpoint is meant by `{key}`: {}", listed.join(", "))),
        }
    };
    let input = one("in", usb.input)?.ok_or("its interface has no endpoint that bytes come from")?;
    Ok(Ends { input, output: one("out", usb.output)?, packet: interface.endpoints[&input] })
}

/// A claimed interface. Fields are dropped in this order: the kernel's driver gets its interface back, then the node is
/// closed.
struct Claimed {
    handle: DeviceHandle<Context>,
    _node: File,
    ends: Ends,
}

fn claim(usb: &Usb, device: &Plugged, ends: &Ends) -> Result<Claimed, String> {
    static ALONE: Once = Once::new();
    // No scan of its own and no socket to the kernel; to be said before the first context is made.
    ALONE.call_once(|| {
        let _ = rusb::disable_device_discovery();
    });
    let node = File::options().read(true).write(true).open(&device.node);
    let node = node.map_err(|error| why_refused(device, &error))?;
    let context = Context::new().map_err(|error| format!("this system's USB can't be used: {error}"))?;
    #[expect(unsafe_code, reason = "the USB crate takes a node only as a number")]
    // SAFETY: the node is open, and stays so until the handle is gone.
    let handle = unsafe { context.open_device_with_fd(node.as_raw_fd()) };
    let handle = handle.map_err(|error| why_not_claimed(device, error))?;
    let _ = handle.set_auto_detach_kernel_driver(true);
    handle.claim_interface(usb.interface).map_err(|error| why_not_claimed(device, error))?;
    for (number, request) in usb.control.iter().enumerate() {
        let (kind, number) = (request.request_type, number + 1);
        let sent = handle.write_control(kind, request.request, request.value, request.index, &request.data, TAKES);
        sent.map_err(|error| format!("it does not take control request {number}: {error}"))?;
    }
    Ok(Claimed { handle, _node: node, ends: ends.clone() })
}

impl Pipe for Claimed {
    /// One packet: a longer transfer that breaks off takes the packets before with it.
    fn unit(&self) -> usize {
        if Weakened::from_environment() == Weakened::LongTransfers { 128 * self.ends.packet } else { self.ends.packet }
    }

    /// Interrupt endpoints are read like bulk endpoints, which the kernel allows for single transfers.
    fn read(&self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.handle.read_bulk(self.ends.input, buffer, LOOK);
        match read {
            Err(rusb::Error::Timeout) => Ok(0),
            read => read.map_err(|error| self.broken(self.ends.input, error)),
        }
    }

    fn write(&self, bytes: &[u8]) -> io::Result<usize> {
        let Some(output) = self.ends.output else {
            return Err(io::Error::new(ErrorKind::Unsupported, "its interface has no endpoint that takes bytes"));
        };
        let wrote = self.handle.write_bulk(output, bytes, TAKES);
        wrote.map_err(|error| self.broken(output, error))
    }
}

impl Claimed {
    /// What a failed transfer means. A halted endpoint is freed, so that it works once the interface is opened anew.
    fn broken(&self, endpoint: u8, error: rusb::Error) -> io::Error {
        let (kind, words) = match error {
            rusb::Error::Pipe => {
                let freed = self.handle.clear_halt(endpoint);
                let then = if freed.is_ok() { "and was freed" } else { "and can't be freed: pull the plug" };
                (ErrorKind::BrokenPipe, format!("endpoint {endpoint:#04x} halted (the device refused), {then}"))
            }
            rusb::Error::NoDevice => (ErrorKind::NotConnected, "the device is gone".to_owned()),
            rusb::Error::Interrupted => (ErrorKind::Interrupted, String::new()),
            rusb::Error::Timeout => (ErrorKind::TimedOut, "it does not take what it is sent".to_owned()),
            other => (ErrorKind::Other, format!("a transfer on endpoint {endpoint:#04x} failed: {other}")),
        };
        io::Error::new(kind, words)
    }
}

/// The line of a udev rule that lets the service open a device.
pub fn rule(device: &Plugged) -> String {
    format!(
        "SUBSYSTEM==\"usb\", ATTR{{idVendor}}==\"{:04x}\", ATTR{{idProduct}}==\"{:04x}\", GROUP=\"dialout\", MODE=\"0660\"",
        device.vendor, device.product
    )
}

/// Where that line goes, and what to do then.
pub fn cure(device: &Plugged) -> String {
    format!(
        "as root: write {} into /etc/udev/rules.d/71-ridgepost-usb.rules, then `udevadm control --reload`, and plug it in \
         again",
        rule(device)
    )
}

fn why_refused(device: &Plugged, error: &io::Error) -> String {
    let node = device.node.display();
    match error.kind() {
        ErrorKind::PermissionDenied => format!("{node} may not be opened by this user ({error}); {}", cure(device)),
        ErrorKind::NotFound => format!("{node} is not there: this program sees no USB devices"),
        _ => format!("{node}: {error}"),
    }
}

fn why_not_claimed(device: &Plugged, error: rusb::Error) -> String {
    match error {
        rusb::Error::Busy => match holders(&device.node) {
            holders if holders.is_empty() => "another program has the interface: end it".to_owned(),
            holders => format!("the interface is held by {}: end it", holders.join(", ")),
        },
        error => format!("{} can't be claimed: {error}", device.node.display()),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use std::collections::BTreeMap;

    use super::*;

    fn plugged(at: &str, serial: Option<&str>) -> Plugged {
        let endpoints = BTreeMap::from([(0x81, 512), (0x02, 512), (0x83, 8)]);
        let interface = tree::Interface { class: (0xff, 0, 0), endpoints, ..tree::Interface::default() };
        Plugged {
            at: at.into(),
            vendor: 0x1209,
            product: 2,
            serial: serial.map(str::to_owned),
            maker: None,
            name: None,
            node: "/dev/bus/usb/001/002".into(),
            interfaces: BTreeMap::from([(0, interface)]),
        }
    }

    fn usb(change: impl FnOnce(&mut Usb)) -> Usb {
        let mut usb = Usb {
            vendor: 0x1209,
            product: 2,
            serial: None,
            at: None,
            interface: 0,
            input: None,
            output: None,
            control: vec![],
        };
        change(&mut usb);
        usb
    }

    #[test]
    fn of_two_devices_that_fit_neither_is_meant() {
        let found = [plugged("1-1", Some("A1")), plugged("1-2", Some("A2")), plugged("2-1", None)];
        let at = |usb: &Usb| meant(usb, &found).map(|device| device.at.clone());
        assert_eq!(at(&usb(|usb| usb.serial = Some("A2".into()))).unwrap(), "1-2");
        assert_eq!(at(&usb(|usb| usb.at = Some("2-1".into()))).unwrap(), "2-1");
        let why = at(&usb(|_| {})).unwrap_err();
        assert!(why.contains("3 devices fit (1209:0002:A1 at 1-1, 1209:0002:A2 at 1-2, 1209:0002 at 2-1)"), "{why}");
        let why = at(&usb(|usb| usb.serial = Some("A3".into()))).unwrap_err();
        assert!(why.contains("only 1209:0002:A1 at 1-1"), "{why}");
        let why = at(&usb(|usb| usb.product = 3)).unwrap_err();
        assert!(why.contains("is the cable in"), "{why}");
        // A stranger of another serial number in the same socket is a stranger.
        let both = usb(|usb| (usb.serial, usb.at) = (Some("A2".into()), Some("1-1".into())));
        assert!(at(&both).is_err());
    }

    #[test]
    fn an_endpoint_that_is_not_named_must_be_the_only_one() {
        let device = plugged("1-1", None);
        let why = ends(&usb(|_| {}), &device).unwrap_err();
        assert!(why.contains("`in`: 0x81, 0x83"), "{why}");
        let named = ends(&usb(|usb| usb.input = Some(0x83)), &device);
        assert_eq!(named, Ok(Ends { input: 0x83, output: Some(2), packet: 8 }));
        assert!(ends(&usb(|usb| usb.input = Some(0x84)), &device).unwrap_err().contains("no endpoint 0x84"));
        assert!(ends(&usb(|usb| usb.interface = 1), &device).unwrap_err().contains("no interface 1, only 0"));
    }

    #[test]
    fn the_rule_that_is_told_names_the_device() {
        let told = why_refused(&plugged("1-1", None), &ErrorKind::PermissionDenied.into());
        assert!(told.contains("ATTR{idVendor}==\"1209\", ATTR{idProduct}==\"0002\", GROUP=\"dialout\""), "{told}");
    }
}
