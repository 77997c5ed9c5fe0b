//! One value of a slot: what keeps it from being judged, how it stands to its limits, and what the rule makes of it.

use ridgepost_config::{Characteristic, Gate, Job, Rule};
use ridgepost_parsers::{QuantityKind, Reading, Unit, Value, Verdict};
use rust_decimal::Decimal;

use crate::decision::{Finding, Guard, Proof, find};
use crate::hint::suspicions;
use crate::judging::{Circumstances, Placed, gate};
use crate::limits::{Standing, micrometres};
use crate::piece::Slot;
use crate::plausible::obstacles;
use crate::row::{Outcome, Reason};
use crate::rule::{Counted, Decision};
use crate::told::has_other_limits;
use crate::traced::DISAGREES;

/// A value held against its limits.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Found {
    pub(crate) finding: Finding,
    guard: Guard,
}

/// Outcome and reasons of the newest value of an open slot, by the acceptance rule. `None` where the digits don't suffice
/// to say it exactly.
pub(crate) fn by_rule(
    slot: &Slot,
    characteristic: &Characteristic,
    found: Found,
    value: Option<Value>,
) -> Option<(Outcome, Vec<Reason>)> {
    let earlier = slot.counted().map(|attempt| attempt.value);
    let values: Option<Vec<_>> = earlier.chain([value]).map(|value| value.map(|value| value.decimal())).collect();
    // Rules that take each value for itself need no digits of the others.
    let values = match characteristic.rule {
        Rule::Max => vec![Decimal::ZERO; slot.counted().count().saturating_add(1)],
        Rule::Sixteen | Rule::Median | Rule::Mean => values?,
    };
    let open_before = slot.counted().any(|attempt| attempt.reasons.contains(&Reason::InsideGuardBand));
    let counted = Counted { characteristic, guard: found.guard, newest: found.finding, values, open_before };
    Some(match counted.decide()? {
        Decision::Decided(outcome, reason) => (outcome, vec![reason]),
        Decision::More(_) if found.finding.proof == Proof::Open => {
            (Outcome::Undecided, vec![Reason::MoreTracesNeeded, Reason::InsideGuardBand])
        }
        Decision::More(_) => (Outcome::Undecided, vec![Reason::MoreTracesNeeded]),
    })
}

/// The outcome of a value judged on its own, where its slot was decided before.
pub(crate) fn on_its_own(finding: Finding) -> Outcome {
    match finding.proof {
        Proof::Conforms => Outcome::Conforms,
        Proof::Nonconforming => Outcome::Nonconforming,
        Proof::Open | Proof::NoZone => Outcome::Undecided,
    }
}

/// How a reading stands to its limits, or what keeps it from being judged: the first concern that applies, with
/// everything that belongs to it.
pub(crate) fn stand(at: &Circumstances, job: &Job, placed: &Placed) -> Result<Found, Vec<Reason>> {
    let (reading, characteristic) = (placed.reading, placed.characteristic);
    if reading.value.is_none() || reading.mark.is_some() {
        return Err(vec![Reason::Mark]);
    }
    if at.gauge.is_some_and(|gauge| gauge.skidded) && needs_datum(reading) {
        return Err(vec![Reason::Skidded]);
    }
    if let Some((Gate::Hold, reason)) = gate(at, job) {
        return Err(vec![reason]);
    }
    let Some(told) = placed.told.map_err(|reason| vec![reason])? else { return Err(vec![Reason::UnitSuspect]) };
    if reading.converted_from.is_some() && !job.accept_converted {
        return Err(vec![Reason::Converted]);
    }
    let measured = micrometres(told.value.decimal(), told.unit);
    let mismatch = placed.conditions.obstacles(characteristic, job.accept_unknown_conditions, measured);
    if !mismatch.is_empty() {
        return Err(mismatch);
    }
    let mut doubts = obstacles(reading, &told, characteristic);
    if placed.broken {
        doubts.push(Reason::OrderBroken);
    }
    if !doubts.is_empty() {
        return Err(doubts);
    }
    let guard = Guard::of(characteristic, at.gauge).map_err(|reason| vec![reason])?;
    found(characteristic, guard, (told.value.decimal(), told.unit))
}

/// Holds a value with its unit against the limits, or says what keeps it from that.
pub(crate) fn found(
    characteristic: &Characteristic,
    guard: Guard,
    value: (Decimal, Unit),
) -> Result<Found, Vec<Reason>> {
    match find(characteristic, guard, value, 1) {
        None => Err(vec![Reason::Implausible]),
        Some(finding) if finding.proof == Proof::NoZone => Err(vec![Reason::NoAcceptanceZone]),
        Some(finding) => Ok(Found { finding, guard }),
    }
}

/// Whether a quantity needs a straight datum, which a skid that follows the surface is not (common practice):
/// everything of the primary and the waviness profile, and Rt.
fn needs_datum(reading: &Reading) -> bool {
    matches!(reading.quantity.kind(), QuantityKind::Primary | QuantityKind::Waviness)
        || reading.quantity.symbol() == "Rt"
}

/// What has to be known beside a judged value.
pub(crate) fn cautions(at: &Circumstances, job: &Job, placed: &Placed, standing: Standing) -> Vec<Reason> {
    let reading = placed.reading;
    let disagrees = match reading.verdict {
        Some(Verdict::In) => standing != Standing::Within,
        Some(Verdict::Out) => standing == Standing::Within,
        None => false,
    };
    let suspected = placed.told.ok().flatten().map_or_else(Vec::new, |told| {
        suspicions((at.gauge, at.specimens), reading, &told, placed.characteristic, standing)
    });
    let others = reading.verdict.is_some() && has_other_limits(reading, placed.characteristic);
    [
        disagrees.then_some(Reason::InstrumentDisagrees),
        (reading.computed && reading.other.contains_key(DISAGREES)).then_some(Reason::TraceDisagrees),
        others.then_some(Reason::InstrumentLimits),
        reading.converted_from.is_some().then_some(Reason::Converted),
        gate(at, job).map(|(_, reason)| reason),
    ]
    .into_iter()
    .flatten()
    .chain(suspected)
    .collect()
}
