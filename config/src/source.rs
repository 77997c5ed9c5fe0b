//! Where stations listen: the closed lists of sources and of devices among them.

use std::path::{Path, PathBuf};

use ridgepost_parsers::LayoutName;

/// Where a station listens.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// A device that bytes come from, one after the other.
    Stream(Stream),
    /// A folder that an instrument exports files to.
    Folder(Folder),
}

impl Source {
    /// What the name of a file there says of its readings.
    pub fn place(&self, name: &str) -> crate::way::Place {
        match self {
            Source::Folder(Folder { says: Some(way), .. }) => way.place(name),
            _ => crate::way::Place::default(),
        }
    }
}

/// The closed list of devices that bytes come from.
#[derive(Clone, Debug, PartialEq)]
pub enum Stream {
    /// A terminal device node.
    Port(Port),
    /// A raw TCP socket, as serial device servers offer.
    Tcp(Tcp),
    /// A character device that is no terminal, as the kernel's USBTMC driver makes one.
    Device(CharDevice),
    /// An interface of a USB device that no kernel driver turns into a character device.
    Usb(Usb),
    /// An instrument or scanner that types, as an input device.
    Keyboard(Keyboard),
}

impl Stream {
    /// Where it is, for people and for the store: the device node, or host and port.
    pub fn place(&self) -> String {
        match self {
            Stream::Port(port) => port.place(),
            Stream::Tcp(tcp) => tcp.place(),
            Stream::Device(device) => device.path.display().to_string(),
            Stream::Usb(usb) => usb.place(),
            Stream::Keyboard(keyboard) => keyboard.path.display().to_string(),
        }
    }

    /// The place as it is kept with what came from there: beside keys stands the layout that they were read by.
    pub fn origin(&self) -> String {
        match self {
            Stream::Keyboard(keyboard) => format!("{}, keys as {}", self.place(), keyboard.layout),
            _ => self.place(),
        }
    }

    /// The device node, where there is one whose coming can be watched.
    pub fn node(&self) -> Option<&Path> {
        match self {
            Stream::Port(Port { at: PortAt::Path(path), .. }) => Some(path),
            Stream::Device(device) => Some(&device.path),
            Stream::Keyboard(keyboard) => Some(&keyboard.path),
            Stream::Port(Port { at: PortAt::Adapter(_), .. }) | Stream::Tcp(_) | Stream::Usb(_) => None,
        }
    }
}

/// A device that types.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Keyboard {
    /// The event node, best a stable link under `/dev/input/by-id` or `by-path` (absolute).
    pub path: PathBuf,
    /// The layout that its keys are read by.
    pub layout: LayoutName,
    /// What the decimal key of its numeric keypad types, where that is not the layout's.
    pub keypad_decimal: Option<char>,
}

/// A raw TCP socket.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tcp {
    /// Name or address, an IPv6 address without brackets.
    pub host: String,
    /// Port number.
    pub port: u16,
    /// How long a try to connect may take, in milliseconds.
    pub connect_ms: u64,
    /// Seconds of silence after which the peer is asked whether it is there still.
    pub keep_alive_s: u32,
}

impl Tcp {
    /// Host and port as people write them: `10.0.0.7:4001`, `[fe80::1]:4001`.
    pub fn place(&self) -> String {
        match self.host.contains(':') {
            true => format!("[{}]:{}", self.host, self.port),
            false => format!("{}:{}", self.host, self.port),
        }
    }
}

/// A character device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CharDevice {
    /// The device node, best a link that stays (absolute).
    pub path: PathBuf,
    /// How long a USBTMC device may take to begin its answer, in milliseconds.
    pub timeout_ms: u32,
    /// After which messages a USBTMC device is read.
    pub read_after: ReadAfter,
}

/// After which messages to a USBTMC device an answer is asked for. A device that is asked for an answer and has none
/// reports an error.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ReadAfter {
    /// After those with a question mark: IEEE 488.2 ends the header of every query with one.
    Query,
    /// After each.
    Any,
}

