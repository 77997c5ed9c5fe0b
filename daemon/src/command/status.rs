//! `ridgepost status`: stations, gauges, open job, outbox, disk and clock on one screen.

use jiff::civil::Date;
use ridgepost_judge::{AsOf, due_soon};
use rusqlite::Connection;
use serde_json::{Value as Json, json};

use super::out::{Out, shown, table};
use crate::cell::Cell;
use crate::clock::{Clock, day_for_dates};
use crate::control::{Reply, Request};
use crate::exit::Exit;
use crate::store::gauge::{self, Gauges};
use crate::store::{StoreFault, damage, held, open_for_reading, query, sample};

/// Shows how everything is doing.
pub fn status(cell: &Cell, as_json: bool, out: &mut Out) -> Exit {
    let daemon = crate::run::running(&cell.plan.store).map(|socket| crate::control::ask(&socket, &Request::Status));
    let daemon = match daemon {
        Some(Ok(Reply::Done(status))) => status,
        Some(_) => json!({ "trouble": "the daemon holds the store but does not answer" }),
        None => Json::Null,
    };
    let connection = open_for_reading(&cell.plan.store);
    let stored = match connection.and_then(|connection| Ok((stored(cell, &connection)?, gauges(cell, &connection)?))) {
        Ok(stored) => stored,
        Err(StoreFault::Absent(_)) => (Json::Null, gauges_of(cell, &Gauges::default(), None)),
        Err(fault) => return super::store_unusable(cell, &fault, out),
    };
    let whole = json!({
        "cell": cell.plan.cell.name,
        "running": !daemon.is_null(),
        "daemon": daemon,
        "store": stored.0,
        "put_aside": damage::aside(&cell.plan.store),
        "gauges": stored.1,
        "due_soon": due_soon(&cell.plan, Clock::new(cell.plan.cell.time_zone.clone()).today()),
        "faults": cell.faults.iter().map(ToString::to_string).collect::<Vec<_>>(),
    });
    match as_json {
        true => out.json(&whole),
        false => screen(&whole, out),
    }
    Exit::Done
}

fn stored(cell: &Cell, connection: &Connection) -> Result<Json, StoreFault> {
    let today = Clock::new(cell.plan.cell.time_zone.clone()).midnight_us();
    let [last, unjudged, rejected] = query::amounts(connection, today)?;
    Ok(json!({
        "path": cell.plan.store,
        "bytes": std::fs::metadata(&cell.plan.store).map(|file| file.len()).unwrap_or(0),
        "free_bytes": crate::watch::free_bytes(&cell.plan.store),
        "journal_mode": pragma(connection, "journal_mode")?,
        "job": open_job(cell, connection)?,
        "labels": held::held(connection)?,
        "last_seq": last,
        "unjudged_today": unjudged,
        "rejected_today": rejected,
        "stations": query::last_heard(connection)?,
        "outbox": query::outbox_counts(connection)?,
        "gaps": query::gaps(connection, 5)?,
        "events": query::events(connection, 5)?,
    }))
}

/// The open job, and what its sampling asks for on the piece at hand.
fn open_job(cell: &Cell, connection: &Connection) -> Result<Option<Json>, StoreFault> {
    let Some(mut open) = query::open_job(connection)? else { return Ok(None) };
    let body = query::objects(connection, "SELECT body FROM wording WHERE hash = ?1", &[&open["job_hash"].as_str()])?;
    let job = body.first().and_then(|row| cell.kept_job(row["body"].as_str()?));
    if let (Some(job), Some(run), Some(piece)) = (job, open["run"].as_i64(), open["piece"].as_u64()) {
        open["due"] = json!(sample::still_due(
            connection,
            &job,
            (run, piece),
            Clock::new(cell.plan.cell.time_zone.clone()).stamp().us
        )?);
    }
    Ok(Some(open))
}

fn pragma(connection: &Connection, name: &str) -> Result<String, StoreFault> {
    Ok(connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get(0))?)
}

