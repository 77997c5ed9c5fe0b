//! Keys and values to fields.

use super::each_once;
use crate::envelope::Rejection;
use crate::plan::{PairsForm, Plan};
use crate::reading::Reason;
use crate::role::{Item, Role};

/// The pairs of a line. Quotation marks hold together what is between them; a doubled one stands for itself.
pub(super) fn split_pairs<'a>(form: &PairsForm, line: &'a str) -> Result<Vec<&'a str>, Rejection> {
    let between = form.between.as_deref().unwrap_or("\n");
    let mut pieces = Vec::new();
    let (mut start, mut at, mut quoted) = (0, 0, false);
    while let Some(character) = line[at..].chars().next() {
        if Some(character) == form.quote {
            quoted = !quoted;
        }
        if !quoted && line[at..].starts_with(between) {
            pieces.push(&line[start..at]);
            at += between.len();
            start = at;
        } else {
            at += character.len_utf8();
        }
    }
    pieces.push(&line[start..]);
    match quoted {
        true => Err(Rejection::damaged(Reason::Sanity, "quotation marks don't pair")),
        false => Ok(pieces.into_iter().filter(|piece| !piece.trim().is_empty()).collect()),
    }
}

/// One key and its value.
pub(super) fn one_pair(
    plan: &Plan,
    form: &PairsForm,
    piece: &str,
    languages: &mut Vec<String>,
) -> Result<Item, Rejection> {
    let without = || Rejection::damaged(Reason::MissingField, format!("`{piece}` has no `{}`", form.pair));
    let (key, text) = piece.split_once(form.pair.as_str()).ok_or_else(without)?;
    let key = key.trim();
    let captures = form.key.as_ref().and_then(|pattern| pattern.captures(key));
    let part = |name: &str| captures.as_ref().and_then(|captures| Some(captures.name(name)?.as_str()));
    let quantity = part("quantity").and_then(|text| plan.words.quantity(text));
    let (role, language) = match quantity {
        Some((quantity, language)) => (Role::Measured(quantity), language),
        None => plan.words.of_message(key),
    };
    languages.extend(language.map(str::to_owned));
    let unit = part("unit").map(str::to_owned).filter(|_| role.is_value());
    Ok(Item { unit, ..Item::new(role, unquoted(form, text.trim())?) })
}

/// A text without the quotation marks round it.
fn unquoted(form: &PairsForm, text: &str) -> Result<String, Rejection> {
    let Some(quote) = form.quote else { return Ok(text.to_owned()) };
    let wrong = || Rejection::damaged(Reason::Sanity, format!("quotation marks don't pair in `{text}`"));
    let Some(inner) = text.strip_prefix(quote) else {
        return if text.contains(quote) { Err(wrong()) } else { Ok(text.to_owned()) };
    };
    let inner = inner.strip_suffix(quote).ok_or_else(wrong)?;
    let doubled = format!("{quote}{quote}");
    match inner.replace(&doubled, "").contains(quote) {
        true => Err(wrong()),
        false => Ok(inner.replace(&doubled, &quote.to_string())),
    }
}

/// A key twice is damage; several values of a quantity are not where the definition says so.
pub(crate) fn pairs_once(plan: &Plan, items: &[Item]) -> Result<(), Rejection> {
    match plan.reading.quantity_again {
        true => {
            let others: Vec<Item> = items.iter().filter(|item| !item.role.is_value()).cloned().collect();
            each_once(&others)
        }
        false => each_once(items),
    }
}
