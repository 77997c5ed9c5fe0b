//! A file with thousands of faults is told in a time that grows as the file does, and no faster.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

mod example;

use std::path::Path;
use std::time::Instant;

use example::{CELL_DIR, example};
use ridgepost_config::read;

/// Characteristics of the smaller file, and how much larger the other is.
const FEW: usize = 60;
const TIMES: usize = 16;
/// What grows with the square of the file takes 256 times as long for 16 times as much; what grows as the file, 16
/// times. The bound lies between on that scale, and one round in it is enough: a busy machine makes single rounds slower.
const MOST: f64 = 40.0;
const ROUNDS: usize = 5;

/// A job file with a fault in each of `count` characteristics.
fn job(count: usize, faulty: &dyn Fn(usize) -> String) -> String {
    let head = "[job]\nid = \"A\"\npart_number = \"P\"\nrevision = \"1\"\noperation = \"1\"\nedition = \"ISO 21920\"\n";
    let asked = (0..count).map(|at| format!("[[characteristic]]\n{}rule = \"max\"\n", faulty(at)));
    format!("{head}{}", asked.collect::<String>())
}

fn seconds(count: usize, faulty: &dyn Fn(usize) -> String) -> f64 {
    let mut files = example();
    files.insert("jobs/case.toml".into(), job(count, faulty));
    let began = Instant::now();
    let loaded = read(Path::new(CELL_DIR), &files);
    let took = began.elapsed().as_secs_f64();
    let told = loaded.diagnostics.iter().filter(|told| told.file.ends_with("case.toml")).count();
    // A count, whatever the machine: at most what a person would mend, not one of every pair.
    assert!((count / 2..=4 * count).contains(&told), "{told} are told of {count}: {:?}", loaded.diagnostics.first());
    took
}

#[test]
fn thousands_of_faults_take_no_longer_each_than_a_hundred() {
    let entry = |balloon: usize, feature: usize, rest: &str| {
        format!("balloon = \"{balloon}\"\nfeature = \"f{feature}\"\n{rest}\n")
    };
    let cases: [(&str, &dyn Fn(usize) -> String); 9] = [
        ("limits", &|at| entry(at, at, "quantity = \"Ra\"\nupper = \"0.4 µm\"\nlower = \"0.8 µm\"")),
        ("bare numbers", &|at| entry(at, at, "quantity = \"Ra\"\nupper = 0.8")),
        ("unknown keys", &|at| entry(at, at, "quantity = \"Ra\"\nuper = \"0.8 µm\"")),
        ("twins", &|at| entry(at / 2, at, "quantity = \"Ra\"\nupper = \"0.8 µm\"")),
        ("no TOML", &|at| entry(at, at, "quantity = \"Ra\"\nupper = 0.8 µm")),
        ("absent stations", &|at| entry(at, at, "quantity = \"Ra\"\nupper = \"0.8 µm\"\nstation = \"none\"")),
        ("order of heights", &|at| {
            let (quantity, upper) = if at % 2 == 0 { ("Ra", "0.9") } else { ("Rz", "0.8") };
            entry(at, at / 2, &format!("quantity = \"{quantity}\"\nupper = \"{upper} µm\""))
        }),
        ("order of heights on one feature", &|at| {
            let (quantity, upper) = if at % 2 == 0 { ("Ra", "0.9") } else { ("Rz", "0.8") };
            entry(at, 0, &format!("quantity = \"{quantity}\"\nupper = \"{upper} µm\""))
        }),
        ("impossible heights on one feature", &|at| {
            let (quantity, limit) = if at % 2 == 0 { ("Ra", "lower = \"0.9") } else { ("Rz", "upper = \"0.8") };
            entry(at, 0, &format!("quantity = \"{quantity}\"\n{limit} µm\""))
        }),
    ];
    for (what, faulty) in cases {
        let round = |_| seconds(FEW * TIMES, faulty) / seconds(FEW, faulty);
        let ratios: Vec<f64> = (0..ROUNDS)
            .map(round)
            .scan(false, |done, ratio| {
                let give = !*done;
                *done |= ratio < MOST;
                give.then_some(ratio)
            })
            .collect();
        println!("{what}: {TIMES} times as many faults take {ratios:.1?} times as long");
        assert!(ratios.iter().any(|ratio| *ratio < MOST), "{what}: {ratios:.1?}");
    }
}
