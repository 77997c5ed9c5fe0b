//! Bytes to frames. Frames partition the stream: every byte pushed comes out in exactly one frame, in order.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::cut::{Cutter, Shape, Step};
use crate::keys::{Layout, Typing};
use crate::wire::Seven;

/// How often a byte may be cut anew, on the average, because a whole frame was found inside a damaged one.
const RECUT_MAX: usize = 16;

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
    /// Nothing but line ends or blanks, left at the end of the input or before a long silence.
    Residue,
    /// Known by itself: an echo of what was sent, or something that the definition has a reply to.
    Signal,
}

/// Cuts a stream into frames, whatever the sizes of the pieces it arrives in. It holds one open frame, bounded
/// by the definition, and the closed ones that [`Framer::poll`] has not taken yet.
#[derive(Clone, Debug)]
pub struct Framer {
    shape: Arc<Shape>,
    cutter: Cutter,
    /// Bytes of the open frame, fill before it included.
    open: Vec<u8>,
    /// The same without parity, where the definition declares one.
    clear: Vec<u8>,
    /// How many bytes may be cut anew after damage.
    credit: usize,
    /// Position of the first open byte.
    offset: u64,
    closed: VecDeque<Frame>,
    last_at: Tick,
    /// Where in the open bytes a signal may have begun; the cutter has not seen these.
    signal_at: Option<usize>,
    /// Whether an echo may come.
    echo_due: bool,
    /// Where the bytes are strokes of keys: the cutter sees the text that they type.
    typing: Option<Typing>,
}

impl Default for Framer {
    /// A framer for lines.
    fn default() -> Self {
        Framer::new(Arc::new(Shape::default()))
    }
}

impl Framer {
    pub(crate) fn new(shape: Arc<Shape>) -> Self {
        Framer {
            shape,
            cutter: Cutter::default(),
            open: Vec::new(),
            clear: Vec::new(),
            credit: 0,
            offset: 0,
            closed: VecDeque::new(),
            last_at: Tick(0),
            signal_at: None,
            echo_due: true,
            typing: None,
        }
    }

    /// For strokes of keys instead of bytes of text.
    pub(crate) fn typed(mut self, layout: Option<Arc<Layout>>) -> Framer {
        self.typing = layout.map(Typing::new);
        self
    }

    /// Something was sent, and may come back as an echo.
    pub fn expect_echo(&mut self) {
        self.echo_due = true;
    }

    /// Takes bytes that arrived at `at`. Silence that ended before `at` counts, even where nobody asked
    /// [`Framer::expire`] in time.
    pub fn push(&mut self, bytes: &[u8], at: Tick) {
        if bytes.is_empty() {
            return;
        }
        if self.deadline().is_some_and(|deadline| deadline <= at) {
            self.close_by_silence();
        }
        self.push_unread(bytes, at);
    }

    /// Takes bytes that were read at `at` and may have arrived long before: the reader was held up, so the time since
    /// the bytes before them says nothing about the line. Silence is then only what [`Framer::expire`] is told of.
    pub fn push_unread(&mut self, bytes: &[u8], at: Tick) {
        self.last_at = at;
        match self.typing.as_mut().map(|typing| typing.text(bytes)) {
            Some(text) => self.push_text(&text),
            None => self.push_text(bytes),
        }
    }

    fn push_text(&mut self, bytes: &[u8]) {
        let most = self.shape.bytes_max.saturating_mul(RECUT_MAX);
        for byte in bytes {
            self.credit = (self.credit + RECUT_MAX).min(most);
            if self.shape.signals.is_empty() {
                self.cut(vec![*byte]);
            } else {
                self.cut_or_know(*byte);
            }
        }
    }

    /// Where a frame may begin, bytes are held as long as they are the beginning of a signal.
    fn cut_or_know(&mut self, byte: u8) {
        if self.signal_at.is_none() && self.cutter.is_outside() && !self.is_begun() {
            self.signal_at = Some(self.open.len());
        }
        let Some(at) = self.signal_at else { return self.cut(vec![byte]) };
        self.open_byte(byte);
        let held = &self.view()[at..];
        let mut known = self.shape.signals.iter().filter(|signal| self.echo_due || !signal.is_echo);
        let Some(signal) = known.find(|signal| signal.bytes.starts_with(held)) else { return self.release_held() };
        if signal.bytes.len() == held.len() {
            self.echo_due &= !signal.is_echo;
            self.signal_at = None;
            self.close_at(self.open.len(), at..self.open.len(), Close::Signal);
            self.cutter = Cutter::default();
        }
    }

    /// What looked like the beginning of a signal is none.
    fn release_held(&mut self) {
        let Some(at) = self.signal_at.take() else { return };
        let mut held = self.open.split_off(at);
        self.clear.truncate(at);
        held.reverse();
        self.cut(held);
    }

    fn open_byte(&mut self, byte: u8) {
        self.open.push(byte);
        if self.shape.seven.is_some() {
            self.clear.push(Seven::clear(byte));
        }
    }

    /// Cuts bytes, given in reverse order; bytes behind a frame that was found inside a damaged one come again.
    fn cut(&mut self, mut reversed: Vec<u8>) {
        while let Some(byte) = reversed.pop() {
            self.open_byte(byte);
            let view = if self.shape.seven.is_some() { &self.clear } else { &self.open };
            let step = self.shape.step(&mut self.cutter, view);
            self.take(step, &mut reversed);
            if self.open.len() >= self.shape.bytes_max {
                let view = if self.shape.seven.is_some() { &self.clear } else { &self.open };
                let close = self.shape.overflow(&mut self.cutter, view);
                self.close_at(self.open.len(), 0..self.open.len(), close);
            }
        }
    }

