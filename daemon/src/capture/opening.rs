//! Opening a device while everything else goes on: some take seconds, some never end.

use std::time::Duration;

use ridgepost_config::Stream;
use tokio::time::Instant;
use tokio_util::task::AbortOnDropHandle;

use super::device::Device;

/// How long a device may take to open before that is told.
pub(super) const OPENS_WITHIN: Duration = Duration::from_secs(10);

/// Why a station is deaf whose device takes so long to open, and who holds it up.
pub(super) fn slow(stream: &Stream) -> (String, &'static str) {
    let seconds = OPENS_WITHIN.as_secs();
    match stream {
        Stream::Tcp(_) => (format!("it has not answered for {seconds} s"), "its server does not answer"),
        Stream::Port(_) | Stream::Device(_) | Stream::Usb(_) | Stream::Keyboard(_) => {
            let why = format!("its driver has not opened it for {seconds} s: pull the plug");
            (why, "its driver does not open the port")
        }
    }
}

/// A try to open a device.
#[derive(Debug)]
pub(super) struct Opening {
    task: AbortOnDropHandle<Result<Device, String>>,
    /// When it has taken so long that it is told; `None` once it was.
    slow_at: Option<Instant>,
}

/// How a try stands.
#[derive(Debug)]
pub(super) enum Opened {
    /// It is over.
    Done(Result<Device, String>),
    /// It has taken long and goes on.
    Slowly,
}

impl Opening {
    /// Begins to open, beside everything else.
    pub(super) fn begin(open: impl Future<Output = Result<Device, String>> + Send + 'static) -> Opening {
        let slow_at = Some(Instant::now() + OPENS_WITHIN);
        Opening { task: AbortOnDropHandle::new(tokio::spawn(open)), slow_at }
    }

    /// Whether it has taken so long that it was told.
    pub(super) fn is_slow(&self) -> bool {
        self.slow_at.is_none()
    }

    /// Waits for the device, or until that has taken long. A device that does not open is waited for: no second try
    /// beside it.
    pub(super) async fn done(&mut self) -> Opened {
        let slow = async {
            match self.slow_at {
                Some(at) => tokio::time::sleep_until(at).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            outcome = &mut self.task => Opened::Done(outcome.unwrap_or_else(|error| Err(error.to_string()))),
            () = slow => {
                self.slow_at = None;
                Opened::Slowly
            }
        }
    }
}
