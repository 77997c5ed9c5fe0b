//! Things that hang, each beside things that don't: a share that results go to, one that files come from, a driver, a
//! store that somebody holds, programs that ask and do not listen. Only what hangs stands still, and is named; a stop
//! takes less than ten seconds; the next start goes on, exactly once.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![allow(clippy::print_stdout, reason = "a test's figures are printed")]

use std::fs;
use std::io::Write;
use std::os::unix::net::UnixStream;
use std::process::ExitStatus;
use std::time::{Duration, Instant};

use ridgepost_tests::cell::{Cell, export};
use ridgepost_tests::drops::Drops;
use ridgepost_tests::instruments;
use ridgepost_tests::oracle::{deliveries, doubled, field};
use ridgepost_tests::patience::{until_true, within};
use ridgepost_tests::share::Share;

/// The status of a stop that left something behind.
const LEFT_BEHIND: i32 = 75;

/// The trouble of a share comes after 20 seconds of silence.
const PATIENCE: Duration = Duration::from_secs(90);

fn none(findings: Vec<String>) {
    assert!(findings.is_empty(), "\n{}\n", findings.join("\n"));
}

fn sink_trouble(cell: &Cell, name: &str) -> Option<String> {
    let status = cell.ask_json(&["status"]).remove(0);
    let sinks = status["daemon"]["sinks"].as_array().unwrap().clone();
    sinks.iter().find(|sink| sink["sink"] == name).unwrap()["trouble"].as_str().map(str::to_owned)
}

fn station_trouble(cell: &Cell, name: &str) -> Option<String> {
    let status = cell.ask_json(&["status"]).remove(0);
    status["daemon"]["stations"][name]["trouble"].as_str().map(str::to_owned)
}

/// Asks for a stop and says how it ended; nothing where it did not end within ten seconds, or fifteen on a machine that
/// is busy with other things.
fn stop(cell: &mut Cell) -> Option<ExitStatus> {
    let began = Instant::now();
    cell.begin_stop();
    let status = cell.ended_within(Duration::from_secs(15));
    println!("stop: {status:?} after {:.1} s", began.elapsed().as_secs_f64());
    status
}

/// A cell with one instrument, a sink here, and a sink on a share.
fn cell_with_share() -> (Cell, ridgepost_tests::pty::Line, Share) {
    let (mut cell, line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let far = cell.sink("far", "reading");
    cell.configure();
    let share = Share::mounted(&cell.path("server"), &far);
    (cell, line, share)
}

#[test]
#[ignore = "needs root to mount a file system of its own"]
fn a_share_that_hangs_stops_its_sink_and_nothing_else() {
    let (mut cell, mut line, share) = cell_with_share();
    let (mut near, mut far) = (cell.drops("mes"), Drops::new(share.server()));
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    none(cell.until_delivered(&mut near));
    none(cell.until_delivered(&mut far));

    share.hang();
    line.send(&[instruments::counted(2), instruments::counted(3)].concat());
    cell.until_recorded("a", 3);
    none(cell.until_delivered(&mut near));
    assert_eq!((near.count(), far.count()), (3, 1), "the one goes on, the other stands still");
    let told = within(PATIENCE, || sink_trouble(&cell, "far").filter(|why| why.contains("hangs")));
    assert!(told.is_some(), "the status names it:\n{}", cell.log());
    assert_eq!(sink_trouble(&cell, "mes"), None);

    let status = stop(&mut cell).expect("an end in time");
    assert_eq!(status.code(), Some(LEFT_BEHIND), "{}", cell.log());
    let named = cell.log().lines().find(|line| line.contains("is left behind")).unwrap_or_default().to_owned();
    assert!(named.contains("sink far (process "), "{named}\n{}", cell.log());
    let porter = named.split("process ").nth(1).unwrap().split(' ').next().unwrap().to_owned();
    assert!(fs::exists(format!("/proc/{porter}")).unwrap(), "the porter hangs still");

    line.let_go();
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(4));
    cell.until_recorded("a", 4);
    none(cell.until_delivered(&mut near));
    assert!(fs::exists(format!("/proc/{porter}")).unwrap(), "the porter of the earlier run hangs still");
    share.wake();
    let all = within(PATIENCE, || {
        far.look();
        (far.count() == 4).then_some(())
    });
    assert!(all.is_some(), "{} of 4 on the share:\n{}", far.count(), cell.log());
    until_true("the porter of the earlier run to be gone", || !fs::exists(format!("/proc/{porter}")).unwrap());
    cell.until("the trouble to be over", |cell| sink_trouble(cell, "far").is_none().then_some(()));
    none(far.look_again());
    none(deliveries(&cell.store().results(), &far));
    cell.stop();
}

