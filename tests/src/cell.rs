//! A cell in a temporary folder and the real program at work in it: started, asked, stopped and killed.

use std::fs::{self, File};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use crate::drops::Drops;
use crate::instruments;
use crate::oracle::Store;
use crate::patience::{until, until_true, within};
use crate::pty::Line;
use crate::said::Said;

/// A cell and, while it runs, its daemon.
#[derive(Debug)]
pub struct Cell {
    folder: tempfile::TempDir,
    binary: PathBuf,
    environment: Vec<(String, String)>,
    user: Option<u32>,
    pub(crate) stations: String,
    pub(crate) sinks: String,
    pub(crate) gauges: String,
    daemon: Option<Child>,
    under: Vec<String>,
}

impl Cell {
    /// An empty cell for the program at `binary`, or at `RIDGEPOST_BINARY` where that is set: the rig may be run against a
    /// program that was built otherwise.
    pub fn new(binary: &str) -> Cell {
        let binary = std::env::var_os("RIDGEPOST_BINARY").map_or_else(|| binary.into(), PathBuf::from);
        let folder = tempfile::tempdir().unwrap();
        for name in ["cell/jobs", "cell/instruments", "exports", "drops", "by-id", "run"] {
            fs::create_dir_all(folder.path().join(name)).unwrap();
        }
        let (stations, sinks, gauges) = (String::new(), String::new(), String::new());
        let mut cell = Cell {
            folder,
            binary,
            environment: vec![],
            user: None,
            stations,
            sinks,
            gauges,
            daemon: None,
            under: vec![],
        };
        let run = cell.path("run").display().to_string();
        cell.environment.push(("XDG_RUNTIME_DIR".into(), run.clone()));
        cell.environment.push(("RUNTIME_DIRECTORY".into(), run));
        cell
    }

    /// A cell that knows the instruments of the rig (`counted`, `plain`, `exported`) and the gauges `G-1` to `G-3`.
    pub fn with_instruments(binary: &str) -> Cell {
        let mut cell = Cell::new(binary);
        let definitions =
            [("counted", instruments::COUNTED), ("plain", instruments::PLAIN), ("exported", instruments::EXPORTED)];
        for (name, definition) in definitions {
            cell.instrument(name, definition);
        }
        for gauge in ["G-1", "G-2", "G-3"] {
            cell.gauge(&format!("id = \"{gauge}\"\nkind = \"stylus\""));
        }
        cell
    }

    /// The smallest cell: one port station `a` that counts, one sink `mes`; ready to start.
    pub fn with_one_instrument(binary: &str) -> (Cell, Line) {
        let mut cell = Cell::with_instruments(binary);
        let line = cell.port("a", "counted", "G-1");
        cell.sink("mes", "reading");
        cell.configure();
        (cell, line)
    }

    /// A path below the temporary folder: `cell/...`, `exports/STATION`, `drops/SINK`, `by-id/STATION`, `store/store.db`.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Sets a variable of the daemon's and the commands' environment.
    pub fn set(&mut self, name: &str, value: &str) {
        self.environment.retain(|(set, _)| set != name);
        self.environment.push((name.to_owned(), value.to_owned()));
    }

    /// Has the daemon run by another program, which must become it (as `strace -D` does); no words, by none.
    pub fn run_under(&mut self, words: &[&str]) {
        self.under = words.iter().map(|word| (*word).to_owned()).collect();
    }

    /// Runs daemon and commands as another user; the store's folder becomes that user's.
    pub fn run_as(&mut self, user: u32) {
        self.user = Some(user);
        for name in ["store", "run", "exports", "drops"] {
            let path = self.path(name);
            fs::create_dir_all(&path).unwrap();
            std::os::unix::fs::chown(&path, Some(user), Some(user)).unwrap();
        }
        let open = std::os::unix::fs::PermissionsExt::from_mode(0o755);
        fs::set_permissions(self.folder.path(), open).unwrap();
    }

