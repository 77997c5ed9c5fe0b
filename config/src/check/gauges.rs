//! The register: gauges and specimens, their days, their settings.

use std::collections::BTreeMap;

use ridgepost_parsers::{Quantity, UnitKind};
use rust_decimal::{Decimal, dec};

use super::{Names, amount, day, duplicates, plain_id, settings, specimens, verification};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::plan::{Amount, Gauge, Specimen, Stylus, VerificationRule, Verified};
use crate::said::{AmountText, GaugeSaid, GaugesFile, StylusSaid, VerifiedSaid};
use crate::sheet::Sheet;

/// Everything faultless in the register, and every gauge id that is written in it.
#[derive(Debug, Default)]
pub(crate) struct Register {
    /// By id.
    pub(crate) gauges: BTreeMap<String, Gauge>,
    /// By id.
    pub(crate) specimens: BTreeMap<String, Specimen>,
    /// Ids that stations can refer to.
    pub(crate) ids: Names,
}

/// Checks the whole register.
pub(crate) fn check(sheet: &mut Sheet, said: &GaugesFile) -> Register {
    let at = |list: &str, index: usize| Path::top().key(list).index(index);
    let ids = |list: &str, ids: Vec<Option<String>>| -> Vec<(Path, Option<String>)> {
        ids.into_iter().enumerate().map(|(index, id)| (at(list, index), id)).collect()
    };
    let gauge_ids = ids("gauge", said.gauge.iter().map(|gauge| gauge.id.clone()).collect());
    let specimen_ids = ids("specimen", said.specimen.iter().map(|specimen| specimen.id.clone()).collect());
    duplicates(sheet, "gauge", &gauge_ids, "id");
    duplicates(sheet, "specimen", &specimen_ids, "id");
    let specimen_names = names(sheet, &specimen_ids);
    let shop = Path::top().key("verification");
    let shop = said.verification.as_ref().map(|said| verification::words(sheet, &shop, said, &specimen_names));
    let shop = shop.unwrap_or_default();
    let specimens: Vec<_> = (said.specimen.iter().enumerate())
        .map(|(index, said)| specimens::specimen(sheet, &at("specimen", index), said))
        .collect();
    let mut gauges = vec![];
    for (index, said) in said.gauge.iter().enumerate() {
        let own = at("gauge", index).key("verification");
        let own = said.verification.as_ref().map(|said| verification::words(sheet, &own, said, &specimen_names));
        let rule = own.unwrap_or_default().before(&shop);
        gauges.push(gauge(sheet, &at("gauge", index), said, rule));
    }
    let sound = |list: &str, index: usize| !sheet.is_faulty(&at(list, index));
    let specimens: BTreeMap<String, Specimen> = (specimens.into_iter().enumerate())
        .filter(|(index, _)| sound("specimen", *index))
        .filter_map(|(_, specimen)| specimen.map(|specimen| (specimen.id.clone(), specimen)))
        .collect();
    let gauges: BTreeMap<usize, Gauge> = (gauges.into_iter().enumerate())
        .filter(|(index, _)| sound("gauge", *index))
        .filter_map(|(index, gauge)| Some((index, gauge?)))
        .collect();
    for (index, gauge) in &gauges {
        let specimen = gauge.verification.specimen.as_ref().and_then(|id| specimens.get(id));
        specimen.into_iter().for_each(|specimen| verification::concerns(sheet, &at("gauge", *index), gauge, specimen));
    }
    let ids = names(sheet, &gauge_ids);
    Register { ids, gauges: gauges.into_values().map(|gauge| (gauge.id.clone(), gauge)).collect(), specimens }
}

fn names(sheet: &Sheet, ids: &[(Path, Option<String>)]) -> Names {
    Names {
        written: ids.iter().filter_map(|(_, id)| id.clone()).collect(),
        more: sheet.is_broken() || ids.iter().any(|(_, id)| id.is_none()),
    }
}

fn gauge(sheet: &mut Sheet, path: &Path, said: &GaugeSaid, verification: VerificationRule) -> Option<Gauge> {
    if let Some(id) = &said.id {
        plain_id(sheet, &path.key("id"), id);
    }
    let calibration_due = said.calibration_due.as_ref().and_then(|said| day(sheet, &path.key("calibration_due"), said));
    let settings = said.settings.as_ref().map(|said| settings(sheet, &path.key("settings"), said)).unwrap_or_default();
    let verified = said.verified.as_ref().and_then(|said| verified(sheet, &path.key("verified"), said));
    if said.verified.is_some() && said.failed.is_some() {
        let message = "a gauge can't be verified and failed at once".to_owned();
        sheet.fault_of_key(
            &path.key("failed"),
            Code::Contradiction,
            message,
            "take `verified` out while it is set aside",
        );
    }
    let uncertainty = uncertainty(sheet, &path.key("uncertainty"), said);
    let correction = correction(sheet, &path.key("correction"), said);
    let stylus = said.stylus.as_ref().and_then(|said| stylus(sheet, &path.key("stylus"), said));
    let coverage_factor = coverage_factor(sheet, &path.key("coverage_factor"), said.coverage_factor.as_ref());
    Some(Gauge {
        id: said.id.clone()?,
        kind: said.kind.clone()?,
        serial: said.serial.clone(),
        skidded: said.skidded.unwrap_or(false),
        calibration_due,
        certificate: said.certificate.clone(),
        stylus,
        settings,
        correction,
        uncertainty,
        coverage_factor,
        verification,
        verified,
        failed: said.failed.clone(),
    })
}

