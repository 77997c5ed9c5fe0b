//! The PC as it is found: users who may not, devices that others hold, folders without permission, a second daemon, a
//! service manager that listens. What may not be done is told with its cure, waits for nobody else, and comes right by
//! itself.
//!
//! Permissions bind no root: where the tests run as root, the daemon runs as another user.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::time::Duration;

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::instruments;
use ridgepost_tests::oracle::field;
use ridgepost_tests::patience::{until_true, within};
use ridgepost_tests::pty::Line;

const NOBODY: u32 = 65_534;

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

fn mode(path: &Path, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

fn give(path: &Path) {
    if is_root() {
        std::os::unix::fs::chown(path, Some(NOBODY), Some(NOBODY)).unwrap();
    }
}

/// A cell whose daemon is bound by permissions.
fn bound(cell: &mut Cell, lines: &[&Line]) {
    if is_root() {
        cell.run_as(NOBODY);
        for folder in ["exports", "drops"] {
            for entry in fs::read_dir(cell.path(folder)).unwrap() {
                give(&entry.unwrap().path());
            }
        }
    }
    for line in lines {
        give(line.device().unwrap());
    }
}

fn station<'v>(status: &'v serde_json::Value, name: &str) -> (&'v str, &'v str) {
    let station = &status["daemon"]["stations"][name];
    (station["state"].as_str().unwrap_or_default(), station["trouble"].as_str().unwrap_or_default())
}

/// Everything at once that a user may not do, beside a station that may: told with its cure, and over by itself.
#[test]
fn what_may_not_be_done_is_told_and_comes_right_by_itself() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut healthy = cell.port("healthy", "counted", "G-1");
    let mut closed = cell.port("closed", "counted", "G-2");
    let unlisted = cell.folder("unlisted", "exported", "G-3", "*.csv");
    let unmoved = cell.folder("unmoved", "exported", "G-3", "*.csv");
    cell.sink("mes", "reading");
    let refused = cell.sink("refused", "reading");
    cell.configure();
    bound(&mut cell, &[&healthy, &closed]);
    let device = closed.device().unwrap().to_owned();
    mode(&device, 0);
    mode(&unlisted, 0o000);
    mode(&refused, 0o555);
    export(&unmoved, "unread.csv", &instruments::exported(1, 1));
    export(&unmoved, "read.csv", &instruments::exported(2, 1));
    give(&unmoved.join("read.csv"));
    mode(&unmoved.join("unread.csv"), 0o000);
    mode(&unmoved, 0o555);

    cell.start_listening(&[&healthy]);
    healthy.send(&instruments::counted(1));
    cell.until_recorded("healthy", 1);
    cell.until_recorded("unmoved", 1);
    let mut drops = cell.drops("mes");
    cell.until("the file beside the refused one", |_| {
        drops.look();
        (drops.count() >= 2).then_some(())
    });
    let told = |status: &serde_json::Value| {
        station(status, "closed").1.contains("may not be opened by this user: `ridgepost ports` shows the cure")
            && station(status, "unlisted").1.contains("Permission denied")
            && status["daemon"]["sinks"].to_string().contains("Permission denied")
            && status["store"]["events"].to_string().contains("unread.csv can't be read: Permission denied")
            && status["store"]["events"].to_string().contains("read.csv is recorded but can't be moved away")
    };
    let status = cell.until("all of it in the status", |cell| {
        let status = cell.ask_json(&["status"]).remove(0);
        told(&status).then_some(status)
    });
    assert_eq!(station(&status, "healthy"), ("listening", ""));

    mode(&device, 0o600);
    mode(&unlisted, 0o755);
    mode(&refused, 0o755);
    mode(&unmoved, 0o755);
    mode(&unmoved.join("unread.csv"), 0o644);
    cell.until("the port", |cell| cell.has_open(&device).then_some(()));
    closed.send(&instruments::counted(1));
    cell.until_recorded("closed", 1);
    cell.until_recorded("unmoved", 2);
    export(&unlisted, "1.csv", &instruments::exported(1, 2));
    cell.until_recorded("unlisted", 2);
    let mut late = cell.drops("refused");
    let findings = cell.until_delivered(&mut late);
    assert_eq!(findings, Vec::<String>::new());
    cell.until("what could not be moved", |_| unmoved.join("recorded/read.csv").exists().then_some(()));
    cell.stop();
    // Told once each, however often it was tried.
    for code in ["code=\"not-moved\"", "code=\"sink-waits\"", "code=\"unreadable-file\"", "code=\"moved-now\""] {
        assert_eq!(cell.log().matches(code).count(), 1, "{code}:\n{}", cell.log());
    }
    assert_eq!(cell.log().matches("code=\"deaf\"").count(), 2, "{}", cell.log());
}

