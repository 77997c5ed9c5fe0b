//! `ridgepost ask`: one question to an instrument that answers when it is asked.

use clap::Args;
use serde_json::json;

use super::out::{Out, shown};
use crate::cell::Cell;
use crate::control::{Reply, Request};
use crate::exit::Exit;

/// Arguments of `ask`.
#[derive(Debug, Args)]
pub struct AskArgs {
    /// Name of the station
    station: String,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

/// Asks; 1 if no answer came. What was measured is in the store by then.
pub fn ask(cell: &Cell, args: &AskArgs, out: &mut Out) -> Exit {
    let Some(socket) = crate::run::running(&cell.plan.store) else {
        out.complain("the daemon does not run, and only it talks to instruments: start it with `ridgepost run`");
        return Exit::No;
    };
    match crate::control::ask(&socket, &Request::Ask(args.station.clone())) {
        Ok(Reply::Done(said)) => {
            match args.json {
                true => out.json(&json!({ "station": args.station, "answer": said })),
                false => out.say(&format!("{}: {}; `ridgepost readings` shows it", args.station, shown(&said))),
            }
            Exit::Done
        }
        Ok(Reply::Refused(why) | Reply::Failed(why)) => {
            out.complain(&format!("{}: {why}", args.station));
            Exit::No
        }
        Err(error) => {
            out.complain(&format!("the daemon does not answer on {}: {error}", socket.display()));
            Exit::Unusable
        }
    }
}
