//! Traces in files: heights as text, or the open formats that say their own units.

use std::path::Path;

use ridgepost_texture::Trace;

/// Most bytes of a file: a trace of ten million points is smaller.
const LARGEST: u64 = 256 << 20;

/// Why a file holds no trace.
#[derive(Debug)]
pub(super) enum Unread {
    /// It can't be read.
    File(String),
    /// What it holds can't be understood.
    Content(String),
}

/// What a file holds.
#[derive(Debug)]
pub(super) enum Found {
    /// Heights in µm, their distance in mm where the file says it.
    Heights(Vec<f64>, Option<f64>),
    /// Positions in mm and heights in µm.
    Points(Vec<(f64, f64)>),
}

impl Found {
    /// The trace; `spacing` in mm stands for what the file doesn't say.
    pub(super) fn trace(self, spacing: Option<f64>, resample: bool) -> Result<Trace, String> {
        match self {
            Found::Heights(heights, own) => match (own, spacing) {
                (Some(own), Some(said)) if (own - said).abs() > 1e-6 * own => Err(format!(
                    "the file says that its points are {own} mm apart, --spacing {said} mm: leave --spacing out"
                )),
                (None, None) => {
                    Err("the file does not say how far apart its points are: add --spacing \"0.5 µm\"".into())
                }
                (own, said) => {
                    Trace::new(heights, own.or(said).unwrap_or_default()).map_err(|refusal| refusal.to_string())
                }
            },
            Found::Points(points) => match (spacing, resample) {
                (Some(_), _) => Err("the file has positions of its own: leave --spacing out".into()),
                (None, true) => Trace::resampled(&points).map_err(|refusal| refusal.to_string()),
                (None, false) => Trace::from_points(&points).map_err(|refusal| refusal.to_string()),
            },
        }
    }
}

/// Reads a file by what it begins with.
pub(super) fn read(file: &Path) -> Result<Found, Unread> {
    let size = std::fs::metadata(file).map_err(|error| Unread::File(error.to_string()))?.len();
    if size > LARGEST {
        return Err(Unread::Content(format!("{size} bytes are too many for a trace, at most {LARGEST}")));
    }
    let bytes = std::fs::read(file).map_err(|error| Unread::File(error.to_string()))?;
    let text = std::str::from_utf8(&bytes).map_err(|error| {
        Unread::Content(format!("byte {} is no text, and this is no X3P and no SDF file", error.valid_up_to()))
    })?;
    columns(text).map_err(Unread::Content)
}

/// One column of heights, or two of positions and heights. A first line that holds no numbers is a heading.
fn columns(text: &str) -> Result<Found, String> {
    let text = text.trim_start_matches('\u{feff}');
    let (mut heights, mut points) = (Vec::new(), Vec::new());
    let mut is_first = true;
    for (number, line) in (1..).zip(text.lines()) {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let values = numbers(line);
        match values.as_deref() {
            Some([height]) => heights.push(*height),
            Some([x, height]) => points.push((*x, *height)),
            None if is_first => {}
            None => return Err(format!("line {number}: `{}` is no number", line.chars().take(40).collect::<String>())),
            Some(more) => {
                return Err(format!(
                    "line {number} has {} columns: one of heights or two of x and z are read",
                    more.len()
                ));
            }
        }
        is_first = false;
        if !heights.is_empty() && !points.is_empty() {
            return Err(format!("line {number} has another number of columns than the lines before"));
        }
    }
    match (heights.is_empty(), points.is_empty()) {
        (true, true) => Err("it holds no heights".into()),
        (false, _) => Ok(Found::Heights(heights, None)),
        _ => Ok(Found::Points(points)),
    }
}

/// The numbers of a line. A comma is a decimal mark only where something else separates columns.
fn numbers(line: &str) -> Option<Vec<f64>> {
    let number = |text: &str| {
        let text = text.trim();
        let is_number = text.starts_with(|char: char| char.is_ascii_digit() || matches!(char, '+' | '-' | '.'));
        text.parse::<f64>().ok().filter(|number| is_number && number.is_finite())
    };
    let (separator, is_comma_decimal) = match line {
        line if line.contains(';') => (Some(';'), true),
        line if line.contains('\t') => (Some('\t'), true),
        line if line.contains(',') => (Some(','), false),
        _ => (None, false),
    };
    let parts: Vec<&str> = match separator {
        Some(separator) => line.split(separator).collect(),
        None => line.split_whitespace().collect(),
    };
    parts
        .into_iter()
        .map(|part| if is_comma_decimal { number(&part.replace(',', ".")) } else { number(part) })
        .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "tests may fail loudly")]
    use super::*;

    fn told(text: &str) -> String {
        match columns(text) {
            Ok(Found::Heights(heights, _)) => format!("{heights:?}"),
            Ok(Found::Points(points)) => format!("{points:?}"),
            Err(why) => why,
        }
    }

    #[test]
    fn columns_are_read_as_they_are_written() {
        for (text, expected) in [
            ("# a\n1\n-2.5\n\n3e-1\n", "[1.0, -2.5, 0.3]"),
            ("\u{feff}z\r\n1\r\n2\r\n", "[1.0, 2.0]"),
            ("0.0,1\n0.1,2", "[(0.0, 1.0), (0.1, 2.0)]"),
            ("0,0;1,5\n0,1;2", "[(0.0, 1.5), (0.1, 2.0)]"),
            ("0.0 1\n0.1  2", "[(0.0, 1.0), (0.1, 2.0)]"),
            ("1\nx\n", "line 2: `x` is no number"),
            ("1\nnan\n", "line 2: `nan` is no number"),
            ("1\n1,2\n", "line 2 has another number of columns than the lines before"),
            ("1,2,3", "line 1 has 3 columns: one of heights or two of x and z are read"),
            ("# nothing", "it holds no heights"),
        ] {
            assert_eq!(told(text), expected, "{text:?}");
        }
    }
}
