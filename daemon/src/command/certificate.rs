//! `ridgepost certificate`: what a digital calibration certificate states of a specimen, as an entry of gauges.toml, so that no
//! certified value is typed.

use std::path::PathBuf;

use clap::Args;
use jiff::civil::Date;
use ridgepost_parsers::{CERTIFICATE_MAX, Certificate, CertifiedValue, Quantity, Stated, read_certificate};
use serde_json::{Value as Json, json};

use super::out::{Out, table};
use crate::exit::Exit;

/// Arguments of `certificate`.
#[derive(Debug, Args)]
pub struct CertificateArgs {
    /// The certificate, an XML file
    file: PathBuf,
    /// Id of the specimen in the register
    #[arg(long, value_name = "ID")]
    specimen: Option<String>,
    /// The number on the specimen, which the certificate must name
    #[arg(long, value_name = "NUMBER")]
    serial: Option<String>,
    /// Last day that the certificate holds
    #[arg(long, value_name = "DATE")]
    due: Option<Date>,
    /// Which value is of which quantity, where its name is no symbol: `Ra=3`, by the number it is listed under
    #[arg(long, value_name = "QUANTITY=NUMBER")]
    take: Vec<String>,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

/// Prints the entry; 1 where the certificate can't be used as it is, with everything it states.
pub fn certificate(args: &CertificateArgs, out: &mut Out) -> Exit {
    let path = args.file.display();
    let bytes = match std::fs::metadata(&args.file) {
        Ok(data) if data.len() > CERTIFICATE_MAX as u64 => {
            out.complain(&format!("{path}: {} bytes are too many for a certificate", data.len()));
            return Exit::No;
        }
        _ => std::fs::read(&args.file),
    };
    let bytes = match bytes {
        Ok(bytes) => bytes,
        Err(error) => {
            out.complain(&format!("{path}: {error}"));
            return Exit::Unusable;
        }
    };
    let certificate = match read_certificate(&bytes) {
        Ok(certificate) => certificate,
        Err(fault) => {
            out.complain(&format!("{path}: {fault}"));
            return Exit::No;
        }
    };
    let sha256 = crate::store::sha256(&bytes);
    let chosen = chosen(&certificate, args);
    if args.json {
        out.json(&in_json(&certificate, &sha256, chosen.as_deref().ok()));
    }
    for remark in &certificate.remarks {
        out.complain(&format!("{path}: {remark}"));
    }
    let objections = objections(&certificate, args, crate::clock::Clock::new(jiff::tz::TimeZone::system()).today());
    match chosen {
        Ok(chosen) if objections.is_empty() => {
            if !args.json {
                out.say(entry(&certificate, &sha256, &chosen, args).trim_end());
            }
            Exit::Done
        }
        chosen => {
            let why = chosen.err().into_iter().chain(objections);
            why.for_each(|why| out.complain(&format!("{path}: {why}; it states:")));
            out.complain(&listed(&certificate));
            Exit::No
        }
    }
}

/// What stands against the certificate as a whole.
fn objections(certificate: &Certificate, args: &CertificateArgs, today: Date) -> Vec<String> {
    let mut found = Vec::new();
    if let Some(serial) = &args.serial
        && !certificate.numbers.iter().any(|(number, _)| number == serial)
    {
        let numbers: Vec<&str> = certificate.numbers.iter().map(|(number, _)| number.as_str()).collect();
        found.push(format!("it is of a specimen with the number {}, not {serial}", numbers.join(", ")));
    }
    match certificate.days.1.as_deref().map(|day| (day, day.get(..10).unwrap_or(day).parse::<Date>())) {
        None => found.push("it does not say when the calibration ended".to_owned()),
        Some((day, Err(_))) => found.push(format!("`{day}` is no day")),
        Some((day, Ok(ended))) if ended > today => {
            found.push(format!("its calibration ends on {day}, which is yet to come"))
        }
        Some((day, Ok(ended))) if args.due.is_some_and(|due| due < ended) => {
            found.push(format!("it would have been due before its calibration ended on {day}"));
        }
        Some(_) => {}
    }
    found
}

type Chosen<'a> = Vec<(Quantity, &'a Stated)>;

/// The values that go into the entry: those taken by number, else those whose name is a symbol.
fn chosen<'a>(certificate: &'a Certificate, args: &CertificateArgs) -> Result<Chosen<'a>, String> {
    let mut chosen: Chosen = Vec::new();
    let mut add = |quantity: Quantity, value: &'a CertifiedValue| -> Result<(), String> {
        let stated = value.stated.as_ref().map_err(|why| format!("{quantity}: {why}"))?;
        if stated.unit.kind() != quantity.unit_kind() {
            return Err(format!("{quantity} can't be {} {}", stated.value, stated.unit));
        }
        if chosen.iter().any(|(known, _)| *known == quantity) {
            return Err(format!("it states {quantity} more than once; say which one with `--take {quantity}=NUMBER`"));
        }
        chosen.push((quantity, stated));
        Ok(())
    };
    let taken = args.take.iter().map(|text| take(certificate, text)).collect::<Result<Vec<_>, String>>()?;
    let is_taken = |quantity: &Quantity| taken.iter().any(|(known, _)| known == quantity);
    for value in &certificate.values {
        if let Some(quantity) = value.quantity.as_ref().filter(|quantity| !is_taken(quantity)) {
            add(quantity.clone(), value)?;
        }
    }
    taken.iter().try_for_each(|(quantity, value)| add(quantity.clone(), value))?;
    if chosen.is_empty() {
        return Err("no value of it is named by the symbol of a quantity; say which is which with `--take Ra=NUMBER`"
            .to_owned());
    }
    let factors = chosen.iter().filter_map(|(_, stated)| stated.uncertainty.as_ref().map(|u| u.factor.decimal()));
    let factors: std::collections::BTreeSet<_> = factors.collect();
    if factors.len() > 1 {
        return Err(
            "its coverage factors differ, and an entry has one; write two entries, each with `--take`".to_owned()
        );
    }
    Ok(chosen)
}

