//! What keeps a reading from being judged: the gauge, the gate, conditions, marks, memory, mode.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use bench::*;
use jiff::civil::{Date, date};
use ridgepost_config::{Characteristic, Gate, Gauge, Job, Settings, Verified};
use ridgepost_judge::{
    Circumstances, GaugeState, Kind, Mode, Outcome, Piece, Reason, Row, Unjudgeable, end_piece, gauge_state, judge,
    other_conditions,
};
use ridgepost_parsers::{Conditions, Identity, Mark, Reading, Value};

#[test]
fn a_gauge_is_as_good_as_its_register_says() {
    let today = date(2026, 11, 26);
    let verified = |on: Date, until: Option<Date>| Some(Verified { on, until, source: "book".to_owned() });
    let good = gauge();
    for (name, gauge, state, reason) in [
        ("good", Some(good.clone()), GaugeState::Verified, None),
        ("not registered", None, GaugeState::Unknown, Some(Reason::GaugeUnknown)),
        (
            "failed beats all",
            Some(Gauge { failed: Some("chipped".to_owned()), calibration_due: Some(date(2020, 1, 1)), ..good.clone() }),
            GaugeState::Failed,
            Some(Reason::GaugeFailed),
        ),
        ("due today", Some(Gauge { calibration_due: Some(today), ..good.clone() }), GaugeState::Verified, None),
        (
            "due yesterday",
            Some(Gauge { calibration_due: Some(date(2026, 11, 25)), ..good.clone() }),
            GaugeState::Overdue,
            Some(Reason::GaugeOverdue),
        ),
        ("no calibration stated", Some(Gauge { calibration_due: None, ..good.clone() }), GaugeState::Verified, None),
        (
            "never verified",
            Some(Gauge { verified: None, ..good.clone() }),
            GaugeState::Unverified,
            Some(Reason::GaugeUnverified),
        ),
        (
            "verified until today",
            Some(Gauge { verified: verified(date(2026, 11, 1), Some(today)), ..good.clone() }),
            GaugeState::Verified,
            None,
        ),
        (
            "verified until yesterday",
            Some(Gauge { verified: verified(date(2026, 11, 1), Some(date(2026, 11, 25))), ..good.clone() }),
            GaugeState::Overdue,
            Some(Reason::GaugeOverdue),
        ),
        (
            "verified tomorrow",
            Some(Gauge { verified: verified(date(2026, 11, 27), None), ..good.clone() }),
            GaugeState::Unverified,
            Some(Reason::GaugeUnverified),
        ),
        ("verified today", Some(Gauge { verified: verified(today, None), ..good.clone() }), GaugeState::Verified, None),
    ] {
        let expected = (state, reason.into_iter().collect());
        assert_eq!(gauge_state(gauge.as_ref(), Some(today)), expected, "{name}");
    }
    let unknown = (GaugeState::Unknown, vec![Reason::GaugeUnknown]);
    assert_eq!(gauge_state(Some(&good), None), unknown, "no date passes on a day that nobody knows");
    let undated = Gauge { calibration_due: None, verified: None, ..good };
    assert_eq!(gauge_state(Some(&undated), None).0, GaugeState::Unverified);
}

#[test]
fn the_gate_holds_warns_or_blocks() {
    let gauge = gauge();
    for (gate, state, expected) in [
        (Gate::Hold, GaugeState::Overdue, vec!["reading 12 unjudged gauge-overdue"]),
        (Gate::Hold, GaugeState::Unknown, vec!["reading 12 unjudged gauge-unknown"]),
        (
            Gate::Hold,
            GaugeState::Verified,
            vec![
                "reading 12 conforms within-limits",
                "verdict 12 conforms within-limits",
                "part - conforms within-limits",
            ],
        ),
        (
            Gate::Warn,
            GaugeState::Unverified,
            vec![
                "reading 12 conforms within-limits gauge-unverified",
                "verdict 12 conforms within-limits gauge-unverified",
                "part - conforms within-limits gauge-unverified",
            ],
        ),
        (Gate::Block, GaugeState::Failed, vec!["notice - - gauge-failed"]),
    ] {
        let job = Job { gate, ..job(vec![upper("12", "Ra", "0.8 µm")]) };
        let at = Circumstances { gauge_state: state, ..circumstances(Some(&job), &gauge) };
        let judgement = together(&at, &Piece::fresh(&job, 1), &[reading("Ra", "0.412 µm")]);
        assert_eq!(all_said(&judgement), expected, "{gate:?} {state:?}");
        assert!(
            judgement.rows.iter().filter(|row| row.kind == Kind::Reading).all(|row| row.gauge_state == Some(state))
        );
    }
}

