//! What a station with a device tells: the board, the log and the store's coverage, and the session of errors on its line.

use super::super::device::Device;
use super::super::session::{Action, Event};
use super::super::watch;
use super::Line;
use crate::store::What;

impl Line {
    /// Errors of the line are counted from now on.
    pub(super) fn begin_counting(&mut self, device: &Device) {
        self.errors = device.errors();
        if self.errors.is_some() {
            self.shell.board.change(&self.station.name, |status| {
                status.line.get_or_insert_default();
            });
        }
    }

    /// Bytes were read. Whether the driver counted errors by then is said before: frames that they close may have them.
    pub(super) fn heard(&mut self, bytes: &[u8]) -> Vec<Action> {
        let now = self.shell.clock.tick();
        let descriptor = self.device.as_ref().and_then(Device::descriptor);
        if let (Some(errors), Some(descriptor)) = (self.errors.as_mut(), descriptor) {
            let (new, are_concerned) = errors.look(descriptor);
            if new.total() > 0 {
                self.shell.board.change(&self.station.name, |status| {
                    status.line = Some(status.line.unwrap_or_default().and(new));
                });
            }
            if are_concerned {
                self.session.step(now, Event::Faulty);
            }
        }
        self.session.step(now, Event::Bytes(bytes))
    }

    pub(super) fn set_lines(&mut self, dtr: Option<bool>, rts: Option<bool>) {
        let Some(Err(why)) = self.device.as_mut().map(|device| device.set_lines(dtr, rts)) else { return };
        tracing::warn!(
            code = "lines-not-set",
            station = self.station.name,
            "DTR and RTS can't be set on {}: {why}; the start-up goes on without",
            self.stream.place()
        );
    }

    pub(super) fn deaf(&mut self, cause: String) {
        self.hint = watch::Hint::of(&self.stream);
        let station = self.station.name.clone();
        tracing::warn!(
            code = "deaf",
            station,
            "{} can't be listened to: {cause}; it is tried again until it can",
            self.stream.place()
        );
        self.shell.board.change(&station, |status| {
            status.state = "deaf".into();
            status.trouble = Some(cause.clone());
            status.lost += 1;
        });
        self.tell(What::Deaf { station, cause, since: self.shell.clock.stamp() });
    }

    pub(super) fn still_deaf(&mut self, cause: String) {
        let station = &self.station.name;
        tracing::warn!(code = "deaf", station, "{} is not listened to still: {cause}", self.stream.place());
        self.shell.board.change(station, |status| status.trouble = Some(cause));
    }

    pub(super) fn listening(&mut self, ms: u64, tries: u32) {
        self.hint = None;
        let station = self.station.name.clone();
        tracing::info!(
            code = "listening",
            station,
            "listening on {} (deaf for {}.{:03} s, {tries} tries)",
            self.stream.place(),
            ms / 1000,
            ms % 1000
        );
        self.shell.board.change(&station, |status| {
            status.state = "listening".into();
            status.trouble = None;
        });
        self.tell(What::Listening(station));
    }

    /// Tells the writer without waiting: reading must not stand still for a note.
    fn tell(&self, what: What) {
        let pen = self.shell.pen.clone();
        tokio::spawn(async move {
            if let Err(fault) = pen.ask(what).await {
                tracing::error!(code = "note-lost", "a note on coverage could not be written: {fault}");
            }
        });
    }
}
