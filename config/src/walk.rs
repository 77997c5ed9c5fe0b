//! A document against the JSON Schema of its file: every misfit at once, each with its path and a way out.
//!
//! Only what a schema can say is found here: keys, types, words, bounds. What values mean together is checked later,
//! on whatever fitted.

use ridgepost_parsers::Step;
use serde_json::Value;
use toml::de::DeValue;

use crate::diagnostic::Code;
use crate::document::{Document, Node, Path, Place};
use crate::nearest::{advice, listed, nearest};
use crate::shape::{Shape, alternatives};

/// Something that doesn't fit.
#[derive(Clone, Debug)]
pub(crate) struct Misfit {
    /// Where; for a missing key the place where it should be.
    pub(crate) path: Path,
    /// What of it to point at.
    pub(crate) place: Place,
    /// Which kind of fault.
    pub(crate) code: Code,
    /// What is wrong.
    pub(crate) message: String,
    /// A way out.
    pub(crate) help: String,
    /// How the rest can be read without it.
    pub(crate) cut: Cut,
    /// The key that an unknown key was probably meant to be.
    pub(crate) meant: Option<Path>,
}

/// How a document is read on without a misfit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Cut {
    /// There is nothing to leave out.
    Nothing,
    /// Without the value.
    Value,
    /// With an empty table in its place, so that later elements of an array keep their positions.
    Emptied,
}

/// Every misfit of `document` against `schema`.
pub(crate) fn misfits(document: &Document, schema: &Value) -> Vec<Misfit> {
    let mut walk = Walk { document, root: schema, found: vec![] };
    walk.visit(schema, &document.root, &Path::top());
    walk.found
}

struct Walk<'a, 't> {
    document: &'a Document<'t>,
    root: &'a Value,
    found: Vec<Misfit>,
}

impl<'a, 't> Walk<'a, 't> {
    fn visit(&mut self, schema: &'a Value, node: &Node<'t>, path: &Path) {
        let shapes = alternatives(self.root, schema);
        let kind = kind(node);
        let fitting: Vec<&Shape> = shapes.iter().filter(|shape| shape.admits(kind)).collect();
        if fitting.is_empty() {
            return self.wrong_type(&shapes, node, path);
        }
        match node.get_ref() {
            DeValue::Table(_) => self.table(&fitting, node, path),
            DeValue::Array(_) => self.array(&fitting, node, path),
            DeValue::String(text) => self.text(&fitting, text, path),
            DeValue::Integer(_) => self.integer(&fitting, node, path),
            _ => {}
        }
    }

    fn misfit(&mut self, path: &Path, code: Code, message: String, help: String) {
        let cut = Cut::Value;
        self.found.push(Misfit { path: path.clone(), place: Place::Value, code, message, help, cut, meant: None });
    }

    fn wrong_type(&mut self, shapes: &[Shape], node: &Node, path: &Path) {
        let written = self.document.slice(node.span());
        let mut types: Vec<&str> = shapes.iter().flat_map(|shape| shape.types.iter().copied()).collect();
        types.dedup();
        let expected: Vec<&str> = types.iter().map(|name| words_for(name)).collect();
        let text = shapes.iter().find(|shape| shape.types.contains(&"string"));
        let words: Vec<&str> = shapes.iter().filter_map(|shape| shape.words.as_deref()).flatten().copied().collect();
        let number = matches!(node.get_ref(), DeValue::Integer(_) | DeValue::Float(_));
        let unit = text.and_then(|shape| shape.example).and_then(|example| example.split_once(' '));
        let (code, message, help) = match text {
            Some(shape) if number && shape.format == Some("amount") => (
                Code::WrongUnit,
                format!("`{}` is a bare number: {written} of what?", name_of(path)),
                format!(
                    "write it in quotes with its unit, digits as on the drawing: \"{written} {}\"",
                    unit.map_or("µm", |(_, unit)| unit)
                ),
            ),
            Some(_) if !matches!(node.get_ref(), DeValue::Table(_) | DeValue::Array(_)) => (
                Code::WrongValue,
                format!("`{}` is {}, not {}", name_of(path), found_words(node), expected.join(" or ")),
                match &words[..] {
                    [] => format!("write it in quotes: \"{written}\""),
                    words => format!("one of: {}", listed(words)),
                },
            ),
            _ => (
                Code::WrongValue,
                format!("`{}` is {}, not {}", name_of(path), found_words(node), expected.join(" or ")),
                way_out(&types, node),
            ),
        };
        self.misfit(path, code, message, help);
        let in_array = matches!(path.0.last(), Some(Step::Index(_)));
        if let Some(misfit) = self.found.last_mut().filter(|_| in_array && types.contains(&"object")) {
            misfit.cut = Cut::Emptied;
        }
    }