/// A blocked gauge touches nothing: no slot, no piece, and it does not turn to another part.
#[test]
fn a_blocked_gauge_touches_no_piece() {
    let (job, gauge) =
        (Job { gate: Gate::Block, ..job(vec![upper("12", "Ra", "0.8 µm"), upper("13", "Rz", "6 µm")]) }, gauge());
    let at = circumstances(Some(&job), &gauge);
    let piece = together(&at, &Piece::fresh(&job, 1), &[of_part(reading("Ra", "0.4 µm"), "S1")]).piece;
    let blocked = Circumstances { gauge_state: GaugeState::Overdue, ..at };
    let judgement = together(&blocked, &piece, &[of_part(reading("Rz", "2.8 µm"), "S2"), marked("Ra", Mark::Over)]);
    assert_eq!(judgement.piece, piece);
    assert_eq!(all_said(&judgement), ["notice - - gauge-overdue", "notice - - gauge-overdue"]);
    assert!(judgement.rows.iter().all(|row| row.value.is_none() && row.outcome.is_none()));
}

#[test]
fn a_piece_with_nothing_but_held_readings_says_why() {
    let (job, gauge) = (job(vec![upper("12", "Ra", "0.8 µm"), upper("14", "Rz", "6 µm")]), gauge());
    let at = Circumstances { gauge_state: GaugeState::Overdue, ..circumstances(Some(&job), &gauge) };
    let held = together(&at, &Piece::fresh(&job, 1), &[reading("Ra", "0.4 µm"), reading("Rz", "2.8 µm")]);
    let ended = end_piece(&job, &held.piece).expect("a piece of this job");
    assert_eq!(all_said(&ended), ["part - unjudged missing:12,14 gauge-overdue"]);
}

/// The first concern that applies is told: mark, mode, memory, job, characteristic, skid, gate, conditions.
#[test]
fn concerns_come_in_their_order() {
    let mut skidded = gauge();
    skidded.skidded = true;
    let job = job(vec![
        upper("1", "Ra", "0.8 µm"),
        upper("2", "Rt", "9 µm"),
        upper("3", "Wa", "9 µm"),
        upper("4", "Pt", "9 µm"),
    ]);
    let good = circumstances(Some(&job), &skidded);
    let none = circumstances(None, &skidded);
    let overdue = Circumstances { gauge_state: GaugeState::Overdue, ..good };
    let study = Circumstances { mode: Mode::Study, ..good };
    let late = Circumstances { late: true, ..good };
    let stored = |reading: Reading| Reading { stored: true, ..reading };
    let ra = || reading("Ra", "0.4 µm");
    for (at, reading, expected) in [
        (good, ra(), "reading 1 conforms within-limits"),
        (good, marked("Ra", Mark::Over), "reading 1 unjudged mark"),
        (good, Reading { mark: Some(Mark::Unstable), ..ra() }, "reading 1 unjudged mark"),
        (none, marked("Ra", Mark::Error), "reading - unjudged mark"),
        (good, stored(marked("Ra", Mark::Over)), "reading - unjudged mark"),
        (study, stored(ra()), "reading - unjudged mode"),
        (good, stored(ra()), "reading - unjudged stored-reading"),
        (late, ra(), "reading - unjudged stored-reading"),
        (none, stored(ra()), "reading - unjudged stored-reading"),
        (none, of_part(stored(ra()), "S1"), "reading - unjudged stored-reading"),
        (good, of_part(stored(ra()), "S1"), "reading 1 conforms within-limits"),
        (none, ra(), "reading - unjudged no-job"),
        (overdue, reading("Rq", "0.5 µm"), "reading - unjudged no-characteristic"),
        (overdue, reading("Rt", "3 µm"), "reading 2 unjudged skidded"),
        (good, reading("Wa", "3 µm"), "reading 3 unjudged skidded"),
        (good, reading("Pt", "3 µm"), "reading 4 unjudged skidded"),
        (overdue, Reading { conditions: sent("0.25 mm", "5", "2RC"), ..ra() }, "reading 1 unjudged gauge-overdue"),
    ] {
        let judgement = together(&at, &Piece::fresh(&job, 1), &[reading]);
        assert_eq!(said(only(&judgement, Kind::Reading)), expected);
    }
}

fn sent(cutoff: &str, sections: &str, filter: &str) -> Conditions {
    Conditions {
        cutoff: Some(length(cutoff)),
        sections: Some(sections.to_owned()),
        filter: Some(filter.to_owned()),
        ..Conditions::default()
    }
}

fn set(cutoff: &str) -> Settings {
    Settings { cutoff: Some(amount(cutoff)), ..Settings::default() }
}

