//! Repeatability and reproducibility: several people measure the same parts several times.
//!
//! The spread of the *parts* must not be taken for the gauge's. Roughness varies over a part by 5 to 20 % (common practice, no
//! source): mark the spot or use a nest, and don't grade a tester by spots that wander.
//!
//! Both methods are those of the usual manuals, from memory; the worked data that the tests hold against are published.

use std::collections::{BTreeMap, BTreeSet};

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::{Constants, Moments, finite, ratio};

/// One reading of a study.
#[derive(Clone, Debug, PartialEq)]
pub struct Crossed {
    /// Who measured.
    pub operator: String,
    /// What was measured.
    pub part: String,
    /// What was read.
    pub value: f64,
}

/// How spreads are told apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// By averages and ranges.
    Ranges,
    /// By analysis of variance. The interaction of operators and parts is pooled with the repeats where it is no more than
    /// chance would make it.
    Variance,
}

/// Why there is no study.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CrossedFault {
    /// Too little of something.
    #[error("a study needs at least two operators, two parts and two trials; there are {0}, {1} and {2}")]
    TooFew(usize, usize, usize),
    /// More than there are constants for.
    #[error("by averages and ranges at most {SUBGROUP} operators, parts and trials; take the analysis of variance", SUBGROUP = super::SUBGROUP_MAX)]
    TooMany,
    /// Not every operator measured every part equally often.
    #[error(
        "operator {operator} has {found} readings of part {part}, where others have {expected}; measure what is missing, or leave the part out"
    )]
    Unbalanced {
        /// Who.
        operator: String,
        /// What.
        part: String,
        /// How often.
        found: usize,
        /// How often the first operator measured the first part.
        expected: usize,
    },
    /// A number that is none.
    #[error("a value of operator {0}, part {1} is no finite number")]
    NoNumber(String, String),
}

/// A standard deviation, and what share of the total and of the tolerance it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Standard deviation.
    pub s: f64,
    /// In percent of the total's.
    pub of_total: Option<f64>,
    /// Six of it in percent of the tolerance's width, where both limits are known.
    pub of_tolerance: Option<f64>,
}

/// Whether the gauge will do: under 10 %, 10 to 30 %, over 30 % (bands of the usual manuals, from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Under 10 %.
    Good,
    /// 10 to 30 %: by what it is used for.
    Conditional,
    /// Over 30 %.
    Unfit,
}

impl Standing {
    /// From a share in percent.
    pub fn of(percent: f64) -> Standing {
        match percent {
            percent if percent < 10.0 => Standing::Good,
            percent if percent <= 30.0 => Standing::Conditional,
            _ => Standing::Unfit,
        }
    }

    /// As a word.
    pub fn word(self) -> &'static str {
        match self {
            Standing::Good => "good",
            Standing::Conditional => "conditional",
            Standing::Unfit => "unfit",
        }
    }
}

/// The table of the analysis of variance: sums of squares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VarianceTable {
    /// Between operators.
    pub operators: f64,
    /// Between parts.
    pub parts: f64,
    /// Operators and parts together.
    pub interaction: f64,
    /// Between repeats.
    pub repeats: f64,
    /// Degrees of freedom of the four, in this order.
    pub freedom: [u64; 4],
    /// Mean square of the interaction by that of the repeats; none where repeats don't differ.
    pub f_interaction: Option<f64>,
    /// How probable as large an F is by chance alone.
    pub p_interaction: Option<f64>,
    /// Whether the interaction was pooled with the repeats.
    pub pooled: bool,
}

/// What a study says.
#[derive(Clone, Debug, PartialEq)]
pub struct Study {
    /// How many operators, parts, trials.
    pub size: [usize; 3],
    /// Of repeats by one operator (EV).
    pub repeatability: Share,
    /// Between operators (AV); with the analysis of variance, the interaction too where it is not pooled.
    pub reproducibility: Share,
    /// Both together (GRR).
    pub gauge: Share,
    /// Between parts (PV).
    pub parts: Share,
    /// Everything (TV).
    pub total: Share,
    /// Classes of parts that the gauge tells apart, whole; none where the gauge has no spread.
    pub classes: Option<u64>,
    /// By the gauge's share of the tolerance where there is one, else of the total.
    pub standing: Option<Standing>,
    /// The table, of an analysis of variance.
    pub table: Option<VarianceTable>,
}

/// Above this probability an interaction is pooled (from memory of the common practice).
const POOLED_ABOVE: f64 = 0.25;

/// Readings by operator and part: `cells[operator][part]` are the trials in the order they came.
struct Grid {
    cells: Vec<Vec<Vec<f64>>>,
}

impl Grid {
    fn of(readings: &[Crossed]) -> Result<Grid, CrossedFault> {
        let mut by: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
        for reading in readings {
            if !reading.value.is_finite() {
                return Err(CrossedFault::NoNumber(reading.operator.clone(), reading.part.clone()));
            }
            by.entry((&reading.operator, &reading.part)).or_default().push(reading.value);
        }
        let operators: BTreeSet<&str> = by.keys().map(|(operator, _)| *operator).collect();
        let parts: BTreeSet<&str> = by.keys().map(|(_, part)| *part).collect();
        let trials = by.values().next().map_or(0, Vec::len);
        if operators.len() < 2 || parts.len() < 2 || trials < 2 {
            return Err(CrossedFault::TooFew(operators.len(), parts.len(), trials));
        }
        let cell = |operator: &str, part: &str| {
            let found = by.get(&(operator, part)).cloned().unwrap_or_default();
            if found.len() == trials {
                return Ok(found);
            }
            let (operator, part) = (operator.to_owned(), part.to_owned());
            Err(CrossedFault::Unbalanced { operator, part, found: found.len(), expected: trials })
        };
        let row = |operator: &&str| parts.iter().map(|part| cell(operator, part)).collect();
        Ok(Grid { cells: operators.iter().map(row).collect::<Result<_, _>>()? })
    }

