//! Pieces judged anew, by a person's word: what was said changes, and nothing else.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use bench::events::*;
use bench::*;
use proptest::prelude::*;
use ridgepost_config::{Characteristic, Gauge, Job, Rule};
use ridgepost_judge::{
    Anew, GaugeState, Joins, Judgement, Kind, Mode, Outcome, Piece, Row, Step, StoredReading, end_piece, judge_anew,
};
use ridgepost_parsers::Reading;

/// The rows of readings of each piece that was begun, with its verdicts and its part if it ended.
struct Told<'a> {
    readings: Vec<&'a Row>,
    verdicts: Vec<Row>,
    part: Option<&'a Row>,
}

fn told<'a>(judgements: &'a [Judgement], piece: u64) -> Told<'a> {
    let of = |kind: Kind| {
        move |row: &&Row| {
            row.kind == kind && row.piece == Some(piece) && (kind != Kind::Reading || row.balloon.is_some())
        }
    };
    Told {
        readings: rows(judgements).filter(of(Kind::Reading)).collect(),
        verdicts: rows(judgements).filter(of(Kind::Verdict)).map(bare).collect(),
        part: rows(judgements).find(of(Kind::Part)),
    }
}

/// Without the position among the readings of one call.
fn bare(row: &Row) -> Row {
    Row { reading: None, ..row.clone() }
}

fn anew(job: &Job, piece: &Piece, steps: &[Step], gauge: &Gauge) -> Anew {
    judge_anew(job, piece, steps, |id| (gauge.id == id).then_some(gauge)).expect("a job that can be judged")
}

/// Which piece: the serial number that its last row says.
fn which(piece: u64, told: &Told, job: &Job) -> Piece {
    let serial = told.readings.last().and_then(|row| row.serial.clone());
    Piece { serial, ..Piece::fresh(job, piece) }
}

