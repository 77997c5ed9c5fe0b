//! A compiled definition: it hands out framers and decoders and knows what makes two readings the same.

use std::collections::HashSet;
use std::sync::Arc;

use crate::compile::compile;
use crate::definition::{Definition, EncodingName, Fault};
use crate::dialogue::DialogueForm;
use crate::envelope::meant;
use crate::frame::{Close, Frame, Framer};
use crate::keys::Layout;
use crate::numbering::Numbers;
use crate::plan::{Plan, Reader};
use crate::read::{Stream, Told, is_known_outside, read};
use crate::reading::{Conditions, Decoded, Outcome, Reading, Reason, Remark};
use crate::repeats::Repeats;
use crate::role::Role;
use crate::suspect::{read_whole, suspect};

/// How one kind of instrument talks, ready for use. Cheap to clone and to share.
#[derive(Clone, Debug)]
pub struct Instrument {
    definition: Arc<Definition>,
    plan: Arc<Plan>,
    /// What its keys mean, where it types.
    layout: Option<Arc<Layout>>,
}

/// Turns frames into readings. It carries what one stream or file has told so far (column headings, preamble,
/// identities seen, the language of the labels), so there is one per stream and one per file.
#[derive(Clone, Debug)]
pub struct Decoder {
    instrument: Instrument,
    stream: Stream,
    /// The bytes of a frame that was cut off, until the next frame is known.
    cut: Option<Vec<u8>>,
    seen: Repeats,
    language: Option<String>,
    settings: Conditions,
    numbers: Numbers,
}

impl Instrument {
    pub(crate) fn compile(definition: Definition) -> Result<Self, Vec<Fault>> {
        let plan = compile(&definition)?;
        Ok(Instrument { definition: Arc::new(definition), plan: Arc::new(plan), layout: None })
    }

    /// The definition's name.
    pub fn name(&self) -> &str {
        &self.definition.instrument.name
    }

    /// What the engineer said.
    pub fn definition(&self) -> &Definition {
        &self.definition
    }

    /// What makes a reading the same measurement as another one: the fields of `unique_by`, the quantity and the
    /// digits. `None` where the definition declares nothing, or a declared field is not there.
    pub fn identity_key(&self, reading: &Reading) -> Option<String> {
        let unique_by = &self.plan.reading.unique_by;
        if unique_by.is_empty() {
            return None;
        }
        let identity = &reading.identity;
        let mut key = String::new();
        let mut add = |name: &str, text: &str| {
            // The length in front keeps neighbouring fields apart whatever they hold.
            key.push_str(&format!("{name}={}:{text};", text.len()));
        };
        for role in unique_by {
            let text = match role {
                Role::Number => &identity.number,
                Role::Time => &identity.time,
                Role::Program => &identity.program,
                Role::Part => &identity.part,
                Role::Channel => &identity.channel,
                Role::Remark => &identity.remark,
                _ => &None,
            };
            add(&role.name(), text.as_ref()?);
        }
        add("quantity", &reading.quantity.to_string());
        add("value", &reading.value_as_sent);
        Some(key)
    }

    /// Whether damage to a frame can be detected (a checksum).
    pub fn is_protected(&self) -> bool {
        self.plan.check.is_some()
    }

    /// The same instrument where it types: its framers and decoders take strokes of keys instead of bytes.
    pub fn typing(&self, layout: Layout) -> Instrument {
        Instrument { layout: Some(Arc::new(layout)), ..self.clone() }
    }

    /// What its keys mean, where it types.
    pub fn layout(&self) -> Option<&Layout> {
        self.layout.as_deref()
    }

    /// Whether it reads text as UTF-8 has it, without parity and without bytes that are no text.
    pub fn takes_utf8(&self) -> bool {
        let shape = &self.plan.shape;
        let is_text = matches!(shape.encoding, EncodingName::Ascii | EncodingName::Utf8);
        is_text && shape.seven.is_none() && !matches!(self.plan.reader, Reader::Binary(_))
    }

    /// The dialogue made ready.
    pub(crate) fn dialogue_form(&self) -> Option<Arc<DialogueForm>> {
        self.plan.dialogue.clone()
    }

    /// What stands between the marks of a complete frame, as text; `None` where it is damaged, or a key of it is unknown or
    /// was lost.
    pub fn text(&self, frame: &Frame) -> Option<String> {
        let Some(layout) = &self.layout else { return self.written(frame) };
        let typed = layout.typed_frame(frame);
        if typed.fault.is_some() { None } else { self.written(&typed.frame) }
    }

    /// The same of a frame whose keys are read already.
    fn written(&self, frame: &Frame) -> Option<String> {
        self.plan.shape.text(&meant(&self.plan, frame).ok()?).ok()
    }

    /// A framer for one stream or one file.
    pub fn framer(&self) -> Framer {
        Framer::new(self.plan.shape.clone()).typed(self.layout.clone())
    }

