//! The whole evaluation: form, filters, sections, parameters, with every choice that two results have to share before they
//! can be compared.

use rust_decimal::{Decimal, RoundingStrategy};

use crate::defaults::Edition;
use crate::filter::{HALF_WIDTH, Order, gaussian, regression, two_rc};
use crate::form::{Form, without};
use crate::table::tabulated;
use crate::trace::{Refusal, Trace};
use crate::trust::{Remark, doubts};

/// What separates roughness from the longer waves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Filter {
    /// Gaussian, ISO 16610-21.
    #[default]
    Gaussian,
    /// Robust Gaussian regression of order 2, ISO 16610-31.
    RobustGaussian,
    /// Gaussian regression of order 2, ISO 16610-31.
    GaussianTwo,
    /// 2RC of older instruments.
    TwoRc,
    /// None: roughness is the primary profile.
    None,
}

impl Filter {
    /// Every filter with its word.
    pub const ALL: [(Filter, &'static str); 5] = [
        (Filter::Gaussian, "gaussian"),
        (Filter::RobustGaussian, "gaussian-robust"),
        (Filter::GaussianTwo, "gaussian-2"),
        (Filter::TwoRc, "2rc"),
        (Filter::None, "none"),
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(filter, _)| *filter == self).map_or("", |(_, word)| word)
    }
}

/// What is asked for. Lengths in mm.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Which definitions are followed where they differ.
    pub edition: Edition,
    /// Profile filter.
    pub filter: Filter,
    /// Cutoff λc, also the length of a section.
    pub cutoff: f64,
    /// Short-wave cutoff λs; none where the instrument filtered already or can't resolve it.
    pub lambda_s: Option<f64>,
    /// Sections asked for.
    pub sections: usize,
    /// Form that is taken out.
    pub form: Form,
    /// The heights are a roughness profile already: no filter is applied.
    pub prefiltered: bool,
    /// Half width of the Gaussian's weights in cutoffs.
    pub half_width: f64,
    /// Height from which on hills and dales count, as a share of Rz (of Rp and Rv in two directions).
    pub height_share: f64,
    /// Width from which on they count, as a share of a section.
    pub width_share: f64,
    /// Heights over the mean line in µm at which the material ratio is told.
    pub levels: Vec<f64>,
}

impl Settings {
    /// What is usual for a cutoff of `cutoff` mm: Gaussian, five sections, a line taken out, λs by ISO 3274 (from memory).
    pub fn usual(edition: Edition, cutoff: f64) -> Settings {
        Settings {
            edition,
            filter: Filter::default(),
            cutoff,
            lambda_s: Some(usual_lambda_s(cutoff)),
            sections: 5,
            form: Form::default(),
            prefiltered: false,
            half_width: HALF_WIDTH,
            height_share: 0.1,
            width_share: 0.01,
            levels: vec![-0.5, 0.0, 0.5],
        }
    }
}

/// λs in mm that belongs to a cutoff in mm: ISO 3274:1996 table 1 (from memory).
pub fn usual_lambda_s(cutoff: f64) -> f64 {
    if cutoff <= 0.8 {
        0.0025
    } else if cutoff <= 2.5 {
        0.008
    } else {
        0.025
    }
}

/// One computed parameter.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// Symbol, with its argument where it has one.
    pub symbol: String,
    /// Value in `unit`; `None` where it is not defined for this profile.
    pub value: Option<f64>,
    /// Unit: `µm`, `mm`, `%`, `1/cm`, `1`, `µm %`.
    pub unit: &'static str,
    /// What to know of it: a reading of the standard that is not confirmed, or why it is missing.
    pub note: Option<&'static str>,
}

/// Places that are kept: 0.01 nm, far below what any stylus resolves.
const PLACES: u32 = 5;

impl Parameter {
    /// The value as it is judged: rounded once, half to even, to 0.01 nm (five places of its unit).
    pub fn rounded(&self) -> Option<Decimal> {
        let value = Decimal::from_f64_retain(self.value?)?;
        Some(value.round_dp_with_strategy(PLACES, RoundingStrategy::MidpointNearestEven))
    }
}

