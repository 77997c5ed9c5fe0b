//! Traces in files: heights as text, or the open formats that say their own units.

use std::path::Path;

use ridgepost_parsers::{StoredProfile, read_sdf, read_x3p};
use ridgepost_texture::{Remark, Trace};

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
    /// Heights in µm.
    Heights {
        heights: Vec<f64>,
        /// Their distance in mm, where the file says it.
        step: Option<f64>,
        /// How many of them are straight lines over points that are none.
        bridged: usize,
    },
    /// Positions in mm and heights in µm.
    Points(Vec<(f64, f64)>),
}

impl Found {
    /// What is to be known of the heights beside themselves.
    pub(super) fn remark(&self) -> Option<Remark> {
        let Found::Heights { bridged: count @ 1.., .. } = self else { return None };
        Some(Remark {
            code: "invalid-points",
            evidence: format!("{count} points that are not valid are straight lines"),
        })
    }

    /// The trace; `spacing` in mm stands for what the file doesn't say.
    pub(super) fn trace(self, spacing: Option<f64>, resample: bool) -> Result<Trace, String> {
        match self {
            Found::Heights { heights, step: own, .. } => match (own, spacing) {
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
    let stored = if StoredProfile::is_zip(&bytes) {
        Some(read_x3p(&bytes))
    } else if StoredProfile::is_sdf(&bytes) {
        Some(read_sdf(&bytes))
    } else {
        None
    };
    if let Some(stored) = stored {
        return stored.map_err(|fault| fault.to_string()).and_then(bridged).map_err(Unread::Content);
    }
    let text = std::str::from_utf8(&bytes).map_err(|error| {
        Unread::Content(format!("byte {} is no text, and this is no X3P and no SDF file", error.valid_up_to()))
    })?;
    columns(text).map_err(Unread::Content)
}

/// Neighbours without a valid height that a straight line may stand for, and their share of all points at most (common
/// practice, no source).
const BRIDGED: usize = 10;
const BRIDGED_SHARE: f64 = 0.01;

/// A stored profile in mm and µm. Few points that are none are bridged by straight lines, which is told; more are too many.
fn bridged(stored: StoredProfile) -> Result<Found, String> {
    let heights = stored.heights;
    let missing: Vec<usize> = (0..heights.len()).filter(|at| heights[*at].is_none()).collect();
    let longest =
        heights.chunk_by(|a, b| a.is_none() == b.is_none()).filter(|run| run[0].is_none()).map(<[_]>::len).max();
    let ends = heights.first().is_none_or(Option::is_none) || heights.last().is_none_or(Option::is_none);
    let too_many = longest.unwrap_or(0) > BRIDGED || missing.len() as f64 > BRIDGED_SHARE * heights.len() as f64;
    if !missing.is_empty() && (ends || too_many || !stored.positions.is_empty()) {
        return Err(format!(
            "{} of {} points are not valid, the first of them number {}: too many, or at an end, to be bridged",
            missing.len(),
            heights.len(),
            missing[0] + 1
        ));
    }
    let mut whole: Vec<f64> = Vec::with_capacity(heights.len());
    let mut at = 0;
    while at < heights.len() {
        if let Some(height) = heights[at] {
            whole.push(height * 1e6);
            at += 1;
            continue;
        }
        let next = heights[at..].iter().position(Option::is_some).map_or(heights.len(), |more| at + more);
        let (from, to) =
            (whole.last().copied().unwrap_or_default(), heights.get(next).copied().flatten().unwrap_or_default() * 1e6);
        let steps = (next - at + 1) as f64;
        whole.extend((1..=next - at).map(|step| from + (to - from) * step as f64 / steps));
        at = next;
    }
    Ok(match stored.step {
        Some(step) => Found::Heights { heights: whole, step: Some(step * 1000.0), bridged: missing.len() },
        None => Found::Points(stored.positions.iter().map(|x| x * 1000.0).zip(whole).collect()),
    })
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
        (false, _) => Ok(Found::Heights { heights, step: None, bridged: 0 }),
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
            Ok(Found::Heights { heights, .. }) => format!("{heights:?}"),
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
