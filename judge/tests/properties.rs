//! What holds for every job, every order of events and every unit.
//!
//! The oracle compares whole picometres in integers, so it shares no arithmetic with the code: 1 µm is 1 000 000 pm,
//! 1 µin is 25 400 pm (inch exactly 25.4 mm: NIST SP 811 appendix B.8, from memory).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use std::collections::BTreeMap;

use bench::events::*;
use bench::*;
use proptest::prelude::*;
use proptest::sample::select;
use ridgepost_config::Characteristic;
use ridgepost_judge::{Kind, Outcome, Piece, Row, StoredReading, end_piece};
use ridgepost_parsers::{Reading, Unit, Value};
use rust_decimal::Decimal;

/// Units of length with their size in picometres.
const UNITS: &[(Unit, i128)] = &[
    (Unit::Nanometre, 1_000),
    (Unit::Microinch, 25_400),
    (Unit::Micrometre, 1_000_000),
    (Unit::Mil, 25_400_000),
    (Unit::Millimetre, 1_000_000_000),
    (Unit::Inch, 25_400_000_000),
    (Unit::Metre, 1_000_000_000_000),
];

/// A length as `mantissa` x 10^-`scale` of a unit, with its size in units of 10^-6 pm.
#[derive(Clone, Copy, Debug)]
struct Length {
    number: Decimal,
    unit: Unit,
    size: i128,
}

fn a_length() -> impl Strategy<Value = Length> {
    (1_i64..1_000_000, 0_u32..=6, select(UNITS)).prop_map(|(mantissa, scale, (unit, picometres))| Length {
        number: Decimal::new(mantissa, scale),
        unit,
        size: i128::from(mantissa) * picometres * 10_i128.pow(6 - scale),
    })
}

/// A length that has a finite form in every unit: a whole number of 0.127 pm steps is one of 0.005 µin / 1000.
fn an_everywhere_finite_length() -> impl Strategy<Value = i128> {
    (1_i128..2_000_000).prop_map(|steps| steps * 127)
}

/// A size without a plausible band, in the job as `D` against one limit.
fn sized(limit: Length, upper: bool) -> Characteristic {
    let number = Some(limit.number);
    let (lower, upper) = if upper { (None, number) } else { (number, None) };
    Characteristic { lower, upper, unit: limit.unit, ..characteristic("1", "D") }
}

fn sized_reading(value: Length) -> Reading {
    Reading { value: Some(Value::from(value.number)), unit: Some(value.unit), ..reading("D", "1 mm") }
}

fn outcome_of(characteristic: Characteristic, reading: &Reading) -> Outcome {
    let (job, gauge) = (job(vec![characteristic]), gauge());
    let judgement = together(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), std::slice::from_ref(reading));
    only(&judgement, Kind::Reading).outcome.expect("an outcome")
}

proptest! {
    #[test]
    fn the_comparison_is_exact_in_every_pair_of_units(value in a_length(), limit in a_length(), upper: bool) {
        let beyond = if upper { value.size > limit.size } else { value.size < limit.size };
        let expected = if beyond { Outcome::Nonconforming } else { Outcome::Conforms };
        prop_assert_eq!(outcome_of(sized(limit, upper), &sized_reading(value)), expected);
    }

    #[test]
    fn a_value_on_the_limit_conforms(limit in a_length(), upper: bool) {
        prop_assert_eq!(outcome_of(sized(limit, upper), &sized_reading(limit)), Outcome::Conforms);
    }

    #[test]
    fn the_unit_of_a_reading_does_not_matter(size in an_everywhere_finite_length(), limit in a_length(), upper: bool) {
        let forms = [(Unit::Nanometre, 1_000), (Unit::Micrometre, 1_000_000), (Unit::Millimetre, 1_000_000_000)]
            .map(|(unit, picometres)| (unit, Decimal::from(size) / Decimal::from(picometres)));
        // 127 pm are 0.005 µin.
        let inches = (Unit::Microinch, Decimal::from(size / 127) * Decimal::new(5, 3));
        let outcomes: Vec<_> = forms.into_iter().chain([inches]).map(|(unit, number)| {
            let reading = Reading { value: Some(Value::from(number)), unit: Some(unit), ..reading("D", "1 mm") };
            outcome_of(sized(limit, upper), &reading)
        }).collect();
        prop_assert!(outcomes.iter().all(|outcome| *outcome == outcomes[0]), "{:?}", outcomes);
    }

    #[test]
    fn a_tighter_limit_never_helps(
        values in prop::collection::vec(1_i64..2_000, 1..5),
        limits in (0_i64..2_000, 0_i64..2_000),
        due in 1_u32..4,
        upper: bool,
    ) {
        let (loose, tight) = if (limits.0 < limits.1) == upper { (limits.1, limits.0) } else { limits };
        let decided = |limit: i64| {
            let limit = Length { number: Decimal::new(limit, 3), unit: Unit::Millimetre, size: 0 };
            let job = job(vec![traces(sized(limit, upper), due), characteristic_apart()]);
            let gauge = gauge();
            let readings: Vec<_> = values.iter().map(|value| Reading {
                value: Some(Value::from(Decimal::new(*value, 3))), ..reading("D", "1 mm")
            }).collect();
            one_by_one(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &readings).piece.slots[0].decided
        };
        if decided(loose) == Some(Outcome::Nonconforming) {
            prop_assert_eq!(decided(tight), Some(Outcome::Nonconforming));
        }
        if decided(tight) == Some(Outcome::Conforms) {
            prop_assert_eq!(decided(loose), Some(Outcome::Conforms));
        }
    }
}

