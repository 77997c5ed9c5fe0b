//! The dialogue as a pure machine: what is sent when, what an answer counts for, and what never does.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use proptest::prelude::*;
use ridgepost_parsers::{
    Close, Decoded, Decoder, Definition, Dialogue, Framer, Instrument, Order, Outcome, Reason, Remark, Tick,
};

const LINES: &str = "[instrument]\nname = \"x\"\n[reading]\nquantity = \"L\"\nunit = \"mm\"\n[[line]]\npattern = '(?<value>\\d\\.\\d{3})( [NR])?'\n\
    [[line]]\npattern = 'BUSY'\nevent = \"busy\"\n[[line]]\npattern = 'NONE'\nevent = \"nothing-new\"\n\
    [[line]]\npattern = 'E(?<code>\\d)'\nevent = \"instrument-error\"\n[[line]]\npattern = 'hello'\nignore = true\n";

fn instrument(dialogue: &str) -> Instrument {
    let definition: Definition = toml::from_str(&format!("{LINES}{dialogue}")).unwrap();
    definition.compile().unwrap_or_else(|faults| panic!("{faults:#?}"))
}

fn faults(text: &str) -> Vec<String> {
    let definition: Definition = toml::from_str(text).unwrap();
    definition.compile().err().unwrap_or_default().into_iter().map(|fault| fault.message).collect()
}

/// Framer, decoder and dialogue as a station joins them.
struct Talk {
    framer: Framer,
    decoder: Decoder,
    dialogue: Dialogue,
    number: u64,
    frames: Vec<(Vec<u8>, Decoded)>,
}

impl Talk {
    fn new(dialogue: &str) -> Talk {
        let instrument = instrument(dialogue);
        let talk = Dialogue::new(&instrument, None).expect("a dialogue");
        let (framer, decoder) = (instrument.framer(), instrument.decoder());
        Talk { framer, decoder, dialogue: talk, number: 0, frames: vec![] }
    }

    fn note(&mut self, orders: Vec<Order>) -> Vec<Order> {
        if orders.iter().any(|order| matches!(order, Order::Send(_))) {
            self.framer.expect_echo();
        }
        orders
    }

    fn opened(&mut self, at: u64) -> Vec<Order> {
        let orders = self.dialogue.opened(Tick(at));
        self.note(orders)
    }

    fn passed(&mut self, at: u64) -> Vec<Order> {
        let orders = self.dialogue.passed(Tick(at));
        self.note(orders)
    }

    fn ask(&mut self, at: u64) -> Vec<Order> {
        let orders = self.dialogue.ask(Tick(at));
        self.note(orders)
    }

    fn hears(&mut self, at: u64, bytes: &[u8]) -> Vec<Order> {
        self.framer.push(bytes, Tick(at));
        let mut all = Vec::new();
        while let Some(frame) = self.framer.poll() {
            let mut decoded = self.decoder.decode(&frame);
            self.number += 1;
            let orders = self.dialogue.heard(Tick(at), self.number, &frame, &mut decoded);
            all.extend(self.note(orders));
            self.frames.push((frame.raw, decoded));
        }
        all
    }

    fn values(&self) -> Vec<String> {
        let readings = self.frames.iter().flat_map(|(_, decoded)| &decoded.readings);
        readings.map(|reading| reading.value_as_sent.clone()).collect()
    }
}

fn send(bytes: &[u8]) -> Order {
    Order::Send(bytes.to_vec())
}

const ON_REQUEST: &str = "[dialogue.poll]\nsend = \"?\\r\"\nanswer_ms = 1000\nretries = 1\n";
const ONCE: &str = "[dialogue.poll]\nsend = \"?\\r\"\nevery_ms = 2000\nanswer = \"once\"\nanswer_ms = 1000\nretries = 1\nbusy_ms = 300\n";

