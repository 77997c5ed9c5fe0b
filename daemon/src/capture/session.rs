//! What a station with a device decides: when to open, what the bytes mean, what a hang-up costs.
//!
//! A pure state machine: events and ticks in, actions out. It has no end state; from wherever it is, a device
//! that comes back is listened to again.

use ridgepost_parsers::{Decoded, Decoder, Dialogue, Frame, Framer, Instrument, Order, Remark, Tick};

use super::causes::{Causes, Telling};

/// Between tries to open a device that is not there.
const REOPEN_MS: u64 = 500;
/// The longest wait between tries to open a device that is there and refuses.
const REFUSED_MS_MAX: u64 = 1_000;
/// A device that hangs up sooner, without a byte, was not really there: a device server that has a client already takes
/// the second one and drops it at once.
const BRIEF_MS: u64 = 1_000;

/// What happens to a device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event<'a> {
    /// The device was opened.
    Opened,
    /// The device could not be opened.
    Refused(String),
    /// Bytes arrived.
    Bytes(&'a [u8]),
    /// The driver counted errors of the line: what comes with the next bytes has lost some, or has wrong ones.
    Faulty,
    /// The device is gone: no bytes, an error, a hang-up.
    HungUp(String),
    /// Time passed.
    Passed,
    /// A hint that the device may be there.
    Hint,
    /// Frames up to this one, counted from 1 over all that were to be recorded, are on the disk.
    Stored(u64),
    /// A person asks for a measurement.
    Ask,
    /// The program stops.
    Stop,
}

/// What is to be done.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// Open the device.
    Open,
    /// Close it at once.
    Close,
    /// Keep this frame and what it says.
    Record(Box<Frame>, Box<Decoded>),
    /// Send these bytes.
    Send(Vec<u8>),
    /// Set modem lines; `None` leaves one as it is.
    Lines {
        /// Data terminal ready.
        dtr: Option<bool>,
        /// Request to send.
        rts: Option<bool>,
    },
    /// What became of the question that a person asked.
    Reply(Result<String, String>),
    /// Say once that the station can't listen, and note since when.
    Deaf(String),
    /// It is still, now for another cause.
    StillDeaf(String),
    /// Say once that it listens; `ms` is how long it did not.
    Listening {
        /// How long it was deaf, in milliseconds.
        ms: u64,
        /// How often opening was tried.
        tries: u32,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// The device is closed; open it at `at`.
    Closed { at: Tick },
    /// Opening was asked for.
    Opening,
    /// The device is open.
    Listening {
        /// Since when.
        since: Tick,
        /// Whether a byte has come since.
        heard: bool,
    },
}

/// What an earlier run of the program knew of a stream.
#[derive(Clone, Debug, Default)]
pub struct Before {
    /// What it heard last, if that was cut short.
    pub cut: Option<Vec<u8>>,
    /// The last whole frame that it stored.
    pub last: Option<Vec<u8>>,
}

/// One station with a device.
#[derive(Debug)]
pub struct Session {
    framer: Framer,
    decoder: Decoder,
    dialogue: Option<Dialogue>,
    /// Whether a device whose instrument does not answer is opened anew: a connection can be dead without a word.
    renews: bool,
    /// The instrument does not answer its questions.
    mute: bool,
    /// Frames that were to be recorded.
    recorded: u64,
    /// Of these, frames that are on the disk.
    stored: u64,
    /// What a person is told once the frames up to a number are on the disk.
    reply: Option<(u64, String)>,
    state: State,
    /// Since when it is deaf, and what was said of that.
    deaf_since: Tick,
    causes: Causes,
    tries: u32,
    /// The device hung up at once, so that it is open is told only when it stays so.
    wary: bool,
    first_after_open: bool,
    /// Errors of the line were counted that the frame in hand may have.
    faulty: bool,
}

