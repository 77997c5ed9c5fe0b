//! Statistics of freshly seeded series against numpy and scipy, which share no code with the program.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that can't go on should stop")]

use std::io::Write;
use std::process::{Command, Stdio};

use ridgepost_judge::series::*;
use serde_json::{Value, json};

/// Numbers between 0 and 1 that can be had again (splitmix64, public domain).
struct Seeded(u64);

impl Seeded {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((bits ^ (bits >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

fn elsewhere(given: &Value) -> Value {
    let python = std::env::var("RIDGEPOST_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/statistics.py");
    let mut command = Command::new(python);
    let mut child = command.arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(given.to_string().as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "the script failed");
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
#[ignore = "needs numpy and scipy, in the Python that RIDGEPOST_PYTHON names"]
fn seeded_series_come_out_as_numpy_and_scipy_have_them() {
    let seed = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_nanos() as u64;
    for round in 0..6 {
        let mut random = Seeded(seed.wrapping_add(round));
        let count = 5 + (random.next() * 300.0) as usize;
        let values: Vec<f64> = (0..count).map(|_| 0.3 + 0.4 * random.next()).collect();
        let groups: Vec<Vec<f64>> =
            (0..4).map(|group| (0..3 + group).map(|_| 1000.0 + random.next()).collect()).collect();
        let (lower, upper) = (0.1, 0.9 + random.next());
        let theirs = elsewhere(&json!({ "values": values, "groups": groups, "lower": lower, "upper": upper }));

        let moments: Moments = values.iter().copied().collect();
        let mut single = Individuals::default();
        values.iter().for_each(|value| _ = single.push(*value));
        let tolerance = Tolerance { lower: Some(lower), upper: Some(upper) };
        let pp = Capability::of(moments.mean().unwrap(), moments.s().unwrap(), &tolerance).potential.unwrap();
        let bounds = cp_interval(pp, moments.count(), 0.95).unwrap();
        let logs: Moments = values.iter().map(|value| value.ln()).collect();
        let quantiles = lognormal_quantiles(logs.mean().unwrap(), logs.s().unwrap()).unwrap();
        let ours = [
            ("mean", moments.mean().unwrap()),
            ("s", moments.s().unwrap()),
            ("pp", pp),
            ("pp_low", bounds.lower),
            ("pp_high", bounds.upper),
            ("individuals_upper", single.chart().unwrap().values.upper),
            ("f", one_way(&groups).unwrap().f.unwrap()),
            ("ppu_lognormal", by_quantiles(&quantiles, &tolerance).upper.unwrap()),
        ];
        for (name, found) in ours {
            let expected = theirs[name].as_f64().unwrap();
            let off = (found - expected).abs() / expected.abs().max(1e-3);
            assert!(off < 1e-7, "seed {seed}, round {round}, {name}: {found}, elsewhere {expected}");
        }
    }
}
