//! What a line carries beside the bytes that are meant: parity in the highest bit, escapes, printer codes.

use std::borrow::Cow;
use std::collections::BTreeMap;

use regex::bytes::Regex;

use crate::definition::Parity;

/// Seven data bits that arrive as eight.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Seven {
    /// The highest bit is parity, and is checked.
    Checked(Parity),
    /// The highest bit means nothing.
    Unchecked,
}

impl Seven {
    /// The byte without its highest bit.
    pub(crate) fn clear(byte: u8) -> u8 {
        byte & 0x7f
    }

    /// Whether the highest bit of `byte` is as it should be.
    pub(crate) fn is_sound(self, byte: u8) -> bool {
        match self {
            Seven::Unchecked => true,
            Seven::Checked(Parity::Even) => byte.count_ones().is_multiple_of(2),
            Seven::Checked(Parity::Odd) => !byte.count_ones().is_multiple_of(2),
            Seven::Checked(Parity::Mark) => byte & 0x80 != 0,
            Seven::Checked(Parity::Space) => byte & 0x80 == 0,
        }
    }

    /// The bytes without their highest bits; `None` where one has the wrong parity.
    pub(crate) fn clear_all(self, bytes: &[u8]) -> Option<Vec<u8>> {
        bytes.iter().map(|byte| self.is_sound(*byte).then_some(Seven::clear(*byte))).collect()
    }
}

/// How bytes that look like marks are made safe inside a frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Stuffing {
    /// The escape byte.
    pub(crate) byte: u8,
    /// The bytes that are escaped and never stand bare; `None`: any may be.
    pub(crate) of: Option<Vec<u8>>,
    pub(crate) meaning: Meaning,
    /// Marks that begin with the escape byte.
    pub(crate) marks: Vec<Vec<u8>>,
}

/// What the byte behind an escape byte means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Meaning {
    /// Itself, combined with this by exclusive or.
    Xor(u8),
    /// What the table says.
    Table(BTreeMap<u8, u8>),
}

/// From where on a mark may begin, seen from the last byte of a stream.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Guard {
    /// The last byte was an escape byte whose other half is still to come.
    is_pending: bool,
    /// Position behind the last escaped byte.
    pub(crate) clear_from: usize,
}

/// Why escapes can't be undone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum BadStuffing {
    /// An escape byte, and nothing or nothing known behind it.
    Escape,
    /// A byte that must be escaped stands bare.
    Bare(u8),
    /// A start mark.
    Mark,
}

impl Guard {
    /// One that lets marks begin at `position`.
    pub(crate) fn at(position: usize) -> Guard {
        Guard { is_pending: false, clear_from: position }
    }

    /// One more byte: the last of `open`.
    pub(crate) fn step(&mut self, stuffing: &Stuffing, open: &[u8]) {
        let Some(last) = open.last() else { return };
        if self.is_pending {
            self.is_pending = false;
            if !stuffing.marks.iter().any(|mark| mark.get(1) == Some(last)) {
                self.clear_from = open.len();
            }
        } else if *last == stuffing.byte {
            self.is_pending = true;
        }
    }
}

impl Stuffing {
    /// The bytes that are meant by those sent between two marks.
    pub(crate) fn undo(&self, sent: &[u8], start: &[u8]) -> Result<Vec<u8>, BadStuffing> {
        let mut meant = Vec::with_capacity(sent.len());
        let must_be_escaped = |byte: u8| self.of.as_ref().is_some_and(|of| of.contains(&byte));
        let mut at = 0;
        while let Some(byte) = sent.get(at) {
            if !start.is_empty() && sent[at..].starts_with(start) {
                return Err(BadStuffing::Mark);
            }
            if *byte != self.byte {
                if must_be_escaped(*byte) {
                    return Err(BadStuffing::Bare(*byte));
                }
                meant.push(*byte);
                at += 1;
                continue;
            }
            let behind = *sent.get(at + 1).ok_or(BadStuffing::Escape)?;
            let means = match &self.meaning {
                Meaning::Xor(xor) => behind ^ xor,
                Meaning::Table(table) => *table.get(&behind).ok_or(BadStuffing::Escape)?,
            };
            if self.of.as_ref().is_some_and(|of| !of.contains(&means)) {
                return Err(BadStuffing::Escape);
            }
            meant.push(means);
            at += 2;
        }
        Ok(meant)
    }
}

/// The bytes without what `strip` takes out.
pub(crate) fn stripped<'a>(strip: Option<&Regex>, bytes: &'a [u8]) -> Cow<'a, [u8]> {
    match strip {
        Some(strip) => strip.replace_all(bytes, &b""[..]),
        None => Cow::Borrowed(bytes),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn doubling(of: Option<&[u8]>) -> Stuffing {
        let marks = vec![vec![0x10, 0x02], vec![0x10, 0x03]];
        Stuffing { byte: 0x10, of: of.map(<[u8]>::to_vec), meaning: Meaning::Xor(0), marks }
    }

    /// `R` is 52: three ones; `a` is 61: three ones; `0` is 30: two.
    #[test]
    fn parity_is_checked_by_its_kind() {
        assert_eq!(Seven::Checked(Parity::Even).clear_all(b"\xd2\xe10").unwrap(), b"Ra0");
        assert_eq!(Seven::Checked(Parity::Even).clear_all(b"R\xe10"), None);
        assert_eq!(Seven::Checked(Parity::Odd).clear_all(b"Ra\xb0").unwrap(), b"Ra0");
        assert_eq!(Seven::Checked(Parity::Mark).clear_all(b"\xd2\xe1\xb0").unwrap(), b"Ra0");
        assert_eq!(Seven::Checked(Parity::Mark).clear_all(b"\xd2\xe10"), None);
        assert_eq!(Seven::Checked(Parity::Space).clear_all(b"Ra0").unwrap(), b"Ra0");
        assert_eq!(Seven::Unchecked.clear_all(b"\xd2a\xb0").unwrap(), b"Ra0");
    }

    #[test]
    fn escapes_are_undone_or_told() {
        let dle = doubling(Some(b"\x10"));
        assert_eq!(dle.undo(b"a\x10\x10b", b"\x10\x02").unwrap(), b"a\x10b");
        assert_eq!(dle.undo(b"a\x10\x10\x02b", b"\x10\x02").unwrap(), b"a\x10\x02b");
        assert_eq!(dle.undo(b"a\x10\x02b", b"\x10\x02"), Err(BadStuffing::Mark));
        assert_eq!(dle.undo(b"a\x10b", b"\x10\x02"), Err(BadStuffing::Escape));
        assert_eq!(dle.undo(b"a\x10", b""), Err(BadStuffing::Escape));
        let hdlc = Stuffing { byte: 0x7d, of: Some(vec![0x7e, 0x7d]), meaning: Meaning::Xor(0x20), marks: vec![] };
        assert_eq!(hdlc.undo(b"\x7d\x5e\x7d\x5d1", b"").unwrap(), b"\x7e\x7d1");
        assert_eq!(hdlc.undo(b"\x7d1", b""), Err(BadStuffing::Escape));
        assert_eq!(hdlc.undo(b"1\x7e", b""), Err(BadStuffing::Bare(0x7e)));
        let slip = Stuffing {
            byte: 0xdb,
            of: None,
            meaning: Meaning::Table([(0xdc, 0xc0), (0xdd, 0xdb)].into()),
            marks: vec![],
        };
        assert_eq!(slip.undo(b"\xdb\xdc\xdb\xdd", b"").unwrap(), b"\xc0\xdb");
        assert_eq!(slip.undo(b"\xdb1", b""), Err(BadStuffing::Escape));
    }
}
