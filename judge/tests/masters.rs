//! Deviations from a master, converted hardness, and the limits that instruments judge by.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use bench::*;
use proptest::prelude::*;
use ridgepost_config::{Amount, Characteristic, Master};
use ridgepost_judge::{Kind, Piece, Reason, judge, sum_in_words};
use ridgepost_parsers::{InstrumentLimits, LimitMeant, Mark, Reading, Unit, Value, Verdict};
use rust_decimal::Decimal;

fn master(nominal: &str, larger: bool) -> Master {
    Master { id: "SM-25".to_owned(), nominal: amount(nominal), deviation: None, larger, deviation_from: None }
}

fn with(master: Master, characteristic: Characteristic) -> Characteristic {
    Characteristic { master: Some(master), ..characteristic }
}

/// A shaft of 25 h6: 25 mm, lower deviation -13 µm, upper deviation 0 (ISO 286-1, tables of fundamental tolerances and
/// deviations; the values from memory).
fn h6() -> Characteristic {
    between("1", "D", "24.987", "25 mm")
}

/// Outcome, value, unit and what was sent of one reading.
fn row(characteristic: Characteristic, reading: &Reading) -> String {
    let (job, gauge) = (job(vec![characteristic]), gauge());
    let judgement = judge(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &[reading]).expect("judged");
    let row = only(&judgement, Kind::Reading);
    let text = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    format!(
        "{} {} {} = {} {} of {} {}",
        row.outcome.map_or("-", |outcome| outcome.code()),
        row.reasons.join(" "),
        text(row.quantity.as_ref().map(ToString::to_string)),
        text(row.value.map(|value| value.to_string())),
        text(row.unit.map(|unit| unit.to_string())),
        text(row.value_as_sent.clone()),
        text(row.unit_as_sent.clone()),
    )
}

/// Size = master's size plus or minus the indication: worked by hand.
#[test]
fn a_size_is_the_master_and_the_deviation() {
    let exact = || master("25.000 mm", true);
    let own = |deviation: &str| Master { deviation: Some(amount(deviation)), ..exact() };
    let turned = || master("25.000 mm", false);
    let ok = "conforms within-limits D";
    let cases: Vec<(Master, &str, String)> = vec![
        (exact(), "0.000 mm", format!("{ok} = 25.000 mm of 0.000 mm")),
        (exact(), "-0.006 mm", format!("{ok} = 24.994 mm of -0.006 mm")),
        (exact(), "-13 µm", format!("{ok} = 24.987 mm of -13 µm")),
        (exact(), "-13.0 µm", format!("{ok} = 24.9870 mm of -13.0 µm")),
        (exact(), "-13.1 µm", "nonconforming below-lower D = 24.9869 mm of -13.1 µm".into()),
        (exact(), "0.001 mm", "nonconforming above-upper D = 25.001 mm of 0.001 mm".into()),
        (turned(), "0.006 mm", format!("{ok} = 24.994 mm of 0.006 mm")),
        (turned(), "-0.001 mm", "nonconforming above-upper D = 25.001 mm of -0.001 mm".into()),
        // The master is 0.4 µm large: what it indicates as 0 is 25.0004 mm, beyond the limit.
        (own("0.4 µm"), "0.000 mm", "nonconforming above-upper D = 25.0004 mm of 0.000 mm".into()),
        (own("-0.4 µm"), "0.0004 mm", format!("{ok} = 25.0000 mm of 0.0004 mm")),
        (own("-0.4 µm"), "-0.013 mm", "nonconforming below-lower D = 24.9866 mm of -0.013 mm".into()),
        // 0.0005 in = 0.0127 mm exactly.
        (exact(), "-0.0005 in", format!("{ok} = 24.9873 mm of -0.0005 in")),
        // 2 mm below the limit, and yet such an indicator may exist; half of the master is none.
        (exact(), "-2 mm", "nonconforming below-lower D = 23.000 mm of -2 mm".into()),
        (exact(), "24.994 mm", "unjudged implausible D = 49.994 mm of 24.994 mm".into()),
    ];
    for (master, sent, expected) in cases {
        for symbol in ["dev", "dev(D)"] {
            assert_eq!(row(with(master.clone(), h6()), &reading(symbol, sent)), expected, "{master:?} {symbol}");
        }
    }
}

