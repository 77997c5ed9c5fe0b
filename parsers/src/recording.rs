//! The inputs that an instrument's bytes are kept in: a raw file, a list of packets, a recording of our own.
//! Bytes in, timed chunks out.

use serde::{Deserialize, Serialize};
use serde_json::Value as Json;

use crate::frame::Tick;
use crate::instrument::Instrument;
use crate::keys::{Layout, LayoutName};

/// First line of a recording of our own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecordingHeader {
    /// Always `recording`.
    pub ridgepost: String,
    /// Where keys were recorded: the keyboard layout.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<LayoutName>,
    /// Everything else that was noted (port, settings, time), as it stands.
    #[serde(flatten)]
    pub notes: serde_json::Map<String, serde_json::Value>,
}

/// Who sent a chunk.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    /// The instrument.
    #[default]
    Rx,
    /// This PC.
    Tx,
}

/// One chunk of a recording: a line of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecordedChunk {
    /// Milliseconds since the recording began.
    pub at_ms: u64,
    /// Who sent it.
    #[serde(default)]
    pub dir: Direction,
    /// The bytes, two hexadecimal digits each.
    pub hex: String,
}

/// One packet of a list of packets.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
struct Packet {
    /// Milliseconds since the packet before.
    #[serde(default)]
    delay_ms: u64,
    hex: String,
    #[serde(default)]
    dir: Direction,
}

/// What kind of input it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InputKind {
    /// Bytes as they were sent, without timing.
    Raw,
    /// A list of packets.
    Packets,
    /// A recording of our own.
    Recording,
}

/// An input, ready to be framed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Input {
    /// What it was.
    pub kind: InputKind,
    /// Where the bytes are strokes of keys: the layout that the recording names.
    pub layout: Option<LayoutName>,
    /// What the instrument sent, in order, with the time it arrived.
    pub received: Vec<(Tick, Vec<u8>)>,
    /// What this PC sent.
    pub sent: Vec<(Tick, Vec<u8>)>,
}

/// Why an input that looks like a list of packets or a recording can't be read. The message names the place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InputFault {
    /// Line of the file, from 1; 0 where it has none.
    pub line: usize,
    /// What is wrong: lower case, no full stop.
    pub message: String,
}

impl std::fmt::Display for InputFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.line {
            0 => f.write_str(&self.message),
            line => write!(f, "line {line}: {}", self.message),
        }
    }
}

impl std::error::Error for InputFault {}

impl Input {
    /// Reads an input of any of the three kinds. It is told by its own beginning: a recording has its header
    /// line, a list of packets is a JSON array of objects with `hex`; everything else is raw bytes.
    pub fn read(bytes: &[u8]) -> Result<Input, InputFault> {
        if let Some(header) = first_line(bytes)
            && let Ok(header) = serde_json::from_str::<Json>(header)
            && header["ridgepost"] == "recording"
        {
            let header: RecordingHeader = serde_json::from_value(header)
                .map_err(|error| InputFault { line: 1, message: format!("no header of a recording: {error}") })?;
            return read_recording(bytes, header.layout);
        }
        if looks_like_packets(bytes) {
            return read_packets(bytes);
        }
        Ok(Input { kind: InputKind::Raw, layout: None, received: vec![(Tick(0), bytes.to_vec())], sent: vec![] })
    }

    /// The instrument as it reads this input: where keys were recorded, by their layout. One that types already stays as
    /// it is, unless the layout is another one.
    pub fn suited(&self, instrument: &Instrument) -> Instrument {
        match self.layout {
            Some(layout) if instrument.layout().is_none_or(|known| known.name != layout) => {
                instrument.typing(Layout::new(layout, None))
            }
            _ => instrument.clone(),
        }
    }

    fn add(&mut self, at: Tick, dir: Direction, bytes: Vec<u8>) {
        match dir {
            Direction::Rx => self.received.push((at, bytes)),
            Direction::Tx => self.sent.push((at, bytes)),
        }
    }
}

fn first_line(bytes: &[u8]) -> Option<&str> {
    std::str::from_utf8(bytes.split(|byte| *byte == b'\n').next()?).ok()
}

fn looks_like_packets(bytes: &[u8]) -> bool {
    let is_array = serde_json::from_slice::<Vec<serde_json::Map<String, serde_json::Value>>>(bytes);
    is_array.is_ok_and(|packets| !packets.is_empty() && packets.iter().all(|packet| packet.contains_key("hex")))
}

