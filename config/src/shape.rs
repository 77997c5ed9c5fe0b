//! What a JSON Schema allows at one place, as flat alternatives: references, `allOf`, `oneOf` and `anyOf` resolved,
//! so that the walk over a document deals with one plain list.

use serde_json::{Map, Value};

/// How deep references and alternatives may nest before the rest counts as "anything".
const DEPTH: usize = 12;

/// One alternative of what may stand at a place.
#[derive(Clone, Debug, Default)]
pub(crate) struct Shape<'s> {
    /// JSON types; empty: any.
    pub(crate) types: Vec<&'s str>,
    /// Texts allowed, where there is a closed list.
    pub(crate) words: Option<Vec<&'s str>>,
    /// Known keys.
    pub(crate) properties: Vec<(&'s str, &'s Value)>,
    /// Keys that must be there.
    pub(crate) required: Vec<&'s str>,
    /// No other keys.
    pub(crate) closed: bool,
    /// What other keys hold.
    pub(crate) additional: Option<&'s Value>,
    /// What elements of an array are.
    pub(crate) items: Option<&'s Value>,
    /// Smallest number, length or count of elements.
    pub(crate) least: Option<i64>,
    /// Largest number, length or count of elements.
    pub(crate) most: Option<i64>,
    /// Hint at the form of a text.
    pub(crate) format: Option<&'s str>,
    /// An example of a value.
    pub(crate) example: Option<&'s str>,
}

impl<'s> Shape<'s> {
    fn of(map: &'s Map<String, Value>) -> Self {
        let bound = |keys: [&str; 3]| keys.iter().find_map(|key| map.get(*key)).and_then(Value::as_i64);
        let text = |key: &str| map.get(key).and_then(Value::as_str);
        let additional = map.get("additionalProperties");
        Shape {
            types: texts(map.get("type")),
            words: map.get("const").or(map.get("enum")).map(|value| texts(Some(value))),
            properties: map
                .get("properties")
                .and_then(Value::as_object)
                .map(|properties| properties.iter().map(|(key, value)| (key.as_str(), value)).collect())
                .unwrap_or_default(),
            required: texts(map.get("required")),
            closed: [additional, map.get("unevaluatedProperties")].contains(&Some(&Value::Bool(false))),
            additional: additional.filter(|value| value.is_object()),
            items: map.get("items").filter(|value| value.is_object()),
            least: bound(["minimum", "minLength", "minItems"]),
            most: bound(["maximum", "maxLength", "maxItems"]),
            format: text("format"),
            example: map.get("examples").and_then(|examples| examples.get(0)).and_then(Value::as_str),
        }
    }

    /// Both at once.
    fn and(&self, other: &Self) -> Self {
        let mut both = self.clone();
        both.types = match (self.types.is_empty(), other.types.is_empty()) {
            (true, _) => other.types.clone(),
            (_, true) => self.types.clone(),
            _ => self.types.iter().copied().filter(|name| other.types.contains(name)).collect(),
        };
        both.words = self.words.clone().or(other.words.clone());
        both.properties.retain(|(key, _)| !other.properties.iter().any(|(name, _)| name == key));
        both.properties.extend(&other.properties);
        both.required.extend(other.required.iter().filter(|key| !self.required.contains(key)));
        both.closed |= other.closed;
        both.additional = self.additional.or(other.additional);
        both.items = self.items.or(other.items);
        both.least = self.least.or(other.least);
        both.most = self.most.or(other.most);
        both.format = self.format.or(other.format);
        both.example = self.example.or(other.example);
        both
    }

    /// Whether a value of this JSON type may stand here.
    pub(crate) fn admits(&self, kind: &str) -> bool {
        self.types.is_empty() || self.types.contains(&kind) || (kind == "integer" && self.types.contains(&"number"))
    }

    /// What a key holds, if it may be there.
    pub(crate) fn property(&self, key: &str) -> Option<&'s Value> {
        self.properties.iter().find(|(name, _)| *name == key).map(|(_, schema)| *schema)
    }

    /// The one word that a key must hold in this alternative.
    pub(crate) fn tag(&self, key: &str) -> Option<&'s str> {
        self.property(key)?.get("const")?.as_str()
    }
}

/// The texts of an array, or the one text.
fn texts(value: Option<&Value>) -> Vec<&str> {
    match value {
        Some(Value::String(text)) => vec![text],
        Some(Value::Array(items)) => items.iter().filter_map(Value::as_str).collect(),
        _ => vec![],
    }
}

/// Every alternative of `schema`, a part of `root`.
pub(crate) fn alternatives<'s>(root: &'s Value, schema: &'s Value) -> Vec<Shape<'s>> {
    expand(root, schema, DEPTH)
}

fn expand<'s>(root: &'s Value, schema: &'s Value, depth: usize) -> Vec<Shape<'s>> {
    let (Value::Object(map), Some(depth)) = (schema, depth.checked_sub(1)) else {
        return vec![Shape::default()];
    };
    let mut shapes = vec![Shape::of(map)];
    if let Some(target) = map.get("$ref").and_then(Value::as_str).and_then(|name| resolve(root, name)) {
        shapes = product(&shapes, &expand(root, target, depth));
    }
    for part in map.get("allOf").and_then(Value::as_array).into_iter().flatten() {
        shapes = product(&shapes, &expand(root, part, depth));
    }
    for choice in ["oneOf", "anyOf"].iter().filter_map(|key| map.get(*key)).filter_map(Value::as_array) {
        let parts: Vec<_> = choice.iter().flat_map(|part| expand(root, part, depth)).collect();
        shapes = product(&shapes, &parts);
    }
    shapes
}

fn product<'s>(left: &[Shape<'s>], right: &[Shape<'s>]) -> Vec<Shape<'s>> {
    left.iter().flat_map(|one| right.iter().map(|other| one.and(other))).collect()
}

fn resolve<'s>(root: &'s Value, reference: &str) -> Option<&'s Value> {
    root.pointer(reference.strip_prefix('#')?)
}
