//! The paths of `[xml]` and `[json]`.

use std::collections::BTreeMap;

use super::at;
use super::faults::Faults;
use crate::definition::{Definition, Step};
use crate::role::{Role, Words};
use crate::tree::{JsonPath, TreeForm, XmlPath};

const XML_HELP: &str = "for example \"t:cond/@cutoff\", \"/export/m\", \"..\", \"item[@key='lc']\"";
const JSON_HELP: &str = "for example \"data.results[*]\", \"$.setup.cutoff\"";

pub(super) fn xml(said: &Definition, words: &Words, faults: &mut Faults) -> Option<TreeForm<XmlPath>> {
    let xml = said.xml.as_ref()?;
    for (prefix, uri) in &xml.namespaces {
        if uri.trim().is_empty() || prefix.trim().is_empty() {
            faults.add(
                at!["xml", "namespaces", prefix],
                "a namespace is empty",
                "for example t = \"urn:example:trace\"",
            );
        }
    }
    let said = Said { table: "xml", record: &xml.record, values: &xml.values, fields: &xml.fields, value: &xml.value };
    let parse = |text: &str| XmlPath::parse(text, &xml.namespaces);
    let form = form(&said, words, faults, (&parse, XML_HELP), &XmlPath::is_from_top, &XmlPath::first_name);
    for (key, path) in [("record", &form.record), ("values", &form.values)] {
        if path.as_ref().is_some_and(|path| !path.is_of_elements()) {
            faults.add(at!["xml", key], "this must lead to elements", "leave out the attribute");
        }
    }
    Some(form)
}

pub(super) fn json(said: &Definition, words: &Words, faults: &mut Faults) -> Option<TreeForm<JsonPath>> {
    let json = said.json.as_ref()?;
    let said =
        Said { table: "json", record: &json.record, values: &json.values, fields: &json.fields, value: &json.value };
    Some(form(&said, words, faults, (&JsonPath::parse, JSON_HELP), &JsonPath::is_from_top, &JsonPath::first_name))
}

/// The keys that both tables have.
struct Said<'a> {
    table: &'a str,
    record: &'a Option<String>,
    values: &'a Option<String>,
    fields: &'a BTreeMap<String, String>,
    value: &'a BTreeMap<String, String>,
}

type Parse<'a, P> = (&'a dyn Fn(&str) -> Result<P, String>, &'a str);

fn form<P>(
    said: &Said<'_>,
    words: &Words,
    faults: &mut Faults,
    (parse, help): Parse<'_, P>,
    is_from_top: &dyn Fn(&P) -> bool,
    first_name: &dyn Fn(&P) -> Option<&str>,
) -> TreeForm<P> {
    let table = said.table;
    let mut one = |key: &str, text: &Option<String>| {
        text.as_ref().and_then(|text| faults.keep(at![table, key], parse(text), help))
    };
    let record = one("record", said.record);
    let values = one("values", said.values);
    let mut all = |key: &str, paths: &BTreeMap<String, String>| {
        let mut found = Vec::new();
        for (name, text) in paths {
            if let Some(path) = faults.keep(at![table, key, name], parse(text), help) {
                found.push((words.of_definition(name), path));
            }
        }
        found
    };
    let fields = all("fields", said.fields);
    let value = all("value", said.value);
    let mut known: Vec<String> =
        fields.iter().map(|(_, path)| path).chain(&values).filter_map(first_name).map(str::to_owned).collect();
    known.sort();
    known.dedup();
    let has_record = record.is_some();
    let (top, fields): (Vec<_>, Vec<_>) = fields.into_iter().partition(|(_, path)| has_record && is_from_top(path));
    if let Some((role, _)) = top.iter().find(|(role, _)| role.is_value()) {
        let message = format!("`{}` would be the same value in every record", role.name());
        faults.add(at![table, "fields"], message, "give its path from the record");
    }
    if values.is_some() != value.iter().any(|(role, _)| role.is_value()) {
        let message = "`values` and `value` go together: where the values are, and the value in each of them";
        faults.add(at![table], message, "for example values = \"v\" and value = { quantity = \"@p\", value = \".\" }");
    }
    if let Some((role, _)) = value.iter().find(|(role, _)| *role == Role::Heights) {
        faults.add(at![table, "value", &role.name()], "a profile belongs to a record", "put it among `fields`");
    }
    TreeForm { record, values, top, fields, value, known }
}
