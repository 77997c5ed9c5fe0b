//! Paths into JSON documents.

/// A path.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct JsonPath {
    pub(super) from_top: bool,
    pub(super) steps: Vec<Step>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Step {
    Key(String),
    Each,
    Index(usize),
    Where { key: String, equals: String },
}

impl JsonPath {
    pub(crate) fn parse(text: &str) -> Result<JsonPath, String> {
        let text = text.trim();
        let (from_top, mut rest) = match text.strip_prefix('$') {
            Some(rest) => (true, rest.strip_prefix('.').unwrap_or(rest)),
            None => (false, text),
        };
        let mut steps = Vec::new();
        if text == "." || (from_top && rest.is_empty()) {
            return Ok(JsonPath { from_top, steps });
        }
        loop {
            rest = if rest.starts_with('[') {
                let end = rest.find(']').ok_or("a bracket is left open")?;
                steps.push(parse_bracket(&rest[1..end])?);
                &rest[end + 1..]
            } else {
                let (key, behind) = parse_key(rest)?;
                steps.push(Step::Key(key));
                behind
            };
            if rest.is_empty() {
                return Ok(JsonPath { from_top, steps });
            }
            if !rest.starts_with('[') {
                rest =
                    rest.strip_prefix('.').ok_or_else(|| format!("`{rest}` does not go on from what is before it"))?;
            }
        }
    }

    /// Whether it leads to the same place from every record.
    pub(crate) fn is_from_top(&self) -> bool {
        self.from_top
    }

    /// The key of a record that it leads through.
    pub(crate) fn first_name(&self) -> Option<&str> {
        match self.steps.first()? {
            Step::Key(key) if !self.from_top => Some(key),
            _ => None,
        }
    }
}

fn parse_bracket(text: &str) -> Result<Step, String> {
    if text == "*" {
        return Ok(Step::Each);
    }
    if let Ok(index) = text.parse() {
        return Ok(Step::Index(index));
    }
    match text.split_once('=') {
        Some((key, equals)) if !key.trim().is_empty() => {
            let equals = equals.trim().trim_matches('\'').to_owned();
            Ok(Step::Where { key: key.trim().to_owned(), equals })
        }
        _ => Err(format!("`[{text}]` selects nothing: write [*], [0] or [key=value]")),
    }
}

fn parse_key(text: &str) -> Result<(String, &str), String> {
    if let Some(quoted) = text.strip_prefix('\'') {
        let (key, behind) = quoted.split_once('\'').ok_or("a quotation mark is left open")?;
        return Ok((key.to_owned(), behind));
    }
    let is_plain = |character: char| character.is_alphanumeric() || matches!(character, '_' | '-');
    let end = text.find(|character| !is_plain(character)).unwrap_or(text.len());
    match end {
        0 => Err(format!("a key is missing before `{text}`")),
        end => Ok((text[..end].to_owned(), &text[end..])),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn paths_are_read_or_refused() {
        let key = |key: &str| Step::Key(key.to_owned());
        let steps = |text: &str| JsonPath::parse(text).unwrap().steps;
        assert_eq!(steps("a.b[*].c"), [key("a"), key("b"), Step::Each, key("c")]);
        assert_eq!(steps("$[0].'lc mm'"), [Step::Index(0), key("lc mm")]);
        assert_eq!(
            steps("r[name=Ra].v"),
            [key("r"), Step::Where { key: "name".to_owned(), equals: "Ra".to_owned() }, key("v")]
        );
        assert_eq!((steps("."), steps("$")), (vec![], vec![]));
        assert!(JsonPath::parse("$.a").unwrap().from_top);
        for bad in ["", "a.", "a..b", "a[", "a[]", "a[x]", "'a", "a b", ".a", "a[*]b"] {
            assert!(JsonPath::parse(bad).is_err(), "{bad:?}");
        }
    }
}
