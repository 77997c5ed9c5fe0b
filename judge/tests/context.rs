//! What labels said: how long it holds, whom it is about, and what it makes of readings.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod bench;

use std::collections::{BTreeMap, BTreeSet};

use bench::{all_said, circumstances, gauge, job, of_part, reading, together, upper};
use proptest::prelude::*;
use ridgepost_config::{Item, Keep, Label, Labels, Text};
use ridgepost_judge::{Circumstances, Context, Ending, Given, Held, Kind, Mode, Moment, Piece};

fn labels(need: &[Item], keep: &[(Item, Keep)]) -> Labels {
    let text = Text { body: "".into(), hash: String::new() };
    Labels { rules: vec![], need: need.iter().copied().collect(), keep: keep.iter().copied().collect(), text }
}

fn says(items: &[(Item, &str)]) -> Label {
    Label { items: items.iter().map(|(item, value)| (*item, (*value).to_owned())).collect(), ..Label::default() }
}

/// Second `s` of one run of the program.
fn at(s: u64) -> Moment {
    Moment { us: i64::try_from(s).unwrap() * 1_000_000, monotonic_ms: Some(s * 1000) }
}

/// The same second as another run sees it: only the wall clock is the same.
fn later_run(s: u64) -> Moment {
    Moment { monotonic_ms: None, ..at(s) }
}

fn stations(names: &[&str]) -> Vec<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

fn shown(context: &Context, station: &str, labels: &Labels) -> String {
    let word = |item| match context.held(station, item, labels) {
        Held::Unsaid => "-".to_owned(),
        Held::Is(value) => value.to_owned(),
        Held::Unknown => "?".to_owned(),
    };
    Item::ALL.map(word).join(" ")
}

/// Serial, operator, balloon, mode after a time, a number of readings, a piece, a job.
#[test]
fn what_is_held_ends_as_the_grammar_says() {
    let minutes = |minutes: u64| Keep { ms: Some(minutes * 60_000), ..Keep::default() };
    let readings = |count| Keep { readings: Some(count), ..Keep::default() };
    let with_piece = Keep { piece: true, ..Keep::default() };
    let forever = Keep::default();
    type Step = fn(&mut Context, &Labels);
    let time: Step = |held, labels| held.settle("a", labels, &at(60));
    let soon: Step = |held, labels| held.settle("a", labels, &at(59));
    let set_back: Step =
        |held, labels| held.settle("a", labels, &Moment { us: -5_000_000, monotonic_ms: Some(60_000) });
    let other_run: Step = |held, labels| held.settle("a", labels, &later_run(60));
    let other_run_set_back: Step = |held, labels| held.settle("a", labels, &Moment { us: -1, monotonic_ms: None });
    let two: Step = |held, labels| {
        held.count("a", 2);
        held.settle("a", labels, &at(0));
    };
    let piece: Step = |held, labels| held.end(labels, Ending::Piece(Some("S")));
    let other_piece: Step = |held, labels| held.end(labels, Ending::Piece(Some("S-0")));
    let no_serial: Step = |held, labels| held.end(labels, Ending::Piece(None));
    let job: Step = |held, labels| held.end(labels, Ending::Job);
    for (name, keep, step, expected) in [
        ("time", minutes(1), time, "? ? ? ?"),
        ("not yet", minutes(1), soon, "S O B training"),
        ("the wall clock set back", minutes(1), set_back, "? ? ? ?"),
        ("over a restart", minutes(1), other_run, "? ? ? ?"),
        ("over a restart, the clock set back: nobody knows", minutes(1), other_run_set_back, "? ? ? ?"),
        ("no time", forever, time, "S O B training"),
        ("readings", readings(2), two, "? ? ? ?"),
        ("more readings", readings(3), two, "S O B training"),
        ("the piece", with_piece, piece, "? ? ? ?"),
        ("another piece has another serial number", with_piece, other_piece, "S ? ? ?"),
        ("a piece without number", with_piece, no_serial, "S ? ? ?"),
        ("not with the piece", forever, piece, "S O B training"),
        ("the job takes what is of a piece", forever, job, "? O ? training"),
    ] {
        let labels = labels(&[], &Item::ALL.map(|item| (item, keep)));
        let all = [(Item::Serial, "S"), (Item::Operator, "O"), (Item::Balloon, "B"), (Item::Mode, "training")];
        let mut held = Context::default();
        held.take("scanner", &says(&all), &stations(&["a"]), 7, at(0));
        step(&mut held, &labels);
        assert_eq!(shown(&held, "a", &labels), expected, "{name}");
        assert_eq!(shown(&held, "b", &labels), "- - - -", "{name}: nothing of another station");
        held.take("scanner", &says(&all), &stations(&["a"]), 8, at(100));
        assert_eq!(shown(&held, "a", &labels), "S O B training", "{name}: said anew");
    }
}

