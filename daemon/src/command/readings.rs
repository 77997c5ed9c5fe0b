//! `ridgepost readings`: results out of the store, oldest first.

use clap::Args;
use jiff::civil::{Date, DateTime};
use jiff::{Span, Timestamp};

use super::out::{Out, table};
use crate::cell::Cell;
use crate::exit::Exit;
use crate::store::query::{self, Cells, Filter};
use crate::store::{fields::position, open_for_reading};

/// Arguments of `readings`.
#[derive(Debug, Args)]
pub struct ReadingsArgs {
    /// From this time on: `2026-11-25`, `2026-11-25T14:00`, with offset, or `8h`, `30m`, `2d` back from now
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// Of this job
    #[arg(long, value_name = "ID")]
    job: Option<String>,
    /// Of this serial number
    #[arg(long, value_name = "NUMBER")]
    serial: Option<String>,
    /// By this gauge
    #[arg(long, value_name = "ID")]
    gauge: Option<String>,
    /// With this outcome
    #[arg(long, value_parser = ["conforms", "nonconforming", "undecided", "unjudged"])]
    outcome: Option<String>,
    /// Of this kind
    #[arg(long, value_parser = ["reading", "verdict", "part", "correction", "notice"])]
    kind: Option<String>,
    /// Only results that stand: no later row took their place
    #[arg(long)]
    standing: bool,
    /// JSON Lines on stdout: every field of a result
    #[arg(long)]
    json: bool,
}

/// Prints what fits; nothing is an answer too.
pub fn readings(cell: &Cell, args: &ReadingsArgs, out: &mut Out) -> Exit {
    let since_us = match args.since.as_deref().map(|text| moment(text, cell)).transpose() {
        Ok(since) => since,
        Err(text) => {
            out.complain(&format!("--since {text}: no time; write 2026-11-25, 2026-11-25T14:00 or 8h"));
            return Exit::Usage;
        }
    };
    let filter = Filter {
        since_us,
        job: args.job.clone(),
        serial: args.serial.clone(),
        gauge: args.gauge.clone(),
        outcome: args.outcome.clone(),
        kind: args.kind.clone(),
        standing: args.standing,
    };
    let connection = match open_for_reading(&cell.plan.store) {
        Ok(connection) => connection,
        Err(fault) => return super::store_unusable(cell, &fault, out),
    };
    let mut rows = Vec::new();
    let result = query::results(&connection, &filter, |cells| {
        match args.json {
            true => out.json(&query::to_json(&cells)),
            false => rows.push(short(&cells)),
        }
        if out.is_broken() { Err(std::io::ErrorKind::BrokenPipe.into()) } else { Ok(()) }
    });
    if !args.json && !rows.is_empty() {
        out.say(&table(&HEADER, rows));
    }
    match result {
        Ok(0) if !args.json => {
            out.complain("no result fits");
            Exit::Done
        }
        Ok(_) => Exit::Done,
        Err(_) if out.is_broken() => Exit::Done,
        Err(fault) => super::store_unusable(cell, &fault, out),
    }
}

const HEADER: [&str; 10] =
    ["seq", "received", "kind", "serial", "piece", "feature", "quantity", "value", "outcome", "reasons"];

/// A result in one line for people.
fn short(cells: &Cells) -> Vec<String> {
    let get = |name: &str| position(name).and_then(|at| cells.get(at)?.clone()).unwrap_or_default();
    let value = [get("value"), get("unit")].join(" ");
    vec![
        get("seq"),
        get("received_at").get(..19).unwrap_or_default().replace('T', " "),
        get("kind"),
        get("serial"),
        get("piece"),
        [get("balloon"), get("feature")].join(" ").trim().to_owned(),
        get("quantity"),
        if value.trim().is_empty() { get("mark") } else { value.trim().to_owned() },
        get("outcome"),
        get("reasons"),
    ]
}

/// A time as people write it, in microseconds since 1970.
pub(super) fn moment(text: &str, cell: &Cell) -> Result<i64, String> {
    let zone = &cell.plan.cell.time_zone;
    if let Ok(time) = text.parse::<Timestamp>() {
        return Ok(time.as_microsecond());
    }
    let local = text.parse::<DateTime>().or_else(|_| text.parse::<Date>().map(|date| date.at(0, 0, 0, 0)));
    if let Ok(local) = local {
        return local
            .to_zoned_datetime(zone.clone())
            .map(|time| time.timestamp().as_microsecond())
            .map_err(|_| text.to_owned());
    }
    let span: Span = text.parse().map_err(|_| text.to_owned())?;
    let now = Timestamp::now().to_zoned_datetime(zone.clone());
    now.checked_sub(span).map(|time| time.timestamp().as_microsecond()).map_err(|_| text.to_owned())
}
