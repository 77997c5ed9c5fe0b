//! Under which conditions a value was measured, where they are known from, and whether they are those required.
//!
//! What the message states (*observed*) beats what the register says the gauge is set to (*declared*). What a job
//! requires is never taken for what was.

use ridgepost_config::{Amount, Characteristic, Settings, Unwritten};
use ridgepost_parsers::{LengthText, Reading, Unit, Value};
use ridgepost_texture::{DefaultSetting, default_setting, nominal_cutoff_mm};
use rust_decimal::Decimal;

use crate::filter::{plain, same_filter};
use crate::limits::micrometres;
use crate::row::{Reason, Row, Source};

/// One condition: what it is and where that is known from. `value` is `None` where the message states something
/// that can't be read: then the register does not know better.
#[derive(Clone, Debug, PartialEq)]
struct Known<T> {
    value: Option<T>,
    source: Source,
}

/// The conditions of one reading.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Measured {
    /// λc in micrometres.
    cutoff: Known<Decimal>,
    /// λs in micrometres.
    lambda_s: Known<Decimal>,
    sections: Known<u32>,
    filter: Known<String>,
    standard: Known<String>,
    program: Known<String>,
}

impl<T> Known<T> {
    /// `observed`: `None` where the message is silent, `Some(None)` where it can't be read.
    fn new(observed: Option<Option<T>>, declared: Option<T>) -> Self {
        match (observed, declared) {
            (Some(value), _) => Known { source: source_of(value.as_ref(), Source::Observed), value },
            (None, value) => Known { source: source_of(value.as_ref(), Source::Declared), value },
        }
    }

    /// What a requirement says to it.
    fn meets<R>(&self, required: Option<R>, same: impl Fn(&T, R) -> bool) -> Met {
        match (required, &self.value) {
            (None, _) => Met::NotAsked,
            (Some(_), None) => Met::Unknown,
            (Some(required), Some(value)) => {
                if same(value, required) {
                    Met::Yes
                } else {
                    Met::No
                }
            }
        }
    }
}

fn source_of<T>(value: Option<&T>, source: Source) -> Source {
    if value.is_some() { source } else { Source::Unknown }
}

/// Whether a required condition is met.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Met {
    NotAsked,
    Yes,
    No,
    Unknown,
}

impl Measured {
    /// Merges what the message states with what the gauge is declared to be set to.
    pub(crate) fn of(reading: &Reading, declared: Option<&Settings>) -> Self {
        let sent = &reading.conditions;
        let length = |text: LengthText| micrometres(text.value.decimal(), text.unit);
        let amount = |amount: Amount| micrometres(amount.number, amount.unit);
        let sections = |text: &String| text.trim().parse().ok();
        Measured {
            cutoff: Known::new(sent.cutoff.map(length), declared.and_then(|set| set.cutoff).and_then(amount)),
            lambda_s: Known::new(sent.lambda_s.map(length), declared.and_then(|set| set.lambda_s).and_then(amount)),
            sections: Known::new(sent.sections.as_ref().map(sections), declared.and_then(|set| set.sections)),
            filter: Known::new(sent.filter.clone().map(Some), declared.and_then(|set| set.filter.clone())),
            standard: Known::new(sent.standard.clone().map(Some), declared.and_then(|set| set.standard.clone())),
            program: Known::new(
                reading.identity.program.clone().map(Some),
                declared.and_then(|set| set.program.clone()),
            ),
        }
    }

    /// Why these conditions don't let a value be judged by a characteristic; nothing where they do. `measured`: the value in
    /// micrometres, where it is a length.
    pub(crate) fn obstacles(
        &self,
        characteristic: &Characteristic,
        accept_unknown: bool,
        measured: Option<Decimal>,
    ) -> Vec<Reason> {
        let required = &characteristic.conditions;
        let met = self.met(required);
        let program = self.program.meets(required.program.as_ref(), |is, due| same_program(is, due));
        let mut reasons = Vec::new();
        if met.contains(&Met::No) || self.is_not_the_editions(characteristic, measured) {
            reasons.push(Reason::ConditionsMismatch);
        }
        if program == Met::No {
            reasons.push(Reason::ProgramMismatch);
        }
        let unknown = self.lacks_cutoff(characteristic.quantity.is_texture());
        if !accept_unknown && (unknown || program == Met::Unknown || met.contains(&Met::Unknown)) {
            reasons.push(Reason::ConditionsUnknown);
        }
        reasons
    }