impl Session {
    /// A station whose device is to be opened at once, and what an earlier run knew of it. With `renews` the device is
    /// opened anew when the instrument does not answer.
    pub fn new(instrument: &Instrument, now: Tick, before: &Before, renews: bool) -> Self {
        let mut decoder = instrument.decoder();
        if let Some(cut) = &before.cut {
            decoder.remember_cut(cut);
        }
        Session {
            framer: instrument.framer(),
            decoder,
            dialogue: Dialogue::new(instrument, before.last.as_deref()),
            renews,
            mute: false,
            recorded: 0,
            stored: 0,
            reply: None,
            state: State::Closed { at: now },
            deaf_since: now,
            causes: Causes::default(),
            tries: 0,
            wary: false,
            first_after_open: true,
            faulty: false,
        }
    }

    /// When [`Event::Passed`] is due, if nothing else happens.
    pub fn deadline(&self) -> Option<Tick> {
        match self.state {
            State::Closed { at } => Some(at),
            State::Opening => None,
            State::Listening { since, .. } => {
                let settled = (self.wary && !self.mute).then(|| Tick(since.0 + BRIEF_MS));
                let talk = self.dialogue.as_ref().and_then(Dialogue::deadline);
                settled.into_iter().chain(self.framer.deadline()).chain(talk).min()
            }
        }
    }

    /// Whether everything that was to be recorded is on the disk.
    pub fn is_all_stored(&self) -> bool {
        self.stored >= self.recorded
    }

    /// Whether the device is open.
    pub fn is_listening(&self) -> bool {
        matches!(self.state, State::Listening { .. })
    }

    /// What follows from an event at `now`.
    pub fn step(&mut self, now: Tick, event: Event) -> Vec<Action> {
        match event {
            Event::Opened => self.opened(now),
            Event::Refused(cause) => self.refused(now, cause),
            Event::Bytes(bytes) => {
                // Silence is told by `Passed`, which comes only when nothing waits to be read.
                self.framer.push_unread(bytes, now);
                let mut actions = self.heard(now);
                actions.append(&mut self.closed_frames(now));
                self.faulty &= self.framer.is_begun();
                actions
            }
            Event::Faulty => {
                self.faulty = true;
                Vec::new()
            }
            Event::HungUp(cause) => self.hung_up(now, cause),
            Event::Passed => self.passed(now),
            Event::Hint => self.hint(now),
            Event::Stored(number) => self.stored(number, now),
            Event::Ask => match self.dialogue.as_mut().map(|dialogue| dialogue.ask(now)) {
                Some(orders) => self.follow(now, orders),
                None => vec![Action::Reply(Err("its definition has no [dialogue]: it can't be asked".into()))],
            },
            Event::Stop => {
                let mut actions = self.rest(now);
                actions.push(Action::Close);
                actions
            }
        }
    }

    fn opened(&mut self, now: Tick) -> Vec<Action> {
        self.state = State::Listening { since: now, heard: false };
        (self.first_after_open, self.faulty) = (true, false);
        let mut actions = if self.wary || self.mute { Vec::new() } else { vec![self.listening(now)] };
        let orders = self.dialogue.as_mut().map(|dialogue| dialogue.opened(now)).unwrap_or_default();
        actions.append(&mut self.follow(now, orders));
        actions
    }

    /// Turns what the dialogue orders into what is to be done.
    fn follow(&mut self, now: Tick, orders: Vec<Order>) -> Vec<Action> {
        let mut actions = Vec::new();
        for order in orders {
            match order {
                Order::Send(bytes) => {
                    self.framer.expect_echo();
                    actions.push(Action::Send(bytes));
                }
                Order::Lines { dtr, rts } => actions.push(Action::Lines { dtr, rts }),
                Order::Offline(cause) => actions.append(&mut self.unanswered(now, cause)),
                Order::Online => {
                    self.mute = false;
                    actions.push(self.listening(now));
                }
                Order::Done(Ok(words)) if self.stored < self.recorded => self.reply = Some((self.recorded, words)),
                Order::Done(Ok(words)) => actions.push(Action::Reply(Ok(words))),
                Order::Done(failed) => actions.push(Action::Reply(failed)),
            }
        }
        actions
    }

