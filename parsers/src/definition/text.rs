//! How bytes become characters, as an engineer writes it down.

use schemars::JsonSchema;
use serde::Deserialize;

/// Character encodings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
pub enum EncodingName {
    /// 7-bit ASCII.
    #[default]
    #[serde(rename = "ascii")]
    Ascii,
    /// UTF-8, with or without a byte order mark.
    #[serde(rename = "utf-8")]
    Utf8,
    /// ISO 8859-1.
    #[serde(rename = "latin-1")]
    Latin1,
    /// Windows code page 1252.
    #[serde(rename = "windows-1252")]
    Windows1252,
    /// Code page 437, of printers and early PCs: frames of lines and corners, E6 is micro.
    #[serde(rename = "cp437")]
    Cp437,
    /// Code page 850, the same for western Europe.
    #[serde(rename = "cp850")]
    Cp850,
    /// Shift-JIS as Windows writes it.
    #[serde(rename = "shift-jis")]
    ShiftJis,
    /// UTF-16, low byte first, with or without a byte order mark.
    #[serde(rename = "utf-16le")]
    Utf16Le,
    /// UTF-16, high byte first, with or without a byte order mark.
    #[serde(rename = "utf-16be")]
    Utf16Be,
}

/// Parity that is carried in the highest bit of each byte, because the port was read with 8 data bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    /// The number of ones is even.
    Even,
    /// The number of ones is odd.
    Odd,
    /// The highest bit is always 1.
    Mark,
    /// The highest bit is always 0.
    Space,
}

/// How bytes become characters.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Text {
    /// Character encoding. Bytes it does not have make a frame damaged (`encoding`). Default: `"ascii"`.
    #[serde(default)]
    pub encoding: EncodingName,
    /// Seven data bits and this parity, where they arrive as eight (a serial device server, a recording made with the
    /// wrong setting). The parity of every byte is checked, wrong parity is damage (`encoding`), and marks and check
    /// values see seven bits. Better where it can be had: 7 data bits and parity in the port's own settings.
    pub parity: Option<Parity>,
    /// The highest bit of each byte means nothing and is not looked at. Default: false. `parity` is better: it finds
    /// damage.
    #[serde(default)]
    pub strip_high_bit: bool,
    /// Patterns over bytes that mean nothing between the marks of a frame (printer codes), in single quotes: `'\x1b@'`,
    /// `'\x1b!.'` (a dot is any byte). They are taken out before anything is read.
    #[serde(default)]
    pub strip: Vec<String>,
}
