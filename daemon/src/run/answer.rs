//! What commands are answered over the control socket.

use std::sync::Arc;

use serde_json::{Value as Json, json};

use super::House;
use crate::control::{Reply, Request};
use crate::deliver;
use crate::replay::{ReplayFault, Told, replay};
use crate::store::{Answer, PenFault, Typed, What};

/// Does what a command asks.
pub(super) async fn answer(house: Arc<House>, request: Request) -> Reply {
    let asked = match request {
        Request::Ask(station) => {
            return match house.bells.ring(&station).await {
                Ok(words) => Reply::Done(json!(words)),
                Err(why) => Reply::Refused(why),
            };
        }
        Request::Status => return Reply::Done(status(&house)),
        Request::Job(command) => house.pen.ask(What::Job(command)).await,
        Request::Decide(decision) => house.pen.ask(What::Decide(decision)).await,
        Request::Gauge(command) => house.pen.ask(What::Gauge(command)).await,
        Request::Replay(which) => {
            let (plan, pen, stop) = (Arc::clone(&house.cell().0.plan), house.pen.clone(), house.stop.clone());
            return match tokio::task::spawn_blocking(move || replay(&plan, &which, &pen, &|| stop.is_cancelled())).await
            {
                Ok(told) => replayed(told),
                Err(_) => Reply::Failed("reading again broke off".to_owned()),
            };
        }
        Request::Label(scanner, text) => {
            let origin = format!("label {}", super::run_id());
            let received = house.clock.stamp();
            house.pen.ask(What::Label(Typed { origin, text, scanner, received })).await
        }
        Request::Retry => house.pen.ask(What::Retry).await,
        Request::Again(from, to) => house.pen.ask(What::Again { from, to }).await,
    };
    to_reply(asked)
}

/// What a command is told of bytes that were read again.
pub fn replayed(told: Result<Vec<Told>, ReplayFault>) -> Reply {
    match told {
        Ok(told) => Reply::Done(json!(told)),
        Err(fault @ (ReplayFault::Unknown(_) | ReplayFault::Busy)) => Reply::Refused(fault.to_string()),
        Err(fault) => Reply::Failed(fault.to_string()),
    }
}

/// What a command is told of the writer's answer.
pub fn to_reply(answer: Result<Answer, PenFault>) -> Reply {
    match answer {
        Ok(Answer::Job(Ok(said))) => Reply::Done(json!(said)),
        Ok(Answer::Job(Err(fault))) => Reply::Refused(fault.to_string()),
        Ok(Answer::Label(Ok(said))) => Reply::Done(json!(said)),
        Ok(Answer::Label(Err(why))) => Reply::Refused(why),
        Ok(Answer::Count(count)) => Reply::Done(json!(count)),
        Ok(_) => Reply::Done(Json::Null),
        Err(fault) => Reply::Failed(fault.to_string()),
    }
}

fn status(house: &House) -> Json {
    let health = house.health.lock().map(|health| health.clone()).unwrap_or_default();
    let (cell, faults) = house.cell();
    let board = house.board.snapshot();
    let stations: serde_json::Map<String, Json> = cell
        .plan
        .stations
        .iter()
        .map(|station| (station.name.clone(), json!(board.get(&station.name).cloned().unwrap_or_default())))
        .collect();
    let sinks: Vec<Json> = cell
        .plan
        .sinks
        .iter()
        .map(|sink| {
            let status = board.get(&deliver::key(&sink.name));
            json!({ "sink": sink.name, "trouble": status.and_then(|status| status.trouble.clone()) })
        })
        .collect();
    let now = house.clock.stamp();
    json!({
        "pid": std::process::id(),
        "since": house.since,
        "now": now.at,
        "version": env!("CARGO_PKG_VERSION"),
        "store_trouble": health.trouble,
        "synchronous": health.synchronous,
        "clock_synced": now.synced,
        "troubles": house.ledger.open().into_iter().map(|(code, text)| json!({ "code": code, "text": text })).collect::<Vec<_>>(),
        "stations": stations,
        "sinks": sinks,
        "faults": faults,
    })
}
