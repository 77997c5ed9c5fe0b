//! SDF, the surface data file of ISO 25178-71, and its forerunner BCR-1.0: text and binary, one profile.
//!
//! Header of 81 bytes (85 in version 2.0), little endian, without padding; metres behind the scales; points that are none as
//! the least number of their kind, in BCR as the largest, in text as `BAD`. Sources: an open reader of the format and own
//! files that two independent readers take.

use super::{Kind, ProfileFault, StoredProfile, fault, points};

/// Version of the form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Version {
    Bcr,
    One,
    Two,
}

/// What a header says of the points.
struct Header {
    version: Version,
    points: u64,
    profiles: u64,
    scales: [f64; 3],
    compression: i64,
    kind: i64,
    check: i64,
}

/// Reads one profile.
///
/// # Errors
/// Where a record, a count or a number does not fit, or the file holds more than one profile.
pub fn read(bytes: &[u8]) -> Result<StoredProfile, ProfileFault> {
    let (is_text, version) = match bytes.get(..8) {
        Some(b"aISO-1.0") => (true, Version::One),
        Some(b"aISO-2.0") => (true, Version::Two),
        Some(b"aBCR-1.0") => (true, Version::Bcr),
        Some(b"bISO-1.0") => (false, Version::One),
        Some(b"bISO-2.0") => (false, Version::Two),
        Some(b"bBCR-1.0") => (false, Version::Bcr),
        Some([b'a' | b'b', rest @ ..]) if rest.starts_with(b"ISO-") || rest.starts_with(b"BCR-") => {
            return fault(format!("version `{}` of SDF is not known", String::from_utf8_lossy(rest)));
        }
        _ => return fault("this is no SDF file"),
    };
    let profile = if is_text { text(bytes, version) } else { binary(bytes, version) }?;
    // A scale may be wrong by any power of ten.
    match profile.heights.iter().flatten().find(|height| !height.is_finite()) {
        Some(_) => fault("a point times the scale of the heights is no number"),
        None => Ok(profile),
    }
}

/// Whether bytes begin as an SDF file does, of a known version or not.
pub(super) fn looks_so(bytes: &[u8]) -> bool {
    matches!(bytes.get(..5), Some(b"aISO-" | b"bISO-" | b"aBCR-" | b"bBCR-"))
}

impl StoredProfile {
    /// Whether bytes begin as an SDF file does.
    pub fn is_sdf(bytes: &[u8]) -> bool {
        looks_so(bytes)
    }

    /// Whether bytes begin as a ZIP file does, which an X3P file is.
    pub fn is_zip(bytes: &[u8]) -> bool {
        bytes.starts_with(b"PK\x03\x04")
    }
}

impl Header {
    /// Number of points and their kind, where everything fits.
    fn checked(&self) -> Result<(usize, Kind), ProfileFault> {
        if self.profiles != 1 {
            return fault(format!("it holds {} profiles, and one is read", self.profiles));
        }
        if self.compression != 0 || self.check != 0 {
            return fault("compressed or checked SDF is not described by the standard");
        }
        let [x, y, z] = self.scales;
        if !(x.is_finite() && x > 0.0 && z.is_finite() && z > 0.0 && y.is_finite() && y >= 0.0) {
            return fault(format!("scales {x}, {y} and {z} are no lengths"));
        }
        let kind = match (self.version, self.kind) {
            (_, 5) => Kind::I16,
            (_, 6) => Kind::I32,
            (_, 7) => Kind::F64,
            (Version::Two | Version::Bcr, 3) => Kind::F32,
            (Version::Two | Version::Bcr, 4) => Kind::I8,
            (Version::Bcr, 0) => Kind::U8,
            (Version::Bcr, 1) => Kind::U16,
            (Version::Bcr, 2) => Kind::U32,
            (_, other) => return fault(format!("data type {other} is none of this version")),
        };
        Ok((points(self.points)?, kind))
    }
}

