//! A file server on the host that guests mount shares of: the real one, which can be frozen, killed and started again,
//! and a relay before it that can keep its answers back.

use std::fs;
use std::io::{Read, Write};
use std::net::{Ipv4Addr, Shutdown, TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::sleep;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process_group};

use super::{output, text};
use crate::patience::until_true;

/// One share that the server offers.
#[derive(Clone, Copy, Debug)]
pub struct Share {
    /// Its name, and that of its folder.
    pub name: &'static str,
    /// Whether clients may be promised that nobody else touches a file they have open, so that they may keep its bytes.
    pub leases: bool,
}

/// The server and its shares.
#[derive(Debug)]
pub struct Server {
    folder: tempfile::TempDir,
    port: u16,
    process: Option<Child>,
    relay: Relay,
}

impl Server {
    /// Starts it, with an empty folder for each share.
    pub fn started(shares: &[Share]) -> Server {
        let folder = tempfile::tempdir().unwrap();
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        let port = free_port();
        fs::create_dir(folder.path().join("own")).unwrap();
        for share in shares {
            let path = folder.path().join(share.name);
            fs::create_dir(&path).unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(0o777)).unwrap();
        }
        fs::write(folder.path().join("smb.conf"), settings(folder.path(), port, shares)).unwrap();
        let relay = Relay::to(port);
        let mut server = Server { folder, port, process: None, relay };
        server.start();
        server
    }

    /// The port of the host's loopback interface that guests are to use.
    pub fn port(&self) -> u16 {
        self.relay.port
    }

    /// The folder of a share.
    pub fn path(&self, share: &str) -> PathBuf {
        self.folder.path().join(share)
    }

    /// Starts it again after it was killed.
    #[track_caller]
    pub fn start(&mut self) {
        let log = fs::File::create(self.folder.path().join("own/out")).unwrap();
        let mut command = Command::new("smbd");
        command.args(["--foreground", "--no-process-group", "--configfile"]).arg(self.folder.path().join("smb.conf"));
        // A group of its own, so that it and the processes it makes for its clients get the same signals.
        command.process_group(0).stdin(Stdio::null()).stdout(log.try_clone().unwrap()).stderr(log);
        self.process =
            Some(command.spawn().unwrap_or_else(|error| panic!("smbd: {error}; .ci/run names the packages")));
        until_true("the file server", || TcpStream::connect((Ipv4Addr::LOCALHOST, self.port)).is_ok());
    }

    /// It does nothing any more; connections to it stay.
    pub fn freeze(&self) {
        self.signal(Signal::STOP);
    }

    /// It goes on where it was frozen.
    pub fn thaw(&self) {
        self.signal(Signal::CONT);
    }

    /// It is gone in the middle of whatever it did.
    pub fn kill(&mut self) {
        self.signal(Signal::KILL);
        if let Some(mut process) = self.process.take() {
            let _ = process.wait();
        }
    }

    /// From the moment at which a file of this name is in a share, its client gets no answer.
    pub fn keep_answers_back_once_there_is(&self, share: &str, name: &str) {
        *self.relay.keeps_back.lock().unwrap() = Some(self.path(share).join(name));
    }

    /// All answers that were kept back are given.
    pub fn give_answers(&self) {
        *self.relay.keeps_back.lock().unwrap() = None;
    }

    fn signal(&self, signal: Signal) {
        let Some(process) = &self.process else { return };
        let group = Pid::from_child(process);
        kill_process_group(group, signal).unwrap();
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.kill();
    }
}

fn free_port() -> u16 {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap().port()
}

/// The server's settings (smb.conf(5)): everything below one folder, nobody asked for a name.
fn settings(folder: &Path, port: u16, shares: &[Share]) -> String {
    let own = folder.join("own");
    let own = text(&own);
    let folders = ["lock", "state", "cache", "pid", "private"].map(|kind| {
        let kind = if kind == "private" { "private dir".to_owned() } else { format!("{kind} directory") };
        format!("{kind} = {own}\n")
    });
    let mut settings = format!(
        "[global]\ninterfaces = 127.0.0.1\nbind interfaces only = yes\nsmb ports = {port}\nmap to guest = bad user\n\
         server min protocol = SMB3\ndisable spoolss = yes\nlog file = {own}/log\nncalrpc dir = {own}/calls\n{}",
        folders.concat()
    );
    for Share { name, leases } in shares {
        let leases = if *leases { "yes" } else { "no" };
        settings.push_str(&format!(
            "[{name}]\npath = {}\nguest ok = yes\nread only = no\nforce user = root\noplocks = {leases}\n",
            text(&folder.join(name))
        ));
    }
    settings
}

/// What stands between guests and the server.
#[derive(Debug)]
struct Relay {
    port: u16,
    /// Answers are kept back while this file is there.
    keeps_back: Arc<Mutex<Option<PathBuf>>>,
}

impl Relay {
    /// Passes on what comes for a port of this host, until the test ends.
    fn to(port: u16) -> Relay {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let relay = Relay { port: listener.local_addr().unwrap().port(), keeps_back: Arc::default() };
        let keeps_back = Arc::clone(&relay.keeps_back);
        std::thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                // Where nobody serves the client is hung up on.
                let Ok(server) = TcpStream::connect((Ipv4Addr::LOCALHOST, port)) else { continue };
                let (questions, answers) = (client.try_clone().unwrap(), server.try_clone().unwrap());
                let keeps_back = Arc::clone(&keeps_back);
                std::thread::spawn(move || pass_on(questions, server, || false));
                std::thread::spawn(move || pass_on(answers, client, || is_kept_back(&keeps_back)));
            }
        });
        relay
    }
}

fn is_kept_back(keeps_back: &Mutex<Option<PathBuf>>) -> bool {
    keeps_back.lock().unwrap().as_ref().is_some_and(|path| path.exists())
}

/// Passes bytes on until either side ends. Looked at after the server has answered and before its client hears of it:
/// what the answer tells of is done by then.
fn pass_on(mut from: TcpStream, mut to: TcpStream, is_kept_back: impl Fn() -> bool) {
    let mut bytes = vec![0; 1 << 16];
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        while is_kept_back() {
            sleep(Duration::from_millis(20));
        }
        if to.write_all(&bytes[..count]).is_err() {
            break;
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}

/// Options of QEMU for a guest that reaches the host under 10.0.2.2.
pub fn network() -> Vec<String> {
    ["-netdev", "user,id=net", "-device", "virtio-net-pci,netdev=net"].map(str::to_owned).to_vec()
}

/// The version of the server, for the record.
pub fn version() -> String {
    String::from_utf8_lossy(&output("smbd", &["--version"]).stdout).trim().to_owned()
}
