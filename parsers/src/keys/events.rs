//! The kernel's input events to strokes. Source: Documentation/input/event-codes.rst and input.rst of the Linux kernel,
//! linux/input.h for the form of an event.

use super::stroke::{CAPS_LOCK, Held, MODIFIERS, NUM_LOCK, Stroke, Word};

/// Types of events.
const EV_SYN: u16 = 0;
const EV_KEY: u16 = 1;
/// Codes of [`EV_SYN`].
const SYN_REPORT: u16 = 0;
const SYN_DROPPED: u16 = 3;
/// Values of [`EV_KEY`]. 2 is a key that repeats because it is held: that is made by this PC and not by the instrument.
const RELEASED: i32 = 0;
const PRESSED: i32 = 1;

/// How long an event is: its time is two words of the machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EventForm {
    /// Of a program with words of 32 bits: 16 bytes.
    Narrow,
    /// Of a program with words of 64 bits: 24 bytes.
    Wide,
}

impl EventForm {
    /// The one of this program.
    pub const OWN: EventForm = if size_of::<usize>() == 8 { EventForm::Wide } else { EventForm::Narrow };

    /// Bytes of an event.
    pub const fn bytes(self) -> usize {
        match self {
            EventForm::Narrow => 16,
            EventForm::Wide => 24,
        }
    }
}

/// Turns the events of one device into strokes.
///
/// Repeats and releases make none. Num Lock makes none either, and changes nothing: the numeric keypad of an instrument
/// types numbers, and its lamp follows this PC's consoles, not the instrument.
#[derive(Clone, Debug)]
pub struct KeyEvents {
    form: EventForm,
    partial: Vec<u8>,
    held: Held,
    caps: bool,
    /// Events are thrown away until the next report ends.
    is_dropping: bool,
    wants_state: bool,
}

impl KeyEvents {
    /// For a device that was just opened; what is held then is not known yet.
    pub fn new(form: EventForm) -> KeyEvents {
        KeyEvents { form, partial: Vec::new(), held: Held::NONE, caps: false, is_dropping: false, wants_state: true }
    }

    /// Whether the state of the keys must be asked for before the next event is read.
    pub fn wants_state(&self) -> bool {
        self.wants_state
    }

    /// Which keys are down (one bit a code, lowest bit of the first byte first, as `EVIOCGKEY` gives them) and whether the
    /// lamp of caps lock is on.
    pub fn set_state(&mut self, down: &[u8], caps: bool) {
        let is_down = |code: u16| down.get(usize::from(code / 8)).is_some_and(|byte| byte & (1 << (code % 8)) != 0);
        self.held = Held::NONE;
        for (bit, (code, _)) in MODIFIERS.iter().enumerate() {
            self.held.0 |= u8::from(is_down(*code)) << bit;
        }
        self.caps = caps;
        self.wants_state = false;
    }

    /// Takes bytes of events, however they are split, and appends the strokes that they make.
    pub fn push(&mut self, bytes: &[u8], strokes: &mut Vec<u8>) {
        self.partial.extend_from_slice(bytes);
        let whole = self.partial.len() / self.form.bytes() * self.form.bytes();
        let events: Vec<u8> = self.partial.drain(..whole).collect();
        for event in events.chunks_exact(self.form.bytes()) {
            if let [.., t0, t1, c0, c1, v0, v1, v2, v3] = *event {
                let (kind, code) = (u16::from_ne_bytes([t0, t1]), u16::from_ne_bytes([c0, c1]));
                self.event(kind, code, i32::from_ne_bytes([v0, v1, v2, v3]), strokes);
            }
        }
    }

    fn event(&mut self, kind: u16, code: u16, value: i32, strokes: &mut Vec<u8>) {
        match (kind, code) {
            (EV_SYN, SYN_DROPPED) => {
                self.is_dropping = true;
                Word::Lost.write(strokes);
            }
            (EV_SYN, SYN_REPORT) if self.is_dropping => {
                self.is_dropping = false;
                self.wants_state = true;
            }
            (EV_KEY, code) if !self.is_dropping => self.key(code, value, strokes),
            _ => {}
        }
    }

