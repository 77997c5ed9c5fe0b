//! Verifications inside the writer's transaction: begun by a person or by a label's mode, fed by readings of the gauge,
//! decided when the specimen's values are complete.
//!
//! While one is under way every live reading of the gauge is of the specimen. It ends by its decision, by a person, or when
//! the rule's time is over, so that no reading of a part can be taken for one of the specimen for long.

use ridgepost_config::{Authority, Gauge, Specimen, refusal};
use ridgepost_judge::{self as judge, Compared, GaugeState, Kind, Mode, Reason, Row, Values};
use ridgepost_parsers::Reading;
use serde_json::{Value as Json, json};

use super::StoreFault;
use super::gauge::{GaugeCommand, Phase, Session};
use super::happened::Happened;
use super::held::Spoken;
use super::parcel::Posted;
use super::record::{Provenance, Recorder};
use super::row::Around;
use crate::clock::Stamp;

impl<'a> Recorder<'a> {
    /// Does what a person says about a gauge: what was done, or why nothing is.
    pub(super) fn gauge_command(&mut self, command: &GaugeCommand) -> Result<Result<String, String>, StoreFault> {
        let gauge = command.gauge();
        if !self.plan.gauges.contains_key(gauge) {
            let ids: Vec<&str> = self.plan.gauges.keys().map(String::as_str).collect();
            return Ok(Err(format!("there is no gauge `{gauge}` in gauges.toml; there are: {}", ids.join(", "))));
        }
        let authority = match command {
            GaugeCommand::Verify { .. } | GaugeCommand::Stop { .. } => Authority::Verify,
            GaugeCommand::Happened { .. } | GaugeCommand::Tell { .. } => Authority::Gauge,
        };
        if let Some(why) = refusal(self.plan.operators.as_deref(), command.by(), authority) {
            return Ok(Err(why));
        }
        let now = self.now.clone();
        match command {
            GaugeCommand::Verify { gauge, specimen, phase, by } => {
                self.begin_verification(gauge, specimen.as_deref(), *phase, Some(by), &now)
            }
            GaugeCommand::Stop { gauge, by, reason } => {
                if self.session(gauge).is_none() {
                    return Ok(Err(format!("no verification of gauge {gauge} is under way")));
                }
                self.stop_verification(gauge, Some(by), reason, &now)?;
                Ok(Ok(format!("the verification of gauge {gauge} is given up; its state is as it was before")))
            }
            GaugeCommand::Happened { gauge, what, by, reason } => self.person_tells(gauge, what, by, reason, &now),
            GaugeCommand::Tell { gauge, by, reason } => self.tell_suspects(gauge, by, reason),
        }
    }

    fn person_tells(
        &mut self,
        gauge: &str,
        what: &str,
        by: &str,
        reason: &str,
        now: &Stamp,
    ) -> Result<Result<String, String>, StoreFault> {
        let Some(happened) = Happened::parse(what).filter(|happened| happened.is_told_by_people()) else {
            return Ok(Err(format!("`{what}` is nothing that a person can tell of a gauge")));
        };
        if happened == Happened::Settled {
            return self.settle_doubt(gauge, by, reason, now);
        }
        if self.session(gauge).is_some() {
            self.stop_verification(gauge, Some(by), happened.words(), now)?;
        }
        self.happened(gauge, happened, Some(by), now, &json!({ "reason": reason }))?;
        let state = self.state_of(gauge, now.us);
        self.gauge_notice(gauge, state, None)?;
        let words = format!("gauge {gauge}: {}; it is {state} now, verify it", happened.words());
        tracing::warn!(code = "gauge-state", "{words} ({reason}, {by})");
        Ok(Ok(words))
    }

    /// State of a gauge, at a time of today.
    pub(super) fn state_of(&self, gauge: &str, us: i64) -> GaugeState {
        self.context.gauges.state(self.plan, gauge, &self.as_of(us))
    }

    fn session(&self, gauge: &str) -> Option<&Session> {
        self.context.gauges.known.get(gauge)?.session.as_ref()
    }

