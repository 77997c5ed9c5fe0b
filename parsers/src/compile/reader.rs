//! What reads the lines of a definition: rules, table, places, pairs.

use std::collections::BTreeMap;
use std::sync::Arc;

use regex::Regex;

use super::at;
use super::binary::binary;
use super::faults::Faults;
use super::tree::{json, xml};
use crate::definition::{Definition, FramingKind, Step};
use crate::pattern::whole;
use crate::plan::{Column, PairsForm, Place, Reader, Rule, TableForm};
use crate::role::{Role, Words};

pub(super) fn rules(said: &Definition, words: &Words, faults: &mut Faults) -> Vec<Rule> {
    let mut rules = Vec::new();
    for (index, rule) in said.line.iter().enumerate() {
        let path = at!["line", index, "pattern"];
        let Some(pattern) = faults.line_pattern(path, &rule.pattern, words) else { continue };
        let has_value = pattern.roles().any(Role::is_value);
        if has_value && (rule.ignore || rule.event.is_some()) {
            let message = "a line that is ignored or tells an event holds no value";
            faults.add(path, message, "leave out the capture of the value, or `ignore` and `event`");
        }
        if pattern.roles().any(|role| *role == Role::Quantity) && !has_value && !rule.ignore {
            faults.add(path, "a quantity without a value", "capture `value` as well");
        }
        let carry = rule.carry.unwrap_or(said.framing.kind == FramingKind::Rows);
        let (ignore, event, starts_record, again) = (rule.ignore, rule.event, rule.starts_record, rule.again);
        if again && (!has_value || starts_record) {
            let help = "capture a value, and begin the record with a rule of its own";
            faults.add(at!["line", index, "again"], "only values stand side by side", help);
        }
        let skip_to = rule.skip_to.as_ref().and_then(|to| faults.regex(at!["line", index, "skip_to"], whole(to)));
        if rule.skip_to.is_some() && (!ignore || said.framing.kind == FramingKind::Lines) {
            let message = "only an ignored line of a block or file begins what is skipped";
            faults.add(at!["line", index, "skip_to"], message, "ignore = true; single lines are ignored one by one");
        }
        rules.push(Rule { pattern, ignore, event, carry, starts_record, again, skip_to, has_value });
    }
    rules
}

pub(super) fn reader(said: &Definition, words: &Words, faults: &mut Faults) -> Reader {
    let given = [
        said.table.is_some(),
        said.places.is_some(),
        said.pairs.is_some(),
        said.xml.is_some(),
        said.json.is_some(),
        said.binary.is_some(),
    ];
    let count = given.iter().filter(|is_given| **is_given).count();
    if count > 1 {
        faults.add(
            at![],
            "a line is read one way",
            "only one of `[table]`, `[places]`, `[pairs]`, `[xml]`, `[json]`, `[binary]`",
        );
    }
    if count == 0 && said.line.is_empty() {
        faults.add(
            at![],
            "nothing says how a line is read",
            "give `[[line]]`, `[table]`, `[places]`, `[pairs]`, `[xml]`, `[json]` or `[binary]`",
        );
    }
    if said.xml.is_some() && matches!(said.framing.kind, FramingKind::Lines | FramingKind::Rows) {
        let help = "kind = \"file\", or \"block\" with `start = \"<?xml\"` and `end = \"</export>\"`";
        faults.add(at!["framing", "kind"], "an XML document is not one line", help);
    }
    if (said.xml.is_some() || said.json.is_some()) && !said.line.is_empty() && said.framing.kind != FramingKind::Lines {
        let help = "leave them out; beside JSON Lines (kind = \"lines\") they take what is no document";
        faults.add(at!["line"], "rules for lines mean nothing to a document", help);
    }
    if let Some(form) = xml(said, words, faults) {
        return Reader::Xml(form);
    }
    if let Some(form) = json(said, words, faults) {
        return Reader::Json(form);
    }
    if let Some(form) = binary(said, words, faults) {
        return Reader::Binary(form);
    }
    if let Some(table) = table(said, words, faults) {
        return Reader::Table(table);
    }
    if let Some(said) = &said.places {
        return Reader::Places(places(said, words, faults));
    }
    match &said.pairs {
        Some(pairs) => {
            let empty = |text: &str| text.is_empty();
            if empty(&pairs.pair) || pairs.between.as_deref().is_some_and(empty) {
                faults.add(at!["pairs"], "a separator is empty", "for example pair = \"=\", between = \";\"");
            }
            if pairs.between.is_none() && matches!(said.framing.kind, FramingKind::Lines | FramingKind::Rows) {
                let message = "a line is one frame, so its pairs need a separator";
                faults.add(at!["pairs"], message, "give `between`; or frames of many lines (kind = \"block\")");
            }
            let quote = pairs.quote.as_ref().and_then(|quote| faults.character(at!["pairs", "quote"], quote));
            let key = pairs.key.as_ref().and_then(|key| faults.regex(at!["pairs", "key"], whole(key)));
            names_quantity(key.as_ref(), at!["pairs", "key"], faults);
            Reader::Pairs(PairsForm { pair: pairs.pair.clone(), between: pairs.between.clone(), quote, key })
        }
        None => Reader::Nothing,
    }
}

