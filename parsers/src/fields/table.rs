//! Rows of cells: headings to columns, cells to fields.

use std::sync::Arc;

use super::{Columns, each_once};
use crate::envelope::Rejection;
use crate::plan::{Column, Plan, TableForm};
use crate::reading::Reason;
use crate::role::{Item, Role};

/// The cells of a row; quotation marks by RFC 4180. `None` where quotation marks don't pair.
fn cells(table: &TableForm, line: &str) -> Option<Vec<String>> {
    if table.delimiter == ' ' {
        return Some(line.split_ascii_whitespace().map(str::to_owned).collect());
    }
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

/// The row above a header: an empty cell goes on with the heading at its left.
pub(super) fn above(table: &TableForm, line: &str) -> Result<Vec<String>, Rejection> {
    let mut cells = cells_of(table, line)?;
    for at in 1..cells.len() {
        if cells[at].trim().is_empty() {
            cells[at] = cells[at - 1].clone();
        }
    }
    Ok(cells)
}

/// What a header says of its columns, under the row `above` it where there is one.
pub(super) fn header(
    plan: &Plan,
    table: &TableForm,
    above: Option<&[String]>,
    line: &str,
    languages: &mut Vec<String>,
) -> Result<Columns, Rejection> {
    let mut columns = Vec::new();
    let mut headings = cells_of(table, line)?;
    if let Some(above) = above {
        let joined = same_count(above.to_vec(), headings.len())?.into_iter().zip(&headings);
        headings =
            joined.map(|(above, below)| format!("{} {}", above.trim(), below.trim()).trim().to_owned()).collect();
    }
    for (at, cell) in headings.iter().enumerate() {
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
        // Under other names they would be declared to be several; under one, one of them may be something else.
        let is_again = headings[..at].iter().any(|other| other.trim() == cell.trim());
        if column.role.is_value() && is_again && !plan.reading.quantity_again {
            let detail = format!("the heading `{}` is there twice", cell.trim());
            return Err(Rejection::damaged(Reason::Sanity, detail));
        }
        columns.push(column);
    }
    let single: Vec<Item> = columns
        .iter()
        .filter(|column| !column.role.is_value() && !matches!(column.role, Role::Other(_)))
        .map(|column| Item::new(column.role.clone(), ""))
        .collect();
    each_once(&single)?;
    Ok(Columns { columns: Some(Arc::new(columns)), awaits_units: table.units_row, ..Columns::default() })
}

fn known_unit(plan: &Plan, text: Option<&str>) -> Result<(), Rejection> {
    match text {
        Some(text) if plan.unit(text).is_none() => {
            Err(Rejection::damaged(Reason::Unit, format!("`{text}` is no known unit")))
        }
        _ => Ok(()),
    }
}

pub(super) fn units_row(
    plan: &Plan,
    table: &TableForm,
    columns: &[Column],
    line: &str,
) -> Result<Vec<Column>, Rejection> {
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

pub(super) fn row(table: &TableForm, state: &mut Columns, line: &str) -> Result<Vec<Item>, Rejection> {
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
        let (header, header_above, columns, heading) = (None, None, None, None);
        TableForm { delimiter: ',', quote, header, header_above, columns, heading, units_row: false }
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
