//! The dialogue of a definition: what is sent, and what makes an answer a measurement.

use super::at;
use super::faults::Faults;
use crate::cut::Signal;
use crate::definition::{Definition, FramingKind, Step};
use crate::dialogue::{
    AcknowledgeForm, AnswerKind, DialogueForm, DialogueRule, PollForm, PollRule, StartStep, StepForm,
};
use crate::encoding::mark_bytes;
use crate::pattern::{LinePattern, whole};
use crate::plan::Rule;
use crate::role::Words;

pub(super) fn dialogue(said: &Definition, faults: &mut Faults) -> Option<DialogueForm> {
    let rule = said.dialogue.as_ref()?;
    let is_empty = rule.start.is_empty() && rule.poll.is_none() && rule.acknowledge.is_none() && rule.reply.is_empty();
    if is_empty {
        let help = "give `start`, `[dialogue.poll]`, `[dialogue.acknowledge]` or `reply`, or leave it out";
        faults.add(at!["dialogue"], "the dialogue says nothing", help);
    }
    if matches!(said.framing.kind, FramingKind::Rows | FramingKind::File) {
        let message = "an exported file can't be talked to";
        faults.add(at!["dialogue"], message, "leave `[dialogue]` out, or frame a stream (`lines`, `block`, ...)");
    }
    let mut talk = Talk { said, faults };
    let start = rule.start.iter().enumerate().filter_map(|(index, step)| talk.step(index, step)).collect();
    let poll = rule.poll.as_ref().map(|poll| talk.poll(poll));
    let acknowledge = rule.acknowledge.as_ref().map(|said| {
        let ack = talk.bytes(at!["dialogue", "acknowledge", "ack"], Some(&said.ack));
        let nak = talk.bytes(at!["dialogue", "acknowledge", "nak"], said.nak.as_ref());
        if said.nak.is_some() && ack == nak {
            talk.faults.add(at!["dialogue", "acknowledge", "nak"], "`ack` and `nak` are the same", "");
        }
        AcknowledgeForm { ack, nak, naks: said.naks.unwrap_or(3), numbered: said.numbered }
    });
    let replies = rule.reply.iter().enumerate().map(|(index, reply)| {
        let to = talk.bytes(at!["dialogue", "reply", index, "to"], Some(&reply.to));
        (to, talk.bytes(at!["dialogue", "reply", index, "send"], reply.send.as_ref()))
    });
    let replies = replies.collect();
    let form = DialogueForm { start, poll, acknowledge, replies };
    signals_differ(rule, &form, faults);
    Some(form)
}

/// Lines that the start-up waits for are known and hold no reading.
pub(super) fn expected(said: &Definition, words: &Words) -> Vec<Rule> {
    let steps = said.dialogue.iter().flat_map(|rule| &rule.start);
    let patterns = steps.filter_map(|step| LinePattern::compile(step.expect.as_ref()?, words).ok());
    let rule = |pattern| Rule {
        pattern,
        ignore: true,
        event: None,
        carry: false,
        starts_record: false,
        has_value: false,
        again: false,
        skip_to: None,
    };
    patterns.map(rule).collect()
}

/// What stands between frames by itself: echoes of all that is ever sent, and what has a reply.
pub(super) fn signals(rule: Option<&DialogueRule>, form: Option<&DialogueForm>) -> Vec<Signal> {
    let (Some(rule), Some(form)) = (rule, form) else { return Vec::new() };
    let mut signals: Vec<Signal> =
        form.replies.iter().map(|(to, _)| Signal { bytes: to.clone(), is_echo: false }).collect();
    if rule.echo {
        let mut sent: Vec<&Vec<u8>> = Vec::new();
        sent.extend(form.start.iter().filter_map(|step| match step {
            StepForm::Send(bytes) => Some(bytes),
            _ => None,
        }));
        sent.extend(form.poll.iter().flat_map(|poll| [&poll.request, &poll.wake]));
        sent.extend(form.acknowledge.iter().flat_map(|said| [&said.ack, &said.nak]));
        sent.extend(form.replies.iter().map(|(_, reply)| reply));
        for bytes in sent {
            signals.push(Signal { bytes: bytes.clone(), is_echo: true });
        }
    }
    signals.retain(|signal| !signal.bytes.is_empty());
    signals.sort_by(|one, other| one.bytes.cmp(&other.bytes));
    signals.dedup_by(|one, other| one.bytes == other.bytes && one.is_echo == other.is_echo);
    signals
}

/// No signal may begin like another one: which of them came could not be told byte by byte.
fn signals_differ(rule: &DialogueRule, form: &DialogueForm, faults: &mut Faults) {
    for pair in signals(Some(rule), Some(form)).windows(2) {
        if pair[1].bytes.starts_with(&pair[0].bytes) {
            let message = format!(
                "`{}` begins with `{}`, so that they can't be told apart when they come back",
                pair[1].bytes.escape_ascii(),
                pair[0].bytes.escape_ascii()
            );
            let help = "leave `echo` out and describe these lines by `[[line]]` rules with ignore = true";
            faults.add(at!["dialogue"], message, help);
        }
    }
}

