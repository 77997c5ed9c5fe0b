//! Check values: how they are computed, how they are written, and whether a frame's own agrees.
//!
//! CRC parameters come from the catalogue of parametrised CRC algorithms (G. Cook, <https://reveng.sourceforge.io/crc-catalogue/>)
//! by way of the crate `crc-catalog`. The computing itself is ours, because definitions may state parameters of their
//! own at run time.

use crc_catalog::Algorithm;

use crate::definition::{ByteOrder, ChecksumKind, ChecksumPlace, Complement, CrcForm, Written};

/// A check value, ready to be computed and read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Check {
    pub(crate) formula: Formula,
    pub(crate) complement: Complement,
    pub(crate) modulo: Option<u32>,
    pub(crate) add: u32,
    pub(crate) covers: Parts,
    pub(crate) written: Written,
    /// Bytes of the frame that it takes.
    pub(crate) width: usize,
    pub(crate) order: ByteOrder,
    pub(crate) place: ChecksumPlace,
    pub(crate) after: Vec<u8>,
    pub(crate) over_escaped: bool,
    /// Only seven bits of a raw byte are compared, because the line carries no more.
    pub(crate) seven_bits: bool,
}

/// The parts of a frame beside its payload that a check value covers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Parts {
    pub(crate) start: bool,
    pub(crate) length: bool,
    pub(crate) end: bool,
}

/// How the number is computed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Formula {
    Xor {
        seed: u32,
    },
    /// Bytes modulo 2^`bits`.
    Sum {
        seed: u32,
        bits: u32,
    },
    /// Words of `bits` with the carry added again.
    OnesSum {
        seed: u32,
        bits: u32,
    },
    Crc(CrcForm),
}

/// The parameters of a CRC of the catalogue.
macro_rules! of_catalogue {
    ($algorithm:expr) => {{
        let algorithm = $algorithm;
        CrcForm {
            width: algorithm.width,
            poly: u32::from(algorithm.poly),
            init: u32::from(algorithm.init),
            refin: algorithm.refin,
            refout: Some(algorithm.refout),
            xorout: u32::from(algorithm.xorout),
        }
    }};
}

/// The CRC that a name stands for.
fn named_crc(kind: ChecksumKind) -> Option<CrcForm> {
    use crc_catalog as known;
    let wide = |algorithm: Algorithm<u16>| of_catalogue!(algorithm);
    Some(match kind {
        ChecksumKind::Crc8 => of_catalogue!(known::CRC_8_SMBUS),
        ChecksumKind::Crc8Maxim => of_catalogue!(known::CRC_8_MAXIM_DOW),
        ChecksumKind::Crc16Modbus => wide(known::CRC_16_MODBUS),
        ChecksumKind::Crc16Arc => wide(known::CRC_16_ARC),
        ChecksumKind::Crc16CcittFalse => wide(known::CRC_16_IBM_3740),
        ChecksumKind::Crc16Xmodem => wide(known::CRC_16_XMODEM),
        ChecksumKind::Crc16Kermit => wide(known::CRC_16_KERMIT),
        ChecksumKind::Crc16X25 => wide(known::CRC_16_IBM_SDLC),
        ChecksumKind::Crc16AugCcitt => wide(known::CRC_16_SPI_FUJITSU),
        ChecksumKind::Crc16Dnp => wide(known::CRC_16_DNP),
        ChecksumKind::Crc32 => of_catalogue!(known::CRC_32_ISO_HDLC),
        _ => return None,
    })
}

impl Formula {
    /// The formula of a kind; `None` for kind `crc` without parameters.
    pub(crate) fn of(kind: ChecksumKind, free: Option<CrcForm>, seed: u32) -> Option<Formula> {
        Some(match kind {
            ChecksumKind::Xor => Formula::Xor { seed },
            ChecksumKind::Sum | ChecksumKind::Lrc => Formula::Sum { seed, bits: 8 },
            ChecksumKind::Sum16 => Formula::Sum { seed, bits: 16 },
            ChecksumKind::OnesSum => Formula::OnesSum { seed, bits: 8 },
            ChecksumKind::OnesSum16 => Formula::OnesSum { seed, bits: 16 },
            ChecksumKind::Crc => Formula::Crc(free?),
            named => Formula::Crc(named_crc(named)?),
        })
    }