/// An interface of a USB device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Usb {
    /// Vendor id of the device (idVendor).
    pub vendor: u16,
    /// Product id of the device (idProduct).
    pub product: u16,
    /// Its serial number, where it has one.
    pub serial: Option<String>,
    /// The socket it is plugged into, by the kernel's name: `1-1.2` is bus 1, socket 1, socket 2 of the hub there.
    pub at: Option<String>,
    /// Number of the interface (bInterfaceNumber).
    pub interface: u8,
    /// Address of the endpoint that readings come from; `None` is the only one that the interface has.
    pub input: Option<u8>,
    /// Address of the endpoint that takes what is sent; `None` is the only one that the interface has, if any.
    pub output: Option<u8>,
    /// Requests on the control endpoint when the device is opened, in this order.
    pub control: Vec<Control>,
}

/// A request on the control endpoint, by the fields of a setup packet (USB 2.0, 9.3). Only towards the device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Control {
    /// bmRequestType.
    pub request_type: u8,
    /// bRequest.
    pub request: u8,
    /// wValue.
    pub value: u16,
    /// wIndex.
    pub index: u16,
    /// What is sent with it.
    pub data: Vec<u8>,
}

impl Usb {
    /// Which device, for people and for the store: `usb 1209:0002:A1 interface 0`.
    pub fn place(&self) -> String {
        let serial = self.serial.as_ref().map(|serial| format!(":{serial}")).unwrap_or_default();
        let at = self.at.as_ref().map(|at| format!(" at {at}")).unwrap_or_default();
        format!("usb {:04x}:{:04x}{serial}{at} interface {}", self.vendor, self.product, self.interface)
    }

    /// Whether one interface may be meant by both.
    pub fn overlaps(&self, other: &Usb) -> bool {
        let may_be = |one: &Option<String>, two: &Option<String>| one.is_none() || two.is_none() || one == two;
        (self.vendor, self.product, self.interface) == (other.vendor, other.product, other.interface)
            && may_be(&self.serial, &other.serial)
            && may_be(&self.at, &other.at)
    }
}

/// A serial port with its line settings.
#[derive(Clone, Debug, PartialEq)]
pub struct Port {
    /// Which one.
    pub at: PortAt,
    /// Bits per second.
    pub baud: u32,
    /// 5 to 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
    /// Flow control.
    pub flow: Flow,
    /// Level of DTR while open; `None` leaves it to the driver.
    pub dtr: Option<bool>,
    /// Level of RTS while open; `None` leaves it to the driver.
    pub rts: Option<bool>,
}

/// Which serial port is meant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PortAt {
    /// The device node, best a stable link under `/dev/serial/by-id` or `by-path` (absolute).
    Path(PathBuf),
    /// The port of an adapter, by what the adapter says of itself or by its socket. Of endpoints nothing is said here.
    Adapter(Usb),
}

impl Port {
    /// Where it is, for people and for the store.
    pub fn place(&self) -> String {
        match &self.at {
            PortAt::Path(path) => path.display().to_string(),
            PortAt::Adapter(usb) => format!("serial port of {}", usb.place()),
        }
    }
}

/// Parity of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even parity.
    Even,
    /// Odd parity.
    Odd,
}

/// Flow control of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Flow {
    /// None.
    None,
    /// XON/XOFF in the data.
    Software,
    /// RTS/CTS lines.
    Hardware,
}

/// A folder of exported files.
#[derive(Clone, Debug, PartialEq)]
pub struct Folder {
    /// The folder (absolute).
    pub path: PathBuf,
    /// Which names count: `*` and `?` as in a shell, no folders.
    pub pattern: String,
    /// Whether files of folders inside count too, whatever their depth up to the bounds that the listing keeps.
    pub subfolders: bool,
    /// File that must be in the folder, else it counts as away: an unmounted share has none.
    pub marker: Option<String>,
    /// What the way to a file says of its readings.
    pub says: Option<crate::way::Way>,
    /// Whether rows are taken as they are added, file by file, instead of files once they are complete.
    pub grows: bool,
    /// What becomes of a file once it is recorded.
    pub when_recorded: WhenRecorded,
    /// How long size and time must stand still before a file that was not closed or renamed in before our
    /// eyes is read, in milliseconds.
    pub settle_ms: u64,
}

/// What becomes of a file once its readings are committed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum WhenRecorded {
    /// Moved to `recorded/` inside the folder.
    Archive,
    /// Left where it is; its hash says that it was read.
    Leave,
    /// Removed; its bytes are in the store.
    Delete,
}
