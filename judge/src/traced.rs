//! Values that a job asks to be computed from a profile, under the conditions of the requirement, and how the instrument's own
//! figures stand to them.

use ridgepost_config::{Characteristic, FromTrace, Job, Unwritten};
use ridgepost_parsers::{COMPUTED_FIELDS, Conditions, InstrumentLimits, LengthText, Mark, Reading, Trace, Unit, Value};
use ridgepost_texture::{self as texture, Evaluation, Filter, default_setting};
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use rust_decimal::{Decimal, dec};

use crate::filter::same_filter;

/// Under which name `other` of a computed reading tells how it was computed, what the instrument's own figure is, how far they
/// are apart and from what that may come, and what puts the profile in doubt.
const HOW: &str = "computed";
const OWN: &str = "own_figure";
pub(crate) const DISAGREES: &str = "disagrees";
const DOUBTS: &str = "profile_doubts";

/// Tries to find the row of a table in which the value that is measured with its cutoff lies.
const TRIES: usize = 4;

/// How near, in per cent, another setting must bring a value to the instrument's own figure to be named as the cause.
const NEAR_PERCENT: f64 = 1.0;

/// The readings that a job asks for of a profile: one for each characteristic that is judged by one and takes readings of this
/// station. `beside` are the instrument's own of the same measurement, `record` its number in the frame; `at` counts the
/// computed readings of the frame. A profile that can't be evaluated gives readings with a mark in place of the number, and why.
pub fn computed(
    job: &Job,
    station: &str,
    trace: &Trace,
    beside: &[&Reading],
    (record, at): (u32, u32),
) -> Vec<Reading> {
    let is_asked = |it: &&Characteristic| it.station.as_deref().is_none_or(|name| name == station);
    let asked = job.characteristics.iter().filter(is_asked);
    let asked = asked.filter_map(|characteristic| Some((characteristic, characteristic.trace?)));
    let profile = profile(trace);
    let sent = trace.conditions.cutoff;
    let reading = |(index, (characteristic, from)): (u32, (&Characteristic, FromTrace))| {
        let mut reading = blank(characteristic, beside, trace);
        reading.record = record;
        reading.field = COMPUTED_FIELDS.saturating_add(at).saturating_add(index);
        let found = profile
            .as_ref()
            .map_err(Clone::clone)
            .and_then(|profile| evaluate(characteristic, from, profile, (beside, sent)));
        match found {
            Ok(evaluation) => fill(&mut reading, characteristic, from, &evaluation, beside),
            Err(why) => {
                reading.mark = Some(Mark::None);
                reading.other.insert(HOW.to_owned(), why);
            }
        }
        reading
    };
    (0..).zip(asked).map(reading).collect()
}

/// The profile for computing; why there is none.
fn profile(trace: &Trace) -> Result<texture::Trace, String> {
    let step = trace.spacing.micrometres().and_then(|step| step.to_f64()).map(|step| step / 1_000.0);
    let heights: Option<Vec<f64>> =
        trace.heights.iter().map(|height| height.as_ref().and_then(|height| height.decimal().to_f64())).collect();
    let heights = heights.ok_or("points of the profile were not measured")?;
    let step = step.ok_or("the distance of points is no length")?;
    texture::Trace::new(heights, step).map_err(|refusal| refusal.to_string())
}

/// A computed reading without its number. It was measured when the instrument's own were, of the same part.
fn blank(characteristic: &Characteristic, beside: &[&Reading], trace: &Trace) -> Reading {
    let first = beside.first();
    let length = trace.spacing.micrometres().zip(Decimal::from_usize(trace.points.saturating_sub(1)));
    let traverse = length.and_then(|(step, steps)| step.checked_mul(steps));
    Reading {
        quantity: characteristic.quantity.clone(),
        value: None,
        unit: None,
        value_as_sent: String::new(),
        unit_as_sent: None,
        mark: None,
        mark_code: None,
        protected: first.is_some_and(|reading| reading.protected),
        instrument_verdict: None,
        verdict: None,
        instrument_limits: InstrumentLimits::default(),
        identity: first.map_or_else(|| trace.identity.clone(), |reading| reading.identity.clone()),
        conditions: Conditions {
            traverse: traverse.map(|it| LengthText { value: Value::from(it.normalize()), unit: Unit::Micrometre }),
            ..Conditions::default()
        },
        converted_from: None,
        other: std::collections::BTreeMap::new(),
        record: 0,
        field: 0,
        stored: first.is_some_and(|reading| reading.stored),
        computed: true,
    }
}