struct Talk<'a, 'b> {
    said: &'a Definition,
    faults: &'b mut Faults,
}

impl Talk<'_, '_> {
    fn bytes(&mut self, path: &[Step], text: Option<&String>) -> Vec<u8> {
        let Some(text) = text else { return Vec::new() };
        match mark_bytes(self.said.text.encoding, text).filter(|bytes| !bytes.is_empty()) {
            Some(bytes) => bytes,
            None => {
                let help = "each character up to U+00FF stands for one byte, for example \"M?\\r\"";
                self.faults.add(path, "this can't be sent", help);
                Vec::new()
            }
        }
    }

    fn within(&mut self, path: &[Step], ms: u64, range: std::ops::RangeInclusive<u64>) -> u64 {
        if !range.contains(&ms) {
            let message = format!("{ms} ms is out of bounds");
            self.faults.add(path, message, &format!("write {} to {}", range.start(), range.end()));
        }
        ms
    }

    fn step(&mut self, index: usize, step: &StartStep) -> Option<StepForm> {
        let place: Vec<Step> = at!["dialogue", "start", index].to_vec();
        let has_lines = step.dtr.is_some() || step.rts.is_some();
        let kinds = [step.send.is_some(), step.wait_ms.is_some(), step.expect.is_some(), has_lines];
        if kinds.into_iter().filter(|is_given| *is_given).count() != 1 {
            let help = "one of `send`, `wait_ms`, `expect`, or `dtr` and `rts`; further ones are further steps";
            self.faults.add(&place, "a step does one thing", help);
            return None;
        }
        if step.within_ms.is_some() && step.expect.is_none() {
            self.faults.add(&place, "`within_ms` goes with `expect`", "leave it out");
        }
        let key = |name: &str| [place.as_slice(), &[Step::from(name)]].concat();
        if step.send.is_some() {
            return Some(StepForm::Send(self.bytes(&key("send"), step.send.as_ref())));
        }
        if let Some(ms) = step.wait_ms {
            return Some(StepForm::Wait(self.within(&key("wait_ms"), ms, 1..=60_000)));
        }
        if let Some(pattern) = &step.expect {
            let within_ms = self.within(&key("within_ms"), step.within_ms.unwrap_or(3_000), 100..=60_000);
            let pattern = self.faults.regex(&key("expect"), whole(pattern))?;
            return Some(StepForm::Expect { pattern, within_ms });
        }
        Some(StepForm::Lines { dtr: step.dtr, rts: step.rts })
    }

    fn poll(&mut self, poll: &PollRule) -> PollForm {
        let answer = poll.answer.unwrap_or(AnswerKind::Current);
        self.makes_measurements(poll, answer);
        let path = |name: &str| at!["dialogue", "poll", name].to_vec();
        if poll.wake.is_none() && poll.wake_ms.is_some() {
            self.faults.add(&path("wake_ms"), "`wake_ms` goes with `wake`", "leave it out, or say what wakes it up");
        }
        if let Some(every_ms) = poll.every_ms {
            self.within(&path("every_ms"), every_ms, 100..=86_400_000);
        }
        if poll.retries.is_some_and(|retries| retries > 20) {
            self.faults.add(&path("retries"), "more than 20 retries", "");
        }
        PollForm {
            request: self.bytes(&path("send"), Some(&poll.send)),
            every_ms: poll.every_ms,
            answer,
            wake: self.bytes(&path("wake"), poll.wake.as_ref()),
            wake_ms: self.within(&path("wake_ms"), poll.wake_ms.unwrap_or(50), 1..=10_000),
            answer_ms: self.within(&path("answer_ms"), poll.answer_ms.unwrap_or(3_000), 300..=30_000),
            retries: poll.retries.unwrap_or(2),
            busy_ms: self.within(&path("busy_ms"), poll.busy_ms.unwrap_or(500), 50..=60_000),
        }
    }

    /// Whether it is known what makes an answer a measurement.
    fn makes_measurements(&mut self, poll: &PollRule, answer: AnswerKind) {
        let path = |name: &str| at!["dialogue", "poll", name].to_vec();
        let help = "\"once\" if the instrument hands out each measurement once, \"identified\" with `reading.unique_by`, \
                    \"marked\" with `new`; or leave out `every_ms` and ask with `ridgepost ask STATION`";
        if poll.every_ms.is_some() && answer == AnswerKind::Current {
            let message = "an instrument that is asked again and again tells the same measurement again and again";
            let place = if poll.answer.is_some() { path("answer") } else { path("every_ms") };
            self.faults.add(&place, message, help);
        }
        if answer == AnswerKind::Identified && self.said.reading.unique_by.is_empty() {
            let help = "name the fields that tell measurements apart, for example unique_by = [\"number\"]";
            self.faults.add(&path("answer"), "nothing identifies a measurement", help);
        }
        if (answer == AnswerKind::Marked) != poll.new.is_some() {
            let message = "answer = \"marked\" and `new` belong together";
            self.faults.add(&path(if poll.new.is_some() { "new" } else { "answer" }), message, help);
        }
    }
}
