//! What is said to an instrument, and when: a pure state machine. Ticks and frames in, orders out.
//!
//! It knows neither device nor store. Whoever drives it sends what it orders, shows it every decoded frame before that
//! is recorded, and tells it what is on the disk; only then it acknowledges. From any state the opening of a device
//! leads to a fresh start, and no answer ever counts for a question of another person.

mod form;
mod said;

use std::collections::VecDeque;
use std::sync::Arc;

use crate::frame::{Close, Frame, Tick};
use crate::instrument::Instrument;
use crate::reading::{Decoded, Outcome, Reason, Remark};
use form::in_words;
pub(crate) use form::{AcknowledgeForm, DialogueForm, PollForm, StepForm};
pub use said::{AcknowledgeRule, AnswerKind, DialogueRule, PollRule, ReplyRule, StartStep};

/// Pause before a start-up that failed is tried again, in milliseconds.
const START_AGAIN_MS: u64 = 5_000;

/// What is to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Order {
    /// Send these bytes.
    Send(Vec<u8>),
    /// Set modem lines to these levels; `None` leaves one as it is.
    Lines {
        /// Data terminal ready.
        dtr: Option<bool>,
        /// Request to send.
        rts: Option<bool>,
    },
    /// The instrument does not answer; why, for people. Said at each question that stays without answer.
    Offline(String),
    /// It answers again.
    Online,
    /// What a person asked is done, or why it could not be; measurements of the answer are in the frames so far.
    Done(Result<String, String>),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// The device is not open.
    Closed,
    /// In the middle of the start-up; at `step` again at `until`, or it failed where a line is expected.
    Start { step: usize, until: Tick, expects: bool },
    /// The start-up failed; it begins anew.
    Resting { until: Tick },
    /// Nothing is asked; the next question is due `at`.
    Idle { at: Option<Tick> },
    /// It is being woken up.
    Waking { until: Tick },
    /// A question is open; `heard` says whether a known line came that is no answer yet.
    Asked { until: Tick, heard: bool },
    /// It was busy; it is asked again.
    Busy { until: Tick },
}

/// The talk with one instrument.
#[derive(Clone, Debug)]
pub struct Dialogue {
    instrument: Instrument,
    form: Arc<DialogueForm>,
    state: State,
    /// A person waits for an answer.
    is_wanted: bool,
    is_offline: bool,
    /// Failed tries of the question, or of the start-up, at hand.
    tries: u32,
    /// When the question at hand was asked first.
    asked_at: Tick,
    /// Late answers to earlier requests may come until then.
    quiet_at: Tick,
    /// Damaged frames in a row that were sent back.
    naks: u32,
    /// Frames that are not stored yet: their numbers, and what follows once they are.
    unstored: VecDeque<(u64, Vec<u8>)>,
    /// The whole frame before, to know one that is sent again.
    last: Option<Vec<u8>>,
}

impl Dialogue {
    /// The talk with an instrument whose device is not open; `None` where its definition has no `[dialogue]`. `last` is
    /// the last whole frame that an earlier run of the program stored.
    pub fn new(instrument: &Instrument, last: Option<&[u8]>) -> Option<Self> {
        let form = instrument.dialogue_form()?;
        Some(Dialogue {
            instrument: instrument.clone(),
            form,
            state: State::Closed,
            is_wanted: false,
            is_offline: false,
            tries: 0,
            asked_at: Tick(0),
            quiet_at: Tick(0),
            naks: 0,
            unstored: VecDeque::new(),
            last: last.map(|raw| raw.trim_ascii().to_vec()),
        })
    }

    /// When [`Dialogue::passed`] is due, if nothing else happens.
    pub fn deadline(&self) -> Option<Tick> {
        match self.state {
            State::Closed => None,
            State::Idle { at } => at,
            State::Start { until, .. }
            | State::Resting { until }
            | State::Waking { until }
            | State::Asked { until, .. }
            | State::Busy { until } => Some(until),
        }
    }

    /// The device was opened at `now`.
    pub fn opened(&mut self, now: Tick) -> Vec<Order> {
        (self.tries, self.naks) = (0, 0);
        self.start_from(0, now)
    }

    /// The device is gone. What was not acknowledged never will be: the instrument sends it again.
    pub fn closed(&mut self) -> Vec<Order> {
        self.state = State::Closed;
        self.unstored.clear();
        self.done(Err("the device was lost while the answer was waited for".into())).into_iter().collect()
    }

    /// A person asks for a measurement.
    pub fn ask(&mut self, now: Tick) -> Vec<Order> {
        let Some(poll) = &self.form.poll else {
            return vec![Order::Done(Err("its definition has no [dialogue.poll]: it can't be asked".into()))];
        };
        if self.is_wanted {
            return vec![Order::Done(Err("it is being asked already".into()))];
        }
        if self.state == State::Closed {
            return vec![Order::Done(Err("its device is not open: `ridgepost status` says why".into()))];
        }
        self.is_wanted = true;
        let is_current = poll.answer == AnswerKind::Current;
        if let State::Idle { at } = &mut self.state {
            // What answers an earlier request must not be taken for the answer to this one.
            *at = Some(if is_current { now.max(self.quiet_at) } else { now });
        }
        self.passed(now)
    }

