//! `ridgepost doctor`: store, disk, permissions, clock and drops, looked at one by one.

use std::path::Path;

use clap::Args;
use ridgepost_config::{SinkKind, Source, Stream, Usb};
use rusqlite::Connection;
use rustix::fs::{Access, access};
use serde_json::json;

use super::out::Out;
use crate::capture::adapter;
use crate::capture::usb::{self, tree};
use crate::cell::Cell;
use crate::exit::Exit;
use crate::store::{StoreFault, chain, damage, open_for_reading};

/// Arguments of `doctor`.
#[derive(Debug, Args)]
pub struct DoctorArgs {
    /// Read every page of the store and every hash, which takes its time
    #[arg(long)]
    thorough: bool,
    /// JSON Lines on stdout: one object per finding
    #[arg(long)]
    json: bool,
}

/// What was looked at, whether it is well, and what can be done if not.
struct Finding {
    what: String,
    well: bool,
    says: String,
}

/// Looks at everything; 1 if something is not well, 3 if the store can't be used.
pub fn doctor(cell: &Cell, args: &DoctorArgs, out: &mut Out) -> Exit {
    let mut findings = vec![configuration(cell), disk(cell), clock()];
    let mut usable = true;
    match open_for_reading(&cell.plan.store) {
        Ok(connection) => match store(&connection, args.thorough) {
            Ok(mut found) => findings.append(&mut found),
            Err(fault) => {
                usable = false;
                findings.push(finding("store", false, format!("{}: {fault}", cell.plan.store.display())));
            }
        },
        Err(StoreFault::Absent(_)) => findings.push(finding("store", true, "not made yet; `ridgepost run` makes it")),
        Err(fault) => {
            usable = false;
            findings.push(finding("store", false, format!("{}: {fault}", cell.plan.store.display())));
        }
    }
    findings.extend(damage::aside(&cell.plan.store).first().map(|aside| put_aside(aside)));
    findings.extend(cell.plan.stations.iter().map(station));
    findings.extend(cell.plan.sinks.iter().map(sink));
    for finding in &findings {
        let word = if finding.well { "well" } else { "NOT WELL" };
        match args.json {
            true => out.json(&json!({ "what": finding.what, "well": finding.well, "says": finding.says })),
            false => out.say(&format!("{:24} {word:9} {}", finding.what, finding.says)),
        }
    }
    match (usable, findings.iter().all(|finding| finding.well)) {
        (false, _) => Exit::Unusable,
        (true, true) => Exit::Done,
        (true, false) => Exit::No,
    }
}

fn finding(what: &str, well: bool, says: impl Into<String>) -> Finding {
    Finding { what: what.to_owned(), well, says: says.into() }
}

fn configuration(cell: &Cell) -> Finding {
    match cell.faults.len() {
        0 => finding("configuration", true, "no faults"),
        count => finding("configuration", false, format!("{count} faults: `ridgepost check` tells them")),
    }
}

fn disk(cell: &Cell) -> Finding {
    let folder = cell.plan.store.parent().unwrap_or(Path::new("/"));
    match rustix::fs::statvfs(folder) {
        Err(error) => finding("disk", false, format!("{}: {error}", folder.display())),
        Ok(stat) => {
            let free = stat.f_bavail.saturating_mul(stat.f_frsize) / 1024 / 1024;
            let says = format!("{free} MiB free for the store in {}", folder.display());
            finding("disk", free >= cell.plan.watch.free_mib_warn, says)
        }
    }
}

fn clock() -> Finding {
    let stamp = crate::clock::Clock::new(jiff::tz::TimeZone::UTC).stamp();
    match stamp.synced {
        true => finding("clock", true, "synchronised"),
        false => {
            finding("clock", false, "not synchronised: results carry `clock_synced` no; set up time synchronisation")
        }
    }
}

fn store(connection: &Connection, thorough: bool) -> Result<Vec<Finding>, StoreFault> {
    let pragma = if thorough { "integrity_check(10)" } else { "quick_check(10)" };
    let mut statement = connection.prepare(&format!("PRAGMA {pragma}"))?;
    let lines: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let sound = lines == ["ok"];
    let says = match sound {
        true => "its pages are sound".to_owned(),
        false => format!(
            "damaged: {}; put a backup in its place while the daemon is stopped, or save what can be read with sqlite3's \
             .recover",
            lines.join("; ")
        ),
    };
    let mut findings = vec![finding("store", sound, says)];
    let count = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0));
    let parked = count("SELECT count(*) FROM parcel WHERE state = 'parked'")?;
    let says = format!("{parked} parked; `ridgepost outbox` tells why, `ridgepost outbox retry` tries again");
    findings.push(finding("outbox", parked == 0, says));
    let lost = count(
        "SELECT count(*) FROM result AS r WHERE r.kind = 'reading' AND NOT EXISTS \
         (SELECT 1 FROM transmission AS t WHERE t.id = r.transmission)",
    )?;
    findings.push(finding("readings", lost == 0, format!("{lost} without their bytes")));
    findings.push(sealed(&chain::look(connection, (!thorough).then_some(NEWEST))?));
    if thorough {
        findings.push(hashes(connection)?);
        findings.push(texts(connection)?);
    }
    Ok(findings)
}

/// Results whose seals are looked at without `--thorough`.
const NEWEST: i64 = 20_000;

