//! Jobs that another system hands over: each is checked beside the configuration in force, and taken whole or not at all.
//! What is taken is kept beside the store, where every start finds it. An open job stays as it was opened.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use ridgepost_config::{ORDERS, Order};
use sha2::{Digest, Sha256};

use super::House;
use super::change::adopt;
use super::crew::Crew;
use crate::capture::orders::{News, Settled};
use crate::cell::Cell;
use crate::store::{What, numbers::sync_folder, open_for_reading, query};

/// How long a job that nobody has open is kept among those that can be opened.
const KEPT: Duration = Duration::from_secs(180 * 24 * 3600);
/// Where it goes then, inside the folder of orders.
const PAST: &str = "past";

/// What a job file comes to.
enum Outcome {
    /// The job is in force now.
    Taken(Box<Cell>, Order),
    /// The very text is in force already.
    Known(Order),
    /// It is an older version than the one in force.
    Older(String),
    /// It is for another cell, whose business it is.
    Elsewhere,
    /// It can't be used, for this reason.
    Refused(String),
}

/// What is wrong with the folder of orders and the files in it, by what it is wrong with.
pub(super) type Troubles = BTreeMap<String, String>;

/// Follows one piece of news.
pub(super) async fn heed(house: &House, crew: &mut Crew, troubles: &mut Troubles, news: News) {
    match news {
        News::Gone(name) => drop(troubles.remove(&name)),
        News::Trouble(None) => drop(troubles.remove("")),
        News::Trouble(Some(why)) => drop(troubles.insert(String::new(), why)),
        News::Held(name, why) => drop(troubles.insert(name.clone(), format!("{name} {why}"))),
        News::Arrived { name, raw, answer } => {
            troubles.remove(&name);
            let (cell, _) = house.cell();
            let settled = match settle(house, crew, &cell, look(&cell, &name, &raw)).await {
                Ok(None) => Settled::Stays,
                Ok(Some((code, words))) => {
                    note(house, code, &name, &raw, &words).await;
                    Settled::PutAway
                }
                Err((settled, why)) => {
                    if settled == Settled::Stays {
                        note(house, "order-refused", &name, &raw, &format!("refused, and stays where it is: {why}"))
                            .await;
                    }
                    troubles.insert(name.clone(), format!("{name}: {why}"));
                    settled
                }
            };
            let _ = answer.send(settled);
        }
    }
    let words: Vec<&str> = troubles.values().map(String::as_str).collect();
    house
        .ledger
        .note("orders", (!words.is_empty()).then(|| format!("job files of other systems: {}", words.join(" | "))));
}

/// Brings about what a job file comes to: the code and words of it, `None` where it is nobody's business here, or why it
/// can't be, and what becomes of the file.
async fn settle(
    house: &House,
    crew: &mut Crew,
    cell: &Cell,
    outcome: Outcome,
) -> Result<Option<(&'static str, String)>, (Settled, String)> {
    Ok(Some(match outcome {
        Outcome::Taken(new, order) => {
            let file = folder(cell).join(order.file_name());
            keep(&file, &order.text).map_err(|error| {
                let why = format!("job {} can't be kept in {}: {error}; it is tried again", order.id, file.display());
                (Settled::Later, why)
            })?;
            let (_, faults) = house.cell();
            adopt(house, crew, Arc::new(*new)).await;
            // Files that are faulty are so still.
            let (new, _) = house.cell();
            house.set_cell(new, faults);
            retire(cell);
            let version = order.version.map(|version| format!(", version {version}")).unwrap_or_default();
            ("order-taken", format!("job {}{version} can be opened", order.id))
        }
        Outcome::Known(order) => ("order-known", format!("job {} is known, word for word", order.id)),
        Outcome::Older(why) => ("order-older", why),
        Outcome::Elsewhere => return Ok(None),
        Outcome::Refused(why) => return Err((Settled::Stays, why)),
    }))
}

