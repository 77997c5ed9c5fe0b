//! Slots, traces, attempts and the life of a piece.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use bench::*;
use ridgepost_config::{Characteristic, Job};
use ridgepost_judge::{Circumstances, Judgement, Kind, Outcome, Piece, Row, end_piece};
use ridgepost_parsers::{Mark, Reading};

/// Judges Ra readings, a measurement each, by one characteristic (balloon 12), followed by one nobody fills.
fn ra(characteristic: Characteristic, values: &[&str]) -> Judgement {
    let (job, gauge) = (job(vec![characteristic, upper("99", "Rz", "6 µm")]), gauge());
    let readings: Vec<_> = values.iter().map(|value| reading("Ra", value)).collect();
    one_by_one(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &readings)
}

fn value(row: &Row) -> String {
    row.value.map_or_else(String::new, |value| value.to_string())
}

#[test]
fn the_max_rule_decides_at_once_or_with_the_last_trace() {
    let three = || traces(upper("12", "Ra", "0.8 µm"), 3);
    let more = "reading 12 undecided more-traces-needed";
    for (values, expected, deciding) in [
        (
            vec!["0.4 µm", "0.8 µm", "0.5 µm"],
            vec![more, more, "reading 12 conforms within-limits", "verdict 12 conforms within-limits"],
            Some("0.8"),
        ),
        (vec!["0.4 µm", "0.8 µm"], vec![more, more], None),
        (
            vec!["0.4 µm", "0.81 µm"],
            vec![more, "reading 12 nonconforming above-upper", "verdict 12 nonconforming above-upper"],
            Some("0.81"),
        ),
        (
            vec!["0.9 µm"],
            vec!["reading 12 nonconforming above-upper", "verdict 12 nonconforming above-upper"],
            Some("0.9"),
        ),
    ] {
        let judgement = ra(three(), &values);
        assert_eq!(all_said(&judgement), expected, "{values:?}");
        let verdict = judgement.rows.iter().find(|row| row.kind == Kind::Verdict);
        assert_eq!(verdict.map(value).as_deref(), deciding, "{values:?}");
        let traces: Vec<_> =
            judgement.rows.iter().filter(|row| row.kind == Kind::Reading).map(|row| row.trace).collect();
        assert_eq!(traces, (1..=values.len()).map(|trace| u32::try_from(trace).ok()).collect::<Vec<_>>());
    }
}

#[test]
fn the_verdict_carries_the_value_that_decides() {
    for (characteristic, values, deciding, is_last) in [
        (upper("12", "Ra", "0.8 µm"), ["0.4 µm", "0.7 µm", "0.5 µm"], "0.7", false),
        (lower("12", "Ra", "0.2 µm"), ["0.4 µm", "0.3 µm", "0.5 µm"], "0.3", false),
        (between("12", "Ra", "0.2", "0.8 µm"), ["0.4 µm", "0.3 µm", "0.6 µm"], "0.3", false),
        (between("12", "Ra", "0.2", "0.8 µm"), ["0.4 µm", "0.5 µm", "0.75 µm"], "0.75", true),
        (between("12", "Ra", "0.2", "0.8 µm"), ["0.4 µm", "0.3 µm", "0.1 µm"], "0.1", true),
        (upper("12", "Ra", "31.5 µin"), ["0.4 µm", "0.508 µm", "0.3 µm"], "20", false),
    ] {
        let judgement = ra(traces(characteristic, 3), &values);
        let verdict = only(&judgement, Kind::Verdict);
        assert_eq!(value(verdict), deciding, "{values:?}");
        assert_eq!(
            verdict.reading,
            Some(0).filter(|_| is_last),
            "it rests on a reading of this call or on none: {values:?}"
        );
        assert_eq!((verdict.trace, verdict.attempt, verdict.value_as_sent.as_deref()), (None, None, None));
        assert_eq!(verdict.gauge.as_deref(), Some("RT-07"));
    }
}

#[test]
fn one_trace_has_a_verdict_too_and_it_names_its_conditions() {
    let judgement = ra(upper("12", "Ra", "0.8 µm"), &["0.4 µm"]);
    let verdict = only(&judgement, Kind::Verdict);
    assert_eq!((verdict.reading, verdict.piece, verdict.sections), (Some(0), Some(1), Some(5)));
    assert_eq!((value(verdict).as_str(), verdict.rule), ("0.4", Some("max")));
}

/// "Best of n" must not exist: the first value counts, whatever comes after it.
#[test]
fn a_retest_is_kept_and_changes_nothing() {
    let judgement = ra(upper("12", "Ra", "0.8 µm"), &["0.9 µm", "0.7 µm", "0.6 µm"]);
    let expected = [
        "reading 12 nonconforming above-upper",
        "verdict 12 nonconforming above-upper",
        "reading 12 conforms within-limits",
        "reading 12 unjudged retest-limit",
    ];
    assert_eq!(all_said(&judgement), expected);
    let numbers: Vec<_> =
        judgement.rows.iter().filter(|row| row.kind == Kind::Reading).map(|row| (row.trace, row.attempt)).collect();
    assert_eq!(numbers, [(Some(1), None), (None, Some(2)), (None, Some(3))]);
    assert_eq!(judgement.piece.slots[0].decided, Some(Outcome::Nonconforming));
}

