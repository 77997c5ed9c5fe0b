//! Which parameters a profile has, edition by edition: the same symbol is not everywhere the same number.

use crate::defaults::Edition;
use crate::evaluate::{Evaluation, Parameter};
use crate::form::{Form, without};
use crate::parameters::{
    Core, core, elements, elements_two_way, height, height_at, kurtosis, material_ratio, mean_deviation, peak,
    root_mean_square, root_mean_square_slope, skewness, sliding_height, ten_point, third, valley,
};

/// Why a value stands with a mark.
const UNCONFIRMED: &str = "unconfirmed reading of the standard";

/// A table that grows.
#[derive(Default)]
struct Table(Vec<Parameter>);

impl Table {
    fn add(&mut self, symbol: &str, value: impl Into<Option<f64>>, unit: &'static str) -> &mut Parameter {
        self.0.push(Parameter { symbol: symbol.to_owned(), value: value.into(), unit, note: None });
        let last = self.0.len() - 1;
        &mut self.0[last]
    }

    fn noted(&mut self, symbol: &str, value: impl Into<Option<f64>>, unit: &'static str, note: &'static str) {
        self.add(symbol, value, unit).note = Some(note);
    }
}

/// The mean; `None` where one is missing or there is none.
fn mean(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let values: Option<Vec<f64>> = values.collect();
    let values = values.filter(|values| !values.is_empty())?;
    Some(values.iter().sum::<f64>() / values.len() as f64)
}