    /// The device is open and the instrument does not answer.
    fn unanswered(&mut self, now: Tick, cause: String) -> Vec<Action> {
        if !self.mute && !self.wary {
            self.deaf_since = now;
        }
        self.mute = true;
        if self.renews { self.hung_up(now, cause) } else { self.tell(now, cause) }
    }

    /// Frames are on the disk: now they may be acknowledged, and people told of them.
    fn stored(&mut self, number: u64, now: Tick) -> Vec<Action> {
        self.stored = number;
        let orders = self.dialogue.as_mut().map(|dialogue| dialogue.stored(number)).unwrap_or_default();
        let mut actions = self.follow(now, orders);
        actions.extend(
            self.reply.take_if(|(waits_for, _)| *waits_for <= number).map(|(_, words)| Action::Reply(Ok(words))),
        );
        actions
    }

    fn listening(&mut self, now: Tick) -> Action {
        let ms = now.0.saturating_sub(self.deaf_since.0);
        let tries = std::mem::take(&mut self.tries);
        self.causes.forget();
        self.wary = false;
        Action::Listening { ms, tries }
    }

    /// A byte came.
    fn heard(&mut self, now: Tick) -> Vec<Action> {
        if let State::Listening { heard, .. } = &mut self.state {
            *heard = true;
        }
        if self.wary && !self.mute { vec![self.listening(now)] } else { Vec::new() }
    }

    fn refused(&mut self, now: Tick, cause: String) -> Vec<Action> {
        self.tries = self.tries.saturating_add(1);
        let wait = (REOPEN_MS * u64::from(self.tries)).min(REFUSED_MS_MAX);
        self.state = State::Closed { at: Tick(now.0 + wait) };
        self.tell(now, cause)
    }

    fn hung_up(&mut self, now: Tick, cause: String) -> Vec<Action> {
        let State::Listening { since, heard } = self.state else { return Vec::new() };
        let mut actions = vec![Action::Close];
        actions.append(&mut self.rest(now));
        if !self.wary && !self.mute {
            self.deaf_since = now;
        }
        if !self.mute && !heard && now.0.saturating_sub(since.0) < BRIEF_MS {
            self.wary = true;
            actions.append(&mut self.refused(now, cause));
            return actions;
        }
        self.state = State::Closed { at: Tick(now.0 + REOPEN_MS) };
        actions.append(&mut self.tell(now, cause));
        actions
    }

    fn tell(&mut self, now: Tick, cause: String) -> Vec<Action> {
        match self.causes.told(now, &cause) {
            Some(Telling::First) => vec![Action::Deaf(cause)],
            Some(Telling::Another) => vec![Action::StillDeaf(cause)],
            None => Vec::new(),
        }
    }

    fn passed(&mut self, now: Tick) -> Vec<Action> {
        match self.state {
            State::Closed { at } if at <= now => {
                self.state = State::Opening;
                vec![Action::Open]
            }
            State::Listening { since, .. } => {
                let mut actions = Vec::new();
                if self.wary && !self.mute && since.0 + BRIEF_MS <= now.0 {
                    actions.push(self.listening(now));
                }
                while let Some(frame) = self.framer.expire(now) {
                    actions.append(&mut self.record(frame, now));
                }
                self.faulty &= self.framer.is_begun();
                let orders = self.dialogue.as_mut().map(|dialogue| dialogue.passed(now)).unwrap_or_default();
                actions.append(&mut self.follow(now, orders));
                actions
            }
            _ => Vec::new(),
        }
    }

    fn hint(&mut self, now: Tick) -> Vec<Action> {
        if let State::Closed { .. } = self.state {
            self.state = State::Closed { at: now };
        }
        self.passed(now)
    }

    fn closed_frames(&mut self, now: Tick) -> Vec<Action> {
        let mut actions = Vec::new();
        while let Some(frame) = self.framer.poll() {
            actions.append(&mut self.record(frame, now));
        }
        actions
    }

