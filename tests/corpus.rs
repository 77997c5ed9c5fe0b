//! Each recording of the corpus yields a dozen tests; a test names every case that fails it, not the first alone.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeSet;

use ridgepost_parsers::{Close, Remark};
use ridgepost_tests::corpus::{
    Case, Kind, Played, SHARED_GRAMMAR, Shown, Stretch, compare_exactly, consists_of, cut_at_random, fits_run_together,
    flips, is_subsequence, noises, play, show, values_of_frames,
};
use ridgepost_tests::seed::Seeded;

/// Collects failures of every case before the test fails.
#[derive(Default)]
struct Findings {
    lines: Vec<String>,
}

impl Findings {
    /// Runs `check` on each case; a case tells its first few faults.
    fn of_each(mut check: impl FnMut(&Case) -> Vec<String>) {
        let mut findings = Findings::default();
        for case in Case::all() {
            findings.add(&case.name, check(case));
        }
        findings.end();
    }

    fn add(&mut self, name: &str, faults: Vec<String>) {
        let told = faults.len().min(4);
        self.lines.extend(faults[..told].iter().map(|fault| format!("{name}: {fault}")));
        if faults.len() > told {
            self.lines.push(format!("{name}: ... and {} more", faults.len() - told));
        }
    }

    fn end(self) {
        assert!(self.lines.is_empty(), "\n{}\n", self.lines.join("\n"));
    }
}

/// Plays and hands on; a failure to play is itself the fault.
fn played(
    case: &Case,
    pieces: &[ridgepost_tests::corpus::Piece],
    check: impl FnOnce(Played) -> Vec<String>,
) -> Vec<String> {
    play(&case.instrument, pieces).map_or_else(|fault| vec![fault], check)
}

fn stretches(case: &Case) -> Vec<Stretch> {
    case.stretches().unwrap_or_else(|fault| panic!("{}: {fault}", case.name))
}

fn values_line(values: &[Shown]) -> String {
    format!("{:?}", values.iter().map(|(quantity, value, _, mark)| (quantity, value, mark)).collect::<Vec<_>>())
}

/// The other tests work with what can be read.
#[test]
fn every_case_can_be_read() {
    assert!(Case::unreadable().is_empty(), "\n{}\n", Case::unreadable().join("\n"));
    assert!(!Case::all().is_empty(), "the corpus is empty");
}

#[test]
fn as_recorded() {
    Findings::of_each(|case| played(case, &case.pieces, |played| compare_exactly(case, &played)));
}

#[test]
fn in_one_chunk() {
    Findings::of_each(|case| played(case, &Stretch::whole(&stretches(case)), |played| compare_exactly(case, &played)));
}

#[test]
fn byte_by_byte() {
    Findings::of_each(|case| played(case, &Stretch::cut(&stretches(case), 1), |played| compare_exactly(case, &played)));
}

#[test]
fn sixty_four_splittings() {
    Findings::of_each(|case| {
        let stretches = stretches(case);
        let splittings = (0..64).flat_map(|seed| {
            let pieces = cut_at_random(&stretches, &mut Seeded::new(seed));
            let faults = played(case, &pieces, |played| compare_exactly(case, &played));
            faults.into_iter().map(move |fault| format!("splitting {seed}: {fault}"))
        });
        splittings.collect()
    });
}

/// Every byte comes out again in one frame, in order, whatever came before: `play` checks it in every test of this
/// file; here with bytes no instrument sends.
#[test]
fn frames_partition_the_input() {
    Findings::of_each(|case| {
        let mut faults = Vec::new();
        for seed in 0..16 {
            let mut seeded = Seeded::new(seed);
            let mut bytes = Vec::new();
            for _ in 0..40 {
                let from = seeded.between(0, case.input.len() as u64 - 1) as usize;
                let length = seeded.between(0, 12) as usize;
                bytes.extend(case.input.iter().skip(from).take(length));
                bytes.extend((0..seeded.between(0, 6)).map(|_| seeded.between(0, 255) as u8));
            }
            let pieces = cut_at_random(&[Stretch { bytes }], &mut seeded);
            faults.extend(play(&case.instrument, &pieces).err().map(|fault| format!("seed {seed}: {fault}")));
        }
        faults
    });
}

