//! What the tests of judging build: a job, a gauge and readings in a few words each.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test that can't build its own case must fail"
)]
#![allow(dead_code, reason = "each test file uses its own part")]

pub(crate) mod events;

use jiff::civil::date;
use ridgepost_config::{
    Amount, Characteristic, DecisionRule, Gate, Gauge, GuardWidth, Job, Rule, Settings, Text, Unwritten,
    VerificationRule, Verified,
};
use ridgepost_judge::{Circumstances, GaugeState, Given, Judgement, Kind, Mode, Piece, Row, judge};
use ridgepost_parsers::{
    Conditions, Identity, InstrumentLimits, LengthText, Mark, Quantity, Reading, Unit, Value, Verdict,
};
use rust_decimal::Decimal;

/// `0.8 µm`.
pub(crate) fn amount(text: &str) -> Amount {
    let (number, unit) = text.split_once(' ').expect("number and unit");
    Amount { number: number.parse().expect("a number"), unit: Unit::parse(unit).expect("a unit") }
}

pub(crate) fn length(text: &str) -> LengthText {
    let Amount { number, unit } = amount(text);
    LengthText { value: Value::from(number), unit }
}

pub(crate) fn quantity(symbol: &str) -> Quantity {
    Quantity::parse(symbol).expect("a quantity of the table")
}

/// A requirement without limit, rule `max`, one trace.
pub(crate) fn characteristic(balloon: &str, symbol: &str) -> Characteristic {
    Characteristic {
        balloon: balloon.to_owned(),
        feature: format!("feature {balloon}"),
        quantity: quantity(symbol),
        lower: None,
        upper: None,
        unit: Unit::Micrometre,
        rule: Rule::Max,
        traces: 1,
        decision: DecisionRule::Simple,
        guard: GuardWidth::Expanded,
        conditions: Settings::default(),
        plausible: None,
        sampling: None,
        trace: None,
        station: None,
        master: None,
        callout: None,
        unwritten: Unwritten::Nothing,
        is_rule_written: true,
    }
}

pub(crate) fn upper(balloon: &str, symbol: &str, limit: &str) -> Characteristic {
    let Amount { number, unit } = amount(limit);
    Characteristic { upper: Some(number), unit, ..characteristic(balloon, symbol) }
}

pub(crate) fn lower(balloon: &str, symbol: &str, limit: &str) -> Characteristic {
    let Amount { number, unit } = amount(limit);
    Characteristic { lower: Some(number), unit, ..characteristic(balloon, symbol) }
}

/// Both limits in the unit of the second.
pub(crate) fn between(balloon: &str, symbol: &str, low: &str, high: &str) -> Characteristic {
    Characteristic { lower: Some(low.parse().expect("a number")), ..upper(balloon, symbol, high) }
}

pub(crate) fn traces(characteristic: Characteristic, traces: u32) -> Characteristic {
    Characteristic { traces, ..characteristic }
}

pub(crate) fn job(characteristics: Vec<Characteristic>) -> Job {
    Job {
        id: "WO-1".to_owned(),
        part_number: "P-1".to_owned(),
        revision: "A".to_owned(),
        operation: "50".to_owned(),
        edition: "ISO 21920".to_owned(),
        gate: Gate::Hold,
        accept_unknown_conditions: false,
        accept_converted: false,
        retests: 1,
        characteristics,
        text: Text { body: "".into(), hash: String::new() },
    }
}

/// A skidless stylus tester, declared to be set to 0.8 mm, 5 sections, Gaussian.
pub(crate) fn gauge() -> Gauge {
    Gauge {
        id: "RT-07".to_owned(),
        kind: "stylus".to_owned(),
        serial: None,
        skidded: false,
        certificate: None,
        stylus: None,
        correction: std::collections::BTreeMap::new(),
        verification: VerificationRule::default(),
        calibration_due: Some(date(2027, 3, 1)),
        settings: Settings {
            cutoff: Some(amount("0.8 mm")),
            sections: Some(5),
            filter: Some("gaussian".to_owned()),
            ..Settings::default()
        },
        uncertainty: std::collections::BTreeMap::new(),
        coverage_factor: Decimal::TWO,
        verified: Some(Verified { on: date(2026, 11, 2), until: None, source: "book 3".to_owned() }),
        failed: None,
    }
}

