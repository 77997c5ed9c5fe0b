//! `ridgepost record`: what an instrument sends, with its timing, before anybody has described it.
//!
//! Nothing is understood here and nothing is judged: bytes, direction and time go into a file that `try` and the corpus
//! read. The device is opened by the same code as the daemon's.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};
use ridgepost_config::{CharDevice, Flow, Keyboard, Parity, Port, PortAt, ReadAfter, Source, Stream, Tcp, Usb};
use ridgepost_parsers::{Direction, LayoutName, RecordedChunk, RecordingHeader, to_hex};
use serde_json::json;
use tokio::signal::unix::{SignalKind, signal};

use super::out::Out;
use crate::capture::device::{Device, Exchanged, Way};
use crate::cell::Cell;
use crate::exit::Exit;

/// Arguments of `record`.
#[derive(Debug, Args)]
pub struct RecordArgs {
    /// The serial port (`ridgepost ports` lists what is plugged in); tcp:HOST:PORT for a serial device server;
    /// device:PATH for a device that is no terminal; usb:VENDOR:PRODUCT or usb:VENDOR:PRODUCT:SERIAL for a USB device
    /// without a driver
    port: String,
    /// File that the recording is written to; it must not exist
    file: PathBuf,
    /// It is an input device that types: the keyboard layout that it is set to
    #[arg(long, value_parser = super::layouts())]
    layout: Option<LayoutName>,
    /// Bits per second
    #[arg(long, default_value_t = 9600)]
    baud: u32,
    /// Data bits
    #[arg(long, default_value_t = 8, value_parser = clap::value_parser!(u8).range(5..=8))]
    data_bits: u8,
    /// Parity
    #[arg(long, value_enum, default_value_t = ParityArg::None)]
    parity: ParityArg,
    /// Stop bits
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=2))]
    stop_bits: u8,
    /// Flow control
    #[arg(long, value_enum, default_value_t = FlowArg::None)]
    flow: FlowArg,
    /// Level of DTR; left to the driver otherwise
    #[arg(long, value_name = "true|false")]
    dtr: Option<bool>,
    /// Level of RTS; left to the driver otherwise
    #[arg(long, value_name = "true|false")]
    rts: Option<bool>,
    /// Interface of a USB device
    #[arg(long, default_value_t = 0, value_name = "N")]
    interface: u8,
    /// Bytes to send at the beginning, with \r \n \t \\ and \x05; several in their order, one second apart
    #[arg(long, value_name = "TEXT")]
    send: Vec<String>,
    /// End after so many seconds; otherwise Ctrl-C ends it
    #[arg(long, value_name = "N")]
    seconds: Option<u64>,
    /// End after so many bytes of the instrument
    #[arg(long, value_name = "N")]
    bytes: Option<u64>,
}

/// Parity of the line.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum ParityArg {
    None,
    Even,
    Odd,
}

/// Flow control of the line.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum FlowArg {
    None,
    Software,
    Hardware,
}

/// Pause between texts to send.
const BETWEEN_SENDS: Duration = Duration::from_secs(1);

/// Records until something ends it; 1 if the device could not be opened or hung up.
pub fn record(cell: &Path, args: &RecordArgs, out: &mut Out) -> Exit {
    let prepared = stream(args).and_then(|stream| {
        let sends: Vec<Vec<u8>> = args.send.iter().map(|text| unescape(text)).collect::<Result<_, _>>()?;
        Ok((stream, sends))
    });
    let (stream, sends) = match prepared {
        Ok(prepared) => prepared,
        Err(fault) => {
            out.complain(&fault);
            return Exit::Usage;
        }
    };
    if let Some(why) = taken(cell, &stream) {
        out.complain(&why);
        return Exit::No;
    }
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            out.complain(&format!("no runtime: {error}"));
            return Exit::Unusable;
        }
    };
    let exit = runtime.block_on(run(&stream, &sends, args, out));
    // A look-up of a name that hangs holds nobody up.
    runtime.shutdown_timeout(Duration::from_millis(100));
    exit
}

