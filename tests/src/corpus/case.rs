//! One folder of the corpus, read and ready to play.

use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use ridgepost_parsers::{Instrument, Tick};
use serde::Deserialize;

use super::derive::Stretch;
use super::expected::{Expected, bytes_of_hex};
use super::play::{Piece, play};

/// Recordings whose messages are so bare that a cut one and the next one run together are again a well-formed message.
/// No definition can tell; only a check value could. `unprotected` on every reading says so.
const RUNS_TOGETHER: &[(&str, &str)] =
    &[("s15_keyboard", "a sign or digit left of a cut number stands before the next one like a part of it")];

/// Pairs (recording, definition) where the second may read the first, because both say the same thing in the same
/// way, with the reason. Nothing else than what the one or the other recording holds may be read. A pair that is not
/// needed any more fails the test.
pub const SHARED_GRAMMAR: &[(&str, &str, &str)] = &[
    (
        "s23_plug_in_noise",
        "s24_split_merge",
        "both send `Ra 0.412 um` on one line; the one is about noise, the other about packets",
    ),
    ("s24_split_merge", "s23_plug_in_noise", "the same pair the other way round"),
    ("s23_plug_in_noise", "s25_parity", "the definition of s25 is right, only its port was set wrongly"),
    ("s24_split_merge", "s25_parity", "the same"),
    ("s25_parity", "a06_parity_declared", "the same sender, and here its parity is declared"),
];

/// How the bytes of a case reach the daemon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Over a line, one message after the other (`input.bin`).
    Stream,
    /// As one exported file (`input.csv` and other endings).
    File,
}

/// One recording with its definition and what it holds.
#[derive(Clone, Debug)]
pub struct Case {
    /// Name of the folder.
    pub name: String,
    /// Text of the definition.
    pub definition: String,
    /// The definition, compiled.
    pub instrument: Arc<Instrument>,
    /// The bytes the instrument sent.
    pub input: Vec<u8>,
    /// File name of those bytes.
    pub file_name: String,
    /// How they come.
    pub kind: Kind,
    /// The bytes with their timing; one piece where none was recorded.
    pub pieces: Vec<Piece>,
    /// What they hold.
    pub expected: Expected,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Packet {
    #[serde(default)]
    delay_ms: u64,
    hex: String,
    #[serde(default)]
    dir: Option<String>,
}

impl Case {
    /// Every case of the corpus that can be read, by name.
    pub fn all() -> &'static [Case] {
        &Self::read_all().0
    }

    /// Why the other ones can't.
    pub fn unreadable() -> &'static [String] {
        &Self::read_all().1
    }

    fn read_all() -> &'static (Vec<Case>, Vec<String>) {
        static ALL: OnceLock<(Vec<Case>, Vec<String>)> = OnceLock::new();
        ALL.get_or_init(|| {
            let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
            let entries = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
            let mut folders: Vec<PathBuf> =
                entries.map(|entry| entry.unwrap().path()).filter(|path| path.is_dir()).collect();
            folders.sort();
            let (mut cases, mut faults) = (Vec::new(), Vec::new());
            for folder in &folders {
                match Case::read(folder) {
                    Ok(case) => cases.push(case),
                    Err(fault) => faults.push(fault),
                }
            }
            (cases, faults)
        })
    }

    /// One folder.
    pub fn read(folder: &Path) -> Result<Case, String> {
        let name = folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let fault = |error: String| format!("{name}: {error}");
        let (definition, origin) = definition_of(folder, &name).map_err(fault)?;
        let instrument = compile(&definition, &origin).map_err(fault)?;
        let (file_name, input) = input_of(folder).map_err(fault)?;
        let expected =
            std::fs::read_to_string(folder.join("expected.json")).map_err(|error| fault(error.to_string()))?;
        let expected: Expected = serde_json::from_str(&expected).map_err(|error| fault(error.to_string()))?;
        let kind = if file_name == "input.bin" { Kind::Stream } else { Kind::File };
        let pieces = pieces_of(folder, &input).map_err(fault)?;
        Ok(Case { name, definition, instrument, input, file_name, kind, pieces, expected })
    }

    /// Whether a cut message and the next one may be read as one, because no definition can tell.
    pub fn runs_together(&self) -> bool {
        RUNS_TOGETHER.iter().any(|(name, _)| *name == self.name)
    }

    /// The definition under the case's own name, so that each case of a cell may have one of its own.
    pub fn renamed_definition(&self) -> String {
        let name = format!("name = \"{}\"", self.instrument.name());
        assert!(self.definition.contains(&name), "{}: {name}", self.name);
        self.definition.replacen(&name, &format!("name = \"{}\"", self.name), 1)
    }

    /// Whether the input holds `text` as it stands, in an encoding that spells plain characters with one byte each or
    /// in UTF-16.
    pub fn holds_text(&self, text: &str) -> bool {
        let wide: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        [text.as_bytes(), &wide]
            .iter()
            .any(|spelled| !spelled.is_empty() && self.input.windows(spelled.len()).any(|window| window == *spelled))
    }

    /// The stretches that only silence parts: a definition that closes frames by an idle gap has as many as it
    /// has gaps, any other has one.
    pub fn stretches(&self) -> Result<Vec<Stretch>, String> {
        let silences = play(&self.instrument, &self.pieces)?.silences;
        let mut stretches = vec![Stretch::default()];
        for (at, piece) in self.pieces.iter().enumerate() {
            if silences.contains(&at) {
                stretches.push(Stretch::default());
            }
            stretches.last_mut().expect("one to begin with").bytes.extend_from_slice(&piece.bytes);
        }
        Ok(stretches)
    }
}

