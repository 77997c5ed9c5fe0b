//! X3P of ISO 25178-72 (ISO 5436-2): a ZIP file with `main.xml`, its MD5 sum, and mostly binary points beside it.
//!
//! Sources: the published XML schema, and files that two independent readers take. The sums guard against damage, not
//! against people. Names of members are looked up in the archive only, never on a disk.

use std::io::{Cursor, Read};

use md5::{Digest, Md5};
use roxmltree::{Document, Node, ParsingOptions};
use zip::ZipArchive;

use super::{Kind, ProfileFault, StoredProfile, fault, points};

/// Most bytes of `main.xml` unpacked, whose points may be listed in it.
const MOST_XML: u64 = 64 << 20;

type Archive<'b> = ZipArchive<Cursor<&'b [u8]>>;

/// One axis.
struct Axis {
    is_absolute: bool,
    kind: Kind,
    increment: f64,
    offset: f64,
}

/// Reads one profile.
///
/// # Errors
/// Where a member, a sum, a count or a number does not fit, or the file holds a surface.
pub fn read(bytes: &[u8]) -> Result<StoredProfile, ProfileFault> {
    if is_zip64(bytes) {
        return fault("it is a ZIP64 archive, which no profile is large enough to need");
    }
    let mut archive = match ZipArchive::new(Cursor::new(bytes)) {
        Ok(archive) => archive,
        Err(error) => return fault(format!("this is no whole ZIP file: {error}")),
    };
    let main = member(&mut archive, "main.xml", MOST_XML)?;
    let sums = member(&mut archive, "md5checksum.hex", 4096)?;
    let stated = String::from_utf8_lossy(&sums).split_whitespace().next().unwrap_or_default().to_lowercase();
    let Ok(text) = std::str::from_utf8(&main) else { return fault("main.xml is no UTF-8 text") };
    let options = ParsingOptions { allow_dtd: false, ..ParsingOptions::default() };
    let document = match Document::parse_with_options(text, options) {
        Ok(document) => document,
        Err(error) => return fault(format!("main.xml: {error}")),
    };
    // Behind the parser, which tells what is worse than damage: a document type with entities.
    same_sum(&main, &stated, "main.xml")?;
    let root = document.root_element();
    if root.tag_name().name() != "ISO5436_2" {
        return fault(format!("main.xml begins with <{}>, not with <ISO5436_2>", root.tag_name().name()));
    }
    let one = child(root, "Record1")?;
    let feature = text_of(one, "FeatureType")?;
    if feature != "PRF" {
        return fault(format!("it holds a feature of type {feature}, and a profile (PRF) is read"));
    }
    let axes = child(one, "Axes")?;
    let (x, y, z) = (axis(axes, "CX")?, axis(axes, "CY")?, axis(axes, "CZ")?);
    if !z.is_absolute {
        return fault("the heights' axis is not absolute");
    }
    let three = child(root, "Record3")?;
    let count = count(three)?;
    let list = three.children().find(|node| node.has_tag_name("DataList"));
    let points = match list {
        Some(list) => listed(list, count, &[&x, &y, &z])?,
        None => linked(&mut archive, child(three, "DataLink")?, count, &[&x, &y, &z])?,
    };
    let step = (!x.is_absolute).then_some(x.increment);
    if step.is_some_and(|step| !(step.is_finite() && step > 0.0)) {
        return fault(format!("an increment of {} m is no distance", x.increment));
    }
    let place = |raw: &Option<[f64; 3]>| raw.map_or(f64::NAN, |raw| x.offset + raw[0] * x.increment);
    let positions = if x.is_absolute { points.iter().map(place).collect() } else { Vec::new() };
    let height =
        |raw: Option<[f64; 3]>| raw.map(|raw| z.offset + raw[2] * z.increment).filter(|height| height.is_finite());
    Ok(StoredProfile { step, positions, heights: points.into_iter().map(height).collect() })
}

/// Whether the end of an archive may be read as that of a ZIP64 one: the sign of its locator 20 bytes before the sign of
/// the end. Its reader makes room for as many members as such an end states, up to 2 to the power of 64.
fn is_zip64(bytes: &[u8]) -> bool {
    let mut places = bytes.windows(24);
    places.any(|place| place.starts_with(b"PK\x06\x07") && place.ends_with(b"PK\x05\x06"))
}

/// A member of the archive, no larger than `most` unpacked.
fn member(archive: &mut Archive, name: &str, most: u64) -> Result<Vec<u8>, ProfileFault> {
    if name.starts_with('/') || name.contains("..") || name.contains('\\') {
        return fault(format!("`{name}` leads out of the archive"));
    }
    let file = match archive.by_name(name) {
        Ok(file) => file,
        Err(error) => return fault(format!("the archive has no {name} that can be read: {error}")),
    };
    if file.size() > most {
        return fault(format!("{name} is {} bytes unpacked, at most {most} are read", file.size()));
    }
    let mut bytes = Vec::new();
    // The size that is stated is not believed.
    match file.take(most + 1).read_to_end(&mut bytes) {
        Ok(read) if read as u64 > most => fault(format!("{name} is larger than it says")),
        Ok(_) => Ok(bytes),
        Err(error) => fault(format!("{name} can't be unpacked: {error}")),
    }
}

fn same_sum(bytes: &[u8], stated: &str, name: &str) -> Result<(), ProfileFault> {
    let mut sum = String::new();
    for byte in Md5::digest(bytes) {
        sum.push_str(&format!("{byte:02x}"));
    }
    if sum == stated.trim().to_lowercase() {
        Ok(())
    } else {
        fault(format!("{name} is damaged: its MD5 sum is {sum}, stated is {stated}"))
    }
}

