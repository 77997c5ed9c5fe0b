//! What a gauge measured since it was last known to be good, with the way to the limit and what it would have been without the
//! error that was found.

use ridgepost_config::Amount;
use ridgepost_judge::{Bias, Biases, bias_for, margin};
use ridgepost_parsers::{Quantity, Unit, UnitKind};
use rusqlite::Connection;
use rust_decimal::Decimal;
use serde_json::{Value as Json, json};

use super::super::out::{Out, shown, table};
use super::GaugeArgs;
use crate::cell::Cell;
use crate::exit::Exit;
use crate::store::suspects::{Doubt, Suspect, each};
use crate::store::{StoreFault, open_for_reading};

/// Names of the columns, in the order of [`line`].
const COLUMNS: [&str; 19] = [
    "result_id",
    "seq",
    "received_at",
    "job",
    "part_number",
    "revision",
    "operation",
    "serial",
    "piece",
    "balloon",
    "feature",
    "quantity",
    "value",
    "unit",
    "lower",
    "upper",
    "outcome",
    "margin",
    "without_bias",
];

/// What is added up on the way.
#[derive(Debug, Default)]
struct Sums {
    count: u64,
    outside_then: u64,
    flips: u64,
    without_bias: u64,
}

/// Lists them; 1 where there is nothing to ask for.
pub(super) fn measured(cell: &Cell, args: &GaugeArgs, since_us: Option<i64>, out: &mut Out) -> Exit {
    let given = match args.bias.iter().map(|text| bias(text)).collect::<Result<Biases, String>>() {
        Ok(given) => given,
        Err(why) => {
            out.complain(&why);
            return Exit::Usage;
        }
    };
    let connection = match open_for_reading(&cell.plan.store) {
        Ok(connection) => connection,
        Err(fault) => return super::super::store_unusable(cell, &fault, out),
    };
    let doubt = match since_us {
        Some(us) => Doubt::since(&connection, us).map(Some),
        None => Doubt::of(&connection, &cell.plan, &args.gauge),
    };
    let listed = match doubt {
        Ok(Some(doubt)) => list(&connection, args, &doubt, given, out),
        Ok(None) => {
            out.complain(&format!("gauge {} was never found bad; --since TIME lists what it measured", args.gauge));
            return Exit::No;
        }
        Err(fault) => Err(fault),
    };
    match listed {
        Ok(()) => Exit::Done,
        Err(_) if out.is_broken() => Exit::Done,
        Err(fault) => super::super::store_unusable(cell, &fault, out),
    }
}

/// Reads `Ra=8%`.
fn bias(text: &str) -> Result<(Quantity, Bias), String> {
    let fault = |why: String| format!("--bias {text}: {why}");
    let (symbol, amount) =
        text.split_once('=').ok_or_else(|| fault("write QUANTITY=AMOUNT, as in Ra=8%".to_owned()))?;
    let quantity = Quantity::parse(symbol).ok_or_else(|| fault(format!("`{symbol}` is no quantity")))?;
    let amount = Amount::read(amount, &[quantity.unit_kind(), UnitKind::Ratio]).map_err(fault)?;
    let is_share = amount.unit == Unit::Percent && quantity.unit_kind() != UnitKind::Ratio;
    let bias = match is_share {
        true => Bias::Percent(amount.number),
        false => Bias::Offset(amount.number, amount.unit),
    };
    Ok((quantity, bias))
}

/// What the verification that found it bad says of how far it was off.
fn found(doubt: &Doubt) -> Biases {
    let quantities = doubt.found["body"]["quantities"].as_array().into_iter().flatten();
    let one = |told: &Json| {
        let number = |name: &str| told[name].as_str()?.parse::<Decimal>().ok();
        let quantity = Quantity::parse(told["quantity"].as_str()?)?;
        let unit = Unit::parse(told["unit"].as_str()?)?;
        let bias = Bias::found(&quantity, number("certified")?, number("deviation")?, unit)?;
        Some((quantity, bias))
    };
    quantities.filter_map(one).collect()
}