fn last_piece(judgements: &[Judgement]) -> u64 {
    judgements.last().map_or(1, |judgement| judgement.piece.counter)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, ..ProptestConfig::default() })]

    /// Where nothing is said, judging anew says what was said.
    #[test]
    fn nothing_said_changes_nothing(job in a_job(), rule in a_rule(), events in prop::collection::vec(an_event(), 0..30)) {
        let job = ruled(job, rule);
        let judgements = run(&job, &events);
        for piece in 1..=last_piece(&judgements) {
            let told = told(&judgements, piece);
            let steps: Vec<Step> = told.readings.iter().map(|row| Step::Stays(row)).collect();
            let anew = anew(&job, &which(piece, &told, &job), &steps, &gauge());
            let rows: Vec<Row> = anew.readings.concat();
            prop_assert_eq!(rows.iter().collect::<Vec<_>>(), told.readings);
            prop_assert_eq!(anew.verdicts.iter().map(bare).collect::<Vec<_>>(), told.verdicts);
            if let Some(part) = told.part {
                prop_assert_eq!(&anew.part, part);
            }
        }
    }

    /// Readings that are given to an untouched piece, measurement by measurement, are judged as if they had been taken then.
    #[test]
    fn readings_given_later_are_judged_as_if_then(job in a_job(), events in prop::collection::vec(a_plain_event(), 0..20)) {
        let gauge = gauge();
        let mut piece = Piece::fresh(&job, 1);
        let mut given: Vec<(&[Reading], GaugeState, &str)> = Vec::new();
        let mut live = Vec::new();
        let mut verdicts = Vec::new();
        for event in &events {
            let Event::Measured { readings, state, station, .. } = event else { continue };
            let at = circumstances(Some(&job), &gauge);
            let at = ridgepost_judge::Circumstances { gauge_state: *state, station, ..at };
            let judgement = together(&at, &piece, readings);
            let mine: Vec<Row> = judgement.rows.iter().filter(|row| row.kind == Kind::Reading).map(bare).collect();
            given.push((readings, *state, station));
            live.push(mine);
            verdicts.extend(judgement.rows.iter().filter(|row| row.kind == Kind::Verdict).map(bare));
            if judgement.piece.counter > 1 {
                break;
            }
            piece = judgement.piece;
        }
        let pairs: Vec<Vec<(&Reading, &Row)>> =
            given.iter().zip(&live).map(|((readings, ..), rows)| readings.iter().zip(rows).collect()).collect();
        let steps: Vec<Step> = given
            .iter()
            .zip(&pairs)
            .map(|((_, state, station), readings)| Step::Joins(Joins {
                specimens: &NO_SPECIMENS,
                station, gauge_id: &gauge.id, gauge: Some(&gauge), gauge_state: *state, balloon: None, readings,
            }))
            .collect();
        let anew = anew(&job, &Piece::fresh(&job, 1), &steps, &gauge);
        let rows: Vec<Vec<Row>> = anew.readings.iter().map(|rows| rows.iter().map(bare).collect()).collect();
        prop_assert_eq!(rows, live);
        prop_assert_eq!(anew.verdicts.iter().map(bare).collect::<Vec<_>>(), verdicts);
    }

    /// What is void counts for nothing; what counts then are the values that nothing stood against, first come first. The piece
    /// rebuilt from the rows is the piece.
    #[test]
    fn what_is_void_counts_for_nothing(
        job in a_job(),
        rule in a_rule(),
        events in prop::collection::vec(an_event(), 0..30),
        void in prop::collection::vec(prop::bool::weighted(0.3), 90),
    ) {
        let job = ruled(job, rule);
        let judgements = run(&job, &events);
        for piece in 1..=last_piece(&judgements) {
            let told = told(&judgements, piece);
            let is_void = |at: usize| void[at % void.len()];
            let steps: Vec<Step> = (0..).zip(&told.readings)
                .map(|(at, row)| if is_void(at) { Step::Void(row) } else { Step::Stays(row) }).collect();
            let anew = anew(&job, &which(piece, &told, &job), &steps, &gauge());
            let rows: Vec<Row> = anew.readings.concat();
            for (at, (before, after)) in told.readings.iter().zip(&rows).enumerate() {
                if is_void(at) {
                    prop_assert_eq!(&after.reasons, &vec!["voided".to_owned()]);
                    prop_assert_eq!((after.outcome, after.trace), (Some(Outcome::Unjudged), None));
                }
                prop_assert_eq!((after.value, &after.value_as_sent, after.attempt), (before.value, &before.value_as_sent, before.attempt));
                // What stood against a reading when it was taken is not forgotten, its place in the row of tries apart.
                let stood = before.outcome == Some(Outcome::Unjudged) && before.reasons != ["retest-limit"];
                prop_assert!(!stood || after.outcome == Some(Outcome::Unjudged));
            }
            for characteristic in &job.characteristics {
                let of = |row: &&Row| row.balloon.as_ref() == Some(&characteristic.balloon);
                let traces: Vec<u32> = rows.iter().filter(of).filter_map(|row| row.trace).collect();
                prop_assert_eq!(&traces, &(1..).take(traces.len()).collect::<Vec<u32>>());
                let verdicts = anew.verdicts.iter().filter(|row| row.balloon.as_ref() == Some(&characteristic.balloon));
                prop_assert!(verdicts.count() <= 1);
            }
            let stored: Vec<StoredReading> = rows.iter().filter_map(StoredReading::of).collect();
            let rebuilt = Piece::rebuild(&job, piece, &stored);
            prop_assert_eq!(rebuilt.slots, anew.piece.slots);
        }
    }

    /// Whatever is void in which order, the piece is the same in the end.
    #[test]
    fn voids_one_after_the_other_are_voids_at_once(
        job in a_job(),
        rule in a_rule(),
        events in prop::collection::vec(an_event(), 0..20),
        order in prop::collection::vec(0_usize..20, 0..6),
    ) {
        let job = ruled(job, rule);
        let judgements = run(&job, &events);
        let told = told(&judgements, 1);
        let piece = which(1, &told, &job);
        let mut rows: Vec<Row> = told.readings.iter().map(|row| (*row).clone()).collect();
        let mut last = None;
        for void in &order {
            let steps: Vec<Step> = rows.iter().enumerate()
                .map(|(at, row)| if at == *void { Step::Void(row) } else { Step::Stays(row) }).collect();
            let next = anew(&job, &piece, &steps, &gauge());
            rows = next.readings.concat();
            last = Some(next);
        }
        let steps: Vec<Step> = told.readings.iter().enumerate()
            .map(|(at, row)| if order.contains(&at) { Step::Void(row) } else { Step::Stays(row) }).collect();
        let at_once = anew(&job, &piece, &steps, &gauge());
        if let Some(last) = last {
            prop_assert_eq!(last.readings, at_once.readings);
            prop_assert_eq!(last.verdicts, at_once.verdicts);
            prop_assert_eq!(last.part, at_once.part);
        }
    }
}

fn a_rule() -> impl Strategy<Value = Rule> {
    prop::sample::select(vec![Rule::Max, Rule::Sixteen, Rule::Mean, Rule::Median])
}

