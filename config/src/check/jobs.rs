//! Jobs: what is asked of a part, judged before any part is.

use std::collections::BTreeMap;

use ridgepost_parsers::{Quantity, QuantityKind, Unit, UnitKind};
use ridgepost_texture::{Selector, default_setting, has_default_settings};
use rust_decimal::{Decimal, dec};

use super::callouts::{self, Meant};
use super::limits::{Limits, limits};
use super::master::master;
use super::{Names, duplicates, plain_id, settings};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::nearest::{advice, nearest};
use crate::plan::{
    Characteristic, DecisionRule, FromTrace, Gate, GuardWidth, Job, Rule, Sampling, Settings, Text, Unwritten,
};
use crate::said::{CharacteristicSaid, Edition, FromSaid, JobFile, JobSaid, SampleSaid};
use crate::sheet::Sheet;

/// Quantities whose symbol takes an argument: levels or sections that tell one from another, or of what it is.
const WITH_ARGUMENT: [&str; 4] = ["Rmr", "Rdc", "RPc", "dev"];

/// Times that a characteristic may be measured again unless the job says otherwise: once, after a reason (common practice).
const USUAL_RETESTS: u32 = 1;

/// Texture heights of one trace, smallest first: Ra <= Rq <= Rz <= Rmax <= Rt.
const RISING: [&[&str]; 5] = [&["Ra"], &["Rq"], &["Rz"], &["Rmax", "Rz1max"], &["Rt"]];

/// What a job can refer to.
#[derive(Debug, Default)]
pub(crate) struct Around {
    /// Stations of the cell.
    pub(crate) stations: Names,
    /// Stations whose gauge is skidded.
    pub(crate) skidded: Vec<String>,
    /// Name of the cell.
    pub(crate) cell: Option<String>,
}

fn at(index: usize) -> Path {
    Path::top().key("characteristic").index(index)
}

/// Where a job's id stands.
pub(crate) fn id_path() -> Path {
    Path::top().key("job").key("id")
}

/// The job, where the file is faultless.
pub(crate) fn check(sheet: &mut Sheet, said: &JobFile, around: &Around, text: Text) -> Option<Job> {
    let job = said.job.clone().unwrap_or_default();
    if let Some(id) = &job.id {
        plain_id(sheet, &id_path(), id);
    }
    for_this_cell(sheet, said, around);
    let asked = said.characteristic.as_deref().unwrap_or_default();
    let balloons: Vec<_> = asked.iter().enumerate().map(|(index, said)| (at(index), said.balloon.clone())).collect();
    duplicates(sheet, "characteristic", &balloons, "balloon");
    let mut read = Vec::new();
    for (index, said) in asked.iter().enumerate() {
        for Meant { said, callout } in callouts::meant(sheet, &at(index), said, &job) {
            let characteristic = characteristic(sheet, &at(index), &said, &job, around);
            read.push((index, characteristic.map(|read| Characteristic { callout, ..read })));
        }
    }
    one_balloon_each(sheet, &read);
    edition_named(sheet, &read);
    rising(sheet, &read);
    if sheet.is_faulty(&Path::top()) {
        return None;
    }
    Some(Job {
        id: job.id?,
        part_number: job.part_number?,
        revision: job.revision?,
        operation: job.operation?,
        edition: job.edition.map(|edition| edition.word().to_owned()).unwrap_or_default(),
        gate: job.gate.unwrap_or(Gate::Hold),
        accept_unknown_conditions: job.accept_unknown_conditions.unwrap_or(false),
        accept_converted: job.accept_converted.unwrap_or(false),
        retests: job.retests.unwrap_or(USUAL_RETESTS),
        characteristics: read.into_iter().filter_map(|(_, read)| read).collect(),
        text,
    })
}

/// A job that another system meant for another cell must not be measured here.
fn for_this_cell(sheet: &mut Sheet, said: &JobFile, around: &Around) {
    let meant = said.order.as_ref().and_then(|order| order.cell.as_ref());
    if let (Some(meant), Some(here)) = (meant, &around.cell)
        && meant != here
    {
        let path = Path::top().key("order").key("cell");
        let message = format!("this job is for cell `{meant}`, and this is `{here}`");
        sheet.fault(&path, Code::Contradiction, message, "put it into the folder of that cell");
    }
}

