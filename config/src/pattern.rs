//! File name patterns with `*` and `?` as in a shell, without folders: which names count, and whether two patterns
//! can both claim one name.

/// Whether `name` fits `pattern`: `*` stands for any run of characters, `?` for one, everything else for itself.
pub fn matches(pattern: &str, name: &str) -> bool {
    let pattern: Vec<char> = pattern.chars().collect();
    // Which positions of the pattern can be reached after the characters so far.
    let mut reached = spread(&pattern, &{
        let mut start = vec![false; pattern.len() + 1];
        start[0] = true;
        start
    });
    for char in name.chars() {
        let mut next = vec![false; pattern.len() + 1];
        for (at, part) in pattern.iter().enumerate().filter(|(at, _)| reached[*at]) {
            match part {
                '*' => next[at] = true,
                '?' => next[at + 1] = true,
                part if *part == char => next[at + 1] = true,
                _ => {}
            }
        }
        reached = spread(&pattern, &next);
    }
    reached[pattern.len()]
}

/// A `*` may stand for nothing: from before it, the place behind it is reached too.
fn spread(pattern: &[char], reached: &[bool]) -> Vec<bool> {
    let mut reached = reached.to_vec();
    for (at, part) in pattern.iter().enumerate() {
        reached[at + 1] |= reached[at] && *part == '*';
    }
    reached
}

/// Whether some name fits both patterns.
pub(crate) fn overlap(one: &str, other: &str) -> bool {
    let one: Vec<char> = one.chars().collect();
    let other: Vec<char> = other.chars().collect();
    // meet[i][j]: the rests of both patterns from i and j on fit a common text.
    let mut meet = vec![vec![false; other.len() + 1]; one.len() + 1];
    for i in (0..=one.len()).rev() {
        for j in (0..=other.len()).rev() {
            meet[i][j] = match (one.get(i), other.get(j)) {
                (None, None) => true,
                (Some('*'), None) => meet[i + 1][j],
                (None, Some('*')) => meet[i][j + 1],
                (None, _) | (_, None) => false,
                (Some('*'), Some('*')) => meet[i + 1][j] || meet[i][j + 1],
                (Some('*'), _) => meet[i + 1][j] || meet[i][j + 1],
                (_, Some('*')) => meet[i][j + 1] || meet[i + 1][j],
                (Some(left), Some(right)) => (left == right || *left == '?' || *right == '?') && meet[i + 1][j + 1],
            };
        }
    }
    meet[0][0]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_fit_names_as_in_a_shell() {
        for (pattern, name, fits) in [
            ("*", "", true),
            ("*.csv", "a.csv", true),
            ("*.csv", ".csv", true),
            ("*.csv", "a.csv.tmp", false),
            ("r?-*.txt", "r1-ö.txt", true),
            ("r?-*.txt", "r-1.txt", false),
            ("**a*", "bab", true),
            ("[a].csv", "a.csv", false),
            ("", "", true),
            ("A.csv", "a.csv", false),
        ] {
            assert_eq!(matches(pattern, name), fits, "{pattern} {name}");
        }
    }

    #[test]
    fn patterns_overlap_where_one_name_fits_both() {
        for (one, other, expected) in [
            ("*.csv", "*.txt", false),
            ("*.csv", "a*", true),
            ("a*.csv", "b*.csv", false),
            ("a?.csv", "ab.csv", true),
            ("a?.csv", "abc.csv", false),
            ("*", "x", true),
            ("*a", "b*", true),
            ("", "*", true),
            ("", "?", false),
        ] {
            assert_eq!(overlap(one, other), expected, "{one} {other}");
            assert_eq!(overlap(other, one), expected, "{other} {one}");
        }
    }
}
