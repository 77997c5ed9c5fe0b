//! What a definition says about talking to an instrument: `[dialogue]`.

use schemars::JsonSchema;
use serde::Deserialize;

/// How this PC talks to the instrument. Without it nothing is ever sent. Bytes to send are texts in which each character
/// up to U+00FF stands for one byte: `"M?\r"`, `"\u0006"`. XON/XOFF is no part of it: it is the station's `flow`.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DialogueRule {
    /// What is done each time the device was opened, in this order. Each step has one of `send`, `wait_ms`, `expect`, or
    /// `dtr` and `rts`. Example: `[{ send = "REMOTE\r" }, { expect = 'OK' }]`.
    #[serde(default)]
    pub start: Vec<StartStep>,
    /// Whether the instrument sends back every byte that it is sent, before it answers. Such an echo is kept and known,
    /// and never a part of an answer. Default: false.
    #[serde(default)]
    pub echo: bool,
    /// How the instrument is asked for measurements.
    pub poll: Option<PollRule>,
    /// How frames are acknowledged.
    pub acknowledge: Option<AcknowledgeRule>,
    /// What single bytes or words between frames are answered with. Example: `[{ to = "\u0005", send = "\u0006" }]`.
    #[serde(default)]
    pub reply: Vec<ReplyRule>,
}

/// One step after opening.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StartStep {
    /// Bytes to send.
    pub send: Option<String>,
    /// Milliseconds to wait.
    pub wait_ms: Option<u64>,
    /// Pattern of the whole line that must come; a line that fits is known and no reading. What else comes meanwhile is
    /// read as always. Example: `'READY.*'`.
    pub expect: Option<String>,
    /// Milliseconds within which it must come. Default: 3000.
    pub within_ms: Option<u64>,
    /// Level to set DTR to.
    pub dtr: Option<bool>,
    /// Level to set RTS to.
    pub rts: Option<bool>,
}

/// What an answer is, if it holds a value: this decides whether the same value again is another measurement.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AnswerKind {
    /// What the instrument shows at that moment, or what it measures when it is asked. It counts once for each time that a
    /// person asks (`ridgepost ask`), so there is no `every_ms`: asking by itself would invent measurements. What comes
    /// unasked, or too late, is kept and is no reading (`unasked`).
    Current,
    /// The instrument hands out each measurement once and then has nothing new to tell until the next one.
    Once,
    /// The instrument repeats its last measurement, and `reading.unique_by` tells it from a new one.
    Identified,
    /// The instrument repeats its last measurement, and the pattern `new` tells a new one.
    Marked,
}

/// How the instrument is asked.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PollRule {
    /// The request. Example: `"M?\r"`.
    pub send: String,
    /// Milliseconds from one request to the next. Default: none; it is asked only when a person asks
    /// (`ridgepost ask STATION`). What the instrument sends by its data key besides counts as well. Example: `1000`.
    pub every_ms: Option<u64>,
    /// What an answer is. Default: `"current"`; with `every_ms` it must be written, and can't be that.
    pub answer: Option<AnswerKind>,
    /// With answer = "marked": pattern that is found in a frame with a new measurement and in no other.
    /// Example: `' NEW$'`.
    pub new: Option<String>,
    /// Bytes that wake the instrument up, sent before each request. Example: `"\u0000"`.
    pub wake: Option<String>,
    /// Milliseconds between waking up and the request. Default: 50.
    pub wake_ms: Option<u64>,
    /// Milliseconds that an answer may take, 300 to 30000. Default: 3000.
    pub answer_ms: Option<u64>,
    /// How often the request is sent again where no answer came. Default: 2. After that the instrument counts as
    /// offline until it answers.
    pub retries: Option<u32>,
    /// Milliseconds to wait after a busy answer (a `[[line]]` with event = "busy") before it is asked again.
    /// Default: 500.
    pub busy_ms: Option<u64>,
}

/// How frames are acknowledged. Nothing is acknowledged before it is on the disk.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AcknowledgeRule {
    /// What is sent once a whole frame is stored. Example: `"\u0006"`.
    pub ack: String,
    /// What is sent for a frame that was damaged or cut off. Default: nothing; the instrument sends again by itself or not
    /// at all. Example: `"\u0015"`.
    pub nak: Option<String>,
    /// How often in a row it is sent at most. Default: 3.
    pub naks: Option<u32>,
    /// Whether each frame carries a number (or a time) that differs from that of the frame before. Then the same bytes
    /// again, right behind one another, are the same frame: its acknowledgement was lost. It is acknowledged again and
    /// counts as a repeat. Default: false: equal frames are equal measurements.
    #[serde(default)]
    pub numbered: bool,
}

/// An answer to something that is no frame.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReplyRule {
    /// Bytes that stand by themselves between frames. Example: `"\u0005"`.
    pub to: String,
    /// What is sent at once. Default: nothing; the bytes are known and not wanted.
    pub send: Option<String>,
}