/// A whole number of tenths of a micrometre, written in one of these units.
fn tenths(number: i64, unit: Unit) -> Amount {
    let scale = match unit {
        Unit::Nanometre => return Amount { number: Decimal::from(number * 100), unit },
        Unit::Micrometre => 1,
        _ => 4,
    };
    Amount { number: Decimal::new(number, scale), unit }
}

fn unit() -> impl Strategy<Value = Unit> {
    prop::sample::select(vec![Unit::Nanometre, Unit::Micrometre, Unit::Millimetre])
}

proptest! {
    /// Whole numbers know what the sum is and on which side of a limit it lies.
    #[test]
    fn sums_agree_with_whole_numbers(
        (nominal, own, indicated) in (100_000_i64..1_000_000, -500_i64..500, -40_000_i64..40_000),
        (low, span) in (-40_000_i64..40_000, 0_i64..50_000),
        units in (unit(), unit(), unit(), unit()),
        larger: bool,
    ) {
        let (low, high) = (nominal + low, nominal + low + span);
        let asked = Characteristic {
            lower: Some(tenths(low, units.0).number),
            upper: Some(tenths(high, units.0).number),
            unit: units.0,
            ..characteristic("1", "D")
        };
        let master = Master {
            nominal: tenths(nominal, units.1),
            deviation: Some(tenths(own, units.2)),
            ..master("1 mm", larger)
        };
        let sent = tenths(indicated, units.3);
        let sent = Reading { value: Some(Value::from(sent.number)), unit: Some(sent.unit), ..reading("dev", "0 mm") };
        let size = nominal + own + if larger { indicated } else { -indicated };
        let expected = if size > high {
            "nonconforming above-upper"
        } else if size < low {
            "nonconforming below-lower"
        } else {
            "conforms within-limits"
        };
        let (job, gauge) = (job(vec![with(master, asked)]), gauge());
        let judgement = judge(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &[&sent]).unwrap();
        let row = only(&judgement, Kind::Reading);
        prop_assert_eq!(said(row), format!("reading 1 {expected}"));
        prop_assert_eq!(row.value.unwrap().decimal(), tenths(size, units.0).number);
    }

    /// Whatever is sent, in whatever unit of length: one row, no panic, and no size where the sum can't be exact.
    #[test]
    fn any_number_is_taken_or_refused(mantissa: i64, scale in 0_u32..28, at in 0_usize..7) {
        let lengths = [
            Unit::Nanometre, Unit::Micrometre, Unit::Millimetre, Unit::Metre, Unit::Microinch, Unit::Mil, Unit::Inch,
        ];
        let number = Value::from(Decimal::new(mantissa, scale));
        let sent = Reading { value: Some(number), unit: Some(lengths[at]), ..reading("dev", "0 mm") };
        let found = verdict_on(with(master("25.000 mm", true), h6()), &sent);
        prop_assert!(
            ["conforms within-limits", "nonconforming above-upper", "nonconforming below-lower", "unjudged implausible"]
                .contains(&found.as_str()),
            "{}", found
        );
    }
}

/// What `why` shows of it.
#[test]
fn a_sum_is_shown_in_words() {
    let own = Master { deviation: Some(amount("-0.4 µm")), ..master("25.000 mm", false) };
    for (master, sent, expected) in [
        (master("25.000 mm", true), "-0.006 mm", "25.000 mm (master SM-25) - 0.006 mm (indicated) = 24.994 mm"),
        (own, "6.0 µm", "25.000 mm (master SM-25) - 0.4 µm (its own deviation) - 6.0 µm (indicated) = 24.9936 mm"),
    ] {
        let sent = reading("dev", sent);
        let words = sum_in_words(&with(master, h6()), sent.value.unwrap(), sent.unit.unwrap());
        assert_eq!(words.as_deref(), Some(expected));
    }
}