/// Another program has the port: it is named, and when it lets go the port is heard.
#[test]
fn a_port_that_another_program_holds_is_told_with_its_holder() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    let mut healthy = cell.port("healthy", "counted", "G-1");
    let mut held = cell.port("held", "counted", "G-2");
    cell.configure();
    let device = held.device().unwrap().to_owned();
    // A program that locks it, as programs at serial ports do.
    let mut holder = std::process::Command::new("flock").arg(&device).args(["sleep", "600"]).spawn().unwrap();
    until_true("the other program to hold it", || {
        let lock = std::process::Command::new("flock").args(["--nonblock"]).arg(&device).arg("true").status();
        !lock.unwrap().success()
    });
    cell.start_listening(&[&healthy]);
    healthy.send(&instruments::counted(1));
    cell.until_recorded("healthy", 1);
    let why = cell.until("its holder", |cell| {
        let status = cell.ask_json(&["status"]).remove(0);
        let (state, why) = station(&status, "held");
        (state == "deaf" && why.contains("is held by")).then(|| why.to_owned())
    });
    assert!(why.contains(&format!("(process {})", holder.id())), "{why}");
    // `flock` hands its lock on to what it runs.
    let children = fs::read_to_string(format!("/proc/{0}/task/{0}/children", holder.id())).unwrap_or_default();
    for child in children.split_whitespace() {
        let child = rustix::process::Pid::from_raw(child.parse().unwrap()).unwrap();
        rustix::process::kill_process(child, rustix::process::Signal::KILL).unwrap();
    }
    let _ = holder.kill();
    holder.wait().unwrap();
    cell.until("the port", |cell| cell.has_open(&device).then_some(()));
    held.send(&instruments::counted(1));
    cell.until_recorded("held", 1);
    assert_eq!(cell.log().matches("code=\"deaf\"").count(), 1, "{}", cell.log());
    cell.stop();
}

/// What makes a start impossible is said, with its own status; nothing is made that should not be there.
#[test]
fn a_start_that_is_not_possible_says_why() {
    let mut cell = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
    cell.sink("mes", "reading");
    cell.configure();
    bound(&mut cell, &[]);
    mode(&cell.path("store"), 0o555);
    cell.start();
    assert_eq!(cell.ended().code(), Some(3), "{}", cell.log());
    let log = cell.log();
    assert!(log.contains("store.db") && log.contains("Permission denied") && log.contains("write there"), "{log}");
    assert_eq!(fs::read_dir(cell.path("store")).unwrap().count(), 0);
    mode(&cell.path("store"), 0o755);
    mode(&cell.path("cell/cell.toml"), 0o000);
    let said = cell.ask(&["run"]);
    assert_eq!(said.code(), Some(3), "{said:?}");
    assert!(said.stderr.contains("cell.toml") && said.stderr.contains("Permission denied"), "{said:?}");
    mode(&cell.path("cell/cell.toml"), 0o644);
    cell.start();
    cell.until_logged("code=\"started\"");
    cell.stop();
}

/// Who may look may not change anything. As root also by another user of the service's group; else as far as one user
/// can show it.
#[test]
fn only_the_service_s_user_and_root_may_change_anything() {
    let (mut cell, line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    assert!(cell.ask(&["outbox", "retry"]).status.success(), "its own user may");
    if !is_root() {
        return;
    }
    for folder in ["", "run", "store", "cell"] {
        mode(&cell.path(folder), 0o755);
    }
    let asked = |arguments: &[&str], group: u32| {
        let mut command = std::process::Command::new("setpriv");
        command.args(["--reuid", "65534", "--regid", &group.to_string(), "--clear-groups"]);
        command.arg(env!("CARGO_BIN_EXE_ridgepost")).args(arguments).arg("--cell").arg(cell.path("cell"));
        let output = command.output().unwrap();
        (output.status.code(), String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned())
    };
    for write in [&["outbox", "retry"][..], &["job", "close"], &["outbox", "again", "1..2"]] {
        let (code, said) = asked(write, 0);
        assert_eq!(code, Some(1), "{said}");
        assert!(said.contains("the user with number 65534 may look and may not change anything"), "{said}");
    }
    let (code, said) = asked(&["status"], 0);
    assert!(code == Some(0) && said.contains("running as process"), "the group may look: {said}");
    let (code, said) = asked(&["outbox", "retry"], 65_534);
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("Permission denied"), "{said}");
    cell.stop();
}

