//! Gauge studies of `ridgepost series`: readings in mode `study` out of the store, or a file.

use std::path::Path;

use ridgepost_judge::Mode;
use ridgepost_judge::series::{Crossed, Method, Moments, Share, Study, crossed_study, single_gauge};
use serde_json::{Value as Json, json};

use super::paper::{line, shown};
use super::{SeriesArgs, Source, StudyKind, number, tell_left_out};
use crate::command::out::Out;
use crate::exit::Exit;
use crate::store::StoreFault;

/// Readings of a study at most; a study that has more is no study.
const READINGS_MAX: usize = 100_000;

/// What must be known before a tester is graded by parts (common practice, no source).
const SPOTS: &str =
    "roughness varies over a part by 5 to 20 %: mark the spot or use a nest, and don't grade the tester by it";

/// What a study is made of.
#[derive(Default)]
struct Given {
    readings: Vec<Crossed>,
    /// Readings without operator or part.
    nameless: u64,
    unit: Option<String>,
    tolerance: Option<f64>,
    fault: Option<String>,
}

/// A study of readings in mode `study`: part by its serial number, operator by its label, trials in the order they came.
pub fn from_store(source: &Source, kind: StudyKind, args: &SeriesArgs, out: &mut Out) -> Result<Exit, StoreFault> {
    let mut given = Given::default();
    let left_out = source.each(Mode::Study, |row, value| {
        if given.unit.is_some() && given.unit != row.origin.unit {
            given.fault = Some(format!("#{} has another unit than readings before it; narrow the question", row.seq));
            return false;
        }
        given.unit = row.origin.unit;
        let limit = |digits: &Option<String>| digits.as_ref().and_then(|digits| digits.parse::<f64>().ok());
        if let (Some(lower), Some(upper)) = (limit(&row.origin.lower), limit(&row.origin.upper)) {
            given.tolerance = Some(upper - lower);
        }
        let (operator, part) = match (kind, row.operator, row.serial) {
            (StudyKind::Single, operator, part) => (operator.unwrap_or_default(), part.unwrap_or_default()),
            (_, Some(operator), Some(part)) => (operator, part),
            _ => {
                given.nameless += 1;
                return true;
            }
        };
        if given.readings.len() == READINGS_MAX {
            given.fault =
                Some(format!("there are more than {READINGS_MAX} readings in mode study; narrow the question"));
            return false;
        }
        given.readings.push(Crossed { operator, part, value });
        true
    })?;
    let exit = told(kind, &given, args, out);
    tell_left_out(&left_out, args.json, out);
    Ok(exit)
}

/// A study of a CSV file with the columns part, operator, value in any order.
pub fn from_file(path: &Path, kind: StudyKind, args: &SeriesArgs, out: &mut Out) -> Exit {
    match read(path) {
        Ok(readings) => told(kind, &Given { readings, ..Given::default() }, args, out),
        Err(why) => {
            out.complain(&format!("{}: {why}; a file has a heading with part, operator and value", path.display()));
            Exit::Unusable
        }
    }
}

fn read(path: &Path) -> Result<Vec<Crossed>, String> {
    let mut reader =
        csv::ReaderBuilder::new().trim(csv::Trim::All).from_path(path).map_err(|error| error.to_string())?;
    let headings = reader.headers().map_err(|error| error.to_string())?.clone();
    let column = |name: &str| {
        let at = headings.iter().position(|heading| heading.trim_start_matches('\u{feff}') == name);
        at.ok_or_else(|| format!("there is no column `{name}`"))
    };
    let (part, operator, value) = (column("part")?, column("operator")?, column("value")?);
    let mut readings = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| error.to_string())?;
        let place = record.position().map_or(0, csv::Position::line);
        let text = |at: usize| record.get(at).unwrap_or_default();
        let value = text(value).parse().map_err(|_| format!("line {place}: `{}` is no number", text(value)))?;
        if readings.len() == READINGS_MAX {
            return Err(format!("line {place}: more than {READINGS_MAX} readings"));
        }
        readings.push(Crossed { operator: text(operator).to_owned(), part: text(part).to_owned(), value });
    }
    Ok(readings)
}

