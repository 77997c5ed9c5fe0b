//! `ridgepost gauge`: what a gauge is, its state, what happened to it, and what it measured while it may have been bad.

mod measured;

use clap::Args;
use clap::builder::{PossibleValuesParser, TypedValueParser};
use jiff::Timestamp;
use ridgepost_config::{Gauge, Plan};
use ridgepost_judge::{AsOf, ends_us};
use rusqlite::Connection;
use serde_json::{Value as Json, json};

use super::out::{Out, shown, table};
use super::{readings::moment, write};
use crate::cell::Cell;
use crate::clock::{Clock, day_for_dates};
use crate::control::Request;
use crate::exit::Exit;
use crate::store::gauge::{self, Gauges};
use crate::store::happened::Happened;
use crate::store::{GaugeCommand, StoreFault, What, open_for_reading, query};

/// Arguments of `gauge`.
#[derive(Debug, Args)]
pub struct GaugeArgs {
    /// Id of the gauge, as in gauges.toml
    gauge: String,
    /// What happened from this time on; with --measured, readings from there on, whether or not it was found bad
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// The readings since it was last known to be good, with their way to the limit
    #[arg(long)]
    measured: bool,
    /// How far it was off, in place of what its verification found: Ra=8%, D=-4µm; positive where it shows too much
    #[arg(long, requires = "measured", value_name = "QUANTITY=AMOUNT")]
    bias: Vec<String>,
    /// CSV on stdout
    #[arg(long, requires = "measured", conflicts_with = "json")]
    csv: bool,
    /// Write down what happened to it; it must be verified then
    #[arg(long, value_name = "WHAT", requires_all = ["by", "reason"], value_parser = told_by_people(),
          conflicts_with_all = ["measured", "since"])]
    happened: Option<Happened>,
    /// Tell every sink of each reading in doubt, as a `notice`
    #[arg(long, requires_all = ["by", "reason"], conflicts_with_all = ["measured", "since", "happened"])]
    notice: bool,
    /// Write down what becomes of the readings in doubt; no outcome is changed
    #[arg(long, value_name = "DECISION", requires = "by", conflicts_with_all = ["measured", "since", "happened", "notice", "reason"])]
    settle: Option<String>,
    /// Who says so
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
    /// Why, in your words
    #[arg(long, value_name = "TEXT")]
    reason: Option<String>,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

fn told_by_people() -> impl TypedValueParser<Value = Happened> {
    let told = |happened: &Happened| happened.is_told_by_people() && *happened != Happened::Settled;
    let codes = PossibleValuesParser::new(Happened::ALL.into_iter().filter(told).map(Happened::code));
    codes.try_map(|code| Happened::parse(&code).ok_or("nothing that happens to gauges"))
}

/// Shows a gauge or writes down what happened to it; 1 if there is none, or it is refused.
pub fn gauge(cell: &Cell, args: &GaugeArgs, out: &mut Out) -> Exit {
    if let Some(command) = command(args) {
        return match write(cell, Request::Gauge(command.clone()), What::Gauge(command), out) {
            Ok(said) => {
                match args.json {
                    true => out.json(&json!({ "done": said })),
                    false => out.say(&shown(&said)),
                }
                Exit::Done
            }
            Err(exit) => exit,
        };
    }
    let since_us = match args.since.as_deref().map(|text| moment(text, cell)).transpose() {
        Ok(since) => since,
        Err(text) => {
            out.complain(&format!("--since {text}: no time; write 2026-11-25, 2026-11-25T14:00 or 8h"));
            return Exit::Usage;
        }
    };
    if args.measured {
        return measured::measured(cell, args, since_us, out);
    }
    let told = match open_for_reading(&cell.plan.store) {
        Ok(connection) => told(cell, &connection, &args.gauge, since_us),
        Err(StoreFault::Absent(_)) => Ok(tell(cell, &args.gauge, &Gauges::default(), None, vec![])),
        Err(fault) => Err(fault),
    };
    match told {
        Err(fault) => super::store_unusable(cell, &fault, out),
        Ok(story) if story["registered"] == false && story["history"] == json!([]) => {
            unknown(&cell.plan, &args.gauge, out)
        }
        Ok(story) => {
            match args.json {
                true => out.json(&story),
                false => show(&story, out),
            }
            Exit::Done
        }
    }
}

fn unknown(plan: &Plan, id: &str, out: &mut Out) -> Exit {
    let ids: Vec<&str> = plan.gauges.keys().map(String::as_str).collect();
    out.complain(&format!("there is no gauge `{id}` in gauges.toml; there are: {}", ids.join(", ")));
    Exit::No
}