/// An inch job, a metric master: 25 mm is no finite number of inches, so the comparison is made in micrometres. Limits as
/// exact as they can be written: 24.987 / 25.4 = 0.98374015748..., 25 / 25.4 = 0.98425196850...
#[test]
fn sums_are_compared_exactly_in_any_units() {
    let inch = || with(master("25 mm", true), between("1", "D", "0.98374015748", "0.98425196850 in"));
    for (sent, expected) in [
        ("0 mm", "nonconforming above-upper D = 0.984251968504 in of 0 mm"),
        ("-0.0000001 mm", "conforms within-limits D = 0.984251964567 in of -0.0000001 mm"),
        ("-0.013 mm", "conforms within-limits D = 0.983740157480 in of -0.013 mm"),
        ("-0.0130001 mm", "nonconforming below-lower D = 0.983740153543 in of -0.0130001 mm"),
    ] {
        let found = row(inch(), &reading("dev", sent));
        // Trailing zeros of a rounded quotient are not shown.
        let expected = expected.replace("0.983740157480", "0.98374015748");
        assert_eq!(found, expected);
    }
}

/// Where the job asks for the deviation itself, the master's own is part of it, and so is what it is a deviation from.
#[test]
fn a_deviation_can_be_asked_for_itself() {
    let asked = |from: &str, own: Option<&str>| {
        let master =
            Master { deviation: own.map(amount), deviation_from: Some(amount(from)), ..master("25.000 mm", true) };
        with(master, between("1", "dev", "-13", "0 µm"))
    };
    for (from, own, sent, expected) in [
        ("25 mm", None, "-0.006 mm", "conforms within-limits dev = -6 µm of -0.006 mm"),
        ("25 mm", None, "1 µm", "nonconforming above-upper dev = 1 µm of 1 µm"),
        ("25 mm", Some("0.4 µm"), "0 µm", "nonconforming above-upper dev = 0.4 µm of 0 µm"),
        ("25.01 mm", None, "0 µm", "conforms within-limits dev = -10 µm of 0 µm"),
        ("25.01 mm", None, "-4 µm", "nonconforming below-lower dev = -14 µm of -4 µm"),
    ] {
        assert_eq!(row(asked(from, own), &reading("dev", sent)), expected, "{from} {own:?}");
    }
}

/// A deviation without its master is nothing to be judged, and never stands in a row as the size.
#[test]
fn a_deviation_without_a_master_is_not_judged() {
    let of_size = reading("dev(D)", "-0.006 mm");
    assert_eq!(row(h6(), &of_size), "unjudged no-master dev(D) = -0.006 mm of -0.006 mm");
    assert_eq!(row(h6(), &reading("dev", "-0.006 mm")), "unjudged no-characteristic dev = -0.006 mm of -0.006 mm");
    let itself = between("1", "dev", "-13", "0 µm");
    assert_eq!(row(itself, &reading("dev", "-6 µm")), "unjudged no-master dev = -6 µm of -6 µm");
    let other = with(master("25 mm", true), between("1", "L", "24", "26 mm"));
    assert_eq!(row(other, &of_size), "unjudged no-characteristic dev(D) = -0.006 mm of -0.006 mm");
    // What is sent as a size is one, master or not.
    let sized = row(with(master("25.000 mm", true), h6()), &reading("D", "24.994 mm"));
    assert_eq!(sized, "conforms within-limits D = 24.994 mm of 24.994 mm");
    let marked = Reading { unit: None, ..marked("dev", Mark::Over) };
    assert_eq!(row(with(master("25.000 mm", true), h6()), &marked), "unjudged mark D = - mm of ---- µm");
}

