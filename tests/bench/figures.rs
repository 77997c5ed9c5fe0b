//! What was measured: samples by name, and the table at the end.

use std::collections::BTreeMap;

use crate::Amounts;

/// Samples and lines of the table.
#[derive(Debug, Default)]
pub struct Figures {
    samples: BTreeMap<String, Vec<f64>>,
    lines: Vec<[String; 5]>,
    lost: Vec<String>,
}

/// What a figure should reach.
#[derive(Clone, Copy, Debug)]
pub enum Goal {
    /// At most.
    Most(f64),
    /// At least.
    Least(f64),
    /// It is told, not held against anything.
    Told,
}

impl Goal {
    fn words(self, value: f64) -> (String, &'static str) {
        match self {
            Goal::Most(most) => (format!("<= {most}"), if value <= most { "yes" } else { "NO" }),
            Goal::Least(least) => (format!(">= {least}"), if value >= least { "yes" } else { "NO" }),
            Goal::Told => (String::new(), ""),
        }
    }
}

/// The middle of some samples; not a number where there is none.
pub fn median(samples: &[f64]) -> f64 {
    percentile(samples, 0.5)
}

/// The sample that `share` of all lie below.
pub fn percentile(samples: &[f64], share: f64) -> f64 {
    let mut sorted = samples.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = ((sorted.len() as f64 * share) as usize).min(sorted.len().saturating_sub(1));
    sorted.get(at).copied().unwrap_or(f64::NAN)
}

fn short(value: f64) -> String {
    match value.abs() {
        size if size >= 100.0 => format!("{value:.0}"),
        size if size >= 10.0 => format!("{value:.1}"),
        _ => format!("{value:.2}"),
    }
}

impl Figures {
    /// Says where and how much is measured.
    pub fn begin(amounts: &Amounts) -> Figures {
        let place = std::env::temp_dir();
        println!("in {}, {} rounds, {amounts:?}", place.display(), amounts.rounds);
        let volatile = 0x0102_1994;
        if rustix::fs::statfs(&place).is_ok_and(|found| found.f_type == volatile) {
            println!("this folder is in memory, so nothing reaches a disk: set TMPDIR to a folder on the disk");
        }
        Figures::default()
    }

    /// One measurement.
    pub fn add(&mut self, name: &str, value: f64) {
        println!("{name}: {}", short(value));
        self.samples.entry(name.to_owned()).or_default().push(value);
    }

    /// Something is not as it must be, however fast it was.
    pub fn lost(&mut self, what: String) {
        println!("LOST: {what}");
        self.lost.push(what);
    }

    /// Whether [`Figures::lost`] was told anything.
    pub fn is_anything_lost(&self) -> bool {
        !self.lost.is_empty()
    }

    fn of(&self, name: &str) -> f64 {
        median(self.samples.get(name).map_or(&[], Vec::as_slice))
    }

    /// A line of the table: the median of `ours` beside that of `theirs`, and their ratio against the goal.
    pub fn beside(&mut self, figure: &str, ours: &str, theirs: &str, goal: Goal) {
        let (mine, other) = (self.of(ours), self.of(theirs));
        let (wanted, met) = goal.words(mine / other);
        let ratio = format!("{} ({wanted})", short(mine / other));
        self.lines.push([figure.to_owned(), short(mine), short(other), ratio, met.to_owned()]);
    }

    /// A line of the table: the median of `ours` against the goal.
    pub fn alone(&mut self, figure: &str, ours: &str, goal: Goal) {
        let mine = self.of(ours);
        let (wanted, met) = goal.words(mine);
        self.lines.push([figure.to_owned(), short(mine), wanted, String::new(), met.to_owned()]);
    }

    /// The table.
    pub fn print(&self) {
        println!(
            "\n{:<66} {:>10} {:>10} {:>18} {:>4}",
            "median over the rounds", "Ridgepost", "beside", "ratio", "met"
        );
        for [figure, ours, theirs, ratio, met] in &self.lines {
            println!("{figure:<66} {ours:>10} {theirs:>10} {ratio:>18} {met:>4}");
        }
        for what in &self.lost {
            println!("LOST: {what}");
        }
    }
}
