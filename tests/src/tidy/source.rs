//! As much of Rust's grammar as the rules need: what is code, where functions begin and end, what is test.

use std::ops::Range;

/// One function with a body.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Function {
    /// Its name.
    pub name: String,
    /// Line it begins in, from 1.
    pub line: usize,
    /// Lines from `fn` to the closing brace.
    pub lines: usize,
}

/// The text with comments, strings and character literals blanked out; lines stay where they are.
pub fn code_only(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut code = Vec::with_capacity(bytes.len());
    let mut at = 0;
    while at < bytes.len() {
        let end = literal_end(bytes, at);
        if end > at {
            code.extend(bytes[at..end].iter().map(|byte| if *byte == b'\n' { b'\n' } else { b' ' }));
            at = end;
        } else {
            code.push(bytes[at]);
            at += 1;
        }
    }
    String::from_utf8_lossy(&code).into_owned()
}

/// Where the comment, string or character literal that begins at `at` ends; `at` itself where none begins.
fn literal_end(bytes: &[u8], at: usize) -> usize {
    let rest = &bytes[at..];
    if rest.starts_with(b"//") {
        return at + rest.iter().position(|byte| *byte == b'\n').unwrap_or(rest.len());
    }
    if rest.starts_with(b"/*") {
        return block_comment_end(bytes, at);
    }
    let begins_word = at == 0 || !is_word(bytes[at - 1]);
    if begins_word && let Some(end) = raw_string_end(bytes, at) {
        return end;
    }
    match rest[0] {
        b'"' => quoted_end(bytes, at),
        b'\'' if is_character(rest) => quoted_end(bytes, at),
        _ => at,
    }
}

fn is_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_'
}

/// A quote begins a character, not a lifetime, if it is escaped or closed behind one character.
fn is_character(rest: &[u8]) -> bool {
    let ahead = String::from_utf8_lossy(&rest[1..rest.len().min(6)]);
    rest.get(1) == Some(&b'\\') || ahead.chars().nth(1) == Some('\'')
}

fn quoted_end(bytes: &[u8], at: usize) -> usize {
    let quote = bytes[at];
    let mut end = at + 1;
    while end < bytes.len() && bytes[end] != quote {
        end += if bytes[end] == b'\\' { 2 } else { 1 };
    }
    (end + 1).min(bytes.len())
}

fn raw_string_end(bytes: &[u8], at: usize) -> Option<usize> {
    let mut open = at;
    open += usize::from(matches!(bytes[open], b'b' | b'c'));
    if bytes.get(open) != Some(&b'r') {
        return None;
    }
    let hashes = bytes[open + 1..].iter().take_while(|byte| **byte == b'#').count();
    if bytes.get(open + 1 + hashes) != Some(&b'"') {
        return None;
    }
    let close: Vec<u8> = std::iter::once(b'"').chain(std::iter::repeat_n(b'#', hashes)).collect();
    let begin = open + 2 + hashes;
    let length = bytes[begin..].windows(close.len()).position(|window| window == close)?;
    Some(begin + length + close.len())
}

fn block_comment_end(bytes: &[u8], at: usize) -> usize {
    let (mut depth, mut end) = (0, at);
    while end < bytes.len() {
        if bytes[end..].starts_with(b"/*") {
            depth += 1;
            end += 2;
        } else if bytes[end..].starts_with(b"*/") {
            depth -= 1;
            end += 2;
            if depth == 0 {
                break;
            }
        } else {
            end += 1;
        }
    }
    end
}

/// Every function with a body in `code` (as [`code_only`] gives it).
pub fn functions(code: &str) -> Vec<Function> {
    let bytes = code.as_bytes();
    let mut found = Vec::new();
    for (at, _) in code.match_indices("fn ") {
        if at > 0 && is_word(bytes[at - 1]) {
            continue;
        }
        let name: String =
            code[at + 3..].chars().take_while(|letter| letter.is_alphanumeric() || *letter == '_').collect();
        if name.is_empty() {
            continue;
        }
        if let Some(open) = body_begin(bytes, at) {
            let end = closing_brace(bytes, open);
            let line = 1 + count_lines(&bytes[..at]);
            found.push(Function { name, line, lines: 1 + count_lines(&bytes[at..end]) });
        }
    }
    found
}

fn count_lines(bytes: &[u8]) -> usize {
    bytes.iter().filter(|byte| **byte == b'\n').count()
}

/// The brace that opens the body of the function at `at`, or none where it is only declared.
fn body_begin(bytes: &[u8], at: usize) -> Option<usize> {
    let mut depth = 0;
    for (offset, byte) in bytes[at..].iter().enumerate() {
        match byte {
            b'(' | b'[' => depth += 1,
            b')' | b']' => depth -= 1,
            b'{' if depth == 0 => return Some(at + offset),
            b';' if depth == 0 => return None,
            _ => {}
        }
    }
    None
}

/// The position behind the brace that closes the one at `open`.
fn closing_brace(bytes: &[u8], open: usize) -> usize {
    let mut depth = 0;
    for (offset, byte) in bytes[open..].iter().enumerate() {
        match byte {
            b'{' => depth += 1,
            b'}' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return open + offset + 1;
        }
    }
    bytes.len()
}

/// `text` without its `#[cfg(test)]` modules, as positions in `code` (which is `text` blanked out) tell.
pub fn without_tests(text: &str) -> String {
    let code = code_only(text);
    let mut kept = String::new();
    let mut from = 0;
    for span in test_modules(&code) {
        kept.push_str(text.get(from..span.start).unwrap_or_default());
        from = span.end;
    }
    kept.push_str(text.get(from..).unwrap_or_default());
    kept
}

fn test_modules(code: &str) -> Vec<Range<usize>> {
    let bytes = code.as_bytes();
    let mut spans: Vec<Range<usize>> = Vec::new();
    for (at, mark) in code.match_indices("#[cfg(test)]") {
        let behind = code[at + mark.len()..].trim_start();
        if spans.last().is_some_and(|span| span.contains(&at)) || !behind.starts_with("mod ") {
            continue;
        }
        if let Some(open) = body_begin(bytes, at + mark.len()) {
            spans.push(at..closing_brace(bytes, open));
        }
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = r###"//! fn commented() {
fn one<'a>(text: &'a str) -> Vec<[u8; 2]> {
    let brace = '{'; /* } /* nested } */ */
    let text = "} \" }"; let raw = r#"}"}"#;
}
trait T { fn declared(&self); }
impl T for X { fn two(&self) { 'ä'; } }
#[cfg(test)]
mod tests {
    fn in_test() { todo() }
}
// behind
"###;

    #[test]
    fn functions_are_measured_by_their_braces() {
        let found = functions(&code_only(TEXT));
        let names: Vec<(&str, usize, usize)> =
            found.iter().map(|function| (&*function.name, function.line, function.lines)).collect();
        assert_eq!(names, [("one", 2, 4), ("two", 7, 1), ("in_test", 10, 1)]);
    }

    #[test]
    fn comments_and_literals_are_no_code() {
        let code = code_only(TEXT);
        assert_eq!(code.lines().count(), TEXT.lines().count());
        assert!(!code.contains("commented") && !code.contains('"') && !code.contains("nested"));
        assert!(code.contains("fn one<'a>(text: &'a str)"));
    }

    #[test]
    fn tests_are_left_out() {
        let kept = without_tests(TEXT);
        assert!(!kept.contains("in_test") && kept.contains("// behind") && kept.contains("fn two"));
    }
}