    fn text(&mut self, fitting: &[&Shape], text: &str, path: &Path) {
        if fitting.iter().any(|shape| shape.words.is_none()) {
            if text.trim().is_empty() && fitting.iter().all(|shape| shape.least.is_some_and(|least| least > 0)) {
                let message = format!("`{}` is empty", name_of(path));
                self.misfit(path, Code::WrongValue, message, "write what it is, or leave the key out".to_owned());
            }
            return;
        }
        let words: Vec<&str> = fitting.iter().filter_map(|shape| shape.words.as_deref()).flatten().copied().collect();
        if !words.contains(&text) {
            let message = match path.0.last() {
                Some(Step::Index(_)) => format!("`{}` knows no `{text}`", name_of(path)),
                _ => format!("unknown {} `{text}`", name_of(path)),
            };
            self.misfit(path, Code::WrongValue, message, advice(text, &words));
        }
    }

    fn integer(&mut self, fitting: &[&Shape], node: &Node, path: &Path) {
        let DeValue::Integer(integer) = node.get_ref() else { return };
        let number = i64::from_str_radix(integer.as_str(), integer.radix()).ok();
        let inside = |shape: &&&Shape| {
            number.is_some_and(|number| {
                shape.least.is_none_or(|least| number >= least) && shape.most.is_none_or(|most| number <= most)
            })
        };
        if fitting.iter().any(|shape| inside(&shape)) {
            return;
        }
        let (least, most) = (fitting[0].least, fitting[0].most);
        let help = match (least, most) {
            (Some(least), Some(most)) => format!("write a whole number from {least} to {most}"),
            (Some(least), None) => format!("write a whole number from {least} on"),
            _ => "write a smaller whole number".to_owned(),
        };
        let message = format!("`{}` can't be {}", name_of(path), self.document.slice(node.span()));
        self.misfit(path, Code::WrongValue, message, help);
    }

