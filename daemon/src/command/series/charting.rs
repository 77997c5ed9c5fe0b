//! The control charts of `ridgepost series`: one for each origin of readings, rules begun anew where the origin changes.

use std::collections::HashMap;

use ridgepost_judge::Mode;
use ridgepost_judge::series::{
    Band, Capability, Individuals, Moments, Subgroups, Tolerance, Watch, by_quantiles, cp_interval, cpk_interval,
    lognormal_quantiles,
};
use serde_json::{Value as Json, json};

use super::paper::{line, shown};
use super::{Chart, LeftOut, SeriesArgs, Source, number, tell_left_out};
use crate::command::out::Out;
use crate::exit::Exit;
use crate::store::StoreFault;
use crate::store::measured::{Measured, Origin};

/// Fewer points give limits that will move (common practice, no source).
const POINTS_FEW: u64 = 25;

/// Confidence of the bounds that are told.
const CONFIDENCE: f64 = 0.95;

/// What changes begin everything anew: opening a job again, another origin.
type Since = (usize, Option<i64>);

/// Charts by origin, and for each characteristic the origin of its newest reading.
#[derive(Default)]
struct Order {
    of: HashMap<Origin, usize>,
    newest: HashMap<(Option<String>, Option<String>), Since>,
}

impl Order {
    /// Which chart a reading is on, and whether the chart begins anew with it.
    fn place(&mut self, row: &Measured) -> (usize, bool) {
        let next = self.of.len();
        let chart = *self.of.entry(row.origin.clone()).or_insert(next);
        let characteristic = (row.origin.balloon.clone(), row.origin.feature.clone());
        let before = self.newest.insert(characteristic, (chart, row.run));
        (chart, before.is_some_and(|before| before != (chart, row.run)))
    }
}

/// Single values, or subgroups.
enum Points {
    Single(Individuals),
    Grouped(Subgroups),
}

/// A point of the upper part of a chart and one of its lower part, where there is one.
type Point = (f64, Option<f64>);

impl Points {
    fn new(args: &SeriesArgs) -> Points {
        let grouped = args.chart.spread().and_then(|spread| Subgroups::new(usize::from(args.subgroup), spread));
        grouped.map_or_else(|| Points::Single(Individuals::default()), Points::Grouped)
    }

    fn restart(&mut self) {
        match self {
            Points::Single(single) => single.restart(),
            Points::Grouped(grouped) => grouped.restart(),
        }
    }

    fn push(&mut self, value: f64, chart: Chart) -> Option<Point> {
        match self {
            Points::Single(single) => Some((value, single.push(value))),
            Points::Grouped(grouped) => {
                grouped.push(value).map(|full| (full.mean, chart.spread().map(|spread| full.spread(spread))))
            }
        }
    }

    fn values(&self) -> &Moments {
        match self {
            Points::Single(single) => single.values(),
            Points::Grouped(grouped) => grouped.values(),
        }
    }

    fn count(&self) -> u64 {
        match self {
            Points::Single(single) => single.values().count(),
            Points::Grouped(grouped) => grouped.count(),
        }
    }

    fn unplotted(&self) -> u64 {
        match self {
            Points::Single(_) => 0,
            Points::Grouped(grouped) => grouped.unplotted(),
        }
    }

    /// Limits of values or means, limits of their spread, sigma within.
    fn limits(&self) -> Option<(Band, Band, f64)> {
        match self {
            Points::Single(single) => single.chart().map(|chart| (chart.values, chart.ranges, chart.sigma)),
            Points::Grouped(grouped) => grouped.chart().map(|chart| (chart.means, chart.spreads, chart.sigma)),
        }
    }
}

/// What the first pass gathers of one chart.
struct Gathered {
    origin: Origin,
    points: Points,
    logs: Option<Moments>,
    first: i64,
    last: i64,
}

/// What the second pass needs of one chart.
struct Held {
    points: Points,
    limits: Option<(Band, Band, f64)>,
    watch: Watch,
}