fn child<'a, 'i>(of: Node<'a, 'i>, name: &str) -> Result<Node<'a, 'i>, ProfileFault> {
    let found = of.children().find(|node| node.is_element() && node.tag_name().name() == name);
    found.ok_or_else(|| ProfileFault(format!("<{}> has no <{name}>", of.tag_name().name())))
}

fn text_of<'a>(of: Node<'a, '_>, name: &str) -> Result<&'a str, ProfileFault> {
    Ok(child(of, name)?.text().unwrap_or_default().trim())
}

fn number(of: Node, name: &str, unwritten: f64) -> Result<f64, ProfileFault> {
    let Ok(node) = child(of, name) else { return Ok(unwritten) };
    let text = node.text().unwrap_or_default().trim();
    match text.parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        _ => fault(format!("<{name}> `{text}` is no number")),
    }
}

fn axis(axes: Node, name: &str) -> Result<Axis, ProfileFault> {
    let axis = child(axes, name)?;
    let is_absolute = match text_of(axis, "AxisType")? {
        "A" => true,
        "I" => false,
        other => return fault(format!("<{name}> has an unknown type `{other}`")),
    };
    let kind = match text_of(axis, "DataType").unwrap_or("D") {
        "I" => Kind::I16,
        "L" => Kind::I32,
        "F" => Kind::F32,
        "D" => Kind::F64,
        other => return fault(format!("<{name}> has an unknown kind of number `{other}`")),
    };
    Ok(Axis { is_absolute, kind, increment: number(axis, "Increment", 1.0)?, offset: number(axis, "Offset", 0.0)? })
}

/// How many points the dimensions make.
fn count(three: Node) -> Result<usize, ProfileFault> {
    let whole = |of: Node, name: &str| {
        let text = text_of(of, name)?;
        text.parse::<u64>().map_err(|_| ProfileFault(format!("<{name}> `{text}` is no whole number")))
    };
    if let Ok(matrix) = child(three, "MatrixDimension") {
        let [x, y, z] = [whole(matrix, "SizeX")?, whole(matrix, "SizeY")?, whole(matrix, "SizeZ")?];
        if y != 1 || z != 1 {
            return fault(format!("{y} rows and {z} layers are no single profile"));
        }
        return points(x);
    }
    points(whole(three, "ListDimension")?)
}

/// The axes whose numbers are stored, with their place among the three.
fn stored<'x>(axes: &[&'x Axis; 3]) -> Vec<(usize, &'x Axis)> {
    axes.iter().copied().enumerate().filter(|(_, axis)| axis.is_absolute).collect()
}

/// Points in the XML: `x;y;z` of the absolute axes, nothing where one is none.
fn listed(list: Node, count: usize, axes: &[&Axis; 3]) -> Result<Vec<Option<[f64; 3]>>, ProfileFault> {
    let absolute = stored(axes);
    let mut points = Vec::new();
    for datum in list.children().filter(|node| node.has_tag_name("Datum")) {
        if points.len() == count {
            return fault(format!("{count} points are stated, and there are more"));
        }
        let text = datum.text().unwrap_or_default().trim();
        if text.is_empty() {
            points.push(None);
            continue;
        }
        let mut point = [0.0; 3];
        let words: Vec<&str> = text.split(';').collect();
        if words.len() != absolute.len() {
            return fault(format!(
                "point {}: {} numbers, {} are stored",
                points.len() + 1,
                words.len(),
                absolute.len()
            ));
        }
        for ((place, _), word) in absolute.iter().zip(words) {
            match word.trim().parse::<f64>() {
                Ok(number) => point[*place] = number,
                Err(_) => return fault(format!("point {}: `{word}` is no number", points.len() + 1)),
            }
        }
        points.push(Some(point));
    }
    if points.len() == count {
        Ok(points)
    } else {
        fault(format!("{count} points are stated, and {} are there", points.len()))
    }
}

/// Points in a member of the archive, and bits of another that say which are valid.
fn linked(
    archive: &mut Archive,
    link: Node,
    count: usize,
    axes: &[&Axis; 3],
) -> Result<Vec<Option<[f64; 3]>>, ProfileFault> {
    let absolute = stored(axes);
    let size: usize = absolute.iter().map(|(_, axis)| axis.kind.size()).sum();
    let due = count * size;
    let name = text_of(link, "PointDataLink")?;
    let data = member(archive, name, due as u64)?;
    if data.len() != due {
        return fault(format!("{count} points are {due} bytes, and {name} has {}", data.len()));
    }
    same_sum(&data, text_of(link, "MD5ChecksumPointData")?, name)?;
    let valid = match child(link, "ValidPointsLink") {
        Err(_) => None,
        Ok(node) => {
            let name = node.text().unwrap_or_default().trim();
            let bits = member(archive, name, count.div_ceil(8) as u64)?;
            same_sum(&bits, text_of(link, "MD5ChecksumValidPoints")?, name)?;
            if bits.len() != count.div_ceil(8) {
                return fault(format!("{name} has {} bytes, {} are needed", bits.len(), count.div_ceil(8)));
            }
            Some(bits)
        }
    };
    let is_valid =
        |at: usize| valid.as_ref().is_none_or(|bits| bits.get(at / 8).is_some_and(|byte| byte >> (at % 8) & 1 == 1));
    let point = |(at, bytes): (usize, &[u8])| {
        let (mut point, mut from) = ([0.0; 3], 0);
        for (place, axis) in &absolute {
            let to = from + axis.kind.size();
            point[*place] = axis.kind.number(bytes.get(from..to)?)?;
            from = to;
        }
        is_valid(at).then_some(point).filter(|point| point.iter().all(|number| number.is_finite()))
    };
    Ok(data.chunks_exact(size.max(1)).enumerate().map(point).collect())
}