    /// Bits of the number.
    pub(crate) fn bits(self) -> u32 {
        match self {
            Formula::Xor { .. } => 8,
            Formula::Sum { bits, .. } | Formula::OnesSum { bits, .. } => bits,
            Formula::Crc(form) => u32::from(form.width),
        }
    }

    fn compute(self, bytes: impl Iterator<Item = u8>) -> u32 {
        match self {
            Formula::Xor { seed } => bytes.fold(seed, |check, byte| check ^ u32::from(byte)),
            Formula::Sum { seed, bits } => bytes.fold(seed, |sum, byte| sum.wrapping_add(u32::from(byte))) & mask(bits),
            Formula::OnesSum { seed, bits } => ones_sum(bytes, seed, bits),
            Formula::Crc(form) => crc(form, bytes),
        }
    }
}

fn mask(bits: u32) -> u32 {
    u32::MAX >> (32 - bits.clamp(1, 32))
}

fn ones_sum(bytes: impl Iterator<Item = u8>, seed: u32, bits: u32) -> u32 {
    let carried = |sum: u32| (sum & mask(bits)) + (sum >> bits);
    // The high byte of a word weighs 256; without a second byte the low one is 0.
    let weigh = |at: usize, byte: u8| u32::from(byte) << if bits == 16 && at.is_multiple_of(2) { 8 } else { 0 };
    bytes.enumerate().fold(seed, |sum, (at, byte)| carried(sum + weigh(at, byte)))
}

/// The register model of the catalogue: message bits in, one at a time.
fn crc(form: CrcForm, bytes: impl Iterator<Item = u8>) -> u32 {
    let width = u32::from(form.width);
    let top = 1_u32 << (width - 1);
    let mut register = form.init & mask(width);
    for byte in bytes {
        let byte = if form.refin { byte.reverse_bits() } else { byte };
        register ^= u32::from(byte) << (width - 8);
        for _ in 0..8 {
            register = if register & top != 0 { (register << 1) ^ form.poly } else { register << 1 };
        }
    }
    register &= mask(width);
    let result = if form.refout.unwrap_or(form.refin) { register.reverse_bits() >> (32 - width) } else { register };
    (result ^ form.xorout) & mask(width)
}

impl Check {
    /// The check value of `bytes`.
    pub(crate) fn compute(&self, bytes: impl Iterator<Item = u8>) -> u32 {
        let bits = self.formula.bits();
        let number = self.formula.compute(bytes);
        let number = match self.complement {
            Complement::None => number,
            Complement::Ones => !number,
            Complement::Twos => number.wrapping_neg(),
        } & mask(bits);
        let number = self.modulo.map_or(number, |modulo| number % modulo);
        number.wrapping_add(self.add) & mask(bits)
    }

    /// Whether what stands in the frame is the check value `computed`; `None` where it is no check value at all.
    pub(crate) fn agrees(&self, computed: u32, stated: &[u8]) -> Option<bool> {
        let number = read(self.written, self.order, stated)?;
        Some(match self.written {
            Written::Byte | Written::Bytes if self.seven_bits => {
                let seven = 0x7f7f_7f7f & mask(self.formula.bits());
                number == u64::from(computed & seven)
            }
            Written::Hex | Written::HexUpper | Written::HexLower => {
                number == u64::from(computed) & low_digits(16, self.width)
            }
            Written::Decimal => {
                number == u64::from(computed) % 10_u64.pow(u32::try_from(self.width).unwrap_or(10).min(19))
            }
            _ => number == u64::from(computed),
        })
    }

    /// A check value in a frame, as people write it: digits as they are, raw bytes in hexadecimal.
    pub(crate) fn as_sent(&self, stated: &[u8]) -> String {
        match self.written {
            Written::Byte | Written::Bytes => stated.iter().map(|byte| format!("{byte:02X}")).collect(),
            _ => String::from_utf8_lossy(stated).into_owned(),
        }
    }