fn gauges(cell: &Cell, connection: &Connection) -> Result<Vec<Json>, StoreFault> {
    Ok(gauges_of(cell, &gauge::load(connection, &cell.plan)?, query::known_day(connection)?))
}

fn gauges_of(cell: &Cell, known_gauges: &Gauges, known: Option<Date>) -> Vec<Json> {
    let clock = Clock::new(cell.plan.cell.time_zone.clone());
    let now = clock.stamp();
    let day = day_for_dates(clock.today(), now.synced, known);
    let as_of = AsOf { us: now.us, day, zone: cell.plan.cell.time_zone.clone() };
    let gauges = cell.plan.gauges.values().map(|gauge| {
        let state = known_gauges.state(&cell.plan, &gauge.id, &as_of);
        json!({
            "gauge": gauge.id,
            "kind": gauge.kind,
            "state": state.code(),
            "calibration_due": gauge.calibration_due.map(|due| due.to_string()),
            "verifying": known_gauges.under_way(&gauge.id),
        })
    });
    gauges.collect()
}

fn screen(whole: &Json, out: &mut Out) {
    let (daemon, store) = (&whole["daemon"], &whole["store"]);
    let running = match (daemon.is_null(), &daemon["trouble"]) {
        (true, _) => "not running".to_owned(),
        (false, Json::String(trouble)) => trouble.clone(),
        _ => format!("running as process {} since {}", daemon["pid"], shown(&daemon["since"])),
    };
    out.say(&format!("cell {}: {running}", shown(&whole["cell"])));
    for fault in whole["faults"].as_array().into_iter().flatten() {
        out.say(&format!("fault: {}", shown(fault)));
    }
    for soon in whole["due_soon"].as_array().into_iter().flatten() {
        out.say(&format!("soon: {}", shown(soon)));
    }
    job_and_store(daemon, store, out);
    for aside in whole["put_aside"].as_array().into_iter().flatten() {
        out.say(&format!("store: damaged and put aside: {}; `ridgepost doctor` says what to do", shown(aside)));
    }
    stations(daemon, store, out);
    let gauges = whole["gauges"].as_array().into_iter().flatten();
    let names = ["gauge", "kind", "state", "calibration_due"];
    out.say(&format!(
        "\n{}",
        table(&names, gauges.map(|gauge| names.iter().map(|name| shown(&gauge[*name])).collect()))
    ));
    verifying(whole, out);
    outbox(daemon, store, out);
    for gap in store["gaps"].as_array().into_iter().flatten() {
        let until = if gap["until_at"].is_null() { "now".to_owned() } else { shown(&gap["until_at"]) };
        out.say(&format!(
            "deaf: {} from {} until {until}: {}",
            shown(&gap["station"]),
            shown(&gap["from_at"]),
            shown(&gap["cause"])
        ));
    }
    for event in store["events"].as_array().into_iter().flatten() {
        out.say(&format!("event: {} {}: {}", shown(&event["at"]), shown(&event["station"]), shown(&event["text"])));
    }
}

/// Verifications under way.
fn verifying(whole: &Json, out: &mut Out) {
    for gauge in whole["gauges"].as_array().into_iter().flatten() {
        let Some(under_way) = gauge["verifying"].as_object() else { continue };
        let values = under_way["values"].as_object().into_iter().flatten();
        let so_far: Vec<String> = values.map(|(quantity, count)| format!("{count} of {quantity}")).collect();
        let so_far = if so_far.is_empty() { "none".to_owned() } else { so_far.join(", ") };
        out.say(&format!(
            "verification: {} with specimen {}, {}; values so far: {so_far}, {} don't count",
            shown(&gauge["gauge"]),
            shown(&under_way["specimen"]),
            shown(&under_way["phase"]),
            under_way["not_counted"]
        ));
    }
}

