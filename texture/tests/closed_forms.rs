//! Shapes whose parameters are known by formula, filters whose transmission is, and what holds for any profile.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

use std::f64::consts::{PI, TAU};

use proptest::prelude::*;
use ridgepost_texture::filter::{ALPHA, Order, gaussian, gaussian_transmission, regression, two_rc};
use ridgepost_texture::{Edition, Evaluation, Filter, Form, Refusal, Settings, Trace, evaluate};

/// 37 periods on 8000 points, so that no height comes twice.
fn periodic(shape: fn(f64) -> f64) -> Evaluation {
    let heights = (0..8000).map(|at| shape((f64::from(at) * 37.0 / 8000.0).fract())).collect();
    let settings = Settings { prefiltered: true, form: Form::None, ..Settings::usual(Edition::Iso21920, 0.8) };
    evaluate(&Trace::new(heights, 0.0005).unwrap(), &settings).unwrap()
}

/// Peaks between two points are missed: up to half a step of the slope there.
fn near(found: Option<f64>, expected: f64, share: f64, what: &str) {
    let found = found.expect(what);
    assert!((found - expected).abs() <= share * expected.abs().max(1e-3), "{what}: {found} for {expected}");
}

/// By integration (texture tables of closed forms; the last digits by an independent program).
#[test]
fn shapes_have_the_parameters_of_their_formulas() {
    let sine = periodic(|x| (TAU * x).sin());
    let triangle = periodic(|x| if x < 0.5 { 4.0 * x - 1.0 } else { 3.0 - 4.0 * x });
    let square = periodic(|x| if x < 0.5 { 1.0 } else { -1.0 });
    for (shape, of, ra, rq, rku) in [
        ("sine", &sine, 2.0 / PI, 0.5_f64.sqrt(), 1.5),
        ("triangle", &triangle, 0.5, 1.0 / 3.0_f64.sqrt(), 1.8),
        ("square", &square, 1.0, 1.0, 1.0),
    ] {
        near(of.get("Ra"), ra, 1e-4, shape);
        near(of.get("Rq"), rq, 1e-4, shape);
        near(of.get("Rku"), rku, 1e-3, shape);
        near(of.get("Rz"), 2.0, 2e-2, shape);
        near(of.get("Rt"), 2.0, 1e-3, shape);
        near(of.get("RSm"), 4.0 / 37.0, 1e-3, shape);
        assert!(of.get("Rsk").unwrap().abs() < 1e-3, "{shape}");
    }
    near(sine.get("Rmr(0.5)"), 100.0 * 0.5_f64.acos() / PI, 1e-3, "Rmr of a sine");
    near(triangle.get("Rmr(0.5)"), 25.0, 1e-3, "Rmr of a triangle");
    near(sine.get("Rdq"), 2.0_f64.sqrt() * PI / (1000.0 * 4.0 / 37.0), 1e-3, "Rdq of a sine");
    near(sine.get("Rk"), 1.774_702, 1e-3, "Rk of a sine");
    near(sine.get("Mr2"), 73.068_94, 1e-3, "Mr2 of a sine");
    near(triangle.get("Rk"), 2.0, 1e-3, "Rk of a triangle");
}

/// Amplitude of a sine of wavelength `wave` mm behind `filter`, in the middle of a long trace.
fn passed(wave: f64, filter: impl Fn(&[f64], f64) -> Vec<f64>) -> f64 {
    let step = 0.002;
    let z: Vec<f64> = (0..16_000).map(|at| (TAU * f64::from(at) * step / wave).cos()).collect();
    let out = filter(&z, step);
    let middle = &out[6_000..10_000];
    middle.iter().fold(0.0, |most: f64, z| most.max(z.abs()))
}

/// Closed forms: ISO 16610-21 (formula), ISO 16610-31 with `(1 + u) exp(-u)`, the 2RC of ISO 3274:1975.
#[test]
fn filters_transmit_what_their_formulas_say() {
    for ratio in [0.5, 0.8, 1.0, 1.25, 2.0, 3.0, 5.0] {
        let wave = ratio * 0.8;
        let gauss = passed(wave, |z, step| gaussian(z, step, 0.8, 1.0));
        assert!((gauss - gaussian_transmission(wave, 0.8)).abs() < 2e-5, "{ratio} {gauss}");
        let zero = passed(wave, |z, step| regression(z, step, 0.8, Order::Zero, false));
        assert!((zero - gauss).abs() < 1e-9, "{ratio}");
        let u: f64 = 1.678_346_99 / (ratio * ratio);
        let two = passed(wave, |z, step| regression(z, step, 0.8, Order::Two, false));
        assert!((two - (1.0 + u) * (-u).exp()).abs() < 1e-4, "{ratio} {two}");
        let rc = passed(wave, |z, step| two_rc(z, step, 0.8));
        assert!((rc - 1.0 / (1.0 + ratio * ratio / 3.0)).abs() < 2e-3, "{ratio} {rc}");
    }
    assert!((ALPHA - (2.0_f64.ln() / PI).sqrt()).abs() < 1e-15);
    assert!((gaussian_transmission(0.8, 0.8) - 0.5).abs() < 1e-12);
}