/// The characteristic as far as its quantity and limits could be read: others are compared with it.
fn characteristic(
    sheet: &mut Sheet,
    path: &Path,
    said: &CharacteristicSaid,
    of: &JobSaid,
    around: &Around,
) -> Option<Characteristic> {
    let quantity = said.quantity.as_ref().and_then(|said| quantity(sheet, &path.key("quantity"), &said.0));
    // With a slip in the symbol the limits are checked as those of the quantity that was probably meant.
    let meant = said.quantity.as_ref().and_then(|said| nearest(&said.0, Quantity::symbols())).and_then(Quantity::parse);
    let master = master(sheet, path, said, quantity.as_ref());
    let limits = limits(sheet, path, said, quantity.as_ref().or(meant.as_ref()), master.as_ref());
    let conditions = conditions(sheet, path, said, quantity.as_ref());
    let (rule, decision) = rules(sheet, path, said, quantity.as_ref(), of);
    if let Some(station) = &said.station {
        around.stations.refer(sheet, &path.key("station"), "station", "cell.toml", station);
        let moved = quantity.as_ref().is_some_and(is_lost_on_a_skid);
        if moved && around.skidded.contains(station) {
            let message = format!(
                "station `{station}` has a skidded gauge, which can't tell {}",
                said.quantity.as_ref().map_or("it", |said| &said.0)
            );
            sheet.warn(
                &path.key("station"),
                Code::Contradiction,
                message,
                "its readings will be refused: measure it without a skid",
            );
        }
    }
    let Limits { lower, upper, unit, plausible } = limits?;
    Some(Characteristic {
        balloon: said.balloon.clone().unwrap_or_default(),
        feature: said.feature.clone().unwrap_or_default(),
        lower,
        upper,
        unit,
        rule,
        traces: said.traces.unwrap_or(1),
        trace: from_trace(sheet, path, said, quantity.as_ref(), of),
        sampling: said.sample.or(of.sample).map(sampling),
        decision,
        guard: of.guard.unwrap_or(GuardWidth::Expanded),
        unwritten: quantity.as_ref().map_or(Unwritten::Nothing, |quantity| {
            unwritten(quantity, of.edition, &conditions, upper.or(lower).zip(Some(unit)))
        }),
        quantity: quantity?,
        conditions,
        plausible,
        station: said.station.clone(),
        master,
        callout: None,
        is_rule_written: said.rule.is_some(),
    })
}

/// How far the instrument's own figure may be away where nothing is written, in per cent (common practice, no source).
const AGREE_PERCENT: Decimal = dec!(5);

/// How it is computed from a profile, where it is.
fn from_trace(
    sheet: &mut Sheet,
    path: &Path,
    said: &CharacteristicSaid,
    quantity: Option<&Quantity>,
    of: &JobSaid,
) -> Option<FromTrace> {
    let agree = said.agree.as_ref().map(|text| super::amount(sheet, &path.key("agree"), text, UnitKind::Ratio));
    if said.from != Some(FromSaid::Trace) {
        if said.agree.is_some() {
            let message = "`agree` is about figures beside a profile".to_owned();
            sheet.fault(&path.key("agree"), Code::Contradiction, message, "add from = \"trace\", or leave it out");
        }
        return None;
    }
    if quantity.is_some_and(|quantity| !quantity.is_texture()) {
        let message = "only texture is computed from a profile".to_owned();
        sheet.fault(&path.key("from"), Code::Contradiction, message, "leave `from` out");
    }
    let agree = agree.flatten();
    if agree.is_some_and(|agree| agree.number <= Decimal::ZERO || agree.unit != Unit::Percent) {
        let message = "this is no share of a value".to_owned();
        sheet.fault(&path.key("agree"), Code::WrongValue, message, "write per cent above 0, as in \"5 %\"");
    }
    let agree_percent = agree.map_or(AGREE_PERCENT, |agree| agree.number);
    Some(FromTrace { edition: of.edition?.of_texture(), agree_percent })
}

/// On which pieces it is due.
fn sampling(said: SampleSaid) -> Sampling {
    Sampling {
        first: said.first.unwrap_or(1),
        every: said.every,
        minutes: said.minutes,
        tightened: said.tightened.unwrap_or(0),
        last: said.last.unwrap_or(false),
    }
}

