//! `ridgepost digest`: one day on one page, as the daemon writes it.

use clap::Args;
use jiff::civil::Date;

use super::out::Out;
use crate::cell::Cell;
use crate::clock::Clock;
use crate::exit::Exit;
use crate::watch::digest::of_day;

/// Arguments of `digest`.
#[derive(Debug, Args)]
pub struct DigestArgs {
    /// Of this local day, for example 2026-11-24; today so far where not given
    #[arg(long, value_name = "DAY", value_parser = day)]
    date: Option<Date>,
    /// JSON Lines on stdout: one object
    #[arg(long)]
    json: bool,
}

/// Reads a day as year-month-day.
fn day(text: &str) -> Result<Date, String> {
    text.parse().map_err(|_| format!("`{text}` is no day; write year-month-day, as in 2026-11-24"))
}

/// Prints the page of a day.
pub fn digest(cell: &Cell, args: &DigestArgs, out: &mut Out) -> Exit {
    let clock = Clock::new(cell.plan.cell.time_zone.clone());
    let day = args.date.unwrap_or_else(|| clock.today());
    match of_day(&cell.plan.store, &clock, &cell.plan.cell.name, day) {
        Ok(digest) => {
            match args.json {
                true => out.json(&serde_json::json!(digest)),
                false => out.say(digest.text().trim_end()),
            }
            Exit::Done
        }
        Err(fault) => super::store_unusable(cell, &fault, out),
    }
}