/// Evaluates by what the requirement states, else by what its edition means by saying nothing, else by what the message states.
fn evaluate(
    characteristic: &Characteristic,
    from: FromTrace,
    profile: &texture::Trace,
    (beside, sent): (&[&Reading], Option<LengthText>),
) -> Result<Evaluation, String> {
    let written = &characteristic.conditions;
    let micrometres =
        |length: Option<ridgepost_config::Amount>| length.and_then(|it| it.unit.to_micrometres(it.number));
    let filter = match &written.filter {
        None => Filter::Gaussian,
        Some(name) => {
            let known = Filter::ALL.iter().find(|(_, word)| same_filter(word, name));
            known.map(|(filter, _)| *filter).ok_or_else(|| format!("no profile is filtered by {name} here"))?
        }
    };
    let stated = beside.iter().find_map(|reading| reading.conditions.cutoff).or(sent);
    let sent = stated.and_then(LengthText::micrometres);
    let limit = characteristic.upper.or(characteristic.lower);
    let limit = limit.and_then(|limit| characteristic.unit.to_micrometres(limit));
    let of_row = |edition, value: Option<Decimal>| {
        value.and_then(|value| default_setting(edition, characteristic.quantity.symbol(), value))
    };
    let mut row = match characteristic.unwritten {
        Unwritten::Nothing => None,
        Unwritten::OfLimit(setting) => Some(setting),
        Unwritten::OfMeasured(edition) => of_row(edition, limit),
    };
    for _ in 0..TRIES {
        let nominal = micrometres(written.cutoff).or(row.map(|row| row.cutoff_mm * dec!(1000))).or(sent);
        let nominal = nominal.ok_or("nobody says with which cutoff: write it into the job")?;
        let cutoff = texture::nominal_cutoff_mm(nominal).unwrap_or(nominal / dec!(1000));
        let cutoff = cutoff.to_f64().unwrap_or(f64::NAN);
        let mut settings = texture::Settings::usual(from.edition, cutoff);
        settings.filter = filter;
        settings.sections = written.sections.or(row.map(|row| row.sections)).unwrap_or(5) as usize;
        settings.levels = level(characteristic).into_iter().collect();
        if let Some(lambda_s) = micrometres(written.lambda_s).or(row.map(|row| row.lambda_s_um)) {
            settings.lambda_s = lambda_s.to_f64().map(|lambda_s| lambda_s / 1_000.0);
        }
        let evaluation = texture::evaluate(profile, &settings).map_err(|refusal| refusal.to_string())?;
        let Unwritten::OfMeasured(edition) = characteristic.unwritten else { return Ok(evaluation) };
        let measured = value_of(&evaluation, characteristic).and_then(|(value, unit)| unit.to_micrometres(value));
        match of_row(edition, measured) {
            Some(other) if row.is_none_or(|row| row.cutoff_mm != other.cutoff_mm) => row = Some(other),
            _ => return Ok(evaluation),
        }
    }
    Err("with no cutoff of the edition's table does the value lie in the row of that cutoff".to_owned())
}

/// The height at which the material ratio is asked for, in µm.
fn level(characteristic: &Characteristic) -> Option<f64> {
    let argument = characteristic.quantity.argument().filter(|_| characteristic.quantity.symbol() == "Rmr")?;
    argument.trim().parse().ok()
}

/// The value of a characteristic, rounded once, with its unit.
fn value_of(evaluation: &Evaluation, characteristic: &Characteristic) -> Option<(Decimal, Unit)> {
    let symbol = characteristic.quantity.to_string();
    let parameter = evaluation.parameters.iter().find(|parameter| parameter.symbol == symbol)?;
    Some((parameter.rounded()?, Unit::parse(parameter.unit)?))
}

