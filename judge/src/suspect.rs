//! What a gauge that was found bad measured: how far each value is from its limit, and what it would have been without the
//! error that was found. A help to find the parts to look at again; it changes no outcome.

use std::collections::BTreeMap;

use ridgepost_parsers::{Quantity, Unit, UnitKind};
use rust_decimal::{Decimal, RoundingStrategy, dec};

/// How far a gauge was off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Bias {
    /// It showed so many per cent of the true value too much.
    Percent(Decimal),
    /// It showed so much too much, in this unit.
    Offset(Decimal, Unit),
}

impl Bias {
    /// What a verification found: in proportion for heights and lengths of texture, which a wrong gain scales; an offset for all
    /// else, which a wrong zero shifts (common practice, no source). `None` where the certified value is zero.
    pub fn found(quantity: &Quantity, certified: Decimal, deviation: Decimal, unit: Unit) -> Option<Bias> {
        if !is_scaled(quantity) {
            return Some(Bias::Offset(deviation, unit));
        }
        let percent = deviation.checked_mul(dec!(100))?.checked_div(certified)?;
        Some(Bias::Percent(percent.round_dp(6).normalize()))
    }

    /// A value without it, two digits more than it has, half to even; `None` where it has another kind of unit or the digits run
    /// out.
    pub fn taken_off(self, value: Decimal, unit: Unit) -> Option<Decimal> {
        let exact = match self {
            Bias::Percent(percent) => {
                let gain = dec!(100).checked_add(percent).filter(|gain| *gain > Decimal::ZERO)?;
                value.checked_mul(dec!(100))?.checked_div(gain)?
            }
            Bias::Offset(offset, of) => value.checked_sub(of.convert(offset, unit)?)?,
        };
        let mut rounded = exact.round_dp_with_strategy(value.scale() + 2, RoundingStrategy::MidpointNearestEven);
        rounded.rescale(value.scale() + 2);
        Some(rounded)
    }
}

/// Biases of a gauge by quantity.
pub type Biases = BTreeMap<Quantity, Bias>;

fn is_scaled(quantity: &Quantity) -> bool {
    quantity.is_texture() && quantity.unit_kind() == UnitKind::Length
}

/// The bias that counts for a quantity, and of which it was found: its own, else for a height or length of texture the largest
/// share found of another one.
pub fn bias_for(biases: &Biases, quantity: &Quantity) -> Option<(Quantity, Bias)> {
    if let Some(bias) = biases.get(quantity) {
        return Some((quantity.clone(), *bias));
    }
    let shares = biases.iter().filter_map(|(of, bias)| match bias {
        Bias::Percent(percent) if is_scaled(of) => Some((percent.abs(), of)),
        _ => None,
    });
    let (_, of) = shares.max_by_key(|(share, _)| *share).filter(|_| is_scaled(quantity))?;
    Some((of.clone(), *biases.get(of)?))
}

/// How far a value is inside its limits: the way to the nearer one, negative outside; `None` without limits. All in one unit.
pub fn margin(value: Decimal, lower: Option<Decimal>, upper: Option<Decimal>) -> Option<Decimal> {
    let below = upper.and_then(|upper| upper.checked_sub(value));
    let above = lower.and_then(|lower| value.checked_sub(lower));
    below.into_iter().chain(above).min()
}
