//! `ridgepost demo`: a cell in miniature. The instruments are virtual; daemon, store and drops are the real ones.

mod instrument;
mod shop;
mod show;
mod summary;

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;

use crate::command::out::Out;
use crate::exit::Exit;
use crate::store::{open_for_reading, query};
use show::{STEPS, Show};

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Where the demo leaves its cell, store and drops; must be empty or absent [default: a new folder for
    /// temporary files]
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Varies the numbers that the virtual instruments show
    #[arg(long, default_value_t = 1, value_name = "N")]
    seed: u64,
    /// Keep the daemon running after the show, until Enter or Ctrl-C
    #[arg(long)]
    stay: bool,
    /// JSON Lines on stdout: every result, last the places
    #[arg(long)]
    json: bool,
}

/// Plays the demo; 1 if it could not show what it should.
pub(crate) fn demo(args: &DemoArgs, out: &mut Out) -> Exit {
    let dir = match prepare(args.dir.as_deref()) {
        Ok(dir) => dir,
        Err(text) => {
            out.complain(&text);
            return Exit::Unusable;
        }
    };
    match play(args, &dir, out) {
        Ok(()) => Exit::Done,
        Err(text) => {
            out.complain(&format!("the demo could not go on: {text}; the daemon's log is {}", log_of(&dir).display()));
            Exit::No
        }
    }
}

/// Makes the folders and the cell.
fn prepare(dir: Option<&Path>) -> Result<PathBuf, String> {
    let dir = match dir {
        Some(dir) => std::path::absolute(dir).map_err(|error| format!("{}: {error}", dir.display()))?,
        None => std::env::temp_dir().join(format!("ridgepost-demo-{}", std::process::id())),
    };
    if std::fs::read_dir(&dir).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(format!("{} is not empty; name another folder with --dir", dir.display()));
    }
    let made = |path: &Path| std::fs::create_dir_all(path).map_err(|error| format!("{}: {error}", path.display()));
    for folder in ["cell/jobs", "ports", "exports", "drops"] {
        made(&dir.join(folder))?;
    }
    let zone = jiff::tz::TimeZone::get(shop::ZONE).map_err(|error| error.to_string())?;
    let today = jiff::Timestamp::now().to_zoned_datetime(zone).date();
    for (name, text) in shop::cell_files(&dir, today) {
        let file = dir.join("cell").join(name);
        std::fs::write(&file, text).map_err(|error| format!("{}: {error}", file.display()))?;
    }
    Ok(dir)
}

fn play(args: &DemoArgs, dir: &Path, out: &mut Out) -> Result<(), String> {
    let bar = ProgressBar::new(STEPS);
    if let Ok(style) = ProgressStyle::with_template("{spinner} [{bar:30}] {pos}/{len} {msg}") {
        bar.set_style(style.progress_chars("=> "));
    }
    let mut show = Show::new(dir, args.seed, &bar).map_err(|fault| fault.to_string())?;
    let mut daemon = Daemon::start(dir)?;
    let played = show.play().map_err(|fault| fault.to_string());
    bar.finish_and_clear();
    played?;
    let store = open_for_reading(&dir.join("store.db")).map_err(|fault| fault.to_string())?;
    if args.json {
        query::results(&store, &query::Filter::default(), |cells| {
            out.json(&query::to_json(&cells));
            Ok(())
        })
        .map_err(|fault| fault.to_string())?;
    } else {
        summary::print(&store, dir, out).map_err(|fault| fault.to_string())?;
    }
    drop(store);
    if args.stay {
        stay(dir, &mut show, out);
    }
    daemon.stop()?;
    if args.json {
        out.json(&json!({
            "cell": dir.join("cell"),
            "store": dir.join("store.db"),
            "drops": dir.join("drops"),
            "exports": dir.join("exports"),
            "log": log_of(dir),
        }));
    }
    Ok(())
}

/// Lets a person play the micrometer and the export folder.
fn stay(dir: &Path, show: &mut Show, out: &mut Out) {
    out.complain(&format!(
        "the daemon runs on. Type a line such as `D +24.9950 mm` and the micrometer sends it; put files into {}; an \
         empty line ends it",
        dir.join("exports").display()
    ));
    out.flush();
    for line in std::io::stdin().lines().map_while(Result::ok).take_while(|line| !line.trim().is_empty()) {
        if let Err(error) = show.press(&line) {
            out.complain(&format!("the line could not be sent: {error}"));
        }
    }
}

fn log_of(dir: &Path) -> PathBuf {
    dir.join("daemon.log")
}

/// The real daemon, as a process of its own. Killed if the demo ends before it.
struct Daemon(Child);

impl Daemon {
    fn start(dir: &Path) -> Result<Daemon, String> {
        let program = std::env::current_exe().map_err(|error| format!("this program can't be found: {error}"))?;
        let log = std::fs::File::create(log_of(dir)).map_err(|error| format!("{}: {error}", log_of(dir).display()))?;
        let child = Command::new(program)
            .arg("run")
            .arg("--cell")
            .arg(dir.join("cell"))
            .env_remove("RUNTIME_DIRECTORY")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn();
        child.map(Daemon).map_err(|error| format!("the daemon can't be started: {error}"))
    }

    fn stop(&mut self) -> Result<(), String> {
        let pid = i32::try_from(self.0.id()).ok().and_then(rustix::process::Pid::from_raw);
        if let Some(pid) = pid {
            let _ = rustix::process::kill_process(pid, rustix::process::Signal::TERM);
        }
        let until = Instant::now() + Duration::from_secs(10);
        while Instant::now() < until {
            match self.0.try_wait() {
                Ok(Some(status)) if status.success() => return Ok(()),
                Ok(Some(status)) => return Err(format!("the daemon ended with {status}")),
                _ => std::thread::sleep(Duration::from_millis(20)),
            }
        }
        Err("the daemon did not stop within 10 s".into())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