/// `reading("Ra", "0.412 µm")`.
pub(crate) fn reading(symbol: &str, text: &str) -> Reading {
    let (digits, unit) = text.split_once(' ').expect("number and unit");
    Reading {
        quantity: quantity(symbol),
        value: Some(Value::parse(digits).expect("a number")),
        unit: Some(Unit::parse(unit).expect("a unit")),
        value_as_sent: digits.to_owned(),
        unit_as_sent: Some(unit.to_owned()),
        mark: None,
        mark_code: None,
        protected: true,
        instrument_verdict: None,
        verdict: None,
        instrument_limits: InstrumentLimits::default(),
        identity: Identity::default(),
        conditions: Conditions::default(),
        converted_from: None,
        other: std::collections::BTreeMap::new(),
        record: 0,
        field: 0,
        stored: false,
        computed: false,
    }
}

pub(crate) fn marked(symbol: &str, mark: Mark) -> Reading {
    Reading { value: None, unit: None, mark: Some(mark), value_as_sent: "----".to_owned(), ..reading(symbol, "0 µm") }
}

pub(crate) fn of_part(reading: Reading, part: &str) -> Reading {
    let identity = Identity { part: Some(part.to_owned()), ..reading.identity.clone() };
    Reading { identity, ..reading }
}

pub(crate) fn with_verdict(reading: Reading, verdict: Verdict) -> Reading {
    Reading { verdict: Some(verdict), instrument_verdict: Some("word".to_owned()), ..reading }
}

/// Circumstances with a verified gauge in production.
pub(crate) fn circumstances<'a>(job: Option<&'a Job>, gauge: &'a Gauge) -> Circumstances<'a> {
    Circumstances {
        job,
        gauge_id: &gauge.id,
        gauge: Some(gauge),
        gauge_state: GaugeState::Verified,
        station: "tester-a",
        mode: Mode::Production,
        of_specimen: false,
        late: false,
        given: Given::default(),
        cycles: &NO_CYCLES,
        specimens: &NO_SPECIMENS,
        next_due: &[],
        place: ridgepost_judge::Place::default(),
    }
}

pub(crate) static NO_SPECIMENS: ridgepost_judge::Specimens = ridgepost_judge::Specimens::new();
pub(crate) static NO_CYCLES: ridgepost_judge::Cycles = ridgepost_judge::Cycles::new();

/// Judges readings as one measurement.
pub(crate) fn together(at: &Circumstances, piece: &Piece, readings: &[Reading]) -> Judgement {
    judge(at, piece, &readings.iter().collect::<Vec<_>>()).expect("a job that can be judged")
}

/// Judges readings as a measurement each; all rows in order.
pub(crate) fn one_by_one(at: &Circumstances, piece: &Piece, readings: &[Reading]) -> Judgement {
    let mut all = Judgement { rows: Vec::new(), piece: piece.clone() };
    for reading in readings {
        let judgement = judge(at, &all.piece, &[reading]).expect("a job that can be judged");
        all.rows.extend(judgement.rows);
        all.piece = judgement.piece;
    }
    all
}

/// `reading 12 conforms within-limits`: what a row says, in short.
pub(crate) fn said(row: &Row) -> String {
    let outcome = row.outcome.map_or("-", |outcome| outcome.code());
    let balloon = row.balloon.as_deref().unwrap_or("-");
    format!("{} {balloon} {outcome} {}", row.kind, row.reasons.join(" "))
}

pub(crate) fn all_said(judgement: &Judgement) -> Vec<String> {
    judgement.rows.iter().map(said).collect()
}

/// The one row of a kind.
pub(crate) fn only(judgement: &Judgement, kind: Kind) -> &Row {
    let rows: Vec<_> = judgement.rows.iter().filter(|row| row.kind == kind).collect();
    assert_eq!(rows.len(), 1, "{:#?}", judgement.rows);
    rows[0]
}

/// Outcome and reasons of a single reading for a single characteristic.
pub(crate) fn verdict_on(characteristic: Characteristic, reading: &Reading) -> String {
    let (job, gauge) = (job(vec![characteristic]), gauge());
    let judgement = judge(&circumstances(Some(&job), &gauge), &Piece::fresh(&job, 1), &[reading]).expect("judged");
    let row = only(&judgement, Kind::Reading);
    format!("{} {}", row.outcome.map_or("-", |outcome| outcome.code()), row.reasons.join(" "))
}

pub(crate) fn decimal(text: &str) -> Decimal {
    text.parse().expect("a number")
}