    fn array(&mut self, fitting: &[&Shape<'a>], node: &Node<'t>, path: &Path) {
        let DeValue::Array(array) = node.get_ref() else { return };
        let Some(shape) = fitting.iter().find(|shape| shape.types.contains(&"array")).or(fitting.first()) else {
            return;
        };
        if shape.least.is_some_and(|least| (array.len() as i64) < least) {
            let message = format!("`{}` holds too few elements", name_of(path));
            self.misfit(path, Code::WrongValue, message, format!("write at least {}", shape.least.unwrap_or(1)));
        }
        let Some(items) = shape.items else { return };
        for (index, item) in array.iter().enumerate() {
            self.visit(items, item, &path.index(index));
        }
    }

    fn table(&mut self, fitting: &[&Shape<'a>], node: &Node<'t>, path: &Path) {
        let Some(candidates) = self.tagged(fitting, node, path) else { return };
        let mut best: Option<Vec<Misfit>> = None;
        for shape in candidates {
            let mut trial = Walk { document: self.document, root: self.root, found: vec![] };
            trial.keys(shape, node, path);
            if best.as_ref().is_none_or(|best| trial.found.len() < best.len()) {
                best = Some(trial.found);
            }
        }
        self.found.extend(best.unwrap_or_default());
    }

    /// The alternatives that agree with the word by which they are told apart; `None` where that word is missing or
    /// unknown, which is told.
    fn tagged<'f>(&mut self, fitting: &'f [&'f Shape<'a>], node: &Node<'t>, path: &Path) -> Option<Vec<&'f Shape<'a>>> {
        let all = || fitting.to_vec();
        if fitting.len() < 2 {
            return Some(all());
        }
        let is_tag = |key: &str| fitting.iter().all(|shape| shape.tag(key).is_some());
        let Some(&(tag, _)) = fitting[0].properties.iter().find(|(key, _)| is_tag(key)) else { return Some(all()) };
        let words: Vec<&str> = fitting.iter().filter_map(|shape| shape.tag(tag)).collect();
        let at = path.key(tag);
        match value_of(node, tag).map(|value| value.get_ref()) {
            Some(DeValue::String(word)) => {
                let agreeing: Vec<_> = fitting.iter().copied().filter(|shape| shape.tag(tag) == Some(word)).collect();
                if agreeing.is_empty() {
                    let message = format!("unknown {tag} `{word}`");
                    self.misfit(&at, Code::WrongValue, message, advice(word, &words));
                    return None;
                }
                Some(agreeing)
            }
            Some(_) => {
                let help = format!("one of: {}", listed(&words));
                self.misfit(&at, Code::WrongValue, format!("`{tag}` must be a word in quotes"), help);
                None
            }
            None => {
                self.missing(path, tag, format!("one of: {}", listed(&words)));
                None
            }
        }
    }

    fn keys(&mut self, shape: &Shape<'a>, node: &Node<'t>, path: &Path) {
        let DeValue::Table(table) = node.get_ref() else { return };
        let known: Vec<&str> = shape.properties.iter().map(|(key, _)| *key).collect();
        let absent: Vec<&str> = known.iter().copied().filter(|key| value_of(node, key).is_none()).collect();
        let mut meant = vec![];
        for (key, value) in table.iter() {
            let at = path.key(key.get_ref());
            match shape.property(key.get_ref()).or(shape.additional) {
                Some(schema) => self.visit(schema, value, &at),
                None if shape.closed => meant.extend(self.unknown(path, key.get_ref(), &absent, &known)),
                None => {}
            }
        }
        for key in shape.required.iter().filter(|key| absent.contains(key) && !meant.contains(key)) {
            let about = shape.property(key).and_then(|schema| self.about(schema)).unwrap_or_default();
            self.missing(
                path,
                key,
                if about.is_empty() { format!("write `{key}`") } else { format!("`{key}`: {about}") },
            );
        }
    }

    /// Tells of an unknown key; gives the absent key that was probably meant, so that one slip is told once.
    fn unknown<'k>(&mut self, path: &Path, key: &str, absent: &[&'k str], known: &[&'k str]) -> Option<&'k str> {
        let meant = nearest(key, absent.iter().copied());
        let twin = nearest(key, known.iter().copied());
        let help = match (meant, twin) {
            (Some(meant), _) => format!("did you mean `{meant}`?"),
            (None, Some(twin)) => format!("did you mean `{twin}`? it is there already"),
            (None, None) if known.is_empty() => "no keys are known here".to_owned(),
            (None, None) => format!("known here: {}", listed(known)),
        };
        self.found.push(Misfit {
            path: path.key(key),
            place: Place::Key,
            code: Code::UnknownKey,
            message: format!("unknown key `{key}`"),
            help,
            cut: Cut::Value,
            meant: meant.map(|meant| path.key(meant)),
        });
        meant
    }

    fn missing(&mut self, path: &Path, key: &str, help: String) {
        self.found.push(Misfit {
            path: path.key(key),
            place: Place::Value,
            code: Code::MissingKey,
            message: match path.0.is_empty() {
                true => format!("`{key}` is missing"),
                false => format!("`{key}` is missing in this `{}`", name_of(path)),
            },
            help,
            cut: Cut::Nothing,
            meant: None,
        });
    }

    /// The first line of what a schema says about itself.
    fn about(&self, schema: &'a Value) -> Option<String> {
        let text = schema.get("description")?.as_str()?;
        let line = text.lines().next().unwrap_or(text).trim_end_matches('.');
        let mut chars = line.chars();
        let first = chars.next()?;
        Some(first.to_lowercase().chain(chars).collect())
    }
}

/// What a table holds under a key.
fn value_of<'n, 't>(node: &'n Node<'t>, key: &str) -> Option<&'n Node<'t>> {
    let DeValue::Table(table) = node.get_ref() else { return None };
    table.iter().find(|(name, _)| name.get_ref() == key).map(|(_, value)| value)
}

/// The JSON type that a TOML value counts as; dates and times have none.
fn kind(node: &Node) -> &'static str {
    match node.get_ref() {
        DeValue::String(_) => "string",
        DeValue::Integer(_) => "integer",
        DeValue::Float(_) => "number",
        DeValue::Boolean(_) => "boolean",
        DeValue::Datetime(_) => "datetime",
        DeValue::Array(_) => "array",
        DeValue::Table(_) => "object",
    }
}

