//! `ridgepost profile`: evaluates a measured trace from a file, with every choice that was made.

use std::path::{Path, PathBuf};

use clap::Args;
use ridgepost_parsers::{Unit, Value};
use ridgepost_texture::{Edition, Evaluation, Filter, Form, Settings, evaluate, usual_lambda_s};
use serde_json::{Map, Value as Json, json};

use super::out::Out;
use crate::exit::Exit;

mod plot;
mod read;

/// Arguments of `profile`.
#[derive(Debug, Args)]
pub struct ProfileArgs {
    /// CSV (heights in µm with --spacing, or x in mm and z in µm), X3P or SDF
    file: PathBuf,
    /// Edition whose definitions are followed
    #[arg(long, default_value = "ISO 21920", value_parser = edition)]
    edition: Edition,
    /// Profile filter: gaussian, gaussian-robust, gaussian-2, 2rc or none
    #[arg(long, default_value = "gaussian", value_parser = filter)]
    filter: Filter,
    /// Cutoff λc, also the length of a section ("0.8 mm"; without a unit in mm)
    #[arg(long, default_value = "0.8 mm", value_parser = millimetres)]
    cutoff: f64,
    /// Short-wave cutoff λs ("2.5 µm"; without a unit in µm; "none" for none); what belongs to the cutoff where not given
    #[arg(long, value_parser = short_cutoff)]
    lambda_s: Option<ShortCutoff>,
    /// Sections of the evaluation length
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u32).range(1..=1000))]
    sections: u32,
    /// Form that is taken out: none, line, arc or poly2
    #[arg(long, default_value = "line", value_parser = form)]
    form: Form,
    /// Distance of the points ("0.5 µm"; without a unit in µm), where the file doesn't say it
    #[arg(long, value_parser = micrometres)]
    spacing: Option<f64>,
    /// The heights are a roughness profile already: no filter is applied
    #[arg(long)]
    prefiltered: bool,
    /// Take points that are not equally far apart at their mean distance
    #[arg(long)]
    resample: bool,
    /// Heights over the mean line in µm at which the material ratio is told
    #[arg(long, value_delimiter = ',', allow_hyphen_values = true, default_values_t = [-0.5, 0.0, 0.5])]
    levels: Vec<f64>,
    /// Draw the evaluation into this file
    #[arg(long, value_name = "FILE.svg")]
    plot: Option<PathBuf>,
    /// JSON on stdout
    #[arg(long)]
    json: bool,
}

/// λs in mm, or none.
#[derive(Clone, Copy, Debug)]
struct ShortCutoff(Option<f64>);

fn edition(text: &str) -> Result<Edition, String> {
    let plain: String = text.to_lowercase().chars().filter(|char| char.is_alphanumeric()).collect();
    Ok(match plain.as_str() {
        "iso21920" | "iso219202" => Edition::Iso21920,
        "iso4287" | "iso4288" | "iso1302iso4288" | "iso42871997" => Edition::Iso4288,
        "asmeb461" | "asme" => Edition::AsmeB461,
        "jisb06011994" => Edition::Jis1994,
        "jisb06012001" => Edition::Jis2001,
        "jisb06012013" => Edition::Jis2013,
        _ => return Err(format!("known are {}", EDITIONS.map(|(_, name)| name).join(", "))),
    })
}

/// Editions with their names.
const EDITIONS: [(Edition, &str); 6] = [
    (Edition::Iso21920, "ISO 21920"),
    (Edition::Iso4288, "ISO 4287"),
    (Edition::AsmeB461, "ASME B46.1"),
    (Edition::Jis1994, "JIS B 0601:1994"),
    (Edition::Jis2001, "JIS B 0601:2001"),
    (Edition::Jis2013, "JIS B 0601:2013"),
];

fn filter(text: &str) -> Result<Filter, String> {
    let found = Filter::ALL.iter().find(|(_, word)| *word == text.to_lowercase());
    found
        .map(|(filter, _)| *filter)
        .ok_or_else(|| format!("known are {}", Filter::ALL.map(|(_, word)| word).join(", ")))
}

