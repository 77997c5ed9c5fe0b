//! The acceptance rule of a characteristic: when the values of a slot decide, and what.

use ridgepost_config::{Characteristic, Job, Rule};
use ridgepost_parsers::Value;
use rust_decimal::{Decimal, dec};

use crate::decision::{Finding, Guard, Proof, find};
use crate::limits::{Standing, margin};
use crate::piece::{Attempt, Piece, Slot};
use crate::row::{Outcome, Reason};

/// What keeps a job from being judged at all. Configuration refuses such jobs before they can be opened, so who
/// gets this has opened a job, or kept a piece, that it should not have: record the readings as without a job and
/// tell people.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unjudgeable {
    /// A characteristic without any limit.
    #[error("characteristic {balloon} has no limit to judge by; nothing is judged by this job")]
    NoLimit {
        /// Balloon number.
        balloon: String,
    },
    /// The piece has another number of slots than the job has characteristics.
    #[error("the piece has {slots} slots and the job {characteristics} characteristics: it is a piece of another job")]
    OtherPiece {
        /// Slots of the piece.
        slots: usize,
        /// Characteristics of the job.
        characteristics: usize,
    },
}

/// What a rule says once another value is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Decision {
    /// So many more values are due before it can be accepted.
    More(u32),
    /// It is decided, for this reason.
    Decided(Outcome, Reason),
}

/// Values after which the simplified procedure of the 16 % rule may accept, each with how many of them may pass the
/// limit: ISO 4288:1996 annex A (from memory).
const SIXTEEN: [(u32, u32); 3] = [(3, 0), (6, 1), (12, 2)];

/// Most values that the simplified procedure takes, and the excesses that can't be made good any more: the third ends it
/// at once (our own inference; the result is the same as after all twelve).
const SIXTEEN_ENDS: u32 = 12;

/// The first value accepts at once up to this share of an upper limit: ISO 4288:1996 annex A (from memory).
const SIXTEEN_AT_ONCE: (Decimal, Decimal) = (dec!(10), dec!(7));

/// The values of a slot that count, with the newest.
pub(crate) struct Counted<'a> {
    /// What is asked for.
    pub(crate) characteristic: &'a Characteristic,
    /// Guard band of the gauge that the newest was taken with.
    pub(crate) guard: Guard,
    /// The newest, held against the limits.
    pub(crate) newest: Finding,
    /// All of them in the limit's unit as their rows print them, the newest last.
    pub(crate) values: Vec<Decimal>,
    /// An earlier one lies inside the guard band.
    pub(crate) open_before: bool,
}

