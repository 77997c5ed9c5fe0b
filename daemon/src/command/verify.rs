//! `ridgepost verify`: a gauge held against a specimen.

use clap::Args;
use serde_json::json;

use super::out::{Out, shown};
use super::write;
use crate::cell::Cell;
use crate::control::Request;
use crate::exit::Exit;
use crate::store::gauge::Phase;
use crate::store::{GaugeCommand, What};

/// Arguments of `verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Id of the gauge, as in gauges.toml
    gauge: String,
    /// Who does it
    #[arg(long, value_name = "WHO")]
    by: String,
    /// The specimen, where not the one that the gauge's rule names
    #[arg(long, value_name = "ID")]
    specimen: Option<String>,
    /// It shows how the gauge is left after cleaning, adjusting or repair; without it, how it was found
    #[arg(long)]
    as_left: bool,
    /// Give up the verification under way
    #[arg(long, requires = "reason", conflicts_with_all = ["specimen", "as_left"])]
    stop: bool,
    /// Why it is given up
    #[arg(long, requires = "stop", value_name = "TEXT")]
    reason: Option<String>,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

/// Begins or gives up a verification; 1 if it was refused.
pub fn verify(cell: &Cell, args: &VerifyArgs, out: &mut Out) -> Exit {
    let (gauge, by) = (args.gauge.clone(), args.by.clone());
    let command = match &args.reason {
        Some(reason) => GaugeCommand::Stop { gauge, by, reason: reason.clone() },
        None => GaugeCommand::Verify {
            gauge,
            specimen: args.specimen.clone(),
            phase: if args.as_left { Phase::AsLeft } else { Phase::AsFound },
            by,
        },
    };
    match write(cell, Request::Gauge(command.clone()), What::Gauge(command), out) {
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
