//! Values of D-SI: `real`, `hybrid` and lists, with the uncertainties of versions 2.1 and 2.2, and units as macros.

use roxmltree::Node;
use rust_decimal::{Decimal, dec};

use super::{Expanded, SI, Stated, child, is, words};
use crate::unit::Unit;
use crate::value::Value;

/// Values of one list.
const MOST: usize = 1_000;
/// Coverage factors that are taken for one.
const FACTORS: (Decimal, Decimal) = (dec!(1), dec!(4));
/// Coverage probabilities of an expanded uncertainty.
const PROBABILITIES: (Decimal, Decimal) = (dec!(0.9), dec!(1));

/// What a `quantity` element states; nothing where it holds no numbers.
pub(super) fn stated(quantity: Node) -> Vec<Result<Stated, String>> {
    if let Some(hybrid) = child(quantity, SI, "hybrid") {
        if hybrid.children().any(|node| is(&node, SI, "realListXMLList")) {
            let lists = hybrid.children().filter(|node| is(node, SI, "realListXMLList"));
            return same_lists(lists.map(list).collect());
        }
        return vec![same(hybrid.children().filter(|node| is(node, SI, "real")).map(real).collect())];
    }
    if let Some(node) = child(quantity, SI, "real") {
        return vec![real(node)];
    }
    child(quantity, SI, "realListXMLList").map(list).unwrap_or_default()
}

/// One quantity in several units: the first that is known, if all others that are known agree.
fn same(forms: Vec<Result<Stated, String>>) -> Result<Stated, String> {
    let known: Vec<&Stated> = forms.iter().filter_map(|form| form.as_ref().ok()).collect();
    let Some(first) = known.first() else {
        return forms.into_iter().next().unwrap_or_else(|| Err("it holds no value".to_owned()));
    };
    match known.iter().find(|other| !agrees(first, other)) {
        Some(other) => Err(format!(
            "it is stated twice and differs: {} {} and {} {}",
            first.value, first.unit, other.value, other.unit
        )),
        None => Ok((*first).clone()),
    }
}

fn same_lists(lists: Vec<Vec<Result<Stated, String>>>) -> Vec<Result<Stated, String>> {
    let long = lists.iter().map(Vec::len).max().unwrap_or(0);
    (0..long).map(|at| same(lists.iter().filter_map(|list| list.get(at).cloned()).collect())).collect()
}

/// Whether two statements are one, to the last digit of the coarser one.
fn agrees(one: &Stated, other: &Stated) -> bool {
    let Some(there) = other.unit.convert(other.value.decimal(), one.unit) else { return one.unit == other.unit };
    let digit = |stated: &Stated| stated.unit.convert(Decimal::new(1, stated.value.decimal().scale()), one.unit);
    let coarser = digit(one).into_iter().chain(digit(other)).max().unwrap_or_default();
    (one.value.decimal() - there).abs() <= coarser
}

fn real(node: Node) -> Result<Stated, String> {
    let text = |name: &str| child(node, SI, name).and_then(words);
    let value = text("value").ok_or("it states no value")?;
    let unit = text("unit").ok_or("it states no unit")?;
    one(&value, &unit, uncertainty(node)?)
}

/// Digits of an uncertainty, its factor and its probability.
type Said = (String, Option<String>, Option<String>);

fn one(value: &str, unit: &str, uncertainty: Option<Said>) -> Result<Stated, String> {
    let (unit, factor) = unit_of(unit)?;
    let number = |text: &str| -> Result<Value, String> {
        let value = Value::parse(text).map_err(|_| format!("`{text}` is no number that can be held exactly"))?;
        scaled(value, factor).ok_or(format!("`{text}` has more digits than can be held"))
    };
    let value = number(value)?;
    let uncertainty = match uncertainty {
        None => None,
        Some((digits, factor, probability)) => {
            let expanded = number(&digits)?;
            let plain = |text: Option<String>| {
                text.map(|text| Value::parse(&text).map_err(|_| format!("`{text}` is no number"))).transpose()
            };
            let factor = plain(factor)?.ok_or("its uncertainty has no coverage factor")?;
            let probability = plain(probability)?;
            sane(value, expanded, factor, probability)?;
            Some(Expanded { value: expanded, factor })
        }
    };
    Ok(Stated { value, unit, uncertainty })
}

