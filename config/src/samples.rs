//! Texts that a pattern fits: what two patterns have in common is shown by one of them.

use regex_syntax::hir::{Class, Hir, HirKind};

/// Texts tried of each pattern.
const SAMPLES: u32 = 48;
/// Characters of a text at most.
const LONG: usize = 512;

/// Some texts that a pattern fits, mostly: assertions inside it are not looked at. Printable ones where it has any. The
/// same for the same pattern.
pub(crate) fn samples(pattern: &str) -> Vec<String> {
    let Ok(hir) = regex_syntax::Parser::new().parse(pattern) else { return vec![] };
    let mut texts: Vec<String> = (0..SAMPLES)
        .map(|seed| {
            let mut pick = Pick { state: seed, seed, text: Vec::new() };
            pick.walk(&hir);
            String::from_utf8_lossy(&pick.text).into_owned()
        })
        .collect();
    texts.sort();
    texts.dedup();
    texts
}

/// One way through a pattern.
struct Pick {
    state: u32,
    seed: u32,
    text: Vec<u8>,
}

impl Pick {
    /// A number below `bound`: always the first with seed 0, the last with seed 1, any with others.
    fn below(&mut self, bound: u32) -> u32 {
        // Numerical Recipes' linear congruential generator (from memory); any would do.
        self.state = self.state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        match self.seed {
            0 => 0,
            1 => bound.saturating_sub(1),
            _ => (self.state >> 8) % bound.max(1),
        }
    }

    fn walk(&mut self, hir: &Hir) {
        if self.text.len() > LONG {
            return;
        }
        match hir.kind() {
            HirKind::Empty | HirKind::Look(_) => {}
            HirKind::Literal(literal) => self.text.extend(&literal.0),
            HirKind::Class(class) => self.one_of(class),
            HirKind::Repetition(repetition) => {
                let most =
                    repetition.max.unwrap_or(repetition.min.saturating_add(3)).min(repetition.min.saturating_add(12));
                let count = repetition.min + self.below(most.saturating_sub(repetition.min) + 1);
                for _ in 0..count.min(600) {
                    self.walk(&repetition.sub);
                }
            }
            HirKind::Capture(capture) => self.walk(&capture.sub),
            HirKind::Concat(parts) => parts.iter().for_each(|part| self.walk(part)),
            HirKind::Alternation(ways) => {
                let way = self.below(u32::try_from(ways.len()).unwrap_or(u32::MAX));
                if let Some(way) = ways.get(way as usize) {
                    self.walk(way);
                }
            }
        }
    }

    fn one_of(&mut self, class: &Class) {
        let ranges: Vec<(u32, u32)> = match class {
            Class::Unicode(class) => {
                class.ranges().iter().map(|range| (u32::from(range.start()), u32::from(range.end()))).collect()
            }
            Class::Bytes(class) => {
                class.ranges().iter().map(|range| (u32::from(range.start()), u32::from(range.end()))).collect()
            }
        };
        let printable = ranges.iter().map(|(start, end)| ((*start).max(0x20), (*end).min(0x7e)));
        let printable: Vec<(u32, u32)> = printable.filter(|(start, end)| start <= end).collect();
        let ranges = if printable.is_empty() { ranges } else { printable };
        let range = self.below(u32::try_from(ranges.len()).unwrap_or(u32::MAX));
        let Some((start, end)) = ranges.get(range as usize) else { return };
        let code = start + self.below(end - start + 1);
        self.text.extend(char::from_u32(code).unwrap_or('?').to_string().bytes());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_fit_their_pattern() {
        for pattern in ["SN-[0-9]{6}", "(a|b)*c?", "[^x]+", "(?i)next", r"\d{3}\w", ".", "a{0,1000}", ""] {
            let whole = regex::Regex::new(&format!(r"\A(?:{pattern})\z"));
            let fits = |text: &String| whole.as_ref().is_ok_and(|whole| whole.is_match(text));
            let texts = samples(pattern);
            assert!(!texts.is_empty() && texts.iter().all(fits), "{pattern}: {texts:?}");
            assert_eq!(texts, samples(pattern));
        }
    }
}
