//! Paths into XML documents: a small part of XPath.

use std::collections::BTreeMap;

/// A path.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct XmlPath {
    pub(super) origin: Origin,
    pub(super) steps: Vec<Step>,
}

/// Where a path begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Origin {
    Here,
    Top,
    Anywhere,
    Preceding,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Step {
    Own,
    Parent,
    Attribute(Name),
    Element { name: Option<Name>, tests: Vec<Test> },
}

/// A name, in a namespace or in any.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Name {
    pub(super) namespace: Option<String>,
    pub(super) local: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Test {
    Attribute(Name, String),
    Child(Name, String),
}

impl XmlPath {
    pub(crate) fn parse(text: &str, namespaces: &BTreeMap<String, String>) -> Result<XmlPath, String> {
        let text = text.trim();
        let (origin, rest) = if let Some(rest) = text.strip_prefix("//") {
            (Origin::Anywhere, rest)
        } else if let Some(rest) = text.strip_prefix('/') {
            (Origin::Top, rest)
        } else if let Some(rest) = text.strip_prefix("preceding::") {
            (Origin::Preceding, rest)
        } else {
            (Origin::Here, text)
        };
        let steps = split(rest)?.into_iter().map(|step| parse_step(step, namespaces)).collect::<Result<Vec<_>, _>>()?;
        let is_last = |at: usize| at + 1 == steps.len();
        if steps.iter().enumerate().any(|(at, step)| matches!(step, Step::Attribute(_)) && !is_last(at)) {
            return Err("an attribute holds nothing further".to_owned());
        }
        if origin != Origin::Here && !matches!(steps.first(), Some(Step::Element { .. })) {
            return Err("such a path begins with the name of an element".to_owned());
        }
        Ok(XmlPath { origin, steps })
    }

    /// Whether it leads to the same place from every record.
    pub(crate) fn is_from_top(&self) -> bool {
        matches!(self.origin, Origin::Top | Origin::Anywhere)
    }

    /// Whether it leads to elements.
    pub(crate) fn is_of_elements(&self) -> bool {
        !matches!(self.steps.last(), Some(Step::Attribute(_)))
    }

    /// The name of the first part of a record that it leads through.
    pub(crate) fn first_name(&self) -> Option<&str> {
        match self.steps.iter().find(|step| !matches!(step, Step::Own))? {
            Step::Attribute(name) | Step::Element { name: Some(name), .. } if self.origin == Origin::Here => {
                Some(&name.local)
            }
            _ => None,
        }
    }
}

/// The steps between slashes; slashes in brackets part nothing.
fn split(text: &str) -> Result<Vec<&str>, String> {
    let (mut steps, mut start, mut quote, mut inside) = (Vec::new(), 0, None, false);
    for (at, character) in text.char_indices() {
        match (quote, character) {
            (Some(open), _) if open == character => quote = None,
            (Some(_), _) => {}
            (None, '"' | '\'') => quote = Some(character),
            (None, '[') => inside = true,
            (None, ']') => inside = false,
            (None, '/') if !inside => {
                steps.push(&text[start..at]);
                start = at + 1;
            }
            _ => {}
        }
    }
    if quote.is_some() || inside {
        return Err("a quotation mark or bracket is left open".to_owned());
    }
    steps.push(&text[start..]);
    match steps.iter().any(|step| step.trim().is_empty()) {
        true => Err("a name is missing".to_owned()),
        false => Ok(steps),
    }
}

fn parse_step(text: &str, namespaces: &BTreeMap<String, String>) -> Result<Step, String> {
    let text = text.trim();
    match text {
        "." | "text()" => return Ok(Step::Own),
        ".." => return Ok(Step::Parent),
        _ => {}
    }
    if let Some(attribute) = text.strip_prefix('@') {
        return Ok(Step::Attribute(parse_name(attribute, namespaces)?));
    }
    let (name, mut rest) = text.split_at(text.find('[').unwrap_or(text.len()));
    let name = if name.trim() == "*" { None } else { Some(parse_name(name, namespaces)?) };
    let mut tests = Vec::new();
    while !rest.is_empty() {
        let wrong = || format!("`{rest}` is no test: write [@a='x'] or [b='x']");
        let inner = rest.strip_prefix('[').ok_or_else(wrong)?;
        let (what, value) = inner.split_once('=').ok_or_else(wrong)?;
        let value = value.trim_start();
        let quote = value.chars().next().filter(|quote| matches!(quote, '"' | '\'')).ok_or_else(wrong)?;
        let (value, behind) = value[1..].split_once(quote).ok_or_else(wrong)?;
        tests.push(match what.trim().strip_prefix('@') {
            Some(attribute) => Test::Attribute(parse_name(attribute, namespaces)?, value.to_owned()),
            None => Test::Child(parse_name(what, namespaces)?, value.to_owned()),
        });
        rest = behind.trim_start().strip_prefix(']').ok_or_else(wrong)?.trim_start();
    }
    Ok(Step::Element { name, tests })
}

fn parse_name(text: &str, namespaces: &BTreeMap<String, String>) -> Result<Name, String> {
    let text = text.trim();
    let is_name = |name: &str| {
        let inner = |character: char| character.is_alphanumeric() || matches!(character, '_' | '-' | '.');
        name.starts_with(|first: char| first.is_alphabetic() || first == '_') && name.chars().all(inner)
    };
    let (namespace, local) = match text.split_once(':') {
        Some((prefix, local)) => {
            let uri = namespaces.get(prefix).ok_or_else(|| format!("the prefix `{prefix}` stands for no namespace"))?;
            (Some(uri.clone()), local)
        }
        None => (None, text),
    };
    match is_name(local) {
        true => Ok(Name { namespace, local: local.to_owned() }),
        false => Err(format!("`{local}` is no name")),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn paths_are_read_or_refused() {
        let namespaces = BTreeMap::from([("t".to_owned(), "urn:x".to_owned())]);
        let parse = |text: &str| XmlPath::parse(text, &namespaces);
        let path = parse("/t:export/item[@key='a/b'][name=\"Ra\"]/@v").unwrap();
        assert_eq!((path.origin, path.steps.len()), (Origin::Top, 3));
        let name = |local: &str| Name { namespace: None, local: local.to_owned() };
        let tests = vec![Test::Attribute(name("key"), "a/b".to_owned()), Test::Child(name("name"), "Ra".to_owned())];
        assert_eq!(path.steps[1], Step::Element { name: Some(name("item")), tests });
        assert_eq!(parse(".").unwrap().steps, [Step::Own]);
        assert_eq!(parse("../@a").unwrap().steps, [Step::Parent, Step::Attribute(name("a"))]);
        for bad in ["", "/", "a//b", "u:a", "a[", "a[@b]", "a[@b=c]", "@a/b", "//@a", "a b", "1a", "a['x"] {
            assert!(parse(bad).is_err(), "{bad:?}");
        }
    }
}