    fn size(&self) -> [usize; 3] {
        let row = self.cells.first();
        let trials = row.and_then(|row| row.first()).map_or(0, Vec::len);
        [self.cells.len(), row.map_or(0, Vec::len), trials]
    }

    fn of_operator(&self, operator: usize) -> Moments {
        self.cells[operator].iter().flatten().copied().collect()
    }

    fn of_part(&self, part: usize) -> Moments {
        self.cells.iter().flat_map(|row| &row[part]).copied().collect()
    }

    fn each_cell(&self) -> impl Iterator<Item = Moments> + '_ {
        self.cells.iter().flatten().map(|trials| trials.iter().copied().collect())
    }
}

/// A crossed study: every operator measures every part equally often. `tolerance` is the width between both limits.
pub fn crossed_study(readings: &[Crossed], method: Method, tolerance: Option<f64>) -> Result<Study, CrossedFault> {
    let grid = Grid::of(readings)?;
    let (variances, table) = match method {
        Method::Ranges => (by_ranges(&grid)?, None),
        Method::Variance => by_variance(&grid),
    };
    let [repeat, operator, part] = variances;
    let gauge = repeat + operator;
    let total = gauge + part;
    let tolerance = tolerance.filter(|width| width.is_finite() && *width > 0.0);
    let share = |variance: f64| {
        let s = variance.sqrt();
        Share {
            s,
            of_total: ratio(100.0 * s, total.sqrt()),
            of_tolerance: tolerance.and_then(|width| ratio(600.0 * s, width)),
        }
    };
    let judged = share(gauge);
    // 1.41 and not the root of two: the manuals' own constant, which decides at the edge.
    let classes = ratio(1.41 * part.sqrt(), gauge.sqrt()).map(|classes| classes as u64);
    Ok(Study {
        size: grid.size(),
        repeatability: share(repeat),
        reproducibility: share(operator),
        gauge: judged,
        parts: share(part),
        total: share(total),
        classes,
        standing: judged.of_tolerance.or(judged.of_total).map(Standing::of),
        table,
    })
}

/// What a mean range of subgroups (d2) or a single range is multiplied with: rounded to the four decimals that the manuals'
/// tables print, so that sheets filled in by hand come out the same.
fn factor(sigmas: f64) -> f64 {
    (1e4 / sigmas).round() / 1e4
}

/// Variances of repeats, operators and parts by averages and ranges.
fn by_ranges(grid: &Grid) -> Result<[f64; 3], CrossedFault> {
    let [operators, parts, trials] = grid.size();
    let constants = |n: usize| Constants::of(n).ok_or(CrossedFault::TooMany);
    let mean_range: Moments = grid.each_cell().filter_map(|cell| cell.range()).collect();
    let repeat = mean_range.mean().unwrap_or(0.0) * factor(constants(trials)?.d2);
    let range_of = |means: Moments| means.range().unwrap_or(0.0);
    let between = range_of((0..operators).filter_map(|at| grid.of_operator(at).mean()).collect());
    let between_parts = range_of((0..parts).filter_map(|at| grid.of_part(at).mean()).collect());
    let operator =
        (between * factor(constants(operators)?.d2_single())).powi(2) - repeat.powi(2) / (parts * trials) as f64;
    let part = between_parts * factor(constants(parts)?.d2_single());
    Ok([repeat.powi(2), operator.max(0.0), part.powi(2)])
}

/// Variances of repeats, operators (with the interaction where it is not pooled) and parts by analysis of variance.
fn by_variance(grid: &Grid) -> ([f64; 3], Option<VarianceTable>) {
    let [operators, parts, trials] = grid.size();
    let [k, n, r] = [operators, parts, trials].map(|count| count as f64);
    let repeats: f64 = grid.each_cell().map(|cell| cell.sum_of_squares()).sum();
    let of_means = |means: Moments, times: f64| means.sum_of_squares() * times;
    let by_operator = of_means((0..operators).filter_map(|at| grid.of_operator(at).mean()).collect(), n * r);
    let by_part = of_means((0..parts).filter_map(|at| grid.of_part(at).mean()).collect(), k * r);
    let by_cell = of_means(grid.each_cell().filter_map(|cell| cell.mean()).collect(), r);
    let interaction = (by_cell - by_operator - by_part).max(0.0);
    let freedom = [operators - 1, parts - 1, (operators - 1) * (parts - 1), operators * parts * (trials - 1)];
    let square = |sum: f64, at: usize| sum / freedom[at] as f64;
    let f = ratio(square(interaction, 2), square(repeats, 3));
    let p = f.and_then(|f| {
        let chance = FisherSnedecor::new(freedom[2] as f64, freedom[3] as f64).ok()?;
        finite(1.0 - chance.cdf(f))
    });
    let pooled = p.is_some_and(|p| p > POOLED_ABOVE);
    let repeat = match pooled {
        true => (interaction + repeats) / (freedom[2] + freedom[3]) as f64,
        false => square(repeats, 3),
    };
    let beside = if pooled { repeat } else { square(interaction, 2) };
    let together = if pooled { 0.0 } else { ((beside - repeat) / r).max(0.0) };
    let operator = ((square(by_operator, 0) - beside) / (n * r)).max(0.0) + together;
    let part = ((square(by_part, 1) - beside) / (k * r)).max(0.0);
    let table = VarianceTable {
        operators: by_operator,
        parts: by_part,
        interaction,
        repeats,
        freedom: freedom.map(|count| count as u64),
        f_interaction: f,
        p_interaction: p,
        pooled,
    };
    ([repeat, operator, part], Some(table))
}
