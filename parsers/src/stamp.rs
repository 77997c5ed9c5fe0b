//! Dates and times as an instrument writes them, into ISO 8601 form with exactly the parts that were sent.

/// A compiled format.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct StampForm(Vec<Token>);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Token {
    /// Year of four digits, or of two in this century.
    Year(usize),
    /// Month, day, hour, minute, second: exactly two digits, or one or two.
    Part(Part, bool),
    /// English month in three letters.
    MonthWord,
    /// Decimals of a second.
    Decimals,
    /// `Z`, `+hh:mm` or `+hhmm`.
    Zone,
    /// AM or PM.
    Half,
    Literal(char),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Part {
    Month,
    Day,
    Hour,
    Minute,
    Second,
}

/// What a text states of a point in time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Stamp {
    /// `2026-03-02` or `2026-03`.
    pub(crate) date: Option<String>,
    /// `14:07`, `14:07:10.5+01:00`.
    pub(crate) time: Option<String>,
}

#[derive(Default)]
struct Parts {
    year: Option<u32>,
    numbers: [Option<u32>; 5],
    decimals: Option<String>,
    zone: Option<String>,
    afternoon: Option<bool>,
}

const MONTHS: [&str; 12] = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"];

/// ISO 8601 as it is commonly written, for fields whose format is not declared.
const ISO: [&str; 9] = [
    "YYYY-MM-DD",
    "hh:mm",
    "hh:mm:ss",
    "YYYY-MM-DDThh:mm",
    "YYYY-MM-DDThh:mm:ss",
    "YYYY-MM-DDThh:mm:ss.f",
    "YYYY-MM-DDThh:mmZ",
    "YYYY-MM-DDThh:mm:ssZ",
    "YYYY-MM-DDThh:mm:ss.fZ",
];

/// Reads a text in ISO 8601 form.
pub(crate) fn parse_iso(text: &str) -> Option<Stamp> {
    ISO.iter().find_map(|form| StampForm::compile(form).ok()?.parse(text))
}

impl StampForm {
    /// Reads a format; `Err` says what is wrong with it.
    pub(crate) fn compile(text: &str) -> Result<StampForm, String> {
        let mut tokens = Vec::new();
        let mut rest = text;
        while let Some(first) = rest.chars().next() {
            // Letters between apostrophes stand for themselves; two apostrophes are one.
            if let Some(quoted) = rest.strip_prefix('\'') {
                let end = quoted.find('\'').ok_or_else(|| "an apostrophe is left open".to_owned())?;
                let text = if end == 0 { "'" } else { &quoted[..end] };
                tokens.extend(text.chars().map(Token::Literal));
                rest = &quoted[end + 1..];
                continue;
            }
            let run = rest.chars().take_while(|character| *character == first).count();
            let (token, length) = match (first, run) {
                ('Y', 4) => (Token::Year(4), 4),
                ('Y', 2) => (Token::Year(2), 2),
                ('M', 3) => (Token::MonthWord, 3),
                ('M', 1 | 2) => (Token::Part(Part::Month, run == 2), run),
                ('D', 1 | 2) => (Token::Part(Part::Day, run == 2), run),
                ('h', 1 | 2) => (Token::Part(Part::Hour, run == 2), run),
                ('m', 2) => (Token::Part(Part::Minute, true), 2),
                ('s', 2) => (Token::Part(Part::Second, true), 2),
                ('f', 1) => (Token::Decimals, 1),
                ('Z', 1) => (Token::Zone, 1),
                ('p', 1) => (Token::Half, 1),
                ('Y' | 'M' | 'D' | 'h' | 'm' | 's' | 'f' | 'Z' | 'p', _) => {
                    return Err(format!("`{}` is no part of a date or time", first.to_string().repeat(run)));
                }
                (other, _) => (Token::Literal(other), other.len_utf8()),
            };
            tokens.push(token);
            rest = &rest[length..];
        }
        let has = |wanted: &dyn Fn(&Token) -> bool| tokens.iter().any(wanted);
        let year = has(&|token| matches!(token, Token::Year(_)));
        let month = has(&|token| matches!(token, Token::MonthWord | Token::Part(Part::Month, _)));
        let day = has(&|token| matches!(token, Token::Part(Part::Day, _)));
        let hour = has(&|token| matches!(token, Token::Part(Part::Hour, _)));
        let minute = has(&|token| matches!(token, Token::Part(Part::Minute, _)));
        match () {
            () if (month || day) && !(year && month) => Err("a date needs its year and month".to_owned()),
            () if hour != minute => Err("a time needs hours and minutes".to_owned()),
            () if !year && !hour => Err("there is neither a date nor a time in it".to_owned()),
            () => Ok(StampForm(tokens)),
        }
    }

