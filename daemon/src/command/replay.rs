//! `ridgepost replay`: stored bytes read again with today's definitions. Nothing is changed; what comes out otherwise is
//! added.

use std::sync::Arc;

use clap::Args;

use super::out::{Out, shown};
use crate::cell::Cell;
use crate::control::Request;
use crate::exit::Exit;
use crate::replay::{ReplayFault, Which};

/// Arguments of `replay`.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// From this time on: `2026-11-25`, `2026-11-25T14:00`, with offset, or `8h`, `30m`, `2d` back from now
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// Of this station
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
    /// JSON Lines on stdout: a station each
    #[arg(long)]
    json: bool,
}

/// Reads again, through the daemon or with the writer's lock in hand.
pub fn replay(cell: &Cell, args: &ReplayArgs, out: &mut Out) -> Exit {
    let since_us = match args.since.as_deref().map(|text| super::readings::moment(text, cell)).transpose() {
        Ok(since) => since,
        Err(text) => {
            out.complain(&format!("--since {text}: no time; write 2026-11-25, 2026-11-25T14:00 or 8h"));
            return Exit::Usage;
        }
    };
    let which = Which { since_us, station: args.station.clone() };
    let reply = match crate::run::running(&cell.plan.store) {
        Some(socket) => super::ask_daemon(&socket, &Request::Replay(which), out),
        None => super::lock(cell, out).map(|_lock| {
            let work = |pen: &crate::store::Pen| crate::replay::replay(&cell.plan, &which, pen, &|| false);
            let told = crate::store::writer::alone(Arc::new(cell.clone()), work);
            crate::run::replayed(told.unwrap_or_else(|fault| Err(ReplayFault::Store(fault))))
        }),
    };
    match reply.and_then(|reply| super::said(reply, out)) {
        Ok(told) => {
            for station in told.as_array().into_iter().flatten() {
                match (args.json, &station["left_out"]) {
                    (true, _) => out.json(station),
                    (false, serde_json::Value::String(why)) => {
                        out.say(&format!("{}: left out: {why}", shown(&station["station"])));
                    }
                    (false, _) => out.say(&format!(
                        "{}: {} transmissions read again, {} readings new, {} corrected",
                        shown(&station["station"]),
                        station["transmissions"],
                        station["new"],
                        station["corrected"]
                    )),
                }
            }
            Exit::Done
        }
        Err(exit) => exit,
    }
}