/// What is to be written, if anything is.
fn command(args: &GaugeArgs) -> Option<GaugeCommand> {
    let (gauge, by) = (args.gauge.clone(), args.by.clone().unwrap_or_default());
    let reason = args.reason.clone().unwrap_or_default();
    if let Some(happened) = args.happened {
        return Some(GaugeCommand::Happened { gauge, what: happened.code().to_owned(), by, reason });
    }
    if let Some(decision) = &args.settle {
        let what = Happened::Settled.code().to_owned();
        return Some(GaugeCommand::Happened { gauge, what, by, reason: decision.clone() });
    }
    args.notice.then_some(GaugeCommand::Tell { gauge, by, reason })
}

fn told(cell: &Cell, connection: &Connection, id: &str, since_us: Option<i64>) -> Result<Json, StoreFault> {
    let known = gauge::load(connection, &cell.plan)?;
    let history = gauge::history(connection, id, since_us)?;
    Ok(tell(cell, id, &known, query::known_day(connection)?, history))
}

/// All that there is to tell.
fn tell(cell: &Cell, id: &str, known: &Gauges, day: Option<jiff::civil::Date>, history: Vec<Json>) -> Json {
    let plan = &cell.plan;
    let clock = Clock::new(plan.cell.time_zone.clone());
    let now = clock.stamp();
    let as_of =
        AsOf { us: now.us, day: day_for_dates(clock.today(), now.synced, day), zone: plan.cell.time_zone.clone() };
    let passed = history.iter().rev().find(|event| event["turns"] == true);
    let ends = passed.filter(|event| event["kind"] == Happened::Passed.code()).and_then(|event| {
        let ends = ends_us(&plan.gauges.get(id)?.verification, event["at_us"].as_i64()?, &plan.cell.time_zone)?;
        Some(Timestamp::from_microsecond(ends).ok()?.to_zoned_datetime(plan.cell.time_zone.clone()))
    });
    json!({
        "gauge": id,
        "registered": plan.gauges.contains_key(id),
        "state": known.state(plan, id, &as_of).code(),
        "holds_until": ends.map(|ends| ends.datetime().to_string()),
        "used": known.used(plan, id),
        "verifying": known.under_way(id),
        "register": plan.gauges.get(id).map(register),
        "history": history,
    })
}

/// A gauge's entry in the register.
fn register(gauge: &Gauge) -> Json {
    let by_quantity = |amounts: &std::collections::BTreeMap<_, ridgepost_config::Amount>| {
        let told = |(quantity, amount): (&ridgepost_parsers::Quantity, &ridgepost_config::Amount)| {
            (quantity.to_string(), json!(format!("{} {}", amount.number, amount.unit)))
        };
        Json::Object(amounts.iter().map(told).collect())
    };
    json!({
        "kind": gauge.kind,
        "serial": gauge.serial,
        "certificate": gauge.certificate,
        "calibration_due": gauge.calibration_due.map(|due| due.to_string()),
        "stylus": gauge.stylus.as_ref().map(|stylus| &stylus.id),
        "uncertainty": by_quantity(&gauge.uncertainty),
        "specimen": gauge.verification.specimen,
        "verified": gauge.verified.as_ref().map(|verified| json!({ "on": verified.on.to_string(), "source": verified.source })),
        "failed": gauge.failed,
    })
}

fn show(story: &Json, out: &mut Out) {
    let until = story["holds_until"].as_str().map(|until| format!(" until {}", until.replace('T', " ")));
    out.say(&format!("gauge {}: {}{}", shown(&story["gauge"]), shown(&story["state"]), until.unwrap_or_default()));
    if story["registered"] == false {
        out.say("    it is not in gauges.toml any more");
    }
    for (name, value) in story["register"].as_object().into_iter().flatten() {
        let empty = value.is_null() || value.as_object().is_some_and(serde_json::Map::is_empty);
        if !empty {
            out.say(&format!("    {:16} {}", name.replace('_', " "), in_words(value)));
        }
    }
    if let Some(used) = story["used"].as_object() {
        out.say(&format!(
            "    {:16} {} readings, {} mm traced",
            "since then",
            used["readings"],
            shown(&used["traced_mm"])
        ));
    }
    let history = story["history"].as_array().into_iter().flatten();
    let rows: Vec<Vec<String>> = history
        .map(|event| {
            let body = &event["body"];
            let told = ["in_words", "reason", "value", "value_as_sent", "specimen"].map(|name| shown(&body[name]));
            let told = told.into_iter().find(|words| !words.is_empty()).unwrap_or_default();
            let at = shown(&event["at"]).get(..19).unwrap_or_default().replace('T', " ");
            vec![at, shown(&event["in_words"]), shown(&event["by"]), told]
        })
        .collect();
    if !rows.is_empty() {
        out.say(&format!("\n{}", table(&["at", "what", "by", "told"], rows)));
    }
}

fn in_words(value: &Json) -> String {
    match value.as_object() {
        Some(object) => {
            object.iter().map(|(name, value)| format!("{name} {}", shown(value))).collect::<Vec<_>>().join(", ")
        }
        None => shown(value),
    }
}
