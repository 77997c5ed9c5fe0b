//! Rules that see in the order of points what their limits alone don't show. Named by what they see.
//!
//! Lengths differ between books (nine or eight or seven on one side): they can be set. Edges, for all rules: a value
//! exactly on a line is not beyond it; a value on the centre line is on neither side; equal neighbours end a trend; of
//! "k of n beyond" the newest point must be one of the k, and the sides don't mix.

use std::collections::VecDeque;

/// A rule and its length.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum RunRule {
    /// One point beyond three sigma.
    Beyond3s,
    /// So many in a row on one side of the centre.
    OneSide(usize),
    /// So many points in a row steadily rising or falling.
    RisingOrFalling(usize),
    /// So many points in a row, each turning against the step before.
    Alternating(usize),
    /// `k` of `n` beyond two sigma on one side.
    Beyond2s(usize, usize),
    /// `k` of `n` beyond one sigma on one side.
    Beyond1s(usize, usize),
    /// So many in a row all within one sigma.
    Within1s(usize),
    /// So many in a row, all beyond one sigma, on either side.
    NoneWithin1s(usize),
}

impl RunRule {
    /// What it sees, as a name: `beyond-3s`, `nine-one-side`, `two-of-three-beyond-2s`.
    pub fn name(self) -> String {
        let of = |k: usize, n: usize, what: &str| format!("{}-of-{}-{what}", word(k), word(n));
        match self {
            RunRule::Beyond3s => "beyond-3s".to_owned(),
            RunRule::OneSide(n) => format!("{}-one-side", word(n)),
            RunRule::RisingOrFalling(n) => format!("{}-rising-or-falling", word(n)),
            RunRule::Alternating(n) => format!("{}-alternating", word(n)),
            RunRule::Beyond2s(k, n) => of(k, n, "beyond-2s"),
            RunRule::Beyond1s(k, n) => of(k, n, "beyond-1s"),
            RunRule::Within1s(n) => format!("{}-within-1s", word(n)),
            RunRule::NoneWithin1s(n) => format!("{}-none-within-1s", word(n)),
        }
    }

    /// Points that it looks back at.
    fn reach(self) -> usize {
        match self {
            RunRule::Beyond3s => 1,
            RunRule::Beyond2s(_, n) | RunRule::Beyond1s(_, n) => n,
            RunRule::OneSide(n)
            | RunRule::RisingOrFalling(n)
            | RunRule::Alternating(n)
            | RunRule::Within1s(n)
            | RunRule::NoneWithin1s(n) => n,
        }
    }

    /// Whether it sees its pattern in points of which the last one is the newest.
    fn sees(self, points: &VecDeque<f64>) -> bool {
        let newest = || points.iter().rev();
        let last = |n: usize| (n > 0 && points.len() >= n).then(|| newest().take(n));
        let all = |n: usize, fits: &dyn Fn(f64) -> bool| last(n).is_some_and(|mut few| few.all(|z| fits(*z)));
        match self {
            RunRule::Beyond3s => all(1, &|z| beyond(z.abs(), 3.0)),
            RunRule::OneSide(n) => all(n, &|z| beyond(z, 0.0)) || all(n, &|z| beyond(-z, 0.0)),
            RunRule::RisingOrFalling(n) => {
                n > 1 && (steps(points, n, |a, _| a > 0.0) || steps(points, n, |a, _| a < 0.0))
            }
            RunRule::Alternating(n) => {
                n > 2 && steps(points, n, |step, before| step != 0.0 && before.is_none_or(|before| before * step < 0.0))
            }
            RunRule::Beyond2s(k, n) => some_beyond(points, k, n, 2.0),
            RunRule::Beyond1s(k, n) => some_beyond(points, k, n, 1.0),
            RunRule::Within1s(n) => all(n, &|z| beyond(1.0, z.abs())),
            RunRule::NoneWithin1s(n) => all(n, &|z| beyond(z.abs(), 1.0)),
        }
    }
}

/// Beyond a line, and not merely by what computing with floats adds: sigma and centre are computed themselves.
fn beyond(z: f64, line: f64) -> bool {
    z > line + 1e-9
}

fn some_beyond(points: &VecDeque<f64>, k: usize, n: usize, line: f64) -> bool {
    let on_side = |sign: f64| {
        let out = |z: &f64| beyond(sign * z, line);
        points.back().is_some_and(out) && points.iter().rev().take(n).filter(|z| out(z)).count() >= k
    };
    on_side(1.0) || on_side(-1.0)
}

/// Whether each of the steps between the newest `n` points fits, given the step before it (going back in time).
fn steps(points: &VecDeque<f64>, n: usize, fits: impl Fn(f64, Option<f64>) -> bool) -> bool {
    if points.len() < n {
        return false;
    }
    let mut before = None;
    points.iter().rev().zip(points.iter().rev().skip(1)).take(n - 1).all(|(later, earlier)| {
        let step = later - earlier;
        let good = fits(step, before);
        before = Some(step);
        good
    })
}

/// Small whole numbers as words; larger ones as digits.
fn word(number: usize) -> String {
    const WORDS: [&str; 21] = [
        "no",
        "one",
        "two",
        "three",
        "four",
        "five",
        "six",
        "seven",
        "eight",
        "nine",
        "ten",
        "eleven",
        "twelve",
        "thirteen",
        "fourteen",
        "fifteen",
        "sixteen",
        "seventeen",
        "eighteen",
        "nineteen",
        "twenty",
    ];
    WORDS.get(number).map_or_else(|| number.to_string(), |word| (*word).to_owned())
}

/// The rules that are looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunRules(pub Vec<RunRule>);

impl Default for RunRules {
    /// Eight rules with the lengths of L. S. Nelson, Journal of Quality Technology 16, 1984 (from memory).
    fn default() -> Self {
        RunRules(vec![
            RunRule::Beyond3s,
            RunRule::OneSide(9),
            RunRule::RisingOrFalling(6),
            RunRule::Alternating(14),
            RunRule::Beyond2s(2, 3),
            RunRule::Beyond1s(4, 5),
            RunRule::Within1s(15),
            RunRule::NoneWithin1s(8),
        ])
    }
}

/// A point that a rule fires on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hit {
    /// The rule.
    pub rule: RunRule,
    /// Which point, from 1, since the beginning (restarts count on).
    pub point: u64,
}

/// Looks at points one after the other and remembers no more of them than the longest rule needs.
#[derive(Clone, Debug)]
pub struct Watch {
    rules: RunRules,
    reach: usize,
    points: VecDeque<f64>,
    seen: u64,
}

impl Watch {
    /// Nothing seen yet.
    pub fn new(rules: RunRules) -> Watch {
        let reach = rules.0.iter().map(|rule| rule.reach()).max().unwrap_or(0);
        Watch { rules, reach, points: VecDeque::new(), seen: 0 }
    }

    /// The next point, in sigmas from the centre; the rules that fire on it.
    pub fn push(&mut self, z: f64) -> Vec<Hit> {
        self.seen += 1;
        self.points.push_back(z);
        if self.points.len() > self.reach {
            self.points.pop_front();
        }
        let fires = |rule: &&RunRule| rule.sees(&self.points);
        self.rules.0.iter().filter(fires).map(|rule| Hit { rule: *rule, point: self.seen }).collect()
    }

    /// Forgets the points so far: what comes now has another origin (job, gauge, part, limits).
    pub fn restart(&mut self) {
        self.points.clear();
    }
}
