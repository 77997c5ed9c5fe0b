//! A small Debian in a folder, with a service manager of its own: booted, spoken to, switched off.
//!
//! Needs root, `debootstrap` and `systemd-nspawn`. It shares the kernel with the host, so it has no udev and no devices.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use crate::debian;
use crate::patience::within;

/// How long a boot, or anything else, may take on a busy machine.
const BOOT: Duration = Duration::from_secs(90);

/// A booted Debian. Everything in it is gone when this is dropped.
#[derive(Debug)]
pub struct Container {
    root: tempfile::TempDir,
    shell: Child,
    first_process: u32,
}

/// What a command in the container said.
#[derive(Debug)]
pub struct Said {
    /// Whether it succeeded.
    pub success: bool,
    /// Its output.
    pub stdout: String,
    /// Its messages.
    pub stderr: String,
}

impl From<Output> for Said {
    fn from(output: Output) -> Said {
        let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).trim_end().to_owned();
        Said { success: output.status.success(), stdout: text(output.stdout), stderr: text(output.stderr) }
    }
}

impl Container {
    /// Boots a fresh copy. The tree it is copied from is made once and kept in `cache`.
    pub fn boot(cache: &Path) -> Container {
        let tree = debian::tree(cache);
        let root = tempfile::tempdir_in(cache).unwrap();
        succeed(Command::new("cp").args(["--archive", "--reflink=auto"]).arg(tree.join(".")).arg(root.path()));
        // Whatever ends this process ends the container, too.
        let shell = Command::new("setpriv")
            .args(["--pdeathsig", "KILL", "systemd-nspawn", "--quiet", "--boot", "--register=no", "--keep-unit"])
            .args(["--private-network", "--console=pipe", "--directory"])
            .arg(root.path())
            .arg(format!("--machine=ridgepost-{}", std::process::id()))
            .stdin(Stdio::null())
            .stdout(fs::File::create(cache.join("console.log")).unwrap())
            .stderr(fs::File::create(cache.join("console-errors.log")).unwrap())
            .spawn()
            .unwrap_or_else(|error| panic!("setpriv: {error}"));
        let mut container = Container { root, shell, first_process: 0 };
        let running = within(BOOT, || {
            // A short-lived process comes before the one that stays.
            container.first_process = first_child(container.shell.id())?;
            let state = container.run(&["systemctl", "is-system-running"]).stdout;
            ["running", "degraded"].contains(&state.as_str()).then_some(())
        });
        let console = fs::read_to_string(cache.join("console.log")).unwrap_or_default();
        let errors = fs::read_to_string(cache.join("console-errors.log")).unwrap_or_default();
        assert!(running.is_some(), "the container does not boot:\n{console}\n{errors}");
        container
    }

    /// A path of the container as seen from here.
    pub fn path(&self, path: &str) -> PathBuf {
        self.root.path().join(path.trim_start_matches('/'))
    }

    /// Writes a file; its folders are made.
    pub fn write(&self, path: &str, text: &str) {
        let path = self.path(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    /// Runs a command inside, as root.
    pub fn run(&self, command: &[&str]) -> Said {
        let mut enter = Command::new("nsenter");
        enter.arg("--all").arg("--target").arg(self.first_process.to_string()).arg("--").args(command);
        enter.env_clear().env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin").env("LC_ALL", "C.UTF-8").env("HOME", "/root");
        enter.env("DEBIAN_FRONTEND", "noninteractive").stdin(Stdio::null());
        enter.output().unwrap_or_else(|error| panic!("nsenter: {error}")).into()
    }

    /// Runs a command that must succeed, and gives its output.
    #[track_caller]
    pub fn must(&self, command: &[&str]) -> String {
        let said = self.run(command);
        assert!(said.success, "{command:?}: {}\n{}", said.stdout, said.stderr);
        said.stdout
    }

    /// A property of a unit.
    #[track_caller]
    pub fn property(&self, unit: &str, name: &str) -> String {
        self.must(&["systemctl", "show", "--value", "--property", name, unit])
    }

    /// Looks until `look` gives something; stops the test with the container's log where it never does.
    #[track_caller]
    pub fn until<T>(&self, what: &str, look: impl FnMut() -> Option<T>) -> T {
        within(BOOT, look).unwrap_or_else(|| {
            let log = self.run(&["journalctl", "--no-pager", "--lines", "60"]).stdout;
            panic!("waited in vain for {what}\n{log}")
        })
    }
}

impl Drop for Container {
    fn drop(&mut self) {
        if self.first_process != 0 {
            self.run(&["systemctl", "poweroff"]);
            within(Duration::from_secs(10), || self.shell.try_wait().ok().flatten());
        }
        let _ = self.shell.kill();
        let _ = self.shell.wait();
    }
}

fn first_child(of: u32) -> Option<u32> {
    fs::read_to_string(format!("/proc/{of}/task/{of}/children")).ok()?.split_whitespace().next()?.parse().ok()
}

fn succeed(command: &mut Command) {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    let said = Said::from(output);
    assert!(said.success, "{command:?}: {}\n{}", said.stdout, said.stderr);
}
