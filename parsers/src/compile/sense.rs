//! Whether the parts of a definition make sense together: every value must come to a quantity and a unit.

use super::at;
use super::faults::Faults;
use crate::assemble::fits;
use crate::definition::{Definition, Step};
use crate::pattern::LinePattern;
use crate::plan::{Plan, Reader, TableForm};
use crate::quantity::Quantity;
use crate::role::{Beside, Role};
use crate::unit::UnitKind;

/// Roles that are known before any message has come; `None` where the message itself names its fields.
pub(super) fn known_roles(plan: &Plan) -> Option<Vec<Role>> {
    let mut roles: Vec<Role> = plan.rules.iter().flat_map(|rule| rule.pattern.roles().cloned()).collect();
    let lines = plan.start_line.iter().chain(&plan.end_line);
    roles.extend(lines.flat_map(|pattern| pattern.roles().cloned()));
    match &plan.reader {
        Reader::Nothing => {}
        Reader::Places(places) => roles.extend(places.iter().map(|place| place.role.clone())),
        Reader::Table(table) => roles.extend(table.columns.as_ref()?.iter().map(|column| column.role.clone())),
        Reader::Pairs(_) => return None,
        Reader::Xml(form) => roles.extend(form.roles().cloned()),
        Reader::Json(form) => roles.extend(form.roles().cloned()),
        Reader::Binary(form) => roles.extend(form.roles().cloned()),
    }
    Some(roles)
}

/// Whether what is read can become a reading: quantity and unit must come from the message or from here.
pub(super) fn sense(said: &Definition, plan: &Plan, faults: &mut Faults) {
    for (index, rule) in said.line.iter().enumerate() {
        let Some(compiled) = LinePattern::compile(&rule.pattern, &plan.words).ok() else { continue };
        let roles: Vec<Role> = compiled.roles().cloned().collect();
        value_has_all(plan, &roles, at!["line", index, "pattern"], faults);
    }
    match &plan.reader {
        Reader::Places(places) => {
            let roles: Vec<Role> = places.iter().map(|place| place.role.clone()).collect();
            value_has_all(plan, &roles, at!["places"], faults);
        }
        Reader::Table(TableForm { columns: Some(columns), .. }) => {
            let roles: Vec<Role> = columns.iter().map(|column| column.role.clone()).collect();
            value_has_all(plan, &roles, at!["table", "columns"], faults);
        }
        Reader::Xml(form) => {
            let roles: Vec<Role> = form.roles().cloned().collect();
            value_has_all(plan, &roles, at!["xml"], faults);
        }
        Reader::Json(form) => {
            let roles: Vec<Role> = form.roles().cloned().collect();
            value_has_all(plan, &roles, at!["json"], faults);
        }
        Reader::Binary(form) => {
            let roles: Vec<Role> = form.roles().cloned().collect();
            value_has_all(plan, &roles, at!["binary"], faults);
        }
        _ => {}
    }
    let Some(known) = known_roles(plan) else { return };
    // With other faults there may be patterns missing here.
    if faults.0.is_empty()
        && !said.instrument.labels
        && !known.iter().any(|role| role.is_value() || *role == Role::Heights)
    {
        let help = "capture `value` or name a field by its quantity, for example `(?<Ra>\\S+)`";
        faults.add(at![], "no pattern, column or place holds a value", help);
    }
    let names_quantity = known.contains(&Role::Quantity);
    let is_filled = |role: &Role| known.contains(role) || (names_quantity && matches!(role, Role::Measured(_)));
    for name in said.field.keys() {
        let role = Role::of(name);
        if !is_filled(&role) {
            let message = format!("no pattern, column or place fills a field `{name}`");
            faults.add(at!["field", name], message, "field names are those of captures, columns and places");
        }
    }
    for (index, role) in plan.reading.required.iter().enumerate() {
        if !is_filled(role) {
            let message = format!("no pattern, column or place fills a field `{}`", role.name());
            faults.add(at!["reading", "required", index], message, "name a field that the messages have");
        }
    }
}

pub(super) fn value_has_all(plan: &Plan, roles: &[Role], path: &[Step], faults: &mut Faults) {
    let reading = &plan.reading;
    if roles.contains(&Role::Value) && !roles.contains(&Role::Quantity) && reading.quantity.is_none() {
        let help = "capture `quantity`, name the field by its quantity, or give `reading.quantity`";
        faults.add(path, "nothing says which quantity the value is of", help);
    }
    let general =
        plan.fields.get("value").is_some_and(|field| field.unit.is_some() || field.unit_in_text == Some(true));
    let help = "capture `unit`, or give `reading.unit` or the unit of the field";
    if roles.contains(&Role::Value)
        && !roles.contains(&Role::Unit)
        && !general
        && plan.value_marks.is_empty()
        && reading.unit.is_none()
        && !plan.fields.iter().any(|(name, field)| {
            Quantity::parse(name).is_some() && (field.unit.is_some() || field.unit_in_text == Some(true))
        })
        && reading.quantity.as_ref().is_none_or(|quantity| quantity.unit_kind() != UnitKind::Number)
    {
        faults.add(path, "nothing says which unit the value has", help);
    }
    for role in roles {
        let Role::Measured(quantity) = role else { continue };
        let field = plan.field_of_quantity(quantity);
        let has_unit = quantity.unit_kind() == UnitKind::Number
            || field.is_some_and(|field| field.unit.is_some() || field.unit_in_text == Some(true))
            || reading.unit.is_some_and(|unit| fits(quantity, unit))
            || roles.contains(&Role::Unit)
            || roles.contains(&Role::Beside(quantity.clone(), Beside::Unit));
        if !has_unit {
            faults.add(path, format!("nothing says which unit {quantity} has"), help);
        }
    }
}
