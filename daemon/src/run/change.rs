//! Brings a running daemon to changed files: loaded into a fresh plan, checked, swapped whole or not at all.

use std::sync::Arc;

use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc;

use super::crew::Crew;
use super::reload::CellWatch;
use super::{House, host, orders};
use crate::capture::orders::News;
use crate::cell::Cell;
use crate::store::What;

/// Brings the daemon to changed files, again and again.
pub(super) async fn follow(house: &House, crew: &mut Crew, mut orders: mpsc::Receiver<News>) {
    let (cell, _) = house.cell();
    let mut watch = CellWatch::new(&cell.dir, &cell.look);
    let mut troubles = orders::Troubles::default();
    let mut hang_up = signal(SignalKind::hangup()).ok();
    loop {
        tokio::select! {
            () = watch.changed() => {}
            () = received(&mut hang_up) => {}
            Some(news) = orders.recv() => {
                orders::heed(house, crew, &mut troubles, news).await;
                continue;
            }
        }
        host::reloading();
        reload(house, crew).await;
        host::ready();
    }
}

async fn received(signal: &mut Option<Signal>) {
    match signal {
        Some(signal) => {
            signal.recv().await;
        }
        None => std::future::pending().await,
    }
}

/// Loads the files into a fresh plan and swaps it whole; a file with faults changes nothing.
async fn reload(house: &House, crew: &mut Crew) {
    let (old, told) = house.cell();
    let dir = old.dir.clone();
    let Ok(loaded) = tokio::task::spawn_blocking(move || Cell::load(&dir)).await else { return };
    let faults: Vec<String> = match loaded {
        Ok(new) if new.faults.is_empty() => {
            if let Some(what) = needs_restart(&old, &new) {
                tracing::warn!(
                    code = "restart-needed",
                    "{what}; nothing of the changed configuration is in force until then"
                );
                house.set_cell(old, vec![what.to_owned()]);
                return;
            }
            tracing::info!(code = "reloaded", "the changed configuration is in force");
            adopt(house, crew, Arc::new(new)).await;
            return;
        }
        Ok(new) => new.faults.iter().map(ToString::to_string).collect(),
        Err(faults) => faults.iter().map(ToString::to_string).collect(),
    };
    if faults != told {
        tracing::error!(
            code = "not-reloaded",
            "the configuration has {} faults and changes nothing, the plan in force runs on:\n{}",
            faults.len(),
            faults.join("\n")
        );
    }
    house.set_cell(old, faults);
}

fn needs_restart(old: &Cell, new: &Cell) -> Option<&'static str> {
    if old.plan.store != new.plan.store {
        Some("the store's place changed: restart the daemon")
    } else if old.plan.cell.name != new.plan.cell.name || old.plan.cell.time_zone != new.plan.cell.time_zone {
        Some("the cell's name or time zone changed: restart the daemon")
    } else {
        None
    }
}

/// Puts a configuration in force: stations and sinks by difference, judging with the next transmission.
pub(super) async fn adopt(house: &House, crew: &mut Crew, cell: Arc<Cell>) {
    let nudges = crew.apply(&cell.plan);
    let faults = cell.faults.iter().map(ToString::to_string).collect();
    house.set_cell(Arc::clone(&cell), faults);
    if let Err(fault) = house.pen.ask(What::Adopt(cell, nudges)).await {
        tracing::error!(code = "not-adopted", "the writer did not take the new plan: {fault}");
    }
}
