//! In what state a gauge is on a day, by the register alone.

use jiff::civil::Date;
use ridgepost_config::{Gauge, Plan};

use crate::filter::same_filter;
use crate::row::{GaugeState, Reason};

/// State of a gauge on the local day `today`, and why it is not good; no reason beside `verified`. Where nobody knows what
/// day it is, no date is held to have come or not: a gauge that has any is in an `unknown` state.
///
/// A day named as the last one still counts. A verification without a last day holds until the calibration is due.
pub fn gauge_state(gauge: Option<&Gauge>, today: Option<Date>) -> (GaugeState, Vec<Reason>) {
    let state = match gauge {
        None => GaugeState::Unknown,
        Some(gauge) => registered(gauge, today),
    };
    (state, state.reason().into_iter().collect())
}

fn registered(gauge: &Gauge, today: Option<Date>) -> GaugeState {
    if gauge.failed.is_some() {
        return GaugeState::Failed;
    }
    let Some(today) = today else {
        let has_dates = gauge.calibration_due.is_some() || gauge.verified.is_some();
        return if has_dates { GaugeState::Unknown } else { GaugeState::Unverified };
    };
    if gauge.calibration_due.is_some_and(|due| due < today) {
        return GaugeState::Overdue;
    }
    match &gauge.verified {
        None => GaugeState::Unverified,
        Some(verified) if verified.until.is_some_and(|until| until < today) => GaugeState::Overdue,
        Some(verified) if verified.on > today => GaugeState::Unverified,
        Some(_) => GaugeState::Verified,
    }
}

/// What a person should look at in a register on a day: dates that are past, and filters that differ where a gauge is
/// verified with a specimen. A sentence each.
pub fn register_concerns(plan: &Plan, today: Date) -> Vec<String> {
    let mut concerns = Vec::new();
    for gauge in plan.gauges.values() {
        let id = &gauge.id;
        if let Some(due) = gauge.calibration_due.filter(|due| *due < today) {
            concerns.push(format!("gauge {id}: its calibration was due on {due}; its readings are `gauge-overdue`"));
        }
        let until = gauge.verified.as_ref().and_then(|verified| verified.until);
        if let Some(until) = until.filter(|until| *until < today) {
            concerns.push(format!("gauge {id}: the verification written in the register held until {until}"));
        }
        let specimen = gauge.verification.specimen.as_ref().and_then(|id| plan.specimens.get(id));
        if let Some(specimen) = specimen
            && let (Some(certified), Some(set)) = (&specimen.conditions.filter, &gauge.settings.filter)
            && !same_filter(certified, set)
        {
            let specimen = &specimen.id;
            concerns.push(format!(
                "gauge {id}: specimen {specimen} was certified with filter {certified}, and the gauge is declared to be set to \
                 {set}; no verification passes like this"
            ));
        }
    }
    for specimen in plan.specimens.values() {
        if let Some(due) = specimen.due.filter(|due| *due < today) {
            concerns.push(format!(
                "specimen {}: its certificate was due on {due}; no verification with it passes",
                specimen.id
            ));
        }
    }
    concerns
}

/// Days before a due date from which on it is told of (common practice, no source).
const SOON_DAYS: i32 = 30;

/// What runs out within the next 30 days, today included: a sentence each, the days left in it.
pub fn due_soon(plan: &Plan, today: Date) -> Vec<String> {
    let left = |due: Date| (due - today).get_days();
    let told = |what: String, due: Option<Date>| {
        let days = due.map(left).filter(|days| (0..=SOON_DAYS).contains(days))?;
        let when = match days {
            0 => "today".to_owned(),
            1 => "tomorrow".to_owned(),
            days => format!("in {days} days"),
        };
        Some(format!("{what} runs out {when}, on {}", due?))
    };
    let gauges = plan.gauges.values().flat_map(|gauge| {
        let until = gauge.verified.as_ref().and_then(|verified| verified.until);
        [
            told(format!("gauge {}: its calibration", gauge.id), gauge.calibration_due),
            told(format!("gauge {}: the verification written in the register", gauge.id), until),
        ]
    });
    let specimens = plan.specimens.values().map(|it| told(format!("specimen {}: its certificate", it.id), it.due));
    gauges.chain(specimens).flatten().collect()
}

impl GaugeState {
    /// What a reading of a gauge in this state is held or marked for; `None` where the state is good.
    pub fn reason(self) -> Option<Reason> {
        match self {
            GaugeState::Verified => None,
            GaugeState::Unverified => Some(Reason::GaugeUnverified),
            GaugeState::Overdue => Some(Reason::GaugeOverdue),
            GaugeState::Failed => Some(Reason::GaugeFailed),
            GaugeState::Unknown => Some(Reason::GaugeUnknown),
        }
    }
}
