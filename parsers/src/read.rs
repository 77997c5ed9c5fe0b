//! One complete frame to readings, given what the stream has told before. Nothing is remembered here: the
//! decoder keeps what it wants of the result, so a frame can be read on trial.

use crate::assemble::{Scope, readings, require};
use crate::binary::read_binary;
use crate::definition::Event;
use crate::envelope::{Opened, Rejection, document, lines, meant, open, text_of};
use crate::fields::{Columns, Taken, take_line};
use crate::frame::Frame;
use crate::gathered::Gathered;
use crate::plan::{Plan, Reader};
use crate::reading::{Outcome, Reading, Reason, Remark, Trace};
use crate::role::{Item, Role};
use crate::trace::trace;
use crate::tree::{read_json, read_xml};

/// What a stream or file has told so far.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stream {
    pub(crate) columns: Columns,
    /// Fields that apply until they are stated again.
    pub(crate) carried: Vec<Item>,
    /// Whether the first row of a file bore the distinguishing mark.
    pub(crate) is_mine: Option<bool>,
    /// Rows of values so far.
    pub(crate) rows: u64,
}

/// What a frame tells.
#[derive(Clone, Debug, Default)]
pub(crate) struct Told {
    pub(crate) readings: Vec<Reading>,
    pub(crate) traces: Vec<Trace>,
    /// Languages of its labels, in order.
    pub(crate) languages: Vec<String>,
    pub(crate) remarks: Vec<Remark>,
    pub(crate) detail: Option<String>,
    pub(crate) reason: Option<Reason>,
    pub(crate) is_nothing_new: bool,
}

/// Reads a complete frame; the second part is what the stream has told after it.
pub(crate) fn read(plan: &Plan, frame: &Frame, stream: &Stream) -> (Result<Told, Rejection>, Stream) {
    let mut after = stream.clone();
    let told = match plan.reader.is_of_frames() {
        true => read_whole_frame(plan, frame, &mut after),
        false => open(plan, frame).and_then(|opened| read_opened(plan, &opened, &mut after)),
    };
    if plan.is_rows && after.is_mine.is_none() {
        after.is_mine = Some(true);
    }
    (told, after)
}

/// Whether bytes outside of any frame are lines that the definition knows and doesn't want: an echo, a prompt.
pub(crate) fn is_known_outside(plan: &Plan, raw: &[u8]) -> bool {
    let Ok(raw) = crate::envelope::clear(plan, raw) else { return false };
    let Ok(text) = plan.shape.text(&raw) else { return false };
    let is_known = |line: &&str| plan.rules.iter().any(|rule| rule.ignore && rule.pattern.read(line).is_some());
    lines(plan, &text).iter().filter(|line| !line.trim().is_empty()).all(is_known)
}

fn read_opened(plan: &Plan, opened: &Opened, stream: &mut Stream) -> Result<Told, Rejection> {
    if !is_mine(plan, opened, stream) {
        let detail = "it does not begin as frames of this instrument do".to_owned();
        return Err(Rejection { outcome: Outcome::NotMine, reason: None, detail });
    }
    if plan.shape.is_of_files() && !opened.text.ends_with(['\r', '\n']) {
        // 2.87 might be the start of 2.870.
        let detail = "the file ends in the middle of a line".to_owned();
        return Err(Rejection { outcome: Outcome::Incomplete, reason: Some(Reason::CutOff), detail });
    }
    let mut told = Told::default();
    let mut gathered = Gathered::default();
    mark_lines(plan, opened, &mut gathered)?;
    if plan.is_single_line {
        take(plan, &mut stream.columns, &opened.text, &mut gathered, &mut told)?;
    } else {
        let mut columns = Columns::default();
        for line in lines(plan, &opened.text).into_iter().filter(|line| !line.trim().is_empty()) {
            take(plan, &mut columns, line, &mut gathered, &mut told)?;
        }
    }
    gathered.close_pairs(plan)?;
    settle(plan, gathered, told, stream)
}