    /// A decoder for one stream or one file.
    pub fn decoder(&self) -> Decoder {
        Decoder {
            instrument: self.clone(),
            stream: Stream::default(),
            cut: None,
            seen: Repeats::default(),
            language: None,
            settings: Conditions::default(),
            numbers: Numbers::default(),
        }
    }
}

fn decoded(outcome: Outcome, reason: Option<Reason>, detail: Option<String>) -> Decoded {
    Decoded { outcome, reason, detail, readings: vec![], traces: vec![], remarks: vec![], is_nothing_new: false }
}

/// Adds to what a person is told of a frame.
fn add_words(decoded: &mut Decoded, words: &str) {
    decoded.detail = Some(match decoded.detail.take() {
        Some(detail) => format!("{detail}; {words}"),
        None => words.to_owned(),
    });
}

fn damaged(reason: Reason, detail: &str) -> Decoded {
    decoded(Outcome::Damaged, Some(reason), Some(detail.to_owned()))
}

/// Whether two ways to read the same bytes come to the same: values, identity and conditions.
fn say_the_same(one: &[Reading], two: &[Reading]) -> bool {
    let same = |one: &Reading, two: &Reading| {
        let other = two.other.clone();
        Reading { other, ..one.clone() } == *two
    };
    one.len() == two.len() && one.iter().zip(two).all(|(one, two)| same(one, two))
}

impl Decoder {
    /// Tells a new decoder of the bytes of a frame that was cut off before it was made (by a stop of the program):
    /// the rest of that frame must not be taken for a whole one.
    pub fn remember_cut(&mut self, raw: &[u8]) {
        self.cut = Some(match self.instrument.layout() {
            Some(layout) => layout.text(raw).into_bytes(),
            None => raw.to_vec(),
        });
    }

    /// What one frame says. Never fails, never panics.
    pub fn decode(&mut self, frame: &Frame) -> Decoded {
        let Some(layout) = self.instrument.layout.clone() else { return self.decode_text(frame) };
        let typed = layout.typed_frame(frame);
        let mut decoded = match typed.fault {
            Some((reason, words)) if frame.close == Close::Complete => {
                self.cut = None;
                damaged(reason, &words)
            }
            _ => self.decode_text(&typed.frame),
        };
        if typed.has_lost {
            decoded.remarks.push(Remark::Overrun);
        }
        decoded
    }

    /// What one frame says during which errors of the line were counted: bytes of it were lost, or read wrongly. Where it
    /// has no means to detect damage it is no reading, because what is left may look like one.
    pub fn decode_faulty(&mut self, frame: &Frame) -> Decoded {
        let mut decoded = if frame.close == Close::Complete && !self.instrument.is_protected() {
            self.cut = None;
            damaged(
                Reason::Lost,
                "bytes were lost or read wrongly on the line, and nothing in it shows that it is whole",
            )
        } else {
            self.decode(frame)
        };
        if !decoded.remarks.contains(&Remark::Overrun) {
            decoded.remarks.push(Remark::Overrun);
        }
        decoded
    }

    fn decode_text(&mut self, frame: &Frame) -> Decoded {
        let cut = match frame.close {
            Close::Residue => return decoded(Outcome::Accepted, None, None),
            Close::Signal => {
                // What begins like an echo might be the beginning of an answer.
                self.cut.get_or_insert_with(|| frame.raw.clone());
                return decoded(Outcome::Accepted, None, None);
            }
            _ => self.cut.take(),
        };
        match frame.close {
            Close::CutOff => {
                self.cut = Some(frame.raw.clone());
                let detail = Some("it ended before it was complete".to_owned());
                self.hinted(decoded(Outcome::Incomplete, Some(Reason::CutOff), detail), frame)
            }
            Close::TooLong => {
                self.hinted(damaged(Reason::TooLong, "it grew beyond `bytes_max` before it ended"), frame)
            }
            Close::Stray if is_known_outside(&self.instrument.plan, &frame.raw) => {
                decoded(Outcome::Accepted, None, None)
            }
            Close::Stray => self.hinted(damaged(Reason::Noise, "bytes outside of any frame"), frame),
            Close::Complete | Close::Residue | Close::Signal => self.decode_complete(frame, cut.as_deref()),
        }
    }

    /// A rejected frame with a hint at the setting that is probably wrong.
    fn hinted(&self, mut decoded: Decoded, frame: &Frame) -> Decoded {
        let Some(reason) = decoded.reason else { return decoded };
        if let Some((remark, words)) = suspect(&self.instrument.plan, &self.stream, frame, reason) {
            decoded.remarks.push(remark);
            decoded.detail = decoded.detail.map(|detail| format!("{detail}; {words}"));
        }
        decoded
    }