/// Prints charts with the points that fire.
pub fn charts(source: &Source, args: &SeriesArgs, out: &mut Out) -> Result<Exit, StoreFault> {
    let (gathered, left_out) = gather(source, args)?;
    if gathered.len() >= CHARTS_MAX {
        out.complain(&format!(
            "these are {CHARTS_MAX} charts or more; ask for a job, a balloon, a gauge or a later time"
        ));
        return Ok(Exit::No);
    }
    for (at, chart) in gathered.iter().enumerate() {
        match args.json {
            true => out.json(&as_json(at + 1, chart, args)),
            false => tell(at + 1, chart, args, out),
        }
    }
    let fired = hold(source, args, &gathered, out)?;
    if !args.json && !gathered.is_empty() && fired == 0 {
        out.say("no rule fires");
    }
    tell_left_out(&left_out, args.json, out);
    if gathered.is_empty() && !args.json {
        out.complain("no reading of production fits");
    }
    Ok(Exit::Done)
}

fn gather(source: &Source, args: &SeriesArgs) -> Result<(Vec<Gathered>, LeftOut), StoreFault> {
    let mut order = Order::default();
    let mut charts: Vec<Gathered> = Vec::new();
    let left_out = source.each(Mode::Production, |row, value| {
        let (at, anew) = order.place(&row);
        if at == charts.len() {
            let (points, logs) = (Points::new(args), Some(Moments::default()));
            charts.push(Gathered { origin: row.origin.clone(), points, logs, first: row.seq, last: row.seq });
        }
        let chart = &mut charts[at];
        if anew {
            chart.points.restart();
        }
        chart.points.push(value, args.chart);
        chart.last = row.seq;
        match &mut chart.logs {
            Some(logs) if value > 0.0 => logs.push(value.ln()),
            logs => *logs = None,
        }
        charts.len() < CHARTS_MAX
    })?;
    Ok((charts, left_out))
}

/// Charts at most: with more the question was too wide to be read, and memory must not grow with the store.
const CHARTS_MAX: usize = 10_000;

/// Holds the points against the limits; how many rules fired.
fn hold(source: &Source, args: &SeriesArgs, gathered: &[Gathered], out: &mut Out) -> Result<u64, StoreFault> {
    let rules = args.lengths.rules();
    let held = |chart: &Gathered| Held {
        points: Points::new(args),
        limits: chart.points.limits(),
        watch: Watch::new(rules.clone()),
    };
    let mut charts: Vec<Held> = gathered.iter().map(held).collect();
    let mut order = Order::default();
    let mut fired = 0;
    source.each(Mode::Production, |row, value| {
        let (at, anew) = order.place(&row);
        let Some(chart) = charts.get_mut(at) else { return false };
        if anew {
            chart.points.restart();
            chart.watch.restart();
        }
        let Some(point) = chart.points.push(value, args.chart) else { return true };
        let hits = hits(chart, point, args.chart);
        fired += hits.len() as u64;
        if args.points || !hits.is_empty() {
            show_point(at + 1, &row, point, &hits, args, out);
        }
        !out.is_broken()
    })?;
    Ok(fired)
}

/// Names of the rules that fire on a point.
fn hits(chart: &mut Held, point: Point, kind: Chart) -> Vec<String> {
    let Some((values, spreads, _)) = chart.limits else { return Vec::new() };
    let sigmas = values.in_sigmas(point.0);
    let mut names: Vec<String> =
        sigmas.map(|z| chart.watch.push(z)).unwrap_or_default().iter().map(|hit| hit.rule.name()).collect();
    if point.1.is_some_and(|spread| spreads.is_beyond(spread)) {
        let what = match kind {
            Chart::Individuals => "moving-range-beyond-limits",
            Chart::XbarR => "range-beyond-limits",
            Chart::XbarS => "s-beyond-limits",
        };
        names.push(what.to_owned());
    }
    names
}