    /// Why a value can't be held against one that was measured under these conditions; nothing where it can.
    pub(crate) fn against(&self, certified: &Settings) -> Vec<Reason> {
        let met = self.met(certified);
        let reasons = [(Met::No, Reason::ConditionsMismatch), (Met::Unknown, Reason::ConditionsUnknown)];
        reasons.into_iter().filter_map(|(is, reason)| met.contains(&is).then_some(reason)).collect()
    }

    /// Length that was evaluated, in millimetres: cutoff times sections, 5 where their number is not known (common practice).
    pub(crate) fn evaluated_mm(&self) -> Option<Decimal> {
        cutoff_mm(self.cutoff.value?)?.checked_mul(Decimal::from(self.sections.value.unwrap_or(5)))
    }

    /// Whether the edition asks for another cutoff, where none is written, or for other sections. What is not known is not
    /// held against it: the cutoff is asked for anyway, and few instruments tell the number of sections.
    fn is_not_the_editions(&self, characteristic: &Characteristic, measured: Option<Decimal>) -> bool {
        let Some(setting) = setting_of(characteristic, measured) else { return false };
        let other_cutoff = self.cutoff.value.is_some_and(|is| cutoff_mm(is) != Some(setting.cutoff_mm.normalize()));
        let none_written = characteristic.conditions.sections.is_none();
        other_cutoff || (none_written && self.sections.value.is_some_and(|sections| sections != setting.sections))
    }

    /// How the required conditions, the program apart, are met.
    fn met(&self, required: &Settings) -> [Met; 5] {
        let length = |is: &Decimal, due: Amount| micrometres(due.number, due.unit) == Some(*is);
        let cutoff = |is: &Decimal, due: Amount| {
            let due = micrometres(due.number, due.unit).and_then(cutoff_mm);
            due.is_some() && due == cutoff_mm(*is)
        };
        [
            self.cutoff.meets(required.cutoff, cutoff),
            self.lambda_s.meets(required.lambda_s, length),
            self.sections.meets(required.sections, |is, due| *is == due),
            self.filter.meets(required.filter.as_ref(), |is, due| same_filter(is, due)),
            self.standard.meets(required.standard.as_ref(), |is, due| plain(is) == plain(due)),
        ]
    }

    /// A parameter of a profile means nothing without its cutoff.
    fn lacks_cutoff(&self, texture: bool) -> bool {
        texture && self.cutoff.value.is_none()
    }

    /// Where the conditions are known from: `unknown` where the cutoff of a texture parameter, or one required, is
    /// not known; `None` where nothing is known and nothing needed.
    fn source(&self, texture: bool, required: Option<&Settings>) -> Option<Source> {
        let program = required.and_then(|required| required.program.as_ref());
        let needed = required.is_some_and(|required| self.met(required).contains(&Met::Unknown))
            || (program.is_some() && self.program.value.is_none());
        if needed || self.lacks_cutoff(texture) {
            return Some(Source::Unknown);
        }
        let shown = [
            self.cutoff.source,
            self.lambda_s.source,
            self.sections.source,
            self.filter.source,
            self.standard.source,
            if program.is_some() { self.program.source } else { Source::Unknown },
        ];
        match (shown.contains(&Source::Observed), shown.contains(&Source::Declared)) {
            (true, true) => Some(Source::Mixed),
            (true, false) => Some(Source::Observed),
            (false, true) => Some(Source::Declared),
            (false, false) => None,
        }
    }

