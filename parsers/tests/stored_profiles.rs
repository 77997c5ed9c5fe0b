//! Profiles in SDF and X3P files: all forms of one profile say the same heights, and each damaged file is refused for its
//! reason. `tests/profiles/`: made by hand, or by an independent writer; two independent readers take the good ones and refuse
//! the bad ones. The surface is a third party's test file under the MIT licence (a pyramid of 5 x 5 points).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

use proptest::prelude::*;
use ridgepost_parsers::{StoredProfile, read_sdf, read_x3p};

fn file(name: &str) -> Vec<u8> {
    std::fs::read(format!("{}/tests/profiles/{name}", env!("CARGO_MANIFEST_DIR"))).expect(name)
}

fn read(bytes: &[u8]) -> Result<StoredProfile, String> {
    let read = if StoredProfile::is_zip(bytes) { read_x3p(bytes) } else { read_sdf(bytes) };
    read.map_err(|fault| fault.to_string())
}

#[test]
fn every_form_says_the_same_heights() {
    let truth: Vec<f64> = String::from_utf8(file("profile-nm.csv"))
        .unwrap()
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.split(',').nth(1).unwrap().parse::<f64>().unwrap())
        .collect();
    for name in ["iso1-ascii-i16.sdf", "iso1-bin-i32.sdf", "iso2-bin-f64.sdf", "f64.x3p", "i16.x3p"] {
        let found = read(&file(&format!("profile-{name}"))).expect(name);
        assert_eq!(found.heights.len(), 800, "{name}");
        assert!((found.step.unwrap() - 5e-7).abs() < 1e-15 && found.positions.is_empty(), "{name}");
        for (at, (height, truth)) in found.heights.iter().zip(&truth).enumerate() {
            match height {
                None => assert!([10, 11, 500].contains(&at), "{name} {at}"),
                Some(height) => assert!((height * 1e9 - truth).abs() < 1e-6, "{name} {at}: {height} {truth}"),
            }
        }
        assert_eq!(found.heights.iter().filter(|height| height.is_none()).count(), 3, "{name}");
    }
    let listed = read(&file("profile-xmllist.x3p")).unwrap();
    let expected = [Some(1e-7), Some(2.5e-7), None, Some(-4e-7), Some(5e-8), Some(3e-7), Some(-1.5e-7), Some(0.0)];
    assert_eq!(listed.heights, expected);
}

#[test]
fn damaged_files_are_refused_for_their_reason() {
    for (name, reason) in [
        ("bad/bad-data-md5.x3p", "bindata/data.bin is damaged: its MD5 sum"),
        ("bad/bad-main-md5.x3p", "main.xml is damaged: its MD5 sum"),
        ("bad/doctype.x3p", "main.xml: XML with DTD detected"),
        ("bad/huge-size.x3p", "points are none that a profile has"),
        ("bad/path-traversal-link.x3p", "leads out of the archive"),
        ("bad/short-data.x3p", "points are "),
        ("bad/count-mismatch.sdf", "the header says "),
        ("bad/decimal-comma.sdf", "Xscale = 5,00000000000000e-007 is no number"),
        ("bad/truncated.sdf", "the header says 800 points, and 104 are there"),
        ("bad/unknown-revision.sdf", "version `ISO-9.9` of SDF is not known"),
        ("pyramid.x3p", "a profile (PRF) is read"),
    ] {
        let fault = read(&file(name)).expect_err(name);
        assert!(fault.contains(reason), "{name}: {fault}");
    }
}

/// An end of an archive that states more members than any memory holds is refused before room is made for them. Layout: the
/// ZIP format's public description, from memory.
#[test]
fn an_archive_of_countless_members_is_refused() {
    let mut bytes = file("profile-i16.x3p");
    bytes.truncate(bytes.len() - 22);
    let (at, members) = (bytes.len() as u64, 1_u64 << 40);
    bytes.extend(b"PK\x06\x06");
    bytes.extend(44_u64.to_le_bytes());
    bytes.extend([45, 0, 45, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
    [members, members, 46, members + 1].iter().for_each(|number| bytes.extend(number.to_le_bytes()));
    bytes.extend(b"PK\x06\x07\0\0\0\0");
    bytes.extend(at.to_le_bytes());
    bytes.extend(b"\x01\0\0\0PK\x05\x06\0\0\0\0\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\0\0");
    let fault = read(&bytes).unwrap_err();
    assert!(fault.contains("ZIP64"), "{fault}");
}

/// A header may state points that are not there, or scales that no height fits: both are refused, and no room is made.
#[test]
fn sdf_headers_are_not_believed() {
    let text = "aISO-1.0\nNumPoints=10000000\nNumProfiles=1\nXscale=1e-6\nYscale=0\nZscale=1e300\nCompression=0\nDataType=5\n\
                CheckType=0\n*\n";
    let fault = |text: String| read(text.as_bytes()).unwrap_err();
    assert_eq!(fault(format!("{text}1 2 3\n*\n")), "the header says 10000000 points, and 3 are there");
    let two = text.replace("10000000", "2");
    assert_eq!(fault(format!("{two}1 1e9\n*\n")), "a point times the scale of the heights is no number");
    assert_eq!(read(format!("{two}1 2\n*\n").as_bytes()).unwrap().heights, [Some(1e300), Some(2e300)]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    /// Any slip in any file: a profile or a reason, no panic; a flipped byte of an X3P's points never goes unnoticed.
    #[test]
    fn any_damage_is_survived(
        name in prop::sample::select(vec!["profile-iso1-ascii-i16.sdf", "profile-iso1-bin-i32.sdf", "profile-iso2-bin-f64.sdf", "profile-i16.x3p", "profile-xmllist.x3p"]),
        at in 0.0..1.0_f64,
        byte: u8,
        cut: bool,
    ) {
        let mut bytes = file(name);
        let at = (at * bytes.len() as f64) as usize;
        if cut { bytes.truncate(at) } else { bytes[at] = byte }
        let whole = read(&file(name));
        let found = read(&bytes);
        if cut && at < 900 {
            prop_assert!(found.is_err());
        }
        if StoredProfile::is_zip(&file(name)) && let Ok(found) = found {
            prop_assert_eq!(Ok(found), whole);
        }
    }
}
