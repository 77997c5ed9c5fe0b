//! What `cell.toml` says.

use std::borrow::Cow;
use std::collections::BTreeMap;

use ridgepost_parsers::LayoutName;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Deserialize;

use super::device::{AdapterSaid, DeviceSaid, UsbSaid};
use crate::operator::Authority;
use crate::plan::{Flow, Parity, WhenRecorded};

/// cell.toml: what this PC listens to and where results go.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "cell.toml")]
pub(crate) struct CellFile {
    /// This PC.
    #[schemars(required)]
    pub(crate) cell: Option<CellSaid>,
    /// Where results are kept.
    #[schemars(required)]
    pub(crate) store: Option<StoreSaid>,
    /// Ports and folders to listen to.
    #[serde(default)]
    pub(crate) station: Vec<StationSaid>,
    /// Where results go.
    #[serde(default)]
    pub(crate) sink: Vec<SinkSaid>,
    /// Who may decide what about results and gauges, by the name that `--by` gives. Without any, everybody who may write to
    /// the store.
    #[serde(default)]
    pub(crate) operator: Vec<OperatorSaid>,
    /// Where another system puts job files; jobs come from `jobs/` alone where not written.
    pub(crate) orders: Option<OrdersSaid>,
    /// What the daemon tells of itself, and from when on it warns.
    pub(crate) watch: Option<super::WatchSaid>,
}

/// This PC.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub(crate) struct CellSaid {
    /// Name of the cell, carried by every result.
    #[schemars(required, length(min = 1))]
    pub(crate) name: Option<String>,
    /// Zone that results' times are written in, a name of the IANA database.
    #[schemars(required, length(min = 1), extend("examples" = ["Europe/Zurich", "UTC"]))]
    pub(crate) time_zone: Option<String>,
}

/// A person of the cell.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Operator")]
pub(crate) struct OperatorSaid {
    /// The name.
    #[schemars(required, length(min = 1))]
    pub(crate) name: Option<String>,
    /// What they may decide.
    #[schemars(required)]
    pub(crate) may: Option<Vec<Authority>>,
}

/// Where results are kept.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub(crate) struct StoreSaid {
    /// The database file; a relative path is relative to the cell folder.
    #[schemars(required, length(min = 1))]
    pub(crate) path: Option<String>,
}

/// One port or folder, bound to one instrument definition and its gauge.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Station")]
pub(crate) struct StationSaid {
    /// Name of the station.
    #[schemars(required, length(min = 1))]
    pub(crate) name: Option<String>,
    /// Name of the instrument definition: how it talks. A scanner without one sends a label a line.
    #[schemars(length(min = 1))]
    pub(crate) instrument: Option<String>,
    /// Id of the gauge that speaks here; or `gauges`.
    #[schemars(length(min = 1))]
    pub(crate) gauge: Option<String>,
    /// Ids of the gauges that speak here by the channel they name: { "1" = "MIC-03" }; or `gauge`.
    pub(crate) gauges: Option<BTreeMap<String, String>>,
    /// What is heard here are labels (see labels.toml), never readings: {} where they are about every station.
    pub(crate) scanner: Option<ScannerSaid>,
    /// A serial port; or one of the other places below.
    pub(crate) port: Option<PortSaid>,
    /// A raw TCP socket, as serial device servers offer.
    pub(crate) tcp: Option<TcpSaid>,
    /// A character device that is no terminal, such as a USB test and measurement device.
    pub(crate) device: Option<DeviceSaid>,
    /// An interface of a USB device that has no driver of its own.
    pub(crate) usb: Option<UsbSaid>,
    /// An instrument or scanner that types, as an input device.
    pub(crate) keyboard: Option<KeyboardSaid>,
    /// A folder that an instrument exports files to.
    pub(crate) folder: Option<FolderSaid>,
}

/// A scanner of labels.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Scanner")]
pub(crate) struct ScannerSaid {
    /// The stations that its labels are about; all with an instrument where not written.
    #[schemars(length(min = 1))]
    pub(crate) stations: Option<Vec<String>>,
}

