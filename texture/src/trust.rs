//! What puts a trace in doubt, each with its evidence. Bounds are common practice, no source, unless one is named.

use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;

use crate::defaults::{Selector, default_setting};
use crate::evaluate::Evaluation;
use crate::trace::Trace;

/// One doubt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Remark {
    /// Code, of a closed list.
    pub code: &'static str,
    /// What was seen, in numbers.
    pub evidence: String,
}

/// Every code of a remark with its meaning.
pub const REMARKS: [(&str, &str); 10] = [
    ("fewer-sections", "the trace is too short for all sections that were asked for"),
    (
        "travel-missing",
        "less than half a cutoff lies before or behind the evaluated sections: the filter's ends are in the result",
    ),
    ("too-coarse", "the points are too far apart for the short-wave cutoff"),
    ("clipped", "the highest or lowest heights stand at one level: the range of the probe was left"),
    ("spiked", "single heights stand far out: dirt, a scratch or a shock"),
    ("stylus-lifted", "a part of the trace is level to the last digit: the stylus did not touch"),
    ("sections-differ", "one section is far rougher than the others: dirt, an edge or a groove lies in it"),
    ("ratio-unusual", "Rz is not 3 to 10 times Ra: the trace may lie along the lay, or on damage"),
    ("invalid-points", "the file says of some points that they are not valid"),
    ("cutoff-not-of-row", "by the edition's table another cutoff belongs to this value"),
];

fn remark(code: &'static str, evidence: String) -> Remark {
    Remark { code, evidence }
}

pub(crate) fn doubts(trace: &Trace, of: &Evaluation) -> Vec<Remark> {
    let mut found = Vec::new();
    lengths(of, &mut found);
    levels(trace, &mut found);
    shape(of, &mut found);
    row(of, &mut found);
    found
}

fn lengths(of: &Evaluation, found: &mut Vec<Remark>) {
    let settings = &of.settings;
    if of.sections < settings.sections {
        found.push(remark("fewer-sections", format!("{} of {} sections fit", of.sections, settings.sections)));
    }
    let travel = of.first as f64 * of.step;
    if !settings.prefiltered && settings.filter != crate::Filter::None && travel < 0.5 * settings.cutoff - 1e-9 {
        let evidence = format!("{travel:.4} mm before the sections, needed are {:.4} mm", 0.5 * settings.cutoff);
        found.push(remark("travel-missing", evidence));
    }
    if let Some(lambda_s) = settings.lambda_s.filter(|_| !settings.prefiltered)
        && of.step > lambda_s / 5.0 * 1.000_000_1
    {
        found.push(remark("too-coarse", format!("steps of {} mm for λs {lambda_s} mm, at most a fifth", of.step)));
    }
}

/// Neighbours that are equal at an extreme, from which on a probe was at its end.
const AT_ITS_END: usize = 5;
/// Share of the points that are level to the last digit, from which on the stylus was in the air.
const IN_THE_AIR: f64 = 0.02;

/// To the last digit.
fn is_level(a: &f64, b: &f64) -> bool {
    a - b == 0.0
}

fn levels(trace: &Trace, found: &mut Vec<Remark>) {
    let z = trace.heights();
    let (high, low) = (z.iter().copied().fold(f64::MIN, f64::max), z.iter().copied().fold(f64::MAX, f64::min));
    if high - low == 0.0 {
        return;
    }
    let longest =
        |level: f64| z.chunk_by(is_level).filter(|run| is_level(&run[0], &level)).map(<[f64]>::len).max().unwrap_or(0);
    for (level, name) in [(high, "highest"), (low, "lowest")] {
        let run = longest(level);
        if run >= AT_ITS_END {
            found.push(remark("clipped", format!("{run} neighbours at the {name} height {level} µm")));
        }
    }
    let run = z.chunk_by(is_level).map(<[f64]>::len).max().unwrap_or(0);
    if run as f64 > IN_THE_AIR * z.len() as f64 && run >= 4 * AT_ITS_END {
        found.push(remark("stylus-lifted", format!("{run} neighbours at one height")));
    }
}

/// Heights beyond so many Rq are spikes: a normal distribution has one in a hundred million.
const SPIKE: f64 = 6.0;

fn shape(of: &Evaluation, found: &mut Vec<Remark>) {
    let square = of.roughness.iter().map(|z| z * z).sum::<f64>() / of.roughness.len() as f64;
    let spikes = of.roughness.iter().filter(|z| z.abs() > SPIKE * square.sqrt()).count();
    if spikes > 0 {
        found.push(remark("spiked", format!("{spikes} points beyond {SPIKE} Rq")));
    }
    let heights = of.per_section.iter().find(|(symbol, _)| *symbol == "Rz").map(|(_, values)| values.as_slice());
    if let Some(heights) = heights.filter(|heights| heights.len() > 2) {
        let middle = crate::filter::median_of(heights);
        let largest = heights.iter().copied().fold(0.0, f64::max);
        if largest > 3.0 * middle {
            found.push(remark(
                "sections-differ",
                format!("Rz {largest:.3} µm in one section, {middle:.3} µm in the middle one"),
            ));
        }
    }
    if let (Some(ra), Some(rz)) = (of.get("Ra"), of.get("Rz"))
        && ra > 0.0
        && !(3.0..=10.0).contains(&(rz / ra))
    {
        found.push(remark("ratio-unusual", format!("Rz/Ra is {:.2}", rz / ra)));
    }
}

/// Under editions that go by the measured value: whether the cutoff is that of its row.
fn row(of: &Evaluation, found: &mut Vec<Remark>) {
    let edition = of.settings.edition;
    if edition.selector() != Selector::Measured {
        return;
    }
    let value = of.get("Ra").and_then(Decimal::from_f64);
    let Some(setting) = value.and_then(|value| default_setting(edition, "Ra", value)) else { return };
    let due = setting.cutoff_mm.to_string().parse::<f64>().unwrap_or(of.settings.cutoff);
    if (due - of.settings.cutoff).abs() > 1e-9 {
        found.push(remark(
            "cutoff-not-of-row",
            format!("{due} mm belongs to this Ra, {} mm was used", of.settings.cutoff),
        ));
    }
}
