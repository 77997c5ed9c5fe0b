//! The register: gauges and specimens, their days, their settings.

use std::collections::BTreeMap;

use ridgepost_parsers::{Quantity, UnitKind};
use rust_decimal::Decimal;

use super::{Names, amount, day, duplicates, plain_id, settings};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::nearest::advice;
use crate::plan::{Amount, Gauge, Specimen, Verified};
use crate::said::{AmountText, GaugeSaid, GaugesFile, SpecimenSaid, VerifiedSaid};
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
    let gauges: Vec<_> =
        said.gauge.iter().enumerate().map(|(index, said)| gauge(sheet, &at("gauge", index), said)).collect();
    let specimens: Vec<_> =
        said.specimen.iter().enumerate().map(|(index, said)| specimen(sheet, &at("specimen", index), said)).collect();
    let sound = |list: &str, index: usize| !sheet.is_faulty(&at(list, index));
    Register {
        ids: Names {
            written: gauge_ids.into_iter().filter_map(|(_, id)| id).collect(),
            more: sheet.is_broken() || said.gauge.iter().any(|gauge| gauge.id.is_none()),
        },
        gauges: gauges
            .into_iter()
            .enumerate()
            .filter(|(index, _)| sound("gauge", *index))
            .filter_map(|(_, gauge)| gauge.map(|gauge| (gauge.id.clone(), gauge)))
            .collect(),
        specimens: specimens
            .into_iter()
            .enumerate()
            .filter(|(index, _)| sound("specimen", *index))
            .filter_map(|(_, specimen)| specimen.map(|specimen| (specimen.id.clone(), specimen)))
            .collect(),
    }
}

fn gauge(sheet: &mut Sheet, path: &Path, said: &GaugeSaid) -> Option<Gauge> {
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
    let coverage_factor = coverage_factor(sheet, &path.key("coverage_factor"), said.coverage_factor.as_ref());
    Some(Gauge {
        id: said.id.clone()?,
        kind: said.kind.clone()?,
        skidded: said.skidded.unwrap_or(false),
        calibration_due,
        settings,
        uncertainty,
        coverage_factor,
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
            _ => value(sheet, &at, symbol, said),
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

/// The coverage factor: at least 1 and at most 10.
fn coverage_factor(sheet: &mut Sheet, path: &Path, said: Option<&AmountText>) -> Decimal {
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

fn specimen(sheet: &mut Sheet, path: &Path, said: &SpecimenSaid) -> Option<Specimen> {
    if let Some(id) = &said.id {
        plain_id(sheet, &path.key("id"), id);
    }
    let values = |sheet: &mut Sheet, key: &str, said: &Option<BTreeMap<String, AmountText>>| {
        let said = said.iter().flatten();
        said.filter_map(|(symbol, said)| value(sheet, &path.key(key).key(symbol), symbol, said)).collect()
    };
    let certified: BTreeMap<Quantity, Amount> = values(sheet, "certified", &said.certified);
    let uncertainty: BTreeMap<Quantity, Amount> = values(sheet, "uncertainty", &said.uncertainty);
    if said.certified.as_ref().is_some_and(BTreeMap::is_empty) && !sheet.is_faulty(&path.key("certified")) {
        let message = "`certified` holds no value".to_owned();
        sheet.fault(
            &path.key("certified"),
            Code::MissingKey,
            message,
            "write { Ra = \"2.97 µm\" } from the certificate",
        );
    }
    for quantity in uncertainty.keys() {
        let place = path.key("certified").key(&quantity.to_string());
        if sheet.lacks(&place) && !sheet.is_faulty(&path.key("certified")) {
            let message = format!("an uncertainty without a certified {quantity}");
            let help = format!("add {quantity} to `certified`, or leave its uncertainty out");
            sheet.fault(&path.key("uncertainty").key(&quantity.to_string()), Code::MissingReference, message, help);
        }
    }
    let due = said.due.as_ref().and_then(|said| day(sheet, &path.key("due"), said));
    Some(Specimen { id: said.id.clone()?, certified, uncertainty, due })
}

/// One certified value or uncertainty: a known quantity, a fitting unit, above zero.
fn value(sheet: &mut Sheet, path: &Path, symbol: &str, said: &AmountText) -> Option<(Quantity, Amount)> {
    let Some(quantity) = Quantity::parse(symbol) else {
        let known: Vec<&str> = Quantity::symbols().collect();
        sheet.fault_of_key(path, Code::WrongValue, format!("unknown quantity `{symbol}`"), advice(symbol, &known));
        return None;
    };
    let amount = amount(sheet, path, said, quantity.unit_kind())?;
    if amount.number <= Decimal::ZERO && quantity.is_texture() && path_is_length(&quantity) {
        let message = format!("{quantity} can't be {} {}", amount.number, amount.unit);
        sheet.fault(path, Code::WrongValue, message, "write the value of the certificate");
        return None;
    }
    Some((quantity, amount))
}

/// k of an expanded uncertainty unless it is told: about 95 % of a normal distribution (GUM 6.3.3, from memory).
const USUAL_COVERAGE: Decimal = Decimal::TWO;

fn path_is_length(quantity: &Quantity) -> bool {
    quantity.unit_kind() == UnitKind::Length
}
