//! `ridgepost void`, `assign`, `dispose`: what a person decides about results. Nothing that was written is changed.

use clap::Args;
use serde_json::json;

use super::out::{Out, shown};
use super::write;
use crate::cell::Cell;
use crate::control::Request;
use crate::exit::Exit;
use crate::store::{Decided, Decision, Disposition, Target, What};

/// Which results, who and why.
#[derive(Debug, Args)]
pub struct About {
    /// Results by number or id; stretches of numbers as 12..40
    #[arg(required = true, value_name = "RESULT")]
    results: Vec<String>,
    /// Who decides
    #[arg(long, value_name = "WHO")]
    by: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: String,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

/// Arguments of `void`.
#[derive(Debug, Args)]
pub struct VoidArgs {
    #[command(flatten)]
    about: About,
}

/// Arguments of `assign`.
#[derive(Debug, Args)]
pub struct AssignArgs {
    #[command(flatten)]
    about: About,
    /// The job they are of; without it, the one they were taken in
    #[arg(long, value_name = "ID")]
    job: Option<String>,
    /// The serial number they are of; without it, pieces stay together as they were
    #[arg(long, value_name = "NUMBER")]
    serial: Option<String>,
    /// The characteristic they are for
    #[arg(long, value_name = "BALLOON")]
    balloon: Option<String>,
}

/// Arguments of `dispose`.
#[derive(Debug, Args)]
pub struct DisposeArgs {
    #[command(flatten)]
    about: About,
    /// What becomes of the part
    #[arg(long = "as", value_name = "WHAT", value_enum)]
    disposition: Disposition,
    /// Number of the concession, permit or report it stands on
    #[arg(long, value_name = "NUMBER")]
    reference: Option<String>,
}

/// Readings count for nothing from now on; 1 if it was refused.
pub fn void(cell: &Cell, args: &VoidArgs, out: &mut Out) -> Exit {
    decide(cell, &args.about, Decided::Void, out)
}

/// Readings are of another piece, job or characteristic; 1 if it was refused.
pub fn assign(cell: &Cell, args: &AssignArgs, out: &mut Out) -> Exit {
    if args.job.is_none() && args.serial.is_none() && args.balloon.is_none() {
        out.complain("say what the readings are of: --job, --serial or --balloon");
        return Exit::Usage;
    }
    let target = Target { job: args.job.clone(), serial: args.serial.clone(), balloon: args.balloon.clone() };
    decide(cell, &args.about, Decided::Assign(target), out)
}

/// Writes down what becomes of a part; 1 if it was refused.
pub fn dispose(cell: &Cell, args: &DisposeArgs, out: &mut Out) -> Exit {
    let what = Decided::Dispose { disposition: args.disposition, reference: args.reference.clone() };
    decide(cell, &args.about, what, out)
}

fn decide(cell: &Cell, about: &About, what: Decided, out: &mut Out) -> Exit {
    let decision =
        Decision { results: about.results.clone(), by: about.by.clone(), reason: about.reason.clone(), what };
    match write(cell, Request::Decide(decision.clone()), What::Decide(decision), out) {
        Ok(said) => {
            match about.json {
                true => out.json(&json!({ "done": said })),
                false => out.say(&shown(&said)),
            }
            Exit::Done
        }
        Err(exit) => exit,
    }
}