fn show_point(at: usize, row: &Measured, point: Point, hits: &[String], args: &SeriesArgs, out: &mut Out) {
    let (value, spread) = point;
    if args.json {
        // A single value is told by its digits; a mean has none.
        let digits = (args.chart == Chart::Individuals).then_some(row.value.as_deref()).flatten();
        out.json(&json!({ "record": "point", "chart": at, "seq": row.seq, "result_id": row.result_id,
            "received_at": row.received_at, "serial": row.serial, "piece": row.piece, "value": digits,
            "plotted": value, "spread": spread, "fires": hits }));
        return;
    }
    let serial = row.serial.as_deref().map(|serial| format!(" serial {serial}")).unwrap_or_default();
    let when = row.received_at.get(..19).unwrap_or_default().replace('T', " ");
    let fires = if hits.is_empty() { String::new() } else { format!("  fires {}", hits.join(", ")) };
    out.say(&format!("chart {at}  #{} {when}{serial}  {}{fires}", row.seq, shown(Some(value))));
}

/// What is told of how capable the process is. Lower and upper are within; `overall_*` of all values.
struct Indices {
    within: Capability,
    overall: Capability,
    skewed: Capability,
}

fn tolerance(origin: &Origin) -> Tolerance {
    let limit = |digits: &Option<String>| digits.as_ref().and_then(|digits| digits.parse().ok());
    Tolerance { lower: limit(&origin.lower), upper: limit(&origin.upper) }
}

fn indices(chart: &Gathered) -> Indices {
    let limits = tolerance(&chart.origin);
    let values = chart.points.values();
    let of = |s: Option<f64>| match (values.mean(), s) {
        (Some(mean), Some(s)) => Capability::of(mean, s, &limits),
        _ => Capability::default(),
    };
    // Only where there is one limit: what a natural zero skews (roughness) has an upper one as a rule.
    let one_limit = limits.lower.is_some() != limits.upper.is_some();
    let logs = chart.logs.as_ref().filter(|_| one_limit);
    let quantiles = logs.and_then(|logs| lognormal_quantiles(logs.mean()?, logs.s()?));
    let skewed = quantiles.map(|quantiles| by_quantiles(&quantiles, &limits)).unwrap_or_default();
    Indices { within: of(chart.points.limits().map(|(_, _, sigma)| sigma)), overall: of(values.s()), skewed }
}

/// Remarks on how far the numbers carry.
fn cautions(chart: &Gathered) -> Vec<&'static str> {
    let mut told = Vec::new();
    if chart.points.limits().is_none() {
        told.push("no-spread");
    } else if chart.points.count() < POINTS_FEW {
        told.push("few-points");
    }
    told
}

fn as_json(at: usize, chart: &Gathered, args: &SeriesArgs) -> Json {
    let Gathered { origin, points, first, last, .. } = chart;
    let band = |band: Option<Band>| {
        band.map_or(Json::Null, |band| json!({ "lower": band.lower, "centre": band.centre, "upper": band.upper }))
    };
    let limits = points.limits();
    let values = points.values();
    let Indices { within, overall, skewed } = indices(chart);
    let bounds = |interval: Option<ridgepost_judge::series::Interval>| {
        interval.map_or(Json::Null, |bounds| json!([bounds.lower, bounds.upper]))
    };
    let n = values.count();
    json!({ "record": "chart", "chart": at, "kind": args.chart.word(),
        "subgroup": args.chart.spread().map(|_| args.subgroup), "quantity": args.quantity,
        "job": origin.job, "part_number": origin.part_number, "revision": origin.revision, "operation": origin.operation,
        "balloon": origin.balloon, "feature": origin.feature, "gauge": origin.gauge, "unit": origin.unit,
        "lower": origin.lower, "upper": origin.upper, "first_seq": first, "last_seq": last,
        "readings": n, "points": points.count(), "unplotted": points.unplotted(),
        "mean": number(values.mean()), "least": number(values.least()), "most": number(values.most()),
        "s": number(values.s()), "sigma_within": number(limits.map(|(_, _, sigma)| sigma)),
        "control": band(limits.map(|(values, _, _)| values)), "control_spread": band(limits.map(|(_, spreads, _)| spreads)),
        "cp": number(within.potential), "cpk": number(within.worst), "cpu": number(within.upper),
        "cpl": number(within.lower), "pp": number(overall.potential), "ppk": number(overall.worst),
        "ppu": number(overall.upper), "ppl": number(overall.lower),
        "pp_95": bounds(overall.potential.and_then(|pp| cp_interval(pp, n, CONFIDENCE))),
        "ppk_95": bounds(overall.worst.and_then(|ppk| cpk_interval(ppk, n, CONFIDENCE))),
        "ppk_lognormal": number(skewed.worst), "cautions": cautions(chart) })
}

