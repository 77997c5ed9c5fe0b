//! Frames that are no text: fields by their bytes.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Deserialize;

use super::{Event, StateWord};

/// Which byte of a number comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ByteOrder {
    /// The low one.
    Little,
    /// The high one.
    Big,
}

/// What the bytes of a field are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BinaryKind {
    /// Whole numbers without sign, of 8 to 64 bits.
    U8,
    /// 16 bits.
    U16,
    /// 24 bits.
    U24,
    /// 32 bits.
    U32,
    /// 64 bits.
    U64,
    /// Whole numbers in two's complement, of 8 to 64 bits.
    I8,
    /// 16 bits.
    I16,
    /// 24 bits.
    I24,
    /// 32 bits.
    I32,
    /// 64 bits.
    I64,
    /// IEEE 754 binary numbers of 32 bits.
    F32,
    /// IEEE 754 binary numbers of 64 bits.
    F64,
    /// Packed decimal digits, two to a byte, in `bytes` bytes; the sign may be the last half byte
    /// (C, F or A plus, D or B minus).
    Bcd,
    /// Characters of `[text] encoding` in `bytes` bytes, filled up with blanks or zero bytes behind.
    Text,
    /// Bytes without meaning.
    Skip,
}

/// How often something comes.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Repeat {
    /// So often.
    Times(usize),
    /// As often as an earlier field of that name says; `"rest"`: as often as fits into the frame.
    Field(String),
}

/// Part of a whole number.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BinaryBit {
    /// One bit or several, counted from 0, the lowest. Example: `"3"`, `"4-7"`.
    pub at: String,
    /// Field name. Absent: it is only checked (`equals`) or tells an event.
    pub name: Option<String>,
    /// What its values mean; others are damage. Example: `{ "0" = "IN", "1" = "OUT" }`.
    #[serde(default)]
    pub words: BTreeMap<String, String>,
    /// The value that it must have. Example: `0` for reserved bits.
    pub equals: Option<u64>,
    /// What it tells where it is not 0.
    pub event: Option<Event>,
}

/// One field.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BinaryField {
    /// Field name or quantity symbol. Absent: it is only checked (`equals`), split (`bit`) or skipped.
    pub name: Option<String>,
    /// What its bytes are.
    pub kind: BinaryKind,
    /// Place of its first byte, from 0 at the first byte behind the start mark (of records: of the record). Default:
    /// right behind the field before. Bytes that no field has must be 0.
    pub at: Option<usize>,
    /// Its bytes, for the kinds that have no width of their own.
    pub bytes: Option<usize>,
    /// Byte order. Default: as `binary.order`; packed decimal digits begin with the high ones.
    pub order: Option<ByteOrder>,
    /// What it must be, to the letter or digit; anything else is damage (`sanity`). Example: `"PRF1"`, `"0"`.
    pub equals: Option<String>,
    /// The value is the number times this. Exact: in quotes, as a decimal. Example: `"0.001"`.
    pub scale: Option<String>,
    /// The value is the number, scaled, plus this. Example: `"-273.15"`.
    pub offset: Option<String>,
    /// Decimals to which a floating point number is rounded, as the instrument's display does it. Default: the
    /// shortest decimal that is this number and no other of its width.
    pub decimals: Option<u8>,
    /// What codes in place of a number mean, also `nan`, `inf` and `-inf`, which are damage otherwise. Example:
    /// `{ "32767" = "over" }`.
    #[serde(default)]
    pub states: BTreeMap<String, StateWord>,
    /// What its codes mean as words; others are damage. Example: `{ "0" = "Ra", "1" = "Rz" }`.
    #[serde(default)]
    pub words: BTreeMap<String, String>,
    /// The bits of a whole number. Bits that none of them names must be 0.
    #[serde(default)]
    pub bit: Vec<BinaryBit>,
    /// An array of so many. Only `heights` may be one. Example: `"points"`, `400`, `"rest"`.
    pub count: Option<Repeat>,
}

/// Fields by their bytes. First come all of `field`, then `records` times all of `record`, then all of `behind`. A
/// frame of another length is damaged (`length`).
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Binary {
    /// Byte order of numbers of more than one byte. Example: `"little"`.
    pub order: Option<ByteOrder>,
    /// Fields at the beginning, in their order.
    #[serde(default)]
    pub field: Vec<BinaryField>,
    /// Fields that come again for every record (one measurement each, or one value of it).
    #[serde(default)]
    pub record: Vec<BinaryField>,
    /// How many records there are. Needed with `record`. Example: `"count"`, `4`, `"rest"`.
    pub records: Option<Repeat>,
    /// Fields behind the records.
    #[serde(default)]
    pub behind: Vec<BinaryField>,
}
