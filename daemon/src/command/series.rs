//! `ridgepost series`: what the readings of a quantity say together. Reads only; works beside the running daemon.
//!
//! The store is gone through twice, a stretch at a time: once for centre, spread and limits, once to hold the points
//! against them. What is kept of a chart does not grow with its readings.

mod charting;
mod paper;
mod study;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use ridgepost_judge::Mode;
use ridgepost_judge::series::{Candidate, RunRule, RunRules, Spread, left_out};
use ridgepost_parsers::Quantity;
use rusqlite::Connection;
use serde_json::{Value as Json, json};

use super::out::Out;
use crate::cell::Cell;
use crate::exit::Exit;
use crate::store::measured::{Asked, Extent, Measured, each};
use crate::store::{StoreFault, open_for_reading};

/// Arguments of `series`.
#[derive(Debug, Args)]
pub struct SeriesArgs {
    /// Of this quantity, by its symbol: Ra, Rz, D, ...
    #[arg(long, value_name = "SYMBOL", required_unless_present = "from")]
    quantity: Option<String>,
    /// Of this job
    #[arg(long, value_name = "ID")]
    job: Option<String>,
    /// Of this characteristic
    #[arg(long, value_name = "NUMBER")]
    balloon: Option<String>,
    /// By this gauge
    #[arg(long, value_name = "ID")]
    gauge: Option<String>,
    /// From this time on: `2026-11-25`, `2026-11-25T14:00`, with offset, or `8h`, `30m`, `2d` back from now
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// Which control chart
    #[arg(long, value_enum, default_value = "individuals", conflicts_with = "study")]
    chart: Chart,
    /// Readings in a subgroup of xbar-r and xbar-s, one after the other
    #[arg(long, value_name = "N", default_value = "5", value_parser = clap::value_parser!(u8).range(2..=25))]
    subgroup: u8,
    /// Every point of the chart, not only those that a rule fires on
    #[arg(long)]
    points: bool,
    #[command(flatten)]
    lengths: Lengths,
    /// A study of the gauge instead of a chart, of readings in mode `study`
    #[arg(long, value_enum)]
    study: Option<StudyKind>,
    /// Take the study's readings from a CSV file with the columns part, operator, value
    #[arg(long, value_name = "FILE", requires = "study")]
    from: Option<PathBuf>,
    /// Width between both limits, in the unit of the readings, for a study
    #[arg(long, value_name = "WIDTH", requires = "study")]
    tolerance: Option<f64>,
    /// Certified value of the specimen, in the unit of the readings, for the study `single`
    #[arg(long, value_name = "VALUE", requires = "study")]
    reference: Option<f64>,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

/// How long patterns must be before a rule fires.
#[derive(Clone, Copy, Debug, Args)]
pub struct Lengths {
    /// Points in a row on one side of the centre; 0: don't look
    #[arg(long, value_name = "N", default_value = "9", value_parser = clap::value_parser!(u16).range(0..=100))]
    one_side: u16,
    /// Points in a row rising or falling; 0: don't look
    #[arg(long, value_name = "N", default_value = "6", value_parser = clap::value_parser!(u16).range(0..=100))]
    trend: u16,
    /// Points in a row, each turning against the step before; 0: don't look
    #[arg(long, value_name = "N", default_value = "14", value_parser = clap::value_parser!(u16).range(0..=100))]
    alternating: u16,
    /// Points in a row within one sigma; 0: don't look
    #[arg(long, value_name = "N", default_value = "15", value_parser = clap::value_parser!(u16).range(0..=100))]
    within: u16,
    /// Points in a row with none within one sigma; 0: don't look
    #[arg(long, value_name = "N", default_value = "8", value_parser = clap::value_parser!(u16).range(0..=100))]
    none_within: u16,
}

impl Lengths {
    fn rules(self) -> RunRules {
        let of = |length: u16, rule: fn(usize) -> RunRule| (length > 0).then(|| rule(usize::from(length)));
        let rules = [
            Some(RunRule::Beyond3s),
            of(self.one_side, RunRule::OneSide),
            of(self.trend, RunRule::RisingOrFalling),
            of(self.alternating, RunRule::Alternating),
            Some(RunRule::Beyond2s(2, 3)),
            Some(RunRule::Beyond1s(4, 5)),
            of(self.within, RunRule::Within1s),
            of(self.none_within, RunRule::NoneWithin1s),
        ];
        RunRules(rules.into_iter().flatten().collect())
    }
}

/// Kinds of control charts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Chart {
    /// Single readings and their moving ranges
    Individuals,
    /// Means and ranges of subgroups
    XbarR,
    /// Means and standard deviations of subgroups
    XbarS,
}

impl Chart {
    fn word(self) -> &'static str {
        match self {
            Chart::Individuals => "individuals",
            Chart::XbarR => "xbar-r",
            Chart::XbarS => "xbar-s",
        }
    }

    fn spread(self) -> Option<Spread> {
        match self {
            Chart::Individuals => None,
            Chart::XbarR => Some(Spread::Range),
            Chart::XbarS => Some(Spread::S),
        }
    }
}