    /// The device is closed, or about to be: what was begun is cut off, and nobody is talked to any more.
    fn rest(&mut self, now: Tick) -> Vec<Action> {
        let mut actions = self.closed_frames(now);
        while let Some(frame) = self.framer.hang_up() {
            actions.append(&mut self.record(frame, now));
        }
        actions.retain(|action| !matches!(action, Action::Send(_) | Action::Lines { .. }));
        let orders = self.dialogue.as_mut().map(Dialogue::closed).unwrap_or_default();
        actions.append(&mut self.follow(now, orders));
        actions
    }

    fn record(&mut self, frame: Frame, now: Tick) -> Vec<Action> {
        let mut decoded = match self.faulty {
            true => self.decoder.decode_faulty(&frame),
            false => self.decoder.decode(&frame),
        };
        if std::mem::take(&mut self.first_after_open) {
            decoded.remarks.push(Remark::FirstAfterOpen);
        }
        self.recorded += 1;
        let number = self.recorded;
        let dialogue = self.dialogue.as_mut();
        let orders = dialogue.map(|dialogue| dialogue.heard(now, number, &frame, &mut decoded)).unwrap_or_default();
        let mut actions = vec![Action::Record(Box::new(frame), Box::new(decoded))];
        actions.append(&mut self.follow(now, orders));
        actions
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::expect_used, clippy::panic, reason = "a test that can't go on should stop")]
    use super::*;
    use proptest::prelude::*;

    fn session() -> Session {
        let text = r#"
            [instrument]
            name = "line"
            [framing]
            kind = "lines"
            [[line]]
            pattern = '(?<quantity>Ra) (?<value>\S+) (?<unit>um)'
        "#;
        let (instrument, _) =
            ridgepost_config::instrument(text, std::path::Path::new("line.toml")).expect("a definition");
        Session::new(&instrument, Tick(0), &Before::default(), false)
    }

    fn listening() -> Session {
        let mut session = session();
        assert_eq!(session.step(Tick(0), Event::Passed), [Action::Open]);
        session.step(Tick(0), Event::Opened);
        session
    }

    #[test]
    fn a_hang_up_closes_first_and_keeps_the_partial_line() {
        let mut session = listening();
        session.step(Tick(5), Event::Bytes(b"Ra 0.4"));
        let actions = session.step(Tick(9), Event::HungUp("gone".into()));
        assert_eq!(actions[0], Action::Close);
        let Action::Record(frame, decoded) = &actions[1] else { panic!("{actions:?}") };
        assert_eq!((frame.raw.as_slice(), decoded.outcome), (&b"Ra 0.4"[..], ridgepost_parsers::Outcome::Incomplete));
        assert_eq!(actions[2], Action::Deaf("gone".into()));
    }

    #[test]
    fn a_missing_device_is_told_once_and_tried_within_two_seconds_for_ever() {
        let mut session = session();
        let mut now = Tick(0);
        let mut told = 0;
        for _ in 0..100 {
            assert_eq!(session.step(now, Event::Passed), [Action::Open]);
            told += session.step(now, Event::Refused("no such device".into())).len();
            let next = session.deadline().expect("a closed port has a next try");
            assert!(next.0 - now.0 <= 2_000, "a device that returns is opened within two seconds");
            now = next;
        }
        assert_eq!(told, 1);
        session.step(now, Event::Passed);
        assert_eq!(session.step(now, Event::Opened), [Action::Listening { ms: now.0, tries: 100 }]);
    }

    #[test]
    fn a_device_that_hangs_up_at_once_is_told_once_and_tried_for_ever() {
        let mut session = listening();
        let mut now = Tick(10);
        let mut told = Vec::new();
        for _ in 0..50 {
            told.extend(session.step(now, Event::HungUp("taken".into())));
            let next = session.deadline().expect("a closed device has a next try");
            assert!(next.0 - now.0 <= 2_000);
            assert_eq!(session.step(next, Event::Passed), [Action::Open]);
            told.extend(session.step(next, Event::Opened));
            now = Tick(next.0 + 5);
        }
        told.retain(|action| *action != Action::Close);
        assert_eq!(told, [Action::Deaf("taken".into())]);
        let stays = session.deadline().expect("it is told when it stays open");
        let actions = session.step(stays, Event::Passed);
        assert!(matches!(actions[..], [Action::Listening { tries: 50, .. }]), "{actions:?}");
        assert_eq!(session.deadline(), None);
    }

    #[test]
    fn only_the_first_frame_after_opening_is_marked() {
        let mut session = listening();
        let actions = session.step(Tick(1), Event::Bytes(b"Ra 0.412 um\rRa 0.413 um\r"));
        let marked: Vec<bool> = actions
            .iter()
            .map(|action| matches!(action, Action::Record(_, decoded) if decoded.remarks.contains(&Remark::FirstAfterOpen)))
            .collect();
        assert_eq!(marked, [true, false]);
    }

    #[test]
    fn a_reader_that_was_held_up_takes_its_own_delay_for_no_silence() {
        let mut session = listening();
        session.step(Tick(5), Event::Bytes(b"Ra 0.4"));
        let actions = session.step(Tick(60_000), Event::Bytes(b"12 um\r"));
        let Action::Record(frame, decoded) = &actions[0] else { panic!("{actions:?}") };
        assert_eq!((frame.raw.as_slice(), decoded.readings.len()), (&b"Ra 0.412 um\r"[..], 1));
        session.step(Tick(60_001), Event::Bytes(b"Ra 0.4"));
        let actions = session.step(Tick(90_000), Event::Passed);
        assert!(matches!(&actions[..], [Action::Record(_, decoded)] if decoded.readings.is_empty()), "{actions:?}");
    }

    /// Errors that were counted belong to the frame in hand and to those that the next bytes close, and to no other.
    #[test]
    fn errors_of_the_line_are_told_of_the_frames_that_may_have_them() {
        let mut session = listening();
        let mut outcomes = Vec::new();
        for (is_faulty, bytes) in [
            (false, &b"Ra 0.411 um\r"[..]),
            (true, b"Ra 0.4"),
            (false, b"12 um\r"),
            (false, b"Ra 0.413 um\r"),
            (true, b"Ra 0.414 um\r"),
            (false, b"Ra 0.415 um\rRa 0.4"),
            (true, b"16 um\rRa 0.417 um\r"),
            (false, b"Ra 0.418 um\r"),
        ] {
            if is_faulty {
                session.step(Tick(1), Event::Faulty);
            }
            for action in session.step(Tick(1), Event::Bytes(bytes)) {
                let Action::Record(_, decoded) = action else { continue };
                let is_told = decoded.remarks.contains(&Remark::Overrun);
                assert_eq!(decoded.reason, is_told.then_some(ridgepost_parsers::Reason::Lost));
                outcomes.push((is_told, decoded.readings.len()));
            }
        }
        let (good, lost) = ((false, 1), (true, 0));
        assert_eq!(outcomes, [good, lost, good, lost, good, lost, lost, good]);
    }

    fn events() -> impl Strategy<Value = Vec<u8>> {
        proptest::collection::vec(any::<u8>(), 0..60)
    }

    proptest! {
        /// From wherever it is, a device that can be opened is listened to again.
        #[test]
        fn there_is_no_way_to_end_deaf(steps in events()) {
            let mut session = session();
            let mut now = Tick(0);
            for step in steps {
                now = Tick(now.0 + u64::from(step) * 7);
                let event = match step % 6 {
                    0 => Event::Refused("refused".into()),
                    1 => Event::Bytes(b"Ra 0.4\r"),
                    2 => Event::HungUp("gone".into()),
                    3 => Event::Hint,
                    _ => Event::Passed,
                };
                if session.step(now, event).contains(&Action::Open) && step % 2 == 0 {
                    session.step(now, Event::Opened);
                }
            }
            if session.state == State::Opening {
                session.step(now, Event::Refused("late".into()));
            }
            if !session.is_listening() {
                let at = session.deadline().expect("a next try");
                prop_assert!(at.0 <= now.0 + 2_000);
                prop_assert_eq!(session.step(at.max(now), Event::Passed), vec![Action::Open]);
                session.step(at.max(now), Event::Opened);
            }
            prop_assert!(session.is_listening());
        }
    }
}
