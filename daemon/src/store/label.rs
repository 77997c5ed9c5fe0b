//! Labels, inside the writer's transaction: what one says is obeyed whole or not at all, kept in the order of results,
//! and handed to the readings that follow. A label never becomes a reading.

use std::sync::Arc;

use ridgepost_config::{Command, Item, Label, Labels, Refusal, Station};
use ridgepost_parsers::{Close, Decoded, Frame, Outcome, Reason, Remark, Tick};

use super::StoreFault;
use super::correct::{Decided, Decision};
use super::held::{Spoken, moment};
use super::job::{JobCommand, JobFault};
use super::page::Page;
use super::perform::event;
use super::record::{Burst, Heard, Provenance, Recorder, Tally, sha256};
use super::taken::Taken;
use crate::clock::Stamp;

/// The name under which labels are kept that a person types.
pub const BY_HAND: &str = "by-hand";

/// A label that a person types.
#[derive(Clone, Debug)]
pub struct Typed {
    /// Unique over all runs of the program.
    pub origin: String,
    /// What it says.
    pub text: String,
    /// The scanner in whose place it is typed; where none is named it is about every station.
    pub scanner: Option<String>,
    /// When.
    pub received: Stamp,
}

/// What a frame of a scanner says. What says nothing stays as it was decoded; what is no label is refused in `heard`.
fn label_of(labels: Option<&Labels>, station: &Station, heard: &mut Heard) -> Option<Label> {
    heard.decoded.readings.clear();
    heard.decoded.traces.clear();
    let damaged = matches!(heard.decoded.outcome, Outcome::Damaged | Outcome::Incomplete);
    if damaged || matches!(heard.frame.close, Close::Residue | Close::Signal) {
        return None;
    }
    let remarks = std::mem::take(&mut heard.decoded.remarks);
    let lost = remarks.contains(&Remark::Overrun);
    let about_the_line = |remark: &Remark| matches!(remark, Remark::FirstAfterOpen | Remark::Overrun);
    heard.decoded = Decoded { remarks: remarks.into_iter().filter(about_the_line).collect(), ..accepted() };
    if lost {
        refuse(&mut heard.decoded, Some(Reason::CutOff), "bytes were lost: scan it again".to_owned());
        return None;
    }
    let Some(text) = station.instrument.text(&heard.frame) else {
        refuse(&mut heard.decoded, Some(Reason::Encoding), "it is no text".to_owned());
        return None;
    };
    if text.trim().is_empty() {
        return None;
    }
    read(labels, &text).map_err(|(reason, why)| refuse(&mut heard.decoded, reason, why)).ok()
}

fn read(labels: Option<&Labels>, text: &str) -> Result<Label, (Option<Reason>, String)> {
    let Some(labels) = labels else { return Err((None, "this cell has no labels.toml".to_owned())) };
    labels.read(text).map_err(|refusal| {
        let reason = match refusal {
            Refusal::Check(..) => Some(Reason::Checksum),
            Refusal::Characters => Some(Reason::Noise),
            Refusal::TooLong(_) => Some(Reason::TooLong),
            Refusal::Unknown | Refusal::Ambiguous(_) | Refusal::Blank(..) => None,
        };
        (reason, refusal.to_string())
    })
}

fn accepted() -> Decoded {
    Decoded {
        outcome: Outcome::Accepted,
        reason: None,
        detail: None,
        readings: vec![],
        traces: vec![],
        remarks: vec![],
        is_nothing_new: false,
    }
}

/// A label that is damaged has a reason of frames; one that means nothing is not ours.
fn refuse(decoded: &mut Decoded, reason: Option<Reason>, why: String) {
    decoded.outcome = if reason.is_some() { Outcome::Damaged } else { Outcome::NotMine };
    decoded.reason = reason;
    decoded.detail = Some(why);
}