/// All parameters, and the values of each section.
pub(crate) fn tabulated(
    of: &Evaluation,
    stratified: Option<&[f64]>,
) -> (Vec<Parameter>, Vec<(&'static str, Vec<f64>)>) {
    let z = &of.roughness;
    let sections: Vec<&[f64]> = z.chunks_exact(of.section_points).collect();
    let each = |one: fn(&[f64]) -> f64| sections.iter().map(|section| one(section)).collect::<Vec<f64>>();
    let per_section = vec![
        ("Ra", each(mean_deviation)),
        ("Rq", each(root_mean_square)),
        ("Rp", each(peak)),
        ("Rv", each(valley)),
        ("Rz", each(height)),
    ];
    let mut table = Table::default();
    heights(&mut table, of, &sections);
    spacings(&mut table, of, &sections);
    tens(&mut table, of, &sections);
    ratios(&mut table, of, stratified);
    others(&mut table, of);
    (table.0, per_section)
}

/// Editions that take Rq, Rsk, Rku, Rc, RSm and Rdq in each section and the mean of these: ISO 4287:1997 with ISO 4288 and what
/// followed them (from memory). ISO 21920-2 takes them over the evaluation length.
fn is_by_section(edition: Edition) -> bool {
    !matches!(edition, Edition::Iso21920 | Edition::AsmeB461)
}

fn heights(table: &mut Table, of: &Evaluation, sections: &[&[f64]]) {
    let (z, edition) = (&of.roughness, of.settings.edition);
    let by = |one: fn(&[f64]) -> Option<f64>| match is_by_section(edition) {
        true => mean(sections.iter().map(|section| one(section))),
        false => one(z),
    };
    let over = |one: fn(&[f64]) -> f64| mean(sections.iter().map(|section| Some(one(section))));
    table.add("Ra", mean_deviation(z), "µm");
    table.add("Rq", by(|z| Some(root_mean_square(z))), "µm");
    table.add("Rp", over(peak), "µm");
    table.add("Rv", over(valley), "µm");
    let largest = sections.iter().map(|section| height(section)).fold(0.0, f64::max);
    // JIS B 0601:1994 names the ten-point height Rz, and this one Ry (from memory).
    table.add(if edition == Edition::Jis1994 { "Ry" } else { "Rz" }, over(height), "µm");
    table.add("Rt", height(z), "µm");
    table.add("Rmax", largest, "µm");
    table.add("Rz1max", largest, "µm");
    table.noted("Rzx", sliding_height(z, of.section_points), "µm", UNCONFIRMED);
    table.add("Rsk", by(skewness), "1");
    table.add("Rku", by(kurtosis), "1");
}

fn spacings(table: &mut Table, of: &Evaluation, sections: &[&[f64]]) {
    let (z, step, settings) = (&of.roughness, of.step, &of.settings);
    let width = settings.width_share * settings.cutoff;
    let of_heights =
        |one: fn(&[f64]) -> f64| mean(sections.iter().map(|section| Some(one(section)))).unwrap_or_default();
    let whole = elements(z, step, settings.height_share * of_heights(height), width);
    let single: Option<Vec<_>> = sections
        .iter()
        .map(|section| elements(section, step, settings.height_share * height(section), width))
        .collect();
    let by_section =
        |one: fn(&crate::parameters::Elements) -> f64| mean(single.iter().flatten().map(|it| Some(one(it))));
    let (spacing, mean_height) = match is_by_section(settings.edition) {
        true => (by_section(|it| it.width), by_section(|it| it.height)),
        false => (whole.map(|it| it.width), whole.map(|it| it.height)),
    };
    table.add("Rc", mean_height, "µm");
    table.add(if settings.edition == Edition::Jis1994 { "Sm" } else { "RSm" }, spacing, "mm");
    table.add("RPc", spacing.map(|spacing| 10.0 / spacing), "1/cm");
    let two =
        elements_two_way(z, step, settings.height_share * of_heights(peak), settings.height_share * of_heights(valley));
    table.noted("RSm(two-way)", two.map(|it| it.width), "mm", UNCONFIRMED);
    table.noted("Rc(two-way)", two.map(|it| it.height), "µm", UNCONFIRMED);
    let slope = match is_by_section(settings.edition) {
        true => mean(sections.iter().map(|section| root_mean_square_slope(section, step))),
        false => root_mean_square_slope(z, step),
    };
    table.add("Rdq", slope, "1");
}

fn tens(table: &mut Table, of: &Evaluation, sections: &[&[f64]]) {
    let tens: Vec<_> = sections.iter().map(|section| ten_point(section)).collect();
    let value = mean(tens.iter().map(|it| it.map(|it| it.height)));
    let is_complete = tens.iter().all(|it| it.is_some_and(|it| it.of == 5));
    let symbol = if of.settings.edition == Edition::Jis1994 { "Rz" } else { "RzJIS" };
    let note = if is_complete { UNCONFIRMED } else { "incomplete: a section has fewer than five peaks or valleys" };
    table.noted(symbol, value, "µm", note);
    table.add("R3z", mean(sections.iter().map(|section| third(section))), "µm");
}

fn ratios(table: &mut Table, of: &Evaluation, stratified: Option<&[f64]>) {
    let z = &of.roughness;
    for level in &of.settings.levels {
        table.add(&format!("Rmr({level})"), material_ratio(z, *level), "%");
    }
    let mut falling = z.clone();
    falling.sort_unstable_by(|a, b| b.total_cmp(a));
    let reference = height_at(&falling, REFERENCE);
    for below in [0.25, 0.5, 1.0, 2.0] {
        table.add(&format!("Rmr({REFERENCE}%-{below})"), material_ratio(z, reference - below), "%");
    }
    table.add("Rdc(20,80)", height_at(&falling, 20.0) - height_at(&falling, 80.0), "µm");
    let plain = core(&falling);
    let special = stratified.map(|z| {
        let mut falling = z.to_vec();
        falling.sort_unstable_by(|a, b| b.total_cmp(a));
        core(&falling)
    });
    // ISO 13565-2 belongs to the filter of ISO 13565-1; ISO 21920-2 takes the roughness profile.
    let (main, other, name) = match (is_by_section(of.settings.edition), special) {
        (true, Some(special)) => (special, Some(plain), "(R)"),
        (_, special) => (plain, special, "(ISO 13565-1)"),
    };
    cores(table, main, "");
    if let Some(other) = other {
        cores(table, other, name);
    }
}

/// Ratio in percent whose height relative material ratios are measured down from (common practice).
const REFERENCE: f64 = 5.0;

fn cores(table: &mut Table, core: Option<Core>, name: &str) {
    let mut add = |symbol: &str, value: fn(&Core) -> f64, unit| {
        table.add(&format!("{symbol}{name}"), core.as_ref().map(value), unit);
    };
    add("Rk", |it| it.core, "µm");
    add("Rpk", |it| it.peaks, "µm");
    add("Rvk", |it| it.valleys, "µm");
    add("Mr1", |it| it.from, "%");
    add("Mr2", |it| it.to, "%");
    add("A1", |it| it.peak_area, "µm %");
    add("A2", |it| it.valley_area, "µm %");
}

fn others(table: &mut Table, of: &Evaluation) {
    let form = if of.settings.form == Form::None { None } else { Some(Form::Line) };
    let level = |z: &[f64]| {
        let mean = z.iter().sum::<f64>() / z.len() as f64;
        z.iter().map(|z| z - mean).collect::<Vec<f64>>()
    };
    let primary = form.map_or_else(|| level(&of.primary), |form| without(&of.primary, of.step, form));
    table.add("Pa", mean_deviation(&primary), "µm");
    table.add("Pq", root_mean_square(&primary), "µm");
    table.add("Pz", height(&primary), "µm");
    table.add("Pt", height(&primary), "µm");
    if of.settings.prefiltered || of.settings.filter == crate::evaluate::Filter::None {
        return;
    }
    let waviness = level(&of.waviness);
    table.add("Wa", mean_deviation(&waviness), "µm");
    table.add("Wq", root_mean_square(&waviness), "µm");
    table.add("Wt", height(&waviness), "µm");
}