#[test]
fn an_unjudged_reading_fills_nothing_and_is_an_attempt() {
    let (job, gauge) = (job(vec![traces(upper("12", "Ra", "0.8 µm"), 2), upper("99", "Rz", "6 µm")]), gauge());
    let ra = |text: &str| reading("Ra", text);
    let readings = [marked("Ra", Mark::Over), ra("400 mm"), ra("0.4 µm"), marked("Ra", Mark::Error), ra("0.5 µm")];
    let judgement = one_by_one(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &readings);
    let numbers: Vec<_> =
        judgement.rows.iter().filter(|row| row.kind == Kind::Reading).map(|row| (row.trace, row.attempt)).collect();
    assert_eq!(numbers, [(None, None), (None, Some(2)), (Some(1), Some(3)), (None, None), (Some(2), Some(2))]);
    assert_eq!(said(only(&judgement, Kind::Verdict)), "verdict 12 conforms within-limits");
}

#[test]
fn readings_fill_the_slots_of_their_quantity_in_order() {
    let (job, gauge) = (
        job(vec![
            upper("12", "Ra", "0.8 µm"),
            upper("13", "D", "25 mm"),
            upper("14", "Ra", "1.6 µm"),
            Characteristic { station: Some("tester-b".to_owned()), ..upper("15", "Ra", "0.4 µm") },
        ]),
        gauge(),
    );
    let a = circumstances(Some(&job), &gauge);
    let b = Circumstances { station: "tester-b", ..a };
    let start = Piece::fresh(&job, 1);
    let balloons = |judgement: &Judgement| {
        let rows = judgement.rows.iter().filter(|row| row.kind == Kind::Reading);
        rows.filter_map(|row| row.balloon.clone()).collect::<Vec<_>>().join(" ")
    };
    let first = one_by_one(&a, &start, &[reading("Ra", "0.5 µm"), reading("Ra", "0.5 µm"), reading("Ra", "0.5 µm")]);
    assert_eq!(balloons(&first), "12 14 14", "the third is another attempt at the last slot of this station");
    let second = one_by_one(&b, &first.piece, &[reading("Ra", "0.3 µm"), reading("Ra", "0.3 µm")]);
    assert_eq!(balloons(&second), "15 15");
    let only_there = Job { characteristics: job.characteristics[3..].to_vec(), ..job.clone() };
    let elsewhere =
        together(&circumstances(Some(&only_there), &gauge), &Piece::fresh(&only_there, 1), &[reading("Ra", "0.3 µm")]);
    assert_eq!(all_said(&elsewhere), ["reading - unjudged no-characteristic"]);
}

fn two() -> Job {
    job(vec![upper("12", "Ra", "0.8 µm"), upper("14", "Rz", "6 µm")])
}

#[test]
fn a_full_piece_is_closed_behind_its_last_reading() {
    let (job, gauge) = (two(), gauge());
    let readings = [reading("Ra", "0.4 µm"), reading("Rz", "2.8 µm"), reading("Rq", "0.5 µm")];
    let judgement = together(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 7), &readings);
    let expected = [
        "reading 12 conforms within-limits",
        "verdict 12 conforms within-limits",
        "reading 14 conforms within-limits",
        "verdict 14 conforms within-limits",
        "reading - unjudged no-characteristic",
        "part - conforms within-limits",
    ];
    assert_eq!(all_said(&judgement), expected);
    assert!(judgement.rows.iter().all(|row| row.piece == Some(7) && row.cycle == Some(1)));
    assert_eq!(judgement.piece, Piece::fresh(&job, 8));
}

