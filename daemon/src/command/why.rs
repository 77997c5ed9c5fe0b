//! `ridgepost why`: everything one result rests on, from the bytes to the delivered file.

mod beside;

use clap::Args;
use ridgepost_config::rules_in_words;
use ridgepost_judge::{Outcome, Piece, StoredReading, explain, hints, other_conditions, still_needed, sum_in_words};
use ridgepost_parsers::{Quantity, Unit, Value};
use rusqlite::Connection;
use serde_json::{Value as Json, json};

use self::beside::{computed, ratio, row_of, said};
use super::out::{Out, shown};
use crate::cell::Cell;
use crate::exit::Exit;
use crate::store::{StoreFault, correct, gauge, held, open_for_reading, query};

/// Arguments of `why`.
#[derive(Debug, Args)]
pub struct WhyArgs {
    /// Number (seq) or result_id
    result: String,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

/// Tells it; 1 if there is no such result.
pub fn why(cell: &Cell, args: &WhyArgs, out: &mut Out) -> Exit {
    let told = open_for_reading(&cell.plan.store).and_then(|connection| gather(&connection, &args.result));
    let told = told.map(|story| story.map(|story| with_job(cell, story)));
    match told {
        Err(fault) => super::store_unusable(cell, &fault, out),
        Ok(None) => {
            out.complain(&format!("there is no result {}; `ridgepost readings` lists them", args.result));
            Exit::No
        }
        Ok(Some(story)) if args.json => {
            out.json(&story);
            Exit::Done
        }
        Ok(Some(story)) => {
            tell(&story, out);
            Exit::Done
        }
    }
}

/// Adds what the job's text, as it was judged by, tells of the result: how the value came about where the instrument sent
/// a deviation, by which rules it was judged, and what they needed then.
fn with_job(cell: &Cell, mut story: Json) -> Json {
    if let Some(sum) = sum(cell, &story) {
        story["sum"] = sum.into();
    }
    let Some(job) = story["job"]["body"].as_str().and_then(|body| cell.kept_job(body)) else { return story };
    let balloon = story["result"]["balloon"].as_str();
    let at = job.characteristics.iter().position(|characteristic| Some(characteristic.balloon.as_str()) == balloon);
    let Some((at, characteristic)) = at.and_then(|at| Some((at, job.characteristics.get(at)?))) else { return story };
    story["rules"] = rules_in_words(characteristic).into();
    let up_to = story["result"]["seq"].as_i64();
    let rows = story["piece"].as_array().into_iter().flatten().filter(|row| row["seq"].as_i64() <= up_to);
    let piece = Piece::rebuild(&job, 1, &rows.filter_map(stored).collect::<Vec<_>>());
    let is_reading = story["result"]["kind"] == "reading";
    let needs = piece.slots.get(at).and_then(|slot| still_needed(characteristic, slot)).filter(|_| is_reading);
    if let Some(needs) = needs {
        story["still_needed"] = needs.into();
    }
    let row = row_of(&story["result"]);
    let set_otherwise = row.as_ref().map_or_else(Vec::new, |row| other_conditions(characteristic, row));
    if !set_otherwise.is_empty() {
        story["set_otherwise"] = json!(set_otherwise);
    }
    let others = row.map_or_else(Vec::new, |row| hints(&job, &row));
    let hints: Vec<String> = others.iter().map(said).chain(ratio(&story)).collect();
    if !hints.is_empty() {
        story["hints"] = json!(hints);
    }
    story
}

/// A `reading` row among those of a piece.
fn stored(row: &Json) -> Option<StoredReading> {
    let text = |name: &str| row[name].as_str();
    let number = |name: &str| row[name].as_i64().and_then(|number| u32::try_from(number).ok());
    if text("kind") != Some("reading") {
        return None;
    }
    Some(StoredReading {
        cycle: None,
        serial: None,
        balloon: text("balloon").map(str::to_owned),
        quantity: text("quantity").and_then(Quantity::parse),
        gauge: None,
        value: text("value").and_then(|value| Value::parse(value).ok()),
        unit: text("unit").and_then(Unit::parse),
        outcome: Outcome::parse(text("outcome")?)?,
        reasons: text("reasons").unwrap_or_default().split_whitespace().map(str::to_owned).collect(),
        trace: number("trace"),
        attempt: number("attempt"),
    })
}

fn sum(cell: &Cell, story: &Json) -> Option<String> {
    let result = &story["result"];
    let report: Json = serde_json::from_str(story["frame"]["report"].as_str()?).ok()?;
    let is_it = |reading: &&Json| {
        let quantity = reading["quantity"].as_str().and_then(Quantity::parse);
        quantity.is_some_and(|quantity| quantity.is_deviation()) && reading["value_as_sent"] == result["value_as_sent"]
    };
    let sent = report["readings"].as_array()?.iter().find(is_it)?;
    let (value, unit) = (Value::parse(sent["value"].as_str()?).ok()?, Unit::parse(sent["unit"].as_str()?)?);
    let job = cell.kept_job(story["job"]["body"].as_str()?)?;
    let balloon = result["balloon"].as_str()?;
    let characteristic = job.characteristics.iter().find(|characteristic| characteristic.balloon == balloon)?;
    sum_in_words(characteristic, value, unit)
}

fn gather(connection: &Connection, id: &str) -> Result<Option<Json>, StoreFault> {
    let Some(cells) = query::result(connection, id)? else { return Ok(None) };
    let result = query::to_json(&cells);
    let seq = result["seq"].as_i64().unwrap_or(-1);
    let one = |sql: &str| -> Result<Json, StoreFault> {
        Ok(query::objects(connection, sql, &[&seq])?.pop().unwrap_or(Json::Null))
    };
    let transmission = one("SELECT t.id, t.station, t.source, t.received_at, t.sha256, length(t.raw) AS bytes, \
        t.definition, w.name AS definition_name, hex(substr(t.raw, 1, 4096)) AS raw_hex \
        FROM result AS r JOIN transmission AS t ON t.id = r.transmission \
        JOIN wording AS w ON w.hash = t.definition WHERE r.seq = ?1")?;
    let frame = one("SELECT f.number, f.start, f.bytes, f.outcome, f.reason, f.detail, f.remarks, f.report, \
        hex(substr(t.raw, f.start + 1, min(f.bytes, 4096))) AS raw_hex, length(t.raw) AS whole \
        FROM entry AS r JOIN transmission AS t ON t.id = r.transmission \
        JOIN (SELECT transmission, number, start, bytes, outcome, reason, detail, remarks, report FROM single_frame \
        WHERE (transmission, number) = (SELECT transmission, frame FROM entry WHERE seq = ?1) UNION ALL \
        SELECT transmission, frame, report ->> '$.offset', report ->> '$.bytes', 'accepted', NULL, NULL, \
        coalesce((SELECT group_concat(value, ' ') FROM json_each(report, '$.remarks')), ''), report FROM \
        (SELECT p.transmission, e.frame, p.body -> (e.frame - p.first) AS report FROM entry AS e \
        JOIN frame_page AS p ON p.transmission = e.transmission AND e.frame BETWEEN p.first AND p.last \
        WHERE e.seq = ?1)) AS f WHERE r.seq = ?1")?;
    let job = one(
        "SELECT w.name, w.hash, w.body FROM result AS r JOIN wording AS w ON w.hash = r.job_hash WHERE r.seq = ?1",
    )?;
    let judged_by = one("SELECT program_version FROM result WHERE seq = ?1")?;
    let deliveries = query::objects(
        connection,
        "SELECT p.sink, p.name, p.state, p.attempts, p.reason, p.delivered_at, p.sha256 \
         FROM stretch AS s JOIN parcel AS p ON p.id = s.parcel WHERE ?1 BETWEEN s.first AND s.last ORDER BY p.sink",
        &[&seq],
    )?;
    let reasons: Vec<Json> = result["reasons"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|code| json!({ "code": code, "in_words": explain(&shown(code)) }))
        .collect();
    let siblings = query::objects(
        connection,
        "SELECT s.seq, s.kind, s.balloon, s.quantity, s.value, s.unit, s.outcome, s.reasons, s.trace, s.attempt \
         FROM result AS r JOIN result AS s ON s.run = r.run AND s.piece = r.piece WHERE r.seq = ?1 ORDER BY s.seq",
        &[&seq],
    )?;
    Ok(Some(json!({
        "result": result,
        "reasons": reasons,
        "judged_by_version": judged_by["program_version"],
        "job": job,
        "piece": siblings,
        "corrections": correct::decisions(connection, seq)?,
        "dispositions": correct::dispositions(connection, seq)?,
        "labels": held::given(connection, seq)?,
        "gauge": gauge::around(connection, result["gauge"].as_str().unwrap_or_default(), seq)?,
        "frame": frame,
        "transmission": transmission,
        "deliveries": deliveries,
    })))
}

fn tell(story: &Json, out: &mut Out) {
    let result = &story["result"];
    out.say(&format!(
        "result {} ({}): {} {}",
        result["seq"],
        shown(&result["result_id"]),
        shown(&result["kind"]),
        shown(&result["outcome"])
    ));
    let later =
        story["corrections"].as_array().into_iter().flatten().filter_map(|told| told["seq"].as_i64()).next_back();
    if let Some(later) = later.filter(|later| Some(*later) != result["seq"].as_i64()) {
        out.say(&format!("    it does not stand any more: result {later} took its place"));
    }
    for reason in story["reasons"].as_array().into_iter().flatten() {
        out.say(&format!("    because {}: {}", shown(&reason["code"]), shown(&reason["in_words"])));
    }
    for setting in story["set_otherwise"].as_array().into_iter().flatten() {
        out.say(&format!("    set otherwise: {}", shown(setting)));
    }
    for (name, words) in computed(story).as_object().into_iter().flatten() {
        out.say(&format!("    {name}: {}", shown(words)));
    }
    for hint in story["hints"].as_array().into_iter().flatten() {
        out.say(&format!("    a hint: {}", shown(hint)));
    }
    if let Some(needs) = story["still_needed"].as_u64() {
        out.say(&format!("    {needs} more {} needed", if needs == 1 { "trace is" } else { "traces are" }));
    }
    if let Some(rules) = story["rules"].as_str() {
        out.say(&format!("    acceptance by rule {rules}"));
    }
    if let Some(sum) = story["sum"].as_str() {
        out.say(&format!("    {sum}"));
    }
    out.say("\nas recorded");
    for (name, value) in result.as_object().into_iter().flatten() {
        if !value.is_null() && !["reasons", "result_id", "seq", "kind", "outcome"].contains(&name.as_str()) {
            out.say(&format!("    {name:18} {}", shown(value)));
        }
    }
    decisions(story, out);
    job(story, out);
    labels(story, out);
    verifications(story, out);
    bytes(story, out);
    out.say("\ndeliveries");
    let mut any = false;
    for delivery in story["deliveries"].as_array().into_iter().flatten() {
        any = true;
        let state = [shown(&delivery["state"]), shown(&delivery["delivered_at"]), shown(&delivery["reason"])].join(" ");
        out.say(&format!("    {}: {} {}", shown(&delivery["sink"]), shown(&delivery["name"]), state.trim()));
    }
    if !any {
        out.say("    none: no sink takes this kind of row");
    }
}

fn job(story: &Json, out: &mut Out) {
    if story["job"].is_null() {
        out.say("\nno job: it was not judged by any");
        return;
    }
    let job = &story["job"];
    out.say(&format!(
        "\njudged by job {} as it stood then (SHA-256 {}), ridgepost {}",
        shown(&job["name"]),
        shown(&job["hash"]),
        shown(&story["judged_by_version"])
    ));
    out.say("    the same piece:");
    for row in story["piece"].as_array().into_iter().flatten() {
        let what =
            [shown(&row["balloon"]), shown(&row["quantity"]), shown(&row["value"]), shown(&row["unit"])].join(" ");
        out.say(&format!(
            "    #{} {} {} {} {}",
            row["seq"],
            shown(&row["kind"]),
            what.trim(),
            shown(&row["outcome"]),
            shown(&row["reasons"])
        ));
    }
}

/// What was said of it later, by persons and by later definitions.
fn decisions(story: &Json, out: &mut Out) {
    let who = |told: &Json| {
        let kind = told["kind"].as_str().unwrap_or(match told["about"].as_str() {
            Some("reading") => "read anew by a later definition",
            _ => "more of the part was measured later, or read anew",
        });
        let by =
            told["by_whom"].as_str().map(|by| format!(" by {by}, {}: {}", shown(&told["at"]), shown(&told["reason"])));
        format!("{kind}{}", by.unwrap_or_default())
    };
    for (at, told) in (0..).zip(story["corrections"].as_array().into_iter().flatten()) {
        if at == 0 {
            out.say("\ncorrected since");
        }
        out.say(&format!(
            "    #{} {} {} {}: {}",
            told["seq"],
            ["job", "serial", "balloon"]
                .map(|name| shown(&told[name]))
                .join(" ")
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" "),
            shown(&told["outcome"]),
            shown(&told["reasons"]),
            who(told)
        ));
    }
    for told in story["dispositions"].as_array().into_iter().flatten() {
        let body: Json = told["body"].as_str().and_then(|body| serde_json::from_str(body).ok()).unwrap_or_default();
        let reference = body["reference"].as_str().map(|number| format!(", {number}")).unwrap_or_default();
        out.say(&format!(
            "\nthe part: {}{reference} (#{}, {}, {}: {})",
            shown(&body["disposition"]),
            told["seq"],
            shown(&told["by_whom"]),
            shown(&told["at"]),
            shown(&told["reason"])
        ));
    }
}

