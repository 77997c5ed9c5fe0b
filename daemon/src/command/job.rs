//! `ridgepost job`: what the cell is making.

use clap::{Args, Subcommand};
use serde_json::json;

use super::out::{Out, shown};
use super::write;
use crate::cell::Cell;
use crate::control::Request;
use crate::exit::Exit;
use crate::store::{JobCommand, What, open_for_reading, query};

/// Arguments of `job`.
#[derive(Debug, Args)]
pub struct JobArgs {
    #[command(subcommand)]
    action: Option<JobAction>,
    /// JSON Lines on stdout
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum JobAction {
    /// Open a job; an open one is closed first
    Open {
        /// Its id, as in jobs/*.toml
        id: String,
    },
    /// Close the open job; a piece that was begun ends with it
    Close,
    /// Show the open job and its piece
    Show,
    /// End the piece being measured, whatever it lacks
    Next,
}

/// Shows or changes the open job.
pub fn job(cell: &Cell, args: &JobArgs, out: &mut Out) -> Exit {
    let command = match args.action.as_ref().unwrap_or(&JobAction::Show) {
        JobAction::Show => return show(cell, args.json, out),
        JobAction::Open { id } => JobCommand::Open(id.clone()),
        JobAction::Close => JobCommand::Close,
        JobAction::Next => JobCommand::Next,
    };
    match write(cell, Request::Job(command.clone()), What::Job(command), out) {
        Ok(said) => {
            match args.json {
                true => out.json(&json!({ "done": said })),
                false => out.say(&shown(&said)),
            }
            Exit::Done
        }
        Err(exit) => exit,
    }
}

fn show(cell: &Cell, json: bool, out: &mut Out) -> Exit {
    let open = match open_for_reading(&cell.plan.store).and_then(|connection| query::open_job(&connection)) {
        Ok(open) => open,
        Err(fault) => return super::store_unusable(cell, &fault, out),
    };
    match open {
        None if json => {}
        None => {
            let ids: Vec<&str> = cell.plan.jobs.keys().map(String::as_str).collect();
            out.say(&format!("no job is open; `ridgepost job open ID` opens one of: {}", ids.join(", ")));
        }
        Some(job) if json => out.json(&job),
        Some(job) => out.say(&format!(
            "job {} is open since {}, {} parts ended, piece {} is next or being measured",
            shown(&job["job"]),
            shown(&job["opened_at"]),
            job["parts"],
            job["piece"]
        )),
    }
    Exit::Done
}
