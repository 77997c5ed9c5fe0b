//! What stands beside a value: how it was computed from a profile, what it might be instead.

use ridgepost_judge::{Hint, Kind, Mode, Outcome, Row, odd_ratio};
use ridgepost_parsers::{Quantity, Unit, Value};
use serde_json::Value as Json;

/// What judging knows of a reading, as far as hints and conditions need it.
pub(super) fn row_of(result: &Json) -> Option<Row> {
    let text = |name: &str| result[name].as_str();
    Some(Row {
        outcome: Outcome::parse(text("outcome")?),
        balloon: text("balloon").map(str::to_owned),
        feature: text("feature").map(str::to_owned),
        quantity: text("quantity").and_then(Quantity::parse),
        value: text("value").and_then(|value| Value::parse(value).ok()),
        unit: text("unit").and_then(Unit::parse),
        cutoff_mm: text("cutoff_mm").and_then(|value| Value::parse(value).ok()),
        lambda_s_um: text("lambda_s_um").and_then(|value| Value::parse(value).ok()),
        sections: result["sections"].as_u64().and_then(|sections| u32::try_from(sections).ok()),
        filter: text("filter").map(str::to_owned),
        standard: text("standard").map(str::to_owned),
        ..Row::blank(Kind::parse(text("kind")?)?, Mode::Production)
    })
}

/// A hint in words.
pub(super) fn said(hint: &Hint) -> String {
    match hint {
        Hint::OtherFeature(balloon) => {
            format!(
                "it would conform for balloon {balloon}: was that feature measured? Then give it there with `assign --balloon {balloon}`"
            )
        }
        Hint::OtherParameter(quantity, balloon) => {
            format!("it would conform as {quantity} (balloon {balloon}): look at which parameter the instrument sends")
        }
    }
}

/// How a value was computed from a profile, and how the instrument's own figure stands to it.
pub(super) fn computed(story: &Json) -> Json {
    let result = &story["result"];
    let report: Option<Json> = story["frame"]["report"].as_str().and_then(|text| serde_json::from_str(text).ok());
    let readings = report.as_ref().and_then(|report| report["readings"].as_array()).into_iter().flatten();
    let is_it = |reading: &&Json| {
        reading["computed"] == true
            && reading["quantity"] == result["quantity"]
            && result["value_as_sent"] == reading["value_as_sent"]
    };
    readings.into_iter().find(is_it).map_or(Json::Null, |reading| reading["other"].clone())
}

/// What Rz and Ra of the same message say together.
pub(super) fn ratio(story: &Json) -> Option<String> {
    let report: Json = serde_json::from_str(story["frame"]["report"].as_str()?).ok()?;
    let of = |symbol: &str| {
        let mut found = report["readings"].as_array()?.iter().filter(|reading| reading["quantity"] == symbol);
        let reading = found.next().filter(|_| found.next().is_none())?;
        Some((Value::parse(reading["value"].as_str()?).ok()?, Unit::parse(reading["unit"].as_str()?)?))
    };
    let ratio = odd_ratio(of("Ra")?, of("Rz")?).filter(|_| story["result"]["kind"] == "reading")?;
    Some(format!(
        "Rz is {ratio} times Ra, where 3 to 10 are usual: was it traced along the lay, over an edge, or on dirt?"
    ))
}