fn read_packets(bytes: &[u8]) -> Result<Input, InputFault> {
    let packets: Vec<Packet> = serde_json::from_slice(bytes)
        .map_err(|error| InputFault { line: error.line(), message: format!("no list of packets: {error}") })?;
    let mut input = Input { kind: InputKind::Packets, layout: None, received: vec![], sent: vec![] };
    let mut at = 0_u64;
    for (index, packet) in packets.into_iter().enumerate() {
        at = at.saturating_add(packet.delay_ms);
        let bytes = from_hex(&packet.hex)
            .ok_or_else(|| InputFault { line: 0, message: format!("packet {}: `hex` is no hexadecimal", index + 1) })?;
        input.add(Tick(at), packet.dir, bytes);
    }
    Ok(input)
}

fn read_recording(bytes: &[u8], layout: Option<LayoutName>) -> Result<Input, InputFault> {
    let mut input = Input { kind: InputKind::Recording, layout, received: vec![], sent: vec![] };
    let mut last = Tick(0);
    for (index, line) in bytes.split(|byte| *byte == b'\n').enumerate().skip(1) {
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        let fault = |message: String| InputFault { line: index + 1, message };
        let chunk: RecordedChunk =
            serde_json::from_slice(line).map_err(|error| fault(format!("no chunk of a recording: {error}")))?;
        let bytes = from_hex(&chunk.hex).ok_or_else(|| fault("`hex` is no hexadecimal".to_owned()))?;
        if Tick(chunk.at_ms) < last {
            return Err(fault(format!("`at_ms` goes back from {} to {}", last.0, chunk.at_ms)));
        }
        last = Tick(chunk.at_ms);
        input.add(last, chunk.dir, bytes);
    }
    Ok(input)
}

/// Bytes as two lower-case hexadecimal digits each.
pub fn to_hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let digit = |value: u8| char::from(DIGITS[usize::from(value & 15)]);
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(*byte)]).collect()
}

/// Reads pairs of hexadecimal digits, blanks between pairs allowed; `None` for anything else.
pub fn from_hex(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> = text
        .chars()
        .filter(|c| !c.is_ascii_whitespace())
        .map(|c| c.to_digit(16).and_then(|digit| u8::try_from(digit).ok()))
        .collect::<Option<_>>()?;
    let pairs = digits.chunks_exact(2);
    if !pairs.remainder().is_empty() {
        return None;
    }
    Some(pairs.map(|pair| pair[0] << 4 | pair[1]).collect())
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn the_three_kinds_are_told_by_their_beginning() {
        let raw = Input::read(b"Ra 0.412 um\r\n").unwrap();
        assert_eq!((raw.kind, raw.received), (InputKind::Raw, vec![(Tick(0), b"Ra 0.412 um\r\n".to_vec())]));

        let packets =
            Input::read(br#"[{"dir":"tx","hex":"4d3f0d"},{"delay_ms":5,"hex":"4d3f"},{"delay_ms":40,"hex":"0d"}]"#);
        let packets = packets.unwrap();
        assert_eq!(packets.kind, InputKind::Packets);
        assert_eq!(packets.received, vec![(Tick(5), b"M?".to_vec()), (Tick(45), b"\r".to_vec())]);
        assert_eq!(packets.sent, vec![(Tick(0), b"M?\r".to_vec())]);

        let recording = concat!(
            r#"{"ridgepost":"recording","port":"/dev/ttyUSB0"}"#,
            "\n",
            r#"{"at_ms":3,"dir":"rx","hex":"52 61"}"#,
            "\r\n",
            r#"{"at_ms":9,"dir":"tx","hex":"06"}"#,
            "\n"
        );
        let recording = Input::read(recording.as_bytes()).unwrap();
        assert_eq!(recording.kind, InputKind::Recording);
        assert_eq!(recording.received, vec![(Tick(3), b"Ra".to_vec())]);
        assert_eq!(recording.sent, vec![(Tick(9), vec![6])]);
    }

    #[test]
    fn faults_name_their_line() {
        let text = "{\"ridgepost\":\"recording\"}\n{\"at_ms\":3,\"hex\":\"5\"}\n";
        assert_eq!(Input::read(text.as_bytes()).unwrap_err().line, 2);
        let text = "{\"ridgepost\":\"recording\"}\n{\"at_ms\":3,\"hex\":\"55\"}\n{\"at_ms\":2,\"hex\":\"55\"}\n";
        assert_eq!(Input::read(text.as_bytes()).unwrap_err().to_string(), "line 3: `at_ms` goes back from 3 to 2");
    }

    #[test]
    fn hexadecimal_goes_both_ways() {
        let bytes: Vec<u8> = (0..=255).collect();
        assert_eq!(from_hex(&to_hex(&bytes)), Some(bytes));
        assert_eq!(from_hex("4g"), None);
        assert_eq!(from_hex("123"), None);
    }
}