/// The rig can fail: a daemon that touches the share itself can't be stopped while the share hangs.
#[test]
#[ignore = "needs root to mount a file system of its own"]
fn a_daemon_that_touches_a_share_itself_is_found_out() {
    let (mut cell, mut line, share) = cell_with_share();
    cell.set("RIDGEPOST_WEAKEN", "no-porter");
    cell.start_listening(&[&line]);
    share.hang();
    line.send(&instruments::counted(1));
    until_true("the daemon to hang", || share.holds_somebody());
    assert_eq!(stop(&mut cell), None, "a thread in the kernel keeps its process from ending");
    share.wake();
    assert!(cell.ended_within(PATIENCE).is_some());
}

/// Files appear on the server without a word to anybody who watches the mounted side: they are found by listing. And
/// where the share hangs, its station hangs alone.
#[test]
#[ignore = "needs root to mount a file system of its own"]
fn a_share_that_files_come_from_is_listed_and_may_hang() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let far = cell.folder("far", "exported", "G-2", "*.csv");
    let near = cell.folder("near", "exported", "G-3", "*.csv");
    cell.configure();
    let share = Share::mounted(&cell.path("server"), &far);
    let events = Events::on(&far);
    cell.start_listening(&[&line]);
    export(share.server(), "1.csv", &instruments::exported(1, 3));
    assert_eq!(events.count(), 0, "nothing is heard on the mounted side");
    cell.until_recorded("far", 3);
    cell.until("the file to be moved away", |_| share.server().join("recorded/1.csv").exists().then_some(()));
    assert!(events.count() > 0, "what is done on the mounted side is heard: the silence before meant something");

    share.hang();
    until_true("the station to hang", || share.holds_somebody());
    export(share.server(), "2.csv", &instruments::exported(4, 2));
    export(&near, "1.csv", &instruments::exported(1, 2));
    line.send(&instruments::counted(1));
    cell.until_recorded("near", 2);
    cell.until_recorded("a", 1);
    let told = within(PATIENCE, || station_trouble(&cell, "far").filter(|why| why.contains("hangs")));
    assert!(told.is_some(), "the status names it:\n{}", cell.log());
    assert_eq!((station_trouble(&cell, "near"), station_trouble(&cell, "a")), (None, None));
    let open = cell.store().coverage("far");
    assert!(open.iter().any(|gap| field(gap, "until_us").is_empty()), "a gap is open: {open:?}");

    let status = stop(&mut cell).expect("an end in time");
    assert_eq!(status.code(), Some(LEFT_BEHIND), "{}", cell.log());
    assert!(cell.log().contains("left behind: station far (process "), "{}", cell.log());
    line.let_go();
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(2));
    cell.until_recorded("a", 2);
    share.wake();
    let store = cell.store();
    let found = within(PATIENCE, || (store.readings("far").len() == 5).then_some(()));
    assert!(found.is_some(), "{} of 5\n{}", store.readings("far").len(), cell.log());
    cell.until("the file to be moved away", |_| share.server().join("recorded/2.csv").exists().then_some(()));
    cell.stop();
    none(doubled(&store.results()));
    assert_eq!(store.readings("far").len(), 5);
}

/// What the kernel tells of a folder to whoever watches it.
struct Events(std::os::fd::OwnedFd);

impl Events {
    fn on(folder: &std::path::Path) -> Events {
        use rustix::fs::inotify;
        let watch = inotify::init(inotify::CreateFlags::NONBLOCK | inotify::CreateFlags::CLOEXEC).unwrap();
        inotify::add_watch(&watch, folder, inotify::WatchFlags::CREATE | inotify::WatchFlags::MOVE).unwrap();
        Events(watch)
    }