/// What a row says of its conditions: cutoff in mm, sections, filter, source.
fn shown(row: &Row) -> String {
    let empty = || "-".to_owned();
    format!(
        "{} {} {} {}",
        row.cutoff_mm.map_or_else(empty, |cutoff| cutoff.to_string()),
        row.sections.map_or_else(empty, |sections| sections.to_string()),
        row.filter.clone().unwrap_or_else(empty),
        row.conditions_source.map_or("-", |source| source.code()),
    )
}

#[test]
fn what_was_set_is_compared_with_what_is_required() {
    let five = || Settings { sections: Some(5), filter: Some("gaussian".to_owned()), ..set("0.8 mm") };
    let declared = |settings: Settings| Gauge { settings, ..gauge() };
    let silent = Conditions::default;
    let mismatch = "unjudged conditions-mismatch";
    let unknown = "unjudged conditions-unknown";
    let fine = "conforms within-limits";
    let cases: Vec<(&str, Settings, Conditions, Gauge, &str, &str)> = vec![
        ("all sent", five(), sent("0.80 mm", "5", "GAUSS"), declared(set("2.5 mm")), fine, "0.8 5 GAUSS observed"),
        ("all declared", five(), silent(), gauge(), fine, "0.8 5 gaussian declared"),
        ("inch form", five(), sent("0.030 in", "5", "Gauss"), gauge(), fine, "0.8 5 Gauss observed"),
        ("required in inches", set("0.03 in"), silent(), gauge(), fine, "0.8 5 gaussian declared"),
        (
            "some of each",
            five(),
            Conditions { cutoff: Some(length("0.8 mm")), ..silent() },
            gauge(),
            fine,
            "0.8 5 gaussian mixed",
        ),
        ("sent beats declared", five(), sent("0.25 mm", "5", "GAUSS"), gauge(), mismatch, "0.25 5 GAUSS observed"),
        ("sections", five(), sent("0.8 mm", "3", "GAUSS"), gauge(), mismatch, "0.8 3 GAUSS observed"),
        ("filter", five(), sent("0.8 mm", "5", "2RC"), gauge(), mismatch, "0.8 5 2RC observed"),
        (
            "declared differs",
            five(),
            silent(),
            declared(set("0.25 mm")),
            "unjudged conditions-mismatch conditions-unknown",
            "0.25 - - unknown",
        ),
        ("nothing known", five(), silent(), declared(Settings::default()), unknown, "- - - unknown"),
        (
            "nothing required, no cutoff",
            Settings::default(),
            silent(),
            declared(Settings::default()),
            unknown,
            "- - - unknown",
        ),
        (
            "nothing required, cutoff known",
            Settings::default(),
            silent(),
            declared(set("0.8 mm")),
            fine,
            "0.8 - - declared",
        ),
        ("sections unknown", five(), silent(), declared(set("0.8 mm")), unknown, "0.8 - - unknown"),
        (
            "what was sent can't be read",
            five(),
            sent("0.8 mm", "five", "GAUSS"),
            gauge(),
            unknown,
            "0.8 - GAUSS unknown",
        ),
        ("outside the series", set("0.5 mm"), sent("0.50 mm", "5", "GAUSS"), gauge(), fine, "0.5 5 GAUSS observed"),
    ];
    for (name, required, conditions, gauge, outcome, row) in cases {
        let job = job(vec![Characteristic { conditions: required, ..upper("12", "Ra", "0.8 µm") }]);
        let reading = Reading { conditions, ..reading("Ra", "0.412 µm") };
        let judgement = together(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &[reading]);
        let reading = only(&judgement, Kind::Reading);
        assert_eq!(said(reading), format!("reading 12 {outcome}"), "{name}");
        assert_eq!(shown(reading), row, "{name}");
        let words = other_conditions(&job.characteristics[0], reading);
        assert_eq!(words.is_empty(), !outcome.contains("conditions-mismatch"), "{name}: {words:?}");
    }
}

#[test]
fn further_conditions_are_compared() {
    let required = |set: Settings| Characteristic { conditions: set, ..upper("12", "Ra", "0.8 µm") };
    let lambda_s = |text: &str| Settings { lambda_s: Some(amount(text)), ..Settings::default() };
    let standard = |text: &str| Settings { standard: Some(text.to_owned()), ..Settings::default() };
    let program = |text: &str| Settings { program: Some(text.to_owned()), ..Settings::default() };
    let sent = Reading {
        conditions: Conditions {
            lambda_s: Some(length("2.5 µm")),
            standard: Some("ISO".to_owned()),
            ..Conditions::default()
        },
        identity: Identity { program: Some("03".to_owned()), ..Identity::default() },
        ..reading("Ra", "0.412 µm")
    };
    for (required, expected) in [
        (required(lambda_s("2.5 µm")), "conforms within-limits"),
        (required(lambda_s("0.0025 mm")), "conforms within-limits"),
        (required(lambda_s("8 µm")), "unjudged conditions-mismatch"),
        (required(standard("iso")), "conforms within-limits"),
        (required(standard("JIS")), "unjudged conditions-mismatch"),
        (required(program("3")), "conforms within-limits"),
        (required(program("30")), "unjudged program-mismatch"),
        (
            required(Settings { lambda_s: Some(amount("8 µm")), ..program("4") }),
            "unjudged conditions-mismatch program-mismatch",
        ),
    ] {
        assert_eq!(verdict_on(required.clone(), &sent), expected, "{:?}", required.conditions);
    }
    let silent = reading("Ra", "0.412 µm");
    assert_eq!(verdict_on(required(program("3")), &silent), "unjudged conditions-unknown");
    let size = Characteristic { conditions: program("3"), ..upper("1", "D", "25 mm") };
    assert_eq!(verdict_on(size, &reading("D", "24.9 mm")), "unjudged conditions-unknown", "asked for is asked for");
}

