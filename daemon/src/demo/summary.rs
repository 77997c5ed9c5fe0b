//! The demo's summary: every outcome with its reason in words.

use std::path::Path;

use ridgepost_judge::explain;
use rusqlite::Connection;

use crate::command::out::{Out, shown, table};
use crate::store::{StoreFault, query};

/// Prints what the demo showed.
pub(super) fn print(store: &Connection, dir: &Path, out: &mut Out) -> Result<(), StoreFault> {
    parts(store, out)?;
    out.say("\nREADINGS WORTH A LOOK");
    let sql = "SELECT seq, serial, balloon, quantity, value, unit, value_as_sent, unit_as_sent, upper, outcome, reasons \
               FROM results WHERE kind = 'reading' AND balloon IS NOT NULL \
               AND (outcome IN ('nonconforming', 'unjudged') OR unit_as_sent LIKE '%in') ORDER BY seq";
    for row in query::objects(store, sql, &[])? {
        out.say(&format!(
            "  #{} {}: {} sent as {} {}, {} {} against at most {} {}: {}",
            row["seq"],
            shown(&row["serial"]),
            shown(&row["quantity"]),
            shown(&row["value_as_sent"]),
            shown(&row["unit_as_sent"]),
            shown(&row["value"]),
            shown(&row["unit"]),
            shown(&row["upper"]),
            shown(&row["unit"]),
            shown(&row["outcome"])
        ));
        out.say(&format!("      {}", in_words(&shown(&row["reasons"]))));
    }
    counted(store, out)?;
    kept(store, out)?;
    places(store, dir, out)
}

fn parts(store: &Connection, out: &mut Out) -> Result<(), StoreFault> {
    let rows =
        query::objects(store, "SELECT serial, outcome, reasons FROM results WHERE kind = 'part' ORDER BY seq", &[])?;
    let lines =
        rows.iter().map(|row| vec![shown(&row["serial"]), shown(&row["outcome"]), in_words(&shown(&row["reasons"]))]);
    out.say("PARTS");
    out.say(&table(&["part", "outcome", "why"], lines));
    Ok(())
}

fn counted(store: &Connection, out: &mut Out) -> Result<(), StoreFault> {
    for (reason, text) in [
        ("more-traces-needed", "values were undecided until the second track"),
        ("no-characteristic", "values were not asked for by the job"),
    ] {
        let sql = "SELECT count(*) FROM result WHERE kind = 'reading' AND reasons = ?1";
        let count: i64 = store.query_row(sql, [reason], |row| row.get(0))?;
        out.say(&format!("  {count} {text}: {}", explain(reason)));
    }
    Ok(())
}

fn kept(store: &Connection, out: &mut Out) -> Result<(), StoreFault> {
    out.say("\nKEPT, AND NEVER A READING");
    let sql = "SELECT f.transmission, f.outcome, f.reason, f.detail, f.bytes, t.station FROM single_frame AS f \
               JOIN transmission AS t ON t.id = f.transmission WHERE f.outcome <> 'accepted' ORDER BY f.transmission";
    for row in query::objects(store, sql, &[])? {
        let reason = ridgepost_parsers::Reason::parse(&shown(&row["reason"])).map_or("", |reason| reason.meaning());
        out.say(&format!(
            "  transmission {} of {}: {} bytes, {}: {reason}",
            row["transmission"],
            shown(&row["station"]),
            row["bytes"],
            shown(&row["outcome"])
        ));
    }
    for event in query::objects(store, "SELECT text FROM event WHERE code = 'repeat'", &[])? {
        out.say(&format!("  {}", shown(&event["text"])));
    }
    for gap in query::objects(store, "SELECT station, from_at, until_at FROM coverage ORDER BY id", &[])? {
        out.say(&format!(
            "  {} could not be heard from {} until {}",
            shown(&gap["station"]),
            shown(&gap["from_at"]),
            shown(&gap["until_at"])
        ));
    }
    Ok(())
}

fn places(store: &Connection, dir: &Path, out: &mut Out) -> Result<(), StoreFault> {
    let interesting: i64 = store.query_row(
        "SELECT coalesce(min(seq), 1) FROM result WHERE kind = 'reading' AND outcome = 'nonconforming'",
        [],
        |row| row.get(0),
    )?;
    let cell = dir.join("cell");
    out.say("\nWHERE IT LIES");
    out.say(&format!("  cell folder  {}", cell.display()));
    out.say(&format!("  store        {}", dir.join("store.db").display()));
    out.say(&format!("  drops        {}", dir.join("drops").display()));
    out.say("\nTRY NEXT");
    let program = program();
    out.say(&format!("  {program} why {interesting} --cell {}", quoted(&cell)));
    out.say(&format!("  {program} readings --outcome unjudged --cell {}", quoted(&cell)));
    out.say(&format!("  {program} status --cell {}", quoted(&cell)));
    out.say("\nRidgepost supports a trained person's decision; a conforming outcome is not a release.");
    Ok(())
}

/// How this program was called, so that the commands can be typed as they stand.
fn program() -> String {
    let called = std::env::args().next().unwrap_or_default();
    if called.contains('/') { quoted(Path::new(&called)) } else { "ridgepost".to_owned() }
}

fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = text.chars().all(|c| c.is_alphanumeric() || "/-_.".contains(c));
    if plain { text } else { format!("'{}'", text.replace('\'', r"'\''")) }
}

fn in_words(reasons: &str) -> String {
    reasons.split(' ').filter(|reason| !reason.is_empty()).map(explain).collect::<Vec<_>>().join("; ")
}