    /// Writes the conditions into a row; what is not known stays empty.
    pub(crate) fn fill(&self, row: &mut Row, texture: bool, required: Option<&Settings>) {
        row.cutoff_mm = self.cutoff.value.and_then(cutoff_mm).map(Value::from);
        row.sections = self.sections.value;
        row.lambda_s_um = self.lambda_s.value.map(|lambda_s| Value::from(lambda_s.normalize()));
        row.filter = self.filter.value.clone();
        row.standard = self.standard.value.clone();
        row.conditions_source = self.source(texture, required);
    }
}

/// What the edition asks for where the job writes no cutoff; `measured`: the value in micrometres.
fn setting_of(characteristic: &Characteristic, measured: Option<Decimal>) -> Option<DefaultSetting> {
    match characteristic.unwritten {
        Unwritten::Nothing => None,
        Unwritten::OfLimit(setting) => Some(setting),
        Unwritten::OfMeasured(edition) => default_setting(edition, characteristic.quantity.symbol(), measured?),
    }
}

/// The conditions of a row that are not those its characteristic requires, in words: `cutoff 0.25 mm, required 0.8 mm`. The
/// program apart, which no row holds.
pub fn other_conditions(characteristic: &Characteristic, row: &Row) -> Vec<String> {
    let required = &characteristic.conditions;
    let measured = row.value.zip(row.unit).and_then(|(value, unit)| micrometres(value.decimal(), unit));
    let setting = setting_of(characteristic, measured);
    let amount = |amount: Amount| micrometres(amount.number, amount.unit);
    let in_mm = |length: Decimal| format!("{} mm", length.normalize());
    let in_um = |length: Decimal| format!("{} µm", length.normalize());
    let cutoff = required.cutoff.and_then(amount).and_then(cutoff_mm).or(setting.map(|setting| setting.cutoff_mm));
    let sections = required.sections.or(setting.map(|setting| setting.sections));
    let is_cutoff = row.cutoff_mm.map(Value::decimal);
    let is_lambda_s = row.lambda_s_um.map(Value::decimal);
    let filter = (row.filter.as_deref(), required.filter.as_deref());
    let standard = (row.standard.as_deref(), required.standard.as_deref());
    let all = [
        ("cutoff", other(is_cutoff, cutoff, |is, due| is == due, in_mm)),
        ("\u{3bb}s", other(is_lambda_s, required.lambda_s.and_then(amount), |is, due| is == due, in_um)),
        ("sections", other(row.sections, sections, |is, due| is == due, |sections| sections.to_string())),
        ("filter", other(filter.0, filter.1, |is, due| same_filter(is, due), str::to_owned)),
        ("standard", other(standard.0, standard.1, |is, due| plain(is) == plain(due), str::to_owned)),
    ];
    all.into_iter().filter_map(|(name, words)| Some(format!("{name} {}", words?))).collect()
}

/// `IS, required DUE` where both are known and differ.
fn other<T>(
    is: Option<T>,
    due: Option<T>,
    same: impl Fn(&T, &T) -> bool,
    shown: impl Fn(T) -> String,
) -> Option<String> {
    let (is, due) = is.zip(due).filter(|(is, due)| !same(is, due))?;
    Some(format!("{}, required {}", shown(is), shown(due)))
}

/// A cutoff in mm: the metric nominal it stands for, else its own length; `None` beyond 28 digits.
fn cutoff_mm(micrometres: Decimal) -> Option<Decimal> {
    nominal_cutoff_mm(micrometres)
        .or_else(|| Unit::Micrometre.convert(micrometres, Unit::Millimetre))
        .map(|length| length.normalize())
}

/// Whether two names mean one stored program: leading zeros and letter case are typing.
fn same_program(first: &str, second: &str) -> bool {
    let name = |text: &str| {
        let name = text.trim().to_lowercase();
        if name.bytes().all(|byte| byte.is_ascii_digit()) { name.trim_start_matches('0').to_owned() } else { name }
    };
    name(first) == name(second)
}