/// A serial port with its line settings.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Port")]
pub(crate) struct PortSaid {
    /// The device node, best a stable link under /dev/serial/by-id or /dev/serial/by-path; or `usb`.
    #[schemars(length(min = 1))]
    pub(crate) path: Option<String>,
    /// The adapter by what it says of itself, in place of `path`. Where two adapters fit, neither is opened.
    pub(crate) usb: Option<AdapterSaid>,
    /// Bits per second, as set on the instrument.
    #[schemars(required, range(min = 50, max = 4_000_000), extend("examples" = [9600]))]
    pub(crate) baud: Option<u32>,
    /// Data bits; 8 where not written.
    #[schemars(range(min = 5, max = 8), extend("default" = 8))]
    pub(crate) data_bits: Option<u8>,
    /// Parity; none where not written.
    #[schemars(extend("default" = "none"))]
    pub(crate) parity: Option<Parity>,
    /// Stop bits; 1 where not written.
    #[schemars(range(min = 1, max = 2), extend("default" = 1))]
    pub(crate) stop_bits: Option<u8>,
    /// Flow control; none where not written.
    #[schemars(extend("default" = "none"))]
    pub(crate) flow: Option<Flow>,
    /// Level of the DTR line while the port is open; left to the driver where not written.
    pub(crate) dtr: Option<bool>,
    /// Level of the RTS line while the port is open; left to the driver where not written.
    pub(crate) rts: Option<bool>,
}

/// A raw TCP socket, as serial device servers offer: bytes both ways, nothing else.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Tcp")]
pub(crate) struct TcpSaid {
    /// Name or address of the device server; an IPv6 address without brackets.
    #[schemars(required, length(min = 1), extend("examples" = ["10.0.0.7", "bench-server", "fd00::7"]))]
    pub(crate) host: Option<String>,
    /// Port number that the device server gives to this instrument.
    #[schemars(required, range(min = 1, max = 65_535), extend("examples" = [4001]))]
    pub(crate) port: Option<u16>,
    /// Milliseconds that a try to connect may take, a name's lookup apart; 1500 where not written.
    #[schemars(range(min = 100, max = 60_000), extend("default" = 1500))]
    pub(crate) connect_ms: Option<u64>,
    /// Seconds of silence after which the device server is asked whether it is there still. One that died without a word
    /// is noticed within twice this time. 15 where not written.
    #[schemars(range(min = 1, max = 3600), extend("default" = 15))]
    pub(crate) keep_alive_s: Option<u32>,
}

/// An instrument or scanner that types: its keys are taken for this station alone, and no console or window gets them.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Keyboard")]
pub(crate) struct KeyboardSaid {
    /// The event node, best a stable link under /dev/input/by-id or /dev/input/by-path.
    #[schemars(required, length(min = 1))]
    pub(crate) path: Option<String>,
    /// The keyboard layout that the device is set to.
    #[schemars(required)]
    pub(crate) layout: Option<LayoutName>,
    /// What the decimal key of its numeric keypad types; the layout's own where not written.
    pub(crate) keypad_decimal: Option<DecimalWord>,
}

/// A folder that an instrument exports files to.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Folder")]
pub(crate) struct FolderSaid {
    /// The folder; a relative path is relative to the cell folder.
    #[schemars(required, length(min = 1))]
    pub(crate) path: Option<String>,
    /// Which file names count, with * and ? as in a shell; all where not written.
    #[schemars(length(min = 1), extend("default" = "*"))]
    pub(crate) pattern: Option<String>,
    /// Whether files in folders inside count too, with the same pattern for their names; not where not written.
    #[schemars(extend("default" = false))]
    pub(crate) subfolders: Option<bool>,
    /// File that must be in the folder: while it is not there, the folder counts as away, and nothing is read.
    #[schemars(length(min = 1))]
    pub(crate) marker: Option<String>,
    /// What the way to a file says, from the folder itself on: `{job}`, `{part}` and `{balloon}`, `*` for anything within a
    /// name. A file on another way, or of a job that is not open, is kept and belongs to no part.
    #[schemars(length(min = 1), extend("examples" = ["{job}/{part}/*.csv"]))]
    pub(crate) says: Option<String>,
    /// Whether rows are taken as they are added to files, instead of files once they are complete; not where not written.
    #[schemars(extend("default" = false))]
    pub(crate) grows: Option<bool>,
    /// What becomes of a file once it is recorded: archive (moved to `recorded/` inside the folder) where not written.
    #[schemars(extend("default" = "archive"))]
    pub(crate) when_recorded: Option<WhenRecorded>,
    /// Milliseconds that a file must stand still before it is read; 2000 where not written.
    #[schemars(range(min = 0, max = 3_600_000), extend("default" = 2000))]
    pub(crate) settle_ms: Option<u64>,
}