fn stream(args: &RecordArgs) -> Result<Stream, String> {
    if let Some(path) = args.port.strip_prefix("device:") {
        let path = std::path::absolute(path).map_err(|error| format!("{path}: {error}"))?;
        return Ok(Stream::Device(CharDevice { path, timeout_ms: 5_000, read_after: ReadAfter::Query }));
    }
    if let Some(identity) = args.port.strip_prefix("usb:") {
        return usb(identity, args.interface).map(Stream::Usb);
    }
    let Some(place) = args.port.strip_prefix("tcp:") else {
        let path = std::path::absolute(&args.port).map_err(|error| format!("{}: {error}", args.port))?;
        if let Some(layout) = args.layout {
            return Ok(Stream::Keyboard(Keyboard { path, layout, keypad_decimal: None }));
        }
        return Ok(Stream::Port(Port {
            at: PortAt::Path(path),
            baud: args.baud,
            data_bits: args.data_bits,
            parity: match args.parity {
                ParityArg::None => Parity::None,
                ParityArg::Even => Parity::Even,
                ParityArg::Odd => Parity::Odd,
            },
            stop_bits: args.stop_bits,
            flow: match args.flow {
                FlowArg::None => Flow::None,
                FlowArg::Software => Flow::Software,
                FlowArg::Hardware => Flow::Hardware,
            },
            dtr: args.dtr,
            rts: args.rts,
        }));
    };
    let wrong = || format!("`{}` is no device server: write tcp:HOST:PORT, as in tcp:10.0.0.7:4001", args.port);
    let (host, port) = place.trim_start_matches("//").rsplit_once(':').ok_or_else(wrong)?;
    let host = host.trim_start_matches('[').trim_end_matches(']').to_owned();
    let port = port.parse().map_err(|_| wrong())?;
    if host.is_empty() {
        return Err(wrong());
    }
    Ok(Stream::Tcp(Tcp { host, port, connect_ms: 5_000, keep_alive_s: 15 }))
}

/// A USB device by vendor, product and, where it has one, serial number.
fn usb(identity: &str, interface: u8) -> Result<Usb, String> {
    let mut parts = identity.splitn(3, ':');
    let mut id = || parts.next().filter(|id| id.len() == 4).and_then(|id| u16::from_str_radix(id, 16).ok());
    let (Some(vendor), Some(product)) = (id(), id()) else {
        return Err(format!("`usb:{identity}` is no USB device: write usb:VENDOR:PRODUCT, as in usb:1209:0002"));
    };
    let serial = parts.next().map(str::to_owned);
    Ok(Usb { vendor, product, serial, at: None, interface, input: None, output: None, control: vec![] })
}

/// Why the device can't be recorded now: the daemon has it. Root would open it all the same.
fn taken(cell: &Path, stream: &Stream) -> Option<String> {
    let real = |path: &Path| std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let is_same = |other: &Stream| match (stream, other) {
        (Stream::Usb(one), Stream::Usb(two)) => one.overlaps(two),
        _ => match (stream.node(), other.node()) {
            (Some(one), Some(two)) => real(one) == real(two),
            _ => stream.place() == other.place(),
        },
    };
    // Without a cell on this PC there is no daemon to ask.
    let cell = Cell::load(cell).ok()?;
    if crate::run::running(&cell.plan.store).is_some()
        && let Some(station) =
            cell.plan.stations.iter().find(|station| matches!(&station.source, Source::Stream(other) if is_same(other)))
    {
        return Some(format!(
            "{} is listened to by station `{}` of the running daemon: put `#` before that station in cell.toml, record, and \
             take it away again; or read what the daemon keeps anyway, with `ridgepost readings` and `ridgepost why`",
            stream.place(),
            station.name
        ));
    }
    None
}

/// The bytes of a text with escapes.
fn unescape(text: &str) -> Result<Vec<u8>, String> {
    let fault = || format!("`{text}` can't be sent: write \\r \\n \\t \\\\ or \\x and two hexadecimal digits");
    let mut bytes = Vec::new();
    let mut rest = text.chars();
    while let Some(char) = rest.next() {
        if char != '\\' {
            bytes.extend_from_slice(char.encode_utf8(&mut [0; 4]).as_bytes());
            continue;
        }
        bytes.push(match rest.next().ok_or_else(fault)? {
            'r' => b'\r',
            'n' => b'\n',
            't' => b'\t',
            '\\' => b'\\',
            'x' => {
                let digits: String = rest.by_ref().take(2).collect();
                let is_hex = digits.len() == 2 && digits.bytes().all(|digit| digit.is_ascii_hexdigit());
                is_hex.then(|| u8::from_str_radix(&digits, 16).ok()).flatten().ok_or_else(fault)?
            }
            _ => return Err(fault()),
        });
    }
    Ok(bytes)
}

/// A recording being written: each chunk is in the file at once, so that nothing is lost where this program is ended.
struct Recording {
    file: File,
    since: Instant,
    received: u64,
}

impl Recording {
    fn begin(args: &RecordArgs, stream: &Stream) -> std::io::Result<Recording> {
        let mut file = File::options().write(true).create_new(true).open(&args.file)?;
        let settings = match stream {
            Stream::Port(port) => json!(format!(
                "{} baud, {} data bits, parity {:?}, {} stop bits, flow {:?}",
                port.baud, port.data_bits, port.parity, port.stop_bits, port.flow
            )),
            Stream::Tcp(_) => json!("raw TCP socket"),
            Stream::Device(_) => json!("character device"),
            Stream::Usb(_) => json!("endpoints of a USB interface"),
            Stream::Keyboard(_) => json!("input device"),
        };
        let began = jiff::Timestamp::now().to_string();
        let notes = [("port", json!(stream.place())), ("settings", settings), ("began", json!(began))];
        let notes = notes.map(|(name, note)| (name.to_owned(), note)).into_iter().collect();
        let header = RecordingHeader { ridgepost: "recording".into(), layout: args.layout, notes };
        writeln!(file, "{}", serde_json::to_string(&header)?)?;
        Ok(Recording { file, since: Instant::now(), received: 0 })
    }

