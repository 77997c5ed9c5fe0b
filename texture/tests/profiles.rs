//! Thirteen synthetic profiles against results of an independent program (numpy and scipy, written from the definitions by
//! somebody else), with variants of filter, form and short-wave cutoff. `tests/data/profiles/`: heights to 1 nm.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

use ridgepost_texture::{Edition, Evaluation, Filter, Form, Settings, Trace, evaluate};
use serde_json::Value;

const NAMES: [&str; 13] = [
    "01_turned",
    "02_ground",
    "03_plateau_honed",
    "04_milled",
    "05_edm_like",
    "06_periodic_noise",
    "07_spike_scratch",
    "08_tilted_curved",
    "09_short",
    "10_lapped_fine",
    "11_clipped",
    "12_wavy",
    "13_asymmetric_saw",
];

fn file(name: &str) -> String {
    let path = format!("{}/tests/data/profiles/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(&path).expect(&path)
}

fn trace(name: &str, step: f64) -> Trace {
    let text = file(&format!("{name}.csv"));
    let heights = text.lines().filter(|line| !line.starts_with('#')).map(|line| line.trim().parse().unwrap());
    Trace::new(heights.collect(), step).unwrap()
}

fn settings(stored: &Value) -> Settings {
    let number = |name: &str| stored[name].as_f64().unwrap();
    let form = match stored["form"].as_str().unwrap() {
        "line" => Form::Line,
        "arc" => Form::Arc,
        "poly2" => Form::Parabola,
        "none" => Form::None,
        other => panic!("{other}"),
    };
    Settings {
        lambda_s: Some(number("lambda_s_mm")).filter(|lambda_s| *lambda_s > 0.0),
        sections: 5,
        form,
        ..Settings::usual(Edition::Iso21920, number("lambda_c_mm"))
    }
}

/// A symbol of ours, where the stored result has it, and the tolerance (share of the value, or percent points).
const SAME: &[(&str, &str, f64)] = &[
    ("Ra", "/Ra", 1e-6),
    ("Rq", "/Rq", 1e-6),
    ("Rp", "/Rp", 1e-6),
    ("Rv", "/Rv", 1e-6),
    ("Rz", "/Rz", 1e-6),
    ("Rt", "/Rt", 1e-6),
    ("Rmax", "/Rmax", 1e-6),
    ("Rzx", "/Rzx", 1e-6),
    ("Rsk", "/Rsk", 1e-5),
    ("Rku", "/Rku", 1e-6),
    ("RSm", "/RSm", 1e-6),
    ("Rc", "/Rc", 1e-6),
    ("RPc", "/RPc_per_10mm", 1e-6),
    ("RSm(two-way)", "/RSm_two_way", 1e-6),
    ("Rc(two-way)", "/Rc_two_way", 1e-6),
    ("Rdq", "/Rdq", 1e-6),
    ("RzJIS", "/RzJIS", 1e-6),
    ("R3z", "/R3z", 1e-6),
    ("Rmr(0)", "/Rmr/0", 2e-4),
    ("Rmr(0.5)", "/Rmr/0.5", 2e-4),
    ("Rmr(-0.5)", "/Rmr/-0.5", 2e-4),
    ("Rmr(5%-0.25)", "/Rmr_rel/0.25", 2e-4),
    ("Rmr(5%-0.5)", "/Rmr_rel/0.5", 2e-4),
    ("Rmr(5%-1)", "/Rmr_rel/1", 2e-4),
    ("Rmr(5%-2)", "/Rmr_rel/2", 2e-4),
    ("Rdc(20,80)", "/Rdc_20_80", 1e-6),
    ("Rk", "/Rk_simple_filter/Rk", 1e-5),
    ("Rpk", "/Rk_simple_filter/Rpk", 1e-4),
    ("Rvk", "/Rk_simple_filter/Rvk", 1e-4),
    ("Mr1", "/Rk_simple_filter/Mr1", 1e-4),
    ("Mr2", "/Rk_simple_filter/Mr2", 1e-4),
    ("A1", "/Rk_simple_filter/A1_um_percent", 1e-4),
    ("A2", "/Rk_simple_filter/A2_um_percent", 1e-4),
    ("Rk(ISO 13565-1)", "/Rk_13565/Rk", 1e-5),
    ("Rpk(ISO 13565-1)", "/Rk_13565/Rpk", 1e-4),
    ("Rvk(ISO 13565-1)", "/Rk_13565/Rvk", 1e-4),
    ("Mr1(ISO 13565-1)", "/Rk_13565/Mr1", 1e-4),
    ("Mr2(ISO 13565-1)", "/Rk_13565/Mr2", 1e-4),
    ("Pa", "/Pa", 1e-6),
    ("Pq", "/Pq", 1e-6),
    ("Pt", "/Pt", 1e-6),
    ("Wa", "/Wa", 1e-6),
    ("Wq", "/Wq", 1e-6),
    ("Wt", "/Wt", 1e-6),
];

/// What differs; stored values have seven digits.
fn differences(found: &Evaluation, stored: &Value, table: &[(&str, &str, f64)]) -> Vec<String> {
    let mut wrong = Vec::new();
    for (symbol, at, share) in table {
        let Some(expected) = stored.pointer(at) else { continue };
        let found = found.get(symbol);
        match (found, expected.as_f64()) {
            (None, None) => {}
            (Some(found), Some(expected)) if (found - expected).abs() <= share * expected.abs() + 1e-9 => {}
            (found, expected) => wrong.push(format!("{symbol}: {found:?} for {expected:?}")),
        }
    }
    wrong
}

#[test]
fn profiles_agree_with_an_independent_program() {
    let mut wrong = Vec::new();
    for name in NAMES {
        let stored: Value = serde_json::from_str(&file(&format!("{name}.json"))).unwrap();
        let found =
            evaluate(&trace(name, stored["settings"]["dx_mm"].as_f64().unwrap()), &settings(&stored["settings"]))
                .unwrap();
        assert_eq!(found.first, stored["settings"]["first_index"].as_u64().unwrap() as usize, "{name}");
        assert_eq!(found.sections, stored["settings"]["n"].as_u64().unwrap() as usize, "{name}");
        wrong.extend(differences(&found, &stored["values"], SAME).into_iter().map(|it| format!("{name} {it}")));
        for (symbol, values) in &found.per_section {
            for (value, expected) in values.iter().zip(stored["per_sampling_length"][symbol].as_array().unwrap()) {
                let expected = expected.as_f64().unwrap();
                assert!((value - expected).abs() <= 1e-6 * expected.abs(), "{name} {symbol} {value} {expected}");
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn variants_agree_with_an_independent_program() {
    let mut wrong = Vec::new();
    let mut seen = 0;
    for name in NAMES {
        let stored: Value = serde_json::from_str(&file(&format!("{name}.json"))).unwrap();
        let usual = settings(&stored["settings"]);
        let trace = trace(name, stored["settings"]["dx_mm"].as_f64().unwrap());
        for (variant, expected) in stored["variants"].as_object().unwrap() {
            let changed = match variant.as_str() {
                "kernel_half_width_0.5" => Settings { half_width: 0.5, ..usual.clone() },
                "no_lambda_s" => Settings { lambda_s: None, ..usual.clone() },
                "robust_regression_order2" | "robust_order2" => {
                    Settings { filter: Filter::RobustGaussian, ..usual.clone() }
                }
                "regression_order2" | "order2" => Settings { filter: Filter::GaussianTwo, ..usual.clone() },
                "2rc" | "2RC" => Settings { filter: Filter::TwoRc, ..usual.clone() },
                "form_none" | "no_form" => Settings { form: Form::None, ..usual.clone() },
                other => {
                    wrong.push(format!("{name}: unknown variant {other}"));
                    continue;
                }
            };
            seen += 1;
            let found = evaluate(&trace, &changed).unwrap();
            let table: Vec<_> = SAME.iter().filter(|row| !row.1[1..].contains('/')).copied().collect();
            wrong.extend(differences(&found, expected, &table).into_iter().map(|it| format!("{name} {variant} {it}")));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(seen > 60, "{seen}");
}
