//! What the files say, before anything is believed: one definition each for reading, for the JSON Schema that
//! editors use, and for the walk that finds misfits.
//!
//! Every field is optional to *read*, so that one fault hides no other; what must be there is marked `required` in
//! the schema and asked for by the walk.

use std::borrow::Cow;
use std::collections::BTreeMap;

use ridgepost_parsers::Quantity;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Deserialize;

use crate::plan::{Flow, Gate, Parity, Rule, WhenRecorded};

/// A number with its unit in quotes, as in `"0.8 µm"`: digits count to the letter, so no bare numbers.
#[derive(Clone, Debug, Deserialize)]
#[serde(transparent)]
pub(crate) struct AmountText(pub(crate) String);

impl JsonSchema for AmountText {
    fn schema_name() -> Cow<'static, str> {
        "Amount".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "A number with its unit, as in \"0.8 µm\". Units: µm um nm mm m in µin uin mil, %, 1/cm, 1, °, HRC HRB HV HBW.",
            "type": "string",
            "format": "amount",
            "pattern": "^\\s*[+-]?([0-9]+\\.?[0-9]*|\\.[0-9]+)([eE][+-]?[0-9]{1,2})?\\s*([^0-9\\s].*|1|1/cm)?$"
        })
    }
}

/// A day in quotes: `"2027-03-01"`.
#[derive(Clone, Debug, Deserialize)]
#[serde(transparent)]
pub(crate) struct DayText(pub(crate) String);

impl JsonSchema for DayText {
    fn schema_name() -> Cow<'static, str> {
        "Day".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "A day as year-month-day, as in \"2027-03-01\".",
            "type": "string",
            "format": "date",
            "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
        })
    }
}

/// A quantity's symbol.
#[derive(Clone, Debug, Deserialize)]
#[serde(transparent)]
pub(crate) struct QuantityText(pub(crate) String);

impl JsonSchema for QuantityText {
    fn schema_name() -> Cow<'static, str> {
        "Quantity".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let symbols: Vec<&str> = Quantity::symbols().collect();
        json_schema!({
            "description": "A quantity's symbol, with its argument where it takes one, as in \"Rmr(0.5)\".",
            "type": "string",
            "anyOf": [{ "enum": symbols }, { "pattern": "^[A-Za-z0-9]+\\(.+\\)$" }]
        })
    }
}

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
    /// Name of the instrument definition: how it talks.
    #[schemars(required, length(min = 1))]
    pub(crate) instrument: Option<String>,
    /// Id of the gauge that speaks here; or `gauges`.
    #[schemars(length(min = 1))]
    pub(crate) gauge: Option<String>,
    /// Ids of the gauges that speak here by the channel they name: { "1" = "MIC-03" }; or `gauge`.
    pub(crate) gauges: Option<BTreeMap<String, String>>,
    /// A serial port; or `folder`.
    pub(crate) port: Option<PortSaid>,
    /// A folder that an instrument exports files to; or `port`.
    pub(crate) folder: Option<FolderSaid>,
}