#[test]
fn what_is_needed_is_missed_and_what_is_forgotten_is_not() {
    let labels = labels(&[Item::Operator], &[]);
    let mut held = Context::default();
    assert_eq!((shown(&held, "a", &labels), held.missing("a", &labels)), ("- ? - -".into(), Some("operator".into())));
    held.take("s", &says(&[(Item::Operator, "O"), (Item::Balloon, "B")]), &stations(&["a", "b"]), 1, at(0));
    assert_eq!((shown(&held, "a", &labels), held.missing("b", &labels)), ("- O B -".into(), None));
    held.end(&labels, Ending::Piece(None));
    assert_eq!(held.missing("a", &labels).unwrap(), "balloon (it was B; its piece ended)");
    let forget = Label { forget: BTreeSet::from([Item::Balloon, Item::Operator]), ..Label::default() };
    held.take("s", &forget, &stations(&["a"]), 2, at(1));
    assert_eq!((shown(&held, "a", &labels), shown(&held, "b", &labels)), ("- ? - -".into(), "- O ? -".into()));
    assert!(held.tells("a", true) && !held.tells("a", true) && held.tells("b", true));
    assert!(!held.tells("a", false) && held.tells("a", true), "told once, until it is well again");
}

#[test]
fn a_label_chooses_the_station_that_later_ones_are_about() {
    let all = stations(&["a", "b"]);
    let choose = |station: &str| Label { station: Some(station.to_owned()), ..Label::default() };
    let mut held = Context::default();
    assert_eq!(held.about("s", &says(&[]), &all), ["a", "b"]);
    held.take("s", &choose("b"), &stations(&["b"]), 1, at(0));
    assert_eq!(held.about("s", &says(&[]), &all), ["b"]);
    assert_eq!(held.about("s", &choose("a"), &all), ["a"], "the label's own word");
    assert_eq!(held.about("other", &says(&[]), &all), ["a", "b"], "another scanner");
    assert_eq!(held.about("s", &says(&[]), &stations(&["a"])), ["a"], "the station is gone by a reload");
}

/// The way to a file names a part as the instrument would; what names two parts or another job belongs to none.
#[test]
fn readings_are_judged_by_what_the_way_to_their_file_says() {
    let job = job(vec![upper("1", "Ra", "0.8 µm"), upper("2", "Ra", "1.6 µm")]);
    let gauge = gauge();
    let plain = circumstances(Some(&job), &gauge);
    let (is, ra) = (Held::Is("S-1"), || reading("Ra", "0.4 µm"));
    let way =
        |part, balloon, astray| Circumstances { place: ridgepost_judge::Place { part, balloon, astray }, ..plain };
    let s1 = Some("S-1");
    for (name, at, reading, expected) in [
        ("the way names it", way(s1, None, false), ra(), "S-1 reading 1 conforms within-limits"),
        ("and the feature", way(s1, Some("2"), false), ra(), "S-1 reading 2 conforms within-limits"),
        ("another job", way(s1, None, true), ra(), "S-1 reading - unjudged unassigned"),
        ("both name it", way(s1, None, false), of_part(ra(), "S-1"), "S-1 reading 1 conforms within-limits"),
        ("two names", way(s1, None, false), of_part(ra(), "S-2"), "S-2 reading - unjudged unassigned"),
        ("late", Circumstances { late: true, ..way(s1, None, false) }, ra(), "S-1 reading 1 conforms within-limits"),
        (
            "a label's",
            Circumstances { given: Given { serial: is, ..Given::default() }, ..way(s1, None, false) },
            ra(),
            "S-1 reading 1 conforms within-limits",
        ),
        (
            "another label's",
            Circumstances { given: Given { serial: Held::Is("S-3"), ..Given::default() }, ..way(s1, None, false) },
            ra(),
            "S-1 reading - unjudged unassigned",
        ),
    ] {
        let judgement = together(&at, &Piece::fresh(&job, 1), &[reading]);
        let row = judgement.rows.iter().find(|row| row.kind == Kind::Reading).unwrap();
        assert_eq!(format!("{} {}", row.serial.as_deref().unwrap_or("-"), bench::said(row)), expected, "{name}");
    }
}