    fn begin_verification(
        &mut self,
        id: &str,
        specimen: Option<&str>,
        phase: Phase,
        by: Option<&str>,
        at: &Stamp,
    ) -> Result<Result<String, String>, StoreFault> {
        let plan = self.plan;
        let Some(gauge) = plan.gauges.get(id) else { return Ok(Err(format!("gauge {id} is not in gauges.toml"))) };
        let Some(named) = specimen.or(gauge.verification.specimen.as_deref()) else {
            return Ok(Err(format!(
                "gauge {id} has no specimen: write one into its `verification` in gauges.toml, or name it"
            )));
        };
        let Some(specimen) = plan.specimens.get(named) else {
            let ids: Vec<&str> = plan.specimens.keys().map(String::as_str).collect();
            return Ok(Err(format!("there is no specimen `{named}` in gauges.toml; there are: {}", ids.join(", "))));
        };
        let objections = judge::verification_objections(gauge, specimen, self.day_for_dates);
        if !objections.is_empty() {
            return Ok(Err(format!("gauge {id} can't be verified: {}", objections.join("; "))));
        }
        if self.session(id).is_some() {
            self.stop_verification(id, by, "begun anew", at)?;
        }
        let body = json!({ "specimen": specimen.id, "phase": phase, "certificate": specimen.certificate });
        let began = self.happened(id, Happened::Began, by, at, &body)?;
        self.context.gauges.change(id).session = Some(Session {
            began,
            began_us: at.us,
            specimen: specimen.id.clone(),
            phase,
            by: by.map(str::to_owned),
            values: Values::new(),
            not_counted: 0,
        });
        let rule = &gauge.verification;
        let due = judge::quantities_due(rule, specimen);
        let due: Vec<String> = due.iter().map(ToString::to_string).collect();
        Ok(Ok(format!(
            "the next readings of gauge {id} are of specimen {}: measure {} {} within {} minutes, under the conditions of its \
             certificate",
            specimen.id,
            rule.traces,
            due.join(" and "),
            rule.within_minutes
        )))
    }

    fn stop_verification(&mut self, gauge: &str, by: Option<&str>, why: &str, at: &Stamp) -> Result<(), StoreFault> {
        if self.context.gauges.change(gauge).session.take().is_some() {
            self.happened(gauge, Happened::Stopped, by, at, &json!({ "reason": why }))?;
            tracing::info!(
                code = "verification",
                gauge,
                "the verification of gauge {gauge} ended without a result: {why}"
            );
        }
        Ok(())
    }

    /// Ends verifications whose time is over, or whose gauge or specimen is not in the register any more.
    pub(super) fn end_old_verifications(&mut self, us: i64, at: &Stamp) -> Result<(), StoreFault> {
        let (plan, gauges) = (self.plan, self.context.gauges.known.clone());
        for (id, known) in gauges.iter() {
            let Some(session) = &known.session else { continue };
            let why = match plan.gauges.get(id).zip(plan.specimens.get(&session.specimen)) {
                None => "gauge or specimen is not in the register any more".to_owned(),
                Some((gauge, _)) => {
                    let minutes = gauge.verification.within_minutes;
                    let until = session.began_us.saturating_add(i64::from(minutes) * 60_000_000);
                    // A clock that was set back says nothing about how long it takes.
                    if us <= until {
                        continue;
                    }
                    format!("it was not complete within {minutes} minutes")
                }
            };
            self.stop_verification(id, None, &why, at)?;
        }
        Ok(())
    }