fn job_and_store(daemon: &Json, store: &Json, out: &mut Out) {
    if store.is_null() {
        out.say("store: not made yet; `ridgepost run` makes it");
        return;
    }
    match store["job"].is_null() {
        true => out.say("job: none is open; `ridgepost job open ID` opens one"),
        false => out.say(&format!("job: {}, piece {}", shown(&store["job"]["job"]), store["job"]["piece"])),
    }
    for due in store["job"]["due"].as_array().into_iter().flatten() {
        let overdue = due["overdue_minutes"].as_i64().map(|minutes| format!(", overdue for {minutes} min"));
        out.say(&format!("due: balloon {}{}", shown(&due["balloon"]), overdue.unwrap_or_default()));
    }
    for label in store["labels"].as_array().into_iter().flatten() {
        let gone = match &label["gone"] {
            Json::String(why) => format!(", not any more: {why}"),
            _ => String::new(),
        };
        let [station, item, value] = ["station", "item", "value"].map(|name| shown(&label[name]));
        out.say(&format!("label: {station} has {item} {value} since {}{gone}", shown(&label["received_at"])));
    }
    let mib = |bytes: &Json| bytes.as_u64().unwrap_or(0) / 1024 / 1024;
    out.say(&format!(
        "store: {}, {} MiB, {} MiB free, last result {}; today {} readings unjudged, {} frames rejected",
        shown(&store["path"]),
        mib(&store["bytes"]),
        mib(&store["free_bytes"]),
        store["last_seq"],
        store["unjudged_today"],
        store["rejected_today"]
    ));
    if let Json::String(trouble) = &daemon["store_trouble"] {
        out.say(&format!("store: can't be written: {trouble}; readings wait"));
    }
    for trouble in daemon["troubles"].as_array().into_iter().flatten() {
        out.say(&format!("{}: {}", shown(&trouble["code"]), shown(&trouble["text"])));
    }
    if daemon["clock_synced"] == false {
        out.say("clock: not synchronised; results carry `clock_synced` no");
    }
}

fn stations(daemon: &Json, store: &Json, out: &mut Out) {
    let stored = |name: &str, field: &str| {
        let rows = store["stations"].as_array().into_iter().flatten();
        rows.filter(|row| row["station"] == name).map(|row| shown(&row[field])).next().unwrap_or_default()
    };
    let rows: Vec<Vec<String>> = daemon["stations"]
        .as_object()
        .into_iter()
        .flatten()
        .map(|(name, status)| {
            vec![
                name.clone(),
                shown(&status["state"]),
                stored(name, "last"),
                shown(&status["recorded"]),
                shown(&status["repeats"]),
                shown(&status["rejected"]),
                [shown(&status["trouble"]), line_errors(&status["line"])]
                    .into_iter()
                    .filter(|words| !words.is_empty())
                    .collect::<Vec<_>>()
                    .join("; "),
            ]
        })
        .collect();
    if !rows.is_empty() {
        out.say(&format!(
            "\n{}",
            table(&["station", "state", "last heard", "readings", "repeats", "rejected", "trouble"], rows)
        ));
    }
}

/// What went wrong on a line since the daemon started; nothing where nothing did.
fn line_errors(line: &Json) -> String {
    let counts =
        [("overruns", "bytes lost"), ("framing", "bytes without a stop bit"), ("parity", "bytes of wrong parity")];
    let told = counts.into_iter().filter_map(|(field, words)| {
        let count = line[field].as_u64().filter(|count| *count > 0)?;
        Some(format!("{count} {words}"))
    });
    told.collect::<Vec<_>>().join(", ")
}

fn outbox(daemon: &Json, store: &Json, out: &mut Out) {
    out.say("");
    let counts: Vec<String> = store["outbox"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|row| format!("{} {} {}", shown(&row["sink"]), row["parcels"], shown(&row["state"])))
        .collect();
    out.say(&format!(
        "outbox: {}",
        if counts.is_empty() { "everything is delivered".to_owned() } else { counts.join(", ") }
    ));
    for sink in daemon["sinks"].as_array().into_iter().flatten() {
        if let Json::String(trouble) = &sink["trouble"] {
            out.say(&format!("sink {} waits: {trouble}", shown(&sink["sink"])));
        }
    }
}