/// The acceptance rule and the decision rule, written or meant, as far as they go together.
fn rules(
    sheet: &mut Sheet,
    path: &Path,
    said: &CharacteristicSaid,
    quantity: Option<&Quantity>,
    of: &JobSaid,
) -> (Rule, DecisionRule) {
    let meant = match quantity {
        Some(quantity) if quantity.is_texture() => of.edition.map_or(Rule::Max, Edition::unwritten_rule),
        _ => Rule::Max,
    };
    let rule = said.rule.unwrap_or(meant);
    let decision = said.decision.or(of.decision).unwrap_or(DecisionRule::Simple);
    if rule == Rule::Sixteen && decision != DecisionRule::Simple {
        let key = if said.decision.is_some() { path.key("decision") } else { path.key("rule") };
        let key = if sheet.lacks(&key) { path.clone() } else { key };
        let message =
            format!("the 16 % rule and `{}` can't be stacked: each already allows for what scatters", decision.word());
        sheet.fault(&key, Code::Contradiction, message, "write decision = \"simple\" here, or another rule");
    }
    let several = matches!(rule, Rule::Median | Rule::Mean);
    if several && said.traces.unwrap_or(1) == 1 {
        let message = format!("the {} of one value is that value", rule.word());
        let at = if sheet.lacks(&path.key("traces")) { path.key("rule") } else { path.key("traces") };
        sheet.warn(&at, Code::Contradiction, message, "write how many values are taken: traces = 5");
    }
    (rule, decision)
}

/// What the edition says of the cutoff of a roughness parameter where none is written.
fn unwritten(
    quantity: &Quantity,
    edition: Option<Edition>,
    conditions: &Settings,
    limit: Option<(Decimal, Unit)>,
) -> Unwritten {
    let (Some(edition), None) = (edition.map(Edition::of_texture), conditions.cutoff) else {
        return Unwritten::Nothing;
    };
    let symbol = quantity.symbol();
    let limit = limit.and_then(|(limit, unit)| unit.to_micrometres(limit));
    match edition.selector() {
        _ if quantity.kind() != QuantityKind::Roughness => Unwritten::Nothing,
        Selector::Limit => limit
            .and_then(|limit| default_setting(edition, symbol, limit))
            .map_or(Unwritten::Nothing, Unwritten::OfLimit),
        Selector::Measured if has_default_settings(edition, symbol) => Unwritten::OfMeasured(edition),
        Selector::Measured => Unwritten::Nothing,
    }
}

/// P and W parameters and Rt need a reference that a skid doesn't keep.
fn is_lost_on_a_skid(quantity: &Quantity) -> bool {
    matches!(quantity.kind(), QuantityKind::Primary | QuantityKind::Waviness) || quantity.symbol() == "Rt"
}

fn quantity(sheet: &mut Sheet, path: &Path, said: &str) -> Option<Quantity> {
    let known: Vec<&str> = Quantity::symbols().collect();
    let Some(quantity) = Quantity::parse(said) else {
        let help = if said.contains('(') {
            "write the argument in brackets behind the symbol, as in \"Rmr(0.5)\"".to_owned()
        } else {
            advice(said, &known)
        };
        sheet.fault(path, Code::WrongValue, format!("unknown quantity `{said}`"), help);
        return None;
    };
    if said.contains('(') && !WITH_ARGUMENT.contains(&quantity.symbol()) {
        let message = format!("{} takes no argument", quantity.symbol());
        sheet.fault(path, Code::WrongValue, message, format!("write \"{}\"", quantity.symbol()));
    }
    Some(quantity)
}

fn conditions(sheet: &mut Sheet, path: &Path, said: &CharacteristicSaid, quantity: Option<&Quantity>) -> Settings {
    let at = path.key("conditions");
    let Some(said) = &said.conditions else { return Settings::default() };
    let settings = settings(sheet, &at, said);
    if let Some(quantity) = quantity.filter(|quantity| !quantity.is_texture()) {
        for key in ["cutoff", "lambda_s", "sections", "filter"] {
            if !sheet.has(&at.key(key)) {
                continue;
            }
            let message = format!("`{key}` says nothing about {quantity}");
            sheet.fault_of_key(
                &at.key(key),
                Code::Contradiction,
                message,
                "only surface texture is filtered: leave it out",
            );
        }
    }
    settings
}

