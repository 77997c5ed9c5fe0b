//! One key that went down, and the words it is kept in.
//!
//! A stroke holds what any layout needs: the key's position and which modifiers were held. In words it is the modifiers'
//! and the key's names of linux/input-event-codes.h without `KEY_`, joined by `+` and closed by a blank; a key without a
//! name here is `#` and its number. Words, so that people who look at kept bytes see what was typed.

use std::fmt::Write;

/// The word for events that the kernel threw away.
const LOST: &str = "LOST";

/// Bytes that the longest word may have; anything longer is none.
pub(super) const WORD_MAX: usize = 128;

/// Names of keys by code. Source: linux/input-event-codes.h, held against it by `names_are_those_of_the_kernel`.
#[rustfmt::skip]
pub(super) const NAMES: &[(u16, &str)] = &[
    (1, "ESC"), (2, "1"), (3, "2"), (4, "3"), (5, "4"), (6, "5"), (7, "6"), (8, "7"), (9, "8"), (10, "9"), (11, "0"),
    (12, "MINUS"), (13, "EQUAL"), (14, "BACKSPACE"), (15, "TAB"), (16, "Q"), (17, "W"), (18, "E"), (19, "R"),
    (20, "T"), (21, "Y"), (22, "U"), (23, "I"), (24, "O"), (25, "P"), (26, "LEFTBRACE"), (27, "RIGHTBRACE"),
    (28, "ENTER"), (30, "A"), (31, "S"), (32, "D"), (33, "F"), (34, "G"), (35, "H"), (36, "J"), (37, "K"), (38, "L"),
    (39, "SEMICOLON"), (40, "APOSTROPHE"), (41, "GRAVE"), (43, "BACKSLASH"), (44, "Z"), (45, "X"), (46, "C"),
    (47, "V"), (48, "B"), (49, "N"), (50, "M"), (51, "COMMA"), (52, "DOT"), (53, "SLASH"), (55, "KPASTERISK"),
    (57, "SPACE"), (71, "KP7"), (72, "KP8"), (73, "KP9"), (74, "KPMINUS"), (75, "KP4"), (76, "KP5"), (77, "KP6"),
    (78, "KPPLUS"), (79, "KP1"), (80, "KP2"), (81, "KP3"), (82, "KP0"), (83, "KPDOT"), (86, "102ND"),
    (96, "KPENTER"), (98, "KPSLASH"), (103, "UP"), (105, "LEFT"), (106, "RIGHT"), (108, "DOWN"), (111, "DELETE"),
    (117, "KPEQUAL"), (121, "KPCOMMA"),
];

/// Names and codes of the keys that are held, in the order of their bits. Source: USB HID 1.11, 8.3 (the modifier byte of a
/// keyboard's report, bit 0 first), and linux/input-event-codes.h for names and codes.
pub(super) const MODIFIERS: [(u16, &str); 8] = [
    (29, "LEFTCTRL"),
    (42, "LEFTSHIFT"),
    (56, "LEFTALT"),
    (125, "LEFTMETA"),
    (97, "RIGHTCTRL"),
    (54, "RIGHTSHIFT"),
    (100, "RIGHTALT"),
    (126, "RIGHTMETA"),
];
/// Codes and name of the locks.
pub(super) const CAPS_LOCK: (u16, &str) = (58, "CAPSLOCK");
pub(super) const NUM_LOCK: (u16, &str) = (69, "NUMLOCK");

/// Modifiers that are held, one bit each.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Held(pub(super) u8);

impl Held {
    pub(super) const NONE: Held = Held(0);
    pub(super) const SHIFT: Held = Held(0b0010_0010);
    pub(super) const CTRL: Held = Held(0b0001_0001);
    /// The right one alone: on many layouts it chooses the third character of a key.
    pub(super) const ALT_GR: Held = Held(0b0100_0000);

    /// Whether nothing but some of `these` is held.
    pub(super) fn is_only(self, these: Held) -> bool {
        self.0 & !these.0 == 0
    }