/// Forms with their words.
const FORMS: [(Form, &str); 4] =
    [(Form::None, "none"), (Form::Line, "line"), (Form::Arc, "arc"), (Form::Parabola, "poly2")];

fn form(text: &str) -> Result<Form, String> {
    let found = FORMS.iter().find(|(_, word)| *word == text);
    found.map(|(form, _)| *form).ok_or_else(|| format!("known are {}", FORMS.map(|(_, word)| word).join(", ")))
}

/// A length in mm; a number alone is in `plain`.
fn length(text: &str, plain: Unit) -> Result<f64, String> {
    let text = text.trim();
    let end = text.find(|char: char| char.is_alphabetic() || char == '\u{b5}').unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    let number = Value::parse(number.trim()).map_err(|_| format!("`{text}` has no number"))?;
    let unit = if unit.is_empty() { Some(plain) } else { Unit::parse(unit.trim()) };
    let micrometres = unit.and_then(|unit| unit.to_micrometres(number.decimal()));
    let micrometres = micrometres.ok_or_else(|| format!("`{text}` is no length"))?;
    let length: f64 = micrometres.to_string().parse().map_err(|_| format!("`{text}` is no length"))?;
    if length > 0.0 { Ok(length / 1000.0) } else { Err(format!("`{text}` is not above zero")) }
}

fn millimetres(text: &str) -> Result<f64, String> {
    length(text, Unit::Millimetre)
}

fn micrometres(text: &str) -> Result<f64, String> {
    length(text, Unit::Micrometre)
}

fn short_cutoff(text: &str) -> Result<ShortCutoff, String> {
    if text == "none" || text == "0" {
        return Ok(ShortCutoff(None));
    }
    length(text, Unit::Micrometre).map(|length| ShortCutoff(Some(length)))
}

/// Evaluates it; 1 where nothing can be evaluated, 3 where the file can't be read.
pub fn profile(args: &ProfileArgs, out: &mut Out) -> Exit {
    let name = args.file.display();
    let found = match read::read(&args.file) {
        Ok(found) => found,
        Err(read::Unread::File(why)) => {
            out.complain(&format!("{name}: {why}"));
            return Exit::Unusable;
        }
        Err(read::Unread::Content(why)) => {
            out.complain(&format!("{name}: {why}; nothing was evaluated"));
            return Exit::No;
        }
    };
    let remark = found.remark();
    let result = found.trace(args.spacing, args.resample).and_then(|trace| {
        let settings = settings(args);
        evaluate(&trace, &settings).map(|result| (trace, result)).map_err(|refusal| refusal.to_string())
    });
    let (trace, mut result) = match result {
        Ok(result) => result,
        Err(why) => {
            out.complain(&format!("{name}: {why}"));
            return Exit::No;
        }
    };
    result.remarks.extend(remark);
    if let Some(file) = &args.plot
        && let Err(error) = std::fs::write(file, plot::sheet(&trace, &result, &args.file))
    {
        out.complain(&format!("{}: {error}; nothing was drawn", file.display()));
        return Exit::Unusable;
    }
    match args.json {
        true => out.json(&told(&args.file, &result)),
        false => table(&args.file, &result, out),
    }
    Exit::Done
}

fn settings(args: &ProfileArgs) -> Settings {
    Settings {
        filter: args.filter,
        lambda_s: args.lambda_s.map_or(Some(usual_lambda_s(args.cutoff)), |given| given.0),
        sections: args.sections as usize,
        form: args.form,
        prefiltered: args.prefiltered,
        levels: args.levels.clone(),
        ..Settings::usual(args.edition, args.cutoff)
    }
}

/// A length for people: in µm below 0.05 mm, without digits that only floating point made.
fn shown(millimetres: f64) -> String {
    let (number, unit) = if millimetres < 0.05 { (millimetres * 1000.0, "µm") } else { (millimetres, "mm") };
    let rounded = (number * 1e6).round() / 1e6;
    format!("{rounded} {unit}")
}