    fn key(&mut self, code: u16, value: i32, strokes: &mut Vec<u8>) {
        let modifier = MODIFIERS.iter().position(|(known, _)| *known == code);
        match (modifier, value) {
            (Some(bit), PRESSED) => self.held.0 |= 1 << bit,
            (Some(bit), RELEASED) => self.held.0 &= !(1 << bit),
            (None, PRESSED) if code == CAPS_LOCK.0 => self.caps = !self.caps,
            (None, PRESSED) if code != NUM_LOCK.0 => {
                Word::Stroke(Stroke { code, held: self.held, caps: self.caps }).write(strokes);
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn event(form: EventForm, kind: u16, code: u16, value: i32) -> Vec<u8> {
        let mut bytes = vec![0xa5; form.bytes() - 8];
        bytes.extend(kind.to_ne_bytes());
        bytes.extend(code.to_ne_bytes());
        bytes.extend(value.to_ne_bytes());
        bytes
    }

    fn strokes(events: &[(u16, u16, i32)]) -> String {
        let mut keys = KeyEvents::new(EventForm::Wide);
        let mut strokes = Vec::new();
        for (kind, code, value) in events {
            keys.push(&event(EventForm::Wide, *kind, *code, *value), &mut strokes);
        }
        String::from_utf8_lossy(&strokes).into_owned()
    }

    /// What evdev gives when a scanner types `Ra`: a scan code, the key, a report; then the same for each release.
    #[test]
    fn presses_count_and_modifiers_are_kept_with_them() {
        let typed = [
            (4, 4, 0x700e1),
            (1, 42, 1),
            (0, 0, 0),
            (4, 4, 0x70015),
            (1, 19, 1),
            (0, 0, 0),
            (1, 19, 2),
            (0, 0, 1),
            (1, 19, 0),
            (0, 0, 0),
            (1, 42, 0),
            (0, 0, 0),
            (1, 30, 1),
            (0, 0, 0),
            (1, 30, 0),
            (0, 0, 0),
        ];
        assert_eq!(strokes(&typed), "LEFTSHIFT+R A ");
    }

    #[test]
    fn locks_type_nothing() {
        let press = |code| [(1, code, 1), (1, code, 0)];
        let typed: Vec<_> = [69, 71, 58, 30, 69, 71, 58, 30].into_iter().flat_map(press).collect();
        assert_eq!(strokes(&typed), "KP7 CAPSLOCK+A CAPSLOCK+KP7 A ");
    }

    /// Between SYN_DROPPED and the end of its report nothing can be trusted, and what is held has to be asked for.
    #[test]
    fn lost_events_are_told_and_the_rest_of_their_report_is_not_believed() {
        let mut keys = KeyEvents::new(EventForm::Wide);
        keys.set_state(&[], false);
        let mut strokes = Vec::new();
        for (kind, code, value) in [(1, 2, 1), (0, 0, 0), (0, 3, 0), (1, 3, 1), (1, 42, 1)] {
            keys.push(&event(EventForm::Wide, kind, code, value), &mut strokes);
        }
        assert!(!keys.wants_state());
        keys.push(&event(EventForm::Wide, 0, 0, 0), &mut strokes);
        assert!(keys.wants_state());
        let mut down = vec![0; 96];
        down[42 / 8] |= 1 << (42 % 8);
        keys.set_state(&down, true);
        keys.push(&event(EventForm::Wide, 1, 4, 1), &mut strokes);
        assert_eq!(String::from_utf8_lossy(&strokes), "1 LOST CAPSLOCK+LEFTSHIFT+3 ");
    }

    proptest! {
        /// However the bytes are split and whatever the length of an event, the strokes are the same; nothing panics.
        #[test]
        fn splitting_changes_nothing(
            events in proptest::collection::vec((0..5_u16, 0..140_u16, -1..4_i32), 0..40), piece in 1..60_usize,
        ) {
            let mut all = Vec::new();
            for form in [EventForm::Wide, EventForm::Narrow] {
                let bytes: Vec<u8> = events.iter().flat_map(|(kind, code, value)| event(form, *kind, *code, *value)).collect();
                for size in [piece, bytes.len().max(1)] {
                    let (mut keys, mut strokes) = (KeyEvents::new(form), Vec::new());
                    bytes.chunks(size).for_each(|piece| keys.push(piece, &mut strokes));
                    all.push(strokes);
                }
            }
            prop_assert!(all.iter().all(|strokes| *strokes == all[0]));
        }
    }
}