/// Readings of one measurement, with what labels say of them.
#[test]
fn readings_are_judged_by_what_labels_say() {
    let job = job(vec![upper("1", "Ra", "0.8 µm"), upper("2", "Ra", "1.6 µm")]);
    let gauge = gauge();
    let plain = circumstances(Some(&job), &gauge);
    let given = |serial, balloon, unknown| Circumstances { given: Given { serial, balloon, unknown }, ..plain };
    let (unsaid, is, gone) = (Held::Unsaid, Held::Is("S-1"), Held::Unknown);
    let ra = || reading("Ra", "0.4 µm");
    let stored = |mut reading: ridgepost_parsers::Reading| {
        reading.stored = true;
        reading
    };
    for (name, at, reading, expected) in [
        ("no label", given(unsaid, unsaid, false), ra(), "- reading 1 conforms within-limits"),
        ("the piece", given(is, unsaid, false), ra(), "S-1 reading 1 conforms within-limits"),
        ("the feature", given(is, Held::Is("2"), false), ra(), "S-1 reading 2 conforms within-limits"),
        ("no such feature", given(is, Held::Is("3"), false), ra(), "S-1 reading - unjudged no-characteristic"),
        ("the piece is gone", given(gone, unsaid, false), ra(), "- reading - unjudged unassigned"),
        ("the feature is gone", given(is, gone, false), ra(), "S-1 reading - unjudged unassigned"),
        ("somebody else must be known", given(is, unsaid, true), ra(), "S-1 reading - unjudged unassigned"),
        ("both name it", given(is, unsaid, false), of_part(ra(), "S-1"), "S-1 reading 1 conforms within-limits"),
        ("two names", given(is, unsaid, false), of_part(ra(), "S-2"), "S-2 reading - unjudged unassigned"),
        (
            "the instrument knows",
            given(gone, unsaid, false),
            of_part(ra(), "S-2"),
            "S-2 reading 1 conforms within-limits",
        ),
        ("of another time", given(is, gone, true), stored(ra()), "- reading - unjudged stored-reading"),
        (
            "of another time, with a part",
            given(is, gone, true),
            stored(of_part(ra(), "S-2")),
            "S-2 reading 1 conforms within-limits",
        ),
        ("late", Circumstances { late: true, ..given(is, unsaid, false) }, ra(), "- reading - unjudged stored-reading"),
        (
            "training",
            Circumstances { mode: Mode::Training, ..given(is, gone, true) },
            ra(),
            "S-1 reading - unjudged mode",
        ),
        ("no job", Circumstances { job: None, ..given(is, gone, true) }, ra(), "S-1 reading - unjudged no-job"),
    ] {
        let judgement = together(&at, &Piece::fresh(&job, 1), &[reading]);
        let row = judgement.rows.iter().find(|row| row.kind == Kind::Reading).unwrap();
        let serial = row.serial.as_deref().unwrap_or("-");
        assert_eq!(format!("{serial} {}", bench::said(row)), expected, "{name}");
    }
    // Unassigned readings leave the piece as it is; another serial number ends it.
    let first = together(&given(is, unsaid, false), &Piece::fresh(&job, 1), &[ra()]);
    let lost = together(&given(gone, unsaid, false), &first.piece, &[ra()]);
    assert_eq!(lost.piece, first.piece);
    let second = together(&given(Held::Is("S-2"), unsaid, false), &lost.piece, &[ra()]);
    let expected =
        ["part - unjudged missing:2", "reading 1 conforms within-limits", "verdict 1 conforms within-limits"];
    assert_eq!(all_said(&second), expected);
    assert_eq!((second.piece.counter, second.piece.serial.as_deref()), (2, Some("S-2")));
}

proptest! {
    /// What is written and read again is what was held, but for the program's own clock; counting readings is adding.
    #[test]
    fn what_is_held_is_the_same_when_read_again(
        steps in proptest::collection::vec((0_usize..5, 0_u64..4, "[a-c]", "[A-Z]{1,3}"), 0..24),
    ) {
        let labels = labels(&[], &[(Item::Serial, Keep { ms: Some(3000), readings: Some(3), piece: true })]);
        let mut held = Context::default();
        for (time, (kind, count, station, value)) in steps.into_iter().enumerate() {
            let now = at(time as u64);
            match kind {
                0 => held.count(&station, count),
                1 => held.end(&labels, Ending::Piece(Some(&value))),
                2 => held.settle(&station, &labels, &now),
                3 => {
                    held.tells(&station, count > 0);
                }
                _ => {
                    let label = Label { station: (count == 0).then(|| station.clone()), ..says(&[(Item::Serial, &value), (Item::Mode, "study")]) };
                    held.take("s", &label, &[station], time as i64, now);
                }
            }
            let text = serde_json::to_string(&held).unwrap();
            let mut again: Context = serde_json::from_str(&text).unwrap();
            prop_assert_eq!(serde_json::to_string(&again).unwrap(), text);
            let mut whole = held.clone();
            whole.count("a", 5);
            again.count("a", 2);
            again.count("a", 3);
            prop_assert_eq!(serde_json::to_string(&again).unwrap(), serde_json::to_string(&whole).unwrap());
            let shown_of = |context: &Context| -> BTreeMap<&str, String> {
                ["a", "b", "c"].into_iter().map(|station| (station, shown(context, station, &labels))).collect()
            };
            prop_assert_eq!(shown_of(&again), shown_of(&whole));
        }
    }
}
