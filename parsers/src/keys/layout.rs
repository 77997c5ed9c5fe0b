//! Keyboard layouts: what a stroke types. The tables are data (`*.keys` beside this file); a key or a combination that a
//! layout does not have types nothing, and that is told.

use std::collections::BTreeMap;
use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::stroke::{Held, Stroke, Word, code_of};
use crate::reading::Reason;

/// A layout by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum LayoutName {
    /// United States.
    Us,
    /// United Kingdom.
    Uk,
    /// Germany.
    De,
    /// Switzerland, German.
    Ch,
    /// France; its digits need shift.
    Fr,
}

impl LayoutName {
    /// All of them.
    pub const ALL: [LayoutName; 5] = [Self::Us, Self::Uk, Self::De, Self::Ch, Self::Fr];

    /// The word for it in configuration and recordings.
    pub fn word(self) -> &'static str {
        match self {
            LayoutName::Us => "us",
            LayoutName::Uk => "uk",
            LayoutName::De => "de",
            LayoutName::Ch => "ch",
            LayoutName::Fr => "fr",
        }
    }

    /// The layout of this word.
    pub fn parse(word: &str) -> Option<LayoutName> {
        Self::ALL.into_iter().find(|name| name.word() == word)
    }

    fn table(self) -> &'static str {
        match self {
            LayoutName::Us => include_str!("us.keys"),
            LayoutName::Uk => include_str!("uk.keys"),
            LayoutName::De => include_str!("de.keys"),
            LayoutName::Ch => include_str!("ch.keys"),
            LayoutName::Fr => include_str!("fr.keys"),
        }
    }
}

impl fmt::Display for LayoutName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// What the keys of a device mean.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layout {
    /// Its name.
    pub name: LayoutName,
    /// What the decimal key of the numeric keypad types.
    pub keypad_decimal: char,
    /// Whether caps lock is about letters alone. Elsewhere systems differ in what it does to other keys.
    caps_is_of_letters: bool,
    /// By code: plain, with shift, with AltGr.
    keys: BTreeMap<u16, [Option<char>; 3]>,
}

/// Why a word of what was received types nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Misread {
    /// The layout has no such key or combination.
    Unknown(Stroke),
    /// Events were lost here.
    Lost,
    /// It is no word.
    Unreadable,
}

/// Keys that are the same on every layout, by code. Source: USB HID Usage Tables, Keyboard/Keypad page (0x07), names and
/// legends of usages 0x28, 0x29, 0x2b, 0x2c, 0x54 to 0x62, 0x67, 0x85; code by code the kernel's drivers/hid/usbhid/usbkbd.c
/// (from memory).
const EVERYWHERE: &[(u16, char)] = &[(1, '\x1b'), (15, '\t'), (28, '\r'), (57, ' '), (96, '\r')];
#[rustfmt::skip]
const KEYPAD: &[(u16, char)] = &[
    (55, '*'), (71, '7'), (72, '8'), (73, '9'), (74, '-'), (75, '4'), (76, '5'), (77, '6'), (78, '+'), (79, '1'),
    (80, '2'), (81, '3'), (82, '0'), (98, '/'), (117, '='), (121, ','),
];
const KEYPAD_DECIMAL: u16 = 83;

impl Layout {
    /// A layout; `keypad_decimal` where it is not the usual one.
    pub fn new(name: LayoutName, keypad_decimal: Option<char>) -> Layout {
        let mut layout = Layout { name, keypad_decimal: '.', caps_is_of_letters: false, keys: BTreeMap::new() };
        for line in name.table().lines() {
            layout.line(line);
        }
        layout.keypad_decimal = keypad_decimal.unwrap_or(layout.keypad_decimal);
        layout
    }

    /// Takes a line of a table; whether it is one.
    fn line(&mut self, line: &str) -> bool {
        let mut words = line.split_whitespace();
        let one = |word: &str| (word != "none").then(|| word.chars().next()).flatten();
        match (words.next(), words.next()) {
            (Some("#"), _) => return true,
            (Some("caps"), Some(of)) => self.caps_is_of_letters = of == "letters",
            (Some("keypad"), Some(decimal)) => self.keypad_decimal = one(decimal).unwrap_or('.'),
            (Some(key), Some(plain)) => {
                let Some(code) = code_of(key) else { return false };
                let (shift, alt_gr) = (words.next().and_then(one), words.next().and_then(one));
                return self.keys.insert(code, [one(plain), shift, alt_gr]).is_none() && words.next().is_none();
            }
            _ => return false,
        }
        true
    }

    /// What a word types.
    pub(super) fn read(&self, word: &[u8]) -> Result<char, Misread> {
        match Word::read(word) {
            Some(Word::Stroke(stroke)) => self.typed(stroke).ok_or(Misread::Unknown(stroke)),
            Some(Word::Lost) => Err(Misread::Lost),
            None => Err(Misread::Unreadable),
        }
    }

