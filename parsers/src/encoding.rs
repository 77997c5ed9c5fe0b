//! Bytes to characters. What an encoding does not have is told, never replaced.

use encoding_rs::{Encoding, SHIFT_JIS, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use oem_cp::code_table::{DECODING_TABLE_CP437, DECODING_TABLE_CP850};

use crate::definition::EncodingName;

/// Why bytes are no text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum BadText {
    /// The encoding does not have them.
    Undecodable,
    /// They hold control characters, which no message has between its marks.
    Noise,
}

/// Control characters that a text may hold: tab and line ends.
fn is_noise(character: char) -> bool {
    character.is_ascii_control() && !matches!(character, '\t' | '\r' | '\n')
}

/// The text of `bytes`, without a byte order mark. Noise outweighs a wrong encoding, because random bytes are
/// both.
pub(crate) fn decode(name: EncodingName, bytes: &[u8]) -> Result<String, BadText> {
    let wide = is_wide(name);
    let undecodable = || match bytes.iter().any(|byte| !wide && is_noise(char::from(*byte))) {
        true => BadText::Noise,
        false => BadText::Undecodable,
    };
    let text = match name {
        EncodingName::Ascii if bytes.is_ascii() => bytes.iter().copied().map(char::from).collect(),
        EncodingName::Ascii => return Err(undecodable()),
        EncodingName::Latin1 => bytes.iter().copied().map(char::from).collect(),
        EncodingName::Utf8 => table(UTF_8, bytes).ok_or_else(undecodable)?,
        EncodingName::Windows1252 => table(WINDOWS_1252, bytes).ok_or_else(undecodable)?,
        EncodingName::Cp437 => code_page(&DECODING_TABLE_CP437, bytes),
        EncodingName::Cp850 => code_page(&DECODING_TABLE_CP850, bytes),
        EncodingName::ShiftJis => table(SHIFT_JIS, bytes).ok_or_else(undecodable)?,
        EncodingName::Utf16Le => table(UTF_16LE, bytes).ok_or_else(undecodable)?,
        EncodingName::Utf16Be => table(UTF_16BE, bytes).ok_or_else(undecodable)?,
    };
    if text.chars().any(is_noise) {
        return Err(BadText::Noise);
    }
    // A byte order mark of the other order.
    if wide && text.starts_with('\u{fffe}') {
        return Err(BadText::Undecodable);
    }
    // C1 control characters stand for the bytes that a single-byte code page leaves open.
    if text.chars().any(|character| ('\u{80}'..='\u{9f}').contains(&character)) {
        return Err(BadText::Undecodable);
    }
    Ok(match text.strip_prefix('\u{feff}') {
        Some(rest) => rest.to_owned(),
        None => text,
    })
}

fn table(encoding: &'static Encoding, bytes: &[u8]) -> Option<String> {
    encoding.decode_without_bom_handling_and_without_replacement(bytes).map(|text| text.into_owned())
}

/// The upper half of a code page; its lower half is ASCII.
fn code_page(upper: &[char; 128], bytes: &[u8]) -> String {
    let character = |byte: &u8| match byte.checked_sub(0x80) {
        Some(at) => upper.get(usize::from(at)).copied().unwrap_or(char::REPLACEMENT_CHARACTER),
        None => char::from(*byte),
    };
    bytes.iter().map(character).collect()
}

/// Whether a character takes two bytes at least.
pub(crate) fn is_wide(name: EncodingName) -> bool {
    matches!(name, EncodingName::Utf16Le | EncodingName::Utf16Be)
}

/// The bytes of a mark: one byte per character, two in a wide encoding. `None` where a character is beyond
/// U+00FF.
pub(crate) fn mark_bytes(name: EncodingName, text: &str) -> Option<Vec<u8>> {
    let bytes = text.chars().map(|character| u8::try_from(u32::from(character)).ok()).collect::<Option<Vec<u8>>>()?;
    Some(match name {
        EncodingName::Utf16Le => bytes.into_iter().flat_map(|byte| [byte, 0]).collect(),
        EncodingName::Utf16Be => bytes.into_iter().flat_map(|byte| [0, byte]).collect(),
        _ => bytes,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_outweighs_a_wrong_encoding() {
        assert_eq!(decode(EncodingName::Ascii, b"\x00\xff\xf8.412 um"), Err(BadText::Noise));
        assert_eq!(decode(EncodingName::Ascii, b"\xd2\xe1\xa00.\xb4"), Err(BadText::Undecodable));
        assert_eq!(decode(EncodingName::Utf8, b"Ra \xb5m"), Err(BadText::Undecodable));
        assert_eq!(decode(EncodingName::Utf8, b"Ra\x1b"), Err(BadText::Noise));
    }

    /// Unicode Consortium, mappings VENDORS/MICSFT/PC/CP437.TXT and CP850.TXT (from memory of them), and
    /// JIS X 0208 row 6 for the Greek letter.
    #[test]
    fn code_pages_and_shift_jis() {
        assert_eq!(decode(EncodingName::Cp437, b"\xda\xc4\xbf \xe6m \xf8 \x81").as_deref(), Ok("┌─┐ µm ° ü"));
        assert_eq!(decode(EncodingName::Cp850, b"\xda\xc4\xbf \xe6m \xf8 \x9d").as_deref(), Ok("┌─┐ µm ° Ø"));
        assert_eq!(decode(EncodingName::Cp437, b"a\x01"), Err(BadText::Noise));
        assert_eq!(decode(EncodingName::ShiftJis, b"\x91\x65\x82\xb3 \x83\xcam \xb1").as_deref(), Ok("粗さ μm ｱ"));
        assert_eq!(decode(EncodingName::ShiftJis, b"Ra \x91"), Err(BadText::Undecodable));
        assert_eq!(decode(EncodingName::ShiftJis, b"Ra \xff"), Err(BadText::Undecodable));
    }

    #[test]
    fn encodings_and_byte_order_marks() {
        assert_eq!(decode(EncodingName::Latin1, b"Ger\xe4t").as_deref(), Ok("Gerät"));
        assert_eq!(decode(EncodingName::Latin1, b"\x80"), Err(BadText::Undecodable));
        assert_eq!(decode(EncodingName::Windows1252, b"\x80 \xb5m").as_deref(), Ok("\u{20ac} µm"));
        assert_eq!(decode(EncodingName::Windows1252, b"\x81"), Err(BadText::Undecodable));
        assert_eq!(decode(EncodingName::Utf8, b"\xef\xbb\xbfNo").as_deref(), Ok("No"));
        assert_eq!(decode(EncodingName::Utf16Le, b"\xff\xfe\xb5\x00m\x00").as_deref(), Ok("µm"));
        assert_eq!(decode(EncodingName::Utf16Be, b"\x00\xb5\x00m").as_deref(), Ok("µm"));
        assert_eq!(decode(EncodingName::Utf16Le, b"R\x00a"), Err(BadText::Undecodable));
        assert_eq!(decode(EncodingName::Utf16Le, b"\xfe\xff\x00R"), Err(BadText::Undecodable), "the other order");
        assert_eq!(decode(EncodingName::Utf16Be, b"\xff\xfeR\x00"), Err(BadText::Undecodable), "the other order");
    }
}
