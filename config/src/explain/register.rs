//! What the register means: gauges, how they are verified, specimens.

use super::settings_words;
use crate::plan::{Amount, Gauge, Plan, Specimen};

pub(super) fn gauge_words(gauge: &Gauge) -> String {
    let mut words = String::new();
    if gauge.skidded {
        words.push_str(", skidded: P, W and Rt are refused");
    } else if gauge.kind == "stylus" {
        words.push_str(", without a skid");
    }
    match (&gauge.failed, &gauge.verified) {
        (Some(reason), _) => words.push_str(&format!(", failed: {reason}")),
        (None, Some(verified)) => {
            let end = match (verified.until, gauge.calibration_due) {
                (Some(until), _) => format!("holds until {until}"),
                (None, Some(due)) => format!("holds until its calibration is due on {due} (no end written)"),
                (None, None) => "holds without end (neither an end nor a calibration date is written)".to_owned(),
            };
            words.push_str(&format!(", verified on {}: {end}", verified.on));
        }
        (None, None) => words.push_str(", no verification written: unverified"),
    }
    match gauge.calibration_due {
        Some(due) => words.push_str(&format!(", calibration due {due}")),
        None => words.push_str(", no calibration date written: never overdue"),
    }
    words.extend(gauge.certificate.iter().map(|number| format!(", certificate {number}")));
    words.extend(gauge.serial.iter().map(|number| format!(", serial number {number}")));
    if let Some(stylus) = &gauge.stylus {
        let radius = stylus.tip_radius.map(|radius| format!(", tip radius {}", amount_words(radius)));
        words.push_str(&format!(", stylus {}{}", stylus.id, radius.unwrap_or_default()));
    }
    for (quantity, percent) in &gauge.correction {
        words.push_str(&format!(", {quantity} is corrected by {percent} % in the gauge, never here"));
    }
    match settings_words(&gauge.settings) {
        Some(settings) => words.push_str(&format!(", declared {settings}")),
        None if gauge.kind == "stylus" => words.push_str(", nothing declared: conditions it doesn't send are unknown"),
        None => {}
    }
    words
}

fn amount_words(amount: Amount) -> String {
    format!("{} {}", amount.number, amount.unit)
}

/// How a gauge is verified; nothing where no specimen is named.
pub(super) fn verification(plan: &Plan, gauge: &Gauge) -> Option<String> {
    let rule = &gauge.verification;
    let id = rule.specimen.as_ref()?;
    let specimen = plan.specimens.get(id)?;
    let permitted: Vec<String> = (specimen.certified.iter())
        .map(|(quantity, certified)| match rule.permitted(quantity, *certified) {
            None => format!("{quantity} not looked at: nothing says what is permitted"),
            Some(permitted) => {
                let written = if rule.permitted.contains_key(quantity) { "" } else { " (not written: 10 %)" };
                let permitted = permitted.normalize();
                format!("{quantity} {} ± {permitted} {}{written}", certified.number, certified.unit)
            }
        })
        .collect();
    let holds = [
        rule.hours.map(|hours| format!("for {hours} h")),
        (!rule.shifts.is_empty()).then(|| {
            let times: Vec<String> = rule.shifts.iter().map(|time| time.strftime("%H:%M").to_string()).collect();
            format!("until the next shift ({})", times.join(", "))
        }),
        rule.readings.map(|count| format!("for {count} readings")),
        rule.distance.map(|distance| format!("for {} of surface", amount_words(distance))),
    ];
    let holds: Vec<String> = holds.into_iter().flatten().collect();
    let holds = match holds.is_empty() {
        true => "until the calibration is due (no end written)".to_owned(),
        false => holds.join(" or "),
    };
    Some(format!(
        "gauge {}: verified with specimen {id}, mean of {} values within {} min, {}; it holds {holds}",
        gauge.id,
        rule.traces,
        rule.within_minutes,
        permitted.join(", ")
    ))
}

/// What is known of a specimen.
pub(super) fn specimen(specimen: &Specimen) -> String {
    let values: Vec<String> = (specimen.certified.iter())
        .map(|(quantity, certified)| match specimen.uncertainty.get(quantity) {
            Some(own) => format!("{quantity} {}, U {}", amount_words(*certified), amount_words(*own)),
            None => format!("{quantity} {}, no uncertainty written", amount_words(*certified)),
        })
        .collect();
    let mut words = format!("specimen {}: {} (k = {})", specimen.id, values.join("; "), specimen.coverage_factor);
    words.extend(specimen.serial.iter().map(|number| format!(", serial number {number}")));
    words.push_str(&match &specimen.certificate {
        Some(number) => format!(", certificate {number}"),
        None => ", no certificate written".to_owned(),
    });
    match specimen.due {
        Some(due) => words.push_str(&format!(", due {due}")),
        None => words.push_str(", no date written: never overdue"),
    }
    words.extend(settings_words(&specimen.conditions).map(|settings| format!(", certified at {settings}")));
    words
}