pub(super) fn table(said: &Definition, words: &Words, faults: &mut Faults) -> Option<TableForm> {
    let table = said.table.as_ref()?;
    let header = table.header.as_ref().and_then(|header| faults.regex(at!["table", "header"], whole(header)));
    if table.header.is_some() == table.columns.is_some() {
        let message = "columns are told by a header row or by the definition";
        faults.add(at!["table"], message, "give either `header` or `columns`");
    }
    if table.header.is_none() && (table.units_row || table.heading.is_some()) {
        faults.add(at!["table"], "`heading` and `units_row` go with a header row", "give `header`");
    }
    let heading = table.heading.as_ref().and_then(|heading| faults.regex(at!["table", "heading"], whole(heading)));
    names_quantity(heading.as_ref(), at!["table", "heading"], faults);
    let above = table.header_above.as_ref().and_then(|row| faults.regex(at!["table", "header_above"], whole(row)));
    if table.header.is_none() && above.is_some() {
        faults.add(at!["table", "header_above"], "it stands above a header row, and there is none", "give `header`");
    }
    if table.delimiter == " " && (said.framing.quote.is_some() || above.is_some()) {
        let message = "between blanks no cell is empty or quoted";
        faults.add(at!["table", "delimiter"], message, "leave out `quote` and `header_above`");
    }
    let column = |name: &String| Column { role: words.of_definition(name), unit: None };
    Some(TableForm {
        delimiter: faults.character(at!["table", "delimiter"], &table.delimiter).unwrap_or(';'),
        quote: said.framing.quote.as_ref().and_then(|quote| quote.chars().next()),
        header,
        header_above: above,
        columns: table.columns.as_ref().map(|columns| Arc::new(columns.iter().map(column).collect())),
        heading,
        units_row: table.units_row,
    })
}

/// Patterns of headings and keys capture the quantity and perhaps its unit.
fn names_quantity(pattern: Option<&Regex>, path: &[Step], faults: &mut Faults) {
    let Some(pattern) = pattern else { return };
    let names: Vec<&str> = pattern.capture_names().flatten().collect();
    if !names.contains(&"quantity") || names.iter().any(|name| !["quantity", "unit"].contains(name)) {
        let message = "this captures `quantity` and perhaps `unit`";
        faults.add(path, message, r"for example '(?<quantity>\S+) \[(?<unit>\S+)\]'");
    }
}

pub(super) fn places(said: &BTreeMap<String, String>, words: &Words, faults: &mut Faults) -> Vec<Place> {
    let mut places: Vec<Place> = Vec::new();
    for (name, text) in said {
        let (from, to) = text.split_once('-').unwrap_or((text, text));
        let range = (from.trim().parse::<usize>(), to.trim().parse::<usize>());
        let (Ok(from @ 1..), Ok(to @ 1..=65_536)) = range else {
            faults.add(at!["places", name], format!("`{text}` are no places"), "for example \"1-4\", or \"28\"");
            continue;
        };
        if from > to {
            faults.add(at!["places", name], format!("`{text}` ends before it begins"), "");
            continue;
        }
        if let Some(other) = places.iter().find(|other| other.from < to && from <= other.to) {
            let message = format!("the places overlap with those of `{}`", other.role.name());
            faults.add(at!["places", name], message, "count from 1, both ends included");
        }
        places.push(Place { role: words.of_definition(name), from: from - 1, to });
    }
    places.sort_by_key(|place| place.from);
    places
}
