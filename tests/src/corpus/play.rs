//! Plays bytes into an instrument the way a station does, and holds the framer to its word while doing so.

use std::panic::{AssertUnwindSafe, catch_unwind};

use ridgepost_parsers::{Decoded, Decoder, Frame, Framer, Instrument, Outcome, Reading, Remark, Tick};

/// Bytes that arrive together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// When.
    pub at: Tick,
    /// What.
    pub bytes: Vec<u8>,
}

/// A frame and what it was understood as.
#[derive(Clone, Debug)]
pub struct Told {
    /// The bytes.
    pub frame: Frame,
    /// What they say.
    pub decoded: Decoded,
}

/// What came of playing a recording.
#[derive(Clone, Debug, Default)]
pub struct Played {
    /// Frames in order.
    pub told: Vec<Told>,
    /// Pieces before which silence was long enough for the framer to close what was open, by position.
    pub silences: Vec<usize>,
}

/// A value as it is compared: quantity, value, unit, mark.
pub type Shown = (String, Option<String>, Option<String>, Option<String>);

impl Played {
    /// Readings in order.
    pub fn readings(&self) -> impl Iterator<Item = &Reading> {
        self.told.iter().flat_map(|told| &told.decoded.readings)
    }

    /// Readings in order, as they are compared.
    pub fn values(&self) -> Vec<Shown> {
        self.readings().map(show).collect()
    }

    /// Frames that were kept without being understood.
    pub fn rejected(&self) -> impl Iterator<Item = &Told> {
        self.told.iter().filter(|told| matches!(told.decoded.outcome, Outcome::Damaged | Outcome::Incomplete))
    }

    /// Every remark, once for each time it was made.
    pub fn remarks(&self) -> impl Iterator<Item = Remark> {
        self.told.iter().flat_map(|told| told.decoded.remarks.iter().copied())
    }

    /// Number of profiles.
    pub fn traces(&self) -> usize {
        self.told.iter().map(|told| told.decoded.traces.len()).sum()
    }
}

/// A reading as it is compared.
pub fn show(reading: &Reading) -> Shown {
    (
        reading.quantity.to_string(),
        reading.value.map(|value| value.to_string()),
        reading.unit.map(|unit| unit.to_string()),
        reading.mark.map(|mark| mark.code().to_owned()),
    )
}

/// Plays `pieces` in order and then ends the input. `Err` where the framer or the decoder panics, loses, doubles
/// or reorders bytes, points outside of its bytes, or would keep a station busy for ever.
pub fn play(instrument: &Instrument, pieces: &[Piece]) -> Result<Played, String> {
    catch_unwind(AssertUnwindSafe(|| run(instrument, pieces))).unwrap_or_else(|cause| {
        let words = cause.downcast_ref::<String>().cloned();
        let words = words.or_else(|| cause.downcast_ref::<&str>().map(|text| (*text).to_owned()));
        Err(format!("panic: {}", words.unwrap_or_default()))
    })
}

struct Player {
    framer: Framer,
    decoder: Decoder,
    played: Played,
    closed: usize,
}

fn run(instrument: &Instrument, pieces: &[Piece]) -> Result<Played, String> {
    let mut player =
        Player { framer: instrument.framer(), decoder: instrument.decoder(), played: Played::default(), closed: 0 };
    let input: Vec<u8> = pieces.iter().flat_map(|piece| piece.bytes.iter().copied()).collect();
    let mut pushed = 0;
    for (at, piece) in pieces.iter().enumerate() {
        if player.be_silent_until(piece.at, &input)? && at > 0 {
            player.played.silences.push(at);
        }
        player.framer.push(&piece.bytes, piece.at);
        pushed += piece.bytes.len();
        player.drain(&input, Framer::poll)?;
        player.check_pending(pushed)?;
    }
    player.drain(&input, Framer::finish)?;
    player.check_pending(pushed)?;
    if player.closed != input.len() {
        return Err(format!("{} of {} bytes came out at the end", player.closed, input.len()));
    }
    Ok(player.played)
}

impl Player {
    /// What a station's timer does before the bytes of `until` come. Says whether anything was due.
    fn be_silent_until(&mut self, until: Tick, input: &[u8]) -> Result<bool, String> {
        let mut last = None;
        while let Some(deadline) = self.framer.deadline().filter(|deadline| *deadline <= until) {
            if last.is_some_and(|last| deadline <= last) {
                return Err(format!("deadline {} stands still after it was served", deadline.0));
            }
            last = Some(deadline);
            self.drain(input, |framer| framer.expire(deadline))?;
        }
        Ok(last.is_some())
    }

    fn drain(&mut self, input: &[u8], mut next: impl FnMut(&mut Framer) -> Option<Frame>) -> Result<(), String> {
        while let Some(frame) = next(&mut self.framer) {
            self.check_frame(&frame, input)?;
            self.closed += frame.raw.len();
            let decoded = self.decoder.decode(&frame);
            self.played.told.push(Told { frame, decoded });
        }
        Ok(())
    }

    fn check_frame(&self, frame: &Frame, input: &[u8]) -> Result<(), String> {
        let end = self.closed + frame.raw.len();
        if frame.raw.is_empty() {
            return Err(format!("an empty frame at {}", self.closed));
        }
        if frame.offset != self.closed as u64 {
            return Err(format!("a frame says offset {} but begins at {}", frame.offset, self.closed));
        }
        if input.get(self.closed..end) != Some(&frame.raw[..]) {
            return Err(format!("bytes {}..{end} are not those that were pushed", self.closed));
        }
        if frame.body.start > frame.body.end || frame.body.end > frame.raw.len() {
            return Err(format!("body {:?} is outside of {} raw bytes", frame.body, frame.raw.len()));
        }
        Ok(())
    }

    fn check_pending(&self, pushed: usize) -> Result<(), String> {
        let pending = self.framer.pending();
        if self.closed + pending != pushed {
            return Err(format!("{} bytes closed and {pending} pending of {pushed} pushed", self.closed));
        }
        Ok(())
    }
}
