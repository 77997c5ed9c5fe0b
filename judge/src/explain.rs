//! Each reason in plain words, for the person at the bench.

use crate::row::Reason;

/// What a reason of a row means and what can be done: a code, or `missing:12,14`. A code that is none of the list is
/// handed back as unknown.
pub fn explain(reason: &str) -> String {
    if let Some(balloons) = reason.strip_prefix("missing:") {
        let word = if balloons.contains(',') { "balloons" } else { "balloon" };
        return format!("no verdict yet for {word} {}: measure what is missing", balloons.replace(',', ", "));
    }
    if let Some(balloons) = reason.strip_prefix("not-due:") {
        return format!("not due on this piece by the job's sampling: {}", balloons.replace(',', ", "));
    }
    if let Some(what) = reason.strip_prefix("disposed:") {
        return format!(
            "a person wrote down what becomes of the part: {}; no outcome is changed by it",
            what.replace('-', " ")
        );
    }
    match Reason::parse(reason) {
        Some(reason) => reason.explanation().to_owned(),
        None => format!("`{reason}` is no reason that this version knows"),
    }
}

impl Reason {
    /// What it means and what can be done about it: lower case, no full stop.
    pub fn explanation(self) -> &'static str {
        match self {
            Reason::WithinLimits => "the value lies within the limits; a value on a limit is within",
            Reason::AboveUpper => "the value is greater than the upper limit",
            Reason::BelowLower => "the value is smaller than the lower limit",
            Reason::InsideGuardBand => "the value is so near to the limit that the uncertainty does not let one say",
            Reason::NoAcceptanceZone => {
                "the limits lie closer together than twice the guard band: this gauge can't show conformity, take one with less uncertainty"
            }
            Reason::UncertaintyUnknown => {
                "the job's decision rule needs the uncertainty of this gauge for this quantity: write it into the gauge register"
            }
            Reason::MoreTracesNeeded => {
                "the rule needs more traces before it can decide: measure again at another place"
            }
            Reason::Mark => "the instrument showed a mark in place of a good number (over, under, not settled, error)",
            Reason::NoJob => "no job was open when it was measured: open the job first",
            Reason::NoCharacteristic => {
                "the open job asks for no such quantity from this station: kept for information"
            }
            Reason::Unassigned => "nobody knows which piece it belongs to: assign it",
            Reason::StoredReading => {
                "it comes from the instrument's memory or came late, and nothing ties it to a part and a job of its time"
            }
            Reason::ConditionsMismatch | Reason::ConditionsUnknown | Reason::ProgramMismatch => self.of_conditions(),
            Reason::NoMaster => {
                "the instrument sent a deviation, and the job does not say from what: write the master it is set with into the job"
            }
            Reason::Converted => {
                "the instrument converted it from the scale it measured in: a converted hardness is no measured one, and only a job that says accept_converted takes it"
            }
            Reason::UnitSuspect => {
                "the unit does not look right: the number would fit with another one (inch and mm, µm and nm)"
            }
            Reason::Implausible => {
                "the number is outside of what this quantity can be here: look at unit, decimal mark and set-up"
            }
            Reason::SlipInch
            | Reason::SlipMicroinch
            | Reason::SlipThousand
            | Reason::DecimalLost
            | Reason::OtherParameter
            | Reason::SpecimenValue => self.usual_cause(),
            Reason::OrderBroken => {
                "values of one trace contradict each other: Ra, Rq, Rz, Rmax and Rt must rise in this order"
            }
            Reason::GaugeUnverified | Reason::GaugeOverdue | Reason::GaugeFailed | Reason::GaugeUnknown => {
                self.of_gauge()
            }
            Reason::RetestLimit => {
                "there were more retests than the job allows: only the first measurement counts, look at why it was measured again"
            }
            Reason::InstrumentDisagrees => {
                "the instrument's own verdict is another one: look at its limits and rounding"
            }
            Reason::InstrumentLimits => {
                "the instrument judges by other limits than the job: its own verdict is about something else, look at its program"
            }
            Reason::TraceDisagrees => "the value computed anew from the profile is another one than the instrument's",
            Reason::Skidded => "a tester with a skid can't measure this quantity: use a skidless one",
            Reason::Missing => "something that was due has no verdict: measure what is missing",
            Reason::NotDue => "not due on this piece by the job's sampling",
            Reason::SpecimenReading => "it is of a specimen, for a verification of the gauge, not of a part",
            Reason::Mode => "it was not taken in production",
            Reason::Voided => "it was declared void",
            Reason::Superseded => "another row took its place",
            Reason::Disposed => "a person wrote down what becomes of the part; no outcome is changed by it",
        }
    }

    /// What is wrong with the conditions.
    fn of_conditions(self) -> &'static str {
        match self {
            Reason::ConditionsMismatch => {
                "it was measured with other settings (cutoff, sections, filter, standard) than the job requires: set the instrument and measure again"
            }
            Reason::ConditionsUnknown => {
                "nobody knows with which settings it was measured: let the instrument send them, or declare them in the gauge register"
            }
            Reason::ProgramMismatch => "the instrument ran another stored program than the job requires",
            _ => "nothing is known against the conditions",
        }
    }

    /// What is wrong with the gauge.
    fn of_gauge(self) -> &'static str {
        match self {
            Reason::GaugeUnverified => "the gauge has no good verification: verify it",
            Reason::GaugeOverdue => "the gauge's calibration or verification has run out: have it renewed",
            Reason::GaugeFailed => "the gauge was found bad and set aside: use another one",
            Reason::GaugeUnknown => "the gauge is not in the register: register it",
            _ => "nothing is known against the gauge",
        }
    }

    /// What usually leads to such a value.
    fn usual_cause(self) -> &'static str {
        match self {
            Reason::SlipInch => {
                "it would fit 25.4 times larger or smaller: inch and mm, or mil and µm, were mixed up; look at the instrument's unit"
            }
            Reason::SlipMicroinch => {
                "it would fit 39.37 times larger or smaller: µm and µin were mixed up; look at the instrument's unit"
            }
            Reason::SlipThousand => {
                "it would fit a thousand times larger or smaller: neighbouring units (nm, µm, mm) were mixed up"
            }
            Reason::DecimalLost => {
                "it would fit with a decimal point, and none was sent: look at the instrument's output and its definition"
            }
            Reason::OtherParameter => "it would fit as Rz: look at which parameter the instrument sends",
            Reason::SpecimenValue => {
                "it is like the certified value of a specimen: was the specimen measured? Then void it and verify the gauge"
            }
            _ => "no usual cause is known",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reason_has_words_of_its_own() {
        let mut words: Vec<_> = Reason::ALL.iter().map(|reason| reason.explanation()).collect();
        assert!(words.iter().all(|words| !words.ends_with('.') && words.len() > 10));
        words.sort_unstable();
        words.dedup();
        assert_eq!(words.len(), Reason::ALL.len());
    }

    #[test]
    fn missing_names_its_balloons() {
        assert!(explain("missing:12,14").contains("balloons 12, 14"));
        assert!(explain("missing:12").contains("balloon 12:"));
        assert_eq!(explain("no-job"), Reason::NoJob.explanation());
        assert!(explain("nonsense").contains("nonsense"));
    }
}