fn binary(bytes: &[u8], version: Version) -> Result<StoredProfile, ProfileFault> {
    let wide = version == Version::Two;
    let at = |start: usize, length: usize| bytes.get(start..start + length);
    let whole = |start: usize| match wide {
        true => at(start, 4).and_then(|it| it.try_into().ok()).map(u32::from_le_bytes).map(u64::from),
        false => at(start, 2).and_then(|it| it.try_into().ok()).map(u16::from_le_bytes).map(u64::from),
    };
    let scale = |start: usize| at(start, 8).and_then(|it| it.try_into().ok()).map(f64::from_le_bytes);
    // Version, maker, two dates; then two counts, four scales, three bytes.
    let (first, size) = (8 + 10 + 12 + 12, if wide { 4 } else { 2 });
    let scales = first + 2 * size;
    let end = scales + 32 + 3;
    let header = || {
        let byte = |start: usize| bytes.get(start).map(|byte| i64::from(*byte));
        Some(Header {
            version,
            points: whole(first)?,
            profiles: whole(first + size)?,
            scales: [scale(scales)?, scale(scales + 8)?, scale(scales + 16)?],
            compression: byte(end - 3)?,
            kind: byte(end - 2)?,
            check: byte(end - 1)?,
        })
    };
    let Some(header) = header() else { return fault(format!("the file ends within its header of {end} bytes")) };
    let (count, kind) = header.checked()?;
    let Some(data) = at(end, count * kind.size()) else {
        let there = bytes.len().saturating_sub(end) / kind.size();
        return fault(format!("the header says {count} points, and {there} are there"));
    };
    let none = if version == Version::Bcr { kind.bounds().1 } else { kind.bounds().0 };
    let height = |raw: f64| (raw.is_finite() && raw - none != 0.0).then_some(raw * header.scales[2]);
    let heights = data.chunks_exact(kind.size()).map(|bytes| kind.number(bytes).and_then(height)).collect();
    Ok(StoredProfile { step: Some(header.scales[0]), positions: Vec::new(), heights })
}

fn text(bytes: &[u8], version: Version) -> Result<StoredProfile, ProfileFault> {
    let Ok(text) = std::str::from_utf8(bytes) else { return fault("a text file holds bytes that are no text") };
    // A record ends with a line that holds only a star.
    let mut records = text.split("\n*").map(|record| record.trim_start_matches(['\r', '\n']));
    let (Some(header), Some(data)) = (records.next(), records.next()) else {
        return fault("the record of the points does not begin");
    };
    if records.next().is_none() {
        return fault("the record of the points has no end: the file is cut off");
    }
    let header = fields(header, version)?;
    let (count, _) = header.checked()?;
    // What the header says is not made room for: it may be wrong.
    let mut heights = Vec::new();
    for word in data.split_whitespace() {
        if heights.len() == count {
            return fault(format!("the header says {count} points, and there are more"));
        }
        match (word, word.parse::<f64>()) {
            ("BAD", _) if version != Version::Bcr => heights.push(None),
            (_, Ok(raw)) if raw.is_finite() => heights.push(Some(raw * header.scales[2])),
            _ => return fault(format!("point {}: `{word}` is no number", heights.len() + 1)),
        }
    }
    if heights.len() != count {
        return fault(format!("the header says {count} points, and {} are there", heights.len()));
    }
    Ok(StoredProfile { step: Some(header.scales[0]), positions: Vec::new(), heights })
}

/// The lines of a header: a name, an equals sign, a value.
fn fields(header: &str, version: Version) -> Result<Header, ProfileFault> {
    let value = |name: &str| -> Result<&str, ProfileFault> {
        let of = |line: &'_ str| line.split_once('=').map(|(tag, value)| (tag.trim().to_owned(), value.trim().len()));
        let line = header.lines().find(|line| of(line).is_some_and(|(tag, _)| tag.eq_ignore_ascii_case(name)));
        let value = line.and_then(|line| line.split_once('=')).map(|(_, value)| value);
        match value {
            Some(value) => Ok(value.split(';').next().unwrap_or_default().trim()),
            None => fault(format!("the header has no {name}")),
        }
    };
    let number = |name: &str| {
        let text = value(name)?;
        text.parse::<f64>().map_err(|_| ProfileFault(format!("{name} = {text} is no number")))
    };
    let whole = |name: &str| {
        let text = value(name)?;
        text.parse::<u64>().map_err(|_| ProfileFault(format!("{name} = {text} is no whole number")))
    };
    let code = |name: &str| whole(name).map(|code| i64::try_from(code).unwrap_or(i64::MAX));
    Ok(Header {
        version,
        points: whole("NumPoints")?,
        profiles: whole("NumProfiles")?,
        scales: [number("Xscale")?, number("Yscale")?, number("Zscale")?],
        compression: code("Compression")?,
        kind: code("DataType")?,
        check: code("CheckType")?,
    })
}