#[test]
fn a_job_may_accept_unknown_conditions_but_never_wrong_ones() {
    let gauge = Gauge { settings: Settings::default(), ..gauge() };
    let required = Settings { sections: Some(5), ..set("0.8 mm") };
    let job = Job {
        accept_unknown_conditions: true,
        ..job(vec![Characteristic { conditions: required, ..upper("12", "Ra", "0.8 µm") }])
    };
    for (conditions, expected) in [
        (Conditions::default(), "reading 12 conforms within-limits"),
        (sent("0.25 mm", "5", "GAUSS"), "reading 12 unjudged conditions-mismatch"),
    ] {
        let reading = Reading { conditions, ..reading("Ra", "0.412 µm") };
        let judgement = together(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &[reading]);
        assert_eq!(said(only(&judgement, Kind::Reading)), expected);
    }
}

#[test]
fn a_size_needs_no_texture_conditions() {
    let (job, gauge) = (job(vec![upper("1", "D", "25 mm")]), Gauge { settings: Settings::default(), ..gauge() });
    let judgement = together(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &[reading("D", "24.99 mm")]);
    let row = only(&judgement, Kind::Reading);
    assert_eq!((said(row).as_str(), shown(row).as_str()), ("reading 1 conforms within-limits", "- - - -"));
}

#[test]
fn the_gauge_is_named_even_if_nobody_registered_it() {
    let job = Job { gate: Gate::Warn, accept_unknown_conditions: true, ..job(vec![upper("12", "Ra", "0.8 µm")]) };
    let at = Circumstances {
        job: Some(&job),
        gauge_id: "stranger",
        gauge: None,
        gauge_state: GaugeState::Unknown,
        station: "tester-a",
        mode: Mode::Production,
        of_specimen: false,
        late: false,
        cycles: &NO_CYCLES,
        specimens: &NO_SPECIMENS,
        next_due: &[],
        place: ridgepost_judge::Place::default(),
        given: ridgepost_judge::Given::default(),
    };
    let judgement = together(&at, &Piece::fresh(&job, 1), &[reading("Ra", "0.4 µm")]);
    let row = only(&judgement, Kind::Reading);
    assert_eq!(row.gauge.as_deref(), Some("stranger"));
    assert_eq!(row.reasons, ["within-limits", "gauge-unknown"]);
}

#[test]
fn what_cannot_be_judged_is_an_error_not_an_outcome() {
    let gauge = gauge();
    let judged = |job: &Job, piece: &Piece| {
        judge(&circumstances(Some(job), &gauge), piece, &[&reading("Ra", "0.4 µm")])
            .map(|judgement| judgement.rows.len())
    };
    let open = job(vec![characteristic("12", "Ra")]);
    assert_eq!(judged(&open, &Piece::fresh(&open, 1)), Err(Unjudgeable::NoLimit { balloon: "12".to_owned() }));
    let good = job(vec![upper("12", "Ra", "0.8 µm")]);
    assert_eq!(judged(&good, &Piece::default()), Err(Unjudgeable::OtherPiece { slots: 0, characteristics: 1 }));
}

#[test]
fn without_a_job_the_piece_comes_back_as_it_went_in() {
    let gauge = gauge();
    let judgement =
        together(&circumstances(None, &gauge), &Piece::default(), &[of_part(reading("Ra", "0.412 µm"), "S1")]);
    let row = only(&judgement, Kind::Reading);
    assert_eq!(judgement.piece, Piece::default());
    assert_eq!(row.outcome, Some(Outcome::Unjudged));
    assert_eq!((row.serial.as_deref(), row.piece, row.upper), (Some("S1"), None, None));
    assert_eq!(row.value, Some(Value::parse("0.412").unwrap()));
    assert_eq!(shown(row), "0.8 5 gaussian declared");
}
