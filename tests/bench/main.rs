//! How fast Ridgepost is, beside what a user would write instead, on the same disk in the same run.
//!
//! `cargo bench --bench speed` runs everything; names of parts behind ` -- ` run those alone. `--rounds N` sets how often
//! each is measured in turns (5), `--smoke` shows with small amounts that every part runs and nothing is lost. Times are
//! printed, never asserted: only what is lost ends the run with status 1.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod commits;
mod figures;
mod files;
mod peers;
mod ports;
mod serial;
mod shop;

use figures::Figures;
use peers::Python;

/// How much is measured.
#[derive(Clone, Copy, Debug)]
pub struct Amounts {
    /// How often every contender is measured, in turns.
    pub rounds: usize,
    /// Readings of a latency run.
    pub readings: usize,
    /// Lines of a burst.
    pub burst: usize,
    /// Commits of a run.
    pub commits: usize,
    /// Seconds of rest, and of paced lines.
    pub seconds: u64,
    /// Rows of the large export.
    pub rows: usize,
    /// Waiting small files.
    pub files: usize,
}

const FULL: Amounts =
    Amounts { rounds: 5, readings: 300, burst: 5_000, commits: 4_000, seconds: 30, rows: 1_000_000, files: 100_000 };
const SMOKE: Amounts =
    Amounts { rounds: 1, readings: 20, burst: 200, commits: 200, seconds: 2, rows: 5_000, files: 1_500 };

type Part = fn(&Python, &Amounts, &mut Figures);

const PARTS: &[(&str, Part)] = &[
    ("latency", serial::latency),
    ("commits", commits::commits),
    ("burst", serial::burst),
    ("idle", ports::idle),
    ("lines", ports::lines),
    ("csv", files::large),
    ("files", files::many),
];

fn main() {
    let mut amounts = FULL;
    let mut wanted = Vec::new();
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--bench" => {}
            "--smoke" => amounts = SMOKE,
            "--rounds" => amounts.rounds = arguments.next().and_then(|text| text.parse().ok()).expect("a number"),
            "--rows" => amounts.rows = arguments.next().and_then(|text| text.parse().ok()).expect("a number"),
            "--files" => amounts.files = arguments.next().and_then(|text| text.parse().ok()).expect("a number"),
            name => wanted.push(name.to_owned()),
        }
    }
    let names: Vec<&str> = PARTS.iter().map(|(name, _)| *name).collect();
    if let Some(unknown) = wanted.iter().find(|name| !names.contains(&name.as_str())) {
        eprintln!("there is no part `{unknown}`; there are: {}", names.join(", "));
        std::process::exit(2);
    }
    let python = Python::prepare();
    let mut figures = Figures::begin(&amounts);
    for (name, part) in PARTS {
        if wanted.is_empty() || wanted.iter().any(|wanted| wanted == name) {
            println!("--- {name}");
            part(&python, &amounts, &mut figures);
        }
    }
    figures.print();
    if figures.is_anything_lost() {
        std::process::exit(1);
    }
}