/// Noise before the recording gives no value, and costs at most the message that it runs into.
#[test]
fn garbage_before() {
    let mut seeded = Seeded::new(20);
    let noises: Vec<_> = (0..3).flat_map(|_| noises(&mut seeded)).collect();
    Findings::of_each(|case| {
        let clean = stretches(case);
        let Ok(as_recorded) = play(&case.instrument, &case.pieces) else { return vec!["does not play".into()] };
        let all = as_recorded.values();
        let but_first = values_of_frames(&as_recorded, |frame| frame > 0);
        let first = values_of_frames(&as_recorded, |frame| frame == 0);
        let end = end_of_message(&as_recorded);
        let mut faults = Vec::new();
        for noise in &noises {
            let mut check = |how: &str, stretches: Vec<Stretch>, parts: &[(&[Shown], bool)]| {
                let found = played(case, &Stretch::whole(&stretches), |played| {
                    let got = played.values();
                    let fits =
                        if case.kind == Kind::File { is_subsequence(&got, &all) } else { consists_of(&got, parts) };
                    if fits { vec![] } else { vec![values_line(&got)] }
                });
                faults.extend(found.into_iter().map(|fault| format!("{} {how}: {fault}", noise.name)));
            };
            let alone = vec![Stretch::from(&noise.bytes[..])];
            let parted: Vec<Stretch> = alone.iter().chain(&clean).cloned().collect();
            check("and silence", parted, &[(&all, false)]);
            check("running on", Stretch::run_on(alone.clone(), &clean), &[(&first, true), (&but_first, false)]);
            if let Some(end) = &end {
                let ended = vec![Stretch { bytes: [&noise.bytes[..], end].concat() }];
                check("with the end of a message", Stretch::run_on(ended, &clean), &[(&all, false)]);
            }
        }
        faults
    });
}

/// The bytes that end the first message that was understood.
fn end_of_message(played: &Played) -> Option<Vec<u8>> {
    let told =
        played.told.iter().find(|told| !told.decoded.readings.is_empty() && told.frame.close == Close::Complete)?;
    let end = told.frame.raw[told.frame.body.end..].to_vec();
    (!end.is_empty()).then_some(end)
}

/// A copy that was cut off before the recording costs at most the message that it runs into.
#[test]
fn a_cut_off_copy_before() {
    Findings::of_each(|case| {
        let clean = stretches(case);
        let all = case.expected.values();
        let mut faults = Vec::new();
        for length in 1..case.input.len() {
            let cut = Stretch::prefix(&clean, length);
            let parted: Vec<Stretch> = cut.iter().chain(&clean).cloned().collect();
            let found =
                played(case, &Stretch::whole(&parted), |played| cut_copy_faults(case, length, &played, &all, false));
            faults.extend(found.into_iter().map(|fault| format!("{length} bytes, silence, all: {fault}")));

            let run_on = Stretch::run_on(Stretch::run_on(cut, &clean), &clean);
            let found =
                played(case, &Stretch::whole(&run_on), |played| cut_copy_faults(case, length, &played, &all, true));
            faults.extend(found.into_iter().map(|fault| format!("{length} bytes, all, all: {fault}")));
        }
        faults
    });
}

/// What was read must be: whole messages of the copy; where the copy `runs_on` into the recording, part of a first
/// recording; then all of the recording, but for what was read before and is remarked as repeated.
fn cut_copy_faults(case: &Case, length: usize, played: &Played, all: &[Shown], runs_on: bool) -> Vec<String> {
    let got = played.values();
    if case.runs_together() {
        return if fits_run_together(case, length, &got, runs_on) { vec![] } else { vec![values_line(&got)] };
    }
    let repeats = played.remarks().any(|remark| remark == Remark::Repeat);
    let fits = match case.kind {
        Kind::File => got.iter().all(|value| all.contains(value)),
        Kind::Stream => (0..=all.len()).any(|whole| {
            consists_of(&got, &[(&all[..whole], false), (if runs_on { all } else { &[] }, true), (all, repeats)])
        }),
    };
    if fits { vec![] } else { vec![values_line(&got)] }
}

