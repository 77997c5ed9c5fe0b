//! How a stream or file is cut into frames, as an engineer writes it down.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Deserialize;

/// How a stream is cut into frames.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FramingKind {
    /// One frame per line. Line ends are CR, LF or CR LF in any mixture, or the declared `terminator`. Empty
    /// lines make no frames.
    #[default]
    Lines,
    /// From a start mark and/or to an end mark: `start` and `end` (bytes), `start_line` and `end_line`
    /// (patterns of whole lines), `end_blank_line`, or a number of `lines`.
    Block,
    /// One frame per row of a file. With `quote`, a quoted cell may hold line ends (RFC 4180).
    Rows,
    /// Always `length` bytes.
    Length,
    /// As long as its own length field says (`length_field`), behind a start mark if there is one. Any byte may stand
    /// in it.
    Prefix,
    /// Whatever arrives until the line has been silent for `gap_ms`.
    Gap,
    /// A whole file of an export folder. Over a line no such frame ends.
    File,
}

/// One text or several.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Terminators {
    /// The only one.
    One(String),
    /// Any of these.
    Several(Vec<String>),
}

impl Terminators {
    /// All of them.
    pub fn all(&self) -> &[String] {
        match self {
            Terminators::One(one) => std::slice::from_ref(one),
            Terminators::Several(several) => several,
        }
    }
}

/// How a stream or file is cut into frames. Byte marks are texts in which each character up to U+00FF stands for
/// one byte; control characters are written as TOML escapes: `"\u0002"` is STX, `"\f"` a form feed.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Framing {
    /// What ends a frame. Default: `"lines"`.
    #[serde(default)]
    pub kind: FramingKind,
    /// The line end, or a list of line ends of which each may come, where CR, LF and CR LF alike won't do. Example:
    /// `"\r\n"`, or `["\r", "\u0003", "\u0000"]`. Applies to the lines of a block as well.
    pub terminator: Option<Terminators>,
    /// Bytes that every frame begins with. Example: `"\u0002"`.
    pub start: Option<String>,
    /// Bytes that end a block. Example: `"\u0003"`, `"\f"`.
    pub end: Option<String>,
    /// Pattern of the whole line that begins a block; captures are fields of the block, `count` is checked. A
    /// capture `lines` says how many lines follow and ends the block behind them; empty lines don't count.
    /// Example: `'#MEM BEGIN (?<count>\d+)'`.
    pub start_line: Option<String>,
    /// Pattern of the whole line that ends a block.
    pub end_line: Option<String>,
    /// Whether an empty line ends a block. Default: false.
    #[serde(default)]
    pub end_blank_line: bool,
    /// How many empty lines in a row end a block. Default: 1 with `end_blank_line`.
    pub blank_lines: Option<usize>,
    /// Lines of a block, empty ones not counted, and a `start_line` not counted. Example: `4`.
    pub lines: Option<usize>,
    /// Bytes that follow the end mark and check value and belong to the frame. Example: `"\r\n"`.
    pub tail: Option<String>,
    /// Bytes of a frame of kind `length`, marks and check value included. Example: `25`.
    pub length: Option<usize>,
    /// Where a frame of kind `prefix` says how long it is.
    pub length_field: Option<LengthField>,
    /// How bytes that look like marks are made safe inside a frame (byte stuffing). For kinds `lines`, `block`, `gap`.
    pub escape: Option<Escape>,
    /// Bytes that may stand between frames and mean nothing, beside blanks and line ends. Example: `"\u0000"`.
    pub fill: Option<String>,
    /// Milliseconds of silence that end a frame. Needed for kind `gap`; optional for the others. Example: `80`.
    pub gap_ms: Option<u64>,
    /// Milliseconds of silence after which a frame that was begun counts as cut off. Default: 2000; none for
    /// rows.
    pub idle_ms: Option<u64>,
    /// Bytes that a frame may have at most; beyond, it is damaged (`too-long`). Default: 65536; rows 1048576; a
    /// file 16777216.
    pub bytes_max: Option<usize>,
    /// The quotation mark of rows. Example: `"\""`.
    pub quote: Option<String>,
    /// Whether the last row of a file counts without a line end. Default: false, because a half-written file
    /// ends like that and 2.87 might be the start of 2.870.
    #[serde(default)]
    pub unterminated_last_row: bool,
}

/// How the number in a length field is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LengthWritten {
    /// One byte.
    U8,
    /// Two bytes, high byte first.
    U16Be,
    /// Two bytes, low byte first.
    U16Le,
    /// Four bytes, high byte first.
    U32Be,
    /// Four bytes, low byte first.
    U32Le,
    /// Decimal digits, as many as `digits` says, filled up with zeros.
    Decimal,
    /// Hexadecimal digits, as many as `digits` says, filled up with zeros.
    Hex,
    /// Decimal digits behind one digit, 1 to 9, that says how many they are. With `start = "#"` this is a block of
    /// definite length of IEEE 488.2 (8.7.9, from memory): `#15` and five bytes, `#3512` and 512. A digit 0 means a block
    /// of indefinite length (8.7.10, from memory): it ends with its message, so `gap_ms` says what silence that is;
    /// without it such a block is damaged.
    CountedDecimal,
}

/// Which bytes a length field counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
pub enum Counts {
    /// What lies between the length field and the check value or the end mark.
    #[default]
    #[serde(rename = "payload")]
    Payload,
    /// The same and a check value that stands before the end mark.
    #[serde(rename = "payload+check")]
    PayloadCheck,
    /// Everything behind the length field: payload, check value, end mark and tail.
    #[serde(rename = "rest")]
    Rest,
    /// The whole frame from its start mark to its tail.
    #[serde(rename = "frame")]
    Frame,
}

/// Where a frame says how long it is. What stands between the start mark and the length field is read as the
/// beginning of the payload; the field itself is not read.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LengthField {
    /// How it is written.
    pub written: LengthWritten,
    /// Digits of `decimal` and `hex`. Example: `4`.
    pub digits: Option<u8>,
    /// Bytes between the start mark and the field. Default: 0.
    #[serde(default)]
    pub at: usize,
    /// Which bytes it counts. Default: `"payload"`.
    #[serde(default)]
    pub counts: Counts,
    /// Bytes that each unit of it stands for. Example: `2` where points of two bytes are counted. Default: 1.
    pub times: Option<u32>,
    /// Bytes counted beside those that the field states (less than 0: not counted). Example: `8` for a header of fixed
    /// size behind the field that it leaves out. Default: 0.
    #[serde(default)]
    pub add: i32,
}

/// How bytes that look like marks are made safe inside a frame. Behind the escape byte stands a byte that is no mark:
/// the byte meant itself, or, with `xor` or `means`, what stands for it. An end mark that begins with the escape byte
/// (DLE ETX) stays an end mark.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Escape {
    /// The escape byte. Example: `"\u0010"` (DLE), `"\u001b"` (ESC), `"}"`.
    pub byte: String,
    /// The bytes that are escaped and never stand bare inside a frame; where another one is escaped or one of these
    /// stands bare, the frame is damaged. Example: `"\u0010"` where only the escape byte is doubled. Default: any byte
    /// may be escaped.
    pub of: Option<String>,
    /// What the byte behind the escape byte is combined with by exclusive or. Example: `0x20`. Default: 0.
    pub xor: Option<u8>,
    /// What stands behind the escape byte, and the byte that it means; anything else is damage. Example:
    /// `{ "\u00dc" = "\u00c0", "\u00dd" = "\u00db" }`.
    #[serde(default)]
    pub means: BTreeMap<String, String>,
}
