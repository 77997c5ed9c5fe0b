//! Numbers as an instrument writes them, by the declared marks and nothing else.

use crate::definition::{Numbers, SignPlace};
use crate::value::Value;

/// Why a text is no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum BadNumber {
    /// It is not written as declared.
    Malformed,
    /// It can be read as two different numbers.
    Ambiguous,
}

/// The number that `text` states. `decimals` are implied where it has no decimal mark.
pub(crate) fn parse(form: &Numbers, text: &str, decimals: Option<u8>) -> Result<Value, BadNumber> {
    let (negative, text) = take_sign(form.sign, text).ok_or(BadNumber::Malformed)?;
    let (mantissa, exponent) = match text.find(['e', 'E']).filter(|_| form.exponent) {
        Some(at) => text.split_at(at),
        None => (text, ""),
    };
    let mut found: Option<Value> = None;
    let marks = form.decimal.chars().map(Some).chain([None]);
    for decimal in marks {
        let groupings =
            form.grouping.chars().map(Some).chain([None]).filter(|group| group.is_none() || *group != decimal);
        for grouping in groupings {
            let Some(mut digits) = plain(form, mantissa, decimal, grouping) else { continue };
            if let (None, Some(decimals), "") = (decimal, decimals, exponent) {
                digits.push_str(&format!("e-{decimals}"));
            }
            let sign = if negative { "-" } else { "" };
            let value = Value::parse(&format!("{sign}{digits}{exponent}")).map_err(|_| BadNumber::Malformed)?;
            match found {
                Some(other) if other != value => return Err(BadNumber::Ambiguous),
                _ => found = Some(value),
            }
        }
    }
    found.ok_or(BadNumber::Malformed)
}

/// Whether the number is negative, and what is left without its sign.
fn take_sign(place: SignPlace, text: &str) -> Option<(bool, &str)> {
    let signed = |text: &'_ str, sign: Option<char>| match sign {
        Some('-') => Some((true, text.len())),
        Some('+') => Some((false, text.len())),
        _ => None,
    };
    match place {
        SignPlace::None => Some((false, text)),
        SignPlace::Before | SignPlace::Spaced => {
            let Some((negative, _)) = signed(text, text.chars().next()) else { return Some((false, text)) };
            let rest = &text[1..];
            Some((negative, if place == SignPlace::Spaced { rest.trim_start_matches(' ') } else { rest }))
        }
        SignPlace::After => match signed(text, text.chars().next_back()) {
            Some((negative, length)) => Some((negative, &text[..length - 1])),
            None => Some((false, text)),
        },
    }
}

/// The digits with a point as decimal mark and without groups; `None` where the text is not written with exactly
/// these marks.
fn plain(form: &Numbers, text: &str, decimal: Option<char>, grouping: Option<char>) -> Option<String> {
    let (whole, fraction) = match decimal {
        Some(mark) => text.split_once(mark).map(|(whole, fraction)| (whole, Some(fraction)))?,
        None => (text, None),
    };
    let whole = match grouping {
        Some(mark) => ungrouped(whole, mark)?,
        None => whole.to_owned(),
    };
    let digits_only = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if !digits_only(&whole) || !fraction.is_none_or(digits_only) {
        return None;
    }
    match fraction {
        None if whole.is_empty() => None,
        None => Some(whole),
        Some("") if whole.is_empty() || !form.trailing_point => None,
        Some(_) if whole.is_empty() && !form.leading_point => None,
        Some(fraction) => Some(format!("{whole}.{fraction}")),
    }
}

/// Groups of three digits, the first of one to three that don't begin with 0.
fn ungrouped(text: &str, mark: char) -> Option<String> {
    let mut groups = text.split(mark);
    let first = groups.next()?;
    let rest: Vec<&str> = groups.collect();
    let fits = (1..=3).contains(&first.len()) && !first.starts_with('0') && !rest.is_empty();
    (fits && rest.iter().all(|group| group.len() == 3)).then(|| format!("{first}{}", rest.concat()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(form: &Numbers, text: &str) -> Result<String, BadNumber> {
        parse(form, text, form.decimals).map(|value| value.to_string())
    }

    fn form(change: impl FnOnce(&mut Numbers)) -> Numbers {
        let mut form = Numbers::default();
        change(&mut form);
        form
    }

    #[test]
    fn plain_numbers_are_strict() {
        let plain = Numbers::default();
        assert_eq!(read(&plain, "+0012.347").as_deref(), Ok("12.347"));
        assert_eq!(read(&plain, "2.870").as_deref(), Ok("2.870"));
        for text in
            ["", "-", ".415", "12.", "0,412", "1e5", "- 1", "1-", "1 234", "1.2.3", "0x1", "--1", "\u{0663}", "1_0"]
        {
            assert_eq!(read(&plain, text), Err(BadNumber::Malformed), "{text:?}");
        }
    }

    #[test]
    fn what_reads_two_ways_is_ambiguous() {
        let both = form(|form| (form.decimal, form.grouping) = (".,".into(), ".,".into()));
        assert_eq!(read(&both, "1,234"), Err(BadNumber::Ambiguous));
        assert_eq!(read(&both, "1.234"), Err(BadNumber::Ambiguous));
        assert_eq!(read(&both, "1.234,5").as_deref(), Ok("1234.5"));
        assert_eq!(read(&both, "1,23").as_deref(), Ok("1.23"));
        assert_eq!(read(&both, "0,412").as_deref(), Ok("0.412"), "no group begins with 0");
        let english = form(|form| form.grouping = ",".into());
        assert_eq!(read(&english, "1,234").as_deref(), Ok("1234"));
        assert_eq!(read(&english, "1,23"), Err(BadNumber::Malformed));
        assert_eq!(read(&english, "1,234.5").as_deref(), Ok("1234.5"));
        let comma = form(|form| (form.decimal, form.grouping) = (",".into(), " .".into()));
        assert_eq!(read(&comma, "1 234 567,5").as_deref(), Ok("1234567.5"));
        assert_eq!(read(&comma, "1.234 567,5"), Err(BadNumber::Malformed), "one grouping mark per number");
        assert_eq!(read(&comma, "1.234").as_deref(), Ok("1234"));
    }

    #[test]
    fn signs_exponents_and_implied_decimals() {
        let after = form(|form| (form.sign, form.decimals) = (SignPlace::After, Some(3)));
        assert_eq!(read(&after, "00001234-").as_deref(), Ok("-1.234"));
        assert_eq!(read(&after, "-00001234"), Err(BadNumber::Malformed));
        let spaced = form(|form| (form.sign, form.exponent) = (SignPlace::Spaced, true));
        assert_eq!(read(&spaced, "+ 4.120E-07").as_deref(), Ok("0.0000004120"));
        let unsigned = form(|form| form.sign = SignPlace::None);
        assert_eq!(read(&unsigned, "-1"), Err(BadNumber::Malformed));
        let points = form(|form| (form.leading_point, form.trailing_point) = (true, true));
        assert_eq!(read(&points, ".415").as_deref(), Ok("0.415"));
        assert_eq!(read(&points, "12.").as_deref(), Ok("12"));
        assert_eq!(read(&points, "."), Err(BadNumber::Malformed));
    }
}