    fn decode_complete(&mut self, frame: &Frame, cut: Option<&[u8]>) -> Decoded {
        let (told, after) = read(&self.instrument.plan, frame, &self.stream);
        let told = match told {
            Ok(told) => told,
            Err(rejection) => {
                let decoded = decoded(rejection.outcome, rejection.reason, Some(rejection.detail));
                let decoded = self.hinted(decoded, frame);
                self.stream = after;
                return decoded;
            }
        };
        if let Some(cut) = cut
            && !(told.readings.is_empty() && told.traces.is_empty())
            && let Some(joined) = read_whole(&self.instrument.plan, &self.stream, &[cut, &frame.raw].concat())
            && !(joined.readings.is_empty() && joined.traces.is_empty())
            && !(say_the_same(&joined.readings, &told.readings) && joined.traces == told.traces)
        {
            return damaged(Reason::CutOff, "it may be the rest of the frame before it, which was cut off");
        }
        self.stream = after;
        if !told.readings.is_empty() && !self.is_new(frame) {
            let mut known = decoded(Outcome::Accepted, None, Some("not marked as a new measurement".to_owned()));
            known.is_nothing_new = true;
            return known;
        }
        self.settle(told)
    }

    /// Whether a frame bears the mark of a new measurement, where the definition has one.
    fn is_new(&self, frame: &Frame) -> bool {
        let text = || self.instrument.written(frame);
        self.instrument.plan.new.as_ref().is_none_or(|new| text().is_some_and(|text| new.is_match(&text)))
    }

    /// What the frame says, in the light of what the stream has told before.
    fn settle(&mut self, told: Told) -> Decoded {
        let mut result = decoded(Outcome::Accepted, told.reason, told.detail);
        result.is_nothing_new = told.is_nothing_new;
        result.remarks = told.remarks;
        result.traces = told.traces;
        for language in told.languages {
            if self.language.as_ref().is_some_and(|known| *known != language) {
                result.remarks.push(Remark::LabelLanguageChanged);
            }
            self.language = Some(language);
        }
        let holds_something = !told.readings.is_empty() || !result.traces.is_empty();
        if holds_something && !self.instrument.is_protected() {
            result.remarks.push(Remark::Unprotected);
        }
        let count = told.readings.len();
        let mut readings = told.readings.into_iter().peekable();
        while let Some(record) = readings.peek().map(|reading| reading.record) {
            let of_record: Vec<Reading> =
                std::iter::from_fn(|| readings.next_if(|reading| reading.record == record)).collect();
            self.settle_record(of_record, &mut result);
        }
        let repeats = count - result.readings.len();
        if repeats > 0 {
            let words = format!("{repeats} seen, {} new", result.readings.len());
            add_words(&mut result, &words);
        }
        let mut once = HashSet::new();
        result.remarks.retain(|remark| once.insert(*remark));
        result
    }

    /// Two equal values of one record are two traces; only what an earlier record said is a repeat.
    fn settle_record(&mut self, of_record: Vec<Reading>, result: &mut Decoded) {
        let keys: Vec<Option<String>> = of_record.iter().map(|reading| self.instrument.identity_key(reading)).collect();
        let is_repeat: Vec<bool> =
            keys.iter().map(|key| key.as_ref().is_some_and(|key| self.seen.knows(key))).collect();
        for (reading, is_repeat) in of_record.into_iter().zip(is_repeat) {
            if is_repeat {
                result.remarks.push(Remark::Repeat);
                continue;
            }
            if let Some(words) = self.gap_before(&reading) {
                result.remarks.push(Remark::NumberGap);
                add_words(result, &words);
            }
            result.remarks.extend(self.change_of_settings(&reading));
            if let (Some(word), None) = (&reading.instrument_verdict, reading.verdict) {
                // Neither a pass nor a failure: nobody has said what it means.
                result.remarks.push(Remark::VerdictUnknown);
                add_words(result, &format!("`{word}` is none of the definition's `verdicts`"));
            }
            result.readings.push(reading);
        }
        keys.iter().flatten().for_each(|key| self.seen.remember(key));
    }

    fn gap_before(&mut self, reading: &Reading) -> Option<String> {
        let identity = &reading.identity;
        let form = self.instrument.plan.reading.numbering;
        // Channels that number on their own make a number unique only together with it.
        let has_own = self.instrument.plan.reading.unique_by.contains(&Role::Channel);
        let channel = identity.channel.clone().filter(|_| has_own);
        self.numbers.gap_before(form, &channel, identity.number.as_ref()?)
    }

    fn change_of_settings(&mut self, reading: &Reading) -> Option<Remark> {
        let (known, stated) = (&mut self.settings, &reading.conditions);
        let mut changed = false;
        let mut length = |known: &mut Option<crate::reading::LengthText>,
                          stated: Option<crate::reading::LengthText>| {
            if let Some(stated) = stated {
                changed |= known.replace(stated).is_some_and(|known| known.micrometres() != stated.micrometres());
            }
        };
        length(&mut known.cutoff, stated.cutoff);
        length(&mut known.lambda_s, stated.lambda_s);
        length(&mut known.traverse, stated.traverse);
        let mut text = |known: &mut Option<String>, stated: &Option<String>| {
            if let Some(stated) = stated {
                changed |= known.replace(stated.clone()).is_some_and(|known| known != *stated);
            }
        };
        text(&mut known.sections, &stated.sections);
        text(&mut known.filter, &stated.filter);
        text(&mut known.standard, &stated.standard);
        changed.then_some(Remark::SettingsChanged)
    }
}
