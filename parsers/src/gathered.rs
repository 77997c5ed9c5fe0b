//! The fields of a frame, sorted into records, before they are readings.

use crate::envelope::Rejection;
use crate::fields::{each_once, pairs_once};
use crate::plan::{Plan, Reader};
use crate::reading::Reason;
use crate::role::{Item, Role};
use crate::trace::Heights;

/// Fields of a frame before they are readings.
#[derive(Default)]
pub(crate) struct Gathered {
    pub(crate) header: Vec<Item>,
    pub(crate) groups: Vec<Group>,
    pub(crate) pairs: Vec<Item>,
    pub(crate) counts: Vec<String>,
    /// Stated counts of a profile's points.
    pub(crate) points: Vec<String>,
    /// The profile of the frame, where it is not that of a record.
    pub(crate) heights: Option<Heights>,
    pub(crate) carried: Vec<Item>,
    /// Lines that tell something about readings, values or not.
    pub(crate) lines: usize,
    pub(crate) has_records_declared: bool,
}

/// One record: values that stem from one measurement.
#[derive(Default)]
pub(crate) struct Group {
    pub(crate) header: Vec<Item>,
    pub(crate) lines: Vec<Vec<Item>>,
    /// A line with an identity of its own shares its record with no other.
    pub(crate) is_own: bool,
    pub(crate) heights: Option<Heights>,
}

impl Gathered {
    pub(crate) fn add_header(&mut self, items: Vec<Item>) {
        for item in items {
            match item.role {
                Role::Count => self.counts.push(item.text),
                Role::Points => self.points.push(item.text),
                _ => self.header.push(item),
            }
        }
    }

    /// Heights of the record at hand, or of the frame.
    pub(crate) fn add_heights(&mut self, texts: Vec<String>) {
        let heights = match (self.has_records_declared, self.groups.last_mut()) {
            (true, Some(group)) => &mut group.heights,
            _ => &mut self.heights,
        };
        texts.iter().for_each(|text| Heights::add_text(heights, text));
    }

    /// A record that was found as a whole.
    pub(crate) fn add_group(&mut self, group: Group) {
        self.lines += 1;
        self.groups.push(group);
    }

    /// A record of a profile and perhaps of values.
    pub(crate) fn add_profile(&mut self, items: Vec<Item>, heights: Option<Heights>) {
        let has_value = items.iter().any(|item| item.role.is_value());
        let (header, lines) = if has_value { (vec![], vec![items]) } else { (items, vec![]) };
        self.add_group(Group { header, lines, is_own: true, heights });
    }

    pub(crate) fn add_context(&mut self, items: Vec<Item>, starts_record: bool) {
        if starts_record {
            self.has_records_declared = true;
            self.groups.push(Group { header: items, ..Group::default() });
        } else if let (true, Some(group)) = (self.has_records_declared, self.groups.last_mut()) {
            group.header.extend(items);
        } else {
            self.add_header(items);
        }
    }

    pub(crate) fn add_record(&mut self, items: Vec<Item>, starts_record: bool) {
        self.lines += 1;
        let is_own = items.iter().any(|item| item.role.is_identity() && !item.text.trim().is_empty());
        if starts_record {
            self.has_records_declared = true;
            // What the first line of a record says beside its value holds for the lines after it.
            let header = items.iter().filter(|item| item.role.is_identity()).cloned().collect();
            self.groups.push(Group { header, lines: vec![items], ..Group::default() });
            return;
        }
        match self.groups.last_mut() {
            Some(group) if !is_own && !group.is_own => group.lines.push(items),
            _ => self.groups.push(Group { lines: vec![items], is_own, ..Group::default() }),
        }
    }

    pub(crate) fn add_row(&mut self, items: Vec<Item>) {
        self.lines += 1;
        self.groups.push(Group { lines: vec![items], is_own: true, ..Group::default() });
    }

    /// The pairs so far are one record.
    pub(crate) fn close_pairs(&mut self, plan: &Plan) -> Result<(), Rejection> {
        if self.pairs.is_empty() {
            return Ok(());
        }
        pairs_once(plan, &self.pairs)?;
        let pairs = std::mem::take(&mut self.pairs);
        self.lines += 1;
        match self.groups.last_mut() {
            Some(group) if self.has_records_declared => group.lines.push(pairs),
            _ => self.groups.push(Group { lines: vec![pairs], is_own: true, ..Group::default() }),
        }
        Ok(())
    }

    /// Checks that nothing contradicts itself, and stated counts.
    pub(crate) fn check(&self, plan: &Plan, rows: u64) -> Result<(), Rejection> {
        each_once(&self.header)?;
        for group in &self.groups {
            each_once(&group.header)?;
        }
        let values: usize = self.groups.iter().map(|group| group.lines.len()).sum();
        let here = if self.has_records_declared { self.groups.len() } else { values };
        let found = u64::try_from(here).unwrap_or(u64::MAX) + if plan.is_single_line { rows } else { 0 };
        for count in &self.counts {
            if count.trim().parse() != Ok(found) {
                let detail = format!("{found} records where `{}` are stated", count.trim());
                return Err(Rejection::damaged(Reason::Count, detail));
            }
        }
        let has_heights = self.heights.is_some() || self.groups.iter().any(|group| group.heights.is_some());
        if !has_heights && plan.trace.as_ref().is_some_and(|trace| !trace.optional) && self.lines > 0 {
            return Err(Rejection::damaged(Reason::MissingField, "there is no profile in it"));
        }
        let is_empty_block = !plan.is_single_line && values == 0 && !has_heights && self.counts.is_empty();
        let is_whole = plan.reader.is_of_frames() || matches!(plan.reader, Reader::Pairs(_));
        if is_empty_block && (self.lines > 0 || is_whole) {
            return Err(Rejection::damaged(Reason::MissingField, "there is no value in it"));
        }
        Ok(())
    }
}