/// Two equal readings are two measurements; two equal identities are one, and that is remarked.
#[test]
fn twice_in_a_row() {
    Findings::of_each(|case| {
        let clean = stretches(case);
        let twice = Stretch::run_on(clean.clone(), &clean);
        let all = case.expected.values();
        played(case, &Stretch::whole(&twice), |played| {
            let got = played.values();
            let repeats = played.remarks().filter(|remark| *remark == Remark::Repeat).count();
            let fits = match case.kind {
                Kind::File => is_subsequence(&got, &[&all[..], &all].concat()),
                Kind::Stream => consists_of(&got, &[(&all, false), (&all, repeats > 0)]),
            };
            if fits { vec![] } else { vec![values_line(&got)] }
        })
    });
}

/// What is cut gives nothing that the whole would not give.
#[test]
fn cut_at_every_prefix() {
    Findings::of_each(|case| {
        let clean = stretches(case);
        let all = case.expected.values();
        let Ok(as_recorded) = play(&case.instrument, &case.pieces) else { return vec!["does not play".into()] };
        let profiles: Vec<_> = as_recorded.told.iter().flat_map(|told| &told.decoded.traces).collect();
        let mut faults = Vec::new();
        for length in 0..case.input.len() {
            let pieces = Stretch::cut(&Stretch::prefix(&clean, length), 7);
            let found = played(case, &pieces, |played| {
                let got = played.values();
                let traces: Vec<_> = played.told.iter().flat_map(|told| &told.decoded.traces).collect();
                if all.starts_with(&got) && profiles.starts_with(&traces) { vec![] } else { vec![values_line(&got)] }
            });
            faults.extend(found.into_iter().map(|fault| format!("first {length} bytes: {fault}")));
        }
        faults
    });
}

/// A damaged byte costs the messages it touches and no other, gives no value where a check value would tell, and
/// where none can, every reading says that it is unprotected.
#[test]
fn each_byte_flipped() {
    Findings::of_each(|case| {
        let clean = stretches(case);
        let Ok(as_recorded) = play(&case.instrument, &case.pieces) else { return vec!["does not play".into()] };
        let mut faults = Vec::new();
        for (at, byte) in case.input.iter().enumerate() {
            for flip in flips(*byte) {
                let pieces = Stretch::whole(&Stretch::with_byte(&clean, at, flip));
                let found = played(case, &pieces, |played| {
                    // A frame that is damaged as recorded and damaged again may come out well by chance: no check value
                    // tells two damages from none.
                    let twice_damaged = as_recorded.rejected().any(|told| {
                        let begin = told.frame.offset as usize;
                        (begin..begin + told.frame.raw.len()).contains(&at)
                    });
                    let mut faults = if twice_damaged { vec![] } else { flip_values(case, &as_recorded, &played) };
                    faults.extend(flip_losses(case, &as_recorded, &played, at));
                    faults
                });
                faults.extend(found.into_iter().map(|fault| format!("byte {at} {byte:#04x} -> {flip:#04x}: {fault}")));
            }
        }
        faults
    });
}

fn flip_values(case: &Case, as_recorded: &Played, played: &Played) -> Vec<String> {
    let mut faults = Vec::new();
    if case.instrument.is_protected() {
        let whole: Vec<_> =
            as_recorded.readings().map(|reading| (show(reading), &reading.identity, &reading.conditions)).collect();
        let got: Vec<_> =
            played.readings().map(|reading| (show(reading), &reading.identity, &reading.conditions)).collect();
        if !is_subsequence(&got, &whole) {
            faults.push(format!("accepted {}", values_line(&played.values())));
        }
        let whole: Vec<_> = as_recorded.told.iter().flat_map(|told| &told.decoded.traces).collect();
        let got: Vec<_> = played.told.iter().flat_map(|told| &told.decoded.traces).collect();
        if !is_subsequence(&got, &whole) {
            faults.push("accepted another profile".into());
        }
        if played.readings().any(|reading| !reading.protected) {
            faults.push("a reading of a protected definition says that it is not".into());
        }
    } else {
        for told in played.told.iter().filter(|told| !told.decoded.readings.is_empty()) {
            let remarked = told.decoded.remarks.contains(&Remark::Unprotected);
            if !remarked || told.decoded.readings.iter().any(|reading| reading.protected) {
                faults.push("a reading without check value is not marked `unprotected`".into());
            }
        }
    }
    faults
}

