//! `ridgepost outbox`: deliveries that wait or are parked, and sending again.

use clap::{Args, Subcommand};
use serde_json::Value as Json;

use super::out::{Out, shown, table};
use super::write;
use crate::cell::Cell;
use crate::control::Request;
use crate::exit::Exit;
use crate::store::{What, open_for_reading, query};

/// Arguments of `outbox`.
#[derive(Debug, Args)]
pub struct OutboxArgs {
    #[command(subcommand)]
    action: Option<OutboxAction>,
    /// JSON Lines on stdout
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum OutboxAction {
    /// Deliveries that are due, filling or parked, with reasons
    List,
    /// Parked deliveries are due again
    Retry,
    /// Results FROM..TO (numbers, both included) go out again, under the same names with the same bytes
    Again {
        /// For example 1000..1042
        #[arg(value_parser = range)]
        range: (i64, i64),
    },
}

fn range(text: &str) -> Result<(i64, i64), String> {
    let number = |text: &str| text.trim().parse::<i64>().map_err(|_| format!("`{text}` is no number of a result"));
    let (from, to) = text.split_once("..").unwrap_or((text, text));
    let (from, to) = (number(from)?, number(to)?);
    if from <= to { Ok((from, to)) } else { Err(format!("{from} is behind {to}")) }
}

/// Lists or changes the outbox.
pub fn outbox(cell: &Cell, args: &OutboxArgs, out: &mut Out) -> Exit {
    match args.action.as_ref().unwrap_or(&OutboxAction::List) {
        OutboxAction::List => list(cell, args.json, out),
        OutboxAction::Retry => tell(write(cell, Request::Retry, What::Retry, out), "parked", args.json, out),
        OutboxAction::Again { range: (from, to) } => {
            let what = What::Again { from: *from, to: *to };
            tell(write(cell, Request::Again(*from, *to), what, out), "delivered or parked", args.json, out)
        }
    }
}

fn tell(done: Result<Json, Exit>, which: &str, json: bool, out: &mut Out) -> Exit {
    match done {
        Ok(count) => {
            match json {
                true => out.json(&serde_json::json!({ "due": count })),
                false => out.say(&format!("{} {which} deliveries are due again", shown(&count))),
            }
            Exit::Done
        }
        Err(exit) => exit,
    }
}

fn list(cell: &Cell, json: bool, out: &mut Out) -> Exit {
    let rows = match open_for_reading(&cell.plan.store).and_then(|connection| query::outbox(&connection)) {
        Ok(rows) => rows,
        Err(fault) => return super::store_unusable(cell, &fault, out),
    };
    if json {
        rows.iter().for_each(|row| out.json(row));
    } else if rows.is_empty() {
        out.say("everything is delivered");
    } else {
        let names = ["sink", "name", "state", "attempts", "reason", "first_seq", "last_seq"];
        let lines = rows.iter().map(|row| names.iter().map(|name| shown(&row[*name])).collect());
        out.say(&table(&names, lines));
    }
    Exit::Done
}
