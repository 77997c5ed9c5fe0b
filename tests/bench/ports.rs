//! Many ports at once: at rest, and at line rate.

use std::time::{Duration, Instant};

use ridgepost_tests::cell::Cell;
use ridgepost_tests::pty::Line;

use crate::figures::{Figures, Goal};
use crate::peers::{Python, busy_seconds, memory, sleeps};
use crate::{Amounts, shop};

/// Bytes a second of a line at 115,200 baud: ten bits a byte.
const LINE_RATE: f64 = 11_520.0;
/// How often every line gets its share.
const PACE: Duration = Duration::from_millis(10);

fn ports(count: usize, instrument: &str, per: &str) -> (Cell, Vec<Line>) {
    let mut cell = shop::cell(&[("Ra", "0.8"), ("Rz", "6.3"), ("Rt", "6.3")]);
    let lines = (1..=count).map(|number| cell.port(&format!("p{number:02}"), instrument, "RT-01")).collect();
    cell.sink("mes", per);
    cell.set("RIDGEPOST_LOG", "error");
    shop::open(&cell);
    (cell, lines)
}

/// Eight ports on which nothing comes.
pub fn idle(_: &Python, amounts: &Amounts, figures: &mut Figures) {
    let (mut cell, lines) = ports(8, "line", "reading");
    cell.start_listening(&lines.iter().collect::<Vec<_>>());
    std::thread::sleep(Duration::from_secs(3));
    let daemon = cell.process();
    for _ in 0..amounts.rounds {
        let (before, busy) = (sleeps(daemon), busy_seconds(daemon));
        std::thread::sleep(Duration::from_secs(amounts.seconds));
        figures.add("wake-ups/s", (sleeps(daemon) - before) as f64 / amounts.seconds as f64);
        figures.add("idle, % of a core", (busy_seconds(daemon) - busy) / amounts.seconds as f64 * 100.0);
        figures.add("resident, MB", memory(daemon) as f64 * 1024.0 / 1e6);
    }
    figures.alone("d. 8 idle stations, resident, MB", "resident, MB", Goal::Most(12.0));
    figures.alone("d. 8 idle stations, wake-ups/s", "wake-ups/s", Goal::Most(1.0));
    figures.alone("d. 8 idle stations, % of a core", "idle, % of a core", Goal::Told);
    cell.stop();
}

/// The bytes of a message by its number.
type Message = fn(usize) -> Vec<u8>;

/// A printed record of the shipped definition `report-block`: three readings.
fn record(number: usize) -> Vec<u8> {
    let (minute, second) = (number / 60 % 60, number % 60);
    let payload = format!(
        "record {:04}  2026-03-02 {:02}:{minute:02}:{second:02}\r\nprogram 3  part IS-{number:06}\r\n\
         cutoff 0.80 mm  sections 5  filter gaussian\r\n--------------------------------\r\n\
         Ra       0.{:03} um\r\nRz       {}.870 um\r\nRt       {}.115 um\r\n\u{3}",
        number % 10_000,
        number / 3600 % 24,
        300 + number % 500,
        2 + number % 3,
        5 + number % 3,
    );
    let check = payload.bytes().fold(0, |sum, byte| sum ^ byte);
    format!("\u{2}{payload}{check:02X}\r\n").into_bytes()
}

/// A short line with one reading: the most messages that a line can carry.
fn short(number: usize) -> Vec<u8> {
    format!("RD {number:06} Ra 0.{:03} um\r\n", 100 + number % 700).into_bytes()
}

/// 64 ports at line rate at once.
pub fn lines(_: &Python, amounts: &Amounts, figures: &mut Figures) {
    let kinds: [(&str, &str, Message, Goal); 2] =
        [("printed records", "report-block", record, Goal::Most(0.5)), ("short lines", "line", short, Goal::Told)];
    for (words, instrument, message, goal) in kinds {
        let cores = format!("{words}, cores");
        let readings = format!("{words}, readings/s");
        for _ in 0..amounts.rounds.min(3) {
            let [busy, rate] = at_line_rate(instrument, message, amounts.seconds, figures);
            figures.add(&cores, busy);
            figures.add(&readings, rate);
        }
        figures.alone(&format!("e. 64 ports at 115,200 baud, {words}: cores"), &cores, goal);
        figures.alone(&format!("e. 64 ports at 115,200 baud, {words}: readings/s"), &readings, Goal::Told);
    }
}

/// Cores kept busy and readings a second, until the last reading is stored.
fn at_line_rate(instrument: &str, message: Message, seconds: u64, figures: &mut Figures) -> [f64; 2] {
    let (mut cell, mut lines) = ports(64, instrument, "job");
    cell.start_listening(&lines.iter().collect::<Vec<_>>());
    std::thread::sleep(Duration::from_secs(1));
    let mut waiting: Vec<Vec<u8>> = vec![Vec::new(); lines.len()];
    let (mut sent, mut refused, mut bytes) = (0, 0, 0.0);
    let (daemon, began) = (cell.process(), Instant::now());
    let busy = busy_seconds(daemon);
    while began.elapsed() < Duration::from_secs(seconds) {
        let due = began.elapsed().as_secs_f64() * LINE_RATE;
        let share = (due - bytes) as usize;
        bytes += share as f64;
        for (line, waiting) in lines.iter_mut().zip(&mut waiting) {
            while waiting.len() < share {
                sent += 1;
                waiting.extend(message(sent));
            }
            // A real adapter doesn't wait: what the kernel has no room for is lost.
            let part: Vec<u8> = waiting.drain(..share).collect();
            refused += share - line.send_some(&part);
        }
        std::thread::sleep(PACE);
    }
    for (line, waiting) in lines.iter_mut().zip(&waiting) {
        line.send(waiting);
    }
    let a_message = if instrument == "line" { 1 } else { 3 };
    let wanted = (sent * a_message) as i64;
    let sql = "SELECT count(*) FROM results WHERE kind = 'reading' AND outcome <> 'unjudged'";
    let until = Instant::now() + Duration::from_secs(60);
    let mut stored = 0;
    while stored < wanted && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(100));
        if shop::count(&cell, "SELECT max(id) FROM transmission") >= sent as i64 {
            stored = shop::count(&cell, sql);
        }
    }
    let took = began.elapsed().as_secs_f64();
    let cores = (busy_seconds(daemon) - busy) / took;
    if stored != wanted || refused > 0 {
        figures.lost(format!("{instrument}: {stored} of {wanted} readings are judged, {refused} bytes found no room"));
    }
    cell.stop();
    [cores, wanted as f64 / took]
}
