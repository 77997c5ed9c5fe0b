//! `ridgepost first-article`: the characteristics of one piece, each with what was required and what was measured.
//!
//! The columns are fields of AS9102 Form 3, characteristic accountability (5 to 9, 11 and 12; numbers from memory of revision
//! C). What nobody has told Ridgepost stays empty: place on the drawing, designator, number of a nonconformance report.

use std::collections::BTreeSet;

use clap::Args;
use ridgepost_config::{Characteristic, rules_in_words};
use rust_decimal::{Decimal, RoundingStrategy};
use serde_json::{Value as Json, json};

use super::out::{Out, shown, table};
use crate::cell::Cell;
use crate::exit::Exit;
use crate::store::query::{self, Filter};
use crate::store::{StoreFault, open_for_reading};

/// Arguments of `first-article`.
#[derive(Debug, Args)]
pub struct FirstArticleArgs {
    /// Serial number of the piece
    #[arg(long, value_name = "NUMBER")]
    serial: String,
    /// Of this job, where the piece was measured in several
    #[arg(long, value_name = "ID")]
    job: Option<String>,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
    /// CSV on stdout
    #[arg(long, conflicts_with = "json")]
    csv: bool,
}

const COLUMNS: [&str; 7] =
    ["characteristic", "reference_location", "designator", "requirement", "results", "nonconformance", "comments"];

/// Prints a row for each characteristic of the job; 1 where one has no value.
pub fn first_article(cell: &Cell, args: &FirstArticleArgs, out: &mut Out) -> Exit {
    let rows = match read(cell, args) {
        Ok(rows) => rows,
        Err(fault) => return super::store_unusable(cell, &fault, out),
    };
    let jobs: BTreeSet<&str> = rows.iter().filter_map(|row| row["job"].as_str()).collect();
    if jobs.len() > 1 {
        let jobs: Vec<&str> = jobs.into_iter().collect();
        out.complain(&format!(
            "{} was measured in several jobs; name one with --job: {}",
            args.serial,
            jobs.join(", ")
        ));
        return Exit::No;
    }
    let Some(hash) = rows.iter().rev().find_map(|row| row["job_hash"].as_str()) else {
        out.complain(&format!("nothing was measured of {} in a job", args.serial));
        return Exit::No;
    };
    let body = open_for_reading(&cell.plan.store).and_then(|connection| query::wording(&connection, hash));
    let body = match body {
        Ok(body) => body,
        Err(fault) => return super::store_unusable(cell, &fault, out),
    };
    let Some(job) = body.and_then(|body| cell.kept_job(&body)) else {
        out.complain("the job's text, as it is kept in the store, can't be read by this version");
        return Exit::Unusable;
    };
    let lines: Vec<Json> = job.characteristics.iter().map(|it| line(it, &rows)).collect();
    print(&lines, args, out);
    let missing: Vec<String> =
        lines.iter().filter(|line| line["values"] == json!([])).map(|line| shown(&line["characteristic"])).collect();
    if missing.is_empty() {
        return Exit::Done;
    }
    out.complain(&format!("{} has no value of {}", args.serial, missing.join(", ")));
    Exit::No
}

/// The piece's rows of production that no later row took the place of.
fn read(cell: &Cell, args: &FirstArticleArgs) -> Result<Vec<Json>, StoreFault> {
    let connection = open_for_reading(&cell.plan.store)?;
    let filter =
        Filter { serial: Some(args.serial.clone()), job: args.job.clone(), standing: true, ..Filter::default() };
    let mut rows = Vec::new();
    query::results(&connection, &filter, |cells| {
        let row = query::to_json(&cells);
        let is_left = |code: &Json| code != "voided" && code != "superseded";
        if row["mode"] == "production" && row["reasons"].as_array().into_iter().flatten().all(is_left) {
            rows.push(row);
        }
        Ok(())
    })?;
    Ok(rows)
}