#[test]
fn what_an_instrument_shows_counts_once_for_each_time_it_is_asked() {
    let mut talk = Talk::new(ON_REQUEST);
    assert_eq!(talk.opened(0), []);
    assert_eq!(talk.dialogue.deadline(), None, "nobody asked, nothing is due");
    talk.hears(5, b"0.100\r\n");
    assert_eq!((talk.frames[0].1.outcome, talk.frames[0].1.reason), (Outcome::Damaged, Some(Reason::Unasked)));
    assert_eq!(talk.ask(10), [send(b"?\r")]);
    assert_eq!(talk.hears(20, b"0.200\r\n"), [Order::Done(Ok("it answered".into()))]);
    talk.hears(30, b"0.300\r\n");
    assert_eq!(talk.values(), ["0.200"]);
}

/// The answer to the first request comes when the second question is open: it must not be taken for its answer.
#[test]
fn a_late_answer_is_no_answer_to_the_next_question() {
    let mut talk = Talk::new(ON_REQUEST);
    talk.opened(0);
    talk.ask(0);
    assert_eq!(talk.passed(1000), [send(b"?\r")]);
    assert!(matches!(&talk.passed(2000)[..], [Order::Done(Err(_))]), "a person is told, and nobody is offline");
    assert_eq!(talk.ask(2000), [send(b"?\r")], "the declared time has passed for both");
    talk.hears(2100, b"0.100\r\n");
    // The retry of the same question was sent at 1000; what comes in its time is kept apart from a question at 1500.
    let mut talk = Talk::new(ON_REQUEST);
    talk.opened(0);
    talk.ask(0);
    talk.passed(1000);
    talk.hears(1200, b"0.100\r\n");
    assert_eq!(talk.ask(1300), [], "the line has to be quiet first");
    talk.hears(1400, b"0.101\r\n");
    assert_eq!(talk.passed(2000), [send(b"?\r")]);
    talk.hears(2100, b"0.200\r\n");
    assert_eq!(talk.values(), ["0.100", "0.200"]);
}

#[test]
fn busy_is_asked_again_and_errors_and_nothing_new_are_answers() {
    let mut talk = Talk::new(ONCE);
    assert_eq!(talk.opened(0), []);
    assert_eq!(talk.passed(0), [send(b"?\r")]);
    talk.hears(10, b"BUSY\r\n");
    assert_eq!(talk.dialogue.deadline(), Some(Tick(310)));
    assert_eq!(talk.passed(310), [send(b"?\r")]);
    talk.hears(320, b"E4\r\n");
    assert!(talk.frames[1].1.remarks.contains(&Remark::InstrumentError));
    assert_eq!(talk.dialogue.deadline(), Some(Tick(2000)), "from the question, not from the answer");
    talk.passed(2000);
    talk.hears(2010, b"NONE\r\n");
    assert_eq!(talk.dialogue.deadline(), Some(Tick(4000)));
    talk.passed(4000);
    talk.hears(4010, b"hello\r\n");
    assert_eq!(talk.dialogue.deadline(), Some(Tick(5010)), "a known line is no answer yet");
    talk.hears(4020, b"0.412\r\n");
    assert_eq!(talk.values(), ["0.412"]);
    assert!(talk.frames.iter().all(|(_, decoded)| decoded.outcome == Outcome::Accepted));
    assert_eq!(talk.frames[0].1.reason, Some(Reason::Busy));
}

#[test]
fn silence_is_offline_after_the_retries_and_an_answer_ends_it() {
    let mut talk = Talk::new(ONCE);
    talk.opened(0);
    talk.passed(0);
    assert_eq!(talk.passed(999), []);
    assert_eq!(talk.passed(1000), [send(b"?\r")]);
    assert!(matches!(&talk.passed(2000)[..], [Order::Offline(_)]));
    assert_eq!(talk.passed(2000), [send(b"?\r")], "it is asked on and on");
    assert_eq!(talk.hears(2100, b"0.412\r\n"), [Order::Online]);
    // Each measurement is handed out once, so one that comes late is one all the same.
    talk.hears(2200, b"0.413\r\n");
    assert_eq!(talk.values(), ["0.412", "0.413"]);
}

