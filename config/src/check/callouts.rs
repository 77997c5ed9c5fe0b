//! Callouts made the keys that they stand for: one characteristic for limits that are measured alike, else one each.

use ridgepost_parsers::{Quantity, UnitKind};
use rust_decimal::Decimal;

use crate::amount;
use crate::callout::{Callout, Requirement, Side};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::plan::Amount;
use crate::said::{AmountText, CharacteristicSaid, ConditionsSaid, JobSaid, QuantityText};
use crate::sheet::Sheet;

/// A characteristic as its keys say it, and the callout it was written as, in its canonical form.
pub(super) struct Meant {
    pub(super) said: CharacteristicSaid,
    pub(super) callout: Option<String>,
}

/// What a characteristic means: itself, where it has no callout. Where the requirements of a callout are measured
/// differently (another parameter, filter, band, length, count or rule) each is a characteristic of its own, numbered behind
/// the balloon: 12.1, 12.2 (common practice).
pub(super) fn meant(sheet: &mut Sheet, path: &Path, said: &CharacteristicSaid, of: &JobSaid) -> Vec<Meant> {
    let at = path.key("callout");
    let Some(text) = &said.callout else {
        if sheet.lacks(&path.key("quantity")) && !sheet.has(&at) {
            let help = "write quantity = \"Ra\" with its limits, or callout = \"Ra 0.8\" as on the drawing";
            sheet.fault(path, Code::MissingKey, "`quantity` is missing in this characteristic".to_owned(), help);
        }
        return vec![Meant { said: said.clone(), callout: None }];
    };
    let callout = match Callout::parse(text, of.edition) {
        Ok(callout) => callout,
        Err(fault) => {
            let place = text.get(..fault.at).unwrap_or_default();
            sheet.fault_within(&at, place, Code::WrongValue, fault.message, fault.help);
            return Vec::new();
        }
    };
    let mut groups: Vec<Vec<&Requirement>> = Vec::new();
    for requirement in &callout.requirements {
        let alike = |group: &&mut Vec<&Requirement>| {
            group.iter().all(|other| other.side != requirement.side && measured_alike(other, requirement))
        };
        match groups.iter_mut().find(alike) {
            Some(group) => group.push(requirement),
            None => groups.push(vec![requirement]),
        }
    }
    let single = groups.len() == 1;
    let mut all = Vec::new();
    for (number, group) in (1..).zip(groups) {
        let mut meant = said.clone();
        if !single {
            meant.balloon = said.balloon.as_ref().map(|balloon| format!("{balloon}.{number}"));
        }
        fill(sheet, path, &mut meant, &group, single);
        let shown = group.iter().map(|requirement| requirement.to_string()).collect::<Vec<_>>().join("; ");
        all.push(Meant { said: meant, callout: Some(shown) });
    }
    all
}

fn measured_alike(one: &Requirement, other: &Requirement) -> bool {
    let key = |it: &Requirement| {
        (
            it.quantity.clone(),
            it.filter.clone(),
            it.lambda_s,
            it.cutoff,
            it.evaluation,
            it.count,
            it.rule,
            it.value.unit,
        )
    };
    key(one) == key(other)
}