/// Every choice, by name.
fn choices(of: &Evaluation) -> Vec<(&'static str, Json)> {
    let settings = &of.settings;
    let name = |edition| EDITIONS.iter().find(|(known, _)| *known == edition).map_or("", |(_, name)| name);
    let form = FORMS.iter().find(|(form, _)| *form == settings.form).map_or("", |(_, word)| word);
    let is_filtered = !settings.prefiltered;
    vec![
        ("edition", json!(name(settings.edition))),
        ("filter", json!(if is_filtered { settings.filter.word() } else { "none" })),
        ("prefiltered", json!(settings.prefiltered)),
        ("cutoff", json!(shown(settings.cutoff))),
        ("lambda_s", json!(settings.lambda_s.filter(|_| is_filtered).map(shown))),
        ("form", json!(form)),
        ("sections", json!(of.sections)),
        ("section_length", json!(shown(of.section_points as f64 * of.step))),
        ("points_per_section", json!(of.section_points)),
        ("evaluation_length", json!(shown((of.sections * of.section_points) as f64 * of.step))),
        ("first_point", json!(of.first)),
        ("kernel_half_width", json!(settings.half_width)),
        ("height_discrimination", json!(format!("{} % of Rz", settings.height_share * 100.0))),
        ("spacing_discrimination", json!(format!("{} % of a section", settings.width_share * 100.0))),
        ("rounding", json!("0.01 nm, half to even")),
    ]
}

fn told(file: &Path, of: &Evaluation) -> Json {
    let parameters: Map<String, Json> = of
        .parameters
        .iter()
        .map(|parameter| {
            let mut told = json!({ "value": parameter.value, "unit": parameter.unit });
            if let Some(rounded) = parameter.rounded() {
                told["rounded"] = json!(rounded.to_string());
            }
            if let Some(note) = parameter.note {
                told["note"] = json!(note);
            }
            (parameter.symbol.clone(), told)
        })
        .collect();
    let per_section: Map<String, Json> =
        of.per_section.iter().map(|(symbol, values)| ((*symbol).to_owned(), json!(values))).collect();
    let settings: Map<String, Json> = choices(of).into_iter().map(|(name, value)| (name.to_owned(), value)).collect();
    json!({
        "file": file.display().to_string(),
        "points": of.points,
        "spacing": shown(of.step),
        "settings": settings,
        "parameters": parameters,
        "per_section": per_section,
        "remarks": of.remarks.iter().map(|remark| remark.code).collect::<Vec<_>>(),
        "evidence": of.remarks.iter().map(|remark| json!({ "code": remark.code, "seen": remark.evidence })).collect::<Vec<_>>(),
    })
}

fn table(file: &Path, of: &Evaluation, out: &mut Out) {
    out.say(&format!("{}: {} points, {} apart", file.display(), of.points, shown(of.step)));
    for (name, value) in choices(of) {
        let value = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        out.say(&format!("    {name:24} {}", if value == "null" { "none" } else { &value }));
    }
    out.say("");
    for parameter in &of.parameters {
        let value = parameter.value.map_or_else(|| "-".to_owned(), |value| format!("{value:.5}"));
        let note = parameter.note.map(|note| format!("  ({note})")).unwrap_or_default();
        out.say(&format!("    {:20} {value:>14} {}{note}", parameter.symbol, parameter.unit));
    }
    out.say("");
    for (symbol, values) in &of.per_section {
        let values: Vec<String> = values.iter().map(|value| format!("{value:.4}")).collect();
        out.say(&format!("    {symbol:4} of each section      {} µm", values.join("  ")));
    }
    for remark in &of.remarks {
        let meaning =
            ridgepost_texture::REMARKS.iter().find(|(code, _)| *code == remark.code).map_or("", |(_, words)| words);
        out.say(&format!("    {}: {} ({meaning})", remark.code, remark.evidence));
    }
}