impl Counted<'_> {
    /// What the rule says. `None` where the digits don't suffice to say it exactly.
    pub(crate) fn decide(&self) -> Option<Decision> {
        match self.characteristic.rule {
            Rule::Max => Some(self.max()),
            Rule::Sixteen => self.sixteen(),
            Rule::Median | Rule::Mean if self.missing() > 0 => Some(Decision::More(self.missing())),
            Rule::Median => self.central(&middle(&self.values)),
            Rule::Mean => self.central(&self.values),
        }
    }

    fn count(&self) -> u32 {
        u32::try_from(self.values.len()).unwrap_or(u32::MAX)
    }

    /// Values that are still due by the number the job asks for.
    fn missing(&self) -> u32 {
        self.characteristic.traces.saturating_sub(self.count())
    }

    /// No value may pass the limit: ISO 4288:1996 5.3 (from memory), the default of ISO 21920-1 clause 4 (seen in
    /// excerpts). One that does decides at once; else the last of those due does.
    fn max(&self) -> Decision {
        match self.newest.proof {
            Proof::Nonconforming => Decision::Decided(Outcome::Nonconforming, self.newest.reason()),
            _ if self.missing() > 0 => Decision::More(self.missing()),
            Proof::Open => Decision::Decided(Outcome::Undecided, Reason::InsideGuardBand),
            _ if self.open_before => Decision::Decided(Outcome::Undecided, Reason::InsideGuardBand),
            _ => Decision::Decided(Outcome::Conforms, self.newest.reason()),
        }
    }

    /// The 16 % rule, ISO 4288:1996 5.2 with the simplified procedure of annex A (from memory). Each limit is held to it
    /// for itself. Where the job asks for more values than the procedure takes, at most 16 % of all may pass.
    fn sixteen(&self) -> Option<Decision> {
        let upper = self.characteristic.upper.map(|upper| self.one_limit(|value| value > upper, Some(upper)));
        let lower = self.characteristic.lower.map(|lower| self.one_limit(|value| value < lower, None));
        let (upper, lower) = (upper.unwrap_or(OneLimit::Met), lower.unwrap_or(OneLimit::Met));
        Some(match (upper, lower) {
            (OneLimit::Broken, _) => Decision::Decided(Outcome::Nonconforming, Reason::AboveUpper),
            (_, OneLimit::Broken) => Decision::Decided(Outcome::Nonconforming, Reason::BelowLower),
            (OneLimit::Met, OneLimit::Met) if self.missing() == 0 => {
                Decision::Decided(Outcome::Conforms, Reason::WithinLimits)
            }
            (one, other) => Decision::More(one.needs().max(other.needs()).max(self.missing())),
        })
    }

    /// How the values stand to one limit. `full` is the limit that the first value may be far below of.
    fn one_limit(&self, passes: impl Fn(Decimal) -> bool, full: Option<Decimal>) -> OneLimit {
        let due = self.characteristic.traces;
        let passed = |count: u32| {
            let values = self.values.iter().take(count as usize);
            u32::try_from(values.filter(|value| passes(**value)).count()).unwrap_or(u32::MAX)
        };
        let (count, all) = (self.count(), passed(self.count()));
        if due > SIXTEEN_ENDS {
            let allowed = u32::try_from(u64::from(due) * 16 / 100).unwrap_or(u32::MAX);
            return match all > allowed {
                true => OneLimit::Broken,
                false if count >= due => OneLimit::Met,
                false => OneLimit::Open(due - count),
            };
        }
        let at_once = self.values.first().zip(full).is_some_and(|(first, full)| {
            let scaled = first.checked_mul(SIXTEEN_AT_ONCE.0).zip(full.checked_mul(SIXTEEN_AT_ONCE.1));
            scaled.is_some_and(|(first, full)| first <= full)
        });
        if at_once || SIXTEEN.iter().any(|(values, allowed)| count >= *values && passed(*values) <= *allowed) {
            return OneLimit::Met;
        }
        let can_still = SIXTEEN.iter().find(|(values, allowed)| *values > count && all <= *allowed);
        can_still.map_or(OneLimit::Broken, |(values, _)| OneLimit::Open(values - count))
    }

    /// The mean of these values against the limits, as a sum, so that no digit is lost: mean of n (sum at most n times
    /// the limit), median as the mean of the one or two in the middle (ISO 21920-1 clause 4 names Tmed; the count of
    /// values is the job's).
    fn central(&self, values: &[Decimal]) -> Option<Decision> {
        let sum = values.iter().try_fold(Decimal::ZERO, |sum, value| {
            let next = sum.checked_add(*value)?;
            (next.scale() == sum.scale().max(value.scale())).then_some(next)
        })?;
        let count = u32::try_from(values.len()).ok()?;
        let finding = find(self.characteristic, self.guard, (sum, self.characteristic.unit), count)?;
        let outcome = match finding.proof {
            Proof::Conforms => Outcome::Conforms,
            Proof::Nonconforming => Outcome::Nonconforming,
            Proof::Open | Proof::NoZone => Outcome::Undecided,
        };
        Some(Decision::Decided(outcome, finding.reason()))
    }
}

/// How the values stand to one limit by the 16 % rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum OneLimit {
    /// Accepted.
    Met,
    /// Rejected.
    Broken,
    /// Accepted at the earliest after so many more values.
    Open(u32),
}

impl OneLimit {
    fn needs(self) -> u32 {
        if let OneLimit::Open(needs) = self { needs } else { 0 }
    }
}

