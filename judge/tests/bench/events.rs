//! Random days at the bench: jobs, readings and what a person does between them.

use proptest::prelude::*;
use proptest::sample::select;
use ridgepost_config::{Characteristic, Gate, Job};
use ridgepost_judge::{Circumstances, GaugeState, Judgement, Mode, Piece, Row, end_piece};
use ridgepost_parsers::{Mark, Reading};

use super::*;

/// One thing that happens at the bench.
#[derive(Clone, Debug)]
pub(crate) enum Event {
    Measured { readings: Vec<Reading>, state: GaugeState, station: &'static str, mode: Mode, job_open: bool },
    Next,
}

pub(crate) fn a_reading() -> impl Strategy<Value = Reading> {
    let symbol = select(vec!["Ra", "Ra", "Rz", "Rt", "D", "Rq"]);
    let value =
        select(vec!["0.4 µm", "0.8 µm", "0.81 µm", "31.5 µin", "2.8 µm", "400 nm", "0.4 mm", "0.0000004 m", "7 %"]);
    let mark = prop::option::weighted(0.1, select(vec![Mark::Over, Mark::Unstable]));
    let part = prop::option::weighted(0.3, select(vec!["S1", "S2", " "]));
    let cutoff = prop::option::weighted(0.2, select(vec!["0.8 mm", "0.030 in", "0.25 mm"]));
    (symbol, value, mark, part, cutoff, prop::bool::weighted(0.1)).prop_map(
        |(symbol, value, mark, part, cutoff, stored)| {
            let mut reading = Reading { mark, stored, ..reading(symbol, value) };
            reading.identity.part = part.map(str::to_owned);
            reading.conditions.cutoff = cutoff.map(length);
            reading
        },
    )
}

pub(crate) fn an_event() -> impl Strategy<Value = Event> {
    let state = prop::sample::select(vec![GaugeState::Verified, GaugeState::Verified, GaugeState::Overdue]);
    let station = select(vec!["tester-a", "tester-b"]);
    let mode = select(vec![Mode::Production, Mode::Production, Mode::Production, Mode::Study]);
    let measured =
        (prop::collection::vec(a_reading(), 1..4), state, station, mode, prop::bool::weighted(0.9)).prop_map(
            |(readings, state, station, mode, job_open)| Event::Measured { readings, state, station, mode, job_open },
        );
    prop_oneof![9 => measured, 1 => Just(Event::Next)]
}

pub(crate) fn a_job() -> impl Strategy<Value = Job> {
    let gate = select(vec![Gate::Hold, Gate::Warn, Gate::Block]);
    let kinds = vec![
        upper("12", "Ra", "0.8 µm"),
        between("13", "Rz", "0.4", "3 µm"),
        lower("14", "D", "0.4 µm"),
        upper("15", "Ra", "31.5 µin"),
        upper("16", "Rt", "0.03 mil"),
        Characteristic { station: Some("tester-b".to_owned()), ..upper("17", "Ra", "0.5 µm") },
    ];
    let characteristics = prop::sample::subsequence(kinds, 1..5).prop_shuffle();
    (gate, characteristics, prop::collection::vec(1_u32..4, 6), prop::bool::ANY).prop_map(
        |(gate, mut chosen, due, accept)| {
            for (characteristic, due) in chosen.iter_mut().zip(due) {
                characteristic.traces = due;
                characteristic.conditions.cutoff = Some(amount("0.8 mm"));
            }
            Job { gate, accept_unknown_conditions: accept, ..job(chosen) }
        },
    )
}

/// Runs events from an untouched first piece; the judgement of each.
pub(crate) fn run(job: &Job, events: &[Event]) -> Vec<Judgement> {
    let gauge = gauge();
    let mut piece = Piece::fresh(job, 1);
    let mut judgements = Vec::new();
    for event in events {
        let judgement = match event {
            Event::Next => end_piece(job, &piece).expect("a piece of this job"),
            Event::Measured { readings, state, station, mode, job_open } => {
                let at = circumstances(job_open.then_some(job), &gauge);
                together(&Circumstances { gauge_state: *state, station, mode: *mode, ..at }, &piece, readings)
            }
        };
        piece = judgement.piece.clone();
        judgements.push(judgement);
    }
    judgements
}

pub(crate) fn rows(judgements: &[Judgement]) -> impl Iterator<Item = &Row> {
    judgements.iter().flat_map(|judgement| &judgement.rows)
}
