//! Between strokes and text: the framer sees text and gives frames of strokes, the decoder gets frames of strokes and sees
//! text. Every word types at least one character, so each frame of text is a frame of words and nothing is left over.

use std::collections::VecDeque;
use std::sync::Arc;

use super::layout::{Layout, Misread};
use super::stroke::WORD_MAX;
use crate::frame::Frame;
use crate::reading::Reason;

/// What stands in the text for what types nothing. No message has it, and a frame with it is never read.
const MARKER: char = '\u{fffd}';

/// Strokes that a framer was given and has not given back.
#[derive(Clone, Debug)]
pub(crate) struct Typing {
    layout: Arc<Layout>,
    /// A word that has no end yet.
    open: Vec<u8>,
    /// Words in their order, and the bytes of text that each types.
    words: VecDeque<(Vec<u8>, usize)>,
    /// Bytes of text whose word was given back with the frame before.
    ahead: usize,
    /// Position of the first word in the stream.
    offset: u64,
}

impl Typing {
    pub(crate) fn new(layout: Arc<Layout>) -> Typing {
        Typing { layout, open: Vec::new(), words: VecDeque::new(), ahead: 0, offset: 0 }
    }

    /// The text that bytes of strokes type.
    pub(crate) fn text(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut text = Vec::new();
        for byte in bytes {
            self.open.push(*byte);
            if *byte == b' ' || self.open.len() >= WORD_MAX {
                text.append(&mut self.rest());
            }
        }
        text
    }

    /// The text of a word that will not be ended any more.
    pub(crate) fn rest(&mut self) -> Vec<u8> {
        if self.open.is_empty() {
            return Vec::new();
        }
        let word = std::mem::take(&mut self.open);
        let char = self.layout.read(&word).unwrap_or(MARKER);
        self.words.push_back((word, char.len_utf8()));
        char.to_string().into_bytes()
    }

    /// A frame of the text as a frame of the strokes that typed it; `None` where all of them came with the one before,
    /// because a bound on sizes cut a character in two.
    pub(crate) fn strokes(&mut self, text: Frame) -> Option<Frame> {
        let mut at = self.ahead.min(text.raw.len());
        self.ahead -= at;
        let (mut raw, mut body) = (Vec::new(), 0..0);
        let mut mark = |at: usize, raw: usize| {
            if at <= text.body.start {
                body.start = raw;
            }
            if at <= text.body.end {
                body.end = raw;
            }
        };
        mark(at, 0);
        while at < text.raw.len() {
            let Some((word, types)) = self.words.pop_front() else { break };
            raw.extend_from_slice(&word);
            at += types;
            mark(at, raw.len());
        }
        self.ahead += at.saturating_sub(text.raw.len());
        let offset = self.offset;
        self.offset += raw.len() as u64;
        (!raw.is_empty()).then_some(Frame { offset, raw, body, close: text.close })
    }
}

/// A frame of strokes as text.
#[derive(Clone, Debug)]
pub(crate) struct Typed {
    pub(crate) frame: Frame,
    /// The first thing that types nothing, and why.
    pub(crate) fault: Option<(Reason, String)>,
    /// Whether strokes were lost in it.
    pub(crate) has_lost: bool,
}

impl Layout {
    /// The text of strokes, with a visible mark where a stroke types nothing.
    pub fn text(&self, strokes: &[u8]) -> String {
        words(strokes).map(|word| self.read(word).unwrap_or(MARKER)).collect()
    }

    /// The frame of text that a frame of strokes types.
    pub(crate) fn typed_frame(&self, frame: &Frame) -> Typed {
        let mut typed = Typed { frame: frame.clone(), fault: None, has_lost: false };
        let (mut text, mut at, mut body) = (String::new(), 0, 0..0);
        for word in words(&frame.raw) {
            text.push(self.read(word).unwrap_or_else(|misread| {
                typed.has_lost |= misread == Misread::Lost;
                typed.fault.get_or_insert_with(|| (misread.reason(), misread.words(self.name)));
                MARKER
            }));
            at += word.len();
            if at <= frame.body.start {
                body.start = text.len();
            }
            if at <= frame.body.end {
                body.end = text.len();
            }
        }
        (typed.frame.raw, typed.frame.body) = (text.into_bytes(), body);
        typed
    }
}

/// The words of strokes; the last one may have no end.
fn words(strokes: &[u8]) -> impl Iterator<Item = &[u8]> {
    strokes.split_inclusive(|byte| *byte == b' ').flat_map(|word| word.chunks(WORD_MAX))
}
