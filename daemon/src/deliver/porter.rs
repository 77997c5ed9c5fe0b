//! Carries files to a share in a process of its own.
//!
//! A dead network share holds whoever touches it in the kernel, where not even SIGKILL reaches. So the process that
//! touches it holds nothing else: no store, no port. If it does not answer in time it is given up, and no second one
//! is sent after it until it is gone.

use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use ridgepost_config::CsvSink;
use serde::{Deserialize, Serialize};

use super::{Undelivered, drop};

/// How long a share may take for one file.
const ANSWER_WITHIN: Duration = Duration::from_secs(20);
/// The hidden command that makes this program a porter.
pub const COMMAND: &str = "carry";

/// What a porter is asked to place; the bytes follow.
#[derive(Debug, Serialize, Deserialize)]
struct Load {
    folder: std::path::PathBuf,
    marker: Option<String>,
    name: String,
    bytes: usize,
    /// Whether it takes the place of a file of that name.
    #[serde(default)]
    over: bool,
}

/// What became of it.
#[derive(Debug, Serialize, Deserialize)]
enum Carried {
    Placed,
    Later(String),
    Never(String),
}

/// The way to a porter, who is hired when there is something to carry.
#[derive(Default)]
pub struct Porter {
    hired: Option<Hired>,
    given_up: Option<Child>,
}

struct Hired {
    child: Child,
    load: ChildStdin,
    answers: Receiver<String>,
}

impl Porter {
    /// Places a file as [`drop::place`] does, in another process and with a limit on time.
    pub fn place(&mut self, sink: &CsvSink, name: &str, bytes: &[u8]) -> Result<(), Undelivered> {
        let load = Load {
            folder: sink.folder.clone(),
            marker: sink.marker.clone(),
            name: name.to_owned(),
            bytes: bytes.len(),
            over: false,
        };
        self.send(&load, bytes)
    }

    /// Places a file as [`drop::replace`] does, in another process and with a limit on time.
    pub fn replace(&mut self, folder: &Path, name: &str, bytes: &[u8]) -> Result<(), Undelivered> {
        let (folder, name) = (folder.to_owned(), name.to_owned());
        self.send(&Load { folder, marker: None, name, bytes: bytes.len(), over: true }, bytes)
    }

    fn send(&mut self, load: &Load, bytes: &[u8]) -> Result<(), Undelivered> {
        if let Some(child) = &mut self.given_up {
            match child.try_wait() {
                Ok(Some(_)) => self.given_up = None,
                _ => return Err(Undelivered::Later(format!("{} hangs still", load.folder.display()))),
            }
        }
        let mut hired = match self.hired.take() {
            Some(hired) => hired,
            None => Hired::new().map_err(|error| Undelivered::Later(format!("no porter could be started: {error}")))?,
        };
        match hired.carry(load, bytes) {
            Ok(answer) => {
                self.hired = Some(hired);
                answer
            }
            Err(why) => {
                let _ = hired.child.kill();
                self.given_up = Some(hired.child);
                Err(Undelivered::Later(format!("{}: {why}", load.folder.display())))
            }
        }
    }
}

impl std::ops::Drop for Porter {
    fn drop(&mut self) {
        for child in self.hired.iter_mut().map(|hired| &mut hired.child).chain(self.given_up.as_mut()) {
            let _ = child.kill();
            let _ = child.try_wait();
        }
    }
}

impl Hired {
    fn new() -> std::io::Result<Hired> {
        let mut child = Command::new(std::env::current_exe()?)
            .arg(COMMAND)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()?;
        let missing = || std::io::Error::other("no pipe");
        let load = child.stdin.take().ok_or_else(missing)?;
        let output = child.stdout.take().ok_or_else(missing)?;
        let (tell, answers) = channel();
        std::thread::Builder::new().name("porter".into()).spawn(move || {
            for line in BufReader::new(output).lines().map_while(Result::ok) {
                if tell.send(line).is_err() {
                    return;
                }
            }
        })?;
        Ok(Hired { child, load, answers })
    }

