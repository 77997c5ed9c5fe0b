//! A cutoff that nobody wrote: what the edition makes of it, by the limit or by the measured value.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use bench::*;
use ridgepost_config::{Characteristic, TextureEdition, Unwritten};
use ridgepost_parsers::{Conditions, Reading};
use ridgepost_texture::default_setting;

fn by_limit(symbol: &str, limit: &str) -> Characteristic {
    let asked = upper("12", symbol, limit);
    let setting = default_setting(TextureEdition::Iso21920, symbol, asked.upper.unwrap()).unwrap();
    Characteristic { unwritten: Unwritten::OfLimit(setting), ..asked }
}

fn by_value(symbol: &str, limit: &str) -> Characteristic {
    Characteristic { unwritten: Unwritten::OfMeasured(TextureEdition::Iso4288), ..upper("12", symbol, limit) }
}

fn with_cutoff(symbol: &str, value: &str, cutoff: &str, sections: Option<&str>) -> Reading {
    let conditions =
        Conditions { cutoff: Some(length(cutoff)), sections: sections.map(str::to_owned), ..Conditions::default() };
    Reading { conditions, ..reading(symbol, value) }
}

/// Rows of ISO 4288:1996 (partly from memory) and ISO 21920-3:2021 (seen in a national table).
#[test]
fn the_editions_cutoff_is_asked_for_where_none_is_written() {
    let (good, other) = ("conforms within-limits", "unjudged conditions-mismatch");
    for (asked, value, cutoff, sections, expected) in [
        (by_limit("Ra", "1.6 µm"), "0.08 µm", "0.8 mm", None, good),
        (by_limit("Ra", "1.6 µm"), "0.08 µm", "0.25 mm", None, other),
        (by_limit("Ra", "1.6 µm"), "0.08 µm", "0.030 in", None, good),
        (by_limit("Ra", "1.6 µm"), "0.4 µm", "0.8 mm", Some("3"), other),
        (by_limit("Ra", "1.6 µm"), "0.4 µm", "0.8 mm", Some("5"), good),
        (by_limit("Rz", "12 µm"), "11 µm", "0.8 mm", None, good),
        (by_value("Rz", "12 µm"), "11 µm", "0.8 mm", None, other),
        (by_value("Rz", "12 µm"), "11 µm", "2.5 mm", None, good),
        (by_value("Ra", "1.6 µm"), "0.08 µm", "0.8 mm", None, other),
        (by_value("Ra", "1.6 µm"), "0.08 µm", "0.25 mm", None, good),
        (by_value("Ra", "1.6 µm"), "80 nm", "0.25 mm", None, good),
        (by_value("Ra", "1.6 µm"), "1.7 µm", "0.8 mm", None, "nonconforming above-upper"),
        (by_value("Ra", "3.2 µm"), "2.1 µm", "0.8 mm", None, other),
        (
            Characteristic { unwritten: Unwritten::Nothing, ..upper("12", "Ra", "1.6 µm") },
            "0.08 µm",
            "0.8 mm",
            None,
            good,
        ),
    ] {
        let symbol = asked.quantity.to_string();
        let found = verdict_on(asked.clone(), &with_cutoff(&symbol, value, cutoff, sections));
        assert_eq!(found, expected, "{symbol} {value} {cutoff} {sections:?} {:?}", asked.unwritten);
    }
}

/// Which settings were others, and what was required: by the edition's row of the measured value here.
#[test]
fn what_was_set_otherwise_is_told() {
    let job = job(vec![by_value("Ra", "3.2 µm")]);
    let reading = with_cutoff("Ra", "2.1 µm", "0.8 mm", Some("3"));
    let judgement = together(&circumstances(Some(&job), &gauge()), &ridgepost_judge::Piece::fresh(&job, 1), &[reading]);
    let words = ridgepost_judge::other_conditions(&job.characteristics[0], &judgement.rows[0]);
    assert_eq!(words, ["cutoff 0.8 mm, required 2.5 mm", "sections 3, required 5"]);
}

/// Two limits of one callout that are measured differently: each reading goes to the one it was measured for.
#[test]
fn a_reading_goes_to_the_slot_it_was_measured_for() {
    let with = |balloon: &str, asked: Characteristic, filter: &str| {
        let conditions = ridgepost_config::Settings { filter: Some(filter.to_owned()), ..asked.conditions.clone() };
        Characteristic { balloon: balloon.to_owned(), conditions, ..asked }
    };
    let job = job(vec![
        with("12.1", upper("12", "Ra", "3.1 µm"), "2RC"),
        with("12.2", lower("12", "Ra", "0.9 µm"), "gaussian"),
        upper("13", "Rz", "20 µm"),
    ]);
    let measured = |filter: &str| {
        let reading = with_cutoff("Ra", "2.0 µm", "0.8 mm", None);
        Reading { conditions: Conditions { filter: Some(filter.to_owned()), ..reading.conditions.clone() }, ..reading }
    };
    let gauge = gauge();
    let piece = ridgepost_judge::Piece::fresh(&job, 1);
    let judgement = one_by_one(
        &circumstances(Some(&job), &gauge),
        &piece,
        &[measured("GAUSS"), measured("2RC"), measured("cubic")],
    );
    let readings = judgement.rows.iter().filter(|row| row.kind == ridgepost_judge::Kind::Reading);
    let found: Vec<_> =
        readings.map(|row| format!("{} {}", row.balloon.as_deref().unwrap(), row.outcome.unwrap())).collect();
    assert_eq!(found, ["12.2 conforms", "12.1 conforms", "12.2 unjudged"]);
}
