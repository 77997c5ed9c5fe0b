//! Does in a process of its own what may hang.
//!
//! A dead network share holds whoever touches it in the kernel, where not even SIGKILL reaches. So the process that
//! touches it holds nothing else: no store, no port. Silence for longer than a limit means that it hangs: it is given
//! up, and no second one is sent after it until it is gone. A process that works says so by beats, so a large file or
//! a long listing is no silence.
//!
//! Both ways: a line of JSON, then as many bytes as it says.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

/// Longest silence of a process that does not hang.
const SILENCE: Duration = Duration::from_secs(20);
/// How often a process at work says so.
const BEAT: Duration = Duration::from_secs(1);
/// How long a process that was killed may take to be gone before it counts as hanging.
const GONE_WITHIN: Duration = Duration::from_millis(300);

/// What this program leaves behind when it ends: processes that hang, calls that do not return.
static LEFT: Mutex<BTreeSet<String>> = Mutex::new(BTreeSet::new());

/// Notes that something hangs and is left behind.
pub fn leave_behind(who: &str) {
    if let Ok(mut left) = LEFT.lock() {
        left.insert(who.to_owned());
    }
}

/// Everything noted by [`leave_behind`].
pub fn left_behind() -> Vec<String> {
    LEFT.lock().map(|left| left.iter().cloned().collect()).unwrap_or_default()
}

/// The line before the bytes.
#[derive(Debug, Serialize, Deserialize)]
struct Head<T> {
    bytes: usize,
    /// Nothing is said yet: the process is at work.
    #[serde(skip_serializing_if = "Option::is_none")]
    say: Option<T>,
}

enum Part {
    Head(String),
    Bytes(Vec<u8>),
}

/// The way to such a process, which is started when there is something to do.
pub struct Aside {
    command: &'static str,
    /// For whom, as a stop names it: `sink mes`.
    who: String,
    hired: Option<Hired>,
    given_up: Option<Child>,
}

struct Hired {
    child: Child,
    input: ChildStdin,
    parts: Receiver<Part>,
}

impl Aside {
    /// Nothing is started yet. `command` is the hidden command that makes this program such a process.
    pub fn new(command: &'static str, who: &str) -> Self {
        Aside { command, who: who.to_owned(), hired: None, given_up: None }
    }

    /// Asks, and waits for the answer and the bytes behind it; the error says why there is none.
    pub fn ask<A: DeserializeOwned>(&mut self, ask: &impl Serialize, bytes: &[u8]) -> Result<(A, Vec<u8>), String> {
        if let Some(child) = &mut self.given_up {
            match child.try_wait() {
                Ok(Some(_)) => self.given_up = None,
                _ => return Err("hangs still".to_owned()),
            }
        }
        let mut hired = match self.hired.take() {
            Some(hired) => hired,
            None => Hired::new(self.command).map_err(|error| format!("no process could be started: {error}"))?,
        };
        match hired.ask(ask, bytes) {
            Ok(answer) => {
                self.hired = Some(hired);
                Ok(answer)
            }
            Err(why) => {
                let _ = hired.child.kill();
                self.given_up = Some(hired.child);
                Err(why)
            }
        }
    }
}

impl Drop for Aside {
    fn drop(&mut self) {
        let hired = self.hired.take().map(|hired| hired.child);
        for mut child in hired.into_iter().chain(self.given_up.take()) {
            let _ = child.kill();
            let until = Instant::now() + GONE_WITHIN;
            while !matches!(child.try_wait(), Ok(Some(_))) {
                if Instant::now() >= until {
                    leave_behind(&format!("{} (process {} hangs in the kernel)", self.who, child.id()));
                    break;
                }
                std::thread::sleep(Duration::from_millis(5));
            }
        }
    }
}

impl Hired {
    fn new(command: &str) -> std::io::Result<Hired> {
        let mut child = Command::new(std::env::current_exe()?)
            .arg(command)
            .current_dir("/")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()?;
        let missing = || std::io::Error::other("no pipe");
        let input = child.stdin.take().ok_or_else(missing)?;
        let output = child.stdout.take().ok_or_else(missing)?;
        let (tell, parts) = channel();
        std::thread::Builder::new().name(command.to_owned()).spawn(move || forward(BufReader::new(output), &tell))?;
        Ok(Hired { child, input, parts })
    }

