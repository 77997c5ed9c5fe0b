//! Usual causes that are named beside values which can't be true or lie far off. The factors between units are those of
//! NIST SP 811, appendix B.8 (from memory); what good parts usually show is common practice (no source).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use std::collections::BTreeMap;

use bench::*;
use ridgepost_config::{Characteristic, Job, Settings, Specimen};
use ridgepost_judge::{Circumstances, Hint, Outcome, Piece, Specimens, hints, judge, odd_ratio};
use ridgepost_parsers::{Reading, Value};
use rust_decimal::{Decimal, dec};

fn unitless(reading: Reading) -> Reading {
    Reading { unit_as_sent: None, ..reading }
}

fn within(characteristic: Characteristic, low: Decimal, high: Decimal) -> Characteristic {
    Characteristic { plausible: Some((low, high)), ..characteristic }
}

fn specimens() -> Specimens {
    let specimen = Specimen {
        id: "SP-2".to_owned(),
        serial: None,
        certified: BTreeMap::from([(quantity("Ra"), amount("2.97 µm"))]),
        uncertainty: BTreeMap::new(),
        coverage_factor: Decimal::TWO,
        certificate: None,
        certificate_sha256: None,
        conditions: Settings::default(),
        due: None,
    };
    BTreeMap::from([(specimen.id.clone(), specimen)])
}

#[test]
fn usual_causes_are_named() {
    let (ra, rz) = (upper("12", "Ra", "0.8 µm"), upper("12", "Rz", "6.3 µm"));
    let narrow = within(ra.clone(), dec!(0.05), dec!(2));
    let shaft = between("12", "L", "19.98", "20.00 mm");
    let gauge = gauge();
    for (characteristic, reading, expected) in [
        // Outside of what the quantity can be: not judged, and the cause is named.
        (&ra, reading("Ra", "412 µm"), "unjudged implausible unit-suspect slip-1000 decimal-lost"),
        (&ra, reading("Ra", "412.0 µm"), "unjudged implausible unit-suspect slip-1000"),
        (&ra, reading("Ra", "0.000412 µm"), "unjudged implausible unit-suspect slip-1000"),
        (&ra, reading("Ra", "4.12 mm"), "unjudged implausible unit-suspect slip-1000"),
        (&narrow, reading("Ra", "15.7 µm"), "unjudged implausible unit-suspect slip-39.37 slip-25.4"),
        (&narrow, reading("Ra", "412 nm"), "conforms within-limits"),
        (&narrow, reading("Ra", "2.87 µm"), "unjudged implausible unit-suspect other-parameter"),
        (&rz, reading("Rz", "0.0028 µm"), "unjudged implausible unit-suspect slip-1000"),
        (&rz, reading("Rz", "2800.0 µm"), "unjudged implausible unit-suspect slip-1000"),
        // Far beyond its limit, with no unit sent: judged, and the cause is named.
        (&ra, unitless(reading("Ra", "16.2 µm")), "nonconforming above-upper slip-39.37"),
        (&ra, reading("Ra", "16.2 µm"), "nonconforming above-upper"),
        (&ra, unitless(reading("Ra", "0.9 µm")), "nonconforming above-upper"),
        (&shaft, unitless(reading("L", "0.7870 mm")), "nonconforming below-lower slip-25.4"),
        (&shaft, unitless(reading("L", "19990 mm")), "nonconforming above-upper slip-1000"),
        (&shaft, unitless(reading("L", "3.000 mm")), "nonconforming below-lower"),
        // Like the specimen of the gauge.
        (&ra, reading("Ra", "2.99 µm"), "nonconforming above-upper specimen-value"),
        (&ra, reading("Ra", "2.70 µm"), "nonconforming above-upper"),
        (&upper("12", "Ra", "3.2 µm"), reading("Ra", "2.99 µm"), "conforms within-limits"),
    ] {
        let job = job(vec![characteristic.clone()]);
        let specimens = specimens();
        let at = Circumstances { specimens: &specimens, ..circumstances(Some(&job), &gauge) };
        let judged = judge(&at, &Piece::fresh(&job, 1), &[&reading]).unwrap();
        let row = judged.rows.first().unwrap();
        let said = format!("{} {}", row.outcome.unwrap(), row.reasons.join(" "));
        assert_eq!(said, expected, "{} {:?}", reading.value_as_sent, reading.unit);
        // No cause makes a pass, and the cause goes on to the part.
        let part = judged.rows.last().unwrap();
        assert!(row.outcome == Some(Outcome::Conforms) || part.outcome != Some(Outcome::Conforms));
        for cause in row.reasons.iter().filter(|code| row.outcome == Some(Outcome::Nonconforming) && code.contains("s"))
        {
            assert!(part.reasons.contains(cause), "{part:?}");
        }
    }
}

/// 3 to 10 as usual ratios of Rz and Ra: common practice, no source.
#[test]
fn an_unusual_ratio_is_told() {
    let of = |ra: &str, rz: &str| {
        let [ra, rz] = [ra, rz].map(amount).map(|it| (Value::from(it.number), it.unit));
        odd_ratio(ra, rz).map(|ratio| ratio.to_string())
    };
    assert_eq!(of("0.412 µm", "2.87 µm"), None);
    assert_eq!(of("1 µm", "3 µm"), None);
    assert_eq!(of("1 µm", "2.9 µm").as_deref(), Some("2.9"));
    assert_eq!(of("400 nm", "4.4 µm").as_deref(), Some("11"));
    assert_eq!(of("0 µm", "4.4 µm"), None);
    assert_eq!(of("1 µm", "4 %"), None);
}

#[test]
fn a_reading_that_would_conform_elsewhere_is_told() {
    let of = |balloon: &str, symbol: &str, limit: &str, feature: &str| Characteristic {
        feature: feature.to_owned(),
        ..upper(balloon, symbol, limit)
    };
    let job: Job = job(vec![
        of("12", "Ra", "0.8 µm", "seat"),
        of("13", "Rz", "6.3 µm", "seat"),
        of("14", "Ra", "3.2 µm", "flange"),
        of("15", "Rz", "1.6 µm", "flange"),
    ]);
    let gauge = gauge();
    let at = circumstances(Some(&job), &gauge);
    let told = |text: &str| {
        let judged = judge(&at, &Piece::fresh(&job, 1), &[&reading("Ra", text)]).unwrap();
        hints(&job, judged.rows.first().unwrap())
    };
    assert_eq!(told("0.7 µm"), []);
    assert_eq!(
        told("2.9 µm"),
        [Hint::OtherParameter(quantity("Rz"), "13".to_owned()), Hint::OtherFeature("14".to_owned())]
    );
    assert_eq!(told("4.9 µm"), [Hint::OtherParameter(quantity("Rz"), "13".to_owned())]);
    assert_eq!(told("8 µm"), []);
}