/// The transform against the plain sum.
#[test]
fn the_fast_filter_is_the_plain_sum() {
    let mut seed = 1_u64;
    let z: Vec<f64> = (0..3_000)
        .map(|_| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 40) as f64 / 1e6 - 8.0
        })
        .collect();
    for (step, cutoff) in [(0.0005, 0.25), (0.001, 0.8), (0.0005, 0.08), (0.01, 0.8)] {
        let fast = gaussian(&z, step, cutoff, 1.0);
        let reach = (cutoff / step + 1e-9).floor() as i64;
        let bell = |at: i64| (-PI * (at as f64 * step / cutoff / ALPHA).powi(2)).exp();
        for at in [0, 1, 37, 1500, 2998, 2999] {
            let (mut sum, mut whole) = (0.0, 0.0);
            for other in (at - reach).max(0)..=(at + reach).min(2999) {
                sum += z[other as usize] * bell(other - at);
                whole += bell(other - at);
            }
            let plain = sum / whole;
            assert!((fast[at as usize] - plain).abs() < 1e-11, "{step} {cutoff} {at}: {} {plain}", fast[at as usize]);
        }
    }
}

#[test]
fn what_can_not_be_evaluated_is_refused() {
    let usual = Settings::usual(Edition::Iso21920, 0.8);
    let run =
        |count: usize, step: f64, settings: &Settings| evaluate(&Trace::new(vec![0.5; count], step).unwrap(), settings);
    assert!(matches!(run(1000, 0.0005, &usual), Err(Refusal::TooShort { points: 1000, .. })));
    assert!(matches!(run(1000, 0.2, &usual), Err(Refusal::TooCoarse { points: 4, .. })));
    assert!(matches!(run(9000, 0.0005, &Settings { sections: 0, ..usual.clone() }), Err(Refusal::Setting(_))));
    assert!(matches!(run(9000, 0.0005, &Settings { lambda_s: Some(1.0), ..usual.clone() }), Err(Refusal::Setting(_))));
    assert_eq!(Trace::new(vec![1.0, f64::NAN], 0.1), Err(Refusal::NotFinite(2)));
    assert!(matches!(Trace::from_points(&[(0.0, 1.0), (0.1, 1.0), (0.25, 1.0)]), Err(Refusal::Unequal { at: 1, .. })));
    assert_eq!(Trace::resampled(&[(0.0, 0.0), (0.1, 1.0), (0.3, 3.0), (0.4, 4.0)]).unwrap().heights().len(), 4);
    // A level trace has no shape, and no number is made up for it.
    let level = run(11_200, 0.0005, &usual).unwrap();
    assert!(level.get("Ra").unwrap().abs() < 1e-12 && level.get("RPc").is_none());
    let values = level.parameters.iter().filter_map(|parameter| parameter.value);
    assert!(values.into_iter().all(f64::is_finite));
}

/// The same trace under two editions: where the definitions differ the numbers do (ISO 4287 per section, ISO 21920 over all).
#[test]
fn editions_differ_where_their_definitions_do() {
    let heights: Vec<f64> =
        (0..11_200).map(|at| (f64::from(at) * 0.21).sin() * (1.0 + f64::from(at) / 4_000.0)).collect();
    let trace = Trace::new(heights, 0.0005).unwrap();
    let of = |edition| evaluate(&trace, &Settings::usual(edition, 0.8)).unwrap();
    let (new, old, jis) = (of(Edition::Iso21920), of(Edition::Iso4288), of(Edition::Jis1994));
    assert!((new.get("Ra").unwrap() - old.get("Ra").unwrap()).abs() < 1e-12);
    assert!(new.get("Rq").unwrap() > old.get("Rq").unwrap() * 1.001);
    let sections = &old.per_section.iter().find(|(symbol, _)| *symbol == "Rq").unwrap().1;
    assert!((old.get("Rq").unwrap() - sections.iter().sum::<f64>() / 5.0).abs() < 1e-12);
    assert_eq!(jis.get("Ry"), old.get("Rz"));
    assert_eq!(jis.get("Rz"), old.get("RzJIS"));
}

fn rough() -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec(-1.0..1.0_f64, 1_200)
}

fn small(filter: Filter) -> Settings {
    Settings { filter, lambda_s: Some(0.0025), ..Settings::usual(Edition::Iso21920, 0.08) }
}

fn run(heights: Vec<f64>, settings: &Settings) -> Evaluation {
    evaluate(&Trace::new(heights, 0.0005).unwrap(), settings).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Twice the heights is twice each height; an offset and a tilt are nothing; turned around is the same.
    #[test]
    fn scale_offset_tilt_and_direction(z in rough(), scale in 0.01..100.0_f64, offset in -50.0..50.0_f64, tilt in -0.1..0.1_f64) {
        for filter in [Filter::Gaussian, Filter::GaussianTwo] {
            let settings = small(filter);
            let plain = run(z.clone(), &settings);
            let tilted = run(z.iter().enumerate().map(|(at, z)| scale * z + offset + tilt * at as f64).collect(), &settings);
            let turned = run(z.iter().rev().copied().collect(), &settings);
            for symbol in ["Ra", "Rq", "Rp", "Rv", "Rz", "Rt", "Rzx", "Rk", "Rpk", "Rvk", "Rdc(20,80)", "Rdq"] {
                let expected = plain.get(symbol).unwrap();
                let scaled = tilted.get(symbol).unwrap() / scale;
                prop_assert!((scaled - expected).abs() < 1e-6 * expected.abs().max(1e-3) / scale.min(1.0), "{} {} {}", symbol, scaled, expected);
                let back = turned.get(symbol).unwrap();
                prop_assert!((back - expected).abs() < 1e-9, "{} {} {}", symbol, back, expected);
            }
            prop_assert!(plain.get("Ra") <= plain.get("Rq") && plain.get("Rz") <= plain.get("Rmax"));
            prop_assert!(plain.get("Rmax").unwrap() <= plain.get("Rzx").unwrap() + 1e-12 && plain.get("Rzx") <= plain.get("Rt"));
        }
    }
}