/// A serial port with its line settings.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Port")]
pub(crate) struct PortSaid {
    /// The device node, best a stable link under /dev/serial/by-id or /dev/serial/by-path.
    #[schemars(required, length(min = 1))]
    pub(crate) path: Option<String>,
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
    /// What becomes of a file once it is recorded: archive (moved to `recorded/` inside the folder) where not written.
    #[schemars(extend("default" = "archive"))]
    pub(crate) when_recorded: Option<WhenRecorded>,
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

/// gauges.toml: the register of gauges and specimens.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "gauges.toml")]
pub(crate) struct GaugesFile {
    /// Registered gauges.
    #[serde(default)]
    pub(crate) gauge: Vec<GaugeSaid>,
    /// Registered material measures.
    #[serde(default)]
    pub(crate) specimen: Vec<SpecimenSaid>,
}

/// One registered physical instrument.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Gauge")]
pub(crate) struct GaugeSaid {
    /// Id in the register, as on the gauge's label.
    #[schemars(required, length(min = 1))]
    pub(crate) id: Option<String>,
    /// What it is: stylus, calliper, micrometer, indicator, bore, hardness or the shop's own word.
    #[schemars(required, length(min = 1), extend("examples" = ["stylus", "calliper", "micrometer", "indicator", "bore", "hardness"]))]
    pub(crate) kind: Option<String>,
    /// A skid follows the surface: P, W and Rt are refused; false where not written.
    #[schemars(extend("default" = false))]
    pub(crate) skidded: Option<bool>,
    /// Last day its calibration holds.
    pub(crate) calibration_due: Option<DayText>,
    /// What it is declared to be set to, where it doesn't send it.
    pub(crate) settings: Option<ConditionsSaid>,
    /// The last good verification.
    pub(crate) verified: Option<VerifiedSaid>,
    /// Why it is set aside: found bad.
    #[schemars(length(min = 1))]
    pub(crate) failed: Option<String>,
}

/// A good verification.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Verified")]
pub(crate) struct VerifiedSaid {
    /// The day it was done.
    #[schemars(required)]
    pub(crate) on: Option<DayText>,
    /// The last day it holds; until the calibration is due where not written.
    pub(crate) until: Option<DayText>,
    /// Where it is recorded.
    #[schemars(required, length(min = 1))]
    pub(crate) source: Option<String>,
}

/// Measuring conditions.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Conditions")]
pub(crate) struct ConditionsSaid {
    /// Cutoff λc.
    #[schemars(extend("examples" = ["0.8 mm", "2.5 mm", "0.25 mm"]))]
    pub(crate) cutoff: Option<AmountText>,
    /// Short-wave cutoff λs.
    #[schemars(extend("examples" = ["2.5 µm"]))]
    pub(crate) lambda_s: Option<AmountText>,
    /// Number of sampling lengths.
    #[schemars(range(min = 1, max = 100))]
    pub(crate) sections: Option<u32>,
    /// Profile filter.
    #[schemars(length(min = 1), extend("examples" = ["gaussian"]))]
    pub(crate) filter: Option<String>,
    /// Standard the instrument works to.
    #[schemars(length(min = 1))]
    pub(crate) standard: Option<String>,
    /// Stored program.
    #[schemars(length(min = 1))]
    pub(crate) program: Option<String>,
}

/// A registered material measure.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Specimen")]
pub(crate) struct SpecimenSaid {
    /// Id in the register.
    #[schemars(required, length(min = 1))]
    pub(crate) id: Option<String>,
    /// Certified values by quantity: { Ra = "2.97 µm" }.
    #[schemars(required)]
    pub(crate) certified: Option<BTreeMap<String, AmountText>>,
    /// Expanded uncertainties (k = 2) by quantity: { Ra = "0.06 µm" }.
    pub(crate) uncertainty: Option<BTreeMap<String, AmountText>>,
    /// Last day its certificate holds.
    pub(crate) due: Option<DayText>,
}

/// jobs/*.toml: what is made and what is asked of it.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "jobs/*.toml")]
pub(crate) struct JobFile {
    /// What is made.
    #[schemars(required)]
    pub(crate) job: Option<JobSaid>,
    /// Requirements in measuring order.
    #[serde(default)]
    #[schemars(required, length(min = 1))]
    pub(crate) characteristic: Vec<CharacteristicSaid>,
}

/// What is made.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub(crate) struct JobSaid {
    /// Order number.
    #[schemars(required, length(min = 1))]
    pub(crate) id: Option<String>,
    /// Part number of the drawing.
    #[schemars(required, length(min = 1))]
    pub(crate) part_number: Option<String>,
    /// Revision of the drawing.
    #[schemars(required, length(min = 1))]
    pub(crate) revision: Option<String>,
    /// Operation number.
    #[schemars(required, length(min = 1))]
    pub(crate) operation: Option<String>,
    /// Edition of the texture standards that the drawing was made to; needed where texture is asked for.
    pub(crate) edition: Option<Edition>,
    /// What an unverified gauge does to its readings; hold where not written.
    #[schemars(extend("default" = "hold"))]
    pub(crate) gate: Option<Gate>,
    /// Judge texture although its conditions are neither sent nor declared; not done where not written.
    #[schemars(extend("default" = false))]
    pub(crate) accept_unknown_conditions: Option<bool>,
}

