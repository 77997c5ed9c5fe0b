//! The decision rule: how the uncertainty of measuring counts where a value is held against a limit.
//!
//! JCGM 106:2012 clause 8 and ISO 14253-1:2017 (both from memory): the acceptance limit lies a guard band `g` away from
//! the tolerance limit. With `g = 0` a value on the limit is accepted; guarded acceptance moves the acceptance limits
//! inwards, guarded rejection outwards; ISO 14253-1 proves conformity inside the one and nonconformity outside of the
//! other and leaves what lies between open. A value on an acceptance limit conforms, one on the outer edge of the
//! widened limits is not yet proven to be beyond.

use ridgepost_config::{Characteristic, DecisionRule, Gauge, GuardWidth};
use ridgepost_parsers::{Unit, UnitKind};
use rust_decimal::{Decimal, dec};

use crate::limits::{Standing, in_unit, micrometres};
use crate::row::Reason;

/// One-sided 95 % of a normal distribution, as ISO 14253-1:2017 rounds it (from memory).
const ONE_SIDED: Decimal = dec!(1.65);

/// Width of the guard band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Guard {
    /// None: simple acceptance.
    None,
    /// A length, or whatever the limits are, in this unit.
    Width(Decimal, Unit),
    /// This share of what was measured.
    Share(Decimal),
}

/// What a value proves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Proof {
    /// It conforms.
    Conforms,
    /// It does not.
    Nonconforming,
    /// Neither, by ISO 14253-1.
    Open,
    /// The guard bands of the two limits meet: nothing could be accepted.
    NoZone,
}

/// What a value, or a mean, is by limits and decision rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Finding {
    /// Where it lies to the limits of the drawing.
    pub(crate) standing: Standing,
    /// What that proves.
    pub(crate) proof: Proof,
    /// It lies inside of the guard band, so that without it the outcome would be another, or would be one.
    pub(crate) guarded: bool,
}

impl Guard {
    /// The guard band that a characteristic asks for with values of this gauge.
    ///
    /// # Errors
    /// [`Reason::UncertaintyUnknown`] where the register states no uncertainty of the gauge for this quantity.
    pub(crate) fn of(characteristic: &Characteristic, gauge: Option<&Gauge>) -> Result<Guard, Reason> {
        if characteristic.decision == DecisionRule::Simple {
            return Ok(Guard::None);
        }
        let gauge = gauge.ok_or(Reason::UncertaintyUnknown)?;
        let stated = gauge.uncertainty.get(&characteristic.quantity).ok_or(Reason::UncertaintyUnknown)?;
        let expanded = stated.number;
        let width = match characteristic.guard {
            GuardWidth::Expanded => Some(expanded),
            GuardWidth::OneSided => {
                ONE_SIDED.checked_mul(expanded).and_then(|width| width.checked_div(gauge.coverage_factor))
            }
        };
        let width = width.ok_or(Reason::UncertaintyUnknown)?;
        let is_share = stated.unit.kind() == UnitKind::Ratio && characteristic.unit.kind() != UnitKind::Ratio;
        if is_share { Ok(Guard::Share(width / dec!(100))) } else { Ok(Guard::Width(width, stated.unit)) }
    }
}

/// Holds `sum`, the sum of `count` values (or one value, `count` 1) in `unit`, against the limits of a characteristic.
/// `None` where the units don't convert or the digits don't suffice.
pub(crate) fn find(
    characteristic: &Characteristic,
    guard: Guard,
    (sum, unit): (Decimal, Unit),
    count: u32,
) -> Option<Finding> {
    let same = unit == characteristic.unit;
    // Exact in one unit: as they are where they agree, else in micrometres.
    let here = |number: Decimal, unit: Unit| if same { Some(number) } else { micrometres(number, unit) };
    let count = Decimal::from(count);
    let limit = |limit: Option<Decimal>| match limit {
        Some(limit) => here(limit, characteristic.unit)?.checked_mul(count).map(Some),
        None => Some(None),
    };
    let sum = here(sum, unit)?;
    let (lower, upper) = (limit(characteristic.lower)?, limit(characteristic.upper)?);
    let width = match guard {
        Guard::None => Decimal::ZERO,
        Guard::Share(share) => sum.abs().checked_mul(share)?,
        Guard::Width(width, of) if same => in_unit(width.into(), of, unit)?.decimal().checked_mul(count)?,
        Guard::Width(width, of) => micrometres(width, of)?.checked_mul(count)?,
    };
    let standing = |inwards: Decimal| -> Option<Standing> {
        if let Some(upper) = upper
            && sum > upper.checked_sub(inwards)?
        {
            return Some(Standing::Above);
        }
        if let Some(lower) = lower
            && sum < lower.checked_add(inwards)?
        {
            return Some(Standing::Below);
        }
        Some(Standing::Within)
    };
    let (plain, inner, outer) = (standing(Decimal::ZERO)?, standing(width)?, standing(-width)?);
    let meet = lower.zip(upper).is_some_and(|(lower, upper)| upper - lower < width * dec!(2));
    let (inside, beyond) = (inner == Standing::Within, outer != Standing::Within);
    let proof = match characteristic.decision {
        DecisionRule::Simple => proven(plain == Standing::Within),
        DecisionRule::GuardedRejection => proven(!beyond),
        DecisionRule::GuardedAcceptance | DecisionRule::Iso14253 if meet => Proof::NoZone,
        DecisionRule::GuardedAcceptance => proven(inside),
        DecisionRule::Iso14253 if beyond => Proof::Nonconforming,
        DecisionRule::Iso14253 if inside => Proof::Conforms,
        DecisionRule::Iso14253 => Proof::Open,
    };
    // Where the guard band decides, the limit that it belongs to tells of no excess.
    let guarded = proof == Proof::Open || proof == Proof::NoZone || proof != proven(plain == Standing::Within);
    Some(Finding { standing: plain, proof, guarded })
}

fn proven(conforms: bool) -> Proof {
    if conforms { Proof::Conforms } else { Proof::Nonconforming }
}

impl Finding {
    /// The reason that tells it.
    pub(crate) fn reason(self) -> Reason {
        match (self.proof, self.guarded) {
            (Proof::NoZone, _) => Reason::NoAcceptanceZone,
            (_, true) => Reason::InsideGuardBand,
            _ => self.standing.reason(),
        }
    }
}