/// Whether an uncertainty can be one of this value.
fn sane(value: Value, expanded: Value, factor: Value, probability: Option<Value>) -> Result<(), String> {
    let (size, expanded, factor) = (value.decimal().abs(), expanded.decimal(), factor.decimal());
    if expanded <= Decimal::ZERO || expanded >= size {
        return Err(format!("an uncertainty of {expanded} is not above zero and below the value {size}"));
    }
    if factor < FACTORS.0 || factor > FACTORS.1 {
        return Err(format!("a coverage factor of {factor} is none from {} to {}", FACTORS.0, FACTORS.1));
    }
    match probability.map(Value::decimal) {
        Some(share) if share < PROBABILITIES.0 || share > PROBABILITIES.1 => {
            Err(format!("a coverage probability of {share} is none from {} to {}", PROBABILITIES.0, PROBABILITIES.1))
        }
        _ => Ok(()),
    }
}

/// The uncertainty of a `real`: of D-SI 2.1, or as 2.2 writes it. A standard uncertainty is doubled, k = 2.
fn uncertainty(node: Node) -> Result<Option<Said>, String> {
    let text = |of: Node, name: &str| child(of, SI, name).and_then(words);
    let expanded = |of: Node, name: &str| -> Result<Option<Said>, String> {
        let digits = text(of, name).ok_or("its uncertainty has no number")?;
        Ok(Some((digits, text(of, "coverageFactor"), text(of, "coverageProbability"))))
    };
    if let Some(of) = child(node, SI, "expandedUnc") {
        return expanded(of, "uncertainty");
    }
    let Some(univariate) = child(node, SI, "measurementUncertaintyUnivariate") else {
        return match child(node, SI, "coverageInterval") {
            Some(_) => Err("its uncertainty is an interval, which is not read: type it".to_owned()),
            None => Ok(None),
        };
    };
    if let Some(of) = child(univariate, SI, "expandedMU") {
        return expanded(of, "valueExpandedMU");
    }
    if let Some(of) = child(univariate, SI, "standardMU") {
        let digits = text(of, "valueStandardMU").ok_or("its uncertainty has no number")?;
        let doubled = Value::parse(&digits).ok().and_then(|value| value.decimal().checked_mul(dec!(2)));
        let doubled = doubled.ok_or(format!("`{digits}` is no number"))?;
        return Ok(Some((doubled.to_string(), Some("2".to_owned()), None)));
    }
    Err("its uncertainty is written in a way that is not read: type it".to_owned())
}

/// A list: units, uncertainties and factors are one for all or one for each.
fn list(node: Node) -> Vec<Result<Stated, String>> {
    let column = |of: Option<Node>, name: &str| -> Vec<String> {
        let text = of.and_then(|of| child(of, SI, name)).and_then(words).unwrap_or_default();
        text.split_whitespace().take(MOST).map(str::to_owned).collect()
    };
    let values = column(Some(node), "valueXMLList");
    let units = column(Some(node), "unitXMLList");
    let of = child(node, SI, "expandedUncXMLList");
    let (digits, factors) = (column(of, "uncertaintyXMLList"), column(of, "coverageFactorXMLList"));
    let probabilities = column(of, "coverageProbabilityXMLList");
    let at = |column: &[String], at: usize| match column.len() {
        1 => column.first().cloned(),
        long if long == values.len() => column.get(at).cloned(),
        _ => None,
    };
    let each = values.iter().enumerate().map(|(number, value)| {
        let unit = at(&units, number).ok_or("its list of units has another length than its values")?;
        let said = match at(&digits, number) {
            Some(digits) => Some((digits, at(&factors, number), at(&probabilities, number))),
            None if of.is_some() => {
                return Err("its list of uncertainties has another length than its values".to_owned());
            }
            None => None,
        };
        one(value, &unit, said)
    });
    each.collect()
}

/// A unit from its macros, and the power of ten by which numbers in it are larger than in ours.
fn unit_of(text: &str) -> Result<(Unit, i64), String> {
    let macros: Vec<&str> = text.split('\\').map(str::trim).filter(|word| !word.is_empty()).collect();
    Ok(match macros.as_slice() {
        ["metre"] => (Unit::Metre, 0),
        ["milli", "metre"] => (Unit::Millimetre, 0),
        ["micro", "metre"] => (Unit::Micrometre, 0),
        ["nano", "metre"] => (Unit::Nanometre, 0),
        ["centi", "metre"] => (Unit::Millimetre, 1),
        ["deci", "metre"] => (Unit::Millimetre, 2),
        ["kilo", "metre"] => (Unit::Metre, 3),
        ["pico", "metre"] => (Unit::Nanometre, -3),
        ["percent"] => (Unit::Percent, 0),
        ["one"] => (Unit::One, 0),
        ["per", "centi", "metre"] => (Unit::PerCentimetre, 0),
        _ => return Err(format!("its unit `{text}` is none that this reader knows")),
    })
}

/// A value times a power of ten; only the decimal point moves.
fn scaled(value: Value, power: i64) -> Option<Value> {
    let number = value.decimal();
    Value::from_parts(number.mantissa(), i64::from(number.scale()) - power).ok()
}
