//! The scripts beside which Ridgepost is measured, and the interpreter that runs them.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// A Python with what the scripts need.
#[derive(Debug)]
pub struct Python {
    program: PathBuf,
    /// Whether pandas could be had.
    pub has_pandas: bool,
}

/// What a program cost.
#[derive(Debug)]
pub struct Cost {
    /// From start to end.
    pub seconds: f64,
    /// The most memory it had resident, in MB (10^6 bytes).
    pub megabytes: f64,
}

impl Python {
    /// Makes an environment below the build's own folder, once, and installs what the scripts need into it.
    pub fn prepare() -> Python {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("bench-python");
        let program = folder.join("bin/python");
        if !program.exists() {
            let made = Command::new("python3").arg("-m").arg("venv").arg(&folder).status();
            assert!(made.is_ok_and(|status| status.success()), "python3 with its venv module is needed");
        }
        let has = |module: &str| {
            let asked = Command::new(&program).args(["-c", &format!("import {module}")]).stderr(Stdio::null()).status();
            asked.is_ok_and(|status| status.success())
        };
        let install = |package: &str| {
            let pip = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", package];
            Command::new(&program).args(pip).status().is_ok_and(|status| status.success())
        };
        assert!(has("serial") || install("pyserial"), "pyserial could not be installed");
        let has_pandas = has("pandas") || (std::env::var_os("CI").is_none() && install("pandas"));
        Python { program, has_pandas }
    }

    /// The interpreter.
    pub fn program(&self) -> &Path {
        &self.program
    }

    /// A script beside this file.
    pub fn script(name: &str) -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/bench/peers").join(name)
    }

    /// Runs a script to its end.
    pub fn run(&self, script: &str, arguments: &[&str]) -> Cost {
        let mut command = Command::new(&self.program);
        command.arg(Python::script(script)).args(arguments).stdout(Stdio::piped()).stderr(Stdio::null());
        let began = Instant::now();
        let mut child = command.spawn().unwrap();
        let mut kilobytes = 0;
        let status = loop {
            kilobytes = kilobytes.max(memory_most(child.id()));
            if let Some(status) = child.try_wait().unwrap() {
                break status;
            }
            std::thread::sleep(Duration::from_millis(20));
        };
        let seconds = began.elapsed().as_secs_f64();
        let said = std::io::read_to_string(child.stdout.take().unwrap()).unwrap();
        assert!(status.success(), "{script} {arguments:?} ended with {status}: {said}");
        Cost { seconds, megabytes: kilobytes as f64 * 1024.0 / 1e6 }
    }
}

fn status_of(process: u32, key: &str) -> u64 {
    let text = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(':'));
    line.and_then(|line| line.split_whitespace().next()?.parse().ok()).unwrap_or(0)
}

/// The most memory a process had resident so far, in kB (2^10 bytes).
pub fn memory_most(process: u32) -> u64 {
    status_of(process, "VmHWM")
}

/// The memory a process has resident, in kB (2^10 bytes).
pub fn memory(process: u32) -> u64 {
    status_of(process, "VmRSS")
}

/// How often the threads of a process went to sleep so far: each time they were woken before.
pub fn sleeps(process: u32) -> u64 {
    let threads = std::fs::read_dir(format!("/proc/{process}/task")).into_iter().flatten().flatten();
    threads
        .filter_map(|thread| thread.file_name().to_str()?.parse().ok())
        .map(|thread: u32| status_of(thread, "voluntary_ctxt_switches"))
        .sum()
}

/// Seconds of processor time a process has used so far.
pub fn busy_seconds(process: u32) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
    let fields: Vec<&str> = text.rsplit(')').next().unwrap_or("").split_whitespace().collect();
    let ticks: f64 = fields.iter().skip(11).take(2).filter_map(|field| field.parse::<f64>().ok()).sum();
    ticks / rustix::param::clock_ticks_per_second() as f64
}
