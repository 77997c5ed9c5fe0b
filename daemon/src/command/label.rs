//! `ridgepost label`: a label typed in place of a scanner, for a cell without one and for a label that can't be scanned.

use clap::Args;
use serde_json::json;

use super::out::{Out, shown};
use super::write;
use crate::cell::Cell;
use crate::clock::Clock;
use crate::control::Request;
use crate::exit::Exit;
use crate::store::{Typed, What};

/// Arguments of `label`.
#[derive(Debug, Args)]
pub struct LabelArgs {
    /// What stands on the label, read by the rules of labels.toml
    #[arg(allow_hyphen_values = true)]
    text: String,
    /// The scanner in whose place it is typed; without one it is about every station
    #[arg(long, value_name = "STATION")]
    scanner: Option<String>,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

/// Does what the label says; 1 if it was refused.
pub fn label(cell: &Cell, args: &LabelArgs, out: &mut Out) -> Exit {
    let (text, scanner) = (args.text.clone(), args.scanner.clone());
    let received = Clock::new(cell.plan.cell.time_zone.clone()).stamp();
    let origin = format!("label {}", crate::run::run_id());
    let typed = Typed { origin, text: text.clone(), scanner: scanner.clone(), received };
    match write(cell, Request::Label(scanner, text), What::Label(typed), out) {
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