/// Writes what requirements that are measured alike say; what is written beside may not say otherwise.
fn fill(sheet: &mut Sheet, path: &Path, said: &mut CharacteristicSaid, group: &[&Requirement], single: bool) {
    let Some(first) = group.first() else { return };
    let symbol = first.quantity.to_string();
    let own = said.quantity.as_ref().and_then(|said| Quantity::parse(&said.0));
    agree(sheet, &path.key("quantity"), own.as_ref(), &first.quantity, &symbol);
    said.quantity = Some(QuantityText(symbol));
    for requirement in group {
        let (key, own) = match requirement.side {
            Side::Upper => ("upper", &mut said.upper),
            Side::Lower => ("lower", &mut said.lower),
        };
        let value = words(requirement.value);
        let written = own.as_ref().and_then(|own| amount::parse(&own.0, requirement.quantity.unit_kind()).ok());
        agree(sheet, &path.key(key), written.map(plain).as_ref(), &plain(requirement.value), &value);
        *own = Some(AmountText(value));
    }
    if single {
        for (side, key) in [(Side::Upper, "upper"), (Side::Lower, "lower")] {
            if sheet.has(&path.key(key)) && !group.iter().any(|requirement| requirement.side == side) {
                let message = format!("the callout has no {key} limit");
                sheet.fault(
                    &path.key(key),
                    Code::Contradiction,
                    message,
                    "write it into the callout, or leave the callout out",
                );
            }
        }
    }
    if let Some(rule) = first.rule {
        agree(sheet, &path.key("rule"), said.rule.as_ref(), &rule, rule.word());
        said.rule = Some(rule);
    }
    let mut conditions = said.conditions.clone().unwrap_or_default();
    condition(sheet, path, &mut conditions, first);
    said.conditions = Some(conditions);
}

/// The conditions that a requirement writes.
fn condition(sheet: &mut Sheet, path: &Path, conditions: &mut ConditionsSaid, written: &Requirement) {
    let at = path.key("conditions");
    let lengths = [
        ("cutoff", written.cutoff.map(|it| format!("{it} mm")), &mut conditions.cutoff),
        (
            "lambda_s",
            written.lambda_s.map(|it| format!("{} µm", (it * Decimal::ONE_THOUSAND).normalize())),
            &mut conditions.lambda_s,
        ),
    ];
    for (key, value, own) in lengths {
        let Some(value) = value else { continue };
        let read = |text: &str| amount::parse(text, UnitKind::Length).ok().map(plain);
        if let (Some(own), Some(meant)) = (own.as_ref().and_then(|own| read(&own.0)), read(&value)) {
            agree(sheet, &at.key(key), Some(&own), &meant, &value);
        }
        *own = Some(AmountText(value));
    }
    if let Some(filter) = &written.filter {
        agree(sheet, &at.key("filter"), conditions.filter.as_ref(), filter, filter);
        conditions.filter = Some(filter.clone());
    }
    if let Some(sections) = sections(sheet, path, written) {
        agree(sheet, &at.key("sections"), conditions.sections.as_ref(), &sections, &sections.to_string());
        conditions.sections = Some(sections);
    }
}

/// Sampling lengths as written, or as the evaluation length has of the cutoff.
fn sections(sheet: &mut Sheet, path: &Path, written: &Requirement) -> Option<u32> {
    let (Some(length), Some(cutoff)) = (written.evaluation, written.cutoff) else { return written.count };
    let ratio = (length / cutoff).normalize();
    let whole = (ratio.scale() == 0).then(|| u32::try_from(ratio.mantissa()).ok()).flatten();
    match (whole, written.count) {
        (Some(whole), Some(count)) if whole == count => Some(count),
        (Some(whole), None) => Some(whole),
        _ => {
            let message =
                format!("an evaluation length of {length} mm does not go with sampling lengths of {cutoff} mm");
            sheet.fault(
                &path.key("callout"),
                Code::Contradiction,
                message,
                "write a multiple of the long cutoff, or leave one out",
            );
            None
        }
    }
}

/// Tells where a key beside a callout says something else.
fn agree<T: PartialEq>(sheet: &mut Sheet, path: &Path, own: Option<&T>, meant: &T, word: &str) {
    if own.is_some_and(|own| own != meant) {
        let message = format!("the callout says {word} here");
        sheet.fault(path, Code::Contradiction, message, "leave this key out, or mend the one with the slip");
    }
}

fn words(amount: Amount) -> String {
    format!("{} {}", amount.number, amount.unit)
}

/// An amount without zeros that only show digits, so that equal ones are equal.
fn plain(amount: Amount) -> (Decimal, &'static str) {
    match amount.unit.to_micrometres(amount.number) {
        Some(length) => (length.normalize(), "length"),
        None => (amount.number.normalize(), "other"),
    }
}
