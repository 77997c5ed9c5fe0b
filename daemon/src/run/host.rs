//! What the service manager is told: ready, how things stand, alive, stopping. Without one nothing is said.
//!
//! The watchdog is fed only after a round trip through the writer's queue, so it vouches for progress and not for a
//! timer. A full disk is no reason to be killed: a writer that waits for room says so by its beats.

use std::time::Duration;

use sd_notify::NotifyState;

use super::House;
use crate::store::What;

/// Between two looks at how things stand.
const STATUS_EVERY: Duration = Duration::from_secs(5);
/// The longest between two round trips through the writer, where a watchdog waits for them.
const PING_EVERY: Duration = Duration::from_secs(20);

/// Says that everything that can run runs.
pub(super) fn ready() {
    say(&[NotifyState::Ready]);
}

/// Says that a new configuration is being read; `ready` ends it.
pub(super) fn reloading() {
    if let Ok(now) = NotifyState::monotonic_usec_now() {
        say(&[NotifyState::Reloading, now]);
    }
}

/// Says that the end has begun.
pub(super) fn stopping() {
    say(&[NotifyState::Stopping, NotifyState::Status("stopping")]);
}

fn say(states: &[NotifyState]) {
    // Nobody listens where no service manager started this program; that is no fault.
    let _ = sd_notify::notify(states);
}

/// Tells how things stand when that changes, and feeds the watchdog.
pub(super) async fn report(house: &House) {
    // Where nobody listens there is nothing to look at.
    if std::env::var_os("NOTIFY_SOCKET").is_none() {
        return std::future::pending().await;
    }
    tokio::join!(feed_watchdog(house), tell_status(house));
}

/// Feeds the watchdog, if there is one.
async fn feed_watchdog(house: &House) {
    let Some(within) = sd_notify::watchdog_enabled() else { return };
    let every = (within / 3).min(PING_EVERY);
    let mut beats = 0;
    loop {
        let passed = tokio::time::timeout(every, house.pen.ask(What::Ping)).await.is_ok_and(|answer| answer.is_ok());
        let waiting = house.health.lock().map_or(0, |health| health.beats);
        if passed || std::mem::replace(&mut beats, waiting) != waiting {
            say(&[NotifyState::Watchdog]);
        }
        tokio::time::sleep(every).await;
    }
}

async fn tell_status(house: &House) {
    let mut told = String::new();
    loop {
        let now = in_one_line(house);
        if now != told {
            say(&[NotifyState::Status(&now)]);
            told = now;
        }
        tokio::time::sleep(STATUS_EVERY).await;
    }
}

/// How things stand in one line: what needs a person first.
fn in_one_line(house: &House) -> String {
    let (cell, faults) = house.cell();
    let board = house.board.snapshot();
    let mut parts = Vec::new();
    if let Some(trouble) = house.health.lock().ok().and_then(|health| health.trouble.clone()) {
        parts.push(format!("store can't be written: {trouble}"));
    }
    parts.extend(house.ledger.open().into_iter().map(|(code, text)| format!("{code}: {text}")));
    if !faults.is_empty() {
        parts.push(format!("{} faults in the configuration, see `ridgepost check`", faults.len()));
    }
    let deaf: Vec<&str> = cell
        .plan
        .stations
        .iter()
        .map(|station| station.name.as_str())
        .filter(|name| board.get(*name).is_none_or(|status| status.state != "listening"))
        .collect();
    match deaf.is_empty() {
        true => parts.push(format!("{} stations listen", cell.plan.stations.len())),
        false => {
            parts.push(format!("{} of {} stations are deaf: {}", deaf.len(), cell.plan.stations.len(), deaf.join(", ")))
        }
    }
    let waiting = cell
        .plan
        .sinks
        .iter()
        .filter(|sink| board.get(&crate::deliver::key(&sink.name)).is_some_and(|status| status.trouble.is_some()));
    parts.extend(waiting.map(|sink| format!("sink {} waits", sink.name)));
    parts.join("; ")
}
