//! "Did you mean": the known word that a mistyped one was most likely meant to be.

/// The nearest of `known` to `word`, if one is near enough to be meant: the same letters in another case, or at
/// most one slip in three letters (letters left out, put in, changed or swapped).
pub(crate) fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let bound = (word.chars().count() / 3).max(1);
    let folded = word.to_lowercase();
    known
        .into_iter()
        .filter(|other| *other != word)
        .map(|other| (strsim::damerau_levenshtein(&folded, &other.to_lowercase()), other))
        .filter(|(slips, other)| *slips <= bound && *slips < other.chars().count())
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, other)| other)
}

/// A way out for an unknown word: the word that was meant, else what there is to choose from.
pub(crate) fn advice(word: &str, known: &[&str]) -> String {
    match nearest(word, known.iter().copied()) {
        Some(meant) => format!("did you mean `{meant}`?"),
        None if known.is_empty() => "there is none to choose from".to_owned(),
        None => format!("one of: {}", listed(known)),
    }
}

/// At most two dozen words, parted by commas.
pub(crate) fn listed(words: &[&str]) -> String {
    const SHOWN: usize = 24;
    let more = if words.len() > SHOWN { ", ..." } else { "" };
    format!("{}{more}", words[..words.len().min(SHOWN)].join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_are_recognised_and_strangers_are_not() {
        for (word, known, expected) in [
            ("uper", &["lower", "upper"][..], Some("upper")),
            ("Lower", &["lower", "upper"], Some("lower")),
            ("instrumnet", &["instrument", "name"], Some("instrument")),
            ("RA", &["Ra", "Rz"], Some("Ra")),
            ("colour", &["name", "port"], None),
            ("x", &["n", "name"], None),
        ] {
            assert_eq!(nearest(word, known.iter().copied()), expected, "{word}");
        }
    }
}
