//! Between a station's reading and the writer: all frames that wait are handed over at once.

use std::sync::Arc;

use ridgepost_config::Station;
use tokio::sync::mpsc;

use super::line::Shell;
use crate::store::{Burst, What, answered_tally};

/// Closed frames that may wait for the writer before reading pauses.
pub(super) const FRAMES_WAITING: usize = 16;

/// Hands the writer all frames that wait, waits until they are on the disk, and then tells up to which one they are.
pub(super) async fn record(
    station: Arc<Station>,
    mut waiting: mpsc::Receiver<Burst>,
    shell: Shell,
    stored: mpsc::UnboundedSender<u64>,
) {
    let mut bursts = Vec::new();
    let mut number = 0;
    while waiting.recv_many(&mut bursts, FRAMES_WAITING).await > 0 {
        number += bursts.len() as u64;
        let heard = bursts.last().map(|burst: &Burst| burst.received.at.clone());
        match shell.pen.ask(What::Bursts(std::mem::take(&mut bursts))).await {
            Ok(answer) => {
                let _ = stored.send(number);
                shell.board.count(&station.name, &answered_tally(&answer));
                shell.board.change(&station.name, |status| status.last_heard = heard);
            }
            Err(fault) => {
                tracing::error!(
                    code = "not-recorded",
                    station = station.name,
                    "readings could not be recorded: {fault}"
                );
            }
        }
    }
}
