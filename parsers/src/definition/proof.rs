//! The check value that proves a frame undamaged, as an engineer writes it down.

use schemars::JsonSchema;
use serde::Deserialize;

use super::binary::ByteOrder;

/// How a check value is computed. The names of CRCs are those of the public catalogue of parametrised CRC
/// algorithms, or what they are commonly called.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ChecksumKind {
    /// Exclusive or of all bytes.
    Xor,
    /// Sum of all bytes modulo 256.
    Sum,
    /// Sum of all bytes modulo 65536.
    Sum16,
    /// Longitudinal redundancy check: two's complement of the sum modulo 256. The same as `sum` with complement
    /// `twos`. (Where a manual calls the exclusive or "LRC", take `xor`.)
    Lrc,
    /// Sum of all bytes where what is carried out of 8 bits is added again (ones' complement arithmetic). Manuals
    /// often invert the result: complement `ones`.
    OnesSum,
    /// The same over words of 16 bits, high byte first, an odd last byte filled up with zero. The check value of
    /// internet protocols is this with complement `ones`.
    OnesSum16,
    /// Polynomial 07, begins with 0.
    #[serde(rename = "crc-8")]
    Crc8,
    /// Polynomial 31, reflected, begins with 0; of one-wire devices.
    #[serde(rename = "crc-8-maxim")]
    Crc8Maxim,
    /// Polynomial 8005, reflected, begins with FFFF.
    #[serde(rename = "crc-16-modbus")]
    Crc16Modbus,
    /// Polynomial 8005, reflected, begins with 0.
    #[serde(rename = "crc-16-arc")]
    Crc16Arc,
    /// Polynomial 1021, begins with FFFF.
    #[serde(rename = "crc-16-ccitt-false")]
    Crc16CcittFalse,
    /// Polynomial 1021, begins with 0.
    #[serde(rename = "crc-16-xmodem")]
    Crc16Xmodem,
    /// Polynomial 1021, reflected, begins with 0.
    #[serde(rename = "crc-16-kermit")]
    Crc16Kermit,
    /// Polynomial 1021, reflected, begins with FFFF, inverted.
    #[serde(rename = "crc-16-x-25")]
    Crc16X25,
    /// Polynomial 1021, begins with 1D0F.
    #[serde(rename = "crc-16-aug-ccitt")]
    Crc16AugCcitt,
    /// Polynomial 3D65, reflected, begins with 0, inverted.
    #[serde(rename = "crc-16-dnp")]
    Crc16Dnp,
    /// Polynomial 04C11DB7, reflected, begins with FFFFFFFF, inverted; of archives and networks.
    #[serde(rename = "crc-32")]
    Crc32,
    /// Any other CRC: its parameters stand in `crc`.
    Crc,
}

/// The parameters of a CRC, in the words of the public catalogue of parametrised CRC algorithms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CrcForm {
    /// Bits of the check value: 8, 16, 24 or 32.
    pub width: u8,
    /// Generator polynomial without its highest term, unreflected. Example: `0x1021`.
    pub poly: u32,
    /// What the register holds at the beginning, unreflected. Default: 0.
    #[serde(default)]
    pub init: u32,
    /// Whether the bits of each byte are taken from the lowest one on. Default: false.
    #[serde(default)]
    pub refin: bool,
    /// Whether the bits of the result are turned round. Default: as `refin`.
    pub refout: Option<bool>,
    /// What the result is combined with by exclusive or. Default: 0.
    #[serde(default)]
    pub xorout: u32,
}

/// What is done to the computed number before it is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Complement {
    /// Nothing.
    #[default]
    None,
    /// Every bit is inverted.
    Ones,
    /// It is subtracted from the next power of two, so that all bytes and the check value add up to 0.
    Twos,
}

/// Which bytes a check value covers. `start` and `end` are the marks (of a check value that stands last, `end` is
/// what stands in `after`); `length` is everything from the start mark to behind the length field of a frame of kind
/// `prefix`; `payload` is what lies between, without the check value itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
pub enum Covers {
    /// What lies between the marks.
    #[default]
    #[serde(rename = "payload")]
    Payload,
    /// The same and the end mark.
    #[serde(rename = "payload+end")]
    PayloadEnd,
    /// The start mark and what lies between.
    #[serde(rename = "start+payload")]
    StartPayload,
    /// Everything from the start mark to the end mark, a length field not counted.
    #[serde(rename = "start+payload+end")]
    StartPayloadEnd,
    /// Length field and payload.
    #[serde(rename = "length+payload")]
    LengthPayload,
    /// Length field, payload and end mark.
    #[serde(rename = "length+payload+end")]
    LengthPayloadEnd,
    /// Start mark, length field and payload.
    #[serde(rename = "start+length+payload")]
    StartLengthPayload,
    /// Everything from the start mark to the end mark.
    #[serde(rename = "start+length+payload+end")]
    StartLengthPayloadEnd,
}

/// How a check value is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Written {
    /// Raw: as many bytes as the check value has (1, 2, 3 or 4). They may equal any mark and are never taken for
    /// one.
    Byte,
    /// The same as `byte`, for check values of several bytes.
    Bytes,
    /// Hexadecimal digits, capital or small: two for each byte.
    Hex,
    /// Hexadecimal digits, capital only.
    HexUpper,
    /// Hexadecimal digits, small only.
    HexLower,
    /// Decimal digits: three for 8 bits, five for 16, eight for 24, ten for 32.
    Decimal,
    /// Two bytes for each byte: its upper and lower half, 30 hexadecimal added to each (`0`..`?`).
    Nibbles,
}

/// Where a check value stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ChecksumPlace {
    /// Behind the end mark.
    AfterEnd,
    /// Last in the line, or last before the end mark.
    Last,
    /// First, right behind the start mark (and the length field).
    First,
}

/// The check value of a frame. A frame whose check value is missing, is written otherwise or does not agree is
/// damaged (`checksum`).
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Checksum {
    /// How it is computed.
    pub kind: ChecksumKind,
    /// The parameters of kind `crc`. Example: `{ width = 16, poly = 0x1021, init = 0xFFFF }`.
    pub crc: Option<CrcForm>,
    /// What a sum or exclusive or begins with. Default: 0.
    pub seed: Option<u32>,
    /// What is done to the result. Default: `"none"`.
    #[serde(default)]
    pub complement: Complement,
    /// The remainder of the result by this number is the check value. Example: `100` for two decimal digits of a sum.
    pub modulo: Option<u32>,
    /// Added to the result at last, so that a check value is a printable character. Example: `0x20`.
    pub add: Option<u32>,
    /// Which bytes it covers. Default: `"payload"`.
    #[serde(default)]
    pub covers: Covers,
    /// How it is written.
    pub written: Written,
    /// Digits of `hex` and `decimal` where they are more or fewer than the check value has. With fewer, the last
    /// digits of the check value are written. Example: `4` for a sum sent as `00E5`.
    pub digits: Option<u8>,
    /// Order of its bytes, in `byte`, `hex` and `nibbles`. Default: `"big"`, high byte first.
    pub order: Option<ByteOrder>,
    /// Where it stands. Default: behind the end mark of a block that has one (bytes), else last.
    pub place: Option<ChecksumPlace>,
    /// The mark between payload and a check value that stands last; for `covers` it is the end mark.
    /// Example: `"*"`.
    pub after: Option<String>,
    /// Whether the check value is computed over the bytes as they were sent, escapes included, instead of over what
    /// they mean. Default: false.
    #[serde(default)]
    pub over_escaped: bool,
}
