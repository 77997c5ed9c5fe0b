//! Disks that go away: pulled out under the store, and sticks that answer nonsense from then on.

use std::fs;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::patience::until_true;

use super::bench::Bench;
use super::ended_or_waits;
use super::small::Small;

/// Pulls the disk out as soon as a file is moved away, or a little after it was exported.
fn pulled_out(weaken: Option<&str>, rounds: u64) -> Vec<String> {
    let mut bench = Bench::new(weaken);
    let image = bench.cell.path("image");
    let disk = Small::on_image(&bench.cell.path("store"), &image);
    let mut found = bench.goes_on();
    for round in 0..rounds {
        bench.say(5);
        bench.look();
        let file = bench.export();
        if round % 2 == 0 {
            bench.cell.until("the file to be moved away", |_| (!file.exists()).then_some(()));
        } else {
            bench.say(20);
            std::thread::sleep(Duration::from_millis(round * 7));
        }
        disk.pull_out();
        let ended = bench.offer().expect("an end: nobody can wait for a disk that is gone");
        assert_eq!(ended.code(), Some(74), "{ended}\n{}", bench.cell.log());
        // Started again while the disk is gone, it must end as well, and begin no other store.
        bench.line.let_go();
        bench.cell.start();
        let again = bench.cell.ended();
        assert!(matches!(again.code(), Some(3 | 74)), "{again}\n{}", bench.cell.log());
        disk.plug_in_again(&image);
        found.extend(bench.goes_on());
        found.extend(bench.judge().into_iter().map(|text| format!("round {round}: {text}")));
    }
    let why = "ending, so that a new start reads from the disk what stands there";
    assert!(bench.cell.log().matches(why).count() as u64 >= rounds, "{}", bench.cell.log());
    bench.cell.stop();
    println!("pulled out {rounds} times, {} readings said, {} seen", bench.said, bench.seen.len());
    found
}

#[test]
#[ignore = "needs root and loop devices"]
fn a_disk_that_is_pulled_out_loses_nothing_acknowledged() {
    let found = pulled_out(None, 6);
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// The same can fail: a daemon that acknowledges before it commits loses the file that it has moved away.
#[test]
#[ignore = "needs root and loop devices"]
fn a_pulled_disk_finds_out_who_acknowledges_too_early() {
    let found = pulled_out(Some("ack-before-commit"), 1);
    assert!(found.iter().any(|text| text.contains("were exported and")), "nothing was lost: {found:?}");
}

/// strace beside the daemon: calls on the store fail until this is let go.
struct Faults(Child);

impl Faults {
    fn on(cell: &mut Cell, injections: &[&str]) -> Faults {
        let process = cell.process();
        let mut strace = Command::new("strace");
        strace.args(["-f", "-qq", "-o"]).arg(cell.path("trace")).arg(format!("--attach={process}"));
        strace.args(injections.iter().map(|injection| format!("--inject={injection}")));
        for name in ["", "/store.db", "/store.db-wal", "/store.db-shm", "/store.db.numbers", "/store.db.suspect"] {
            strace.arg("-P").arg(cell.path(&format!("store{name}")));
        }
        let faults = Faults(strace.stdin(Stdio::null()).spawn().unwrap());
        let traced = |thread: fs::DirEntry| {
            let status = fs::read_to_string(thread.path().join("status")).unwrap_or_default();
            status.lines().any(|line| line.strip_prefix("TracerPid:").is_some_and(|by| by.trim() != "0"))
        };
        // The first call that fails may be its end, before anybody could look.
        until_true("every thread to be traced", || {
            cell.has_ended() || fs::read_dir(format!("/proc/{process}/task")).unwrap().flatten().all(traced)
        });
        faults
    }
}

impl Drop for Faults {
    fn drop(&mut self) {
        let _ = rustix::process::kill_process(rustix::process::Pid::from_child(&self.0), rustix::process::Signal::TERM);
        let _ = self.0.wait();
    }
}

/// What some sticks answer once they are gone: no room for what is written, an error for what is read. The daemon ends,
/// or waits and says why; it stops all the same, and nothing acknowledged is lost.
fn gone_with_no_room(reads_fail: bool) -> String {
    let mut bench = Bench::new(None);
    let mut found = bench.goes_on();
    bench.say(5);
    bench.look();
    let calls = ["pwrite64:error=ENOSPC", "pread64:error=EIO"];
    let faults = Faults::on(&mut bench.cell, if reads_fail { &calls } else { &calls[..1] });
    bench.export();
    bench.say(5);
    let waits = ended_or_waits(&mut bench.cell);
    let code = if waits { bench.cell.asked_to_stop().code() } else { bench.cell.ended().code() };
    // What waits can't be stored: the writer is left behind, or the disk failed. A read that fails may be called damage
    // (65) where the disk still takes the note of it. No end is as if nothing had been.
    assert!(matches!(code, Some(65 | 74 | 75)), "{code:?}\n{}", bench.cell.log());
    drop(faults);
    found.extend(bench.goes_on());
    found.extend(bench.judge());
    bench.cell.stop();
    assert!(found.is_empty(), "{}", found.join("\n"));
    format!("waited: {waits}, ended with {code:?}")
}

#[test]
#[ignore = "needs strace, and root to attach it"]
fn a_stick_that_answers_no_room_once_it_is_gone_loses_nothing() {
    for reads_fail in [false, true] {
        println!("reads fail: {reads_fail}; {}", gone_with_no_room(reads_fail));
    }
}