/// Something that nobody fills, so that a piece stays open.
fn characteristic_apart() -> Characteristic {
    upper("99", "Rz", "6 µm")
}

/// The values that count towards a slot, as the rows tell.
fn counted<'a>(rows: &'a [&Row], piece: Option<u64>, balloon: &'a str) -> Vec<&'a Row> {
    let fits = |row: &&&Row| {
        row.kind == Kind::Reading
            && row.piece == piece
            && row.balloon.as_deref() == Some(balloon)
            && row.trace.is_some()
    };
    rows.iter().filter(fits).copied().collect()
}

fn within(row: &Row, characteristic: &Characteristic) -> bool {
    let value = row.value.expect("a counted value").decimal();
    characteristic.upper.is_none_or(|upper| value <= upper) && characteristic.lower.is_none_or(|lower| value >= lower)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, ..ProptestConfig::default() })]

    /// After every event the piece rebuilt from the stored rows is the piece in memory.
    #[test]
    fn a_rebuilt_piece_is_the_live_piece(job in a_job(), events in prop::collection::vec(an_event(), 0..20)) {
        let judgements = run(&job, &events);
        for done in 0..=judgements.len() {
            let stored: Vec<&Row> = rows(&judgements[..done]).collect();
            let closed = stored.iter().filter(|row| row.kind == Kind::Part).filter_map(|row| row.piece).max().unwrap_or(0);
            let readings: Vec<_> = stored
                .iter()
                .filter(|row| row.piece == Some(closed + 1))
                .filter_map(|row| StoredReading::of(row))
                .collect();
            let live = done.checked_sub(1).map_or_else(|| Piece::fresh(&job, 1), |last| judgements[last].piece.clone());
            prop_assert_eq!(Piece::rebuild(&job, closed + 1, &readings), live);
        }
    }

    /// Each reading yields one row that points to it; `unjudged` never counts.
    #[test]
    fn every_reading_is_told_once(job in a_job(), events in prop::collection::vec(an_event(), 0..20)) {
        for (judgement, event) in run(&job, &events).iter().zip(&events) {
            let told: Vec<_> = judgement
                .rows
                .iter()
                .filter(|row| matches!(row.kind, Kind::Reading | Kind::Notice))
                .filter_map(|row| row.reading)
                .collect();
            let sent = match event {
                Event::Next => 0,
                Event::Measured { readings, .. } => readings.len(),
            };
            prop_assert_eq!(told, (0..sent).collect::<Vec<_>>());
            for row in &judgement.rows {
                prop_assert_eq!(row.outcome.is_none(), row.kind == Kind::Notice);
                prop_assert_eq!(row.reasons.is_empty(), false);
                prop_assert!(!(row.outcome == Some(Outcome::Unjudged) && row.trace.is_some()));
                prop_assert!(row.attempt.is_none_or(|attempt| attempt > 1));
            }
        }
    }

    /// A part conforms only if every characteristic has as many values as are due and all of them lie within; each
    /// verdict follows from the values that count, and there is one per slot at most.
    #[test]
    fn verdicts_and_parts_follow_from_the_values_that_count(
        job in a_job(),
        events in prop::collection::vec(an_event(), 0..40),
    ) {
        let judgements = run(&job, &events);
        let rows: Vec<&Row> = rows(&judgements).collect();
        for part in rows.iter().filter(|row| row.kind == Kind::Part) {
            let mut missing = Vec::new();
            let mut failed = false;
            for characteristic in &job.characteristics {
                let counted = counted(&rows, part.piece, &characteristic.balloon);
                let fails = counted.iter().any(|row| !within(row, characteristic));
                let complete = counted.len() == usize::try_from(characteristic.traces).unwrap();
                let verdicts: Vec<_> = rows
                    .iter()
                    .filter(|row| row.kind == Kind::Verdict && row.piece == part.piece)
                    .filter(|row| row.balloon.as_ref() == Some(&characteristic.balloon))
                    .map(|row| row.outcome)
                    .collect();
                let expected = match (fails, complete) {
                    (true, _) => vec![Some(Outcome::Nonconforming)],
                    (false, true) => vec![Some(Outcome::Conforms)],
                    (false, false) => vec![],
                };
                prop_assert_eq!(verdicts, expected);
                failed |= fails;
                if !fails && !complete {
                    missing.push(characteristic.balloon.as_str());
                }
            }
            let expected = match (failed, missing.is_empty()) {
                (true, _) => Outcome::Nonconforming,
                (false, true) => Outcome::Conforms,
                (false, false) => Outcome::Unjudged,
            };
            prop_assert_eq!(part.outcome, Some(expected));
            let told = part.reasons.iter().find(|reason| reason.starts_with("missing"));
            let due = (!missing.is_empty()).then(|| format!("missing:{}", missing.join(",")));
            prop_assert_eq!(told, due.as_ref());
        }
    }

    /// Readings of quantities that have one slot each: whatever order they come in, the part comes out the same.
    #[test]
    fn the_order_of_independent_quantities_does_not_matter(
        (first, second) in prop::collection::vec(select(vec!["0.4 µm", "0.8 µm", "0.81 µm", "31.5 µin"]), 4)
            .prop_map(|values| ["Ra", "Rz", "Rt", "D"].into_iter().zip(values).collect::<Vec<_>>())
            .prop_flat_map(|readings| (Just(readings.clone()), Just(readings).prop_shuffle())),
        at_once: bool,
    ) {
        let job = job(["Ra", "Rz", "Rt", "D"].map(|symbol| upper(symbol, symbol, "0.8 µm")).to_vec());
        let gauge = gauge();
        let outcome = |order: &[(&str, &str)]| {
            let readings: Vec<_> = order.iter().map(|(symbol, value)| reading(symbol, value)).collect();
            let at = circumstances(Some(&job), &gauge);
            let start = Piece::fresh(&job, 1);
            let judgement = if at_once { together(&at, &start, &readings) } else { one_by_one(&at, &start, &readings) };
            let piece = end_piece(&job, &judgement.piece).expect("a piece of this job");
            let rows = judgement.rows.iter().chain(&piece.rows);
            let verdicts: BTreeMap<_, _> = rows
                .clone()
                .filter(|row| row.kind == Kind::Verdict)
                .map(|row| (row.balloon.clone(), row.outcome.map(Outcome::code)))
                .collect();
            let parts: Vec<_> = rows.filter(|row| row.kind == Kind::Part).map(|row| row.outcome).collect();
            (verdicts, parts)
        };
        prop_assert_eq!(outcome(&first), outcome(&second));
    }

    /// First counts: nothing that comes after a verdict changes the slot while the piece is open.
    #[test]
    fn a_decided_slot_stays_decided(job in a_job(), events in prop::collection::vec(an_event(), 1..30)) {
        let judgements = run(&job, &events);
        for pair in judgements.windows(2) {
            let (before, after) = (&pair[0].piece, &pair[1].piece);
            if before.counter == after.counter {
                for (before, after) in before.slots.iter().zip(&after.slots) {
                    prop_assert!(before.decided.is_none() || before.decided == after.decided);
                    let counted = |slot: &ridgepost_judge::Slot| slot.counted().cloned().collect::<Vec<_>>();
                    prop_assert!(counted(after).starts_with(&counted(before)));
                    let idle: Vec<_> = after.attempts.iter().filter(|attempt| attempt.trace.is_none()).collect();
                    let causes: std::collections::BTreeSet<_> = idle.iter().map(|attempt| &attempt.reasons).collect();
                    prop_assert_eq!(idle.len(), causes.len(), "what doesn't count grows by cause, not by try");
                }
            }
        }
    }
}
