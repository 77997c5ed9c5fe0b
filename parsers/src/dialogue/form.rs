//! A dialogue made ready: bytes to send, patterns compiled, defaults filled in.

use regex::Regex;

use super::said::AnswerKind;
use crate::reading::{Decoded, Remark};

/// `[dialogue]` made ready.
#[derive(Clone, Debug)]
pub(crate) struct DialogueForm {
    pub(crate) start: Vec<StepForm>,
    pub(crate) poll: Option<PollForm>,
    pub(crate) acknowledge: Option<AcknowledgeForm>,
    pub(crate) replies: Vec<(Vec<u8>, Vec<u8>)>,
}

/// One step after opening.
#[derive(Clone, Debug)]
pub(crate) enum StepForm {
    Send(Vec<u8>),
    Wait(u64),
    Expect { pattern: Regex, within_ms: u64 },
    Lines { dtr: Option<bool>, rts: Option<bool> },
}

/// How it is asked.
#[derive(Clone, Debug)]
pub(crate) struct PollForm {
    pub(crate) request: Vec<u8>,
    pub(crate) every_ms: Option<u64>,
    pub(crate) answer: AnswerKind,
    pub(crate) wake: Vec<u8>,
    pub(crate) wake_ms: u64,
    pub(crate) answer_ms: u64,
    pub(crate) retries: u32,
    pub(crate) busy_ms: u64,
}

/// How frames are acknowledged.
#[derive(Clone, Debug)]
pub(crate) struct AcknowledgeForm {
    pub(crate) ack: Vec<u8>,
    pub(crate) nak: Vec<u8>,
    pub(crate) naks: u32,
    pub(crate) numbered: bool,
}

/// What an answer was, for the person who asked.
pub(super) fn in_words(decoded: &Decoded) -> &'static str {
    if decoded.remarks.contains(&Remark::InstrumentError) {
        return "the instrument reports an error";
    }
    if decoded.remarks.contains(&Remark::Repeat) || decoded.is_nothing_new {
        return "it answered, and has no new measurement";
    }
    "it answered"
}