/// Kinds of studies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum StudyKind {
    /// Repeatability and reproducibility by averages and ranges
    Ranges,
    /// Repeatability and reproducibility by analysis of variance
    Variance,
    /// One gauge against one specimen (Cg, Cgk)
    Single,
}

/// Readings left out, by code.
type LeftOut = BTreeMap<&'static str, u64>;

/// Which traces of the newest piece have a reading that counts, for each characteristic.
#[derive(Default)]
struct Taken(HashMap<Characteristic, (Piece, BTreeSet<Option<i64>>)>);

type Characteristic = (Option<String>, Option<String>);
type Piece = (Option<i64>, Option<i64>);

impl Taken {
    fn place(row: &Measured) -> (Characteristic, Piece) {
        ((row.origin.balloon.clone(), row.origin.feature.clone()), (row.run, row.piece))
    }

    /// A retest after the verdict has no trace of its own; one before it may be of a trace that has no number yet.
    fn holds(&self, row: &Measured) -> bool {
        let (characteristic, piece) = Taken::place(row);
        let has = |traces: &BTreeSet<Option<i64>>| row.trace.is_none() || traces.contains(&row.trace);
        self.0.get(&characteristic).is_some_and(|(newest, traces)| *newest == piece && has(traces))
    }

    fn note(&mut self, row: &Measured) {
        let (characteristic, piece) = Taken::place(row);
        let (newest, traces) = self.0.entry(characteristic).or_default();
        if *newest != piece {
            *newest = piece;
            traces.clear();
        }
        traces.insert(row.trace);
    }
}

/// The store as it is when the command begins, and what is asked of it.
struct Source {
    connection: Connection,
    extent: Extent,
    asked: Asked,
}

impl Source {
    fn open(cell: &Cell, asked: Asked) -> Result<Source, StoreFault> {
        let connection = open_for_reading(&cell.plan.store)?;
        let extent = Extent::now(&connection, asked.since_us)?;
        Ok(Source { connection, extent, asked })
    }

    /// Hands over the readings of a mode that count; what is left out, by reason.
    fn each(&self, mode: Mode, mut take: impl FnMut(Measured, f64) -> bool) -> Result<LeftOut, StoreFault> {
        let mut out = LeftOut::new();
        let mut taken = Taken::default();
        each(&self.connection, self.extent, &self.asked, |row| {
            let candidate = Candidate {
                mode: row.mode.as_deref().and_then(Mode::parse),
                has_value: row.value.is_some(),
                is_retest: row.attempt.is_some() && taken.holds(&row),
                reasons: &row.reasons,
            };
            let number = row.value.as_deref().and_then(|digits| digits.parse::<f64>().ok());
            match (left_out(&candidate, mode), number.filter(|number| number.is_finite())) {
                (None, Some(number)) => {
                    taken.note(&row);
                    take(row, number)
                }
                (why, _) => {
                    *out.entry(why.unwrap_or("mark")).or_default() += 1;
                    true
                }
            }
        })?;
        Ok(out)
    }
}

/// Prints charts, or a study.
pub fn series(cell: &Cell, args: &SeriesArgs, out: &mut Out) -> Exit {
    if let Some(kind) = args.study
        && let Some(path) = &args.from
    {
        return study::from_file(path, kind, args, out);
    }
    let symbol = args.quantity.as_deref().unwrap_or_default();
    let Some(quantity) = Quantity::parse(symbol) else {
        out.complain(&format!("--quantity {symbol}: no known quantity; write its symbol, as in Ra or Rz"));
        return Exit::Usage;
    };
    let since_us = match args.since.as_deref().map(|text| super::readings::moment(text, cell)).transpose() {
        Ok(since) => since,
        Err(text) => {
            out.complain(&format!("--since {text}: no time; write 2026-11-25, 2026-11-25T14:00 or 8h"));
            return Exit::Usage;
        }
    };
    let asked = Asked {
        quantity: quantity.to_string(),
        job: args.job.clone(),
        balloon: args.balloon.clone(),
        gauge: args.gauge.clone(),
        since_us,
    };
    let done = Source::open(cell, asked).and_then(|source| match args.study {
        Some(kind) => study::from_store(&source, kind, args, out),
        None => charting::charts(&source, args, out),
    });
    match done {
        Ok(exit) => exit,
        Err(fault) => super::store_unusable(cell, &fault, out),
    }
}

/// Tells what was left out.
fn tell_left_out(left_out: &LeftOut, json: bool, out: &mut Out) {
    let total: u64 = left_out.values().sum();
    if json {
        out.json(&json!({ "record": "left-out", "readings": total, "reasons": left_out }));
    } else if total > 0 {
        let each: Vec<String> = left_out.iter().map(|(code, count)| format!("{count} {code}")).collect();
        out.say(&format!("left out: {}", each.join(", ")));
    }
}

/// A float as JSON: null where it can't be told.
fn number(value: Option<f64>) -> Json {
    value.map_or(Json::Null, |value| json!(value))
}
