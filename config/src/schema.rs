//! The JSON Schema of every file, made from the same definitions that read it; kept under `config/schema/` so that
//! editors complete and underline.

use std::sync::LazyLock;

use ridgepost_parsers::Definition;
use schemars::generate::SchemaSettings;
use schemars::transform::{Transform, transform_subschemas};
use schemars::{JsonSchema, Schema};
use serde_json::Value;

use crate::said::{CellFile, GaugesFile, JobFile, LabelsFile};

/// Schema of `cell.toml`.
pub(crate) static CELL: LazyLock<Value> = LazyLock::new(generate::<CellFile>);
/// Schema of `gauges.toml`.
pub(crate) static GAUGES: LazyLock<Value> = LazyLock::new(generate::<GaugesFile>);
/// Schema of `jobs/*.toml`.
pub(crate) static JOB: LazyLock<Value> = LazyLock::new(generate::<JobFile>);
/// Schema of `labels.toml`.
pub(crate) static LABELS: LazyLock<Value> = LazyLock::new(generate::<LabelsFile>);
/// Schema of `instruments/*.toml`.
pub(crate) static INSTRUMENT: LazyLock<Value> = LazyLock::new(generate::<Definition>);

/// Every schema: its file name under `config/schema/`, its text.
pub fn schemas() -> Vec<(&'static str, String)> {
    [
        ("cell.schema.json", &CELL),
        ("gauges.schema.json", &GAUGES),
        ("job.schema.json", &JOB),
        ("labels.schema.json", &LABELS),
        ("instrument.schema.json", &INSTRUMENT),
    ]
    .into_iter()
    .map(|(name, schema)| (name, format!("{:#}\n", **schema)))
    .collect()
}

fn generate<T: JsonSchema>() -> Value {
    let settings = SchemaSettings::draft2020_12().with_transform(WithoutNull);
    let schema = settings.into_generator().into_root_schema_for::<T>().to_value();
    // What a reader of the file looks for first stands first.
    let Value::Object(mut rest) = schema else { return schema };
    let first = ["$schema", "title", "description"];
    let head: Vec<_> = first.iter().filter_map(|key| rest.shift_remove_entry(*key)).collect();
    Value::Object(head.into_iter().chain(rest).collect())
}

/// TOML has no null: what may be left out is left out.
#[derive(Clone, Debug)]
struct WithoutNull;

impl Transform for WithoutNull {
    fn transform(&mut self, schema: &mut Schema) {
        if let Some(Value::Array(types)) = schema.get_mut("type") {
            types.retain(|name| name != "null");
            if let [only] = &types[..] {
                let only = only.clone();
                schema.insert("type".to_owned(), only);
            }
        }
        if let Some(Value::Array(parts)) = schema.get_mut("anyOf") {
            parts.retain(|part| part.get("type").is_none_or(|name| name != "null"));
            if let [only] = &parts[..]
                && let Some(only) = only.as_object().cloned()
            {
                schema.remove("anyOf");
                for (key, value) in only {
                    if schema.get(&key).is_none() {
                        schema.insert(key, value);
                    }
                }
            }
        }
        if schema.get("default").is_some_and(Value::is_null) {
            schema.remove("default");
        }
        transform_subschemas(self, schema);
    }
}