    /// The open bytes as the cutter sees them.
    fn view(&self) -> &[u8] {
        if self.shape.seven.is_some() { &self.clear } else { &self.open }
    }

    fn take(&mut self, step: Step, reversed: &mut Vec<u8>) {
        match step {
            Step::More => {}
            Step::Close { body, close } => self.close_at(self.open.len(), body, close),
            Step::Split { at, body, close } => self.close_at(at, body, close),
            Step::Rescue { at, before, body, end } => {
                self.close_at(at, before, Close::Complete);
                self.close_at(end - at, body, Close::Complete);
                self.cutter = Cutter::default();
                if self.open.len() <= self.credit {
                    self.credit -= self.open.len();
                    reversed.extend(self.open.drain(..).rev());
                    self.clear.clear();
                } else {
                    self.close_at(self.open.len(), 0..self.open.len(), Close::TooLong);
                }
            }
        }
    }

    /// Closes the first `at` open bytes; the rest stays open.
    fn close_at(&mut self, at: usize, body: std::ops::Range<usize>, close: Close) {
        if at == 0 {
            return;
        }
        self.clear.drain(..at.min(self.clear.len()));
        let rest = self.open.split_off(at);
        let raw = std::mem::replace(&mut self.open, rest);
        let offset = self.offset;
        self.offset = offset.saturating_add(u64::try_from(raw.len()).unwrap_or(u64::MAX));
        self.echo_due |= !matches!(close, Close::Signal | Close::Residue);
        self.closed.push_back(Frame { offset, raw, body, close });
    }

    fn close_open(&mut self, body: std::ops::Range<usize>, close: Close) {
        if !self.open.is_empty() {
            self.close_at(self.open.len(), body, close);
        }
        self.cutter = Cutter::default();
    }

    /// Frees whole frames from an open one that will never be complete.
    fn rescue(&mut self) {
        while let Some(step) = self.shape.rescue(&self.cutter, self.view()) {
            let mut reversed = Vec::new();
            self.take(step, &mut reversed);
            self.cut(reversed);
        }
    }

    fn close_by_silence(&mut self) {
        self.release_held();
        self.echo_due = true;
        self.rescue();
        if self.is_begun() {
            let (body, close) = self.shape.silence(&self.cutter, self.view());
            self.close_open(body, close);
        } else {
            self.close_open(0..self.open.len(), Close::Residue);
        }
    }

    /// The next closed frame, if there is one.
    pub fn poll(&mut self) -> Option<Frame> {
        loop {
            let frame = self.closed.pop_front()?;
            let Some(typing) = self.typing.as_mut() else { return Some(frame) };
            if let Some(frame) = typing.strokes(frame) {
                return Some(frame);
            }
        }
    }

    /// No more strokes come: one that was cut in two types what can't be read.
    fn end_strokes(&mut self) {
        let rest = self.typing.as_mut().map(Typing::rest).unwrap_or_default();
        self.push_text(&rest);
    }

    /// When [`Framer::expire`] should be called, if nothing more arrives.
    pub fn deadline(&self) -> Option<Tick> {
        let silence_ms = self.shape.gap_ms.or(self.shape.idle_ms)?;
        // Line ends alone wait for nothing; blanks would shift the columns of the next line.
        let waits = self.signal_at.is_some_and(|at| at < self.open.len())
            || self.is_begun()
            || self.shape.is_blank_beginning(&self.cutter, self.view());
        waits.then(|| Tick(self.last_at.0.saturating_add(silence_ms)))
    }

    /// Whether anything but fill is open.
    pub fn is_begun(&self) -> bool {
        self.shape.is_begun(&self.cutter, self.view())
    }

    /// Closes what silence closes at `now`: a gap-ended frame is complete, any other partial frame is cut off.
    /// Call again until it yields nothing.
    pub fn expire(&mut self, now: Tick) -> Option<Frame> {
        if self.closed.is_empty() && self.deadline().is_some_and(|deadline| deadline <= now) {
            self.close_by_silence();
        }
        self.poll()
    }

    /// Closes what is open because the line hung up or the program stops: cut off, or residue. Call again until
    /// it yields nothing.
    pub fn hang_up(&mut self) -> Option<Frame> {
        self.end_strokes();
        self.release_held();
        self.echo_due = true;
        if self.closed.is_empty() {
            self.rescue();
            let close = match self.is_begun() {
                true => self.shape.hang_up(&self.cutter),
                false => Close::Residue,
            };
            self.close_open(self.shape.lost_body(&self.cutter, &self.open), close);
        }
        self.poll()
    }

    /// Closes what is open at the end of a file or recording: silence without end, then hang-up. Call again
    /// until it yields nothing.
    pub fn finish(&mut self) -> Option<Frame> {
        self.end_strokes();
        self.release_held();
        if self.closed.is_empty()
            && self.is_begun()
            && let Some(body) = self.shape.end_of_file(&self.cutter, self.view())
        {
            self.close_open(body, Close::Complete);
        }
        self.expire(Tick(u64::MAX)).or_else(|| self.hang_up())
    }

    /// Bytes held that belong to no closed frame yet.
    pub fn pending(&self) -> usize {
        self.open.len()
    }
}
