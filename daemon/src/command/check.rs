//! `ridgepost check`: every fault of the configuration at once, and what it means where it leaves things
//! unwritten.

use std::path::Path;

use clap::Args;
use ridgepost_judge as judge;
use ridgepost_parsers as parsers;
use serde_json::json;

use super::expecting;
use super::out::Out;
use crate::exit::Exit;

/// Arguments of `check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
    /// Print the closed lists of codes that frames, remarks and outcomes draw from
    #[arg(long)]
    codes: bool,
}

/// Tells faults; 1 if there are any.
pub fn check(cell: &Path, args: &CheckArgs, out: &mut Out) -> Exit {
    if args.codes {
        codes(args.json, out);
        return Exit::Done;
    }
    let loaded = ridgepost_config::load(cell);
    let mut faults = loaded.diagnostics.iter().filter(|diagnostic| diagnostic.is_fault()).count();
    for diagnostic in &loaded.diagnostics {
        match args.json {
            true => out.json(&serde_json::to_value(diagnostic).unwrap_or_default()),
            false => out.say(&format!("{diagnostic}\n")),
        }
    }
    faults += tried(cell, args.json, out);
    if let Some(plan) = &loaded.partial {
        let today = crate::clock::Clock::new(plan.cell.time_zone.clone()).today();
        for concern in judge::register_concerns(plan, today) {
            match args.json {
                true => out.json(&json!({
                    "severity": "warning", "code": "register", "file": "gauges.toml", "line": 0, "column": 0, "snippet": "",
                    "message": concern, "help": null,
                })),
                false => out.say(&format!("gauges.toml: warning: {concern}\n")),
            }
        }
    }
    if let (Some(plan), false) = (&loaded.partial, args.json) {
        for line in ridgepost_config::explain(plan) {
            out.say(&line);
        }
        for job in plan.jobs.values() {
            if let Err(fault) = judge::check(job, &judge::Piece::fresh(job, 1)) {
                out.say(&format!("job {}: {fault}", job.id));
            }
        }
    }
    if !args.json {
        out.say(&match faults {
            0 => format!("{}: no faults", cell.display()),
            1 => format!("{}: 1 fault", cell.display()),
            many => format!("{}: {many} faults", cell.display()),
        });
    }
    if faults == 0 { Exit::Done } else { Exit::No }
}

/// Tries the recordings kept beside the definitions; how many of them are otherwise than expected.
fn tried(cell: &Path, json: bool, out: &mut Out) -> usize {
    let trials = expecting::try_all(cell);
    for trial in &trials {
        let file = trial.recording.strip_prefix(cell).unwrap_or(&trial.recording);
        let faults = trial.faults.iter().map(|fault| ("fault", fault));
        for (severity, message) in faults.chain(trial.remark.iter().map(|remark| ("warning", remark))) {
            let warning = if severity == "fault" { "" } else { "warning: " };
            match json {
                true => out.json(&json!({
                    "severity": severity, "code": "recording", "file": file, "line": 0, "column": 0, "snippet": "",
                    "message": message, "help": null,
                })),
                false => out.say(&format!("{}: {warning}{message}\n", file.display())),
            }
        }
    }
    let failed = trials.iter().filter(|trial| !trial.faults.is_empty()).count();
    let expected = trials.iter().filter(|trial| trial.remark.is_none()).count();
    if expected > 0 && !json {
        out.say(&format!("recordings: {expected} tried, {} as expected", expected - failed));
    }
    failed
}

fn codes(json: bool, out: &mut Out) {
    let reasons = judge::Reason::ALL.iter().map(|reason| (reason.code(), reason.explanation()));
    let mut say = |list: &str, code: &str, meaning: &str| match json {
        true => out.json(&json!({ "list": list, "code": code, "meaning": meaning })),
        false => out.say(&format!("{list:8} {code:24} {meaning}")),
    };
    for reason in parsers::Reason::ALL {
        say("reason", reason.code(), reason.meaning());
    }
    for remark in parsers::Remark::ALL {
        say("remark", remark.code(), remark.meaning());
    }
    for (code, meaning) in reasons {
        say("outcome", code, meaning);
    }
}