    /// Time passed.
    pub fn passed(&mut self, now: Tick) -> Vec<Order> {
        if self.deadline().is_none_or(|deadline| now < deadline) {
            return Vec::new();
        }
        match self.state {
            State::Closed => Vec::new(),
            State::Start { step, expects: false, .. } => self.start_from(step, now),
            State::Start { expects: true, .. } => self.start_failed(now),
            State::Resting { .. } => self.start_from(0, now),
            State::Idle { .. } => {
                (self.tries, self.asked_at) = (0, now);
                self.wake(now)
            }
            State::Waking { .. } => self.request(now),
            State::Busy { .. } => self.wake(now),
            // Known lines and nothing else: it answered, and had no measurement.
            State::Asked { heard: true, .. } => self.answered(now, "it answered without a measurement"),
            State::Asked { heard: false, .. } => self.unanswered(now),
        }
    }

    /// A frame came and was decoded; `number` counts the frames to be recorded. What can't be believed of it is taken back
    /// before it is recorded.
    pub fn heard(&mut self, now: Tick, number: u64, frame: &Frame, decoded: &mut Decoded) -> Vec<Order> {
        match frame.close {
            Close::Residue => return Vec::new(),
            Close::Signal => return self.signal(frame),
            _ => {}
        }
        self.note_repeat(frame, decoded);
        let mut orders = Vec::new();
        if decoded.outcome == Outcome::Accepted {
            orders.append(&mut self.heard_known(now, frame, decoded));
        }
        let verdict = self.verdict(frame, decoded);
        if let Some(bytes) = verdict {
            self.unstored.push_back((number, bytes));
        }
        orders
    }

    /// Frames up to `number` are on the disk.
    pub fn stored(&mut self, number: u64) -> Vec<Order> {
        let mut orders = Vec::new();
        while self.unstored.front().is_some_and(|(waiting, _)| *waiting <= number) {
            orders.extend(self.unstored.pop_front().map(|(_, bytes)| Order::Send(bytes)));
        }
        orders
    }

    fn start_from(&mut self, first: usize, now: Tick) -> Vec<Order> {
        let mut orders = Vec::new();
        for (index, step) in self.form.start.iter().enumerate().skip(first) {
            match step {
                StepForm::Send(bytes) => orders.push(Order::Send(bytes.clone())),
                StepForm::Lines { dtr, rts } => orders.push(Order::Lines { dtr: *dtr, rts: *rts }),
                StepForm::Wait(ms) => {
                    self.state = State::Start { step: index + 1, until: later(now, *ms), expects: false };
                    return orders;
                }
                StepForm::Expect { within_ms, .. } => {
                    self.state = State::Start { step: index, until: later(now, *within_ms), expects: true };
                    return orders;
                }
            }
        }
        self.tries = 0;
        if self.form.poll.is_none() && !self.form.start.is_empty() {
            orders.extend(self.online());
        }
        let every = self.form.poll.as_ref().and_then(|poll| poll.every_ms);
        self.state = State::Idle { at: (every.is_some() || self.is_wanted).then_some(now) };
        orders
    }

    fn start_failed(&mut self, now: Tick) -> Vec<Order> {
        self.tries += 1;
        if self.tries < 3 {
            return self.start_from(0, now);
        }
        self.tries = 0;
        self.state = State::Resting { until: later(now, START_AGAIN_MS) };
        let why = "the instrument does not answer its start-up: is it switched on, and are its settings right?";
        let mut orders = self.offline(why);
        orders.extend(self.done(Err(why.to_owned())));
        orders
    }

    fn wake(&mut self, now: Tick) -> Vec<Order> {
        match self.form.poll.as_ref().filter(|poll| !poll.wake.is_empty()) {
            Some(poll) => {
                self.state = State::Waking { until: later(now, poll.wake_ms) };
                vec![Order::Send(poll.wake.clone())]
            }
            None => self.request(now),
        }
    }

    fn request(&mut self, now: Tick) -> Vec<Order> {
        let Some(poll) = &self.form.poll else { return Vec::new() };
        let until = later(now, poll.answer_ms);
        self.quiet_at = until;
        self.state = State::Asked { until, heard: false };
        vec![Order::Send(poll.request.clone())]
    }

    fn unanswered(&mut self, now: Tick) -> Vec<Order> {
        let retries = self.form.poll.as_ref().map_or(0, |poll| poll.retries);
        if self.tries < retries {
            self.tries += 1;
            return self.wake(now);
        }
        let why = format!("the instrument does not answer ({} requests)", self.tries + 1);
        self.idle(now);
        let mut orders = self.offline(&why);
        orders.extend(self.done(Err(why)));
        orders
    }

    fn idle(&mut self, now: Tick) {
        let every = self.form.poll.as_ref().and_then(|poll| poll.every_ms);
        self.tries = 0;
        self.state = State::Idle { at: every.map(|every| later(self.asked_at, every).max(now)) };
    }