#[test]
fn the_start_up_goes_step_by_step_and_begins_anew() {
    let start = "[dialogue]\nstart = [{ rts = true }, { wait_ms = 100 }, { send = \"A\\r\" }, { expect = 'OK' }, { send = \"B\\r\" }]\n";
    let mut talk = Talk::new(start);
    assert_eq!(talk.opened(0), [Order::Lines { dtr: None, rts: Some(true) }]);
    assert_eq!(talk.passed(100), [send(b"A\r")]);
    talk.hears(110, b"hello\r\n");
    assert_eq!(talk.hears(150, b"OK\r\n"), [send(b"B\r")]);
    assert_eq!(talk.dialogue.deadline(), None);
    assert!(talk.frames.iter().all(|(_, decoded)| decoded.outcome == Outcome::Accepted), "what is expected is known");
    let mut talk = Talk::new(start);
    talk.opened(0);
    for round in 0..3 {
        let begun = round * 3_100;
        assert_eq!(talk.passed(begun + 100), [send(b"A\r")]);
        let orders = talk.passed(begun + 3_100);
        assert_eq!(matches!(orders.last(), Some(Order::Offline(_))), round == 2, "{orders:?}");
    }
    assert_eq!(talk.passed(9_300 + 5_000), [Order::Lines { dtr: None, rts: Some(true) }]);
    talk.passed(14_400);
    assert_eq!(talk.hears(14_500, b"OK\r\n"), [send(b"B\r"), Order::Online]);
}

const BLOCKS: &str = "[dialogue]\nreply = [{ to = \"\\u0005\", send = \"\\u0006\" }]\n[dialogue.acknowledge]\nack = \"A\"\nnak = \"N\"\nnaks = 2\nnumbered = true\n";

#[test]
fn nothing_is_acknowledged_before_it_is_stored() {
    let mut talk = Talk::new(BLOCKS);
    talk.opened(0);
    assert_eq!(talk.hears(1, b"\x05"), [send(b"\x06")]);
    assert_eq!(talk.hears(2, b"0.412\r"), []);
    assert_eq!(talk.dialogue.stored(1), [], "only the enquiry is stored");
    assert_eq!(talk.dialogue.stored(2), [send(b"A")]);
    assert_eq!(talk.dialogue.stored(2), [], "once");
    talk.hears(3, b"0.413\r");
    talk.dialogue.closed();
    assert_eq!(talk.dialogue.stored(3), [], "nobody is there");
}

#[test]
fn damage_is_sent_back_so_many_times_and_a_repeated_block_counts_once() {
    let mut talk = Talk::new(BLOCKS);
    talk.opened(0);
    talk.hears(1, b"0.412\r0.412\r");
    assert_eq!(talk.dialogue.stored(2), [send(b"A"), send(b"A")], "the repeat is acknowledged as well");
    assert_eq!(talk.values(), ["0.412"]);
    assert!(talk.frames[1].1.remarks.contains(&Remark::Repeat));
    for (number, answer) in [(3, vec![send(b"N")]), (4, vec![send(b"N")]), (5, vec![]), (6, vec![])] {
        talk.hears(number, b"0.4x2\r");
        assert_eq!(talk.dialogue.stored(number), answer, "{number}");
    }
    talk.hears(7, b"0.413\r");
    assert_eq!(talk.dialogue.stored(7), [send(b"A")]);
    talk.hears(8, b"0.4x2\r");
    assert_eq!(talk.dialogue.stored(8), [send(b"N")], "a good one begins anew");
}

#[test]
fn a_block_stored_by_an_earlier_run_is_known() {
    let instrument = instrument(BLOCKS);
    let mut talk = Talk::new(BLOCKS);
    talk.dialogue = Dialogue::new(&instrument, Some(b"0.412\r")).unwrap();
    talk.opened(0);
    talk.hears(1, b"0.412\r");
    assert_eq!((talk.values().len(), talk.dialogue.stored(1)), (0, vec![send(b"A")]));
}