fn found_words(node: &Node) -> &'static str {
    match node.get_ref() {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a bare number",
        DeValue::Float(_) => "a bare number with a point",
        DeValue::Boolean(_) => "a bare true or false",
        DeValue::Datetime(_) => "a bare date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn words_for(kind: &str) -> &str {
    match kind {
        "string" => "text in quotes",
        "integer" => "a whole number",
        "number" => "a number",
        "boolean" => "true or false",
        "array" => "a list",
        "object" => "a table",
        other => other,
    }
}

fn way_out(types: &[&str], node: &Node) -> String {
    match (types.first().copied(), node.get_ref()) {
        (Some("integer" | "number"), DeValue::String(text)) if text.trim().parse::<f64>().is_ok() => {
            format!("write it without quotes: {text}")
        }
        (Some("boolean"), DeValue::String(text)) if matches!(text.as_ref(), "true" | "false") => {
            format!("write it without quotes: {text}")
        }
        (Some("object"), _) => "write keys and values: { key = \"value\" }".to_owned(),
        (Some("array"), _) => "write a list: [\"one\", \"two\"]".to_owned(),
        (Some(kind), _) => format!("write {}", words_for(kind)),
        (None, _) => "leave it out".to_owned(),
    }
}

/// The key that a value is known by.
fn name_of(path: &Path) -> String {
    path.0
        .iter()
        .rev()
        .find_map(|step| match step {
            Step::Key(key) => Some(key.clone()),
            Step::Index(_) => None,
        })
        .unwrap_or_else(|| "this file".to_owned())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn told(schema: &Value, text: &str) -> Vec<String> {
        let document = Document::parse(text);
        misfits(&document, schema).into_iter().map(|it| format!("{}: {}; {}", it.path, it.message, it.help)).collect()
    }

    /// Tables told apart by a word, by their keys, by their type.
    fn forms() -> Value {
        json!({
            "type": "object",
            "additionalProperties": false,
            "properties": {
                "check": { "oneOf": [
                    { "type": "object", "additionalProperties": false, "required": ["kind", "bits"],
                      "properties": { "kind": { "const": "sum" }, "bits": { "type": "integer", "minimum": 1 } } },
                    { "type": "object", "additionalProperties": false, "required": ["kind"],
                      "properties": { "kind": { "const": "none" } } },
                ] },
                "place": { "anyOf": [{ "type": "string" }, { "$ref": "#/$defs/Place" }] },
                "by_name": { "type": "object", "additionalProperties": { "$ref": "#/$defs/Place" } },
            },
            "$defs": { "Place": {
                "type": "object", "additionalProperties": false, "required": ["line"],
                "properties": { "line": { "type": "integer", "description": "Which line. More." } },
            } },
        })
    }

    #[test]
    fn what_fits_is_not_told() {
        let text =
            "check = { kind = 'sum', bits = 8 }\nplace = 'top'\nby_name = { a = { line = 1 }, b = { line = 2 } }";
        assert_eq!(told(&forms(), text), Vec::<String>::new());
        assert_eq!(told(&forms(), "place = { line = 3 }\ncheck = { kind = 'none' }"), Vec::<String>::new());
    }

    #[test]
    fn a_word_decides_which_keys_are_known() {
        for (text, expected) in [
            ("check = { kind = 'none', bits = 8 }", "check.bits: unknown key `bits`; known here: kind"),
            ("check = { kind = 'sun' }", "check.kind: unknown kind `sun`; did you mean `sum`?"),
            ("check = { bits = 8 }", "check.kind: `kind` is missing in this `check`; one of: sum, none"),
            ("check = { kind = 3 }", "check.kind: `kind` must be a word in quotes; one of: sum, none"),
            ("check = { kind = 'sum', bits = 0 }", "check.bits: `bits` can't be 0; write a whole number from 1 on"),
        ] {
            assert_eq!(told(&forms(), text), [expected], "{text}");
        }
    }

    #[test]
    fn types_and_maps_are_followed_into_references() {
        let text = "place = 3\nby_name = { a = { lin = 1 }, b = {}, c = 'x' }\nother = 1";
        assert_eq!(
            told(&forms(), text),
            [
                "place: `place` is a bare number, not text in quotes or a table; write it in quotes: \"3\"",
                "by_name.a.lin: unknown key `lin`; did you mean `line`?",
                "by_name.b.line: `line` is missing in this `b`; `line`: which line. More",
                "by_name.c: `c` is text, not a table; write keys and values: { key = \"value\" }",
                "other: unknown key `other`; known here: check, place, by_name",
            ]
        );
    }
}
