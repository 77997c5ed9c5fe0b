//! Numbers of statistics as people read them: six significant digits, nothing where there is none.

/// Digits that are shown.
const DIGITS: i32 = 6;

/// A number without trailing zeros; a dash where it can't be told.
pub fn shown(value: Option<f64>) -> String {
    let Some(value) = value.filter(|value| value.is_finite()) else { return "-".to_owned() };
    let whole = if value == 0.0 { 0 } else { value.abs().log10().floor() as i32 + 1 };
    let places = usize::try_from((DIGITS - whole).clamp(0, 15)).unwrap_or(0);
    let text = format!("{value:.places$}");
    let trimmed = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    trimmed.to_owned()
}

/// A line of a chart's or a study's block: a name, then what is said.
pub fn line(name: &str, said: &str) -> String {
    format!("  {name:<18}{said}")
}

#[cfg(test)]
mod tests {
    use super::shown;

    #[test]
    fn numbers_keep_six_digits_and_no_empty_ones() {
        let cases = [
            (Some(0.5), "0.5"),
            (Some(55.802_412_3), "55.8024"),
            (Some(-0.001_234_567_8), "-0.00123457"),
            (Some(1_234_567.8), "1234568"),
            (Some(100.0), "100"),
            (Some(0.0), "0"),
            (None, "-"),
            (Some(f64::NAN), "-"),
        ];
        for (value, expected) in cases {
            assert_eq!(shown(value), expected);
        }
    }
}