/// A folder that another system puts job files into.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Orders")]
pub(crate) struct OrdersSaid {
    /// The folder; a relative path is relative to the cell folder.
    #[schemars(required, length(min = 1))]
    pub(crate) path: Option<String>,
    /// File that must be in the folder: while it is not there, the folder counts as away, and nothing is read.
    #[schemars(length(min = 1))]
    pub(crate) marker: Option<String>,
    /// Milliseconds that a file must stand still before it is read; 2000 where not written.
    #[schemars(range(min = 0, max = 3_600_000), extend("default" = 2000))]
    pub(crate) settle_ms: Option<u64>,
}

/// Where results go.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Sink")]
pub(crate) struct SinkSaid {
    /// Name of the sink.
    #[schemars(required, length(min = 1))]
    pub(crate) name: Option<String>,
    /// Result files in a folder.
    #[schemars(required)]
    pub(crate) csv: Option<CsvSaid>,
}

/// Result files in a folder.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Csv")]
pub(crate) struct CsvSaid {
    /// The folder, which must exist; a relative path is relative to the cell folder.
    #[schemars(required, length(min = 1))]
    pub(crate) folder: Option<String>,
    /// What one file holds: the rows of one reading where not written.
    #[schemars(extend("default" = "reading"))]
    pub(crate) per: Option<PerWord>,
    /// How many minutes one file holds, with per = "minutes".
    #[schemars(range(min = 1, max = 1440))]
    pub(crate) minutes: Option<u32>,
    /// How many rows one file holds at most; what is more goes out in further files. 20000 where not written.
    #[schemars(range(min = 1, max = 1_000_000), extend("default" = 20_000))]
    pub(crate) rows_max: Option<u32>,
    /// Which kinds of rows; all where not written.
    #[schemars(length(min = 1))]
    pub(crate) kinds: Option<Vec<KindWord>>,
    /// Which fields of a result, in this order; all where not written.
    #[schemars(length(min = 1))]
    pub(crate) columns: Option<Vec<FieldText>>,
    /// One character between fields; a comma where not written.
    #[schemars(extend("default" = ","))]
    pub(crate) separator: Option<String>,
    /// Decimal mark of numbers; a point where not written.
    #[schemars(extend("default" = "."))]
    pub(crate) decimal: Option<DecimalWord>,
    /// Encoding of the file; utf-8 where not written.
    #[schemars(length(min = 1), extend("default" = "utf-8", "examples" = ["utf-8", "windows-1252"]))]
    pub(crate) encoding: Option<String>,
    /// File name with {cell}, {sink}, {job}, {serial}, {piece} and {seq}, which must be there.
    #[schemars(length(min = 1), extend("default" = "{cell}-{seq}.csv"))]
    pub(crate) name: Option<String>,
    /// Write NAME.ok with row count and SHA-256 beside each file; not done where not written.
    #[schemars(extend("default" = false))]
    pub(crate) ok_file: Option<bool>,
    /// A file that must be in the folder before anything is written: an unmounted share has none.
    #[schemars(length(min = 1))]
    pub(crate) marker: Option<String>,
}

/// What one result file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
#[schemars(rename = "Per")]
pub(crate) enum PerWord {
    /// The rows of one reading.
    Reading,
    /// The rows of one piece.
    Piece,
    /// The rows of one job.
    Job,
    /// The rows of so many minutes.
    Minutes,
}

/// A kind of row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
#[schemars(rename = "Kind")]
pub(crate) enum KindWord {
    /// One value.
    Reading,
    /// One characteristic on one piece, when its rule decides.
    Verdict,
    /// One piece.
    Part,
    /// Something said before is said anew.
    Correction,
    /// Something people must know of.
    Notice,
}

impl KindWord {
    /// The word as it stands in results.
    pub(crate) fn word(self) -> &'static str {
        match self {
            KindWord::Reading => "reading",
            KindWord::Verdict => "verdict",
            KindWord::Part => "part",
            KindWord::Correction => "correction",
            KindWord::Notice => "notice",
        }
    }
}

/// A field of a result.
#[derive(Clone, Debug, Deserialize)]
#[serde(transparent)]
pub(crate) struct FieldText(pub(crate) String);

impl JsonSchema for FieldText {
    fn schema_name() -> Cow<'static, str> {
        "Column".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "description": "A field of a result.", "type": "string", "enum": crate::fields::FIELDS })
    }
}

/// A decimal mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[schemars(rename = "DecimalMark")]
pub(crate) enum DecimalWord {
    /// A point.
    #[serde(rename = ".")]
    Point,
    /// A comma.
    #[serde(rename = ",")]
    Comma,
}