/// What one characteristic asks, and what was found.
fn line(characteristic: &Characteristic, rows: &[Json]) -> Json {
    let of = |kind: &str| {
        let fits = move |row: &&Json| about(row) == kind && row["balloon"].as_str() == Some(&characteristic.balloon);
        rows.iter().filter(fits).collect::<Vec<&Json>>()
    };
    let readings: Vec<&Json> = of("reading").into_iter().filter(|row| row["value"].is_string()).collect();
    let values: Vec<String> = readings.iter().map(|row| printed(row, characteristic)).collect();
    let verdict = of("verdict").last().map_or(Json::Null, |row| row["outcome"].clone());
    let mut comments: Vec<String> = Vec::new();
    match (values.is_empty(), verdict.as_str()) {
        (true, _) => comments.push("no value".to_owned()),
        (false, verdict) => comments.push(verdict.unwrap_or("no verdict").to_owned()),
    }
    for name in ["gauge", "cutoff_mm", "sections"] {
        let said: BTreeSet<String> = readings.iter().map(|row| shown(&row[name])).filter(|it| !it.is_empty()).collect();
        if !said.is_empty() {
            let words: Vec<String> = said.into_iter().collect();
            comments.push(format!("{} {}", name.replace("_mm", ", mm"), words.join(", ")));
        }
    }
    if let Some(day) = readings.last().and_then(|row| row["received_at"].as_str()?.get(..10)) {
        comments.push(day.to_owned());
    }
    if readings.iter().any(|row| row["attempt"].is_number()) {
        comments.push("with retests".to_owned());
    }
    json!({ "characteristic": characteristic.balloon, "reference_location": null, "designator": null,
        "requirement": requirement(characteristic), "results": values.join("; "), "nonconformance": null,
        "comments": comments.join("; "), "feature": characteristic.feature, "verdict": verdict, "values": values,
        "result_ids": readings.iter().map(|row| &row["result_id"]).collect::<Vec<_>>() })
}

/// What a row is about: a correction of a reading tells what was sent, one of a verdict does not.
fn about(row: &Json) -> &str {
    match (row["kind"].as_str().unwrap_or_default(), row["value_as_sent"].is_string(), row["balloon"].is_string()) {
        ("correction", true, _) => "reading",
        ("correction", false, true) => "verdict",
        ("correction", false, false) => "part",
        (kind, ..) => kind,
    }
}

/// A value with the requirement's decimals; no digits are added, and what does not conform by itself keeps all of its own, so
/// that rounding never hides it.
fn printed(row: &Json, characteristic: &Characteristic) -> String {
    let digits = row["value"].as_str().unwrap_or_default();
    let limits = [characteristic.lower, characteristic.upper];
    let Some(places) = limits.into_iter().flatten().map(|limit| limit.scale()).max() else { return digits.to_owned() };
    let is_within = |value: Decimal| {
        characteristic.lower.is_none_or(|lower| value >= lower)
            && characteristic.upper.is_none_or(|upper| value <= upper)
    };
    match digits.parse::<Decimal>() {
        Ok(value) if value.scale() > places && is_within(value) && row["outcome"] != "nonconforming" => {
            value.round_dp_with_strategy(places, RoundingStrategy::MidpointAwayFromZero).to_string()
        }
        _ => digits.to_owned(),
    }
}

/// A requirement in words: the callout where it was written as one.
fn requirement(characteristic: &Characteristic) -> String {
    let rules = rules_in_words(characteristic);
    if let Some(callout) = &characteristic.callout {
        return format!("{callout} ({rules})");
    }
    let limit = |name: &str, limit: Option<Decimal>| limit.map(|it| format!("{name} {it} {}", characteristic.unit));
    let limits: Vec<String> =
        [limit("from", characteristic.lower), limit("to", characteristic.upper)].into_iter().flatten().collect();
    format!("{} {} {} ({rules})", characteristic.feature, characteristic.quantity, limits.join(" "))
}

fn print(lines: &[Json], args: &FirstArticleArgs, out: &mut Out) {
    let cells = |line: &Json| COLUMNS.iter().map(|name| shown(&line[*name])).collect::<Vec<String>>();
    if args.json {
        lines.iter().for_each(|line| out.json(line));
    } else if args.csv {
        let quoted = |cells: Vec<String>| {
            let each = cells.into_iter().map(|cell| format!("\"{}\"", cell.replace('"', "\"\"")));
            each.collect::<Vec<_>>().join(",") + "\r"
        };
        out.say(&quoted(COLUMNS.map(str::to_owned).to_vec()));
        lines.iter().for_each(|line| out.say(&quoted(cells(line))));
    } else {
        out.say(&table(&COLUMNS, lines.iter().map(cells)));
    }
}
