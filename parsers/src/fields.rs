//! Lines to fields: by rule, by column, by place, by key.

mod pairs;
mod table;

use std::collections::BTreeSet;
use std::sync::Arc;

pub(crate) use self::pairs::pairs_once;
use self::pairs::{one_pair, split_pairs};
use self::table::{above, header, row, units_row};

use crate::definition::Event;
use crate::envelope::Rejection;
use crate::pattern::Blame;
use crate::plan::{Column, Place, Plan, Reader};
use crate::reading::Reason;
use crate::role::{Item, Role};

/// The columns in force, as the rows before have told them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Columns {
    pub(crate) columns: Option<Arc<Vec<Column>>>,
    /// Whether the units row is still to come.
    pub(crate) awaits_units: bool,
    /// The row above a header that is still to come.
    pub(crate) above: Option<Vec<String>>,
    /// The rule that skips lines, while it does.
    pub(crate) skip: Option<usize>,
}

/// What one line is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Taken {
    /// Known and not wanted, or a heading.
    Nothing,
    /// It tells something besides readings.
    Event(Event, Option<String>),
    /// Fields without a value.
    Context { items: Vec<Item>, carry: bool, starts_record: bool },
    /// Fields of one record, with a value among them.
    Record { items: Vec<Item>, starts_record: bool },
    /// Several of them side by side.
    Records(Vec<Vec<Item>>),
    /// A row: a record by itself.
    Row(Vec<Item>),
    /// One pair of a block that is one record.
    Pair(Item),
}

/// Reads one line; `languages` takes the languages of its labels.
pub(crate) fn take_line(
    plan: &Plan,
    columns: &mut Columns,
    line: &str,
    languages: &mut Vec<String>,
) -> Result<Taken, Rejection> {
    if let Some(skip_to) = columns.skip.and_then(|rule| plan.rules.get(rule)?.skip_to.as_ref()) {
        if !skip_to.is_match(line) {
            return Ok(Taken::Nothing);
        }
        columns.skip = None;
    }
    if let Reader::Table(table) = &plan.reader {
        if table.header_above.as_ref().is_some_and(|pattern| pattern.is_match(line)) {
            *columns = Columns { above: Some(above(table, line)?), ..Columns::default() };
            return Ok(Taken::Nothing);
        }
        if table.header.as_ref().is_some_and(|header| header.is_match(line)) {
            let before = std::mem::take(columns).above;
            *columns = header(plan, table, before.as_deref(), line, languages)?;
            return Ok(Taken::Nothing);
        }
        if columns.awaits_units {
            let known = std::mem::take(columns);
            columns.columns = Some(Arc::new(units_row(plan, table, &known.columns.unwrap_or_default(), line)?));
            return Ok(Taken::Nothing);
        }
    }
    for (index, rule) in plan.rules.iter().enumerate() {
        if rule.again
            && let Some(records) = rule.pattern.read_again(line)
        {
            return Ok(Taken::Records(
                records.into_iter().map(|items| checked(plan, items)).collect::<Result<_, _>>()?,
            ));
        }
        let Some(items) = rule.pattern.read(line) else { continue };
        if rule.ignore {
            columns.skip = rule.skip_to.as_ref().map(|_| index);
            return Ok(Taken::Nothing);
        }
        if rule.has_value {
            if !items.iter().any(|item| item.role.is_value()) {
                return Err(Rejection::damaged(Reason::MissingField, format!("no value in `{line}`")));
            }
            return Ok(Taken::Record { items: checked(plan, items)?, starts_record: rule.starts_record });
        }
        if let Some(event) = rule.event {
            let code = items.into_iter().find(|item| item.role == Role::Code).map(|item| item.text);
            return Ok(Taken::Event(event, code));
        }
        return Ok(Taken::Context {
            items: checked(plan, items)?,
            carry: rule.carry,
            starts_record: rule.starts_record,
        });
    }
    read_line(plan, columns, line, languages)
}

