//! Check characters of labels, as the open standards define them.

/// A check character at the end of a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize, schemars::JsonSchema)]
pub enum CheckDigit {
    /// Digits with weights 3 and 1 from the right (GS1 General Specifications, 7.9).
    #[serde(rename = "mod 10")]
    Mod10,
    /// The 43 characters of Code 39 (ISO/IEC 16388, annex A).
    #[serde(rename = "mod 43")]
    Mod43,
}

/// The characters of Code 39 in the order of their values (ISO/IEC 16388, table 1; from memory).
const CODE_39: &[u8; 43] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%";

impl CheckDigit {
    /// The word as the shop writes it.
    pub fn word(self) -> &'static str {
        match self {
            CheckDigit::Mod10 => "mod 10",
            CheckDigit::Mod43 => "mod 43",
        }
    }

    /// The check character of a text without one; `None` where the text holds a character that has no value.
    pub fn of(self, text: &str) -> Option<char> {
        match self {
            CheckDigit::Mod10 => {
                let weights = [3, 1].into_iter().cycle();
                let products =
                    text.chars().rev().zip(weights).map(|(digit, weight)| Some(digit.to_digit(10)? * weight));
                let sum = products.sum::<Option<u32>>()?;
                char::from_digit((10 - sum % 10) % 10, 10)
            }
            CheckDigit::Mod43 => {
                let value = |char: char| CODE_39.iter().position(|known| char::from(*known) == char);
                let sum = text.chars().map(value).sum::<Option<usize>>()?;
                CODE_39.get(sum % CODE_39.len()).map(|byte| char::from(*byte))
            }
        }
    }

    /// Whether the last character of a text is the check character of those before it. One character alone proves
    /// nothing.
    pub fn holds(self, text: &str) -> bool {
        let mut before = text.chars();
        let last = before.next_back();
        !before.as_str().is_empty() && last.is_some() && self.of(before.as_str()) == last
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples that the standards are usually shown by: GS1's own 629104150021-3 and 400638133393-1, and
    /// `12345ABCDE/` with its check character `T` of Code 39. All from memory; the sums were done by hand.
    #[test]
    fn the_standards_examples_hold() {
        for (check, text, digit) in [
            (CheckDigit::Mod10, "629104150021", Some('3')),
            (CheckDigit::Mod10, "400638133393", Some('1')),
            (CheckDigit::Mod10, "9638507", Some('4')),
            (CheckDigit::Mod43, "12345ABCDE/", Some('T')),
            (CheckDigit::Mod43, "", Some('0')),
            (CheckDigit::Mod10, "12a", None),
            (CheckDigit::Mod10, "١٢", None),
            (CheckDigit::Mod43, "abc", None),
        ] {
            assert_eq!(check.of(text), digit, "{check:?} {text}");
        }
    }

    /// One wrong digit is always found. Characters in another order are not found by modulo 43: its sum has no weights.
    #[test]
    fn a_wrong_character_is_found() {
        assert!(CheckDigit::Mod10.holds("6291041500213") && CheckDigit::Mod43.holds("12345ABCDE/T"));
        for at in 0..13 {
            for digit in b'0'..=b'9' {
                let mut text = *b"6291041500213";
                let same = std::mem::replace(&mut text[at], digit) == digit;
                let text: String = text.iter().map(|byte| char::from(*byte)).collect();
                assert_eq!(CheckDigit::Mod10.holds(&text), same, "{text}");
            }
        }
        for text in ["", "0", "3", "T"] {
            assert!(!CheckDigit::Mod10.holds(text) && !CheckDigit::Mod43.holds(text), "{text:?}");
        }
        assert!(CheckDigit::Mod43.holds("21345ABCDE/T"));
    }
}
