//! Callouts read, refused at their place, and printed.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests may fail loudly")]
use proptest::prelude::*;

use ridgepost_parsers::UnitKind;

use super::*;

const FOUR: Option<Edition> = Some(Edition::Iso1302);
const NINE: Option<Edition> = Some(Edition::Iso21920);

fn canonical(text: &str, edition: Option<Edition>) -> String {
    match Callout::parse(text, edition) {
        Ok(callout) => {
            let shown = callout.to_string();
            assert_eq!(Callout::parse(&shown, edition).as_ref(), Ok(&callout), "{shown}");
            shown
        }
        Err(fault) => format!("{}: {}", text[..fault.at].chars().count(), fault.message),
    }
}

/// Forms of ISO 1302:2002 (from memory, parts seen) and ISO 21920-1 (seen in excerpts); grades of ISO 1302:1992 (seen).
#[test]
fn callouts_are_read_as_a_drawing_writes_them() {
    for (text, edition, expected) in [
        (r#"U "2RC" 0.008-0.8 / Ra 8max 3.1; L Ra 0.9"#, FOUR, r#"U "2RC" 0.008-0.8/Ra 8max 3.1 µm; L Ra 0.9 µm"#),
        ("Ra 0,8", FOUR, "U Ra 0.8 µm"),
        ("-0,8/Ra 1,6", FOUR, "U -0.8/Ra 1.6 µm"),
        ("0.008-/Rz 6.3", FOUR, "U 0.008-/Rz 6.3 µm"),
        ("Ra3 0.7", FOUR, "U Ra3 0.7 µm"),
        ("Rz1max 10", FOUR, "U Rz 1max 10 µm"),
        ("Rzmax 10", FOUR, "U Rz max 10 µm"),
        ("Rmax 10", FOUR, "U Rmax 10 µm"),
        ("RzJIS 6.3", Some(Edition::Jis2001), "U RzJIS 6.3 µm"),
        ("Rk8 2", FOUR, "U Rk8 2 µm"),
        ("MRR U Ra max 3.2\nL Ra 0.8", FOUR, "MRR U Ra max 3.2 µm; L Ra 0.8 µm"),
        ("NMR Rz 6.3;", FOUR, "NMR U Rz 6.3 µm"),
        ("U Rz 10 T16%", NINE, "U Rz 10 µm T16%"),
        ("Ra 1.6 Tmed", NINE, "U Ra 1.6 µm Tmed"),
        ("Ra 1.6 Tmax", NINE, "U Ra max 1.6 µm"),
        ("Rmr(0.5) 60", FOUR, "U Rmr(0.5) 60 %"),
        ("L Rmr(0,5) 60 %", FOUR, "L Rmr(0.5) 60 %"),
        ("RSm 0.4", FOUR, "U RSm 0.4 mm"),
        ("Rsk 0.5", FOUR, "U Rsk 0.5"),
        ("N7", FOUR, "U Ra 1.6 µm"),
        ("Ra N12", FOUR, "U Ra 50 µm"),
        ("L N5", FOUR, "L Ra 0.4 µm"),
        ("Ra 63 µin", Some(Edition::Asme), "U Ra 63 µin"),
        ("Ra 63 uin", Some(Edition::Asme), "U Ra 63 µin"),
        ("0.8/16/Wz 10", FOUR, "0: this length is one too many"),
        ("-0.8/16/Wz 10", FOUR, "U -0.8/16/Wz 10 µm"),
        ("0.8\u{2212}2.5/Ra 3", FOUR, "U 0.8-2.5/Ra 3 µm"),
    ] {
        if expected.starts_with("0: ") {
            assert!(canonical(text, edition).contains("one too many"), "{text}");
            continue;
        }
        assert_eq!(canonical(text, edition), expected, "{text}");
    }
}

#[test]
fn faults_point_into_the_text() {
    for (text, edition, expected) in [
        ("", FOUR, "0: here a parameter is missing"),
        ("Ra", FOUR, "2: here the limit of Ra is missing"),
        ("U Ra0.8", FOUR, "4: a blank is missing between parameter and limit"),
        ("Rq 0.8; Xa 3", FOUR, "8: unknown parameter `Xa`"),
        ("\"3RC\" Ra 0.8", FOUR, "1: unknown filter `3RC`"),
        ("\"2RC Ra 0.8", FOUR, "0: this quote is not closed"),
        ("0.8-0.008/Ra 3", FOUR, "0: the short cutoff is not below the long one"),
        ("-/Ra 3", FOUR, "0: this band has no end"),
        ("0.8 Ra 3", FOUR, "4: a length in mm ends with / before the parameter"),
        ("Ra 0.8.1", FOUR, "3: `0.8.1` is no number above zero"),
        ("Ra 0", FOUR, "3: `0` is no number above zero"),
        ("Ra 0.8 T16%", FOUR, "7: this rule is a form of ISO 21920-1"),
        ("Ra max 0.8 T16%", NINE, "11: two rules are written"),
        ("Ra 0.8 mm x", FOUR, "10: nothing is expected here"),
        ("Ra 0.8 %", FOUR, "7: Ra is not in %"),
        ("Ra 63", Some(Edition::Asme), "3: in this edition a limit without unit can be in µin or in µm"),
        ("N13", FOUR, "0: unknown parameter `N13`"),
        ("Ra 101max 3", FOUR, "3: 101 is no number of sampling lengths"),
        ("µ Ra", FOUR, "0: unknown parameter `µ`"),
    ] {
        assert_eq!(canonical(text, edition), expected, "{text}");
    }
}

fn a_requirement() -> impl Strategy<Value = Requirement> {
    let length = || prop::option::of((1_i64..9000, 0_u32..4).prop_map(|(it, scale)| Decimal::new(it, scale)));
    let names =
        prop::sample::select(vec!["Ra", "Rz", "Rmax", "RzJIS", "Rmr(0.5)", "RSm", "Wz", "Pt", "Rk", "RPc", "Rsk"]);
    let rule = prop::sample::select(vec![None, Some(Rule::Max), Some(Rule::Sixteen), Some(Rule::Median)]);
    let others = (
        prop::option::of(1_u32..=100),
        rule,
        1_i64..99999,
        0_u32..5,
        prop::sample::select(vec![None, Some("2RC"), Some("gaussian")]),
    );
    (any::<bool>(), length(), length(), length(), names, others).prop_map(
        |(upper, one, other, evaluation, name, (count, rule, value, scale, filter))| {
            let (lambda_s, cutoff) = match (one, other) {
                (Some(one), Some(other)) if one.normalize() == other.normalize() => (Some(one), None),
                (Some(one), Some(other)) => (Some(one.min(other)), Some(one.max(other))),
                both => both,
            };
            let quantity = Quantity::parse(name).unwrap();
            let unit = match quantity.unit_kind() {
                UnitKind::Ratio => Unit::Percent,
                UnitKind::Density => Unit::PerCentimetre,
                UnitKind::Number => Unit::One,
                _ => Unit::Micrometre,
            };
            Requirement {
                side: if upper { Side::Upper } else { Side::Lower },
                filter: filter.map(str::to_owned),
                lambda_s: lambda_s.map(|it| it.normalize()),
                cutoff: cutoff.map(|it| it.normalize()),
                evaluation: evaluation.map(|it| it.normalize()),
                quantity,
                count,
                rule,
                value: Amount { number: Decimal::new(value, scale), unit },
            }
        },
    )
}

proptest! {
    #[test]
    fn what_is_printed_reads_back(requirements in prop::collection::vec(a_requirement(), 1..4)) {
        let callout = Callout { process: None, requirements };
        let shown = callout.to_string();
        prop_assert_eq!(Callout::parse(&shown, NINE), Ok(callout), "{}", shown);
    }

    #[test]
    fn any_text_is_read_or_refused_at_a_place_in_it(text in "[ULRaz0-9.,;/\" \\-µNmTx%()]{0,40}|.{0,30}") {
        if let Err(fault) = Callout::parse(&text, FOUR) {
            prop_assert!(text.is_char_boundary(fault.at) && fault.at <= text.len());
        }
    }
}