/// `Ra=3`
fn take<'a>(certificate: &'a Certificate, text: &str) -> Result<(Quantity, &'a CertifiedValue), String> {
    let wrong = || format!("--take {text}: write a quantity and the number of its value: Ra=1");
    let (symbol, number) = text.split_once('=').ok_or_else(wrong)?;
    let quantity =
        Quantity::parse(symbol.trim()).ok_or_else(|| format!("--take {text}: unknown quantity `{symbol}`"))?;
    let at: usize = number.trim().parse().map_err(|_| wrong())?;
    let value = at.checked_sub(1).and_then(|at| certificate.values.get(at));
    Ok((quantity, value.ok_or_else(|| format!("--take {text}: it states {} values", certificate.values.len()))?))
}

/// The entry in TOML.
fn entry(certificate: &Certificate, sha256: &str, chosen: &Chosen, args: &CertificateArgs) -> String {
    let quoted = |text: &str| json!(text).to_string();
    let pairs = |each: &mut dyn Iterator<Item = (String, String)>| {
        each.map(|(quantity, amount)| format!("{quantity} = {}", quoted(&amount))).collect::<Vec<_>>().join(", ")
    };
    let key = |quantity: &Quantity| match quantity.argument() {
        Some(_) => quoted(&quantity.to_string()),
        None => quantity.to_string(),
    };
    let certified =
        pairs(&mut chosen.iter().map(|(quantity, it)| (key(quantity), format!("{} {}", it.value, it.unit))));
    let uncertain = chosen.iter().filter_map(|(quantity, stated)| {
        stated.uncertainty.as_ref().map(|u| (key(quantity), format!("{} {}", u.value, stated.unit)))
    });
    let uncertainty = pairs(&mut uncertain.into_iter());
    let factor = chosen.iter().find_map(|(_, stated)| stated.uncertainty.as_ref()).map(|u| u.factor);
    let single = certificate.numbers.first().filter(|_| certificate.numbers.len() == 1).map(|(number, _)| number);
    let serial = args.serial.as_ref().or(single);
    let id = args.specimen.as_deref().unwrap_or("SP-...");
    let line = |name: &str, value: Option<String>| value.map(|value| format!("{name} = {value}\n")).unwrap_or_default();
    let plain = |text: &str| text.replace(char::is_control, " ");
    format!(
        "# {}, calibrated until {} by {}; signature not checked\n[[specimen]]\n{}{}{}{}{}{}{}{}# conditions = {{ cutoff = \"0.8 mm\", filter = \"gaussian\" }}   as the certificate states them\n",
        plain(certificate.item.as_deref().unwrap_or("specimen")),
        plain(certificate.days.1.as_deref().unwrap_or("?")),
        plain(certificate.laboratory.as_deref().unwrap_or("?")),
        line("id", Some(quoted(id))),
        line("serial", serial.map(|serial| quoted(serial))),
        line("certified", Some(format!("{{ {certified} }}"))),
        line("uncertainty", Some(format!("{{ {uncertainty} }}")).filter(|_| !uncertainty.is_empty())),
        line("coverage_factor", factor.map(|factor| quoted(&factor.to_string()))),
        line("certificate", Some(quoted(&certificate.id))),
        line("certificate_sha256", Some(quoted(sha256))),
        line("due", args.due.map(|due| quoted(&due.to_string()))),
    )
}

/// Every value by its number.
fn listed(certificate: &Certificate) -> String {
    let row = |(at, value): (usize, &CertifiedValue)| {
        let stated = match &value.stated {
            Ok(stated) => {
                let u = stated.uncertainty.as_ref().map(|u| format!(" U {} (k = {})", u.value, u.factor));
                format!("{} {}{}", stated.value, stated.unit, u.unwrap_or_default())
            }
            Err(why) => why.clone(),
        };
        vec![(at + 1).to_string(), value.name.clone(), value.kind.clone().unwrap_or_default(), stated]
    };
    table(&["number", "name", "kind", "states"], certificate.values.iter().enumerate().map(row))
}

fn in_json(certificate: &Certificate, sha256: &str, chosen: Option<&[(Quantity, &Stated)]>) -> Json {
    let stated = |stated: &Stated| {
        json!({ "value": stated.value.to_string(), "unit": stated.unit.symbol(),
                "uncertainty": stated.uncertainty.as_ref().map(|u| u.value.to_string()),
                "coverage_factor": stated.uncertainty.as_ref().map(|u| u.factor.to_string()) })
    };
    let values: Vec<Json> = certificate
        .values
        .iter()
        .map(|value| {
            json!({ "name": value.name, "kind": value.kind, "quantity": value.quantity.as_ref().map(ToString::to_string),
                    "stated": value.stated.as_ref().ok().map(stated), "fault": value.stated.as_ref().err() })
        })
        .collect();
    let chosen: serde_json::Map<String, Json> =
        chosen.unwrap_or_default().iter().map(|(quantity, it)| (quantity.to_string(), stated(it))).collect();
    let numbers: Vec<Json> =
        certificate.numbers.iter().map(|(number, issuer)| json!({ "number": number, "issuer": issuer })).collect();
    json!({ "certificate": certificate.id, "sha256": sha256, "began": certificate.days.0, "ended": certificate.days.1,
            "item": certificate.item, "numbers": numbers, "laboratory": certificate.laboratory, "values": values,
            "taken": chosen, "remarks": certificate.remarks })
}
