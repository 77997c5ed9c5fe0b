//! How fast bytes become readings, without ports, disk and store: framer and decoder for the six commonest families of
//! messages, beside a script that does the same by regular expressions (`tests/bench/peers/decode.py`), in turns.
//!
//! `cargo bench -p ridgepost-tests --bench decoder`; `-- --frames N` sets how many messages (20000), `--rounds N` how often
//! each is measured (5). Times are printed, never asserted: only another sum of all values than the script's ends the run
//! with status 1. It needs `python3`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

use std::path::Path;
use std::process::{Command, ExitCode};
use std::time::Instant;

use ridgepost_parsers::{Decoded, Frame, Instrument, Reading, Tick};
use ridgepost_tests::corpus::Case;
use ridgepost_tests::fuzz::memory::{Counting, Spent, measured};

#[global_allocator]
static COUNTING: Counting = Counting;

/// Bytes that arrive together.
const CHUNK: usize = 4_096;

/// A family: its name, the recording whose definition reads it, and so many messages of it.
type Family = (&'static str, &'static str, fn(u64) -> Vec<u8>);

const FAMILIES: &[Family] = &[
    ("value and unit", "s01_value_unit", |frames| each(frames, |n| format!("Ra   {} um\r\n", value(n)))),
    ("line of a table", "s04_table_line", |frames| {
        each(frames, |n| {
            let values: String = (0..4).map(|column| format!("{:>8}", value(n + column))).collect();
            format!("{:>4}{values}\r\n", n % 10_000)
        })
    }),
    ("keys and values", "s07_keyvalue_line", |frames| {
        each(frames, |n| format!("N={:04};P=Ra;V={};U=um;LC=0.8;NS=5;Q7=ab;OK=1\n", n % 10_000, value(n)))
    }),
    ("rows of a CSV file", "s08_csv_comma", |frames| {
        let head = b"Ger\xe4t;RT-INV;Fertigung 3\r\nDatum;02.03.2026\r\nGrenzwellenl\xe4nge;0,8 mm\r\n\r\nNr;Zeit;Teil;Ra [\xb5m];Rz [\xb5m]\r\n";
        let row = |n: u64| {
            let clock = format!("{:02}:{:02}:{:02}", n / 3_600 % 24, n / 60 % 60, n % 60);
            format!("{n};{clock};P-{n};{};{}\r\n", value(n), value(n + 7)).replace('.', ",")
        };
        [&head[..], &each(frames, row)].concat()
    }),
    ("STX, ETX and sum", "s13_stx_etx_sum", |frames| {
        each(frames, |n| {
            let payload = format!("Ra={}", value(n));
            let sum = payload.bytes().fold(0_u8, u8::wrapping_add);
            format!("\u{2}{payload}\u{3}{sum:02X}\r\n")
        })
    }),
    ("fixed places", "s11_fixed_width", |frames| {
        each(frames, |n| {
            let clock = format!("{:02}{:02}{:02}", n / 3_600 % 24, n / 60 % 60, n % 60);
            format!("{:04}260302{clock}RA {:08}U0800050A1\r", n % 10_000, 1 + n % 9_000)
        })
    }),
];

fn each(frames: u64, message: impl Fn(u64) -> String) -> Vec<u8> {
    (0..frames).flat_map(|n| message(n).into_bytes()).collect()
}

/// Five characters: `0.001` to `9.999`.
fn value(n: u64) -> String {
    let thousandths = 1 + n % 9_999;
    format!("{}.{:03}", thousandths / 1_000, thousandths % 1_000)
}

/// What one pass over the bytes came to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Pass {
    frames: u64,
    readings: u64,
    /// Sum of all values, in millionths.
    sum: i128,
    seconds: f64,
}

fn decode(instrument: &Instrument, bytes: &[u8]) -> Pass {
    let mut pass = Pass::default();
    let (mut framer, mut decoder) = (instrument.framer(), instrument.decoder());
    let began = Instant::now();
    let mut take = |frame: Frame| {
        let decoded: Decoded = decoder.decode(&frame);
        pass.frames += u64::from(!decoded.readings.is_empty());
        pass.readings += decoded.readings.len() as u64;
        pass.sum += decoded.readings.iter().map(millionths).sum::<i128>();
    };
    for chunk in bytes.chunks(CHUNK) {
        framer.push(chunk, Tick(0));
        std::iter::from_fn(|| framer.poll()).for_each(&mut take);
    }
    std::iter::from_fn(|| framer.finish()).for_each(&mut take);
    pass.seconds = began.elapsed().as_secs_f64();
    pass
}

fn millionths(reading: &Reading) -> i128 {
    let decimal = reading.value.expect("a value").decimal();
    decimal.mantissa() * 10_i128.pow(6 - decimal.scale())
}

fn script(family: &str, file: &Path) -> Pass {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench/peers/decode.py");
    let output = Command::new("python3").arg(script).arg(family).arg(file).output().expect("python3");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).expect("what the script prints");
    let sum = told["sum"].as_str().unwrap();
    let (whole, part) = sum.split_once('.').unwrap_or((sum, ""));
    Pass {
        frames: told["frames"].as_u64().unwrap(),
        readings: told["readings"].as_u64().unwrap(),
        sum: format!("{whole}{part:0<6}").parse().unwrap(),
        seconds: told["seconds"].as_f64().unwrap(),
    }
}

fn median(mut seconds: Vec<f64>) -> f64 {
    seconds.sort_by(f64::total_cmp);
    seconds[seconds.len() / 2]
}

fn main() -> ExitCode {
    let (mut frames, mut rounds) = (20_000, 5);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut number = || arguments.next().and_then(|text| text.parse().ok()).expect("a number");
        match argument.as_str() {
            "--frames" => frames = number(),
            "--rounds" => rounds = number(),
            "--bench" => {}
            other => panic!("`{other}` means nothing here"),
        }
    }
    println!("{frames} messages each, median of {rounds} rounds in turns; thousands of messages a second\n");
    println!("| family | Ridgepost | script | ratio | allocations a message | bytes at most | bytes kept |");
    println!("|---|---:|---:|---:|---:|---:|---:|");
    let folder = tempfile::tempdir().expect("a folder");
    let mut is_same = true;
    for (name, case, make) in FAMILIES {
        let case = Case::all().iter().find(|known| known.name == *case).expect("a recording");
        let bytes = make(frames);
        let file = folder.path().join("messages");
        std::fs::write(&file, &bytes).expect("room for the messages");
        // The first pass makes what patterns keep for later ones.
        let (_, first) = measured(|| decode(&case.instrument, &bytes));
        let (mut ours, mut theirs, mut spent) = (vec![], vec![], Spent::default());
        for _ in 0..rounds {
            let (pass, took) = measured(|| decode(&case.instrument, &bytes));
            let other = script(name, &file);
            if (pass.frames, pass.readings, pass.sum) != (other.frames, other.readings, other.sum) {
                println!("{name}: {pass:?} here, {other:?} by the script");
                is_same = false;
            }
            spent = took;
            ours.push(pass.seconds);
            theirs.push(other.seconds);
        }
        let (ours, theirs) = (median(ours), median(theirs));
        let a_second = |seconds: f64| frames as f64 / seconds / 1_000.0;
        println!(
            "| {name} | {:.0} | {:.0} | {:.1} | {:.1} | {} | {} |",
            a_second(ours),
            a_second(theirs),
            theirs / ours,
            spent.allocations as f64 / frames as f64,
            spent.peak,
            first.kept,
        );
    }
    if is_same { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