fn fill(
    reading: &mut Reading,
    characteristic: &Characteristic,
    from: FromTrace,
    evaluation: &Evaluation,
    beside: &[&Reading],
) {
    let settings = &evaluation.settings;
    let length = |number: f64, unit: Unit| {
        let number = Decimal::from_f64(number)?.round_dp(6).normalize();
        Some(LengthText { value: Value::from(number), unit })
    };
    reading.conditions.cutoff = length(settings.cutoff, Unit::Millimetre);
    reading.conditions.lambda_s = settings.lambda_s.and_then(|it| length(it * 1_000.0, Unit::Micrometre));
    reading.conditions.sections = Some(evaluation.sections.to_string());
    reading.conditions.filter = Some(settings.filter.word().to_owned());
    reading.conditions.standard.clone_from(&characteristic.conditions.standard);
    let how = format!("{} points, {:?}, form {:?}", evaluation.points, from.edition, settings.form);
    reading.other.insert(HOW.to_owned(), how);
    if !evaluation.remarks.is_empty() {
        let doubts: Vec<String> = evaluation.remarks.iter().map(|it| format!("{}: {}", it.code, it.evidence)).collect();
        reading.other.insert(DOUBTS.to_owned(), doubts.join("; "));
    }
    let Some((value, unit)) = value_of(evaluation, characteristic) else {
        reading.mark = Some(Mark::None);
        let why = format!("{} can't be computed of this profile", characteristic.quantity);
        reading.other.insert(HOW.to_owned(), why);
        return;
    };
    (reading.value, reading.unit) = (Some(Value::from(value)), Some(unit));
    let own = beside.iter().find(|own| own.quantity == characteristic.quantity && own.mark.is_none());
    let Some((own_value, own_unit)) = own.and_then(|own| own.value.zip(own.unit)) else { return };
    reading.other.insert(OWN.to_owned(), format!("{own_value} {own_unit}"));
    let Some(own) = own_unit.convert(own_value.decimal(), unit) else { return };
    let is_far = |percent: Decimal| {
        let apart = own.checked_sub(value)?.abs().checked_mul(dec!(100))?;
        Some(apart > value.abs().checked_mul(percent)?)
    };
    if is_far(from.agree_percent).unwrap_or(true) {
        let cause = own.to_f64().and_then(|own| cause(evaluation, characteristic, unit, own));
        let cause = cause.unwrap_or_else(|| "no other usual setting explains it".to_owned());
        reading.other.insert(DISAGREES.to_owned(), cause);
    }
}

/// Points up to which other settings are tried: everybody waits meanwhile.
const POINTS_TRIED: usize = 50_000;

/// Which other setting gives the instrument's own figure.
fn cause(evaluation: &Evaluation, characteristic: &Characteristic, unit: Unit, own: f64) -> Option<String> {
    let settings = &evaluation.settings;
    if evaluation.points > POINTS_TRIED {
        return Some("the profile is too long to try other settings here: `ridgepost profile` does".to_owned());
    }
    // The primary profile over the sections that were evaluated: enough for a likely cause.
    let profile = texture::Trace::new(evaluation.primary.clone(), evaluation.step).ok()?;
    let mut others: Vec<(String, texture::Settings)> = Vec::new();
    for cutoff in [0.08, 0.25, 0.8, 2.5, 8.0].into_iter().filter(|cutoff| (*cutoff - settings.cutoff).abs() > 1e-9) {
        let sections = ((evaluation.section_points * evaluation.sections) as f64 * evaluation.step / cutoff).floor();
        let sections = (sections as usize).clamp(1, 5);
        let other = texture::Settings { cutoff, sections, lambda_s: None, ..settings.clone() };
        others.push((format!("other-cutoff: {cutoff} mm gives it"), other));
    }
    for (filter, word) in Filter::ALL.into_iter().filter(|(filter, _)| *filter != settings.filter) {
        let other = texture::Settings { filter, lambda_s: None, ..settings.clone() };
        others.push((format!("other-filter: {word} gives it"), other));
    }
    for edition in [texture::Edition::Iso21920, texture::Edition::Iso4288, texture::Edition::Jis1994] {
        if edition != settings.edition {
            let other = texture::Settings { edition, lambda_s: None, ..settings.clone() };
            others.push((format!("other-edition: {edition:?} gives it"), other));
        }
    }
    let other = texture::Settings { prefiltered: true, ..settings.clone() };
    others.push(("prefiltered: the profile that was sent is a roughness profile already".to_owned(), other));
    let gives = |settings: &texture::Settings| {
        let other = texture::evaluate(&profile, settings).ok()?;
        let (value, is) = value_of(&other, characteristic)?;
        let value = value.to_f64().filter(|_| is == unit)?;
        Some((value - own).abs() * 100.0 <= own.abs() * NEAR_PERCENT)
    };
    others.into_iter().find(|(_, settings)| gives(settings) == Some(true)).map(|(words, _)| words)
}
