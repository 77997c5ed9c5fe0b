//! Check values of the corpus' protected messages, computed a second time and without any of the product's code: from
//! the descriptions in the definitions' comments and, for the CRCs, bit by bit from polynomial and start value
//! (CRC-16/MODBUS and CRC-16/CCITT-FALSE as catalogues of CRCs list them; check value of "123456789": 4B37 and 29B1).

use ridgepost_parsers::Frame;

/// Whether the check value of a frame holds; `None` where nothing is known of the recording `name`, or the bytes
/// are too few to hold one.
pub fn holds(name: &str, frame: &Frame) -> Option<bool> {
    let (raw, body) = (&frame.raw[..], frame.body.clone());
    let behind_end = raw.get(body.end + 1..).unwrap_or_default();
    let payload = raw.get(body.clone())?;
    let with_end = raw.get(body.start..body.end + 1).unwrap_or_default();
    Some(match name {
        "a01_lrc_two_channels" => {
            let covered = raw.get(body.start.checked_sub(1)?..body.end + 1)?;
            is_hex(behind_end, u32::from(lrc(covered)))
        }
        "a30_acknowledged_blocks" => is_hex(behind_end, u32::from(lrc(payload))),
        "s12_stx_etx_xor" => behind_end == [xor(with_end)],
        "s13_stx_etx_sum" => is_hex(behind_end, u32::from(sum(payload))),
        "report-block" => is_hex(behind_end, u32::from(xor(with_end))),
        "a32_converted_hardness" => {
            let text = raw.strip_suffix(b"\r\n")?;
            let star = text.iter().rposition(|byte| *byte == b'*')?;
            // What may stand before a line (blanks, line ends) is no part of it.
            let line = text.get(body.start..star)?;
            is_hex(text.get(star + 1..)?, u32::from(sum(line)))
        }
        "a07_dle_crc" => {
            let inside = unstuffed(raw.get(body.start..)?.strip_suffix(b"\x10\x03")?)?;
            let (payload, stated) = inside.split_at_checked(inside.len().checked_sub(2)?)?;
            crc16(payload, 0xa001, true).to_le_bytes() == stated
        }
        "a08_length_in_digits" => {
            let text = raw.strip_suffix(b"\r")?;
            let (covered, stated) = text.split_at_checked(text.len().checked_sub(4)?)?;
            let mark = covered.iter().position(|byte| *byte == b'#')?;
            is_hex(stated, u32::from(crc16(&covered[mark + 1..], 0x1021, false)))
        }
        "s17_profile_binary" => {
            let begin = raw.windows(4).position(|four| four == b"PRF1")?;
            let (covered, stated) = raw[begin..].split_at_checked(raw.len().checked_sub(begin + 2)?)?;
            crc16(covered, 0x1021, false).to_be_bytes() == stated
        }
        _ => return None,
    })
}

fn xor(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |all, byte| all ^ byte)
}

fn sum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |all: u8, byte| all.wrapping_add(*byte))
}

fn lrc(bytes: &[u8]) -> u8 {
    sum(bytes).wrapping_neg()
}

/// Begins with FFFF; `reflected` takes bits from the lowest one on, with the polynomial turned round.
fn crc16(bytes: &[u8], polynomial: u16, reflected: bool) -> u16 {
    let mut rest = 0xffff_u16;
    for byte in bytes {
        rest ^= if reflected { u16::from(*byte) } else { u16::from(*byte) << 8 };
        for _ in 0..8 {
            rest = match (reflected, rest & if reflected { 1 } else { 0x8000 } != 0) {
                (true, true) => (rest >> 1) ^ polynomial,
                (true, false) => rest >> 1,
                (false, true) => (rest << 1) ^ polynomial,
                (false, false) => rest << 1,
            };
        }
    }
    rest
}

/// Whether `bytes` begin with `value` in digits of base 16: two, or four where it may need them.
fn is_hex(bytes: &[u8], value: u32) -> bool {
    [format!("{value:02X}"), format!("{value:04X}")]
        .iter()
        .any(|digits| bytes.get(..digits.len()).is_some_and(|stated| stated.eq_ignore_ascii_case(digits.as_bytes())))
}

/// Without the doubled DLE; `None` where one stands alone.
fn unstuffed(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut plain = Vec::new();
    let mut rest = bytes.iter();
    while let Some(byte) = rest.next() {
        if *byte == 0x10 && rest.next() != Some(&0x10) {
            return None;
        }
        plain.push(*byte);
    }
    Some(plain)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::corpus::{Case, flips, play};

    #[test]
    fn crcs_give_the_catalogues_check_values() {
        assert_eq!(crc16(b"123456789", 0xa001, true), 0x4b37);
        assert_eq!(crc16(b"123456789", 0x1021, false), 0x29b1);
    }

    /// Each protected recording is known, its accepted messages hold, and none holds with a byte of its value changed.
    #[test]
    fn every_protected_recording_is_known_and_can_fail() {
        for case in Case::all().iter().filter(|case| case.instrument.is_protected()) {
            let played = play(&case.instrument, &case.pieces).unwrap();
            let told =
                played.told.iter().filter(|told| !told.decoded.readings.is_empty() || !told.decoded.traces.is_empty());
            for told in told {
                assert_eq!(holds(&case.name, &told.frame), Some(true), "{}", case.name);
                let at = told.frame.body.start + 1;
                for flip in flips(told.frame.raw[at]) {
                    let mut frame = told.frame.clone();
                    frame.raw[at] = flip;
                    assert_ne!(holds(&case.name, &frame), Some(true), "{} with {flip:#x}", case.name);
                }
            }
        }
    }
}