    /// The point in time that `text` states, if it is written so and exists.
    pub(crate) fn parse(&self, text: &str) -> Option<Stamp> {
        let mut parts = Parts::default();
        let mut rest = text;
        for token in &self.0 {
            rest = parts.take(token, rest)?;
        }
        if rest.is_empty() { parts.stamp() } else { None }
    }
}

/// Splits up to `most` digits off; `None` where there are fewer than `least`.
fn digits(text: &str, least: usize, most: usize) -> Option<(u32, &str)> {
    let count = text.bytes().take(most).take_while(u8::is_ascii_digit).count();
    if count < least {
        return None;
    }
    let (digits, rest) = text.split_at(count);
    Some((digits.parse().ok()?, rest))
}

impl Parts {
    fn take<'a>(&mut self, token: &Token, text: &'a str) -> Option<&'a str> {
        match token {
            Token::Literal(literal) => text.strip_prefix(*literal),
            Token::Year(length) => {
                let (year, rest) = digits(text, *length, *length)?;
                self.year = Some(if *length == 2 { 2000 + year } else { year });
                Some(rest)
            }
            Token::Part(part, padded) => {
                let (number, rest) = digits(text, if *padded { 2 } else { 1 }, 2)?;
                self.numbers[*part as usize] = Some(number);
                Some(rest)
            }
            Token::MonthWord => {
                let word = text.get(..3)?.to_ascii_lowercase();
                let month = MONTHS.iter().position(|month| *month == word)?;
                self.numbers[Part::Month as usize] = u32::try_from(month + 1).ok();
                text.get(3..)
            }
            Token::Decimals => {
                let count = text.bytes().take_while(u8::is_ascii_digit).count();
                self.decimals = Some(text.get(..count).filter(|digits| !digits.is_empty())?.to_owned());
                text.get(count..)
            }
            Token::Zone => self.take_zone(text),
            Token::Half => {
                let half = text.get(..2)?.to_ascii_uppercase();
                self.afternoon = Some(match half.as_str() {
                    "AM" => false,
                    "PM" => true,
                    _ => return None,
                });
                text.get(2..)
            }
        }
    }

    fn take_zone<'a>(&mut self, text: &'a str) -> Option<&'a str> {
        if let Some(rest) = text.strip_prefix('Z') {
            self.zone = Some("Z".to_owned());
            return Some(rest);
        }
        let sign = text.chars().next().filter(|sign| matches!(sign, '+' | '-'))?;
        let (hours, rest) = digits(&text[1..], 2, 2)?;
        let (minutes, rest) = digits(rest.strip_prefix(':').unwrap_or(rest), 2, 2)?;
        self.zone = Some(format!("{sign}{hours:02}:{minutes:02}"));
        (hours < 24 && minutes < 60).then_some(rest)
    }

    fn stamp(self) -> Option<Stamp> {
        let [month, day, hour, minute, second] = self.numbers;
        let date = match (self.year, month, day) {
            (None, ..) => None,
            (Some(year), Some(month), Some(day)) if exists(year, month, day) => {
                Some(format!("{year:04}-{month:02}-{day:02}"))
            }
            (Some(year), Some(month @ 1..=12), None) => Some(format!("{year:04}-{month:02}")),
            (Some(year), None, None) => Some(format!("{year:04}")),
            _ => return None,
        };
        let hour = match (hour, self.afternoon) {
            (Some(hour @ 1..=12), Some(afternoon)) => Some(hour % 12 + if afternoon { 12 } else { 0 }),
            (Some(_), Some(_)) => return None,
            (hour, _) => hour,
        };
        let time = match (hour, minute, second) {
            (None, ..) => None,
            (Some(0..=23), Some(0..=59), None | Some(0..=60)) => {
                let mut time = format!("{:02}:{:02}", hour.unwrap_or(0), minute.unwrap_or(0));
                if let Some(second) = second {
                    time.push_str(&format!(":{second:02}"));
                }
                if let Some(decimals) = &self.decimals {
                    time.push_str(&format!(".{decimals}"));
                }
                time.push_str(self.zone.as_deref().unwrap_or(""));
                Some(time)
            }
            _ => return None,
        };
        Some(Stamp { date, time })
    }
}