#[test]
fn an_echo_is_kept_and_is_no_part_of_an_answer() {
    let mut talk = Talk::new(&format!("[framing]\nterminator = \"\\r\\n\"\n[dialogue]\necho = true\n{ONCE}"));
    talk.opened(0);
    talk.passed(0);
    talk.hears(10, b"?\r0.412\r\n");
    let shapes: Vec<_> = talk.frames.iter().map(|(raw, decoded)| (raw.as_slice(), decoded.outcome)).collect();
    assert_eq!(shapes, [(&b"?\r"[..], Outcome::Accepted), (&b"0.412\r\n"[..], Outcome::Accepted)]);
    // With noise in it the echo and what follows are one damaged line: no number is guessed out of it.
    talk.passed(2000);
    talk.hears(2010, b"?\x7f\r0.413\r\n");
    assert_eq!(talk.values(), ["0.412"]);
    assert_eq!(talk.frames[2].1.outcome, Outcome::Damaged);
}

/// An answer that begins with the very bytes of the request, from an instrument that left its echo out.
#[test]
fn what_begins_like_an_echo_and_may_be_an_answer_is_no_number() {
    let poll = "[dialogue]\necho = true\n[dialogue.poll]\nsend = \"1\"\nevery_ms = 2000\nanswer = \"once\"\n";
    let text = LINES.replace("\\d\\.\\d{3})( [NR])?", "\\d+\\.\\d{3})");
    let instrument = toml::from_str::<Definition>(&format!("{text}{poll}")).unwrap().compile().unwrap();
    let (mut framer, mut decoder) = (instrument.framer(), instrument.decoder());
    framer.push(b"12.345\r", Tick(0));
    let mut frames = Vec::new();
    while let Some(frame) = framer.poll() {
        frames.push((frame.close, decoder.decode(&frame)));
    }
    assert_eq!(frames[0].0, Close::Signal);
    assert_eq!((frames[1].1.outcome, frames[1].1.readings.len()), (Outcome::Damaged, 0));
}

#[test]
fn a_value_told_again_is_no_measurement() {
    let mut talk = Talk::new(
        "[dialogue.poll]\nsend = \"?\\r\"\nevery_ms = 2000\nanswer = \"marked\"\nnew = ' N$'\nanswer_ms = 1000\n",
    );
    talk.opened(0);
    for (at, answer) in [(0, &b"0.412 N\r"[..]), (2000, b"0.412 R\r"), (4000, b"0.412 R\r"), (6000, b"0.412 N\r")] {
        assert_eq!(talk.passed(at), [send(b"?\r")]);
        talk.hears(at + 10, answer);
        assert_eq!(talk.dialogue.deadline(), Some(Tick(at + 2000)), "told again is an answer too");
    }
    assert_eq!(talk.values(), ["0.412", "0.412"]);
}

#[test]
fn what_would_invent_measurements_is_a_fault() {
    let with = |dialogue: &str| faults(&format!("{LINES}{dialogue}"));
    let poll = |more: &str| with(&format!("[dialogue.poll]\nsend = \"?\\r\"\n{more}"));
    assert!(poll("")[..].is_empty());
    assert!(poll("every_ms = 1000\n")[0].contains("again and again"));
    assert!(poll("every_ms = 1000\nanswer = \"current\"\n")[0].contains("again and again"));
    assert!(poll("every_ms = 1000\nanswer = \"identified\"\n")[0].contains("nothing identifies"));
    assert!(poll("every_ms = 1000\nanswer = \"marked\"\n")[0].contains("belong together"));
    assert!(poll("new = 'N'\n")[0].contains("belong together"));
    assert!(poll("answer_ms = 10\nwake_ms = 5\nbusy_ms = 1\n").len() == 3);
    assert!(with("[dialogue]\n")[0].contains("says nothing"));
    assert!(with("[dialogue]\nstart = [{ send = \"A\", wait_ms = 5 }, { within_ms = 5 }]\n").len() == 2);
    assert!(with("[dialogue.acknowledge]\nack = \"A\"\nnak = \"A\"\n")[0].contains("the same"));
    assert!(with("[dialogue]\necho = true\nstart = [{ send = \"A\" }, { send = \"AB\" }]\n")[0].contains("told apart"));
    assert!(with("[dialogue]\nstart = [{ send = \"\\u2192\" }]\n")[0].contains("can't be sent"));
    assert!(with("[framing]\nkind = \"rows\"\n[dialogue.poll]\nsend = \"?\"\n")[0].contains("file"));
}