fn list(
    connection: &Connection,
    args: &GaugeArgs,
    doubt: &Doubt,
    given: Biases,
    out: &mut Out,
) -> Result<(), StoreFault> {
    let mut biases = found(doubt);
    biases.extend(given);
    let mut sums = Sums::default();
    let mut rows = Vec::new();
    if args.csv {
        out.say(&COLUMNS.join(","));
    }
    each(connection, &args.gauge, doubt, |suspect| {
        let line = line(&suspect, &biases, &mut sums);
        match (args.json, args.csv) {
            (true, _) => out.json(&line),
            (_, true) => out.say(&COLUMNS.map(|name| quoted(&shown(&line[name]))).join(",")),
            _ => rows.push(SHOWN.map(|name| shown(&line[name])).to_vec()),
        }
        Ok(!out.is_broken())
    })?;
    if args.json || args.csv {
        out.complain(&summary(args, doubt, &biases, &sums));
        return Ok(());
    }
    out.say(&summary(args, doubt, &biases, &sums));
    if !rows.is_empty() {
        out.say(&format!("\n{}", table(&SHOWN, rows)));
    }
    Ok(())
}

/// Columns for people.
const SHOWN: [&str; 12] = [
    "seq",
    "received",
    "job",
    "serial",
    "piece",
    "balloon",
    "quantity",
    "measured",
    "outcome",
    "margin",
    "without_bias",
    "outside",
];

fn line(suspect: &Suspect, biases: &Biases, sums: &mut Sums) -> Json {
    let shared = &suspect.shared;
    let decimal = |text: &Option<String>| text.as_ref().and_then(|text| text.parse::<Decimal>().ok());
    let (lower, upper) = (decimal(&shared.lower), decimal(&shared.upper));
    let value = decimal(&suspect.value);
    let quantity = shared.quantity.as_deref().and_then(Quantity::parse);
    let unit = shared.unit.as_deref().and_then(Unit::parse);
    let way = value.and_then(|value| margin(value, lower, upper));
    let without = quantity.as_ref().and_then(|quantity| {
        let (of, bias) = bias_for(biases, quantity)?;
        Some((of, bias.taken_off(value?, unit?)?))
    });
    let is_outside = |way: Option<Decimal>| way.map(|way| way.is_sign_negative() && !way.is_zero());
    let outside = without.as_ref().and_then(|(_, value)| is_outside(margin(*value, lower, upper)));
    let as_measured: Vec<&str> = [suspect.value.as_deref(), shared.unit.as_deref()].into_iter().flatten().collect();
    let as_measured = as_measured.join(" ");
    sums.count += 1;
    sums.outside_then += u64::from(is_outside(way) == Some(true));
    sums.flips += u64::from(is_outside(way) == Some(false) && outside == Some(true));
    sums.without_bias += u64::from(without.is_some());
    json!({
        "result_id": format!("{}-{}", shared.store_id, suspect.seq),
        "seq": suspect.seq,
        "received_at": suspect.received_at,
        "received": suspect.received_at.get(..19).unwrap_or_default().replace('T', " "),
        "job": shared.job,
        "part_number": shared.part_number,
        "revision": shared.revision,
        "operation": shared.operation,
        "serial": suspect.serial,
        "piece": suspect.piece,
        "balloon": shared.balloon,
        "feature": shared.feature,
        "quantity": shared.quantity,
        "value": suspect.value,
        "measured": as_measured,
        "unit": shared.unit,
        "lower": shared.lower,
        "upper": shared.upper,
        "outcome": shared.outcome,
        "margin": way.map(|way| way.to_string()),
        "without_bias": without.as_ref().map(|(_, value)| value.to_string()),
        "bias_of": without.as_ref().map(|(of, _)| of.to_string()),
        "outside": outside,
    })
}

/// In words: from where to where, with which error, how many.
fn summary(args: &GaugeArgs, doubt: &Doubt, biases: &Biases, sums: &Sums) -> String {
    let errors: Vec<String> = biases
        .iter()
        .map(|(quantity, bias)| match bias {
            Bias::Percent(percent) => format!("{quantity} {percent} %"),
            Bias::Offset(offset, unit) => format!("{quantity} {offset} {unit}"),
        })
        .collect();
    let error = match errors.is_empty() {
        true => "how far it was off is not known; --bias QUANTITY=AMOUNT assumes it".to_owned(),
        false => format!(
            "without the error ({}) {} of {} whose limits they keep as measured would be outside",
            errors.join(", "),
            sums.flips,
            sums.without_bias
        ),
    };
    format!(
        "gauge {}: {} readings of production behind result {} up to {}, since {}; {} of them are outside their limits as \
         measured; {error}. This changes no outcome",
        args.gauge, sums.count, doubt.behind, doubt.until, doubt.good_until, sums.outside_then
    )
}

/// A field of CSV (RFC 4180).
fn quoted(text: &str) -> String {
    match text.contains([',', '"', '\n', '\r']) {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => text.to_owned(),
    }
}