/// A frame that is one document, or binary. Rules for lines take what the instrument says beside its documents.
fn read_whole_frame(plan: &Plan, frame: &Frame, stream: &mut Stream) -> Result<Told, Rejection> {
    let mut told = Told::default();
    if !plan.rules.is_empty() && plan.is_single_line {
        let opened = open(plan, frame)?;
        if plan.rules.iter().any(|rule| rule.pattern.read(&opened.text).is_some()) {
            return read_opened(plan, &opened, stream);
        }
    }
    let gathered = match &plan.reader {
        Reader::Xml(form) => read_xml(plan, form, &document(plan, frame)?)?,
        Reader::Json(form) => read_json(plan, form, &text_of(plan, &document(plan, frame)?)?)?,
        Reader::Binary(form) => {
            let (gathered, events) = read_binary(plan, form, &meant(plan, frame)?)?;
            for (event, code) in events {
                told.add_event(event, Some(code));
            }
            gathered
        }
        Reader::Nothing | Reader::Table(_) | Reader::Places(_) | Reader::Pairs(_) => Gathered::default(),
    };
    settle(plan, gathered, told, stream)
}

/// Fields to readings and profiles, and what the stream keeps of them.
fn settle(plan: &Plan, gathered: Gathered, mut told: Told, stream: &mut Stream) -> Result<Told, Rejection> {
    gathered.check(plan, stream.rows)?;
    told.traces = traces(plan, &gathered, &stream.carried)?;
    if told.traces.iter().any(|trace| !trace.marks.is_empty()) {
        told.remarks.push(Remark::PointsMissing);
    }
    told.readings = assemble(plan, &gathered, &stream.carried, &mut told.languages)?;
    if plan.is_single_line {
        stream.rows += u64::try_from(gathered.groups.len()).unwrap_or(u64::MAX);
    }
    for item in gathered.carried {
        stream.carried.retain(|known| known.role != item.role);
        stream.carried.push(item);
    }
    Ok(told)
}

fn is_mine(plan: &Plan, opened: &Opened, stream: &mut Stream) -> bool {
    let Some(mine) = &plan.mine else { return true };
    if plan.is_rows && stream.is_mine.is_some() {
        return stream.is_mine == Some(true);
    }
    let is_mine = mine.is_match(&opened.text);
    stream.is_mine = Some(is_mine);
    is_mine
}

/// Fields of the first and last line of a block; what both state must agree.
fn mark_lines(plan: &Plan, opened: &Opened, gathered: &mut Gathered) -> Result<(), Rejection> {
    let read = |pattern: &Option<crate::pattern::LinePattern>, line: &Option<String>| {
        pattern.as_ref().zip(line.as_ref()).and_then(|(pattern, line)| pattern.read(line)).unwrap_or_default()
    };
    gathered.add_header(read(&plan.start_line, &opened.start_line));
    for item in read(&plan.end_line, &opened.end_line) {
        match gathered.header.iter().find(|known| known.role == item.role) {
            Some(known) if known.text == item.text => {}
            Some(known) => {
                let detail = format!("`{}` at the beginning, `{}` at the end", known.text, item.text);
                return Err(Rejection::damaged(Reason::Sanity, detail));
            }
            None => gathered.add_header(vec![item]),
        }
    }
    Ok(())
}

fn take(
    plan: &Plan,
    columns: &mut Columns,
    line: &str,
    gathered: &mut Gathered,
    told: &mut Told,
) -> Result<(), Rejection> {
    match take_line(plan, columns, line, &mut told.languages)? {
        Taken::Nothing => {}
        Taken::Event(event, code) => told.add_event(event, code),
        Taken::Context { mut items, carry, starts_record } => {
            let heights = take_heights(&mut items);
            if carry {
                gathered.carried.extend(items.iter().filter(|item| item.role != Role::Count).cloned());
            }
            gathered.lines += 1;
            if starts_record {
                gathered.close_pairs(plan)?;
            }
            gathered.add_context(items, starts_record);
            gathered.add_heights(heights);
        }
        Taken::Record { mut items, starts_record } => {
            let heights = take_heights(&mut items);
            gathered.add_record(items, starts_record);
            gathered.add_heights(heights);
        }
        Taken::Records(records) => records.into_iter().for_each(|items| gathered.add_record(items, false)),
        Taken::Row(mut items) => {
            let heights = take_heights(&mut items);
            gathered.add_row(items);
            gathered.add_heights(heights);
        }
        Taken::Pair(item) if item.role == Role::Heights => gathered.add_heights(vec![item.text]),
        Taken::Pair(item) => gathered.pairs.push(item),
    }
    Ok(())
}