    /// The specimen that live readings of a gauge are of. A label that says `verification` begins one where the gauge's rule
    /// names a specimen.
    pub(super) fn specimen_of(
        &mut self,
        gauge: Option<&Gauge>,
        (mode, spoken): (Mode, &Spoken),
        at: &Stamp,
    ) -> Result<Option<&'a Specimen>, StoreFault> {
        let (Some(gauge), plan) = (gauge, self.plan) else { return Ok(None) };
        self.end_old_verifications(at.us, at)?;
        let begins = mode == Mode::Verification && self.session(&gauge.id).is_none();
        if begins
            && let Err(why) =
                self.begin_verification(&gauge.id, None, Phase::AsFound, spoken.operator.as_deref(), at)?
        {
            tracing::warn!(
                code = "verification",
                "gauge {}: {why}; the reading is kept with mode verification",
                gauge.id
            );
        }
        Ok(self.session(&gauge.id).and_then(|session| plan.specimens.get(&session.specimen)))
    }

    /// A gauge was read: counts that where its verification holds for so many readings or so much length, and takes readings of
    /// a specimen.
    pub(super) fn gauge_used(
        &mut self,
        gauge: &Gauge,
        specimen: Option<&Specimen>,
        from: &Provenance,
        readings: &[(i64, &Reading)],
    ) -> Result<(), StoreFault> {
        let rule = &gauge.verification;
        if rule.readings.is_some() || rule.distance.is_some() {
            let traced = readings.iter().filter_map(|(_, reading)| judge::traced_mm(gauge, reading)).max();
            if let Some(since) = &mut self.context.gauges.change(&gauge.id).since {
                since.readings = since.readings.saturating_add(readings.len() as u64);
                since.traced_mm = since.traced_mm.saturating_add(traced.unwrap_or_default());
            }
        }
        match specimen {
            Some(specimen) => self.specimen_read((gauge, specimen), from, readings),
            None => Ok(()),
        }
    }

    /// Takes readings of the specimen, each with its result's number; decides when they are complete.
    pub(super) fn specimen_read(
        &mut self,
        (gauge, specimen): (&Gauge, &Specimen),
        from: &Provenance,
        readings: &[(i64, &Reading)],
    ) -> Result<(), StoreFault> {
        for (seq, reading) in readings {
            // The tester is verified by what it shows; what is computed from its profile serves where it shows nothing.
            let is_own = |(_, own): &(i64, &Reading)| !own.computed && own.quantity == reading.quantity;
            if reading.computed && readings.iter().any(is_own) {
                continue;
            }
            let quantity = reading.quantity.to_string();
            match judge::specimen_value(gauge, specimen, reading) {
                Ok(None) => {}
                Ok(Some(value)) => {
                    let body = json!({ "seq": seq, "quantity": quantity, "value": value });
                    self.happened(&gauge.id, Happened::Counted, None, &from.received, &body)?;
                    if let Some(session) = &mut self.context.gauges.change(&gauge.id).session {
                        session.values.entry(reading.quantity.clone()).or_default().push(value);
                    }
                }
                Err(why) => {
                    let codes: Vec<&str> = why.iter().map(|reason| reason.code()).collect();
                    let body = json!({ "seq": seq, "quantity": quantity, "value_as_sent": reading.value_as_sent, "reasons": codes });
                    self.happened(&gauge.id, Happened::NotCounted, None, &from.received, &body)?;
                    tracing::warn!(
                        code = "verification",
                        "{quantity} {} of specimen {} does not count for gauge {}: {}",
                        reading.value_as_sent,
                        specimen.id,
                        gauge.id,
                        why.iter().map(|reason| reason.explanation()).collect::<Vec<_>>().join("; ")
                    );
                    if let Some(session) = &mut self.context.gauges.change(&gauge.id).session {
                        session.not_counted += 1;
                    }
                }
            }
        }
        self.decide(gauge, specimen, from)
    }

    fn decide(&mut self, gauge: &Gauge, specimen: &Specimen, from: &Provenance) -> Result<(), StoreFault> {
        let Some(session) = self.session(&gauge.id).cloned() else { return Ok(()) };
        let Some(compared) = judge::compared(gauge, specimen, &session.values) else { return Ok(()) };
        // The register may have changed since it began.
        let objections = judge::verification_objections(gauge, specimen, self.day_for_dates);
        let passed = objections.is_empty() && compared.iter().all(|compared| compared.within);
        let what = if passed { Happened::Passed } else { Happened::Failed };
        let body = told(gauge, specimen, &session, &compared, &objections);
        self.context.gauges.change(&gauge.id).session = None;
        let at = &from.received;
        self.happened(&gauge.id, what, session.by.as_deref(), at, &body)?;
        let state = self.state_of(&gauge.id, at.us);
        self.gauge_notice(&gauge.id, state, Some(from))?;
        let words = body["in_words"].as_str().unwrap_or_default();
        match passed {
            true => tracing::info!(code = "verification", "gauge {}: {words}", gauge.id),
            false => tracing::error!(
                code = "verification-failed",
                "gauge {}: {words}; clean the stylus and the specimen and verify again; `ridgepost gauge {} --measured` tells what it measured \
                 since it was last good",
                gauge.id,
                gauge.id
            ),
        }
        Ok(())
    }

    /// Tells every sink that a gauge is in another state.
    fn gauge_notice(&mut self, gauge: &str, state: GaugeState, from: Option<&Provenance>) -> Result<(), StoreFault> {
        let mut row = Row::blank(Kind::Notice, Mode::Verification);
        row.gauge = Some(gauge.to_owned());
        row.gauge_state = Some(state);
        row.reasons = state.reason().iter().map(|reason: &Reason| reason.code().to_owned()).collect();
        let spoken = Spoken::default();
        let seq = self.row(&row, Around { from, reading: None, run: None, spoken: &spoken, beside: None })?;
        self.post(&[Posted::new(seq, &row, None)])
    }
}