/// Two daemons on one store are impossible, by whatever path the second one comes.
#[test]
fn one_store_has_one_daemon() {
    let (mut cell, line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    let store = cell.store_path();
    let second = |path: &Path| {
        let mut other = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
        other.configure();
        let text = fs::read_to_string(other.path("cell/cell.toml")).unwrap();
        let here = other.store_path().display().to_string();
        other.write("cell.toml", &text.replace(&here, &path.display().to_string()));
        other.start();
        assert_eq!(other.ended().code(), Some(3), "{}: {}", path.display(), other.log());
        other.log()
    };
    let in_use = format!("in use by process {}", cell.process());
    assert!(second(&store).contains(&in_use));
    let linked_folder = cell.path("linked");
    std::os::unix::fs::symlink(store.parent().unwrap(), &linked_folder).unwrap();
    assert!(second(&linked_folder.join("store.db")).contains(&in_use));
    let linked_file = cell.path("other.db");
    std::os::unix::fs::symlink(&store, &linked_file).unwrap();
    assert!(second(&linked_file).contains(&in_use));
    let hard = cell.path("hard.db");
    fs::hard_link(&store, &hard).unwrap();
    assert!(second(&hard).contains("has 2 names"), "its log belongs to one name");
    fs::remove_file(&hard).unwrap();
    cell.stop();
    fs::hard_link(&store, &hard).unwrap();
    assert!(second(&hard).contains("has 2 names"), "nor while nobody else has it");
}

/// As above, by a mount on the store's folder and by one on the store's file itself.
#[test]
#[ignore = "needs root to mount a folder a second time"]
fn one_store_has_one_daemon_wherever_it_is_mounted() {
    let (mut cell, line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    let (folder, file) = (cell.path("mounted"), cell.path("mounted.db"));
    fs::create_dir(&folder).unwrap();
    fs::write(&file, "").unwrap();
    for (what, at, path) in
        [(cell.path("store"), &folder, folder.join("store.db")), (cell.store_path(), &file, file.clone())]
    {
        let mount = std::process::Command::new("mount").arg("--bind").arg(&what).arg(at).status().unwrap();
        assert!(mount.success());
        let mut other = Cell::with_instruments(env!("CARGO_BIN_EXE_ridgepost"));
        other.configure();
        let text = fs::read_to_string(other.path("cell/cell.toml")).unwrap();
        let here = other.store_path().display().to_string();
        other.write("cell.toml", &text.replace(&here, &path.display().to_string()));
        other.start();
        let code = within(Duration::from_secs(30), || other.ended_within(Duration::ZERO)).and_then(|end| end.code());
        std::process::Command::new("umount").arg("--lazy").arg(at).status().unwrap();
        assert_eq!(code, Some(3), "{}", other.log());
        assert!(other.log().contains("in use by"), "{}", other.log());
    }
    cell.stop();
}

/// How things stand, in the words that begin the status.
const WELL: &str = "STATUS=1 stations listen";
const DEAF: &str = "STATUS=1 of 1 stations are deaf: a";

/// What the service manager is told.
struct Manager {
    socket: UnixDatagram,
    heard: Vec<String>,
}

impl Manager {
    fn of(cell: &mut Cell) -> Manager {
        let path = cell.path("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        socket.set_nonblocking(true).unwrap();
        cell.set("NOTIFY_SOCKET", &path.display().to_string());
        cell.set("WATCHDOG_USEC", "3000000");
        Manager { socket, heard: Vec::new() }
    }

    /// Everything heard so far, one assignment a piece.
    fn heard(&mut self) -> &[String] {
        let mut buffer = [0; 4096];
        while let Ok(count) = self.socket.recv(&mut buffer) {
            self.heard.extend(String::from_utf8_lossy(&buffer[..count]).lines().map(str::to_owned));
        }
        &self.heard
    }

    fn count(&mut self, what: &str) -> usize {
        self.heard().iter().filter(|said| said.starts_with(what)).count()
    }
}

#[test]
fn the_service_manager_hears_the_truth() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    cell.stop();
    let mut manager = Manager::of(&mut cell);
    // Somebody holds the store: not ready before it is open, however long that takes.
    let holder = rusqlite::Connection::open(cell.store_path()).unwrap();
    holder.execute_batch("BEGIN IMMEDIATE").unwrap();
    line.let_go();
    cell.start();
    cell.until("the trouble", |cell| cell.log().contains("store-full").then_some(()));
    assert_eq!(manager.count("READY=1"), 0, "{:?}", manager.heard);
    assert_eq!(manager.count("WATCHDOG=1"), 0, "{:?}", manager.heard);
    holder.execute_batch("COMMIT").unwrap();
    cell.until("ready", |_| (manager.count("READY=1") == 1).then_some(()));
    cell.until("three signs of life", |_| (manager.count("WATCHDOG=1") >= 3).then_some(()));
    cell.until("how things stand", |_| (manager.count(WELL) >= 1).then_some(()));
    // A start may be told before its port is open.
    let (well, deaf) = (manager.count(WELL), manager.count(DEAF));
    line.unplug();
    cell.until("the fault", |_| (manager.count(DEAF) > deaf).then_some(()));
    line.replug();
    cell.until("its end", |_| (manager.count(WELL) > well).then_some(()));
    cell.write("jobs/faulty.toml", "[job]\nid = 7\n");
    cell.until("the reload", |_| (manager.count("RELOADING=1") == 1).then_some(()));
    cell.until("its end", |_| (manager.count("READY=1") == 2).then_some(()));
    cell.until("the faults", |_| {
        manager
            .heard()
            .iter()
            .any(|said| said.starts_with("STATUS=") && said.contains("in the configuration"))
            .then_some(())
    });
    let at = manager.heard.iter().position(|said| said == "RELOADING=1").unwrap();
    let monotonic = manager.heard[at..].iter().find_map(|said| said.strip_prefix("MONOTONIC_USEC=")).unwrap();
    assert!(monotonic.parse::<u64>().unwrap() > 0);
    cell.stop();
    assert_eq!(manager.count("STOPPING=1"), 1);
    let last = manager.heard.iter().rposition(|said| said == "WATCHDOG=1").unwrap();
    let stopping = manager.heard.iter().position(|said| said == "STOPPING=1").unwrap();
    assert!(last < stopping, "{:?}", manager.heard);
}

/// A port that comes and goes, and a sink that fails all the while: a line for each change of state, none for a try.
#[test]
fn the_log_tells_changes_and_not_tries() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let away = cell.sink("away", "reading");
    cell.configure();
    fs::remove_dir(&away).unwrap();
    cell.start_listening(&[&line]);
    const FLAPS: usize = 5;
    for number in 1..=FLAPS as u64 {
        line.send(&instruments::counted(number));
        cell.until_recorded("a", number as usize);
        line.unplug();
        cell.until("the lost port", |cell| {
            let status = cell.ask_json(&["status"]).remove(0);
            (station(&status, "a").0 == "deaf").then_some(())
        });
        // Longer than several tries to open it.
        std::thread::sleep(Duration::from_millis(2_500));
        line.replug();
        let device = line.device().unwrap().to_owned();
        cell.until("the port", |cell| cell.has_open(&device).then_some(()));
    }
    cell.until("several tries of the sink", |cell| {
        let tries = cell.store().query("SELECT max(attempts) AS tries FROM parcel WHERE sink = 'away'", []);
        field(&tries[0], "tries").parse::<u64>().is_ok_and(|tries| tries >= 4).then_some(())
    });
    fs::create_dir(&away).unwrap();
    let mut drops = cell.drops("away");
    assert_eq!(cell.until_delivered(&mut drops), Vec::<String>::new());
    cell.stop();
    let log = cell.log();
    let count = |code: &str| log.matches(&format!("code=\"{code}\"")).count();
    assert_eq!((count("deaf"), count("listening")), (FLAPS, FLAPS + 1), "{log}");
    assert_eq!((count("sink-waits"), count("sink-back")), (1, 1), "{log}");
    // Nothing else is said: it started and it stopped.
    assert_eq!(log.lines().count(), 2 * FLAPS + 1 + 2 + 2, "{log}");
    let over = log.lines().filter(|line| line.contains("(deaf for ") || line.contains("delivers again after ")).count();
    assert_eq!(over, FLAPS + 2, "each end tells how long it lasted:\n{log}");
}