    /// Whether some of `these` is held.
    pub(super) fn has(self, these: Held) -> bool {
        self.0 & these.0 != 0
    }
}

/// A key that went down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Stroke {
    /// The key's code.
    pub(super) code: u16,
    pub(super) held: Held,
    /// Whether caps lock was on.
    pub(super) caps: bool,
}

/// One word of what was received.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Word {
    Stroke(Stroke),
    /// Events were lost here.
    Lost,
}

impl Word {
    /// Appends the word and its blank.
    pub(super) fn write(self, to: &mut Vec<u8>) {
        to.extend_from_slice(format!("{self} ").as_bytes());
    }

    /// Reads a word, its blank included; `None` where it is none.
    pub(super) fn read(bytes: &[u8]) -> Option<Word> {
        let text = std::str::from_utf8(bytes.strip_suffix(b" ")?).ok()?;
        if text == LOST {
            return Some(Word::Lost);
        }
        let mut parts = text.split('+');
        let code = code_of(parts.next_back()?)?;
        let mut stroke = Stroke { code, held: Held::NONE, caps: false };
        for part in parts {
            match MODIFIERS.iter().position(|(_, name)| *name == part) {
                Some(bit) => stroke.held.0 |= 1 << bit,
                None if part == CAPS_LOCK.1 => stroke.caps = true,
                None => return None,
            }
        }
        Some(Word::Stroke(stroke))
    }
}

impl std::fmt::Display for Word {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Word::Stroke(stroke) = self else { return f.write_str(LOST) };
        if stroke.caps {
            write!(f, "{}+", CAPS_LOCK.1)?;
        }
        for (bit, (_, name)) in MODIFIERS.iter().enumerate() {
            if stroke.held.0 & (1 << bit) != 0 {
                write!(f, "{name}+")?;
            }
        }
        f.write_str(&name_of(stroke.code))
    }
}

/// The name of a key.
pub(super) fn name_of(code: u16) -> String {
    let mut name = String::new();
    match NAMES.iter().find(|(known, _)| *known == code) {
        Some((_, known)) => name.push_str(known),
        None => drop(write!(name, "#{code}")),
    }
    name
}

/// The code of a key.
pub(super) fn code_of(name: &str) -> Option<u16> {
    match name.strip_prefix('#') {
        Some(number) => number.parse().ok(),
        None => NAMES.iter().find(|(_, known)| *known == name).map(|(code, _)| *code),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]
    use super::*;

    /// Every name, code and modifier, held against the kernel's own list.
    #[test]
    fn names_are_those_of_the_kernel() {
        let header = std::fs::read_to_string("/usr/include/linux/input-event-codes.h")
            .expect("the kernel's list of key codes, which comes with a C library's headers");
        let locks = [CAPS_LOCK, NUM_LOCK];
        for (code, name) in NAMES.iter().chain(&MODIFIERS).chain(&locks) {
            let defined = header.lines().any(|line| {
                let words: Vec<_> = line.split_whitespace().collect();
                words.starts_with(&["#define", &format!("KEY_{name}"), &code.to_string()])
            });
            assert!(defined, "KEY_{name} is not {code}");
        }
    }

    #[test]
    fn words_go_both_ways() {
        for code in [2, 52, 183, 767] {
            for held in 0..=u8::MAX {
                for caps in [false, true] {
                    let word = Word::Stroke(Stroke { code, held: Held(held), caps });
                    let mut bytes = Vec::new();
                    word.write(&mut bytes);
                    assert_eq!(Word::read(&bytes), Some(word));
                    assert!(bytes.len() <= WORD_MAX);
                }
            }
        }
        assert_eq!(Word::read(b"LEFTSHIFT+2 ").map(|word| word.to_string()), Some("LEFTSHIFT+2".into()));
        for none in ["", " ", "2", "SHIFT+2 ", "2+LEFTSHIFT ", "#70000 ", "#-1 ", "ümlaut ", "two "] {
            assert_eq!(Word::read(none.as_bytes()), None, "{none:?}");
        }
    }
}