impl Told {
    fn add_event(&mut self, event: Event, code: Option<String>) {
        let (remark, words) = match event {
            Event::Busy => {
                self.reason = Some(Reason::Busy);
                return;
            }
            Event::NothingNew => {
                self.is_nothing_new = true;
                return;
            }
            Event::InstrumentError => (Remark::InstrumentError, "the instrument reports an error"),
            Event::BatteryLow => (Remark::BatteryLow, "the instrument says that its battery is low"),
        };
        self.remarks.push(remark);
        self.detail = Some(code.map_or_else(|| words.to_owned(), |code| format!("{words}: {code}")));
    }
}

/// Takes the heights of a profile out of the fields of a line.
fn take_heights(items: &mut Vec<Item>) -> Vec<String> {
    let texts = items.iter().filter(|item| item.role == Role::Heights).map(|item| item.text.clone()).collect();
    items.retain(|item| item.role != Role::Heights);
    texts
}

/// The profiles of a frame, in their order.
fn traces(plan: &Plan, gathered: &Gathered, carried: &[Item]) -> Result<Vec<Trace>, Rejection> {
    let Some(form) = &plan.trace else { return Ok(vec![]) };
    let mut traces = Vec::new();
    let all: Vec<Item> = match gathered.groups.as_slice() {
        [group] => group.lines.concat(),
        _ => vec![],
    };
    if let Some(heights) = &gathered.heights {
        let header =
            gathered.groups.first().filter(|_| gathered.groups.len() == 1).map_or(&[][..], |group| &group.header);
        let scope = Scope { own: &all, around: &[header, &gathered.header, carried] };
        traces.push(trace(plan, form, heights, scope, &gathered.points)?);
    }
    let mut record = 0;
    for group in &gathered.groups {
        // Counted as the readings' are.
        let own = (!group.lines.is_empty()).then_some(record);
        record += u32::from(own.is_some());
        let Some(heights) = &group.heights else { continue };
        let scope = Scope { own: &group.lines.concat(), around: &[&group.header, &gathered.header, carried] };
        traces.push(Trace { record: own, ..trace(plan, form, heights, scope, &gathered.points)? });
    }
    Ok(traces)
}

fn assemble(
    plan: &Plan,
    gathered: &Gathered,
    carried: &[Item],
    languages: &mut Vec<String>,
) -> Result<Vec<Reading>, Rejection> {
    let mut all: Vec<Reading> = Vec::new();
    for (record, group) in gathered.groups.iter().filter(|group| !group.lines.is_empty()).enumerate() {
        let record = u32::try_from(record).unwrap_or(u32::MAX);
        let around: [&[Item]; 3] = [&group.header, &gathered.header, carried];
        let mut of_group: Vec<Reading> = Vec::new();
        for line in &group.lines {
            let found = readings(plan, Scope { own: line, around: &around }, record, languages)?;
            let again = found.iter().find(|reading| of_group.iter().any(|other| other.quantity == reading.quantity));
            if let (Some(again), false) = (again, plan.reading.quantity_again) {
                let detail = format!("{} is there twice in one record", again.quantity);
                return Err(Rejection::damaged(Reason::Sanity, detail));
            }
            of_group.extend(found);
        }
        require(plan, &of_group, Scope { own: &group.lines.concat(), around: &around })?;
        all.extend(of_group);
    }
    for (field, reading) in all.iter_mut().enumerate() {
        reading.field = u32::try_from(field).unwrap_or(u32::MAX);
    }
    Ok(all)
}
