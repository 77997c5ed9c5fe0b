//! Lines to fields: by rule, by column, by place, by key.

use std::collections::BTreeSet;
use std::sync::Arc;

use crate::definition::Event;
use crate::envelope::Rejection;
use crate::pattern::Blame;
use crate::plan::{Column, Place, Plan, Reader, TableForm};
use crate::reading::Reason;
use crate::role::{Item, Role};

/// The columns in force, as the rows before have told them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Columns {
    pub(crate) columns: Option<Arc<Vec<Column>>>,
    /// Whether the units row is still to come.
    pub(crate) awaits_units: bool,
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
    if let Reader::Table(table) = &plan.reader {
        if table.header.as_ref().is_some_and(|header| header.is_match(line)) {
            *columns = Columns::default();
            *columns = header(plan, table, line, languages)?;
            return Ok(Taken::Nothing);
        }
        if columns.awaits_units {
            let known = std::mem::take(columns);
            columns.columns = Some(Arc::new(units_row(plan, table, &known.columns.unwrap_or_default(), line)?));
            return Ok(Taken::Nothing);
        }
    }
    for rule in &plan.rules {
        let Some(items) = rule.pattern.read(line) else { continue };
        if rule.ignore {
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
        Reader::Pairs { pair, between: None } => {
            let item = one_pair(plan, pair, line, languages)?;
            let mut items = checked(plan, vec![item])?;
            return Ok(items.pop().map_or(Taken::Nothing, Taken::Pair));
        }
        Reader::Pairs { pair, between: Some(between) } => {
            let pairs = line.split(between.as_str()).filter(|piece| !piece.trim().is_empty());
            let items = pairs.map(|piece| one_pair(plan, pair, piece, languages)).collect::<Result<Vec<_>, _>>()?;
            each_once(&items)?;
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

fn one_pair(plan: &Plan, separator: &str, piece: &str, languages: &mut Vec<String>) -> Result<Item, Rejection> {
    let (key, text) = piece
        .split_once(separator)
        .ok_or_else(|| Rejection::damaged(Reason::MissingField, format!("`{piece}` has no `{separator}`")))?;
    let (role, language) = plan.words.of_message(key.trim());
    languages.extend(language.map(str::to_owned));
    Ok(Item::new(role, text.trim()))
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

/// The cells of a row; quotation marks by RFC 4180. `None` where quotation marks don't pair.
fn cells(table: &TableForm, line: &str) -> Option<Vec<String>> {
    let Some(quote) = table.quote else { return Some(line.split(table.delimiter).map(str::to_owned).collect()) };
    let mut cells = Vec::new();
    let mut rest = line;
    loop {
        let cell_end = if let Some(quoted) = rest.strip_prefix(quote) {
            let (cell, behind) = unquoted(quoted, quote)?;
            cells.push(cell);
            behind
        } else {
            let end = rest.find(table.delimiter).unwrap_or(rest.len());
            cells.push(rest[..end].to_owned());
            &rest[end..]
        };
        match cell_end.strip_prefix(table.delimiter) {
            Some(next) => rest = next,
            None if cell_end.is_empty() => return Some(cells),
            None => return None,
        }
    }
}

/// The text up to the closing quotation mark, and what is behind it.
fn unquoted(text: &str, quote: char) -> Option<(String, &str)> {
    let mut cell = String::new();
    let mut rest = text;
    loop {
        let at = rest.find(quote)?;
        cell.push_str(&rest[..at]);
        rest = &rest[at + quote.len_utf8()..];
        match rest.strip_prefix(quote) {
            Some(more) => {
                cell.push(quote);
                rest = more;
            }
            None => return Some((cell, rest)),
        }
    }
}

fn cells_of(table: &TableForm, line: &str) -> Result<Vec<String>, Rejection> {
    cells(table, line).ok_or_else(|| Rejection::damaged(Reason::Sanity, "quotation marks don't pair"))
}

fn header(plan: &Plan, table: &TableForm, line: &str, languages: &mut Vec<String>) -> Result<Columns, Rejection> {
    let mut columns = Vec::new();
    for cell in cells_of(table, line)? {
        let captures = table.heading.as_ref().and_then(|heading| heading.captures(cell.trim()));
        let part = |name: &str| captures.as_ref().and_then(|captures| Some(captures.name(name)?.as_str()));
        let unit = part("unit").map(str::to_owned);
        let quantity = part("quantity").and_then(|text| plan.words.quantity(text));
        let (role, language) = match quantity {
            Some((quantity, language)) => (Role::Measured(quantity), language),
            None => plan.words.of_message(cell.trim()),
        };
        languages.extend(language.map(str::to_owned));
        let column = Column { unit: unit.filter(|_| role.is_value()), role };
        known_unit(plan, column.unit.as_deref())?;
        columns.push(column);
    }
    let single: Vec<Item> = columns
        .iter()
        .filter(|column| !column.role.is_value() && !matches!(column.role, Role::Other(_)))
        .map(|column| Item::new(column.role.clone(), ""))
        .collect();
    each_once(&single)?;
    Ok(Columns { columns: Some(Arc::new(columns)), awaits_units: table.units_row })
}

fn known_unit(plan: &Plan, text: Option<&str>) -> Result<(), Rejection> {
    match text {
        Some(text) if plan.unit(text).is_none() => {
            Err(Rejection::damaged(Reason::Unit, format!("`{text}` is no known unit")))
        }
        _ => Ok(()),
    }
}

fn units_row(plan: &Plan, table: &TableForm, columns: &[Column], line: &str) -> Result<Vec<Column>, Rejection> {
    let cells = same_count(cells_of(table, line)?, columns.len())?;
    let with_unit = |(mut column, cell): (Column, String)| {
        let unit = cell.trim();
        if unit.is_empty() {
            return Ok(column);
        }
        if column.role.is_value() {
            known_unit(plan, Some(unit))?;
        }
        column.unit = Some(unit.to_owned());
        Ok(column)
    };
    columns.iter().cloned().zip(cells).map(with_unit).collect()
}

fn same_count(cells: Vec<String>, columns: usize) -> Result<Vec<String>, Rejection> {
    match cells.len() == columns {
        true => Ok(cells),
        false => Err(Rejection::damaged(Reason::Count, format!("{} cells instead of {columns}", cells.len()))),
    }
}

fn row(table: &TableForm, state: &mut Columns, line: &str) -> Result<Vec<Item>, Rejection> {
    let cells = cells_of(table, line)?;
    let Some(columns) = table.columns.as_ref().or(state.columns.as_ref()) else {
        return Err(Rejection::damaged(Reason::MissingField, "a row without a header before it"));
    };
    let is_heading = !cells.iter().any(|cell| cell.chars().any(|character| character.is_ascii_digit()))
        && cells.iter().any(|cell| !cell.trim().is_empty());
    let measured_none =
        columns.iter().zip(&cells).all(|(column, cell)| !column.role.is_value() || !cell.trim().is_empty());
    let columns = columns.clone();
    // A row of words where numbers belong may be a heading that was damaged: its columns may have another order.
    if is_heading && measured_none && table.header.is_some() {
        *state = Columns::default();
    }
    let cells = same_count(cells, columns.len())?;
    let item =
        |(column, text): (&Column, String)| Item { unit: column.unit.clone(), ..Item::new(column.role.clone(), text) };
    Ok(columns.iter().zip(cells).map(item).collect())
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn table(quote: Option<char>) -> TableForm {
        TableForm { delimiter: ',', quote, header: None, columns: None, heading: None, units_row: false }
    }

    /// RFC 4180 section 2, rules 5 to 7.
    #[test]
    fn cells_are_quoted_by_the_standard() {
        let quoted = table(Some('"'));
        assert_eq!(
            cells(&quoted, r#"1,"B-12, 003",0.412,"bore ""A""""#).unwrap(),
            ["1", "B-12, 003", "0.412", r#"bore "A""#]
        );
        assert_eq!(cells(&quoted, "a,\"two\r\nlines\",").unwrap(), ["a", "two\r\nlines", ""]);
        assert_eq!(cells(&quoted, r#"1,"open"#), None);
        assert_eq!(cells(&quoted, r#""a"b"#), None);
        assert_eq!(cells(&table(None), r#""a,b""#).unwrap(), ["\"a", "b\""]);
    }
}