/// Edition of the texture standards: it decides what an unwritten default means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
pub(crate) enum Edition {
    /// The ISO 21920 series.
    #[serde(rename = "ISO 21920")]
    Iso21920,
    /// ISO 1302 with ISO 4288 and ISO 4287.
    #[serde(rename = "ISO 1302 / ISO 4288")]
    Iso1302,
    /// The ASME standard.
    #[serde(rename = "ASME B46.1")]
    Asme,
    /// The Japanese standard, 1994.
    #[serde(rename = "JIS B 0601:1994")]
    Jis1994,
    /// The Japanese standard, 2001.
    #[serde(rename = "JIS B 0601:2001")]
    Jis2001,
    /// The Japanese standard, 2013.
    #[serde(rename = "JIS B 0601:2013")]
    Jis2013,
}

impl Edition {
    /// Every edition, as written.
    pub(crate) const ALL: [(Edition, &'static str); 6] = [
        (Edition::Iso21920, "ISO 21920"),
        (Edition::Iso1302, "ISO 1302 / ISO 4288"),
        (Edition::Asme, "ASME B46.1"),
        (Edition::Jis1994, "JIS B 0601:1994"),
        (Edition::Jis2001, "JIS B 0601:2001"),
        (Edition::Jis2013, "JIS B 0601:2013"),
    ];

    /// As written.
    pub(crate) fn word(self) -> &'static str {
        Self::ALL.iter().find(|(edition, _)| *edition == self).map_or("", |(_, word)| word)
    }
}

/// One requirement on one feature.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Characteristic")]
pub(crate) struct CharacteristicSaid {
    /// Balloon number on the drawing.
    #[schemars(required, length(min = 1))]
    pub(crate) balloon: Option<String>,
    /// The feature in words.
    #[schemars(required, length(min = 1))]
    pub(crate) feature: Option<String>,
    /// What is measured: a quantity's symbol.
    #[schemars(required)]
    pub(crate) quantity: Option<QuantityText>,
    /// Lower limit with its unit.
    #[schemars(extend("examples" = ["0.2 µm"]))]
    pub(crate) lower: Option<AmountText>,
    /// Upper limit with its unit.
    #[schemars(extend("examples" = ["0.8 µm"]))]
    pub(crate) upper: Option<AmountText>,
    /// Acceptance rule; max where not written.
    pub(crate) rule: Option<Rule>,
    /// Values due for one verdict; 1 where not written.
    #[schemars(range(min = 1, max = 100), extend("default" = 1))]
    pub(crate) traces: Option<u32>,
    /// Conditions that the requirement states.
    pub(crate) conditions: Option<ConditionsSaid>,
    /// Band outside of which a value is a slip; the quantity's own band where not written.
    pub(crate) plausible: Option<PlausibleSaid>,
    /// Only readings of this station fill it; any station where not written.
    #[schemars(length(min = 1))]
    pub(crate) station: Option<String>,
}

/// A band outside of which a value is a slip of unit or decimal point.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Plausible")]
pub(crate) struct PlausibleSaid {
    /// Smallest plausible value.
    #[schemars(required, extend("examples" = ["0.05 µm"]))]
    pub(crate) min: Option<AmountText>,
    /// Largest plausible value.
    #[schemars(required, extend("examples" = ["5 µm"]))]
    pub(crate) max: Option<AmountText>,
}
