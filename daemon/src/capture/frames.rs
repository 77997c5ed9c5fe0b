//! The frames of a file, batch by batch, so that a large file never stands in memory as frames.

use ridgepost_config::Station;
use ridgepost_parsers::{Decoder, Framer, Outcome, Tick};

use crate::store::Heard;

/// Frames that go to the writer at once.
pub(super) const BATCH: usize = 500;
/// Bytes that go to the framer at once.
const PIECE: usize = 64 * 1024;

/// The frames of one file.
pub(super) struct Frames<'a> {
    framer: Framer,
    decoder: Decoder,
    rest: &'a [u8],
    number: u32,
    next: Option<Heard>,
    cut: bool,
}

impl<'a> Frames<'a> {
    /// From the bytes of a file.
    pub(super) fn new(station: &Station, raw: &'a [u8]) -> Self {
        let (framer, decoder) = (station.instrument.framer(), station.instrument.decoder());
        let mut frames = Frames { framer, decoder, rest: raw, number: 0, next: None, cut: false };
        frames.next = frames.frame();
        frames
    }

    /// Whether every frame was handed out.
    pub(super) fn at_end(&self) -> bool {
        self.next.is_none()
    }

    /// Whether the last frame read so far was cut short: the file may not be whole.
    pub(super) fn is_cut(&self) -> bool {
        self.cut
    }

    /// The next frames.
    pub(super) fn batch(&mut self) -> Vec<Heard> {
        let mut batch = Vec::new();
        while batch.len() < BATCH
            && let Some(heard) = self.next.take()
        {
            batch.push(heard);
            self.next = self.frame();
        }
        batch
    }

    fn frame(&mut self) -> Option<Heard> {
        let frame = loop {
            if let Some(frame) = self.framer.poll() {
                break frame;
            }
            if self.rest.is_empty() {
                break self.framer.finish()?;
            }
            let (piece, rest) = self.rest.split_at(self.rest.len().min(PIECE));
            self.rest = rest;
            self.framer.push(piece, Tick(0));
        };
        let decoded = self.decoder.decode(&frame);
        self.number += 1;
        self.cut = decoded.outcome == Outcome::Incomplete;
        Some(Heard { number: self.number, frame, decoded })
    }
}
