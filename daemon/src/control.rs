//! The daemon's control socket: commands that write, and the status that only the daemon knows.
//!
//! One JSON object per line each way. The socket lies in the runtime folder and is open to the service's group, whose
//! members may ask how everything is doing. Whoever wants to change something must be root or the service's own user:
//! the kernel says who is at the other end (SO_PEERCRED, unix(7)). The store's lock file says where the socket is.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use serde_json::Value as Json;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt};
use tokio::net::UnixListener;

use crate::replay::Which;
use crate::store::{Decision, GaugeCommand, JobCommand};

/// A line longer than this is no request.
const REQUEST_MAX: u64 = 64 * 1024;
/// The longest path the kernel takes for a socket, its end mark included (unix(7): 108 bytes).
const SOCKET_PATH_MAX: usize = 107;
/// How long a command waits for the daemon: a full disk makes the daemon wait, and the command with it.
const ANSWER_WITHIN: Duration = Duration::from_secs(20);
/// How long it waits for an instrument: tracing a surface takes up to half a minute, and may be tried again.
const INSTRUMENT_WITHIN: Duration = Duration::from_secs(180);

/// How long it waits until stored bytes are read again: a large store takes its time.
const REPLAY_WITHIN: Duration = Duration::from_secs(12 * 3600);

/// How long a command may take to say what it wants, and to hear the answer.
const TALK_WITHIN: Duration = Duration::from_secs(10);
/// Commands that are talked with at the same time; more of them wait.
const TALKS: usize = 32;

/// What a command asks of the daemon.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Request {
    /// How everything is doing.
    Status,
    /// A person's word about the job.
    Job(JobCommand),
    /// What a person decides about results.
    Decide(Decision),
    /// A person's word about a gauge.
    Gauge(GaugeCommand),
    /// Read stored bytes again.
    Replay(Which),
    /// A label typed in place of a scanner, if one is named: scanner, text.
    Label(Option<String>, String),
    /// Parked parcels are due again.
    Retry,
    /// Rows from..to go out again.
    Again(i64, i64),
    /// Ask the instrument of a station for a measurement.
    Ask(String),
}

impl Request {
    /// Whether it changes something.
    fn writes(&self) -> bool {
        !matches!(self, Request::Status)
    }
}

/// Why a user may not ask this; `None` where they may.
fn objection(request: &Request, user: Option<u32>, own: u32) -> Option<String> {
    let may = !request.writes() || user.is_some_and(|user| user == 0 || user == own);
    let who = user.map_or("an unknown user".to_owned(), |user| format!("the user with number {user}"));
    (!may).then(|| {
        format!(
            "{who} may look and may not change anything; nothing was changed. Run it as root or as the user of the \
             service (number {own}): `sudo -u ridgepost ridgepost ...`"
        )
    })
}

/// What the daemon answers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reply {
    /// It was done; what came of it.
    Done(Json),
    /// It was understood and not done.
    Refused(String),
    /// The store could not be used.
    Failed(String),
}

/// Where the socket of a daemon goes: its runtime folder, else beside the store, else (where that path is too
/// long for a socket) a folder of its own under the system's folder for temporary files.
pub fn socket_path(store: &Path) -> PathBuf {
    let runtime = std::env::var_os("RUNTIME_DIRECTORY").map(PathBuf::from);
    let beside = store.parent().unwrap_or(Path::new(".")).to_owned();
    let path = runtime.unwrap_or(beside).join("control.sock");
    if path.as_os_str().len() <= SOCKET_PATH_MAX {
        return path;
    }
    std::env::temp_dir().join(format!("ridgepost-{}", std::process::id())).join("control.sock")
}

/// Opens the socket. The store's lock is held, so a socket that is there already was left by a dead daemon.
pub fn open(path: &Path) -> std::io::Result<UnixListener> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let listener = UnixListener::bind(path)?;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o660))?;
    Ok(listener)
}

/// Answers one request per connection until the socket closes. A command that does not say what it wants, or does not
/// listen to the answer, is given up.
pub async fn serve<F, A>(listener: UnixListener, answer: F)
where
    F: Fn(Request) -> A + Clone + 'static,
    A: Future<Output = Reply> + 'static,
{
    let places = Arc::new(tokio::sync::Semaphore::new(TALKS));
    // They end with this task: a stop waits for no command that is still talking.
    let mut talks = tokio::task::JoinSet::new();
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        let Ok((stream, _)) = listener.accept().await else {
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        while talks.try_join_next().is_some() {}
        let answer = answer.clone();
        talks.spawn_local(async move {
            talk(stream, answer).await;
            drop(place);
        });
    }
}

async fn talk<A: Future<Output = Reply>>(stream: tokio::net::UnixStream, answer: impl Fn(Request) -> A) {
    let user = stream.peer_cred().map(|peer| peer.uid()).ok();
    let (reading, mut writing) = stream.into_split();
    let mut line = String::new();
    let mut reader = tokio::io::BufReader::new(tokio::io::AsyncReadExt::take(reading, REQUEST_MAX));
    if !matches!(tokio::time::timeout(TALK_WITHIN, reader.read_line(&mut line)).await, Ok(Ok(_))) {
        return;
    }
    let reply = match serde_json::from_str(&line) {
        Ok(request) => match objection(&request, user, rustix::process::geteuid().as_raw()) {
            Some(why) => Reply::Refused(why),
            None => answer(request).await,
        },
        Err(error) => Reply::Refused(format!("not understood: {error}")),
    };
    let mut text = serde_json::to_vec(&reply).unwrap_or_default();
    text.push(b'\n');
    let _ = tokio::time::timeout(TALK_WITHIN, writing.write_all(&text)).await;
}

/// Asks a running daemon.
pub fn ask(socket: &Path, request: &Request) -> std::io::Result<Reply> {
    let mut stream = UnixStream::connect(socket)?;
    let within = match request {
        Request::Ask(_) => INSTRUMENT_WITHIN,
        Request::Replay(_) => REPLAY_WITHIN,
        _ => ANSWER_WITHIN,
    };
    stream.set_read_timeout(Some(within))?;
    stream.set_write_timeout(Some(ANSWER_WITHIN))?;
    let mut text = serde_json::to_vec(request)?;
    text.push(b'\n');
    stream.write_all(&text)?;
    let mut line = String::new();
    BufReader::new(stream).read_line(&mut line)?;
    Ok(serde_json::from_str(&line)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_root_and_the_service_s_user_may_change_anything() {
        let open = Request::Job(JobCommand::Open("J-1".into()));
        for (request, user, may) in [
            (&Request::Status, Some(1000), true),
            (&Request::Status, None, true),
            (&open, Some(0), true),
            (&open, Some(990), true),
            (&open, Some(1000), false),
            (&open, None, false),
            (&Request::Label(None, "S-1".into()), Some(1000), false),
            (&Request::Retry, Some(1000), false),
            (&Request::Again(1, 2), Some(1000), false),
        ] {
            assert_eq!(objection(request, user, 990).is_none(), may, "{request:?} by {user:?}");
        }
    }
}