    fn typed(&self, stroke: Stroke) -> Option<char> {
        let Stroke { code, held, .. } = stroke;
        let of = |table: &[(u16, char)]| table.iter().find(|(known, _)| *known == code).map(|(_, char)| *char);
        if let Some(char) = of(EVERYWHERE) {
            // With shift a tab goes back, and nothing that types does that.
            let is_plain = held == Held::NONE || held.is_only(Held::SHIFT) && char != '\t' && char != '\x1b';
            return is_plain.then_some(char);
        }
        if let Some(char) = of(KEYPAD).or((code == KEYPAD_DECIMAL).then_some(self.keypad_decimal)) {
            return (held == Held::NONE).then_some(char);
        }
        let [plain, shift, alt_gr] = *self.keys.get(&code)?;
        if held != Held::NONE && held.is_only(Held::CTRL) {
            return control(plain?);
        }
        if held == Held::ALT_GR {
            return alt_gr.filter(|_| !stroke.caps || self.caps_is_of_letters);
        }
        if !held.is_only(Held::SHIFT) {
            return None;
        }
        let is_shifted = held.has(Held::SHIFT);
        let is_letter =
            plain.zip(shift).is_some_and(|(plain, shift)| plain.is_lowercase() && is_upper_of(shift, plain));
        match (stroke.caps, is_letter) {
            (true, false) if !self.caps_is_of_letters => None,
            (caps, is_letter) => {
                if is_shifted != (caps && is_letter) {
                    shift
                } else {
                    plain
                }
            }
        }
    }
}

fn is_upper_of(upper: char, lower: char) -> bool {
    lower.to_uppercase().eq([upper])
}

/// What a key types with control: scanners send the separators of a label so (FS, GS, RS are control with `\`, `]`, `^`).
/// Source: ECMA-48 and ISO/IEC 646 for the codes; that control takes the lower five bits is common practice, no source.
fn control(plain: char) -> Option<char> {
    let upper = plain.to_ascii_uppercase();
    matches!(upper, 'A'..='Z' | '[' | '\\' | ']' | '^' | '_').then(|| char::from(upper as u8 & 0x1f))
}

impl Misread {
    pub(super) fn reason(self) -> Reason {
        match self {
            Misread::Unknown(_) => Reason::UnknownKey,
            Misread::Lost => Reason::Lost,
            Misread::Unreadable => Reason::Noise,
        }
    }

    pub(super) fn words(self, layout: LayoutName) -> String {
        match self {
            Misread::Unknown(stroke) => format!("layout {layout} has no character for {}", Word::Stroke(stroke)),
            Misread::Lost => "keys were lost before they reached the program".into(),
            Misread::Unreadable => "bytes that are no keys".into(),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "tests")]
    use super::*;

    fn typed(layout: LayoutName, words: &str) -> String {
        let layout = Layout::new(layout, None);
        let read = |word: &str| layout.read(word.as_bytes()).unwrap_or('\u{fffd}');
        words.split_inclusive(' ').map(read).collect()
    }

    #[test]
    fn every_line_of_a_table_is_read() {
        for name in LayoutName::ALL {
            let mut layout = Layout::new(name, None);
            layout.keys.clear();
            for line in name.table().lines() {
                assert!(layout.line(line), "{name}: {line}");
            }
            assert!(layout.keys.len() >= 47, "{name}: {} keys", layout.keys.len());
            assert_eq!(LayoutName::parse(name.word()), Some(name));
        }
    }

    /// One row per thing that goes wrong with the wrong layout: strokes, and what each layout makes of them. Worked out from
    /// pictures of the keyboards (common practice), not from the tables.
    #[test]
    fn the_same_keys_under_every_layout() {
        let rows = [
            ("1 2 3 ENTER ", ["123\r", "123\r", "123\r", "123\r", "&é\"\r"]),
            ("LEFTSHIFT+1 RIGHTSHIFT+2 ", ["!@", "!\"", "!\"", "+\"", "12"]),
            ("LEFTSHIFT+R Z ", ["Rz", "Rz", "Ry", "Ry", "Rw"]),
            ("LEFTSHIFT+R A ", ["Ra", "Ra", "Ra", "Ra", "Rq"]),
            ("MINUS ", ["-", "-", "ß", "'", ")"]),
            ("SLASH ", ["/", "/", "-", "-", "!"]),
            ("DOT COMMA ", [".,", ".,", ".,", ".,", ":;"]),
            ("KP0 KPDOT KP8 KPENTER ", ["0.8\r", "0.8\r", "0,8\r", "0.8\r", "0.8\r"]),
            ("KPMINUS KPPLUS KPCOMMA ", ["-+,", "-+,", "-+,", "-+,", "-+,"]),
            ("RIGHTALT+M ", ["\u{fffd}", "\u{fffd}", "µ", "\u{fffd}", "\u{fffd}"]),
            ("CAPSLOCK+A CAPSLOCK+LEFTSHIFT+A ", ["Aa", "Aa", "Aa", "Aa", "Qq"]),
            ("CAPSLOCK+1 ", ["1", "1", "\u{fffd}", "\u{fffd}", "\u{fffd}"]),
            ("CAPSLOCK+KP1 ", ["1", "1", "1", "1", "1"]),
            ("LEFTCTRL+RIGHTBRACE ", ["\x1d", "\x1d", "\u{fffd}", "\u{fffd}", "\u{fffd}"]),
            ("LEFTCTRL+M ", ["\r", "\r", "\r", "\r", "\u{fffd}"]),
            ("LEFTALT+KP1 LEFTMETA+L #59 BACKSPACE ", ["\u{fffd}\u{fffd}\u{fffd}\u{fffd}"; 5]),
            ("EQUAL ", ["=", "=", "\u{fffd}", "\u{fffd}", "="]),
            ("LEFTSHIFT+KP1 LEFTSHIFT+TAB LEFTSHIFT+SPACE ", ["\u{fffd}\u{fffd} "; 5]),
            ("LOST 1x\u{e9} ", ["\u{fffd}\u{fffd}"; 5]),
        ];
        for (words, wanted) in rows {
            for (name, wanted) in LayoutName::ALL.into_iter().zip(wanted) {
                assert_eq!(typed(name, words), wanted, "{name}: {words}");
            }
        }
    }