/// Uncertainties of a gauge's values: each above zero, in a unit of its quantity or as a share of the value.
fn uncertainty(sheet: &mut Sheet, path: &Path, said: &GaugeSaid) -> BTreeMap<Quantity, Amount> {
    let mut known = BTreeMap::new();
    for (symbol, said) in said.uncertainty.iter().flatten() {
        let at = path.key(symbol);
        let share = said.0.trim_end().ends_with('%');
        let of = Quantity::parse(symbol);
        let Some((quantity, stated)) = (match (of, share) {
            (Some(quantity), true) => amount(sheet, &at, said, UnitKind::Ratio).map(|stated| (quantity, stated)),
            _ => specimens::value(sheet, &at, symbol, said),
        }) else {
            continue;
        };
        if stated.number <= Decimal::ZERO {
            let message = format!("an uncertainty of {} {} is none", stated.number, stated.unit);
            sheet.fault(
                &at,
                Code::WrongValue,
                message,
                "write the expanded uncertainty of the certificate or your budget",
            );
            continue;
        }
        known.insert(quantity, stated);
    }
    known
}

fn stylus(sheet: &mut Sheet, path: &Path, said: &StylusSaid) -> Option<Stylus> {
    if let Some(id) = &said.id {
        plain_id(sheet, &path.key("id"), id);
    }
    let at = path.key("tip_radius");
    let tip_radius = said.tip_radius.as_ref().and_then(|said| amount(sheet, &at, said, UnitKind::Length));
    let um = tip_radius.and_then(|radius| radius.unit.to_micrometres(radius.number));
    if let (Some(radius), Some(um)) = (tip_radius, um)
        && (um <= Decimal::ZERO || um > TIP_RADIUS_UM_MAX)
    {
        let message = format!("a tip radius of {} {} is none of a stylus", radius.number, radius.unit);
        sheet.fault(&at, Code::WrongValue, message, "usual are 2, 5 and 10 µm");
    }
    Some(Stylus { id: said.id.clone()?, tip_radius })
}

/// Corrections that are set in the gauge, in per cent.
fn correction(sheet: &mut Sheet, path: &Path, said: &GaugeSaid) -> BTreeMap<Quantity, Decimal> {
    let mut known = BTreeMap::new();
    for (symbol, said) in said.correction.iter().flatten() {
        let at = path.key(symbol);
        let Some(quantity) = specimens::quantity(sheet, &at, symbol) else { continue };
        let Some(percent) = amount(sheet, &at, said, UnitKind::Ratio) else { continue };
        if percent.number.abs() > CORRECTION_PERCENT_MAX {
            let message = format!("a correction of {} % is more than a gauge in order needs", percent.number);
            sheet.warn(&at, Code::WrongValue, message, "beyond 5 % look for wear first (common practice)");
        }
        known.insert(quantity, percent.number);
    }
    known
}

/// The coverage factor: at least 1 and at most 10.
pub(super) fn coverage_factor(sheet: &mut Sheet, path: &Path, said: Option<&AmountText>) -> Decimal {
    let Some(factor) = said.and_then(|said| amount(sheet, path, said, UnitKind::Number)) else { return USUAL_COVERAGE };
    if factor.number < Decimal::ONE || factor.number > Decimal::TEN {
        let message = format!("{} is no coverage factor", factor.number);
        sheet.fault(path, Code::WrongValue, message, "write the k of the certificate; it is mostly 2");
    }
    factor.number
}

fn verified(sheet: &mut Sheet, path: &Path, said: &VerifiedSaid) -> Option<Verified> {
    let on = said.on.as_ref().and_then(|said| day(sheet, &path.key("on"), said));
    let until = said.until.as_ref().and_then(|said| day(sheet, &path.key("until"), said));
    if let (Some(on), Some(until)) = (on, until)
        && until < on
    {
        let message = format!("it would hold until {until}, before it was done on {on}");
        sheet.fault(&path.key("until"), Code::LimitsOrder, message, "write the last day on which it holds");
    }
    Some(Verified { on: on?, until, source: said.source.clone()? })
}

/// k of an expanded uncertainty unless it is told: about 95 % of a normal distribution (GUM 6.3.3, from memory).
const USUAL_COVERAGE: Decimal = Decimal::TWO;

/// Tips are 2, 5 and 10 µm (ISO 3274, from memory); nothing a skid tester has is ten times as large.
const TIP_RADIUS_UM_MAX: Decimal = Decimal::ONE_HUNDRED;

/// Corrections from 0.95 to 1.05 are taken for gain, beyond for wear (common practice, no source).
const CORRECTION_PERCENT_MAX: Decimal = dec!(5);