    /// Hands over one file and waits for word of it; the error is why there was none.
    fn carry(&mut self, load: &Load, bytes: &[u8]) -> Result<Result<(), Undelivered>, String> {
        let mut message = serde_json::to_vec(load).map_err(|error| error.to_string())?;
        message.push(b'\n');
        message.extend_from_slice(bytes);
        self.load.write_all(&message).and_then(|()| self.load.flush()).map_err(|error| format!("porter: {error}"))?;
        let answer = self.answers.recv_timeout(ANSWER_WITHIN).map_err(|error| match error {
            RecvTimeoutError::Timeout => format!("no answer within {} s: the share hangs", ANSWER_WITHIN.as_secs()),
            RecvTimeoutError::Disconnected => "the porter ended".to_owned(),
        })?;
        let carried = serde_json::from_str(&answer).map_err(|error| format!("porter: {error}"))?;
        Ok(match carried {
            Carried::Placed => Ok(()),
            Carried::Later(why) => Err(Undelivered::Later(why)),
            Carried::Never(why) => Err(Undelivered::Never(why)),
        })
    }
}

/// The other side: carries what comes in on stdin until it ends.
pub fn carry() -> std::io::Result<()> {
    let mut input = BufReader::new(std::io::stdin().lock());
    let mut output = std::io::stdout().lock();
    let mut line = String::new();
    loop {
        line.clear();
        if input.read_line(&mut line)? == 0 {
            return Ok(());
        }
        let load: Load = serde_json::from_str(&line)?;
        let mut bytes = vec![0; load.bytes];
        input.read_exact(&mut bytes)?;
        let placed = match load.over {
            true => drop::replace(&load.folder, &load.name, &bytes, true),
            false => drop::place(&load.folder, load.marker.as_deref(), &load.name, &bytes),
        };
        let carried = match placed {
            Ok(()) => Carried::Placed,
            Err(Undelivered::Later(why)) => Carried::Later(why),
            Err(Undelivered::Never(why)) => Carried::Never(why),
        };
        let answer = serde_json::to_string(&carried)?;
        writeln!(output, "{answer}")?;
        output.flush()?;
    }
}

/// Whether a folder lies on a file system that can hang: a network share, or one that another program serves. Told
/// by the mount table alone, because looking at the folder may hang already.
pub fn may_hang(folder: &Path) -> bool {
    let table = std::fs::read_to_string("/proc/self/mountinfo").unwrap_or_default();
    kind_of_mount(&table, folder).is_some_and(|kind| {
        let network = ["nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "ncpfs", "glusterfs"];
        network.contains(&kind) || kind == "fuse" || kind == "autofs" || kind.starts_with("fuse.")
    })
}

/// The file system type of the mount that holds a path (proc_pid_mountinfo(5): fields 5 and the first after ` - `).
fn kind_of_mount<'t>(table: &'t str, path: &Path) -> Option<&'t str> {
    let mounts = table.lines().filter_map(|line| {
        let (mount, source) = line.split_once(" - ")?;
        let point = mount.split(' ').nth(4)?.replace("\\040", " ").replace("\\011", "\t").replace("\\134", "\\");
        path.starts_with(&point).then_some((point.len(), source.split(' ').next()?))
    });
    // Of mounts on one point the last one covers the others.
    mounts.max_by_key(|(length, _)| *length).map(|(_, kind)| kind)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TABLE: &str = "\
22 1 254:0 / / rw,relatime - ext4 /dev/vda rw\n\
30 22 0:40 / /mnt/mes rw,relatime shared:1 - cifs //server/mes rw\n\
31 22 0:41 / /mnt/my\\040share rw - fuse.sshfs host: rw\n\
32 22 0:42 / /run rw - tmpfs tmpfs rw\n\
33 30 0:43 / /mnt/mes rw - nfs4 server:/mes rw\n";

    #[test]
    fn the_mount_table_says_what_can_hang() {
        for (path, kind) in [
            ("/mnt/mes/in", "nfs4"),
            ("/mnt/mesh", "ext4"),
            ("/mnt/my share/x", "fuse.sshfs"),
            ("/run/x", "tmpfs"),
            ("/srv", "ext4"),
        ] {
            assert_eq!(kind_of_mount(TABLE, Path::new(path)), Some(kind), "{path}");
        }
        assert_eq!(kind_of_mount("", Path::new("/srv")), None);
    }
}
