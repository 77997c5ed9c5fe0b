//! One QEMU machine: its lines to the host, its plug, and the keys of its control desk.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Condvar, Mutex};
use std::time::Duration;

use serde_json::{Value, json};

use super::kernel::Kernel;
use super::text;
use crate::patience::within;

/// How long an emulated machine may take for anything; on a host with other work it gets a tenth of its usual time.
pub const PATIENCE: Duration = Duration::from_secs(400);

/// How long it may take to come up before it is switched on again.
const COMES_UP_WITHIN: Duration = Duration::from_secs(150);

/// How often a machine that does not come up is switched on.
const STARTS: u32 = 3;

/// Machines that run at once, so that many tests beside one another do not starve each other.
const AT_ONCE: usize = 2;

static RUNNING: (Mutex<usize>, Condvar) = (Mutex::new(0), Condvar::new());

/// What a machine is built of.
#[derive(Clone, Debug)]
pub struct Build {
    kernel: PathBuf,
    initial: PathBuf,
    parameters: String,
    processors: u8,
    arguments: Vec<String>,
}

impl Build {
    /// A kernel and the archive it unpacks first.
    pub fn new(kernel: &Kernel, initial: &Path) -> Build {
        // A host that is busy for a moment looks like a broken timer to a kernel that starts, and it would give up.
        let parameters = "console=ttyS0 quiet loglevel=4 mitigations=off nokaslr 8250.nr_uarts=4 net.ifnames=0 \
                          panic=-1 no_timer_check tsc=reliable nowatchdog"
            .into();
        Build { kernel: kernel.image(), initial: initial.to_owned(), parameters, processors: 2, arguments: vec![] }
    }

    /// Adds a parameter of the kernel; one that it does not know becomes a variable of the first process.
    pub fn parameter(mut self, name: &str, value: &str) -> Build {
        self.parameters.push_str(&format!(" {name}={value}"));
        self
    }

    /// Gives it so many processors instead of two.
    pub fn processors(mut self, count: u8) -> Build {
        self.processors = count;
        self
    }

    /// Adds options of QEMU.
    pub fn with(mut self, arguments: Vec<String>) -> Build {
        self.arguments.extend(arguments);
        self
    }
}

/// A machine that is switched on. Its plug is pulled when it is dropped.
#[derive(Debug)]
pub struct Machine {
    folder: tempfile::TempDir,
    process: Child,
}

impl Machine {
    /// Switches it on. Waits while too many others run.
    pub fn started(build: &Build) -> Machine {
        let mut running = RUNNING.0.lock().unwrap();
        while *running >= AT_ONCE {
            running = RUNNING.1.wait(running).unwrap();
        }
        *running += 1;
        drop(running);
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| text(&folder.path().join(name)).to_owned();
        let served = |name: &str| format!("socket,id={name},path={},server=on,wait=off", at(name));
        let log = fs::File::create(folder.path().join("qemu")).unwrap();
        // A test that is killed must not leave machines behind.
        let mut command = Command::new("setpriv");
        command
            .args(["--pdeathsig", "KILL", "qemu-system-x86_64"])
            .args(["-M", "q35", "-accel", "tcg,thread=multi", "-cpu", "max", "-m", "384"])
            .args(["-smp", &build.processors.to_string()])
            .args(["-display", "none", "-nodefaults", "-no-reboot"])
            .arg("-kernel")
            .arg(&build.kernel)
            .arg("-initrd")
            .arg(&build.initial)
            .args(["-append", &build.parameters])
            .args(["-qmp", &format!("unix:{},server=on,wait=off", at("desk"))])
            .args(["-serial", &format!("file:{}", at("console"))])
            .args(["-chardev", &served("line"), "-serial", "chardev:line"])
            .args(["-device", "virtio-serial-pci"])
            .args(["-chardev", &format!("file,id=told,path={}", at("told")), "-device", "virtconsole,chardev=told"])
            .args(["-chardev", &served("shell"), "-device", "virtconsole,chardev=shell"])
            .args(&build.arguments)
            .stdin(Stdio::null())
            .stdout(log.try_clone().unwrap())
            .stderr(log);
        let process = command.spawn().unwrap_or_else(|error| panic!("setpriv: {error}; see .ci/run"));
        Machine { folder, process }
    }

