//! Job files of other systems: the same keys as in `jobs/*.toml`, written as TOML, JSON, XML or a table of characteristics,
//! and brought into the TOML text that is read, judged by and kept. Nothing is guessed: a key is a key of jobs, and which
//! type a value has is what the schema of jobs says of it.
//!
//! - JSON: the tables and arrays of the TOML file.
//! - XML: elements inside the top element are tables, elements or attributes inside these are keys; `characteristic` is
//!   written as often as there are characteristics.
//! - CSV: a row for each characteristic; columns are its keys, with dots for tables inside (`conditions.cutoff`); keys of
//!   the job are columns `job.id` and so on, the same in all rows.

use serde::Deserialize;
use serde::de::{Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::Value as Schema;
use toml::{Table, Value};

use crate::schema;
use crate::shape::alternatives;

/// A job file of another system.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    /// The job's id.
    pub id: String,
    /// The cell that it is for, where it says so.
    pub cell: Option<String>,
    /// Its number among the versions of the job, where it has one.
    pub version: Option<u32>,
    /// The job as a text of `jobs/*.toml`.
    pub text: String,
}

/// The forms of job files, by what their names end with.
pub const FORMS: [&str; 4] = ["toml", "json", "xml", "csv"];

/// The deepest nesting of a job file.
const DEPTH: usize = 16;

impl Order {
    /// Reads a file of this name. Whether the job makes sense is looked at when its text is read.
    ///
    /// # Errors
    /// Why it is no job file, in words.
    pub fn read(name: &str, raw: &[u8]) -> Result<Order, String> {
        let text = std::str::from_utf8(raw)
            .map_err(|error| format!("it is not UTF-8: byte {} stands for no character", error.valid_up_to() + 1))?;
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let form = name.rsplit_once('.').map_or(String::new(), |(_, end)| end.to_ascii_lowercase());
        let text = match form.as_str() {
            "toml" => text.to_owned(),
            "json" => in_toml(json(text)?)?,
            "xml" => in_toml(xml(text)?)?,
            "csv" => in_toml(csv(text)?)?,
            _ => return Err(format!("names of job files end with .{}", FORMS.join(", ."))),
        };
        Order::of(text)
    }

    /// The order that a text of a job is.
    ///
    /// # Errors
    /// Why it is none, in words.
    pub fn of(text: String) -> Result<Order, String> {
        let table: Table = text.parse().map_err(|error: toml::de::Error| error.to_string())?;
        let inside = |outer: &str, key: &str| table.get(outer).and_then(|table| table.get(key));
        let id = inside("job", "id").and_then(Value::as_str).filter(|id| !id.is_empty());
        let id = id.ok_or("it names no job: `id` of `job` is missing")?.to_owned();
        let cell = inside("order", "cell").and_then(Value::as_str).map(str::to_owned);
        let version = inside("order", "version").and_then(Value::as_integer).and_then(|number| number.try_into().ok());
        Ok(Order { id, cell, version, text })
    }

    /// The name under which it is kept: the id, with every other character than letters, digits, `-` and `_` by its
    /// number.
    pub fn file_name(&self) -> String {
        use std::fmt::Write;
        let mut name = String::new();
        for byte in self.id.bytes() {
            match byte {
                b'0'..=b'9' | b'A'..=b'Z' | b'a'..=b'z' | b'-' | b'_' => name.push(char::from(byte)),
                other => drop(write!(name, "%{other:02X}")),
            }
        }
        format!("{name}.toml")
    }
}

fn in_toml(value: Value) -> Result<String, String> {
    toml::to_string(&value).map_err(|error| format!("it can't be written as TOML: {error}"))
}

/// JSON whose keys are all different: of two equal ones nobody knows which is meant.
fn json(text: &str) -> Result<Value, String> {
    let mut reader = serde_json::Deserializer::from_str(text);
    let value = Told::deserialize(&mut reader).and_then(|value| reader.end().map(|()| value));
    let value = value.map_err(|error| format!("it is not JSON, or says something twice: {error}"))?;
    match value {
        Told(Some(value @ Value::Table(_))) => Ok(value),
        _ => Err("it is JSON, but not an object".to_owned()),
    }
}

/// A value of JSON; null says nothing.
struct Told(Option<Value>);

impl<'de> Deserialize<'de> for Told {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Any;
        impl<'de> Visitor<'de> for Any {
            type Value = Told;

            fn expecting(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
                f.write_str("a value")
            }

            fn visit_bool<E>(self, value: bool) -> Result<Told, E> {
                Ok(Told(Some(Value::Boolean(value))))
            }

            fn visit_i64<E>(self, value: i64) -> Result<Told, E> {
                Ok(Told(Some(Value::Integer(value))))
            }

            fn visit_u64<E: serde::de::Error>(self, value: u64) -> Result<Told, E> {
                i64::try_from(value).map(|value| Told(Some(Value::Integer(value)))).map_err(E::custom)
            }

            fn visit_f64<E>(self, value: f64) -> Result<Told, E> {
                Ok(Told(Some(Value::Float(value))))
            }

            fn visit_str<E>(self, value: &str) -> Result<Told, E> {
                Ok(Told(Some(Value::String(value.to_owned()))))
            }

            fn visit_unit<E>(self) -> Result<Told, E> {
                Ok(Told(None))
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Told, A::Error> {
                let mut array = Vec::new();
                while let Some(Told(item)) = items.next_element()? {
                    array.extend(item);
                }
                Ok(Told(Some(Value::Array(array))))
            }

            fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Told, A::Error> {
                let mut table = Table::new();
                while let Some((key, Told(value))) = entries.next_entry::<String, Told>()? {
                    if table.contains_key(&key) {
                        return Err(serde::de::Error::custom(format!("`{key}` stands there twice")));
                    }
                    if let Some(value) = value {
                        table.insert(key, value);
                    }
                }
                Ok(Told(Some(Value::Table(table))))
            }
        }
        deserializer.deserialize_any(Any)
    }
}

