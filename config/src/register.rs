//! Gauges and specimens as the register has them, and by which rule a gauge is verified.

use std::collections::BTreeMap;

use jiff::civil::{Date, Time};
use ridgepost_parsers::{Quantity, UnitKind};
use rust_decimal::{Decimal, dec};

use crate::plan::{Amount, Settings};

/// One registered physical instrument.
#[derive(Clone, Debug, PartialEq)]
pub struct Gauge {
    /// Its id in the register.
    pub id: String,
    /// What it is: `stylus`, `calliper`, `micrometer`, `indicator`, `bore`, `hardness` or the shop's own word.
    pub kind: String,
    /// The number that its maker gave it.
    pub serial: Option<String>,
    /// A skid follows the surface: P, W and Rt mean nothing.
    pub skidded: bool,
    /// Last day its calibration holds.
    pub calibration_due: Option<Date>,
    /// Number of the certificate of that calibration.
    pub certificate: Option<String>,
    /// The stylus in it.
    pub stylus: Option<Stylus>,
    /// What it is declared to be set to.
    pub settings: Settings,
    /// Corrections that are set in the gauge itself, in per cent of the value: declared, and never applied a second time.
    pub correction: BTreeMap<Quantity, Decimal>,
    /// Expanded uncertainties of its values; a share of the value where one is in per cent and the quantity is not.
    pub uncertainty: BTreeMap<Quantity, Amount>,
    /// Coverage factor k of all of them, above 0; 2 where not written.
    pub coverage_factor: Decimal,
    /// By which rule it is verified: its own words before the shop's.
    pub verification: VerificationRule,
    /// The last verification that was good, as stated by the shop.
    pub verified: Option<Verified>,
    /// Set aside by the shop: found bad.
    pub failed: Option<String>,
}

/// A stylus.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stylus {
    /// Its id.
    pub id: String,
    /// Radius of its tip.
    pub tip_radius: Option<Amount>,
}

/// A verification stated in the register.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verified {
    /// The day it was done.
    pub on: Date,
    /// The last day it holds; without one it holds until the calibration is due.
    pub until: Option<Date>,
    /// Where it is recorded.
    pub source: String,
}

/// A registered material measure.
#[derive(Clone, Debug, PartialEq)]
pub struct Specimen {
    /// Its id in the register.
    pub id: String,
    /// The number that its maker gave it.
    pub serial: Option<String>,
    /// Certified values.
    pub certified: BTreeMap<Quantity, Amount>,
    /// Expanded uncertainties.
    pub uncertainty: BTreeMap<Quantity, Amount>,
    /// Coverage factor k of all of them; 2 where not written.
    pub coverage_factor: Decimal,
    /// Number of the certificate.
    pub certificate: Option<String>,
    /// SHA-256 of the certificate's file, lower-case hex, where it was taken from one.
    pub certificate_sha256: Option<String>,
    /// Conditions that the certified values were measured under.
    pub conditions: Settings,
    /// Last day its certificate holds.
    pub due: Option<Date>,
}

/// How a gauge is held against a specimen, and for how long that holds.
#[derive(Clone, Debug, PartialEq)]
pub struct VerificationRule {
    /// The specimen, where no other is named.
    pub specimen: Option<String>,
    /// Values of a quantity that are due.
    pub traces: u32,
    /// How far a mean may be from the certified value; a share of it where one is in per cent and the quantity is not.
    pub permitted: BTreeMap<Quantity, Amount>,
    /// Hours that it holds.
    pub hours: Option<u32>,
    /// When shifts begin: it holds until the next one.
    pub shifts: Vec<Time>,
    /// Readings of the gauge that it holds for.
    pub readings: Option<u32>,
    /// Length of surface traced that it holds for.
    pub distance: Option<Amount>,
    /// Minutes within which the values must come.
    pub within_minutes: u32,
}

impl VerificationRule {
    /// Values due where nothing is written: 3 to 5 are common practice (no source).
    pub const TRACES: u32 = 3;
    /// Minutes for them where nothing is written.
    pub const WITHIN_MINUTES: u32 = 30;

    /// How far the mean of a quantity may be from its certified value, in the unit of that. Where nothing is written, 10 %
    /// for texture (a shop's alarm; common practice, no source) and nothing for all else; `None` there, or where the digits
    /// run out.
    pub fn permitted(&self, quantity: &Quantity, certified: Amount) -> Option<Decimal> {
        let written = self.permitted.get(quantity);
        let share = |percent: Decimal| certified.number.abs().checked_mul(percent)?.checked_div(dec!(100));
        match written {
            None if quantity.is_texture() && quantity.unit_kind() == UnitKind::Length => share(dec!(10)),
            None => None,
            Some(stated) if stated.unit.kind() == UnitKind::Ratio && quantity.unit_kind() != UnitKind::Ratio => {
                share(stated.number)
            }
            Some(stated) => stated.unit.convert(stated.number, certified.unit),
        }
    }
}

impl Default for VerificationRule {
    fn default() -> Self {
        VerificationRule {
            specimen: None,
            traces: Self::TRACES,
            permitted: BTreeMap::new(),
            hours: None,
            shifts: vec![],
            readings: None,
            distance: None,
            within_minutes: Self::WITHIN_MINUTES,
        }
    }
}