    /// Switches it on, and on again where it does not come up as far as its first word: on a busy host the emulator's
    /// clocks may run so unevenly that a kernel stops while it starts. Nothing that is to be shown has begun by then.
    #[track_caller]
    pub fn up(build: &Build) -> Machine {
        for _ in 1..STARTS {
            let mut machine = Machine::started(build);
            let told = within(COMES_UP_WITHIN, || (!machine.told().is_empty() || machine.has_ended()).then_some(()));
            if told.is_some() && !machine.told().is_empty() {
                return machine;
            }
            #[expect(clippy::print_stdout, reason = "belongs to the output of the test that waits for it")]
            let () = println!(
                "a guest does not come up and is switched on again:\n{}{}",
                machine.last_words(),
                machine.place()
            );
        }
        let mut machine = Machine::started(build);
        machine.until_told("up");
        machine
    }

    /// Where its processors are, for whoever wants to know why nothing comes of them.
    fn place(&mut self) -> String {
        if self.has_ended() {
            return "switched off".into();
        }
        let asked = json!({ "command-line": "info registers -a" });
        let answer = self.command("human-monitor-command", &asked);
        let lines = answer["return"].as_str().unwrap_or_default().lines();
        lines.filter(|line| line.contains("RIP") || line.contains("CPU#")).collect::<Vec<_>>().join("\n")
    }

    /// A file that the machine writes: `told`, `console`, `qemu`.
    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Whole lines that the guest has told so far.
    pub fn told(&self) -> Vec<String> {
        let text = fs::read(self.file("told")).unwrap_or_default();
        let text = String::from_utf8_lossy(&text).into_owned();
        let whole = text.rfind('\n').map_or("", |end| &text[..end]);
        whole.lines().map(|line| line.trim_end().to_owned()).collect()
    }

    /// Waits until the guest has told a line that begins with `start`.
    #[track_caller]
    pub fn until_told(&mut self, start: &str) -> String {
        let line = within(PATIENCE, || {
            let line = self.told().into_iter().find(|line| line.starts_with(start));
            (line.is_some() || self.has_ended()).then_some(line)
        });
        line.flatten().unwrap_or_else(|| panic!("{start:?} was not told:\n{}", self.last_words()))
    }

    /// Connects to a socket that the machine serves: `line`, the guest's second serial port, or one of its options.
    #[track_caller]
    pub fn connect(&self, name: &str) -> UnixStream {
        let path = self.file(name);
        let connected = within(PATIENCE, || UnixStream::connect(&path).ok());
        connected.unwrap_or_else(|| panic!("{name}: not served:\n{}", self.last_words()))
    }

    /// Tells the control desk to do something and gives its answer.
    #[track_caller]
    pub fn command(&self, name: &str, arguments: &Value) -> Value {
        self.tried(name, arguments).unwrap_or_else(|error| panic!("{name}: {error}"))
    }

    /// Tells the control desk to do something: its answer, or why it did not.
    ///
    /// # Errors
    /// The error as the desk words it.
    #[track_caller]
    pub fn tried(&self, name: &str, arguments: &Value) -> Result<Value, String> {
        let desk = self.connect("desk");
        let mut answers = BufReader::new(desk.try_clone().unwrap()).lines().map(|line| line.unwrap());
        let mut ask = |command: &str, arguments: &Value| {
            let message = json!({ "execute": command, "arguments": arguments });
            (&desk).write_all(format!("{message}\n").as_bytes()).unwrap();
            // Events stand between the answers.
            loop {
                let answer: Value = serde_json::from_str(&answers.next().expect("an answer")).unwrap();
                if answer.get("return").is_some() || answer.get("error").is_some() {
                    return answer;
                }
            }
        };
        ask("qmp_capabilities", &json!({}));
        let answer = ask(name, arguments);
        match answer.get("error") {
            None => Ok(answer),
            Some(error) => Err(error["desc"].as_str().unwrap_or_default().to_owned()),
        }
    }

    /// Whether it is off.
    pub fn has_ended(&mut self) -> bool {
        self.process.try_wait().unwrap().is_some()
    }

    /// Waits until it has switched itself off.
    #[track_caller]
    pub fn until_off(&mut self) {
        let off = within(PATIENCE, || self.has_ended().then_some(()));
        assert!(off.is_some(), "the guest does not switch itself off:\n{}", self.last_words());
    }

    /// Pulls the plug: what the guest holds in memory is gone.
    pub fn cut(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }

    /// The ends of all it wrote.
    pub fn last_words(&self) -> String {
        let mut words = String::new();
        for name in ["qemu", "console", "told"] {
            let all = fs::read(self.file(name)).unwrap_or_default();
            let all = String::from_utf8_lossy(&all).into_owned();
            let lines: Vec<&str> = all.lines().collect();
            words.push_str(&format!("--- {name}\n{}\n", lines[lines.len().saturating_sub(25)..].join("\n")));
        }
        words
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        self.cut();
        if let Ok(mut running) = RUNNING.0.lock() {
            *running -= 1;
        }
        RUNNING.1.notify_one();
    }
}