/// Converted values (ISO 18265, ASTM E140) are not measured ones.
#[test]
fn a_converted_hardness_needs_a_job_that_takes_it() {
    let sent =
        |from: Option<&str>| Reading { converted_from: from.map(str::to_owned), ..reading("hardness", "60.3 HRC") };
    for (accept, from, expected) in [
        (false, None, "conforms within-limits"),
        (true, None, "conforms within-limits"),
        (false, Some("HLD"), "unjudged converted"),
        (true, Some("HLD"), "conforms within-limits converted"),
    ] {
        let mut job = job(vec![between("1", "hardness", "58", "62 HRC")]);
        job.accept_converted = accept;
        let gauge = gauge();
        let sent = sent(from);
        let judgement = judge(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &[&sent]).unwrap();
        assert_eq!(said(&judgement.rows[0]), format!("reading 1 {expected}"));
        assert_eq!(judgement.rows[0].value.map(|value| value.to_string()).as_deref(), Some("60.3"));
        if accept && from.is_some() {
            let part = only(&judgement, Kind::Part);
            assert!(part.reasons.contains(&Reason::Converted.code().to_owned()), "{:?}", part.reasons);
        }
    }
    // No scale is converted here.
    let other = row(between("1", "hardness", "58", "62 HRC"), &reading("hardness", "700 HV"));
    assert!(other.starts_with("unjudged unit-suspect"), "{other}");
}

/// The instrument's verdict against ours, by what it says its limits are.
#[test]
fn limits_of_the_instrument_are_compared_whatever_their_unit() {
    let meant = |text: &str| {
        let limit = amount(text);
        Some(LimitMeant { value: Value::from(limit.number), unit: limit.unit })
    };
    let stated = |lower: &str, upper: &str| InstrumentLimits {
        lower_meant: Some(lower).filter(|text| !text.is_empty()).and_then(meant),
        upper_meant: Some(upper).filter(|text| !text.is_empty()).and_then(meant),
        ..InstrumentLimits::default()
    };
    let shaft = || between("1", "D", "24.987", "25 mm");
    let plain = "conforms within-limits";
    for (characteristic, value, verdict, limits, expected) in [
        (shaft(), "24.994 mm", Some(Verdict::In), stated("24987 µm", "25.0000 mm"), plain.to_owned()),
        (shaft(), "24.994 mm", Some(Verdict::In), stated("24.987 mm", ""), plain.to_owned()),
        (
            shaft(),
            "24.994 mm",
            Some(Verdict::Out),
            stated("24.987 mm", "25 mm"),
            format!("{plain} instrument-disagrees"),
        ),
        (shaft(), "24.994 mm", Some(Verdict::Out), stated("", ""), format!("{plain} instrument-disagrees")),
        (
            shaft(),
            "24.994 mm",
            Some(Verdict::Out),
            stated("24.995 mm", "25 mm"),
            format!("{plain} instrument-disagrees instrument-limits"),
        ),
        (shaft(), "24.994 mm", Some(Verdict::In), stated("24.98 mm", "25 mm"), format!("{plain} instrument-limits")),
        (shaft(), "24.994 mm", None, stated("24.98 mm", "25 mm"), plain.to_owned()),
        (
            upper("1", "D", "25 mm"),
            "24.994 mm",
            Some(Verdict::In),
            stated("24.98 mm", "25 mm"),
            format!("{plain} instrument-limits"),
        ),
        // 0.98 in = 24.892 mm.
        (upper("1", "D", "24.892 mm"), "24 mm", Some(Verdict::In), stated("", "0.98 in"), plain.to_owned()),
    ] {
        let sent = Reading { verdict, instrument_limits: limits, ..reading("D", value) };
        assert_eq!(verdict_on(characteristic, &sent), expected, "{sent:?}");
    }
    // Limits of an indicator are deviations as well; where the part grows as it falls, the upper one is the lower one.
    for (larger, limits) in [(true, stated("-13 µm", "0 mm")), (false, stated("0 mm", "13 µm"))] {
        let indicated = if larger { "-6 µm" } else { "6 µm" };
        let sent =
            |limits| Reading { verdict: Some(Verdict::In), instrument_limits: limits, ..reading("dev", indicated) };
        let asked = || with(master("25.000 mm", larger), h6());
        assert_eq!(verdict_on(asked(), &sent(limits)), plain, "{larger}");
        assert_eq!(verdict_on(asked(), &sent(stated("-14 µm", "14 µm"))), format!("{plain} instrument-limits"));
    }
}