/// A callout of several characteristics numbers them: no other may have such a balloon.
fn one_balloon_each(sheet: &mut Sheet, read: &[(usize, Option<Characteristic>)]) {
    let mut seen = BTreeMap::new();
    for (index, read) in read {
        let Some(read) = read.as_ref().filter(|read| !read.balloon.is_empty()) else { continue };
        if let Some(first) = seen.insert(read.balloon.as_str(), *index).filter(|first| first != index) {
            let line = sheet.line(&at(first));
            let message = format!("balloon `{}` is there already, by the callout on line {line}", read.balloon);
            let place = at(*index).key("balloon");
            if !sheet.is_told_below(&place) {
                sheet.fault(&place, Code::Duplicate, message, "give each characteristic its own balloon");
                sheet.blame(&at(first));
            }
        }
    }
}

/// What an unwritten default means depends on the edition, so texture needs one.
fn edition_named(sheet: &mut Sheet, read: &[(usize, Option<Characteristic>)]) {
    let edition = Path::top().key("job").key("edition");
    let texture = read.iter().filter_map(|(_, read)| read.as_ref()).any(|read| read.quantity.is_texture());
    if texture && sheet.has(&Path::top().key("job")) && sheet.lacks(&edition) {
        let words: Vec<_> = crate::said::Edition::ALL.iter().map(|(_, word)| *word).collect();
        let message = "`edition` is missing: texture is asked for".to_owned();
        sheet.fault(
            &edition,
            Code::MissingKey,
            message,
            format!("the drawing's edition of the texture standards, one of: {}", words.join(", ")),
        );
    }
}

/// Limits on one feature that the order of texture heights makes odd (told) or impossible (refused). Each is held against
/// the tightest limit of the larger heights, so that every characteristic is told of once, whatever their number.
fn rising(sheet: &mut Sheet, read: &[(usize, Option<Characteristic>)]) {
    let rank = |quantity: &Quantity| RISING.iter().position(|symbols| symbols.contains(&quantity.symbol()));
    let mut by_feature: BTreeMap<&str, Vec<(usize, usize, &Characteristic)>> = BTreeMap::new();
    for (index, read) in read {
        if let Some((read, rank)) = read.as_ref().and_then(|read| Some((read, rank(&read.quantity)?))) {
            by_feature.entry(&read.feature).or_default().push((rank, *index, read));
        }
    }
    let bound = |limit: Option<_>, of: &Characteristic| limit.and_then(|limit| of.unit.to_micrometres(limit));
    for alike in by_feature.values() {
        let ceilings = alike
            .iter()
            .filter_map(|(rank, index, larger)| Some((*rank, bound(larger.upper, larger)?, *index, *larger)))
            .collect::<Vec<_>>();
        // By rank, the tightest limit of any larger height.
        let tightest: Vec<_> = (0..RISING.len())
            .map(|rank| ceilings.iter().filter(|(high, ..)| *high > rank).min_by_key(|(_, ceiling, ..)| *ceiling))
            .collect();
        for (rank, index, smaller) in alike {
            let Some((_, ceiling, of, larger)) = tightest[*rank] else { continue };
            if bound(smaller.lower, smaller).is_some_and(|lower| lower > *ceiling) {
                impossible(sheet, *index, smaller, larger);
                sheet.blame(&at(*of));
            } else if bound(smaller.upper, smaller).is_some_and(|upper| upper > *ceiling) {
                odd(sheet, *index, smaller, larger);
            }
        }
    }
}

fn impossible(sheet: &mut Sheet, index: usize, smaller: &Characteristic, larger: &Characteristic) {
    let (small, large) = (&smaller.quantity, &larger.quantity);
    let message = format!(
        "no surface can have {small} above this and {large} within the upper limit of balloon {}",
        larger.balloon
    );
    let help = format!("{small} is never above {large} of the same trace");
    sheet.fault(&at(index).key("lower"), Code::Contradiction, message, help);
}

fn odd(sheet: &mut Sheet, index: usize, smaller: &Characteristic, larger: &Characteristic) {
    let (small, large) = (&smaller.quantity, &larger.quantity);
    let message =
        format!("the limit of {small} is above that of {large} on the same feature (balloon {})", larger.balloon);
    let help = format!("{small} is never above {large} of the same trace: is a digit or a unit wrong?");
    sheet.warn(&at(index).key("upper"), Code::LimitsOrder, message, help);
}