/// All that an auditor asks of a verification, as it stood then.
fn told(gauge: &Gauge, specimen: &Specimen, session: &Session, compared: &[Compared], objections: &[String]) -> Json {
    let passed = objections.is_empty() && compared.iter().all(|compared| compared.within);
    let quantities: Vec<Json> = compared
        .iter()
        .map(|compared| {
            json!({
                "quantity": compared.quantity,
                "unit": compared.unit,
                "certified": compared.certified.to_string(),
                "uncertainty": compared.uncertainty.map(|uncertainty| uncertainty.to_string()),
                "values": compared.values,
                "mean": compared.mean.to_string(),
                "deviation": compared.deviation.to_string(),
                "permitted": compared.permitted.to_string(),
                "e_n": compared.e_n,
                "within": compared.within,
            })
        })
        .collect();
    let correction = gauge.correction.iter().map(|(quantity, share)| (quantity.to_string(), json!(share.to_string())));
    let in_words: Vec<String> = compared.iter().map(in_words).collect();
    json!({
        "verification": session.began,
        "phase": session.phase,
        "specimen": specimen.id,
        "specimen_serial": specimen.serial,
        "certificate": specimen.certificate,
        "certificate_sha256": specimen.certificate_sha256,
        "specimen_due": specimen.due.map(|due| due.to_string()),
        "coverage_factor": specimen.coverage_factor.to_string(),
        "gauge_serial": gauge.serial,
        "gauge_certificate": gauge.certificate,
        "calibration_due": gauge.calibration_due.map(|due| due.to_string()),
        "stylus": gauge.stylus.as_ref().map(|stylus| &stylus.id),
        "correction_in_gauge_percent": correction.collect::<serde_json::Map<_, _>>(),
        "quantities": quantities,
        "not_counted": session.not_counted,
        "objections": objections,
        "in_words": format!(
            "verification {} with specimen {} {}: {}",
            session.phase.word(),
            specimen.id,
            if passed { "passed" } else { "failed" },
            in_words.iter().chain(objections).map(String::as_str).collect::<Vec<_>>().join("; ")
        ),
    })
}

fn in_words(compared: &Compared) -> String {
    let sign = if compared.deviation.is_sign_negative() { "" } else { "+" };
    let unit = compared.unit;
    format!(
        "mean {} {} {unit}, {sign}{} {unit} from the certified {}, permitted {}",
        compared.quantity, compared.mean, compared.deviation, compared.certified, compared.permitted
    )
}
