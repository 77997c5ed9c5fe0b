//! What a definition says about profiles.

use super::at;
use super::faults::Faults;
use super::sense::known_roles;
use crate::definition::{Definition, Step, WrittenHeights};
use crate::pattern::whole;
use crate::plan::{Plan, ValueMark};
use crate::reading::{LengthText, Mark};
use crate::role::Role;
use crate::trace::TraceForm;
use crate::unit::{Unit, UnitKind};
use crate::value::Value;

pub(super) fn trace(said: &Definition, faults: &mut Faults) -> Option<TraceForm> {
    let rule = said.trace.as_ref()?;
    let scale = length(at!["trace", "scale"], rule.scale.as_deref(), "for example \"2.5 nm\"", faults);
    let spacing = length(at!["trace", "spacing"], rule.spacing.as_deref(), "for example \"0.5 µm\"", faults);
    let is_hex = rule.written == WrittenHeights::Hex;
    match rule.hex_digits {
        Some(_) if !is_hex => {
            let help = "written = \"hex\", or leave it out";
            faults.add(at!["trace", "hex_digits"], "`hex_digits` goes with heights in hexadecimal", help);
        }
        Some(2..=16) => {}
        None if !is_hex => {}
        _ => {
            let message = "heights in hexadecimal have 2 to 16 digits each";
            faults.add(at!["trace", "hex_digits"], message, "hex_digits = 4");
        }
    }
    let taken = |mark: char| mark.is_ascii_hexdigit() || matches!(mark, '+' | '-' | '.') || mark.is_whitespace();
    let decimal = |mark: char| !is_hex && said.numbers.decimal.contains(mark);
    if rule.between.chars().any(|mark| taken(mark) || decimal(mark)) {
        let message = format!("`{}` may stand within a height", rule.between);
        faults.add(at!["trace", "between"], message, "for example \";\"; blanks and line ends need not be named");
    }
    let mut marks = Vec::new();
    for (index, mark) in rule.mark.iter().enumerate() {
        if mark.means == Mark::Unstable {
            let message = "a point that was not measured is not unstable";
            faults.add(at!["trace", "mark", index, "means"], message, "over, under, none or error");
        }
        if let Some(pattern) = faults.regex(at!["trace", "mark", index, "pattern"], whole(&mark.pattern)) {
            marks.push(ValueMark { pattern, means: mark.means });
        }
    }
    let hex_digits = rule.hex_digits.unwrap_or(4).clamp(1, 16);
    let between = rule.between.chars().collect();
    Some(TraceForm { scale, spacing, written: rule.written, hex_digits, between, marks, optional: rule.optional })
}

fn length(path: &[Step], text: Option<&str>, help: &str, faults: &mut Faults) -> Option<LengthText> {
    let text = text?;
    let parts = text.trim().split_once(' ').and_then(|(digits, unit)| {
        let unit = Unit::parse(unit.trim()).filter(|unit| unit.kind() == UnitKind::Length)?;
        Some(LengthText { value: Value::parse(digits).ok()?, unit })
    });
    match parts.filter(|length| length.value.decimal() > rust_decimal::Decimal::ZERO) {
        Some(length) => Some(length),
        None => {
            faults.add(path, format!("`{text}` is no length above 0 with its unit"), help);
            None
        }
    }
}

/// Whether a profile can come to heights: something holds them, and scale and spacing are told.
pub(super) fn trace_makes_sense(said: &Definition, plan: &Plan, faults: &mut Faults) {
    let known = known_roles(plan);
    let has = |role: &Role| known.as_ref().is_none_or(|known| known.contains(role));
    let Some(form) = &plan.trace else {
        let is_named = plan.words.names.values().any(|role| *role == Role::Heights);
        if is_named || known.is_some_and(|known| known.contains(&Role::Heights)) {
            faults.add(at![], "`heights` need to know what they mean", "give `[trace]` with `scale` and `spacing`");
        }
        return;
    };
    if !has(&Role::Heights) {
        let help = "name a capture, path or binary array `heights`";
        faults.add(at!["trace"], "nothing holds the heights of the profile", help);
    }
    let said = said.trace.as_ref();
    if form.scale.is_none() && said.is_some_and(|said| said.scale.is_none()) && !has(&Role::HeightScale) {
        let help = "scale = \"1 µm\", or a field `height_scale`";
        faults.add(at!["trace"], "nothing says which height a number means", help);
    }
    if form.spacing.is_none() && said.is_some_and(|said| said.spacing.is_none()) && !has(&Role::Spacing) {
        faults.add(
            at!["trace"],
            "nothing says how far apart the points are",
            "spacing = \"0.5 µm\", or a field `spacing`",
        );
    }
}
