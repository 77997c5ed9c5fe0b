//! What an instrument says beside a value that is evidence about it: its own limits, the scale it was measured in.

use std::collections::BTreeMap;

use crate::assemble::{Scope, field_of, read_number, split_unit};
use crate::number::BadNumber;
use crate::plan::Plan;
use crate::quantity::Quantity;
use crate::reading::{InstrumentLimits, LimitMeant};
use crate::role::{Beside, Item, Role};
use crate::unit::{Unit, UnitKind};

/// The limits that go with a value, to the letter and as numbers. `unit` is the value's.
pub(crate) fn limits(
    plan: &Plan,
    scope: Scope<'_>,
    item: &Item,
    quantity: &Quantity,
    unit: Option<Unit>,
) -> InstrumentLimits {
    let is_alone = scope.own.iter().filter(|item| item.role.is_value()).count() == 1;
    let stated = |beside: Beside, general: Role| {
        let own = || scope.own_item(&general).filter(|_| is_alone || item.role == Role::Value);
        let stated = scope.item(&Role::Beside(quantity.clone(), beside)).or_else(own);
        stated.filter(|stated| !stated.text.trim().is_empty())
    };
    let meant = |stated: &Item| meant(plan, stated, item, quantity, unit);
    let (lower, upper) = (stated(Beside::LimitLower, Role::LimitLower), stated(Beside::LimitUpper, Role::LimitUpper));
    let text = |stated: &Item| stated.text.trim().to_owned();
    InstrumentLimits {
        lower: lower.map(text),
        upper: upper.map(text),
        lower_meant: lower.and_then(meant),
        upper_meant: upper.and_then(meant),
    }
}

/// A limit as a number. What can be read in no way or in two is evidence all the same, and means nothing.
fn meant(plan: &Plan, stated: &Item, item: &Item, quantity: &Quantity, unit: Option<Unit>) -> Option<LimitMeant> {
    let implied = field_of(plan, quantity, &item.role).iter().find_map(|field| field.decimals);
    let reads = |text: &str| read_number(plan, stated.number, text, implied.or(plan.numbers.decimals));
    let text = stated.text.trim();
    if let Ok(value) = reads(text) {
        let own = stated.unit.as_deref().map(|text| plan.unit(text));
        return Some(LimitMeant { value, unit: own.unwrap_or(unit)? });
    }
    let (digits, own) = split_unit(plan, text, |digits| reads(digits) != Err(BadNumber::Malformed));
    Some(LimitMeant { value: reads(digits).ok()?, unit: plan.unit(own?)? })
}

/// The scale that a hardness was measured in, where that is not the one it is given in.
pub(crate) fn converted_from(
    plan: &Plan,
    scope: Scope<'_>,
    item: &Item,
    quantity: &Quantity,
    unit: Option<Unit>,
) -> Option<String> {
    if quantity.unit_kind() != UnitKind::Hardness {
        return None;
    }
    let stated = scope.text(&Role::Beside(quantity.clone(), Beside::ConvertedFrom));
    let stated = stated.or_else(|| scope.text(&Role::ConvertedFrom)).map(str::to_owned);
    let declared = || field_of(plan, quantity, &item.role).iter().find_map(|field| field.converted_from.clone());
    let scale = stated.or_else(declared)?;
    (unit.is_none() || plan.unit(&scale) != unit).then_some(scale)
}

/// The fields without a role, and the scale where there is one.
pub(crate) fn with_scale(other: &BTreeMap<String, String>, scale: Option<&str>) -> BTreeMap<String, String> {
    let mut other = other.clone();
    other.extend(scale.map(|scale| (Role::ConvertedFrom.name(), scale.to_owned())));
    other
}