    /// A computed check value, as people write it.
    pub(crate) fn shown(&self, number: u32) -> String {
        match self.written {
            Written::Decimal => format!("{number:00$}", self.width),
            _ => format!("{number:00$X}", usize::try_from(self.formula.bits().div_ceil(4)).unwrap_or(2)),
        }
    }
}

/// All ones in so many digits.
fn low_digits(base: u64, digits: usize) -> u64 {
    base.checked_pow(u32::try_from(digits).unwrap_or(16)).map_or(u64::MAX, |power| power - 1)
}

/// Bytes that a check value of `bits` takes, written so.
pub(crate) fn width(written: Written, bits: u32, digits: Option<u8>) -> usize {
    let bytes = usize::try_from(bits.div_ceil(8)).unwrap_or(1);
    let usual = match written {
        Written::Byte | Written::Bytes => return bytes,
        Written::Nibbles => return 2 * bytes,
        Written::Hex | Written::HexUpper | Written::HexLower => 2 * bytes,
        Written::Decimal => match bytes {
            1 => 3,
            2 => 5,
            3 => 8,
            _ => 10,
        },
    };
    digits.map_or(usual, usize::from)
}

fn read(written: Written, order: ByteOrder, bytes: &[u8]) -> Option<u64> {
    let digits = |fits: fn(u8) -> bool, radix: u32| {
        let text = std::str::from_utf8(bytes).ok().filter(|text| !text.is_empty() && text.bytes().all(fits))?;
        u64::from_str_radix(text, radix).ok()
    };
    let number = match written {
        Written::Byte | Written::Bytes => join(bytes.iter().copied()),
        Written::Hex => digits(|byte| byte.is_ascii_hexdigit(), 16)?,
        Written::HexUpper => digits(|byte| byte.is_ascii_hexdigit() && !byte.is_ascii_lowercase(), 16)?,
        Written::HexLower => digits(|byte| byte.is_ascii_hexdigit() && !byte.is_ascii_uppercase(), 16)?,
        Written::Decimal => return digits(|byte| byte.is_ascii_digit(), 10),
        Written::Nibbles => {
            let half = |byte: &u8| byte.checked_sub(0x30).filter(|half| *half < 16);
            let halves: Vec<u8> = bytes.iter().map(half).collect::<Option<_>>()?;
            join(halves.chunks(2).map(|pair| pair.iter().fold(0, |byte, half| byte << 4 | half)))
        }
    };
    if order == ByteOrder::Big {
        return Some(number);
    }
    let count = match written {
        Written::Byte | Written::Bytes => bytes.len(),
        _ => bytes.len().div_ceil(2),
    };
    Some(number.swap_bytes() >> (64 - 8 * count.clamp(1, 8)))
}