fn tell(at: usize, chart: &Gathered, args: &SeriesArgs, out: &mut Out) {
    let Gathered { origin, points, first, last, .. } = chart;
    let named = |name: &str, value: &Option<String>| {
        value.as_ref().map(|value| format!("  {name} {value}")).unwrap_or_default()
    };
    out.say(&format!(
        "chart {at}  {}{}{}{}{}{}{}",
        args.quantity.as_deref().unwrap_or_default(),
        named("balloon", &origin.balloon),
        named("feature", &origin.feature),
        named("job", &origin.job),
        named("part", &origin.part_number),
        named("revision", &origin.revision),
        named("gauge", &origin.gauge)
    ));
    let unit = origin.unit.as_deref().unwrap_or_default();
    let values = points.values();
    let limit = |limit: &Option<String>| limit.clone().unwrap_or_else(|| "-".to_owned());
    out.say(&line("limits", &format!("{} .. {} {unit}", limit(&origin.lower), limit(&origin.upper))));
    let unplotted = match points.unplotted() {
        0 => String::new(),
        some => format!(", {some} in no full subgroup"),
    };
    out.say(&line("readings", &format!("{}, from #{first} to #{last}{unplotted}", values.count())));
    let band = |band: Band| {
        format!("{}  limits {} .. {}", shown(Some(band.centre)), shown(Some(band.lower)), shown(Some(band.upper)))
    };
    if let Some((centres, spreads, _)) = points.limits() {
        let (upper, lower) = match args.chart {
            Chart::Individuals => ("individuals", "moving ranges"),
            Chart::XbarR => ("means", "ranges"),
            Chart::XbarS => ("means", "s of subgroups"),
        };
        out.say(&line(upper, &band(centres)));
        out.say(&line(lower, &band(spreads)));
    }
    let within = shown(points.limits().map(|(_, _, sigma)| sigma));
    out.say(&line("s", &format!("within {within}, overall {}", shown(values.s()))));
    let Indices { within, overall, skewed } = indices(chart);
    let pair =
        |one: &str, a: Option<f64>, other: &str, b: Option<f64>| format!("{one} {}  {other} {}", shown(a), shown(b));
    out.say(&line("within", &pair("Cp", within.potential, "Cpk", within.worst)));
    let bounds = overall.worst.and_then(|ppk| cpk_interval(ppk, values.count(), CONFIDENCE));
    let bounds = bounds.map(|b| format!("  (95 %: {} .. {})", shown(Some(b.lower)), shown(Some(b.upper))));
    let overall = pair("Pp", overall.potential, "Ppk", overall.worst);
    out.say(&line("overall", &(overall + &bounds.unwrap_or_default())));
    if skewed.worst.is_some() {
        out.say(&line("if lognormal", &format!("Ppk {}", shown(skewed.worst))));
    }
    for caution in cautions(chart) {
        let words = match caution {
            "few-points" => "fewer than 25 points: limits and indices will move still",
            _ => "no limits: neighbours that differ are needed",
        };
        out.say(&line("caution", words));
    }
}
