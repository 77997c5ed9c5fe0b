//! This PC: its name, its zone, its store.

use std::path::Path as FilePath;

use jiff::tz::{TimeZone, TimeZoneDatabase};

use super::{duplicates, plain_id, plain_name, resolve};
use crate::diagnostic::Code;
use crate::document::Path;
use crate::nearest::nearest;
use crate::operator::Operator;
use crate::plan::Cell;
use crate::said::{CellFile, OperatorSaid};
use crate::sheet::Sheet;

/// The cell and its store; `None` where either can't be known. A cell with an unknown zone writes times in UTC, which
/// stays true because every time carries its offset.
pub(crate) fn check(sheet: &mut Sheet, said: &CellFile, cell_dir: &FilePath) -> Option<(Cell, std::path::PathBuf)> {
    let top = Path::top();
    let cell = said.cell.clone().unwrap_or_default();
    let name_at = top.key("cell").key("name");
    if let Some(name) = &cell.name {
        plain_name(sheet, &name_at, name);
    }
    let zone = cell.time_zone.and_then(|name| zone(sheet, &top.key("cell").key("time_zone"), &name));
    let store = said.store.clone().and_then(|store| store.path).filter(|path| !path.trim().is_empty());
    if sheet.is_faulty(&name_at) {
        return None;
    }
    let cell = Cell { name: cell.name?, time_zone: zone.unwrap_or(TimeZone::UTC) };
    Some((cell, resolve(cell_dir, &store?)))
}

/// Everybody who is listed; `None` where nobody is.
pub(crate) fn operators(sheet: &mut Sheet, said: &CellFile) -> Option<Vec<Operator>> {
    let at = |index: usize| Path::top().key("operator").index(index);
    let names: Vec<_> = said.operator.iter().enumerate().map(|(index, said)| (at(index), said.name.clone())).collect();
    duplicates(sheet, "operator", &names, "name");
    for (path, name) in &names {
        if let Some(name) = name {
            plain_id(sheet, &path.key("name"), name);
        }
    }
    let listed = said.operator.iter().enumerate().filter(|(index, _)| !sheet.is_faulty(&at(*index)));
    let operator = |said: &OperatorSaid| Some(Operator { name: said.name.clone()?, may: said.may.clone()? });
    // Somebody was to be listed: a fault must not let everybody decide.
    (!said.operator.is_empty()).then(|| listed.filter_map(|(_, said)| operator(said)).collect())
}

/// A zone of the built-in database: the same on every PC, whatever is installed there.
fn zone(sheet: &mut Sheet, path: &Path, name: &str) -> Option<TimeZone> {
    let zones = TimeZoneDatabase::bundled();
    if let Ok(zone) = zones.get(name) {
        return Some(zone);
    }
    let known: Vec<String> = zones.available().map(|name| name.to_string()).collect();
    let help = match nearest(name, known.iter().map(String::as_str)) {
        Some(meant) => format!("did you mean `{meant}`?"),
        None => "write a name of the IANA database, as in \"Europe/Zurich\" or \"UTC\"".to_owned(),
    };
    sheet.fault(path, Code::WrongValue, format!("unknown time zone `{name}`"), help);
    None
}
