//! The way to the writer: ask, and wait until it is on the disk.

use tokio::sync::{mpsc, oneshot};

use super::StoreFault;
use super::request::{Answer, What};

/// A request on its way.
pub(super) struct Ask {
    pub(super) what: What,
    pub(super) reply: oneshot::Sender<Result<Answer, StoreFault>>,
}

/// The way to the writer. Cheap to clone; the writer ends when the last one is gone.
#[derive(Clone, Debug)]
pub struct Pen {
    pub(super) asks: mpsc::Sender<Ask>,
}

impl std::fmt::Debug for Ask {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.what.fmt(f)
    }
}

/// Why an answer did not come.
#[derive(Debug, thiserror::Error)]
pub enum PenFault {
    /// The writer has ended.
    #[error("the store's writer has ended")]
    Ended,
    /// The store refused it.
    #[error(transparent)]
    Store(#[from] StoreFault),
}

impl Pen {
    /// Requests that wait for the writer.
    pub fn waiting(&self) -> usize {
        self.asks.max_capacity() - self.asks.capacity()
    }

    /// Asks, and waits until it is on the disk.
    pub async fn ask(&self, what: What) -> Result<Answer, PenFault> {
        let (reply, answer) = oneshot::channel();
        self.asks.send(Ask { what, reply }).await.map_err(|_| PenFault::Ended)?;
        Ok(answer.await.map_err(|_| PenFault::Ended)??)
    }

    /// Asks from a thread and does not wait: [`Promise::wait`] gives the answer. Blocks only where the queue is full.
    pub fn ask_ahead(&self, what: What) -> Result<Promise, PenFault> {
        let (reply, answer) = oneshot::channel();
        self.asks.blocking_send(Ask { what, reply }).map_err(|_| PenFault::Ended)?;
        Ok(Promise(answer))
    }

    /// As [`Pen::ask`], from a thread.
    pub fn ask_blocking(&self, what: What) -> Result<Answer, PenFault> {
        self.ask_ahead(what)?.wait()
    }
}

/// An answer that is to come.
#[derive(Debug)]
pub struct Promise(oneshot::Receiver<Result<Answer, StoreFault>>);

impl Promise {
    /// Waits until it is on the disk.
    pub fn wait(self) -> Result<Answer, PenFault> {
        Ok(self.0.blocking_recv().map_err(|_| PenFault::Ended)??)
    }
}
