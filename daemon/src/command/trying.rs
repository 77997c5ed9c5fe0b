//! `ridgepost try`: what each frame of an input is, read with a definition, and why a rejected one was rejected.

use std::path::PathBuf;
use std::sync::Arc;

use clap::Args;
use ridgepost_parsers::{
    Decoded, Frame, FrameReport, Input, Instrument, Layout, LayoutName, Outcome, Reading, examine,
};

use super::expecting;
use super::out::Out;
use crate::exit::Exit;

/// Arguments of `try`.
#[derive(Debug, Args)]
pub struct TryArgs {
    /// The instrument definition (TOML)
    definition: PathBuf,
    /// Raw bytes, a recording, or a list of timed packets (JSON)
    input: PathBuf,
    /// The input holds keys: read them by this keyboard layout, whatever layout they were recorded with
    #[arg(long, value_parser = super::layouts())]
    layout: Option<LayoutName>,
    /// JSON Lines on stdout: one object per frame
    #[arg(long)]
    json: bool,
    /// Tell only what is otherwise than in this file, which has the form of --json: keys that it leaves out may hold
    /// anything, frames and readings are counted
    #[arg(long, value_name = "FILE")]
    expect: Option<PathBuf>,
}

/// Decodes an input; 1 if a frame could not be trusted, or where something is expected, if something is otherwise.
pub fn examine_file(args: &TryArgs, out: &mut Out) -> Exit {
    let instrument = match read_definition(&args.definition, out) {
        Ok(instrument) => instrument,
        Err(exit) => return exit,
    };
    let bytes = match std::fs::read(&args.input) {
        Ok(bytes) => bytes,
        Err(error) => {
            out.complain(&format!("{} can't be read: {error}", args.input.display()));
            return Exit::Unusable;
        }
    };
    let input = match Input::read(&bytes) {
        Ok(input) => input,
        Err(fault) => {
            out.complain(&format!("{}: {fault}", args.input.display()));
            return Exit::No;
        }
    };
    let input = Input { layout: args.layout.or(input.layout), ..input };
    let instrument = Arc::new(input.suited(&instrument));
    if let Some(path) = &args.expect {
        return hold_against(path, &expecting::reports(&instrument, &input), args.json, out);
    }
    let mut clean = true;
    for (number, (frame, decoded)) in (1..).zip(examine(&instrument, &input.received)) {
        clean &= decoded.outcome == Outcome::Accepted || decoded.outcome == Outcome::NotMine;
        match args.json {
            true => {
                let report = FrameReport::new(number, &frame, &decoded);
                out.json(&serde_json::to_value(&report).unwrap_or_default());
            }
            false => tell(number, &frame, &decoded, instrument.layout(), out),
        }
    }
    if clean { Exit::Done } else { Exit::No }
}

fn hold_against(path: &std::path::Path, found: &[serde_json::Value], json: bool, out: &mut Out) -> Exit {
    let expected = match expecting::read(path) {
        Ok(expected) => expected,
        Err(fault) => {
            out.complain(&fault);
            return Exit::Unusable;
        }
    };
    let differences = expecting::differences(&expected, found);
    for difference in &differences {
        match json {
            true => out.json(&serde_json::to_value(difference).unwrap_or_default()),
            false => out.say(&difference.to_string()),
        }
    }
    if differences.is_empty() && !json {
        let frames = if found.len() == 1 { "frame is" } else { "frames are" };
        out.say(&format!("{} {frames} as expected", found.len()));
    }
    if differences.is_empty() { Exit::Done } else { Exit::No }
}

fn read_definition(path: &std::path::Path, out: &mut Out) -> Result<Arc<Instrument>, Exit> {
    let text = std::fs::read_to_string(path).map_err(|error| {
        out.complain(&format!("{} can't be read: {error}", path.display()));
        Exit::Unusable
    })?;
    match ridgepost_config::instrument(&text, path) {
        Ok((instrument, warnings)) => {
            for warning in warnings {
                out.complain(&warning.to_string());
            }
            Ok(instrument)
        }
        Err(faults) => {
            for fault in faults {
                out.complain(&fault.to_string());
            }
            Err(Exit::No)
        }
    }
}

fn tell(number: u64, frame: &Frame, decoded: &Decoded, layout: Option<&Layout>, out: &mut Out) {
    let report = FrameReport::new(number, frame, decoded);
    let outcome = serde_json::to_value(report.outcome).unwrap_or_default();
    let reason = decoded.reason.map(|reason| format!(" ({}: {})", reason.code(), reason.meaning())).unwrap_or_default();
    out.say(&format!(
        "frame {number}, bytes {}..{}: {}{reason}",
        frame.offset,
        frame.offset + frame.raw.len() as u64,
        super::out::shown(&outcome)
    ));
    if let Some(detail) = &decoded.detail {
        out.say(&format!("    {detail}"));
    }
    if decoded.outcome != Outcome::Accepted {
        out.say(&format!("    bytes: {}", frame.raw.escape_ascii()));
        if let Some(layout) = layout {
            out.say(&format!("    typed: {}", layout.text(&frame.raw).escape_debug()));
        }
    }
    for reading in &decoded.readings {
        out.say(&format!("    {}", in_words(reading)));
    }
    for remark in &decoded.remarks {
        out.say(&format!("    remark {}: {}", remark.code(), remark.meaning()));
    }
}

fn in_words(reading: &Reading) -> String {
    let unit = reading.unit.map(|unit| unit.symbol()).unwrap_or_default();
    let mut text = match (&reading.value, reading.mark) {
        (Some(value), None) => format!("{} = {value} {unit}", reading.quantity),
        (Some(value), Some(mark)) => format!("{} = {value} {unit}, marked {}", reading.quantity, mark.code()),
        (None, mark) => format!("{}: no number, {}", reading.quantity, mark.map_or("none", |mark| mark.code())),
    };
    text.push_str(&format!(" (sent as `{}`)", reading.value_as_sent));
    let identity = serde_json::to_value(&reading.identity).unwrap_or_default();
    let conditions = serde_json::to_value(&reading.conditions).unwrap_or_default();
    for facts in [identity, conditions] {
        for (name, value) in facts.as_object().into_iter().flatten().filter(|(_, value)| !value.is_null()) {
            text.push_str(&format!(", {name} {}", super::out::shown(value)));
        }
    }
    text
}
