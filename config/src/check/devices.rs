//! Devices that are no serial port: what their keys mean together, and who else may mean the same.

use std::path::Path as FilePath;

use super::resolve;
use super::sources::tell_shared;
use crate::diagnostic::Code;
use crate::document::Path;
use crate::plan::{CharDevice, Control, ReadAfter, Usb};
use crate::said::{ControlSaid, DeviceSaid, StationSaid, UsbSaid};
use crate::sheet::Sheet;

/// A character device.
pub(super) fn read_device(
    sheet: &mut Sheet,
    path: &Path,
    said: &DeviceSaid,
    cell_dir: &FilePath,
) -> Option<CharDevice> {
    let node = said.path.as_ref()?;
    let numbered = |prefix: &str| node.strip_prefix(prefix).is_some_and(|rest| rest.parse::<u32>().is_ok());
    if numbered("/dev/usbtmc") {
        let message = format!("`{node}` may be another device after the next plugging in");
        sheet.warn(
            &path.key("path"),
            Code::AmbiguousPort,
            message,
            "write the link that `ridgepost ports` shows; the rules of the package make it",
        );
    }
    if numbered("/dev/ttyUSB") || numbered("/dev/ttyACM") || node.starts_with("/dev/serial/") {
        let message = format!("`{node}` is a serial port");
        let help = "a serial port has line settings: port = { path = \"...\", baud = 9600 }";
        sheet.fault(&path.key("path"), Code::WrongValue, message, help);
    }
    Some(CharDevice {
        path: resolve(cell_dir, node),
        timeout_ms: said.timeout_ms.unwrap_or(5_000),
        read_after: said.read_after.unwrap_or(ReadAfter::Query),
    })
}

/// An interface of a USB device.
pub(super) fn read_usb(sheet: &mut Sheet, path: &Path, said: &UsbSaid) -> Option<Usb> {
    let id = said.id.as_ref()?;
    let ids = ids(id);
    if ids.is_none() {
        let help =
            "vendor and product in four hexadecimal digits each, as in \"1209:0002\"; `ridgepost ports` shows them";
        sheet.fault(&path.key("id"), Code::WrongValue, format!("`{id}` is no id of a USB device"), help);
    }
    if let Some(at) = said.at.as_ref().filter(|at| !is_socket(at)) {
        let help = "as the kernel names it: bus-socket, sockets of hubs behind points, as in \"1-1.2\"";
        sheet.fault(&path.key("at"), Code::WrongValue, format!("`{at}` is no socket"), help);
    }
    for (key, said, inwards) in [("in", said.input, true), ("out", said.output, false)] {
        let Some(address) = said.filter(|address| (address & 0x80 != 0) != inwards || address & 0x70 != 0) else {
            continue;
        };
        let message = format!("{address:#04x} is no endpoint for `{key}`");
        let help = if inwards { "0x81 to 0x8f: towards this PC" } else { "0x01 to 0x0f: away from this PC" };
        sheet.fault(&path.key(key), Code::WrongValue, message, help);
    }
    let control = said.control.iter().enumerate();
    let control: Vec<Option<Control>> =
        control.map(|(index, said)| read_control(sheet, &path.key("control").index(index), said)).collect();
    let (vendor, product) = ids?;
    Some(Usb {
        vendor,
        product,
        serial: said.serial.clone(),
        at: said.at.clone(),
        interface: said.interface.unwrap_or(0),
        input: said.input,
        output: said.output,
        control: control.into_iter().collect::<Option<_>>()?,
    })
}

fn read_control(sheet: &mut Sheet, path: &Path, said: &ControlSaid) -> Option<Control> {
    if said.request_type.is_some_and(|kind| kind & 0x80 != 0) {
        let help = "below 0x80: towards the device; what a device answers here would be read by nobody";
        sheet.fault(&path.key("request_type"), Code::WrongValue, "this request asks the device for data".into(), help);
    }
    let data = said.data.as_deref().unwrap_or_default();
    let bytes = bytes(data);
    if bytes.is_none() {
        let help = "two hexadecimal digits for each byte, as in \"80250000000008\"";
        sheet.fault(&path.key("data"), Code::WrongValue, format!("`{data}` are no bytes"), help);
    }
    Some(Control {
        request_type: said.request_type?,
        request: said.request?,
        value: said.value.unwrap_or(0),
        index: said.index.unwrap_or(0),
        data: bytes?,
    })
}

fn ids(text: &str) -> Option<(u16, u16)> {
    let (vendor, product) = text.split_once(':')?;
    let number = |text: &str| {
        let is_hex = text.len() == 4 && text.bytes().all(|byte| byte.is_ascii_hexdigit());
        is_hex.then(|| u16::from_str_radix(text, 16).ok()).flatten()
    };
    Some((number(vendor)?, number(product)?))
}

fn is_socket(text: &str) -> bool {
    let number = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    text.split_once('-').is_some_and(|(bus, sockets)| number(bus) && sockets.split('.').all(number))
}

fn bytes(text: &str) -> Option<Vec<u8>> {
    let is_hex = text.len().is_multiple_of(2) && text.bytes().all(|byte| byte.is_ascii_hexdigit());
    let pairs = (0..text.len()).step_by(2).map(|at| u8::from_str_radix(text.get(at..at + 2)?, 16).ok());
    is_hex.then(|| pairs.collect::<Option<_>>()).flatten()
}

/// Two entries that may mean one interface: neither is opened, because nobody can know which of them gets it.
pub(super) fn shared_usb(
    sheet: &mut Sheet,
    said: &[StationSaid],
    key: (&str, &str),
    usb: impl Fn(&StationSaid) -> Option<UsbSaid>,
) {
    let usb = |said: &StationSaid| {
        let usb = usb(said)?;
        let (vendor, product) = ids(usb.id.as_ref()?)?;
        let (serial, at) = (usb.serial.clone(), usb.at.clone());
        let interface = usb.interface.unwrap_or(0);
        Some(Usb { vendor, product, serial, at, interface, input: None, output: None, control: vec![] })
    };
    let all: Vec<Option<Usb>> = said.iter().map(usb).collect();
    for (index, one) in all.iter().enumerate() {
        let Some(one) = one else { continue };
        if let Some(first) = all[..index].iter().position(|other| other.as_ref().is_some_and(|it| it.overlaps(one))) {
            let place = one.place();
            tell_shared(sheet, said, key, (first, index), place.strip_prefix("usb ").unwrap_or(&place));
        }
    }
}