    fn ask<A: DeserializeOwned>(&mut self, ask: &impl Serialize, bytes: &[u8]) -> Result<(A, Vec<u8>), String> {
        send(&mut self.input, Some(ask), bytes).map_err(|error| format!("process: {error}"))?;
        let (answer, length) = loop {
            let Part::Head(line) = self.next()? else { continue };
            let head: Head<A> = serde_json::from_str(&line).map_err(|error| format!("process: {error}"))?;
            if let Some(answer) = head.say {
                break (answer, head.bytes);
            }
        };
        let mut behind = Vec::with_capacity(length);
        while behind.len() < length {
            if let Part::Bytes(mut bytes) = self.next()? {
                behind.append(&mut bytes);
            }
        }
        Ok((answer, behind))
    }

    fn next(&mut self) -> Result<Part, String> {
        self.parts.recv_timeout(SILENCE).map_err(|error| match error {
            RecvTimeoutError::Timeout => format!("no answer within {} s: the share hangs", SILENCE.as_secs()),
            RecvTimeoutError::Disconnected => "the process ended".to_owned(),
        })
    }
}

/// Hands on what a process says, piece by piece, so that whoever waits sees that it goes on.
fn forward(mut output: impl BufRead, tell: &Sender<Part>) {
    loop {
        let mut line = String::new();
        if !matches!(output.read_line(&mut line), Ok(1..)) {
            return;
        }
        let mut left = serde_json::from_str::<Head<serde::de::IgnoredAny>>(&line).map_or(0, |head| head.bytes);
        if tell.send(Part::Head(line)).is_err() {
            return;
        }
        while left > 0 {
            let mut bytes = vec![0; left.min(64 * 1024)];
            let Ok(count @ 1..) = output.read(&mut bytes) else { return };
            bytes.truncate(count);
            left -= count;
            if tell.send(Part::Bytes(bytes)).is_err() {
                return;
            }
        }
    }
}

fn send<T: Serialize>(to: &mut impl Write, say: Option<&T>, bytes: &[u8]) -> std::io::Result<()> {
    let mut message = serde_json::to_vec(&Head { bytes: bytes.len(), say })?;
    message.push(b'\n');
    to.write_all(&message)?;
    to.write_all(bytes)?;
    to.flush()
}

/// Says that work goes on, at most once a second.
pub struct Beats(Instant);

impl Beats {
    /// Work goes on.
    pub fn beat(&mut self) {
        if self.0.elapsed() >= BEAT {
            self.0 = Instant::now();
            let _ = send(&mut std::io::stdout().lock(), None::<&()>, &[]);
        }
    }
}

/// The other side: does what comes in on stdin until it ends. Then nobody waits for anything any more, so the process
/// ends at once, in the middle of its work too: nothing else ends what a daemon left behind that was killed.
pub fn serve<T: DeserializeOwned + Send + 'static, A: Serialize>(
    mut work: impl FnMut(T, Vec<u8>, &mut Beats) -> (A, Vec<u8>),
) -> std::io::Result<()> {
    let (tell, asked) = channel();
    std::thread::Builder::new().name("orders".to_owned()).spawn(move || {
        let ended = orders(BufReader::new(std::io::stdin().lock()), &tell);
        std::process::exit(i32::from(ended.is_err()));
    })?;
    for (ask, bytes) in asked {
        let (answer, behind) = work(ask, bytes, &mut Beats(Instant::now()));
        send(&mut std::io::stdout().lock(), Some(&answer), &behind)?;
    }
    Ok(())
}

/// Hands on what comes in, until it ends.
fn orders<T: DeserializeOwned>(mut input: impl BufRead, tell: &Sender<(T, Vec<u8>)>) -> std::io::Result<()> {
    loop {
        let mut line = String::new();
        if input.read_line(&mut line)? == 0 {
            return Ok(());
        }
        let head: Head<T> = serde_json::from_str(&line)?;
        let mut bytes = vec![0; head.bytes];
        input.read_exact(&mut bytes)?;
        if let Some(ask) = head.say
            && tell.send((ask, bytes)).is_err()
        {
            return Ok(());
        }
    }
}