/// Everything computed from a trace.
#[derive(Clone, Debug, PartialEq)]
pub struct Evaluation {
    /// What was asked for.
    pub settings: Settings,
    /// Step in mm.
    pub step: f64,
    /// Points of the trace.
    pub points: usize,
    /// Sections that were evaluated.
    pub sections: usize,
    /// Points of a section; its length is this many steps.
    pub section_points: usize,
    /// First evaluated point, from 0.
    pub first: usize,
    /// Parameters in a fixed order.
    pub parameters: Vec<Parameter>,
    /// Values of each section in µm, by symbol.
    pub per_section: Vec<(&'static str, Vec<f64>)>,
    /// What puts the trace in doubt.
    pub remarks: Vec<Remark>,
    /// Primary profile over the evaluation length in µm.
    pub primary: Vec<f64>,
    /// Waviness over the evaluation length in µm.
    pub waviness: Vec<f64>,
    /// Roughness over the evaluation length in µm.
    pub roughness: Vec<f64>,
}

impl Evaluation {
    /// A parameter by its symbol.
    pub fn get(&self, symbol: &str) -> Option<f64> {
        self.parameters.iter().find(|parameter| parameter.symbol == symbol)?.value
    }
}

/// Fewest points of a section.
const FEWEST: usize = 8;

/// Evaluates a trace. The evaluated sections lie in its middle, so that what is over serves as travel at both ends.
///
/// # Errors
/// [`Refusal`] where nothing can be evaluated. What can be, but should not be trusted, is evaluated and remarked upon.
///
/// ```
/// use ridgepost_texture::{Edition, Settings, Trace, evaluate};
/// // A sine of amplitude 1 µm and 0.1 mm: Ra is 2/π, and the filter of 0.8 mm lets nearly all of it pass.
/// let heights = (0..11_200).map(|at| (at as f64 * 0.0005 / 0.1 * std::f64::consts::TAU).sin()).collect();
/// let trace = Trace::new(heights, 0.0005)?;
/// let settings = Settings { lambda_s: None, ..Settings::usual(Edition::Iso21920, 0.8) };
/// let result = evaluate(&trace, &settings)?;
/// assert!((result.get("Ra").unwrap() - 2.0 / std::f64::consts::PI).abs() < 1e-4);
/// # Ok::<(), ridgepost_texture::Refusal>(())
/// ```
pub fn evaluate(trace: &Trace, settings: &Settings) -> Result<Evaluation, Refusal> {
    let (step, points) = (trace.step(), trace.heights().len());
    sound(settings)?;
    let section_points = (settings.cutoff / step).round() as usize;
    let section = settings.cutoff;
    if points < section_points {
        return Err(Refusal::TooShort { points, step, section });
    }
    if section_points < FEWEST {
        return Err(Refusal::TooCoarse { points: section_points, section });
    }
    let mut primary = without(trace.heights(), step, settings.form);
    if let Some(lambda_s) = settings.lambda_s.filter(|_| !settings.prefiltered) {
        primary = gaussian(&primary, step, lambda_s, settings.half_width);
    }
    let waviness = waviness(&primary, step, settings);
    let stratified = stratified(&primary, step, settings);
    let sections = settings.sections.min(points / section_points);
    let count = sections * section_points;
    let first = (points - count) / 2;
    let cut = |profile: &[f64]| profile[first..first + count].to_vec();
    let roughness: Vec<f64> =
        primary.iter().zip(&waviness).skip(first).take(count).map(|(primary, line)| primary - line).collect();
    let mut result = Evaluation {
        settings: settings.clone(),
        step,
        points,
        sections,
        section_points,
        first,
        parameters: Vec::new(),
        per_section: Vec::new(),
        remarks: Vec::new(),
        primary: cut(&primary),
        waviness: cut(&waviness),
        roughness,
    };
    let stratified = stratified.map(|stratified| cut(&stratified));
    (result.parameters, result.per_section) = tabulated(&result, stratified.as_deref());
    result.remarks = doubts(trace, &result);
    Ok(result)
}

fn sound(settings: &Settings) -> Result<(), Refusal> {
    let is_length = |length: f64| length.is_finite() && length > 0.0;
    if !is_length(settings.cutoff) {
        return Err(Refusal::Setting("the cutoff is no length"));
    }
    if settings.lambda_s.is_some_and(|lambda_s| !is_length(lambda_s) || lambda_s >= settings.cutoff) {
        return Err(Refusal::Setting("λs is no length below the cutoff"));
    }
    if settings.sections == 0 {
        return Err(Refusal::Setting("at least one section is needed"));
    }
    Ok(())
}

fn waviness(primary: &[f64], step: f64, settings: &Settings) -> Vec<f64> {
    let cutoff = settings.cutoff;
    match settings.filter {
        _ if settings.prefiltered => vec![0.0; primary.len()],
        Filter::None => vec![0.0; primary.len()],
        Filter::Gaussian => gaussian(primary, step, cutoff, settings.half_width),
        Filter::RobustGaussian => regression(primary, step, cutoff, Order::Two, true),
        Filter::GaussianTwo => regression(primary, step, cutoff, Order::Two, false),
        Filter::TwoRc => {
            let roughness = two_rc(primary, step, cutoff);
            primary.iter().zip(&roughness).map(|(primary, roughness)| primary - roughness).collect()
        }
    }
}

/// The roughness of ISO 13565-1: valleys are cut at a first mean line before the second is drawn, so that they don't pull it
/// down (from memory). `None` where no filter is applied.
fn stratified(primary: &[f64], step: f64, settings: &Settings) -> Option<Vec<f64>> {
    if settings.prefiltered || settings.filter == Filter::None {
        return None;
    }
    let line = gaussian(primary, step, settings.cutoff, settings.half_width);
    let cut: Vec<f64> = primary.iter().zip(&line).map(|(primary, line)| primary.max(*line)).collect();
    let line = gaussian(&cut, step, settings.cutoff, settings.half_width);
    Some(primary.iter().zip(&line).map(|(primary, line)| primary - line).collect())
}