    fn answered(&mut self, now: Tick, what: &str) -> Vec<Order> {
        self.idle(now);
        let mut orders: Vec<Order> = self.online().into_iter().collect();
        orders.extend(self.done(Ok(what.to_owned())));
        orders
    }

    fn done(&mut self, how: Result<String, String>) -> Option<Order> {
        std::mem::take(&mut self.is_wanted).then_some(Order::Done(how))
    }

    fn offline(&mut self, why: &str) -> Vec<Order> {
        // Nobody listens for an instrument that is asked only by people: a person is told, and that is all.
        let is_on_request = self.form.poll.as_ref().is_some_and(|poll| poll.every_ms.is_none());
        if is_on_request && !matches!(self.state, State::Resting { .. }) {
            return Vec::new();
        }
        self.is_offline = true;
        vec![Order::Offline(why.to_owned())]
    }

    fn online(&mut self) -> Option<Order> {
        std::mem::take(&mut self.is_offline).then_some(Order::Online)
    }

    /// An accepted frame: what was expected, an answer, or something that nobody asked for.
    fn heard_known(&mut self, now: Tick, frame: &Frame, decoded: &mut Decoded) -> Vec<Order> {
        if let State::Start { step, expects: true, .. } = self.state
            && let Some(StepForm::Expect { pattern, .. }) = self.form.start.get(step)
            && self.instrument.text(frame).is_some_and(|text| pattern.is_match(text.trim()))
        {
            return self.start_from(step + 1, now);
        }
        let is_open = matches!(self.state, State::Asked { .. } | State::Waking { .. } | State::Busy { .. });
        let Some(poll) = &self.form.poll else { return Vec::new() };
        if !is_open && poll.answer == AnswerKind::Current && !decoded.readings.is_empty() {
            decoded.readings.clear();
            decoded.outcome = Outcome::Damaged;
            decoded.reason = Some(Reason::Unasked);
            decoded.detail =
                Some("no question was open: an answer that came too late, or a key of the instrument".into());
            return Vec::new();
        }
        let is_answer = !decoded.readings.is_empty()
            || !decoded.traces.is_empty()
            || decoded.is_nothing_new
            || decoded.remarks.iter().any(|remark| matches!(remark, Remark::InstrumentError | Remark::Repeat));
        match &mut self.state {
            State::Asked { .. } if decoded.reason == Some(Reason::Busy) => {
                let until = later(now, poll.busy_ms);
                (self.state, self.tries) = (State::Busy { until }, 0);
                self.online().into_iter().collect()
            }
            _ if is_open && is_answer => self.answered(now, in_words(decoded)),
            State::Asked { heard, until } => {
                *heard = true;
                *until = later(now, poll.answer_ms);
                self.online().into_iter().collect()
            }
            _ => self.online().into_iter().collect(),
        }
    }

    /// Bytes that are known by themselves: an echo, or something with a reply of its own.
    fn signal(&self, frame: &Frame) -> Vec<Order> {
        let bytes = &frame.raw[frame.body.clone()];
        let reply = self.form.replies.iter().find(|(to, _)| to == bytes).map(|(_, reply)| reply.clone());
        reply.filter(|reply| !reply.is_empty()).map(Order::Send).into_iter().collect()
    }

    /// The same frame again right behind itself, where each has a number: its acknowledgement was lost.
    fn note_repeat(&mut self, frame: &Frame, decoded: &mut Decoded) {
        if !self.form.acknowledge.as_ref().is_some_and(|acknowledge| acknowledge.numbered) {
            return;
        }
        if decoded.outcome != Outcome::Accepted || frame.close != Close::Complete {
            return;
        }
        let raw = frame.raw.trim_ascii().to_vec();
        let is_again = self.last.as_ref() == Some(&raw);
        self.last = Some(raw);
        if is_again && !(decoded.readings.is_empty() && decoded.traces.is_empty()) {
            decoded.readings.clear();
            decoded.traces.clear();
            if !decoded.remarks.contains(&Remark::Repeat) {
                decoded.remarks.push(Remark::Repeat);
            }
        }
    }

    /// What is sent once this frame is stored. Noise between frames is never sent back: the instrument would send its
    /// last frame again, which was acknowledged.
    fn verdict(&mut self, frame: &Frame, decoded: &Decoded) -> Option<Vec<u8>> {
        let acknowledge = self.form.acknowledge.as_ref()?;
        match (decoded.outcome, frame.close) {
            (Outcome::Accepted, Close::Complete) => {
                self.naks = 0;
                Some(acknowledge.ack.clone())
            }
            (Outcome::Damaged | Outcome::Incomplete, Close::Complete | Close::CutOff | Close::TooLong) => {
                if acknowledge.nak.is_empty() || self.naks >= acknowledge.naks {
                    return None;
                }
                self.naks += 1;
                Some(acknowledge.nak.clone())
            }
            _ => None,
        }
    }
}

fn later(now: Tick, ms: u64) -> Tick {
    Tick(now.0.saturating_add(ms))
}
