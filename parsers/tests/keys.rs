//! Instruments that type, from the kernel's events to readings: what is kept, what a wrong layout does, what is lost.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod shown;

use proptest::prelude::*;
use ridgepost_parsers::{
    Decoded, EventForm, Frame, Instrument, KeyEvents, Layout, LayoutName, Outcome, Reason, Remark, Tick, examine,
};

/// Key codes as linux/input-event-codes.h has them, written out here once more and not taken from the crate.
const ENTER: u16 = 28;
const LEFT_SHIFT: u16 = 42;
const DOT: u16 = 52;
const KEYPAD_DOT: u16 = 83;

const GAUGE: &str = "[framing]\nkind = \"lines\"\nterminator = \"\\r\"\n[[line]]\n\
    pattern = '(?<quantity>R[ayz]) (?<value>\\S+) (?<unit>um)'\n[[line]]\npattern = '(?<value>\\S+)'\n\
    [numbers]\ndecimal = \".\"\n[reading]\nquantity = \"L\"\nunit = \"mm\"\n";

/// The events of keys, each pressed and released: type, code and value in the form of a program of 64 bits.
fn events(keys: &[u16]) -> Vec<u8> {
    let event = |kind: u16, code: u16, value: i32| {
        let mut bytes = vec![0; 16];
        bytes.extend(kind.to_ne_bytes());
        bytes.extend(code.to_ne_bytes());
        bytes.extend(value.to_ne_bytes());
        bytes
    };
    let both = |code: &u16| [event(1, *code, 1), event(0, 0, 0), event(1, *code, 0), event(0, 0, 0)].concat();
    keys.iter().flat_map(both).collect()
}

fn strokes(events: &[u8]) -> Vec<u8> {
    let (mut keys, mut strokes) = (KeyEvents::new(EventForm::Wide), Vec::new());
    keys.push(events, &mut strokes);
    strokes
}

fn gauge(layout: LayoutName) -> Instrument {
    shown::instrument(GAUGE).typing(Layout::new(layout, None))
}

fn read(instrument: &Instrument, strokes: &[u8]) -> Vec<(Frame, Decoded)> {
    examine(instrument, &[(Tick(0), strokes.to_vec())])
}

/// Quantity and value of every reading, and the reason of every frame that was refused.
fn said(frames: &[(Frame, Decoded)]) -> Vec<String> {
    let each = frames.iter().flat_map(|(_, decoded)| {
        let readings = decoded.readings.iter().map(|reading| format!("{}={}", reading.quantity, reading.value_as_sent));
        readings.chain(decoded.reason.map(|reason| reason.to_string())).collect::<Vec<_>>()
    });
    each.collect()
}

#[test]
fn typed_digits_are_a_reading_and_the_keys_are_what_is_kept() {
    let keys = [11, DOT, 9, 2, 3, ENTER];
    let frames = read(&gauge(LayoutName::Us), &strokes(&events(&keys)));
    assert_eq!(said(&frames), ["L=0.812"]);
    assert_eq!(frames[0].0.raw, b"0 DOT 8 1 2 ENTER ");
    assert_eq!(frames[0].1.readings[0].value.unwrap().to_string(), "0.812");
    assert!(frames[0].1.remarks.contains(&Remark::Unprotected));
}

/// The same kept keys, read again with every layout: what is wrong with one is right with another.
#[test]
fn a_wrong_layout_is_put_right_by_reading_the_kept_keys_again() {
    let typed = |keys: &str| keys.as_bytes().to_vec();
    let rows = [
        // A French instrument: shifted digits, `;` as the point.
        ("LEFTSHIFT+0 LEFTSHIFT+COMMA LEFTSHIFT+8 ENTER ", ["no", "no", "no", "no", "L=0.8"]),
        // The keypad's decimal key is a comma in Germany: a number is never read across that.
        ("KP0 KPDOT KP8 KPENTER ", ["L=0.8", "L=0.8", "no", "L=0.8", "L=0.8"]),
        // y and z: Rz becomes Ry, which is no quantity here.
        ("LEFTSHIFT+R Z SPACE 1 DOT 2 SPACE U M ENTER ", ["Rz=1.2", "Rz=1.2", "no", "no", "no"]),
        ("LEFTSHIFT+R Y SPACE 1 DOT 2 SPACE U M ENTER ", ["no", "no", "Rz=1.2", "Rz=1.2", "no"]),
        // A dead key types nothing by itself.
        ("1 EQUAL 2 ENTER ", ["no", "no", "unknown-key", "unknown-key", "no"]),
    ];
    for (keys, wanted) in rows {
        for (layout, wanted) in LayoutName::ALL.into_iter().zip(wanted) {
            let frames = read(&gauge(layout), &typed(keys));
            let said = said(&frames);
            match wanted {
                "no" => assert_ne!(frames[0].1.outcome, Outcome::Accepted, "{layout}: {keys}: {said:?}"),
                wanted => assert_eq!(said, [wanted], "{layout}: {keys}"),
            }
            assert_eq!(frames[0].0.raw, typed(keys));
        }
    }
}