impl Recorder<'_> {
    /// Writes what a scanner sent, and does what the label says.
    pub(super) fn scanned(&mut self, burst: &Burst) -> Result<Tally, StoreFault> {
        let mut burst = burst.clone();
        let mut label = label_of(self.plan.labels.as_deref(), &burst.station, &mut burst.heard);
        if label.is_some() && self.may_be_a_rest(&burst)? {
            let why = "it may be the rest of the label before it, which was cut off: scan it again";
            refuse(&mut burst.heard.decoded, Some(Reason::CutOff), why.to_owned());
            label = None;
        }
        let station = Arc::clone(&burst.station);
        if burst.heard.decoded.outcome == Outcome::Accepted {
            self.speaks(&burst)?;
        } else if self.babbles(&burst)? {
            return Ok(Tally { rejected: 1, not_kept: 1, ..Tally::default() });
        }
        let transmission = self.raw(&burst)?;
        let about = station.scanner.as_ref().map(|scanner| scanner.stations.clone()).unwrap_or_default();
        self.answer_label((&station.name, about), label, (transmission, &burst.received), &mut burst.heard)?;
        let refused = burst.heard.decoded.outcome == Outcome::NotMine;
        let from =
            Provenance { transmission, station, received: burst.received, taken: Taken::Live, place: Arc::default() };
        let tally = self.frames(&from, std::slice::from_ref(&burst.heard))?;
        Ok(Tally { rejected: tally.rejected + u64::from(refused), ..tally })
    }

    /// Whether a label follows one that was cut off and both together would be a label, too.
    fn may_be_a_rest(&self, burst: &Burst) -> Result<bool, StoreFault> {
        let Some(cut) = super::query::last_cut(self.tx, &burst.station.name)? else { return Ok(false) };
        let instrument = &burst.station.instrument;
        let mut framer = instrument.framer();
        framer.push(&[cut, burst.heard.frame.raw.clone()].concat(), Tick(0));
        let text =
            framer.poll().filter(|frame| frame.close == Close::Complete).and_then(|frame| instrument.text(&frame));
        let rules = self.plan.labels.iter().flat_map(|labels| &labels.rules);
        Ok(text.is_some_and(|text| rules.clone().any(|rule| rule.fits(&text))))
    }

    /// Writes what a person typed in place of a scanner, and does what it says.
    pub(super) fn typed(&mut self, typed: &Typed) -> Result<Result<String, String>, StoreFault> {
        let named = typed.scanner.as_ref().map(|name| (name, self.plan.stations.iter().find(|it| it.name == *name)));
        let about = match named {
            None => Vec::new(),
            Some((_, Some(Station { scanner: Some(scanner), .. }))) => scanner.stations.clone(),
            Some((name, _)) => return Ok(Err(format!("there is no scanner `{name}` in cell.toml"))),
        };
        let raw = typed.text.as_bytes();
        let body = 0..raw.len();
        let frame = Frame { offset: 0, raw: raw.to_vec(), body, close: Close::Complete };
        let mut heard = Heard { number: 1, frame, decoded: accepted() };
        let read = read(self.plan.labels.as_deref(), &typed.text);
        let label = read.map_err(|(reason, why)| refuse(&mut heard.decoded, reason, why)).ok();
        let definition = ridgepost_config::label_line();
        let place = (BY_HAND, "label-line", &definition);
        let transmission = self.received(&typed.origin, place, "typed", &typed.received, (&sha256(raw), raw))?;
        let scanner = typed.scanner.as_deref().unwrap_or(BY_HAND);
        self.answer_label((scanner, about), label, (transmission, &typed.received), &mut heard)?;
        let mut page = Page::default();
        page.add(self.tx, transmission, &heard, &[])?;
        page.close(self.tx, transmission)?;
        let words = heard.decoded.detail.unwrap_or_default();
        Ok(if heard.decoded.outcome == Outcome::Accepted { Ok(words) } else { Err(words) })
    }

    /// Does what a label says, and says in the frame what came of it. What was refused is told.
    fn answer_label(
        &mut self,
        scanner: (&str, Vec<String>),
        label: Option<Label>,
        from: (i64, &Stamp),
        heard: &mut Heard,
    ) -> Result<(), StoreFault> {
        let name = scanner.0;
        if let Some(label) = label {
            match self.obey(scanner, &label, from)? {
                Ok(words) => heard.decoded.detail = Some(words),
                Err(why) => refuse(&mut heard.decoded, None, why),
            }
        }
        if heard.decoded.outcome != Outcome::Accepted {
            let why = heard.decoded.detail.as_deref().unwrap_or("it is damaged");
            // Without its line end only: a blank may be why it fits no rule.
            let raw = String::from_utf8_lossy(&heard.frame.raw);
            let shown: String =
                raw.trim_matches(['\r', '\n']).as_bytes().escape_ascii().to_string().chars().take(80).collect();
            let text = format!("label \"{shown}\" was refused: {why}; nothing changes by it, its bytes are kept");
            tracing::warn!(code = "label-refused", station = name, "{text}");
            event(self, Some(name), "label-refused", &text, Some(from.0))?;
        }
        Ok(())
    }

    /// Does all that a label says, or says why nothing is done.
    fn obey(
        &mut self,
        (scanner, about): (&str, Vec<String>),
        label: &Label,
        (transmission, received): (i64, &Stamp),
    ) -> Result<Result<String, String>, StoreFault> {
        let all = match about.is_empty() {
            false => about,
            true => {
                let instruments = self.plan.stations.iter().filter(|station| station.scanner.is_none());
                instruments.map(|station| station.name.clone()).collect()
            }
        };
        if let Some(why) = self.objection(label, &all) {
            return Ok(Err(why));
        }
        let stations = self.context.labels.held.about(scanner, label, &all);
        let by = match stations.first() {
            Some(station) => self.said_of(station, received)?.spoken(),
            None => Spoken::default(),
        };
        if label.command == Some(Command::Void)
            && let Err(why) = self.void_last(label, &stations, &by)?
        {
            return Ok(Err(why));
        }
        let opens = label.job.as_ref().filter(|id| self.context.open.as_ref().is_none_or(|open| open.job.id != **id));
        if let Some(id) = opens
            && let Err(fault) = self.job_by(&JobCommand::Open(id.clone()), &by)?
        {
            return Ok(Err(fault.to_string()));
        }
        match label.command {
            Some(Command::Next) => drop(self.job_by(&JobCommand::Next, &by)?),
            Some(Command::Close) => drop(self.job_by(&JobCommand::Close, &by)?),
            Some(Command::Void) | None => {}
        }
        let is_another = |serial: &String| {
            let piece = self.context.open.as_ref().map(|open| &open.piece);
            piece.is_some_and(|piece| !piece.is_untouched() && piece.serial.as_ref() != Some(serial))
        };
        if label.items.get(&Item::Serial).is_some_and(is_another) {
            drop(self.job_by(&JobCommand::Next, &by)?);
        }
        self.hold(Some(transmission), received, |held, _| {
            held.take(scanner, label, &stations, transmission, moment(received));
        })?;
        Ok(Ok(in_words(label, &stations)))
    }

    /// The last reading of these stations counts for nothing: whoever was said to measure decides it. An earlier one is voided by
    /// its number only: a label that is scanned twice must not reach back.
    fn void_last(&mut self, label: &Label, stations: &[String], by: &Spoken) -> Result<Result<(), String>, StoreFault> {
        let Some(operator) = by.operator.clone() else {
            return Ok(Err("nobody knows who decides it: scan who measures first".to_owned()));
        };
        let last = super::standing::last_reading(self.tx, stations)?;
        let open = self.context.open.as_ref().map(|open| open.job.id.clone());
        let Some((seq, _)) = last.filter(|(_, job)| job.is_some() && *job == open) else {
            let why =
                "the last reading of these stations is none of the open job: `ridgepost void` takes it by its number";
            return Ok(Err(why.to_owned()));
        };
        let reason = label.reason.clone().unwrap_or_default();
        let decision = Decision { results: vec![seq.to_string()], by: operator, reason, what: Decided::Void };
        Ok(self.decision(&decision)?.map(drop))
    }

    /// Why what a label says can't be done, before anything is.
    fn objection(&self, label: &Label, all: &[String]) -> Option<String> {
        if let Some(station) = label.station.as_ref().filter(|station| !all.contains(station)) {
            return Some(format!("station {station} is none that this scanner is for ({})", all.join(", ")));
        }
        let open = self.context.open.as_ref();
        let job = match &label.job {
            None => open.map(|open| Arc::clone(&open.job)),
            Some(id) => match self.plan.jobs.get(id) {
                Some(job) => Some(Arc::clone(job)),
                None => {
                    let ids: Vec<&str> = self.plan.jobs.keys().map(String::as_str).collect();
                    return Some(JobFault::Unknown(id.clone(), ids.join(", ")).to_string());
                }
            },
        };
        let balloon = label.items.get(&Item::Balloon);
        if let (Some(job), Some(balloon)) = (&job, balloon)
            && !job.characteristics.iter().any(|characteristic| characteristic.balloon == *balloon)
        {
            return Some(format!("job {} has no balloon {balloon}", job.id));
        }
        match (label.command, open) {
            (Some(Command::Next | Command::Close), None) => Some(JobFault::NoneOpen.to_string()),
            (Some(Command::Next), Some(open)) if open.piece.is_untouched() => {
                Some(JobFault::Untouched(open.piece.counter).to_string())
            }
            _ => None,
        }
    }
}

/// What was done, for people.
fn in_words(label: &Label, stations: &[String]) -> String {
    let mut words = Vec::new();
    words.extend(label.job.iter().map(|job| format!("job {job}")));
    words.extend(label.command.map(|command| command.word().to_owned()));
    words.extend(label.items.iter().map(|(item, value)| format!("{} {value}", item.word())));
    words.extend(label.forget.iter().map(|item| format!("no {}", item.word())));
    words.extend(label.station.iter().map(|station| format!("station {station}")));
    format!("label {}: {}, about {}", label.rule, words.join(", "), stations.join(", "))
}
