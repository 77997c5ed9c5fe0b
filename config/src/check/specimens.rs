//! Specimens: certified values, their uncertainties, the certificate.

use std::collections::BTreeMap;

use ridgepost_parsers::{Quantity, UnitKind};
use rust_decimal::Decimal;

use super::gauges::coverage_factor;
use super::{amount, day, plain_id, settings};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::nearest::advice;
use crate::plan::{Amount, Specimen};
use crate::said::{AmountText, SpecimenSaid};
use crate::sheet::Sheet;

pub(super) fn specimen(sheet: &mut Sheet, path: &Path, said: &SpecimenSaid) -> Option<Specimen> {
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
    if let Some(digits) = &said.certificate_sha256
        && (digits.len() != 64 || !digits.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f')))
    {
        let message = "this is no SHA-256".to_owned();
        let help = "write its 64 hexadecimal digits in small letters, or leave it out";
        sheet.fault(&path.key("certificate_sha256"), Code::WrongValue, message, help);
    }
    let coverage_factor = coverage_factor(sheet, &path.key("coverage_factor"), said.coverage_factor.as_ref());
    let conditions = said.conditions.as_ref().map(|said| settings(sheet, &path.key("conditions"), said));
    let due = said.due.as_ref().and_then(|said| day(sheet, &path.key("due"), said));
    Some(Specimen {
        id: said.id.clone()?,
        serial: said.serial.clone(),
        certified,
        uncertainty,
        coverage_factor,
        certificate: said.certificate.clone(),
        certificate_sha256: said.certificate_sha256.clone(),
        conditions: conditions.unwrap_or_default(),
        due,
    })
}

/// A quantity by its symbol.
pub(super) fn quantity(sheet: &mut Sheet, path: &Path, symbol: &str) -> Option<Quantity> {
    let quantity = Quantity::parse(symbol);
    if quantity.is_none() {
        let known: Vec<&str> = Quantity::symbols().collect();
        sheet.fault_of_key(path, Code::WrongValue, format!("unknown quantity `{symbol}`"), advice(symbol, &known));
    }
    quantity
}

/// One certified value or uncertainty: a known quantity, a fitting unit, above zero.
pub(super) fn value(sheet: &mut Sheet, path: &Path, symbol: &str, said: &AmountText) -> Option<(Quantity, Amount)> {
    let quantity = quantity(sheet, path, symbol)?;
    let amount = amount(sheet, path, said, quantity.unit_kind())?;
    if amount.number <= Decimal::ZERO && quantity.is_texture() && quantity.unit_kind() == UnitKind::Length {
        let message = format!("{quantity} can't be {} {}", amount.number, amount.unit);
        sheet.fault(path, Code::WrongValue, message, "write the value of the certificate");
        return None;
    }
    Some((quantity, amount))
}