fn read_line(plan: &Plan, columns: &mut Columns, line: &str, languages: &mut Vec<String>) -> Result<Taken, Rejection> {
    let items = match &plan.reader {
        // Readers of whole frames have lines only where a rule takes them.
        Reader::Nothing | Reader::Xml(_) | Reader::Json(_) | Reader::Binary(_) => return Err(blame(plan, line)),
        Reader::Table(table) => row(table, columns, line)?,
        Reader::Places(places) => at_places(places, line)?,
        Reader::Pairs(form) if form.between.is_none() => {
            let item = one_pair(plan, form, line, languages)?;
            let mut items = checked(plan, vec![item])?;
            return Ok(items.pop().map_or(Taken::Nothing, Taken::Pair));
        }
        Reader::Pairs(form) => {
            let pieces = split_pairs(form, line)?;
            let items = pieces.iter().map(|piece| one_pair(plan, form, piece, languages));
            let items = items.collect::<Result<Vec<_>, _>>()?;
            pairs_once(plan, &items)?;
            items
        }
    };
    if !items.iter().any(|item| item.role.is_value()) {
        return Err(Rejection::damaged(Reason::MissingField, format!("no value in `{line}`")));
    }
    let items = checked(plan, items)?;
    Ok(match plan.reader {
        Reader::Places(_) => Taken::Record { items, starts_record: false },
        _ => Taken::Row(items),
    })
}

/// What is wrong with a line that no rule takes.
fn blame(plan: &Plan, line: &str) -> Rejection {
    let blames = plan.rules.iter().filter(|rule| !rule.ignore).filter_map(|rule| rule.pattern.blame(line));
    match blames.min_by_key(|blame| matches!(blame, Blame::Unit(_))) {
        Some(Blame::Number(text)) => Rejection::damaged(Reason::Number, format!("`{text}` is no number of this form")),
        Some(Blame::Unit(text)) => Rejection::damaged(Reason::Unit, format!("`{text}` is no unit of this form")),
        None => Rejection::damaged(Reason::MissingField, format!("no rule takes the line `{line}`")),
    }
}

/// A role stated twice contradicts itself; values may come several times (several traces in a row).
pub(crate) fn each_once(items: &[Item]) -> Result<(), Rejection> {
    let mut seen = BTreeSet::new();
    match items.iter().find(|item| !seen.insert(&item.role)) {
        Some(item) => Err(Rejection::damaged(Reason::Sanity, format!("`{}` is there twice", item.role.name()))),
        None => Ok(()),
    }
}

/// Checks the declared patterns of fields and leaves out what is to be ignored.
pub(crate) fn checked(plan: &Plan, items: Vec<Item>) -> Result<Vec<Item>, Rejection> {
    for item in &items {
        let pattern = plan.field(&item.role).and_then(|field| field.pattern.as_ref());
        if pattern.is_none_or(|pattern| pattern.is_match(&item.text)) {
            continue;
        }
        let reason = match item.role {
            Role::Value | Role::Measured(_) => Reason::Number,
            Role::Unit => Reason::Unit,
            Role::Quantity => Reason::MissingField,
            _ => Reason::Sanity,
        };
        let detail = format!("`{}` is no {} of this form", item.text, item.role.name());
        return Err(Rejection::damaged(reason, detail));
    }
    Ok(items.into_iter().filter(|item| !plan.field(&item.role).is_some_and(|field| field.ignore)).collect())
}

fn at_places(places: &[Place], line: &str) -> Result<Vec<Item>, Rejection> {
    let characters: Vec<char> = line.chars().collect();
    let length = places.iter().map(|place| place.to).max().unwrap_or(0);
    if characters.len() != length {
        let detail = format!("{} characters instead of {length}", characters.len());
        return Err(Rejection::damaged(Reason::Length, detail));
    }
    let is_named = |at: usize| places.iter().any(|place| (place.from..place.to).contains(&at));
    if let Some(at) = (0..length).find(|at| characters[*at] != ' ' && !is_named(*at)) {
        return Err(Rejection::damaged(Reason::Sanity, format!("place {} should be blank", at + 1)));
    }
    let item = |place: &Place| {
        let text: String = characters[place.from..place.to].iter().collect();
        Item::new(place.role.clone(), text.trim())
    };
    Ok(places.iter().map(item).filter(|item| !item.text.is_empty() || item.role.is_value()).collect())
}