/// The one or two values in the middle, by size.
fn middle(values: &[Decimal]) -> Vec<Decimal> {
    let mut sorted = values.to_vec();
    sorted.sort();
    let half = sorted.len() / 2;
    let from = if sorted.len().is_multiple_of(2) { half.saturating_sub(1) } else { half };
    sorted.into_iter().take(half + 1).skip(from).collect()
}

/// The mean of values, exact where it ends, else rounded (half to even) to three digits more than the longest of them:
/// for a row; it is never judged by.
fn mean(values: &[Decimal]) -> Option<Decimal> {
    let sum = values.iter().try_fold(Decimal::ZERO, |sum, value| sum.checked_add(*value))?;
    let digits = values.iter().map(Decimal::scale).max()?.saturating_add(3);
    let mean = sum.checked_div(Decimal::from(values.len()))?.round_dp(digits);
    let shortest = values.iter().map(Decimal::scale).max().unwrap_or_default();
    let mut shown = mean.normalize();
    if shown.scale() < shortest {
        shown.rescale(shortest);
    }
    Some(shown)
}

/// How many more values a slot needs at least before it can be accepted; `None` where it is decided.
pub fn still_needed(characteristic: &Characteristic, slot: &Slot) -> Option<u32> {
    if slot.decided.is_some() {
        return None;
    }
    let values: Vec<Decimal> = slot.counted().filter_map(|attempt| Some(attempt.value?.decimal())).collect();
    let Some(last) = values.last().copied() else { return Some(characteristic.traces.max(1)) };
    let newest = find(characteristic, Guard::None, (last, characteristic.unit), 1)?;
    let counted = Counted { characteristic, guard: Guard::None, newest, values, open_before: false };
    match counted.decide()? {
        Decision::More(needs) => Some(needs),
        Decision::Decided(..) => None,
    }
}

/// The value that a verdict shows: what the rule compared. Under `max` and `16%` the one nearest to its limit, or
/// farthest beyond it; of equals the first.
pub(crate) fn compared(slot: &Slot, characteristic: &Characteristic) -> Option<Value> {
    let values: Option<Vec<Decimal>> =
        slot.counted().map(|attempt| attempt.value.map(|value| value.decimal())).collect();
    match characteristic.rule {
        Rule::Max | Rule::Sixteen => deciding(slot, characteristic).and_then(|attempt| attempt.value),
        Rule::Median => mean(&middle(&values?)).map(Value::from),
        Rule::Mean => mean(&values?).map(Value::from),
    }
}

impl Standing {
    /// The reason that tells it.
    pub(crate) fn reason(self) -> Reason {
        match self {
            Standing::Within => Reason::WithinLimits,
            Standing::Above => Reason::AboveUpper,
            Standing::Below => Reason::BelowLower,
        }
    }
}

/// Whether every characteristic of a job can be judged, and `piece` is one of this job.
pub fn check(job: &Job, piece: &Piece) -> Result<(), Unjudgeable> {
    for characteristic in &job.characteristics {
        if characteristic.upper.is_none() && characteristic.lower.is_none() {
            return Err(Unjudgeable::NoLimit { balloon: characteristic.balloon.clone() });
        }
    }
    let (slots, characteristics) = (piece.slots.len(), job.characteristics.len());
    if slots == characteristics { Ok(()) } else { Err(Unjudgeable::OtherPiece { slots, characteristics }) }
}

/// Of the values that count, the one that decides: nearest to its limit, or farthest beyond it. For an upper limit
/// that is the largest, for a lower one the smallest; of equals the first. None where a rule takes several together.
pub(crate) fn deciding<'a>(slot: &'a Slot, characteristic: &Characteristic) -> Option<&'a Attempt> {
    let margin = |attempt: &Attempt| attempt.value.and_then(|value: Value| margin(value, characteristic));
    match characteristic.rule {
        Rule::Max | Rule::Sixteen => {
            slot.counted().filter(|attempt| margin(attempt).is_some()).min_by_key(|attempt| margin(attempt))
        }
        Rule::Median | Rule::Mean => slot.counted().next().filter(|_| slot.counted().count() == 1),
    }
}