fn labels(story: &Json, out: &mut Out) {
    for label in story["labels"].as_array().into_iter().flatten() {
        out.say(&format!(
            "    {} {} by label \"{}\" of {}, transmission {} at {}",
            shown(&label["item"]),
            shown(&label["value"]),
            shown(&label["text"]),
            shown(&label["scanner"]),
            label["transmission"],
            shown(&label["received_at"])
        ));
    }
}

/// What decided on the state of its gauge, and what came after.
fn verifications(story: &Json, out: &mut Out) {
    for (when, event) in [("before", &story["gauge"]["before"]), ("after", &story["gauge"]["after"])] {
        if !event.is_null() {
            out.say(&format!(
                "\ngauge {} {when} it: {} at {}{}\n    {}",
                shown(&story["result"]["gauge"]),
                shown(&event["in_words"]),
                shown(&event["at"]),
                event["by"].as_str().map(|by| format!(", {by}")).unwrap_or_default(),
                shown(event["body"].get("in_words").unwrap_or(&event["body"]["reason"]))
            ));
        }
    }
}

fn bytes(story: &Json, out: &mut Out) {
    let (transmission, frame) = (&story["transmission"], &story["frame"]);
    if transmission.is_null() {
        out.say("\nno transmission: this row was made by a person's word or by other rows");
        return;
    }
    out.say(&format!(
        "\nheard as transmission {} of station {} from {} at {}, {} bytes, SHA-256 {}",
        transmission["id"],
        shown(&transmission["station"]),
        shown(&transmission["source"]),
        shown(&transmission["received_at"]),
        transmission["bytes"],
        shown(&transmission["sha256"])
    ));
    out.say(&format!(
        "    read with definition {} (SHA-256 {})",
        shown(&transmission["definition_name"]),
        shown(&transmission["definition"])
    ));
    let hex = if shown(&frame["raw_hex"]).is_empty() { &transmission["raw_hex"] } else { &frame["raw_hex"] };
    let raw = ridgepost_parsers::from_hex(&shown(hex).to_lowercase()).unwrap_or_default();
    out.say(&format!("    bytes: {}", raw.escape_ascii()));
    if !shown(&frame["remarks"]).is_empty() {
        out.say(&format!("    remarks: {}", shown(&frame["remarks"])));
    }
}