/// What stands under a key of a table, by a part of the schema of jobs.
fn under<'s>(schema: &'s Schema, key: &str) -> Option<&'s Schema> {
    alternatives(&schema::JOB, schema).iter().find_map(|shape| shape.property(key))
}

/// What elements of an array are.
fn elements(schema: &Schema) -> Option<&Schema> {
    alternatives(&schema::JOB, schema).iter().find_map(|shape| shape.items)
}

/// A text as the type that the schema has at its place; where it does not fit, the text, which is told as a fault.
fn typed(schema: Option<&Schema>, text: &str) -> Value {
    let shapes = schema.map(|schema| alternatives(&schema::JOB, schema)).unwrap_or_default();
    let has = |kind: &str| shapes.iter().any(|shape| shape.types.contains(&kind));
    let text = text.trim();
    let value = match text {
        _ if has("string") => None,
        "true" | "false" if has("boolean") => Some(Value::Boolean(text == "true")),
        _ if has("integer") => text.parse().ok().map(Value::Integer),
        _ => None,
    };
    value.unwrap_or_else(|| Value::String(text.to_owned()))
}

fn xml(text: &str) -> Result<Value, String> {
    let document = roxmltree::Document::parse(text).map_err(|error| format!("it is not XML: {error}"))?;
    element(document.root_element(), Some(&schema::JOB), DEPTH)
}

fn element(node: roxmltree::Node, schema: Option<&Schema>, depth: usize) -> Result<Value, String> {
    let depth = depth.checked_sub(1).ok_or("its elements are nested too deeply")?;
    let name = node.tag_name().name();
    let inner: Vec<_> = node.children().filter(roxmltree::Node::is_element).collect();
    if inner.is_empty() && node.attributes().len() == 0 {
        return Ok(typed(schema, node.text().unwrap_or_default()));
    }
    let stray =
        node.children().filter(roxmltree::Node::is_text).any(|text| !text.text().unwrap_or("").trim().is_empty());
    if stray {
        return Err(format!("<{name}> holds a text beside elements or attributes"));
    }
    let mut table = Table::new();
    let twice = |key: &str| format!("<{name}> says `{key}` twice");
    for attribute in node.attributes().filter(|attribute| attribute.namespace().is_none()) {
        let key = attribute.name();
        let value = typed(schema.and_then(|schema| under(schema, key)), attribute.value());
        if table.insert(key.to_owned(), value).is_some() {
            return Err(twice(key));
        }
    }
    for child in inner {
        let key = child.tag_name().name();
        let schema = schema.and_then(|schema| under(schema, key));
        let items = schema.and_then(elements);
        let value = element(child, items.or(schema), depth)?;
        match (items.is_some(), table.get_mut(key)) {
            (true, Some(Value::Array(array))) => array.push(value),
            (true, None) => drop(table.insert(key.to_owned(), Value::Array(vec![value]))),
            (false, None) => drop(table.insert(key.to_owned(), value)),
            _ => return Err(twice(key)),
        }
    }
    Ok(Value::Table(table))
}

fn csv(text: &str) -> Result<Value, String> {
    let separator = text.lines().next().filter(|line| line.contains(';')).map_or(b',', |_| b';');
    let mut reader = csv::ReaderBuilder::new().delimiter(separator).from_reader(text.as_bytes());
    let broken = |error: csv::Error| format!("it is not a table: {error}");
    let header: Vec<String> = reader.headers().map_err(broken)?.iter().map(|name| name.trim().to_owned()).collect();
    let twice = header.iter().enumerate().find(|(at, name)| header[..*at].contains(name));
    if let Some((_, name)) = twice {
        return Err(format!("it has two columns `{name}`"));
    }
    let characteristics = under(&schema::JOB, "characteristic").and_then(elements);
    let (mut top, mut rows) = (Table::new(), Vec::new());
    for record in reader.records() {
        let record = record.map_err(broken)?;
        let mut row = Table::new();
        for (column, cell) in header.iter().zip(&record).filter(|(_, cell)| !cell.trim().is_empty()) {
            let steps: Vec<&str> = column.split('.').collect();
            let of_file = matches!(steps[0], "job" | "order") && steps.len() > 1;
            let (table, schema) = if of_file { (&mut top, Some(&*schema::JOB)) } else { (&mut row, characteristics) };
            put(table, schema, &steps, cell).map_err(|()| {
                format!("row {}: `{column}` says something else than another column or row", rows.len() + 1)
            })?;
        }
        rows.push(Value::Table(row));
    }
    top.insert("characteristic".to_owned(), Value::Array(rows));
    Ok(Value::Table(top))
}

/// Puts a cell of a table under its keys; an error where something else stands there.
fn put(table: &mut Table, schema: Option<&Schema>, steps: &[&str], cell: &str) -> Result<(), ()> {
    let schema = schema.and_then(|schema| under(schema, steps[0]));
    match steps {
        [key] => {
            let value = typed(schema, cell);
            match table.get(*key) {
                Some(there) if *there != value => Err(()),
                Some(_) => Ok(()),
                None => {
                    table.insert((*key).to_owned(), value);
                    Ok(())
                }
            }
        }
        [key, rest @ ..] => {
            let inner = table.entry((*key).to_owned()).or_insert_with(|| Value::Table(Table::new()));
            put(inner.as_table_mut().ok_or(())?, schema, rest, cell)
        }
        [] => Ok(()),
    }
}
