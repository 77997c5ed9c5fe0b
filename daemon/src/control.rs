//! The daemon's control socket: commands that write, and the status that only the daemon knows.
//!
//! One JSON object per line each way. The socket lies in the runtime folder with mode 0600, so the kernel lets
//! only the service's own user and root connect; the store's lock file says where it is.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};
use serde_json::Value as Json;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt};
use tokio::net::UnixListener;

use crate::store::JobCommand;

/// A line longer than this is no request.
const REQUEST_MAX: u64 = 64 * 1024;
/// The longest path the kernel takes for a socket, its end mark included (unix(7): 108 bytes).
const SOCKET_PATH_MAX: usize = 107;
/// How long a command waits for the daemon: a full disk makes the daemon wait, and the command with it.
const ANSWER_WITHIN: Duration = Duration::from_secs(20);
/// How long it waits for an instrument: tracing a surface takes up to half a minute, and may be tried again.
const INSTRUMENT_WITHIN: Duration = Duration::from_secs(180);

/// What a command asks of the daemon.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Request {
    /// How everything is doing.
    Status,
    /// A person's word about the job.
    Job(JobCommand),
    /// Parked parcels are due again.
    Retry,
    /// Rows from..to go out again.
    Again(i64, i64),
    /// Ask the instrument of a station for a measurement.
    Ask(String),
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
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600))?;
    Ok(listener)
}

/// Answers one connection after another's requests until the socket closes.
pub async fn serve<F, A>(listener: UnixListener, answer: F)
where
    F: Fn(Request) -> A + Clone + 'static,
    A: Future<Output = Reply> + 'static,
{
    loop {
        let Ok((stream, _)) = listener.accept().await else {
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        let answer = answer.clone();
        tokio::task::spawn_local(async move {
            let (reading, mut writing) = stream.into_split();
            let mut line = String::new();
            let mut reader = tokio::io::BufReader::new(tokio::io::AsyncReadExt::take(reading, REQUEST_MAX));
            if reader.read_line(&mut line).await.is_err() {
                return;
            }
            let reply = match serde_json::from_str(&line) {
                Ok(request) => answer(request).await,
                Err(error) => Reply::Refused(format!("not understood: {error}")),
            };
            let mut text = serde_json::to_vec(&reply).unwrap_or_default();
            text.push(b'\n');
            let _ = writing.write_all(&text).await;
        });
    }
}

/// Asks a running daemon.
pub fn ask(socket: &Path, request: &Request) -> std::io::Result<Reply> {
    let mut stream = UnixStream::connect(socket)?;
    let is_for_an_instrument = matches!(request, Request::Ask(_));
    stream.set_read_timeout(Some(if is_for_an_instrument { INSTRUMENT_WITHIN } else { ANSWER_WITHIN }))?;
    stream.set_write_timeout(Some(ANSWER_WITHIN))?;
    let mut text = serde_json::to_vec(request)?;
    text.push(b'\n');
    stream.write_all(&text)?;
    let mut line = String::new();
    BufReader::new(stream).read_line(&mut line)?;
    Ok(serde_json::from_str(&line)?)
}