/// Whether results are what was sealed when they were written.
fn sealed(looked: &chain::Looked) -> Finding {
    let head = looked
        .head
        .as_ref()
        .map_or("nothing is sealed yet".to_owned(), |(seq, seal)| format!("seal of result {seq}: {seal}"));
    let before = if looked.before > 0 {
        format!("; results up to {} were written without", looked.before)
    } else {
        String::new()
    };
    if looked.broken.is_empty() {
        return finding("seals", true, format!("{} results are what was written; {head}{before}", looked.rows));
    }
    let stretches: Vec<String> = looked.broken.iter().map(|(behind, to)| format!("{}..{to}", behind + 1)).collect();
    let says = format!(
        "results were changed, taken out or put in after they were written, or what they rest on was, within {}; compare with a \
         backup and with the files that were delivered",
        stretches.join(", ")
    );
    finding("seals", false, says)
}

/// Whether the texts of jobs and definitions are those that results name.
fn texts(connection: &Connection) -> Result<Finding, StoreFault> {
    let mut statement = connection.prepare("SELECT hash, kind, name, body FROM wording")?;
    let mut rows = statement.query([])?;
    let (mut checked, mut wrong) = (0_u64, Vec::new());
    while let Some(row) = rows.next()? {
        checked += 1;
        if crate::store::sha256(row.get::<_, String>(3)?.as_bytes()) != row.get::<_, String>(0)? {
            wrong.push(format!("{} {}", row.get::<_, String>(1)?, row.get::<_, String>(2)?));
        }
    }
    let says = match wrong.is_empty() {
        true => format!("{checked} texts of jobs, definitions and cells are those that were used"),
        false => format!("texts differ from their hash: {}", wrong.join(", ")),
    };
    Ok(finding("texts", wrong.is_empty(), says))
}

/// Whether the bytes of every transmission are those that were received.
fn hashes(connection: &Connection) -> Result<Finding, StoreFault> {
    let mut statement = connection.prepare("SELECT id, raw, sha256 FROM transmission ORDER BY id")?;
    let mut rows = statement.query([])?;
    let (mut checked, mut wrong) = (0_u64, Vec::new());
    while let Some(row) = rows.next()? {
        checked += 1;
        let raw = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
        if crate::store::sha256(raw) != row.get::<_, String>(2)? {
            wrong.push(row.get::<_, i64>(0)?.to_string());
        }
    }
    let says = match wrong.is_empty() {
        true => format!("{checked} have the bytes they came with"),
        false => format!("bytes differ from their hash: {}", wrong.join(", ")),
    };
    Ok(finding("transmissions", wrong.is_empty(), says))
}

fn put_aside(aside: &Path) -> Finding {
    finding("damaged store", false, format!("{} was put aside. {}", aside.display(), damage::way_out(aside)))
}

fn station(station: &ridgepost_config::Station) -> Finding {
    let what = format!("station {}", station.name);
    let (path, needed) = match &station.source {
        Source::Stream(Stream::Port(port)) => {
            return match adapter::node(&port.at) {
                Ok(node) => reachable(&what, &node, Access::READ_OK | Access::WRITE_OK),
                Err(why) => finding(&what, false, format!("{}: {why}", port.place())),
            };
        }
        Source::Stream(Stream::Device(device)) => (&device.path, Access::READ_OK | Access::WRITE_OK),
        Source::Stream(Stream::Usb(usb)) => return usb_device(&what, usb),
        Source::Stream(Stream::Keyboard(keyboard)) => (&keyboard.path, Access::READ_OK),
        // A look would be a connection, and a device server takes one at a time.
        Source::Stream(Stream::Tcp(tcp)) => {
            return finding(&what, true, format!("{}: `ridgepost status` says whether it is connected", tcp.place()));
        }
        Source::Folder(folder) => (&folder.path, Access::READ_OK | Access::WRITE_OK | Access::EXEC_OK),
    };
    reachable(&what, path, needed)
}

/// Whether there is one device that is meant, with the endpoints that are meant, and whether this user may open it.
fn usb_device(what: &str, usb: &Usb) -> Finding {
    let found = tree::plugged(Path::new(tree::KERNEL));
    let device = usb::meant(usb, &found);
    let device = device.and_then(|device| usb::ends(usb, device).map(|_| device));
    match device {
        Err(why) => finding(what, false, format!("{}: {why}", usb.place())),
        Ok(device) => match access(&device.node, Access::READ_OK | Access::WRITE_OK) {
            Ok(()) => finding(what, true, format!("{} can be used ({})", usb.place(), device.node.display())),
            Err(error) => finding(
                what,
                false,
                format!("{}: {}: {error}; {}", usb.place(), device.node.display(), usb::cure(device)),
            ),
        },
    }
}

fn sink(sink: &ridgepost_config::Sink) -> Finding {
    let SinkKind::Csv(csv) = &sink.kind;
    reachable(&format!("sink {}", sink.name), &csv.folder, Access::WRITE_OK | Access::EXEC_OK)
}

fn reachable(what: &str, path: &Path, needed: Access) -> Finding {
    match access(path, needed) {
        Ok(()) => finding(what, true, format!("{} can be used", path.display())),
        Err(error) => finding(what, false, format!("{}: {error}", path.display())),
    }
}
