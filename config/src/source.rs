//! Where stations listen: the closed lists of sources and of devices among them.

use std::path::{Path, PathBuf};

/// Where a station listens.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// A device that bytes come from, one after the other.
    Stream(Stream),
    /// A folder that an instrument exports files to.
    Folder(Folder),
}

/// The closed list of devices that bytes come from.
#[derive(Clone, Debug, PartialEq)]
pub enum Stream {
    /// A terminal device node.
    Port(Port),
    /// A raw TCP socket, as serial device servers offer.
    Tcp(Tcp),
}

impl Stream {
    /// Where it is, for people and for the store: the device node, or host and port.
    pub fn place(&self) -> String {
        match self {
            Stream::Port(port) => port.path.display().to_string(),
            Stream::Tcp(tcp) => tcp.place(),
        }
    }

    /// The device node, where there is one whose coming can be watched.
    pub fn node(&self) -> Option<&Path> {
        match self {
            Stream::Port(port) => Some(&port.path),
            Stream::Tcp(_) => None,
        }
    }
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

/// A serial port with its line settings.
#[derive(Clone, Debug, PartialEq)]
pub struct Port {
    /// The device node, best a stable link under `/dev/serial/by-id` or `by-path` (absolute).
    pub path: PathBuf,
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