proptest! {
    /// Whatever comes and whenever: nothing panics, a question always ends or is asked again, frames stay whole and in
    /// order, and an instrument that was never asked tells nothing.
    #[test]
    fn any_talk_ends(steps in proptest::collection::vec((0u8..8, 0u64..3000), 1..80), which in 0usize..4) {
        let forms = [ON_REQUEST.to_owned(), ONCE.to_owned(), format!("[dialogue]\necho = true\n{ON_REQUEST}"), BLOCKS.to_owned()];
        let mut talk = Talk::new(&forms[which]);
        let (mut at, mut asked, mut pushed) = (0, false, Vec::new());
        for (step, pause) in steps {
            at += pause;
            let bytes: &[u8] = match step {
                0 => { talk.opened(at); b"" }
                1 => { talk.dialogue.closed(); b"" }
                2 => { asked = true; talk.ask(at); b"" }
                3 => b"?\r",
                4 => b"0.412\r",
                5 => b"BUSY\r\x05",
                6 => b"0.4",
                _ => { talk.passed(at); b"" }
            };
            pushed.extend_from_slice(bytes);
            talk.hears(at, bytes);
            prop_assert!(talk.dialogue.deadline().is_none_or(|deadline| deadline.0 <= at + 30_000));
        }
        if which == 0 && !asked {
            prop_assert!(talk.values().is_empty());
        }
        let mut raw: Vec<u8> = talk.frames.iter().flat_map(|(raw, _)| raw.clone()).collect();
        while let Some(frame) = talk.framer.hang_up() {
            raw.extend(frame.raw);
        }
        prop_assert_eq!(raw, pushed);
    }

    /// Echoes and enquiries are found whatever the pieces.
    #[test]
    fn signals_do_not_depend_on_pieces(parts in proptest::collection::vec(0usize..7, 1..20), cuts in proptest::collection::vec(1usize..4, 1..60)) {
        let words: [&[u8]; 7] = [b"?\r", b"0.412\r\n", b"\x05", b"?", b"0.4", b"\r\n", b"BUSY\r"];
        let input: Vec<u8> = parts.iter().flat_map(|part| words[*part].to_vec()).collect();
        let dialogue = format!("[dialogue]\necho = true\nreply = [{{ to = \"\\u0005\", send = \"\\u0006\" }}]\n{ON_REQUEST}");
        let instrument = instrument(&dialogue);
        let frames = |pieces: Vec<&[u8]>| {
            let mut framer = instrument.framer();
            pieces.into_iter().for_each(|piece| framer.push(piece, Tick(0)));
            let mut frames: Vec<_> = std::iter::from_fn(|| framer.poll()).collect();
            frames.extend(std::iter::from_fn(|| framer.finish()));
            frames
        };
        let mut pieces = Vec::new();
        let mut rest = &input[..];
        for cut in cuts.iter().cycle() {
            if rest.is_empty() { break; }
            let (piece, more) = rest.split_at((*cut).min(rest.len()));
            pieces.push(piece);
            rest = more;
        }
        prop_assert_eq!(frames(pieces), frames(vec![&input]));
    }
}
