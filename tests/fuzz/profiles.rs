//! Files with profiles. The archive of an X3P file is taken apart, changed inside, and put together again with sums that
//! fit, because a changed archive says no more than that it is damaged.

use std::io::{Cursor, Read, Write};
use std::path::Path;

use md5::{Digest, Md5};
use ridgepost_parsers::{ProfileFault, StoredProfile, read_sdf, read_x3p};
use ridgepost_tests::fuzz::{Input, Target, mutate::mutated, outline};
use ridgepost_tests::seed::Seeded;
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

use crate::seed;

fn files(ending: &str) -> Vec<Input> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../parsers/tests/profiles");
    let mut paths = Vec::new();
    for folder in [folder.clone(), folder.join("bad")] {
        paths.extend(std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()));
    }
    paths.retain(|path| path.extension().is_some_and(|end| end == ending));
    paths.sort();
    assert!(paths.len() > 3, "{} files {ending}", paths.len());
    paths.iter().map(|path| seed(ending, std::fs::read(path).unwrap())).collect()
}

/// Every point has a place and a height that is a number, or none.
fn is_sound(bytes: &[u8], told: Result<StoredProfile, ProfileFault>) -> Result<Vec<String>, String> {
    let profile = match told {
        Ok(profile) => profile,
        Err(fault) if fault.0.is_empty() => return Err("refused without a reason".into()),
        Err(fault) => return Ok(vec![outline(&fault.0)]),
    };
    let (points, places) = (profile.heights.len(), profile.positions.len());
    if points == 0 || points > bytes.len() * 1_100 {
        return Err(format!("{points} points from {} bytes", bytes.len()));
    }
    let has_step = profile.step.is_some_and(|step| step.is_finite() && step > 0.0);
    if has_step == (places == points) || (places != 0 && places != points) {
        return Err(format!("step {:?}, {places} places of {points} points", profile.step));
    }
    if let Some(height) = profile.heights.iter().flatten().find(|height| !height.is_finite()) {
        return Err(format!("a height is {height}"));
    }
    let placed = profile.positions.iter().zip(&profile.heights).filter(|(_, height)| height.is_some());
    if let Some((place, _)) = placed.clone().find(|(place, _)| !place.is_finite()) {
        return Err(format!("a point with a height is at {place}"));
    }
    Ok(vec![format!("read {} {}", has_step, profile.heights.iter().any(Option::is_none))])
}

pub(crate) fn sdf() -> Target<'static> {
    const WORDS: &[&str] =
        &["aISO-1.0", "bISO-2.0", "aBCR-1.0", "BAD", "\n*\n", "NumPoints = ", "Zscale = ", "DataType = ", "1e300"];
    Target {
        name: "sdf",
        seeds: files("sdf"),
        change: &|seeded, input, others| mutated(seeded, &input.bytes, others, WORDS),
        check: &|input| is_sound(&input.bytes, read_sdf(&input.bytes)),
        memory: |bytes| (1 << 20) + bytes * 64,
    }
}

pub(crate) fn x3p() -> Target<'static> {
    Target {
        name: "x3p",
        seeds: files("x3p"),
        change: &|seeded, input, others| match seeded.between(0, 3) {
            0 => mutated(seeded, &input.bytes, others, &["PK\u{3}\u{4}", "main.xml"]),
            _ => repacked(seeded, &input.bytes).unwrap_or_else(|| mutated(seeded, &input.bytes, others, &[])),
        },
        check: &|input| is_sound(&input.bytes, read_x3p(&input.bytes)),
        // The end of an archive may state 65535 members, which its reader makes room for; what it packs may be a
        // thousand times as large (deflate: 1032 times).
        memory: |bytes| (20 << 20) + bytes * 1_032 * 16,
    }
}

const IN_XML: &[&str] = &[
    "<AxisType>A</AxisType>",
    "<AxisType>I</AxisType>",
    "<DataType>L</DataType>",
    "<Increment>0</Increment>",
    "<SizeX>4</SizeX>",
    "<ListDimension>3</ListDimension>",
    "<Datum>1;2</Datum>",
    "<Datum/>",
    "../../etc/passwd",
    "<!DOCTYPE a>",
    "1e308",
    "NaN",
];

/// The archive with one member changed, and sums that fit mostly.
fn repacked(seeded: &mut Seeded, bytes: &[u8]) -> Option<Vec<u8>> {
    let mut archive = ZipArchive::new(Cursor::new(bytes)).ok()?;
    let mut members = Vec::new();
    for number in 0..archive.len().min(20) {
        let member = archive.by_index(number).ok()?;
        let (name, mut content) = (member.name().to_owned(), Vec::new());
        member.take(100_000).read_to_end(&mut content).ok()?;
        members.push((name, content));
    }
    let main = members.iter().position(|(name, _)| name == "main.xml")?;
    let changed = if seeded.between(0, 1) == 0 { main } else { seeded.between(0, members.len() as u64 - 1) as usize };
    let words = if changed == main { IN_XML } else { &[] };
    members[changed].1 = mutated(seeded, &members[changed].1, &[], words);
    if seeded.between(0, 9) > 0 {
        let sums: Vec<(String, String)> = members.iter().map(|(name, content)| (name.clone(), sum(content))).collect();
        for (link, stated) in [("PointDataLink", "MD5ChecksumPointData"), ("ValidPointsLink", "MD5ChecksumValidPoints")]
        {
            restate(&mut members[main].1, link, stated, &sums);
        }
        let main_sum = sum(&members[main].1);
        let stated = members.iter_mut().find(|(name, _)| name == "md5checksum.hex");
        if let Some((_, stated)) = stated {
            *stated = format!("{main_sum} *main.xml\n").into_bytes();
        }
    }
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in members {
        writer.start_file(name, SimpleFileOptions::default()).ok()?;
        writer.write_all(&content).ok()?;
    }
    Some(writer.finish().ok()?.into_inner())
}

fn sum(bytes: &[u8]) -> String {
    Md5::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Puts the sum of the member that `link` names between the tags `stated`, where both are there.
fn restate(xml: &mut Vec<u8>, link: &str, stated: &str, sums: &[(String, String)]) {
    let Ok(text) = std::str::from_utf8(xml) else { return };
    let inside = |tag: &str| {
        let from = text.find(&format!("{tag}>"))? + tag.len() + 1;
        Some(from..from + text[from..].find('<')?)
    };
    let (Some(name), Some(place)) = (inside(link), inside(stated)) else { return };
    if let Some((_, sum)) = sums.iter().find(|(member, _)| *member == text[name.clone()]) {
        *xml = [&text[..place.start], sum, &text[place.end..]].concat().into_bytes();
    }
}