    fn note(&mut self, dir: Direction, bytes: &[u8], out: &mut Out) -> std::io::Result<()> {
        let at_ms = u64::try_from(self.since.elapsed().as_millis()).unwrap_or(u64::MAX);
        let who = if dir == Direction::Rx { "<" } else { ">" };
        out.say(&format!("{at_ms:>8} ms {who} {}", bytes.escape_ascii()));
        out.flush();
        if dir == Direction::Rx {
            self.received += bytes.len() as u64;
        }
        let chunk = RecordedChunk { at_ms, dir, hex: to_hex(bytes) };
        let line = serde_json::to_string(&chunk).unwrap_or_default();
        writeln!(self.file, "{line}")
    }
}

async fn run(stream: &Stream, sends: &[Vec<u8>], args: &RecordArgs, out: &mut Out) -> Exit {
    let node = stream.node().map(|node| std::fs::canonicalize(node).unwrap_or_else(|_| node.to_owned()));
    let holders = node.map(|node| crate::capture::holders::holders(&node)).unwrap_or_default();
    if !holders.is_empty() {
        out.complain(&format!("{} is also open in {}: bytes may go there", stream.place(), holders.join(", ")));
    }
    let mut device = match Device::open(stream, &Way::default()).await {
        Ok(device) => device,
        Err(why) => {
            out.complain(&why);
            return Exit::No;
        }
    };
    let mut recording = match Recording::begin(args, stream) {
        Ok(recording) => recording,
        Err(error) => {
            out.complain(&format!("{} can't be written: {error}", args.file.display()));
            return Exit::Unusable;
        }
    };
    out.complain(&format!("recording {} into {}; Ctrl-C ends it", stream.place(), args.file.display()));
    let ended = follow(&mut device, &mut recording, sends, args, out).await;
    let synced = recording.file.sync_all();
    out.say(&format!(
        "{}: {} bytes of the instrument in {} s",
        args.file.display(),
        recording.received,
        recording.since.elapsed().as_secs()
    ));
    match (ended, synced) {
        (Ok(None), Ok(())) => Exit::Done,
        (Ok(Some(hung_up)), Ok(())) => {
            out.complain(&format!("{}: {hung_up}; what came before is recorded", stream.place()));
            Exit::No
        }
        (Err(error), _) | (_, Err(error)) => {
            out.complain(&format!("{} could not be written: {error}", args.file.display()));
            Exit::Unusable
        }
    }
}

/// Records until the person, a limit or the device ends it; why the device did.
async fn follow(
    device: &mut Device,
    recording: &mut Recording,
    sends: &[Vec<u8>],
    args: &RecordArgs,
    out: &mut Out,
) -> std::io::Result<Option<String>> {
    let (mut interrupt, mut term) = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
    let end = args.seconds.map(|seconds| tokio::time::Instant::now() + Duration::from_secs(seconds));
    let (mut buffer, mut sends) = (vec![0; 4096], sends.iter());
    let mut send_at = Some(tokio::time::Instant::now());
    let mut rest: Vec<u8> = Vec::new();
    while args.bytes.is_none_or(|bytes| recording.received < bytes) {
        let ended = async { sleep_until(end).await };
        let send = async { sleep_until(send_at).await };
        tokio::select! {
            _ = interrupt.recv() => return Ok(None),
            _ = term.recv() => return Ok(None),
            () = ended => return Ok(None),
            done = device.exchange(&mut buffer, &rest) => match done {
                Exchanged::Read(Ok(0)) => return Ok(Some("the device hung up".into())),
                Exchanged::Read(Ok(count)) => recording.note(Direction::Rx, &buffer[..count], out)?,
                Exchanged::Wrote(Ok(count)) => {
                    recording.note(Direction::Tx, &rest[..count], out)?;
                    rest.drain(..count);
                }
                Exchanged::Read(Err(error)) | Exchanged::Wrote(Err(error)) => return Ok(Some(error.to_string())),
            },
            () = send, if rest.is_empty() => match sends.next() {
                Some(bytes) => {
                    rest.extend_from_slice(bytes);
                    send_at = Some(tokio::time::Instant::now() + BETWEEN_SENDS);
                }
                None => send_at = None,
            },
        }
    }
    Ok(None)
}

async fn sleep_until(at: Option<tokio::time::Instant>) {
    match at {
        Some(at) => tokio::time::sleep_until(at).await,
        None => std::future::pending().await,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_to_send_have_escapes() {
        assert_eq!(unescape(r"M?\r\x05\\\n\t").as_deref(), Ok(&b"M?\r\x05\\\n\t"[..]));
        for bad in [r"\", r"\q", r"\x5", r"\x+5", r"\xg0"] {
            assert!(unescape(bad).is_err(), "{bad}");
        }
    }
}