fn join(bytes: impl Iterator<Item = u8>) -> u64 {
    bytes.fold(0, |number, byte| number << 8 | u64::from(byte))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    /// Catalogue of parametrised CRC algorithms: the check value of an algorithm is that of the text `123456789`.
    const CHECK: &[u8] = b"123456789";

    fn compute(kind: ChecksumKind, bytes: &[u8]) -> u32 {
        Formula::of(kind, None, 0).unwrap().compute(bytes.iter().copied())
    }

    /// XOR, sums: worked by hand (0x31 + .. + 0x39 = 477). CRCs: the catalogue, under the names behind them.
    #[test]
    fn published_check_values() {
        for (kind, expected) in [
            (ChecksumKind::Xor, 0x31),
            (ChecksumKind::Sum, 0xdd),
            (ChecksumKind::Sum16, 0x01dd),
            (ChecksumKind::Crc8, 0xf4),              // CRC-8/SMBUS
            (ChecksumKind::Crc8Maxim, 0xa1),         // CRC-8/MAXIM-DOW
            (ChecksumKind::Crc16Modbus, 0x4b37),     // CRC-16/MODBUS
            (ChecksumKind::Crc16Arc, 0xbb3d),        // CRC-16/ARC
            (ChecksumKind::Crc16CcittFalse, 0x29b1), // CRC-16/IBM-3740
            (ChecksumKind::Crc16Xmodem, 0x31c3),     // CRC-16/XMODEM
            (ChecksumKind::Crc16Kermit, 0x2189),     // CRC-16/KERMIT
            (ChecksumKind::Crc16X25, 0x906e),        // CRC-16/IBM-SDLC
            (ChecksumKind::Crc16AugCcitt, 0xe5cc),   // CRC-16/SPI-FUJITSU
            (ChecksumKind::Crc16Dnp, 0xea82),        // CRC-16/DNP
            (ChecksumKind::Crc32, 0xcbf4_3926),      // CRC-32/ISO-HDLC
        ] {
            assert_eq!(compute(kind, CHECK), expected, "{kind:?}");
        }
    }

    /// Our register against the check values that the catalogue publishes for parameters of every kind.
    #[test]
    fn any_parameters_of_the_catalogue() {
        use crc_catalog as known;
        macro_rules! all {
            ($($name:ident)*) => {
                $(
                    let form = of_catalogue!(known::$name);
                    let check = Formula::Crc(form).compute(CHECK.iter().copied());
                    assert_eq!(check, u32::from(known::$name.check), stringify!($name));
                )*
            };
        }
        all!(CRC_8_AUTOSAR CRC_8_BLUETOOTH CRC_8_DARC CRC_8_I_432_1 CRC_8_ROHC CRC_8_SAE_J1850 CRC_8_TECH_3250);
        all!(CRC_16_CDMA2000 CRC_16_DECT_R CRC_16_EN_13757 CRC_16_GENIBUS CRC_16_ISO_IEC_14443_3_A CRC_16_MAXIM_DOW);
        all!(CRC_16_PROFIBUS CRC_16_RIELLO CRC_16_TMS37157 CRC_16_UMTS CRC_16_USB CRC_16_T10_DIF);
        all!(CRC_24_OPENPGP CRC_24_BLE CRC_32_ISCSI CRC_32_BZIP2 CRC_32_CKSUM CRC_32_MPEG_2 CRC_32_XFER CRC_32_AIXM);
    }

    /// RFC 1071 section 3: the bytes 00 01 f2 03 f4 f5 f6 f7 add up to ddf2 in ones' complement. The sum of bytes by
    /// hand: 0xff + 0x02 = 0x101, with the carry added again 0x02.
    #[test]
    fn sums_in_ones_complement() {
        assert_eq!(compute(ChecksumKind::OnesSum16, b"\x00\x01\xf2\x03\xf4\xf5\xf6\xf7"), 0xddf2);
        assert_eq!(compute(ChecksumKind::OnesSum16, b"\x01"), 0x0100, "an odd last byte is a high one");
        assert_eq!(compute(ChecksumKind::OnesSum, b"\xff\x02"), 0x02);
    }

    #[test]
    fn what_is_written_otherwise_is_no_check_value() {
        let big = |written, bytes| read(written, ByteOrder::Big, bytes);
        assert_eq!(big(Written::Hex, b"9d"), Some(0x9d));
        assert_eq!(big(Written::HexUpper, b"9d"), None);
        assert_eq!(big(Written::HexLower, b"9D"), None);
        assert_eq!(big(Written::Hex, b"+1"), None);
        assert_eq!(big(Written::Decimal, b"157"), Some(157));
        assert_eq!(big(Written::Decimal, b" 57"), None);
        assert_eq!(big(Written::Nibbles, b"97:0"), Some(0x97a0));
        assert_eq!(big(Written::Nibbles, b"97A0"), None);
        assert_eq!(big(Written::Bytes, b"\x53\x0e"), Some(0x530e));
        assert_eq!(read(Written::Bytes, ByteOrder::Little, b"\x0e\x53"), Some(0x530e));
        assert_eq!(read(Written::Hex, ByteOrder::Little, b"0E53"), Some(0x530e));
        assert_eq!(read(Written::Nibbles, ByteOrder::Little, b":097"), Some(0x97a0));
    }
}