fn definition_of(folder: &Path, name: &str) -> Result<(String, PathBuf), String> {
    let own = folder.join("definition.toml");
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../config/instruments/{name}.toml"));
    let origin = if own.exists() { own } else { shipped };
    let text = std::fs::read_to_string(&origin).map_err(|error| format!("{}: {error}", origin.display()))?;
    Ok((text, origin))
}

/// Compiles a definition the way the daemon does.
fn compile(text: &str, origin: &Path) -> Result<Arc<Instrument>, String> {
    let compiled = ridgepost_config::instrument(text, origin);
    let lines = |faults: Vec<ridgepost_config::Diagnostic>| {
        faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
    };
    compiled.map(|(instrument, _)| instrument).map_err(lines)
}

fn input_of(folder: &Path) -> Result<(String, Vec<u8>), String> {
    let entries = std::fs::read_dir(folder).map_err(|error| error.to_string())?;
    let mut names: Vec<String> = entries
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| name.starts_with("input."))
        .collect();
    match (names.pop(), names.is_empty()) {
        (Some(name), true) => {
            let bytes = std::fs::read(folder.join(&name)).map_err(|error| error.to_string())?;
            Ok((name, bytes))
        }
        _ => Err("needs exactly one file `input.*`".into()),
    }
}

/// The pieces of `ridgepost record`, where the bytes came by that.
fn recorded(folder: &Path, input: &[u8]) -> Result<Option<Vec<Piece>>, String> {
    let path = folder.join("recording.jsonl");
    if !path.exists() {
        return Ok(None);
    }
    let bytes = std::fs::read(&path).map_err(|error| error.to_string())?;
    let read = ridgepost_parsers::Input::read(&bytes).map_err(|error| error.to_string())?;
    if read.kind != ridgepost_parsers::InputKind::Recording {
        return Err("`recording.jsonl` has no header line".into());
    }
    let pieces: Vec<Piece> = read.received.into_iter().map(|(at, bytes)| Piece { at, bytes }).collect();
    let joined: Vec<u8> = pieces.iter().flat_map(|piece| piece.bytes.iter().copied()).collect();
    if joined != input {
        return Err("what the recording received is not the bytes of the input".into());
    }
    Ok(Some(pieces))
}

fn pieces_of(folder: &Path, input: &[u8]) -> Result<Vec<Piece>, String> {
    if let Some(recorded) = recorded(folder, input)? {
        return Ok(recorded);
    }
    let path = folder.join("packets.json");
    if !path.exists() {
        return Ok(vec![Piece { at: Tick(0), bytes: input.to_vec() }]);
    }
    let text = std::fs::read_to_string(&path).map_err(|error| error.to_string())?;
    let packets: Vec<Packet> = serde_json::from_str(&text).map_err(|error| error.to_string())?;
    let mut now = 0;
    let mut pieces = Vec::new();
    for packet in packets {
        now += packet.delay_ms;
        if packet.dir.as_deref() != Some("tx") {
            pieces.push(Piece { at: Tick(now), bytes: bytes_of_hex(&packet.hex)? });
        }
    }
    let joined: Vec<u8> = pieces.iter().flat_map(|piece| piece.bytes.iter().copied()).collect();
    if joined != input {
        return Err("the packets received are not the bytes of the input".into());
    }
    Ok(pieces)
}
