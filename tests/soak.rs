//! A day of readings while cables are pulled and the result folder goes away: nothing is lost, and what the daemon holds
//! stays flat.
//!
//! `RIDGEPOST_SOAK_SEED` brings a day back. `RIDGEPOST_SOAK=8h` (or `30min`, or seconds) runs in real time for that long,
//! with a cable pulled once a minute.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

use std::time::Duration;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::seed::Seeded;
use ridgepost_tests::soak::{A_DAY, Day, Report, run};
use ridgepost_tests::steady::{growth, heaps_of_threads, rise, told};

/// How long an accelerated day takes at least: 720 times as fast.
const SPAN: Duration = Duration::from_secs(120);

fn a_day(readings: u64, weaken: Option<&'static str>) -> Report {
    let span = SPAN.mul_f64(readings as f64 / A_DAY as f64);
    reported(readings, span, weaken)
}

fn reported(readings: u64, span: Duration, weaken: Option<&'static str>) -> Report {
    let seed = std::env::var("RIDGEPOST_SOAK_SEED").ok().and_then(|text| text.parse().ok());
    let seed = seed.unwrap_or_else(Seeded::seed_of_run);
    println!("RIDGEPOST_SOAK_SEED={seed}");
    let report = run(env!("CARGO_BIN_EXE_ridgepost"), Day { readings, span, seed, weaken });
    println!("{}\n{}", report.told, told(&report.looks));
    report
}

/// A time as people write it.
fn span(text: &str) -> Option<Duration> {
    let number = text.trim_end_matches(char::is_alphabetic);
    let factor = match &text[number.len()..] {
        "h" => 3_600,
        "min" => 60,
        "s" | "" => 1,
        _ => return None,
    };
    Some(Duration::from_secs(number.parse::<u64>().ok()? * factor))
}

/// Threads come and go with every pulled cable; heaps of their own would each keep the most that ever stood in them. So all
/// threads but the first share one heap. The control is this test's own process, which does not ask for that: threads that
/// run at the same time have a heap each.
#[test]
#[cfg(all(target_env = "gnu", target_pointer_width = "64"))]
fn threads_that_come_and_go_share_one_heap() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    for number in 1..=5 {
        line.send(&ridgepost_tests::instruments::counted(number));
        cell.until_recorded("a", number as usize);
        line.unplug();
        line.replug();
        cell.until("listening again", |cell| cell.has_open(line.device()?).then_some(()));
    }
    assert!(heaps_of_threads(cell.process()) <= 1);
    let together = std::sync::Barrier::new(4);
    let own = std::thread::scope(|scope| {
        let held = || {
            let held = vec![1_u8; 1_000];
            together.wait();
            (heaps_of_threads(std::process::id()), held.len()).0
        };
        let threads: Vec<_> = (0..4).map(|_| scope.spawn(held)).collect();
        threads.into_iter().map(|thread| thread.join().unwrap()).max()
    });
    assert!(own > Some(1), "{own:?}");
}

#[test]
#[ignore = "needs minutes"]
fn a_day_leaves_the_daemon_as_it_was() {
    let report = match std::env::var("RIDGEPOST_SOAK") {
        Err(_) => a_day(A_DAY, None),
        Ok(text) => {
            let span = span(&text).unwrap_or_else(|| panic!("RIDGEPOST_SOAK={text}: write 8h, 30min or seconds"));
            reported(A_DAY * span.as_secs() / 86_400, span, None)
        }
    };
    let findings = [report.findings, growth(&report.looks)].concat();
    assert!(findings.is_empty(), "{}", findings[..findings.len().min(60)].join("\n"));
}

/// The rig can fail: what a weakened daemon keeps is found, and it is what it keeps: the others, who run beside it, grow by
/// less than half as much of that.
#[test]
#[ignore = "needs minutes"]
fn what_a_weakened_daemon_keeps_is_found() {
    let weakened =
        [("keep-descriptors", "descriptors"), ("keep-memory", "memory"), ("never-checkpoint", "write-ahead log")];
    let reports: Vec<Report> = std::thread::scope(|scope| {
        let days = weakened.map(|(weaken, _)| scope.spawn(move || a_day(A_DAY / 6, Some(weaken))));
        days.into_iter().map(|day| day.join().unwrap()).collect()
    });
    for (report, (weaken, grown)) in reports.iter().zip(weakened) {
        assert!(report.findings.is_empty(), "{weaken} loses nothing: {:#?}", report.findings);
        let found = growth(&report.looks);
        assert!(found.iter().any(|finding| finding.starts_with(grown)), "{weaken}: {found:?}");
        let rises: Vec<u64> = reports.iter().map(|report| rise(&report.looks, grown)).collect();
        let own = rise(&report.looks, grown);
        let less = rises.iter().filter(|rise| **rise * 2 < own).count();
        assert_eq!(less, reports.len() - 1, "{weaken}: {grown} rise by {own}, among {rises:?}");
    }
}