    #[test]
    fn the_decimal_key_of_the_keypad_can_be_said() {
        assert_eq!(Layout::new(LayoutName::De, Some('.')).read(b"KPDOT "), Ok('.'));
        assert_eq!(Layout::new(LayoutName::Us, Some(',')).read(b"KPDOT "), Ok(','));
    }

    /// Keys that type a keysym by `xkbcli how-to-type`, a part of xkeyboard-config's own library: key code and modifiers.
    fn how_to_type(layout: &str, arguments: &[&str]) -> Vec<(u16, String)> {
        let mut tool = std::process::Command::new("xkbcli");
        let said = tool.args(["how-to-type", "--rules", "evdev", "--layout", layout]).args(arguments).output().unwrap();
        let said = String::from_utf8(said.stdout).unwrap();
        let ways = said.lines().filter_map(|line| {
            // Keycodes of X are those of the kernel and 8.
            let code = line.split_whitespace().next()?.parse::<u16>().ok()? - 8;
            Some((code, line.split_once('[')?.1.trim_end_matches(']').trim().to_owned()))
        });
        ways.collect()
    }

    /// Every character of every table, held against xkeyboard-config.
    #[test]
    #[ignore = "needs xkbcli (libxkbcommon-tools) and xkb-data"]
    fn layouts_agree_with_xkeyboard_config() {
        for name in LayoutName::ALL {
            let xkb = if name == LayoutName::Uk { "gb" } else { name.word() };
            let layout = Layout::new(name, None);
            let mut keys = layout.keys.clone();
            keys.extend(
                EVERYWHERE
                    .iter()
                    .filter(|(code, _)| *code != 96)
                    .map(|(code, char)| (*code, [Some(*char), None, None])),
            );
            for (code, characters) in keys {
                for (level, char) in (0..).zip(characters).filter_map(|(level, char)| Some((level, char?))) {
                    let ways = how_to_type(xkb, &[&format!("0x{:x}", u32::from(char))]);
                    // The third level's own modifier is the fifth.
                    let way = (code, ["", "Shift", "Mod5"][level].to_owned());
                    assert!(ways.contains(&way), "{name}: {way:?} types {char:?}? {ways:?}");
                }
            }
        }
    }

    /// The keypad has keysyms of its own there.
    #[test]
    #[ignore = "needs xkbcli (libxkbcommon-tools) and xkb-data"]
    fn keypads_agree_with_xkeyboard_config() {
        for name in LayoutName::ALL {
            let xkb = if name == LayoutName::Uk { "gb" } else { name.word() };
            let layout = Layout::new(name, None);
            let decimal = (KEYPAD_DECIMAL, layout.keypad_decimal);
            for (code, char) in KEYPAD.iter().filter(|(code, _)| *code != 121).chain([&decimal, &(96, '\r')]) {
                let keysym = match char {
                    '*' => "KP_Multiply".to_owned(),
                    '-' => "KP_Subtract".to_owned(),
                    '+' => "KP_Add".to_owned(),
                    '/' => "KP_Divide".to_owned(),
                    '=' => "KP_Equal".to_owned(),
                    '.' => "KP_Decimal".to_owned(),
                    ',' => "KP_Separator".to_owned(),
                    '\r' => "KP_Enter".to_owned(),
                    digit => format!("KP_{digit}"),
                };
                let ways = how_to_type(xkb, &["--keysym", &keysym]);
                assert!(ways.iter().any(|(key, _)| key == code), "{name}: {code} types {char:?}? {ways:?}");
            }
        }
    }
}