#[test]
fn a_key_without_a_character_spoils_its_frame_and_no_other() {
    let mut keys = events(&[2, 59, 3, ENTER]);
    keys.extend(events(&[4, ENTER]));
    let frames = read(&gauge(LayoutName::Us), &strokes(&keys));
    assert_eq!(said(&frames), ["unknown-key", "L=3"]);
    let (frame, decoded) = &frames[0];
    assert_eq!(decoded.detail.as_deref(), Some("layout us has no character for #59"));
    assert_eq!(Layout::new(LayoutName::Us, None).text(&frame.raw), "1\u{fffd}2\r");
}

#[test]
fn lost_keys_spoil_the_frame_in_hand() {
    let frames = read(&gauge(LayoutName::Us), b"1 LOST 2 ENTER 3 ENTER 4 LOST ");
    assert_eq!(said(&frames), ["lost", "L=3", "cut-off"]);
    let remarks: Vec<bool> = frames.iter().map(|(_, decoded)| decoded.remarks.contains(&Remark::Overrun)).collect();
    assert_eq!(remarks, [true, false, true]);
    assert_eq!(frames[0].1.reason, Some(Reason::Lost));
}

/// Half a message and then its rest are no reading, as with any other instrument.
#[test]
fn the_rest_of_a_message_that_was_cut_off_is_not_taken_for_a_whole_one() {
    let instrument = gauge(LayoutName::Us);
    let mut decoder = instrument.decoder();
    decoder.remember_cut(b"1 2 DOT ");
    let (frame, _) = read(&instrument, b"3 4 ENTER ").remove(0);
    assert_eq!(decoder.decode(&frame).reason, Some(Reason::CutOff));
}

/// What a label says is what its keys mean; where one is unknown it says nothing.
#[test]
fn the_text_of_a_frame_is_what_its_keys_mean() {
    let text = |keys: &[u8]| {
        let instrument = gauge(LayoutName::De);
        let (frame, _) = read(&instrument, keys).remove(0);
        instrument.text(&frame)
    };
    assert_eq!(text(b"LEFTSHIFT+Y 1 SLASH 7 ENTER ").as_deref(), Some("Z1-7"));
    assert_eq!(text(b"LEFTSHIFT+Y 1 #59 7 ENTER "), None);
}

#[test]
fn the_keypad_types_what_is_said_of_it() {
    let layout = Layout::new(LayoutName::De, Some('.'));
    let instrument = shown::instrument(GAUGE).typing(layout);
    let frames = read(&instrument, &strokes(&events(&[82, KEYPAD_DOT, 72, 96])));
    assert_eq!(said(&frames), ["L=0.8"]);
}

/// Events of modifiers go before the key, so a shifted digit of a French instrument comes whole.
#[test]
fn shift_is_held_over_a_key() {
    let press = |code: u16, value: i32| {
        let mut bytes = events(&[code])[..24].to_vec();
        bytes[20..24].copy_from_slice(&value.to_ne_bytes());
        bytes
    };
    let all = [press(LEFT_SHIFT, 1), press(9, 1), press(9, 2), press(9, 0), press(LEFT_SHIFT, 0), press(ENTER, 1)];
    assert_eq!(strokes(&all.concat()), b"LEFTSHIFT+8 ENTER ");
    assert_eq!(said(&read(&gauge(LayoutName::Fr), b"LEFTSHIFT+8 ENTER ")), ["L=8"]);
}

fn words() -> impl Strategy<Value = Vec<u8>> {
    let word = prop_oneof![
        8 => prop_oneof![Just("1 "), Just("DOT "), Just("ENTER "), Just("LEFTSHIFT+R "), Just("RIGHTALT+M "), Just("SLASH ")],
        1 => prop_oneof![Just("LOST "), Just("#59 "), Just("LEFTALT+1 "), Just("x"), Just(" ")],
    ];
    proptest::collection::vec(word, 0..60).prop_map(|words| words.concat().into_bytes())
}

proptest! {
    /// Every byte of what was received is in exactly one frame, in order, whatever it is and however it was split; the
    /// frames and what they say are the same.
    #[test]
    fn frames_partition_strokes(
        strokes in prop_oneof![words(), proptest::collection::vec(any::<u8>(), 0..400)], piece in 1..40_usize, small: bool,
    ) {
        let text = if small { GAUGE.replace("[framing]\n", "[framing]\nbytes_max = 16\n") } else { GAUGE.to_owned() };
        for layout in [LayoutName::Us, LayoutName::De] {
            let instrument = shown::instrument(&text).typing(Layout::new(layout, None));
            let whole = read(&instrument, &strokes);
            let chunks: Vec<_> = strokes.chunks(piece).map(|chunk| (Tick(0), chunk.to_vec())).collect();
            prop_assert_eq!(&examine(&instrument, &chunks), &whole);
            let joined: Vec<u8> = whole.iter().flat_map(|(frame, _)| frame.raw.clone()).collect();
            prop_assert_eq!(&joined, &strokes);
            let mut at = 0;
            for (frame, decoded) in &whole {
                prop_assert_eq!(frame.offset, at);
                at += frame.raw.len() as u64;
                let text = Layout::new(layout, None).text(&frame.raw);
                prop_assert!(!text.contains('\u{fffd}') || decoded.readings.is_empty(), "{}", text);
            }
        }
    }
}