    /// Writes a file of the cell folder.
    pub fn write(&self, name: &str, text: &str) {
        let path = self.path("cell").join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    /// Where the store lies.
    pub fn store_path(&self) -> PathBuf {
        self.path("store/store.db")
    }

    /// The store, read from outside.
    #[track_caller]
    pub fn store(&self) -> Store {
        until("a store that can be read", || Store::open(&self.store_path()))
    }

    /// Watches the result files of a sink.
    pub fn drops(&self, sink: &str) -> Drops {
        Drops::new(&self.path("drops").join(sink))
    }

    fn program(&self, arguments: &[&str]) -> Command {
        // Where a test is killed its daemon must go with it: one that is left behind would take hold of the terminals of
        // later tests, because their numbers are given out again at once.
        let tied = Path::new("/usr/bin/setpriv");
        let mut words: Vec<&std::ffi::OsStr> = Vec::new();
        if tied.exists() {
            words.extend([tied.as_os_str(), "--pdeathsig".as_ref(), "KILL".as_ref(), "--".as_ref()]);
        }
        if arguments == ["run"] {
            words.extend(self.under.iter().map(std::ffi::OsStr::new));
        }
        words.push(self.binary.as_os_str());
        let mut command = Command::new(words[0]);
        command.args(&words[1..]);
        command.args(arguments).arg("--cell").arg(self.path("cell"));
        command.envs(self.environment.iter().map(|(name, value)| (name, value)));
        command.stdin(Stdio::null()).current_dir(self.folder.path());
        if let Some(user) = self.user {
            command.uid(user).gid(user);
        }
        command
    }

    /// Starts a command in the background, its output and messages in `path`.
    pub fn begin(&self, arguments: &[&str], log: &str) -> Child {
        let log = File::create(self.path(log)).unwrap();
        self.program(arguments).stdout(log.try_clone().unwrap()).stderr(log).spawn().unwrap()
    }

    /// Runs a command to its end.
    pub fn ask(&self, arguments: &[&str]) -> Said {
        let output = self.program(arguments).output().unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Said { status: output.status, stdout: text(&output.stdout), stderr: text(&output.stderr) }
    }

    /// Starts a command whose output nobody takes until the caller does.
    pub fn begin_asking(&self, arguments: &[&str]) -> Child {
        self.program(arguments).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap()
    }

    /// Runs a command with `--json` that must succeed.
    #[track_caller]
    pub fn ask_json(&self, arguments: &[&str]) -> Vec<Value> {
        let said = self.ask(&[arguments, &["--json"]].concat());
        assert!(said.status.success(), "{arguments:?}: {said:?}");
        said.json()
    }

    /// Starts the daemon without waiting for anything.
    pub fn start(&mut self) {
        assert!(self.daemon.is_none(), "the daemon runs already");
        let log = File::options().append(true).create(true).open(self.path("log")).unwrap();
        let mut command = self.program(&["run"]);
        command.stdout(log.try_clone().unwrap()).stderr(log);
        self.daemon = Some(command.spawn().unwrap());
    }

    /// Starts the daemon and waits until it has the instruments' devices open.
    #[track_caller]
    pub fn start_listening(&mut self, lines: &[&Line]) {
        self.start();
        for line in lines {
            let device = line.device().expect("an instrument that is plugged in").to_owned();
            self.until("a station that listens", |cell| cell.has_open(&device).then_some(()));
        }
    }

    /// Waits for something the daemon should bring about; where it ends instead, the test stops with its log.
    #[track_caller]
    pub fn until<T>(&mut self, what: &str, mut look: impl FnMut(&mut Cell) -> Option<T>) -> T {
        let found = within(crate::patience::LONG, || {
            let found = look(self);
            if found.is_none() && self.has_ended() {
                panic!("the daemon ended while {what} was waited for:\n{}", self.log_tail());
            }
            found
        });
        found.unwrap_or_else(|| panic!("waited in vain for {what}:\n{}", self.log_tail()))
    }

    /// Waits until the daemon's readings of a station number `count` at least.
    #[track_caller]
    pub fn until_recorded(&mut self, station: &str, count: usize) {
        let mut store = None;
        self.until(&format!("{count} readings of {station}"), |cell| {
            store = store.take().or_else(|| Store::open(&cell.store_path()));
            (store.as_ref()?.readings(station).len() >= count).then_some(())
        });
    }

    /// Waits until as many rows are delivered as are stored, as long as it goes on, and gives what is wrong with the
    /// deliveries.
    pub fn until_delivered(&mut self, drops: &mut Drops) -> Vec<String> {
        let store = self.store();
        let mut findings = Vec::new();
        let mut goes_on = true;
        while goes_on {
            let before = drops.count();
            let more = within(crate::patience::LONG, || {
                findings.extend(drops.look());
                let due = store.query("SELECT count(*) AS due FROM results", []);
                let due: usize = crate::oracle::field(&due[0], "due").parse().unwrap_or(0);
                let count = drops.count();
                (count >= due || count >= before + 100).then_some(count < due)
            });
            goes_on = more.unwrap_or(false);
        }
        findings.extend(drops.look_again());
        findings.extend(crate::oracle::deliveries(&store.results(), drops));
        findings
    }

    /// Whether the daemon holds a device or file open.
    pub fn has_open(&self, path: &Path) -> bool {
        let Some(daemon) = &self.daemon else { return false };
        let entries = fs::read_dir(format!("/proc/{}/fd", daemon.id()));
        entries
            .into_iter()
            .flatten()
            .flatten()
            .any(|entry| fs::read_link(entry.path()).is_ok_and(|target| target == path))
    }

    /// Whether the daemon has ended.
    pub fn has_ended(&mut self) -> bool {
        self.daemon.as_mut().is_some_and(|daemon| daemon.try_wait().unwrap().is_some())
    }

    /// Process number of the daemon.
    pub fn process(&self) -> u32 {
        self.daemon.as_ref().expect("a running daemon").id()
    }

    /// Ends the daemon on the spot, as a crash would, and waits until it is gone.
    pub fn kill(&mut self) {
        let mut daemon = self.daemon.take().expect("a running daemon");
        daemon.kill().unwrap();
        daemon.wait().unwrap();
    }

    /// Asks the daemon to stop and waits for its end, which must be an orderly one.
    #[track_caller]
    pub fn stop(&mut self) {
        let status = self.asked_to_stop();
        assert!(status.success(), "asked to stop, the daemon ended with {status}");
    }

    /// Asks the daemon to stop; how it ended, by that or by itself.
    #[track_caller]
    pub fn asked_to_stop(&mut self) -> ExitStatus {
        self.begin_stop();
        self.ended()
    }

    /// Asks the daemon to stop and waits for nothing.
    pub fn begin_stop(&self) {
        let daemon = self.daemon.as_ref().expect("a running daemon");
        // Not waited for yet, its number is still its own.
        let _ = kill_process(Pid::from_child(daemon), Signal::TERM);
    }

    /// Waits for the daemon's end.
    #[track_caller]
    pub fn ended(&mut self) -> ExitStatus {
        let status = self.ended_within(Duration::from_secs(15));
        status.unwrap_or_else(|| panic!("the daemon did not stop:\n{}", self.log_tail()))
    }

    /// How the daemon ended; nothing where it runs still after `limit`.
    pub fn ended_within(&mut self, limit: Duration) -> Option<ExitStatus> {
        let daemon = self.daemon.as_mut().expect("a running daemon");
        let status = within(limit, || daemon.try_wait().unwrap());
        if status.is_some() {
            self.daemon = None;
        }
        status
    }

    /// Waits until the log holds `text`.
    #[track_caller]
    pub fn until_logged(&mut self, text: &str) {
        until_true(&format!("{text:?} in the log"), || self.log().contains(text));
    }

    /// Everything the daemon said.
    pub fn log(&self) -> String {
        fs::read_to_string(self.path("log")).unwrap_or_default()
    }

    fn log_tail(&self) -> String {
        let log = self.log();
        let lines: Vec<&str> = log.lines().collect();
        lines[lines.len().saturating_sub(40)..].join("\n")
    }
}

impl Drop for Cell {
    fn drop(&mut self) {
        if let Some(daemon) = self.daemon.as_mut() {
            let _ = daemon.kill();
            let _ = daemon.wait();
        }
        if std::thread::panicking() {
            eprintln!("the daemon said last:\n{}", self.log_tail());
        }
    }
}

/// Puts a file into an export folder whole: written beside, then renamed in.
pub fn export(folder: &Path, name: &str, bytes: &[u8]) {
    let part = folder.join(format!(".{name}.part"));
    fs::write(&part, bytes).unwrap();
    fs::rename(part, folder.join(name)).unwrap();
}