#[test]
fn a_part_conforms_only_if_everything_does() {
    let (job, gauge) = (two(), gauge());
    let at = circumstances(Some(&job), &gauge);
    let other = |reading: Reading| {
        let mut reading = reading;
        reading.conditions.cutoff = Some(length("0.25 mm"));
        reading
    };
    let job_with_cutoff = {
        let mut job = two();
        for characteristic in &mut job.characteristics {
            characteristic.conditions.cutoff = Some(amount("0.8 mm"));
        }
        job
    };
    let strict = Circumstances { job: Some(&job_with_cutoff), ..at };
    for (at, readings, expected) in [
        (at, vec![reading("Ra", "0.4 µm")], "part - unjudged missing:14"),
        (at, vec![reading("Ra", "0.9 µm")], "part - nonconforming above-upper missing:14"),
        (at, vec![marked("Ra", Mark::Over), marked("Rz", Mark::Over)], "part - unjudged missing:12,14 mark"),
        (at, vec![marked("Ra", Mark::Over), reading("Rz", "2.8 µm")], "part - unjudged missing:12 mark"),
        (
            strict,
            vec![other(reading("Ra", "0.4 µm")), reading("Rz", "2.8 µm")],
            "part - unjudged missing:12 conditions-mismatch",
        ),
        (
            strict,
            vec![other(reading("Ra", "0.4 µm")), reading("Rz", "7 µm")],
            "part - nonconforming above-upper missing:12 conditions-mismatch",
        ),
    ] {
        let judgement = one_by_one(&at, &Piece::fresh(&job, 1), &readings);
        let ended = end_piece(at.job.unwrap(), &judgement.piece).unwrap();
        assert_eq!(said(only(&ended, Kind::Part)), expected);
        assert_eq!(ended.piece.counter, 2);
    }
    let all = one_by_one(&at, &Piece::fresh(&job, 1), &[reading("Rz", "6.1 µm"), reading("Ra", "0.4 µm")]);
    assert_eq!(said(only(&all, Kind::Part)), "part - nonconforming above-upper");
}

#[test]
fn traces_that_are_due_make_a_piece_incomplete() {
    let (job, gauge) = (job(vec![traces(upper("12", "Ra", "0.8 µm"), 3)]), gauge());
    let judgement = one_by_one(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &[reading("Ra", "0.4 µm")]);
    let ended = end_piece(&job, &judgement.piece).unwrap();
    assert_eq!(all_said(&ended), ["part - unjudged missing:12"]);
}

#[test]
fn an_untouched_piece_ends_without_a_row() {
    let job = two();
    let piece = Piece::fresh(&job, 3);
    let ended = end_piece(&job, &piece).unwrap();
    assert_eq!((ended.rows.len(), ended.piece), (0, piece));
}

/// What the rows say of serial and counter: `part S1/1`.
fn whose(judgement: &Judgement) -> Vec<String> {
    let of = |row: &Row| {
        let serial = row.serial.as_deref().unwrap_or("-");
        let piece = row.piece.map_or("-".to_owned(), |piece| piece.to_string());
        format!("{} {serial}/{piece}", row.kind)
    };
    judgement.rows.iter().filter(|row| row.kind != Kind::Verdict).map(of).collect()
}

#[test]
fn another_name_closes_the_piece() {
    let (job, gauge) = (two(), gauge());
    let at = circumstances(Some(&job), &gauge);
    let start = Piece::fresh(&job, 1);
    let ra = |part: &str| of_part(reading("Ra", "0.4 µm"), part);
    let rz = |part: &str| of_part(reading("Rz", "2.8 µm"), part);
    let nameless = reading("Ra", "0.4 µm");
    for (readings, expected) in [
        (vec![ra("S1"), rz("S1")], vec!["reading S1/1", "reading S1/1", "part S1/1"]),
        (vec![ra("S1"), ra("S2")], vec!["reading S1/1", "part S1/1", "reading S2/2"]),
        (
            vec![ra("S1"), ra("S2"), rz("S1")],
            vec!["reading S1/1", "part S1/1", "reading S2/2", "part S2/2", "reading S1/3"],
        ),
        (vec![nameless.clone(), rz("S1")], vec!["reading -/1", "part -/1", "reading S1/2"]),
        (vec![ra("S1"), reading("Rz", "2.8 µm")], vec!["reading S1/1", "reading S1/1", "part S1/1"]),
        (vec![ra("S1"), rz("S1"), ra("S1")], vec!["reading S1/1", "reading S1/1", "part S1/1", "reading S1/2"]),
        (vec![ra("S1"), of_part(marked("Ra", Mark::Over), "S2")], vec!["reading S1/1", "part S1/1", "reading S2/2"]),
        (
            vec![ra("S1"), of_part(reading("Rq", "0.5 µm"), "S2"), rz("S1")],
            vec!["reading S1/1", "reading S2/-", "reading S1/1", "part S1/1"],
        ),
        (vec![of_part(reading("Rq", "0.5 µm"), "S1"), nameless.clone()], vec!["reading S1/-", "reading -/1"]),
    ] {
        assert_eq!(whose(&one_by_one(&at, &start, &readings)), expected);
    }
}

#[test]
fn all_readings_of_a_measurement_belong_to_the_part_it_names() {
    let (job, gauge) = (two(), gauge());
    let at = circumstances(Some(&job), &gauge);
    let first = together(&at, &Piece::fresh(&job, 1), &[of_part(reading("Ra", "0.4 µm"), "S1")]);
    let second = ["Rq", "Ra", "Rz"].map(|symbol| of_part(reading(symbol, "0.5 µm"), "S2"));
    let judgement = together(&at, &first.piece, &second);
    assert_eq!(whose(&judgement), ["part S1/1", "reading S2/2", "reading S2/2", "reading S2/2", "part S2/2"]);
}