/// The job with another acceptance rule for everything.
fn ruled(job: Job, rule: Rule) -> Job {
    let characteristics = job.characteristics.iter().cloned();
    Job { characteristics: characteristics.map(|it| Characteristic { rule, ..it }).collect(), ..job }
}

/// Readings that say nothing of their part, of a gate that lets them in.
fn a_plain_event() -> impl Strategy<Value = Event> {
    an_event().prop_map(|event| match event {
        Event::Measured { readings, station, .. } => Event::Measured {
            readings: readings
                .into_iter()
                .map(|mut reading| {
                    reading.identity.part = None;
                    Reading { stored: false, ..reading }
                })
                .collect(),
            state: GaugeState::Verified,
            station,
            mode: Mode::Production,
            job_open: true,
        },
        Event::Next => Event::Next,
    })
}

/// The first try of two was of the wrong place: void, the second counts.
#[test]
fn the_second_try_counts_once_the_first_is_void() {
    let (job, gauge) = (job(vec![upper("12", "Ra", "0.8 µm"), upper("13", "Rz", "6 µm")]), gauge());
    let at = circumstances(Some(&job), &gauge);
    let tries = [reading("Ra", "0.93 µm"), reading("Ra", "0.41 µm"), reading("Ra", "0.42 µm")];
    let live = one_by_one(&at, &Piece::fresh(&job, 1), &tries);
    assert_eq!(
        all_said(&live),
        [
            "reading 12 nonconforming above-upper",
            "verdict 12 nonconforming above-upper",
            "reading 12 conforms within-limits",
            "reading 12 unjudged retest-limit",
        ]
    );
    let readings: Vec<&Row> = live.rows.iter().filter(|row| row.kind == Kind::Reading).collect();
    let steps = [Step::Void(readings[0]), Step::Stays(readings[1]), Step::Stays(readings[2])];
    let anew = anew(&job, &Piece::fresh(&job, 1), &steps, &gauge);
    let said: Vec<String> = anew.readings.iter().flatten().chain(&anew.verdicts).map(said).collect();
    assert_eq!(
        said,
        [
            "reading 12 unjudged voided",
            "reading 12 conforms within-limits",
            "reading 12 unjudged retest-limit",
            "verdict 12 conforms within-limits",
        ]
    );
    assert_eq!(anew.verdicts[0].value.map(|value| value.to_string()).as_deref(), Some("0.41"));
    // The piece goes on: nothing of the other characteristic was measured yet.
    let next = one_by_one(&at, &anew.piece, &[reading("Rz", "4 µm")]);
    assert_eq!(
        all_said(&next),
        ["reading 13 conforms within-limits", "verdict 13 conforms within-limits", "part - conforms within-limits"]
    );
    let ended = end_piece(&job, &anew.piece).expect("a piece");
    assert_eq!(ended.rows[0], anew.part);
}

/// A reading of another job's part is judged by this one: its limits, and the conditions that were recorded.
#[test]
fn a_reading_that_joins_is_judged_by_the_conditions_of_its_time() {
    let (job, mut gauge) = (job(vec![upper("12", "Ra", "0.8 µm")]), gauge());
    let mut job = job;
    job.characteristics[0].conditions.cutoff = Some(amount("0.8 mm"));
    let taken = reading("Ra", "31.5 µin");
    let recorded = together(&circumstances(None, &gauge), &Piece::default(), std::slice::from_ref(&taken));
    assert_eq!(all_said(&recorded), ["reading - unjudged no-job"]);
    // Since then the register says something else.
    gauge.settings.cutoff = Some(amount("2.5 mm"));
    for (state, expected) in [
        (GaugeState::Verified, "reading 12 nonconforming above-upper"),
        (GaugeState::Overdue, "reading 12 unjudged gauge-overdue"),
    ] {
        let joins = Joins {
            specimens: &NO_SPECIMENS,
            station: "tester-a",
            gauge_id: "RT-07",
            gauge: Some(&gauge),
            gauge_state: state,
            balloon: Some("12"),
            readings: &[(&taken, &recorded.rows[0])],
        };
        let piece = Piece { serial: Some("A-7".to_owned()), ..Piece::fresh(&job, 4) };
        let anew = anew(&job, &piece, &[Step::Joins(joins)], &gauge);
        let row = &anew.readings[0][0];
        assert_eq!(said(row), expected);
        assert_eq!((row.serial.as_deref(), row.piece), (Some("A-7"), Some(4)));
        assert_eq!(anew.part.serial.as_deref(), Some("A-7"));
    }
}