/// Whether the day is in the Gregorian calendar.
fn exists(year: u32, month: u32, day: u32) -> bool {
    let leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    let days = match month {
        1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
        4 | 6 | 9 | 11 => 30,
        2 if leap => 29,
        2 => 28,
        _ => 0,
    };
    (1..=days).contains(&day)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn read(form: &str, text: &str) -> Option<(Option<String>, Option<String>)> {
        StampForm::compile(form).unwrap().parse(text).map(|stamp| (stamp.date, stamp.time))
    }

    fn both(date: &str, time: &str) -> Option<(Option<String>, Option<String>)> {
        let part = |text: &str| Some(text.to_owned()).filter(|text| !text.is_empty());
        Some((part(date), part(time)))
    }

    #[test]
    fn nothing_is_added() {
        assert_eq!(read("YYYY-MM-DD hh:mm", "2026-03-02 14:07"), both("2026-03-02", "14:07"));
        assert_eq!(read("YYMMDD", "260302"), both("2026-03-02", ""));
        assert_eq!(read("hhmmss", "140710"), both("", "14:07:10"));
        assert_eq!(read("D.M.YYYY", "2.3.2026"), both("2026-03-02", ""));
        assert_eq!(read("MM/DD/YYYY hh:mm p", "03/02/2026 02:07 PM"), both("2026-03-02", "14:07"));
        assert_eq!(read("DD-MMM-YY", "02-MAR-26"), both("2026-03-02", ""));
        assert_eq!(read("hh'h'mm", "14h07"), both("", "14:07"));
        assert_eq!(read("DD'-de-'MM'-de-'YYYY", "02-de-03-de-2026"), both("2026-03-02", ""));
        assert_eq!(read("YY''MM", "26'03"), both("2026-03", ""));
        assert_eq!(read("hh:mm:ss.fZ", "14:07:10.50+0100"), both("", "14:07:10.50+01:00"));
    }

    #[test]
    fn what_does_not_exist_or_is_written_otherwise_is_refused() {
        for (form, text) in [
            ("DD.MM.YYYY", "31.02.2026"),
            ("DD.MM.YYYY", "2.3.2026"),
            ("DD.MM.YYYY", "02.03.26"),
            ("DD.MM.YYYY", "29.02.2100"),
            ("hh:mm", "24:00"),
            ("hh:mm", "14:07:10"),
            ("hh:mm p", "14:07 PM"),
        ] {
            assert_eq!(read(form, text), None, "{form} {text}");
        }
        for form in ["DD.MM", "hh", "YYYYY", "x", "", "hh'hmm"] {
            assert!(StampForm::compile(form).is_err(), "{form}");
        }
    }

    #[test]
    fn iso_form_is_kept() {
        let stamp = parse_iso("2026-03-02T14:07:10+01:00").unwrap();
        assert_eq!((stamp.date.as_deref(), stamp.time.as_deref()), (Some("2026-03-02"), Some("14:07:10+01:00")));
        assert_eq!(parse_iso("02.03.2026"), None);
    }
}
