//! The way of a person's question to a station, and of its answer back.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use tokio::sync::{mpsc, oneshot};

/// Where the answer to a question goes.
pub(super) type Asker = oneshot::Sender<Result<String, String>>;

/// Stations that can be asked, by name.
#[derive(Clone, Debug, Default)]
pub struct Bells(Arc<Mutex<BTreeMap<String, mpsc::Sender<Asker>>>>);

impl Bells {
    /// A station can be asked from now on.
    pub(super) fn hang(&self, station: &str) -> mpsc::Receiver<Asker> {
        let (ring, rung) = mpsc::channel(4);
        if let Ok(mut bells) = self.0.lock() {
            bells.insert(station.to_owned(), ring);
        }
        rung
    }

    /// Asks a station and waits for what becomes of it: an answer that is on the disk, or why there is none.
    pub async fn ring(&self, station: &str) -> Result<String, String> {
        let bell = self.0.lock().ok().and_then(|bells| bells.get(station).cloned());
        let Some(bell) = bell else {
            return Err(format!("there is no station `{station}` with a device: `ridgepost status` lists them"));
        };
        let (asker, answer) = oneshot::channel();
        let stopped = || format!("station `{station}` stopped");
        bell.send(asker).await.map_err(|_| stopped())?;
        answer.await.map_err(|_| stopped())?
    }
}