    /// Bytes of events that came since it was asked last.
    fn count(&self) -> usize {
        rustix::io::read(&self.0, &mut [0; 4096][..]).unwrap_or(0)
    }
}

/// A driver that never lets go of whoever opens its device: the other ports are heard, the one is named.
#[test]
#[ignore = "needs root to mount a file system of its own"]
fn a_driver_that_hangs_stops_its_port_and_nothing_else() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let plug = cell.port("b", "plain", "G-2");
    cell.configure();
    let share = Share::mounted(&cell.path("server"), &cell.path("devices"));
    fs::write(share.server().join("b"), "").unwrap();
    let link = cell.path("by-id/b");
    fs::remove_file(&link).unwrap();
    std::os::unix::fs::symlink(cell.path("devices/b"), &link).unwrap();
    share.hang();
    cell.start_listening(&[&line]);
    until_true("the driver to be asked", || share.holds_somebody());
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    let told = within(PATIENCE, || station_trouble(&cell, "b").filter(|why| why.contains("its driver")));
    assert!(told.is_some(), "{}", cell.log());
    line.send(&instruments::counted(2));
    cell.until_recorded("a", 2);
    // The call can't be taken back, so the process ends when the driver lets go; everything else has ended before.
    cell.begin_stop();
    cell.until_logged("left behind: station b (its driver does not open the port)");
    share.wake();
    assert_eq!(cell.ended_within(PATIENCE).and_then(|status| status.code()), Some(LEFT_BEHIND), "{}", cell.log());
    drop(plug);
}

/// Programs that connect and say nothing, or ask and do not listen, hold nobody up.
#[test]
fn who_asks_and_does_not_listen_holds_nobody_up() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    let at = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let text = fs::read_to_string(cell.path("cell/cell.toml")).unwrap();
    cell.write("cell.toml", &format!("{text}[watch]\nmetrics = {{ listen = \"{at}\" }}\n"));
    cell.start_listening(&[&line]);
    let half: Vec<UnixStream> = (0..3)
        .map(|_| {
            let mut asking = UnixStream::connect(cell.path("run/control.sock")).unwrap();
            asking.write_all(b"\"sta").unwrap();
            asking
        })
        .collect();
    let mut metrics = Vec::new();
    cell.until("the metrics to be told", |_| std::net::TcpStream::connect(at).ok().map(|stream| metrics.push(stream)));
    metrics.push(std::net::TcpStream::connect(at).unwrap());
    metrics[0].write_all(b"GET /metrics HTTP/1.1\r\n\r\n").unwrap();
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    assert!(cell.ask(&["status"]).status.success());
    assert_eq!(stop(&mut cell).expect("an end in time").code(), Some(0), "{}", cell.log());
    drop((half, metrics));
}

/// Somebody holds the store, and the writer waits: told, a stop names it, nothing that was acknowledged is lost, and a
/// start that meets the same waits, and hears the word to stop.
#[test]
fn a_writer_that_is_held_up_holds_no_stop_up() {
    let (mut cell, mut line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(1));
    cell.until_recorded("a", 1);
    let holder = rusqlite::Connection::open(cell.store_path()).unwrap();
    holder.execute_batch("BEGIN IMMEDIATE").unwrap();
    line.send(&instruments::counted(2));
    cell.until("the trouble to be told", |cell| {
        let status = cell.ask_json(&["status"]).remove(0);
        status["daemon"]["store_trouble"].as_str().filter(|why| why.contains("locked")).map(|_| ())
    });
    assert_eq!(stop(&mut cell).expect("an end in time").code(), Some(LEFT_BEHIND), "{}", cell.log());
    let log = cell.log();
    let named = log.lines().find(|line| line.contains("is left behind")).unwrap();
    assert!(named.contains("station a") && named.contains("the store's writer"), "{named}");
    assert_eq!(cell.store().readings("a").len(), 1);

    holder.execute_batch("COMMIT").unwrap();
    line.let_go();
    cell.start_listening(&[&line]);
    line.send(&instruments::counted(3));
    cell.until("the reading", |cell| {
        let numbers = cell.store().readings("a");
        numbers.last().is_some_and(|row| field(row, "value") == "0.003").then_some(())
    });
    none(doubled(&cell.store().results()));
    none(cell.store().integrity());
    cell.stop();
}