/// A flip may cost the frame it is in and, where it hits a mark, the one behind. An exported file rests on its
/// heading, so there a flip may cost all.
fn flip_losses(case: &Case, as_recorded: &Played, played: &Played, at: usize) -> Vec<String> {
    if case.kind == Kind::File {
        return vec![];
    }
    let hit = as_recorded.told.iter().position(|told| told.frame.offset as usize + told.frame.raw.len() > at);
    let untouched = values_of_frames(as_recorded, |frame| hit.is_some_and(|hit| frame != hit && frame != hit + 1));
    let got = played.values();
    if is_subsequence(&untouched, &got) {
        vec![]
    } else {
        vec![format!("frames it did not touch are lost: {}", values_line(&got))]
    }
}

/// A recording of one instrument says nothing to the definition of another one.
#[test]
fn against_every_other_definition() {
    let cases = Case::all();
    let mut needed = BTreeSet::new();
    let mut findings = Findings::default();
    for case in cases {
        for other in cases.iter().filter(|other| other.name != case.name) {
            let faults = played(other, &case.pieces, |played| {
                let values = played.values();
                if values.is_empty() && played.traces() == 0 {
                    return vec![];
                }
                needed.insert((case.name.as_str(), other.name.as_str()));
                vec![format!("reads {}", values_line(&values))]
            });
            let declared = SHARED_GRAMMAR.iter().any(|(from, by, _)| *from == case.name && *by == other.name);
            let sent = [case.expected.values(), other.expected.values()].concat();
            let is_true = play(&other.instrument, &case.pieces)
                .is_ok_and(|played| played.values().iter().all(|value| sent.contains(value)));
            if !declared || !is_true {
                findings.add(&format!("{} by the definition of {}", case.name, other.name), faults);
            }
        }
    }
    let stale = SHARED_GRAMMAR.iter().filter(|(from, by, _)| !needed.contains(&(from, by)));
    findings
        .lines
        .extend(stale.map(|(from, by, _)| format!("{from} and {by} are declared to share a grammar and do not")));
    findings.end();
}

/// The comparison itself can fail: an expectation with one thing changed is found out.
#[test]
fn a_wrong_expectation_is_found() {
    Findings::of_each(|case| {
        let Ok(played) = play(&case.instrument, &case.pieces) else { return vec!["does not play".into()] };
        if !compare_exactly(case, &played).is_empty() {
            return vec![]; // `as_recorded` tells.
        }
        let mut faults = Vec::new();
        let mut must_differ = |what: &str, change: &dyn Fn(&mut Case) -> bool| {
            let mut wrong = case.clone();
            if change(&mut wrong) && compare_exactly(&wrong, &played).is_empty() {
                faults.push(format!("{what} goes unnoticed"));
            }
        };
        must_differ("a measurement too few", &|case| case.expected.readings.pop().is_some());
        must_differ("an event that was not raised", &|case| {
            let event = serde_json::from_str(r#"{"kind":"battery_low"}"#).unwrap();
            case.expected.events.push(event);
            true
        });
        must_differ("a reject that is not there", &|case| {
            let reject = serde_json::from_str(r#"{"why":"checksum","hex":"00112233"}"#).unwrap();
            case.expected.rejects.push(reject);
            true
        });
        let first = |case: &mut Case, change: &dyn Fn(&mut ridgepost_tests::corpus::Param)| {
            let mut params = case.expected.readings.iter_mut().flat_map(|record| &mut record.params);
            params.next().map(change).is_some()
        };
        must_differ("another digit", &|case| first(case, &|param| param.value = Some("9.999".into())));
        must_differ("another unit", &|case| first(case, &|param| param.unit = Some("mil".into())));
        must_differ("another mark", &|case| first(case, &|param| param.flag = Some("unstable".into())));
        must_differ("another micrometre", &|case| first(case, &|param| param.um = Some("9.999".into())));
        must_differ("another verdict", &|case| first(case, &|param| param.inst_verdict = Some("no such".into())));
        must_differ("another identity", &|case| {
            let record = case.expected.readings.iter_mut().find(|record| !record.params.is_empty());
            record.map(|record| record.meta.insert("seq".into(), "no such".into())).is_some()
        });
        faults
    });
}