fn told(kind: StudyKind, given: &Given, args: &SeriesArgs, out: &mut Out) -> Exit {
    if let Some(fault) = &given.fault {
        out.complain(fault);
        return Exit::No;
    }
    if given.nameless > 0 {
        out.complain(&format!(
            "{} readings in mode study name no operator or no serial number and are left out; say both by label, or use \
             --from FILE",
            given.nameless
        ));
    }
    let tolerance = args.tolerance.or(given.tolerance);
    let method = match kind {
        StudyKind::Ranges => Method::Ranges,
        StudyKind::Variance => Method::Variance,
        StudyKind::Single => return single(given, tolerance, args, out),
    };
    match crossed_study(&given.readings, method, tolerance) {
        Ok(study) => {
            if args.json {
                out.json(&as_json(&study, given, args));
            } else {
                tell(&study, out);
            }
            Exit::Done
        }
        Err(fault) => {
            out.complain(&fault.to_string());
            Exit::No
        }
    }
}

fn single(given: &Given, tolerance: Option<f64>, args: &SeriesArgs, out: &mut Out) -> Exit {
    let (Some(reference), Some(tolerance)) = (args.reference, tolerance) else {
        out.complain(
            "a study of one gauge needs --reference VALUE, and --tolerance WIDTH unless the job has both limits",
        );
        return Exit::Usage;
    };
    let moments: Moments = given.readings.iter().map(|reading| reading.value).collect();
    let Some(found) = single_gauge(&moments, reference, tolerance) else {
        out.complain(&format!("a study needs at least two readings; there are {}", moments.count()));
        return Exit::No;
    };
    if args.json {
        out.json(&json!({ "record": "study", "study": "single", "quantity": args.quantity, "unit": given.unit,
            "readings": moments.count(), "reference": reference, "tolerance": tolerance, "mean": number(moments.mean()),
            "bias": found.bias, "s": found.s, "cg": number(found.cg), "cgk": number(found.cgk) }));
    } else {
        out.say(&line("readings", &moments.count().to_string()));
        out.say(&line("bias", &shown(Some(found.bias))));
        out.say(&line("s", &shown(Some(found.s))));
        out.say(&line("Cg", &shown(found.cg)));
        out.say(&line("Cgk", &shown(found.cgk)));
        out.say(&line("rule", "a fifth of the tolerance by six s, a tenth of it less the bias by three s"));
    }
    Exit::Done
}

const NAMES: [&str; 5] = ["repeatability", "reproducibility", "gauge", "parts", "total"];

fn shares(study: &Study) -> [Share; 5] {
    [study.repeatability, study.reproducibility, study.gauge, study.parts, study.total]
}

fn as_json(study: &Study, given: &Given, args: &SeriesArgs) -> Json {
    let method = if study.table.is_some() { "variance" } else { "ranges" };
    let [operators, parts, trials] = study.size;
    let share = |share: Share| {
        json!({ "s": share.s, "percent_of_total": number(share.of_total),
            "percent_of_tolerance": number(share.of_tolerance) })
    };
    let spreads: serde_json::Map<String, Json> =
        NAMES.iter().zip(shares(study)).map(|(name, found)| ((*name).to_owned(), share(found))).collect();
    let table = study.table.map(|table| {
        json!({ "sum_operators": table.operators, "sum_parts": table.parts, "sum_interaction": table.interaction,
            "sum_repeats": table.repeats, "degrees_of_freedom": table.freedom,
            "f_interaction": number(table.f_interaction), "p_interaction": number(table.p_interaction),
            "interaction_pooled": table.pooled })
    });
    json!({ "record": "study", "study": method, "quantity": args.quantity, "unit": given.unit, "operators": operators,
        "parts": parts, "trials": trials, "spreads": spreads, "ndc": study.classes,
        "standing": study.standing.map(|standing| standing.word()), "table": table, "caution": SPOTS })
}

fn tell(study: &Study, out: &mut Out) {
    let [operators, parts, trials] = study.size;
    out.say(&line("study", &format!("{operators} operators, {parts} parts, {trials} trials")));
    for (name, share) in NAMES.iter().zip(shares(study)) {
        let percent =
            |part: Option<f64>, of: &str| part.map(|part| format!("  {part:.2} % of {of}")).unwrap_or_default();
        let of = percent(share.of_total, "total") + &percent(share.of_tolerance, "tolerance");
        out.say(&line(name, &format!("s {}{of}", shown(Some(share.s)))));
    }
    if let Some(table) = study.table {
        let pooled = if table.pooled { "pooled with the repeats" } else { "kept" };
        let f = format!("F {}, p {}, {pooled}", shown(table.f_interaction), shown(table.p_interaction));
        out.say(&line("interaction", &f));
    }
    let classes = study.classes.map_or_else(|| "-".to_owned(), |classes| classes.to_string());
    out.say(&line("classes (ndc)", &format!("{classes}, five or more are wanted")));
    out.say(&line("standing", study.standing.map_or("-", |standing| standing.word())));
    out.say(&line("caution", SPOTS));
}