/// Tells of a job file, in the log and in the store, with the hash of what it held.
async fn note(house: &House, code: &'static str, name: &str, raw: &[u8], words: &str) {
    let hash: String = Sha256::digest(raw).iter().map(|byte| format!("{byte:02x}")).collect();
    let text = format!("{name} (sha256 {hash}): {words}");
    match code {
        "order-refused" => tracing::error!(code, "{text}"),
        _ => tracing::info!(code, "{text}"),
    }
    let noted = house.pen.ask(What::Event { station: None, code, text, transmission: None }).await;
    if let Err(fault) = noted {
        tracing::error!(code = "note-lost", "a note could not be written: {fault}");
    }
}

/// What a job file comes to beside the configuration in force.
fn look(cell: &Cell, name: &str, raw: &[u8]) -> Outcome {
    let order = match Order::read(name, raw) {
        Ok(order) => order,
        Err(why) => return Outcome::Refused(why),
    };
    if order.cell.as_ref().is_some_and(|meant| *meant != cell.plan.cell.name) {
        return Outcome::Elsewhere;
    }
    let before = cell.order(&order).and_then(|text| Order::of(text).ok());
    if let Some(before) = before {
        if before.text == order.text {
            return Outcome::Known(order);
        }
        match (before.version, order.version) {
            (Some(there), Some(new)) if new < there => {
                return Outcome::Older(format!("job {}: version {new} is older than {there}, which stays", order.id));
            }
            (Some(there), Some(new)) if new == there => {
                let why = format!(
                    "job {}: version {there} was taken with another text; give the new one its own number",
                    order.id
                );
                return Outcome::Refused(why);
            }
            (Some(there), None) => {
                let why = format!("job {}: version {there} is there, and this one names none", order.id);
                return Outcome::Refused(why);
            }
            _ => {}
        }
    }
    match cell.with_order(&order) {
        Ok(new) => Outcome::Taken(Box::new(new), order),
        Err(faults) => Outcome::Refused(faults.join("; ")),
    }
}

/// Where jobs of other systems are kept.
fn folder(cell: &Cell) -> PathBuf {
    cell.plan.store.parent().unwrap_or(Path::new("/")).join(ORDERS)
}

/// On the disk, whole, before it returns.
fn keep(file: &Path, text: &str) -> std::io::Result<()> {
    let folder = file.parent().unwrap_or(Path::new("/"));
    std::fs::create_dir_all(folder)?;
    let part = file.with_extension("part");
    let mut handle = std::fs::File::create(&part)?;
    handle.write_all(text.as_bytes())?;
    handle.sync_all()?;
    std::fs::rename(&part, file)?;
    sync_folder(file).and_then(|()| sync_folder(folder)).map_err(std::io::Error::other)
}

/// Moves jobs that came long ago out of the way. Every result keeps the text that it was judged by.
fn retire(cell: &Cell) {
    let open = open_for_reading(&cell.plan.store).and_then(|store| query::open_job(&store));
    // Where nobody can say which job is open, none is moved.
    let Ok(open) = open else { return };
    let open = open.and_then(|job| job["job"].as_str().map(str::to_owned));
    let folder = folder(cell);
    for entry in std::fs::read_dir(&folder).into_iter().flatten().flatten() {
        let age = entry.metadata().and_then(|data| data.modified()).map(|at| SystemTime::now().duration_since(at));
        let is_old = age.is_ok_and(|age| age.is_ok_and(|age| age > KEPT));
        let id = std::fs::read_to_string(entry.path()).ok().and_then(|text| Order::of(text).ok()).map(|order| order.id);
        if is_old && id.is_some() && id != open {
            let past = folder.join(PAST);
            let moved = std::fs::create_dir_all(&past)
                .and_then(|()| std::fs::rename(entry.path(), past.join(entry.file_name())));
            if let Err(error) = moved {
                tracing::warn!(code = "order-not-moved", "{} can't be moved away: {error}", entry.path().display());
            }
        }
    }
}
