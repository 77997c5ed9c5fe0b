//! By which rule gauges are verified: the shop's words and a gauge's own, and whether its specimen can serve it.

use std::collections::BTreeMap;

use jiff::civil::Time;
use ridgepost_parsers::{Quantity, UnitKind};
use rust_decimal::{Decimal, dec};

use super::{Names, amount, specimens, watch};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::plan::{Amount, Gauge, Settings, Specimen, VerificationRule};
use crate::said::VerificationSaid;
use crate::sheet::Sheet;

/// What one place says of it; what it does not say is `None`.
#[derive(Clone, Debug, Default)]
pub(super) struct Words {
    specimen: Option<String>,
    traces: Option<u32>,
    permitted: BTreeMap<Quantity, Amount>,
    hours: Option<u32>,
    shifts: Option<Vec<Time>>,
    readings: Option<u32>,
    distance: Option<Amount>,
    within_minutes: Option<u32>,
}

impl Words {
    /// The rule by these words, and by `others` where these are silent.
    pub(super) fn before(self, others: &Words) -> VerificationRule {
        let mut permitted = others.permitted.clone();
        permitted.extend(self.permitted);
        VerificationRule {
            specimen: self.specimen.or(others.specimen.clone()),
            traces: self.traces.or(others.traces).unwrap_or(VerificationRule::TRACES),
            permitted,
            hours: self.hours.or(others.hours),
            shifts: self.shifts.or(others.shifts.clone()).unwrap_or_default(),
            readings: self.readings.or(others.readings),
            distance: self.distance.or(others.distance),
            within_minutes: self.within_minutes.or(others.within_minutes).unwrap_or(VerificationRule::WITHIN_MINUTES),
        }
    }
}

/// What one place says of it.
pub(super) fn words(sheet: &mut Sheet, path: &Path, said: &VerificationSaid, specimens: &Names) -> Words {
    if let Some(id) = &said.specimen {
        specimens.refer(sheet, &path.key("specimen"), "specimen", "gauges.toml", id);
    }
    let at = path.key("distance");
    let distance = said.distance.as_ref().and_then(|said| amount(sheet, &at, said, UnitKind::Length));
    if let Some(length) = distance.filter(|length| length.number <= Decimal::ZERO) {
        let message = format!("a verification can't hold for {} {}", length.number, length.unit);
        sheet.fault(&at, Code::WrongValue, message, "write a length above zero, or leave it out");
    }
    let at = path.key("shifts");
    let shifts = said.shifts.as_ref().map(|said| {
        let times = said.iter().enumerate().filter_map(|(index, text)| watch::time(sheet, &at.index(index), text));
        times.collect()
    });
    Words {
        specimen: said.specimen.clone(),
        traces: said.traces,
        permitted: permitted(sheet, &path.key("permitted"), said),
        hours: said.hours,
        shifts,
        readings: said.readings,
        distance,
        within_minutes: said.within_minutes,
    }
}

fn permitted(sheet: &mut Sheet, path: &Path, said: &VerificationSaid) -> BTreeMap<Quantity, Amount> {
    let mut known = BTreeMap::new();
    for (symbol, said) in said.permitted.iter().flatten() {
        let at = path.key(symbol);
        let Some(quantity) = specimens::quantity(sheet, &at, symbol) else { continue };
        let share = said.0.trim_end().ends_with('%');
        let kind = if share { UnitKind::Ratio } else { quantity.unit_kind() };
        let Some(stated) = amount(sheet, &at, said, kind) else { continue };
        if stated.number <= Decimal::ZERO {
            let message = format!("nothing lies within {} {}", stated.number, stated.unit);
            sheet.fault(&at, Code::WrongValue, message, "write how far a mean may be from the certified value");
            continue;
        }
        known.insert(quantity, stated);
    }
    known
}

/// What a person should look at before a gauge is verified with its specimen.
pub(super) fn concerns(sheet: &mut Sheet, path: &Path, gauge: &Gauge, specimen: &Specimen) {
    let place = match sheet.has(&path.key("verification")) {
        true => path.key("verification"),
        false => path.key("id"),
    };
    let mut tell = |message: String, help: &str| sheet.warn(&place, Code::Contradiction, message, help);
    let id = &specimen.id;
    for (quantity, certified) in &specimen.certified {
        let Some(permitted) = gauge.verification.permitted(quantity, *certified) else { continue };
        let uncertainty = specimen.uncertainty.get(quantity);
        let Some(uncertainty) = uncertainty.and_then(|stated| stated.unit.convert(stated.number, certified.unit))
        else {
            let message =
                format!("specimen {id} states no uncertainty of its {quantity}: no verification with it passes");
            tell(message, "write it into `uncertainty` of the specimen, as on the certificate");
            continue;
        };
        if uncertainty * dec!(3) > permitted {
            let message = format!(
                "specimen {id}: the uncertainty of its {quantity}, {} {}, is more than a third of the permitted {} {}: no \
                 verification with it passes",
                uncertainty.normalize(),
                certified.unit,
                permitted.normalize(),
                certified.unit
            );
            tell(message, "permit more, or take a specimen with a better certificate");
        }
    }
    for what in differing(&specimen.conditions, &gauge.settings) {
        let message =
            format!("specimen {id} was certified with another {what} than the gauge is declared to be set to");
        tell(
            message,
            "a value measured otherwise can't be held against the certificate: set the gauge to it for the check",
        );
    }
}

/// Which of two places' lengths and counts differ, where both state them. How a filter is spelt is the judge's to know.
fn differing(one: &Settings, other: &Settings) -> Vec<&'static str> {
    let um = |amount: Option<Amount>| amount.and_then(|amount| amount.unit.to_micrometres(amount.number));
    let nominal = |amount| um(amount).map(|um| ridgepost_texture::nominal_cutoff_mm(um).unwrap_or(um).normalize());
    let differ = |one: Option<Decimal>, other: Option<Decimal>| one.is_some() && other.is_some() && one != other;
    let sections = |settings: &Settings| settings.sections.map(Decimal::from);
    [
        ("cutoff", differ(nominal(one.cutoff), nominal(other.cutoff))),
        ("short-wave cutoff", differ(um(one.lambda_s), um(other.lambda_s))),
        ("number of sections", differ(sections(one), sections(other))),
    ]
    .into_iter()
    .filter_map(|(what, differ)| differ.then_some(what))
    .collect()
}
