//! Bytes to frames. Frames partition the stream: every byte pushed comes out in exactly one frame, in order.

/// Monotonic time in milliseconds from an origin of the caller's choice.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Tick(pub u64);

/// A stretch of a stream or file that belongs together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// Position of its first byte in the stream or file.
    pub offset: u64,
    /// Every byte of it, marks, line ends and fill before it included.
    pub raw: Vec<u8>,
    /// What lies between the marks, as a range of `raw`.
    pub body: std::ops::Range<usize>,
    /// How it was closed.
    pub close: Close,
}

/// How a frame was closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Close {
    /// As the definition says.
    Complete,
    /// By silence, hang-up or the end of the input before it was complete.
    CutOff,
    /// By the definition's bound on its size.
    TooLong,
    /// Bytes outside of any frame, where the definition has marks.
    Stray,
    /// Nothing but line ends or blanks left at the end of the input.
    Residue,
}

/// Cuts a stream into frames, whatever the sizes of the pieces it arrives in.
#[derive(Clone, Debug, Default)]
pub struct Framer {}

impl Framer {
    /// Takes bytes that arrived at `at`.
    pub fn push(&mut self, _bytes: &[u8], _at: Tick) {}

    /// The next closed frame, if there is one.
    pub fn poll(&mut self) -> Option<Frame> {
        None
    }

    /// When [`Framer::expire`] should be called, if nothing more arrives.
    pub fn deadline(&self) -> Option<Tick> {
        None
    }

    /// Closes what silence closes at `now`: a gap-ended frame is complete, any other partial frame is cut off.
    /// Call again until it yields nothing.
    pub fn expire(&mut self, _now: Tick) -> Option<Frame> {
        None
    }

    /// Closes what is open because the line hung up or the program stops: cut off, or residue. Call again until
    /// it yields nothing.
    pub fn hang_up(&mut self) -> Option<Frame> {
        None
    }

    /// Closes what is open at the end of a file or recording: silence without end, then hang-up. Call again
    /// until it yields nothing.
    pub fn finish(&mut self) -> Option<Frame> {
        self.expire(Tick(u64::MAX)).or_else(|| self.hang_up())
    }

    /// Bytes held that belong to no closed frame yet.
    pub fn pending(&self) -> usize {
        0
    }
}
