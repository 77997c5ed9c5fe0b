//! The package on a Debian of its own: installed, started, broken in many ways, upgraded, removed and purged.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use ridgepost_tests::container::{Container, Said};
use ridgepost_tests::instruments::{EXPORTED, exported};
use ridgepost_tests::patience::within;
use serde_json::Value;

const BINARY: &str = env!("CARGO_BIN_EXE_ridgepost");
const UNIT: &str = "ridgepost.service";
/// A version that comes after all others.
const LATER: &str = "999.0.0";

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn files(folder: &Path) -> BTreeMap<String, String> {
    let entries = fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let read =
        |entry: fs::DirEntry| (entry.file_name().into_string().unwrap(), fs::read_to_string(entry.path()).unwrap());
    entries.map(|entry| read(entry.unwrap())).collect()
}

/// `cargo deb` packs the files of `daemon/manual` as they are.
#[test]
fn man_pages_and_completions_say_what_the_command_line_does() {
    let folder = tempfile::tempdir().unwrap();
    let status = Command::new(BINARY).arg("manual").arg(folder.path()).status().unwrap();
    assert!(status.success());
    let (written, kept) = (files(folder.path()), files(&root().join("daemon/manual")));
    let names = |files: &BTreeMap<String, String>| files.keys().cloned().collect::<Vec<_>>();
    let cure = "the command line has changed: cargo run -- manual daemon/manual (and delete what is left over)";
    assert_eq!(names(&written), names(&kept), "{cure}");
    let differing: Vec<_> = written.iter().filter(|(name, text)| kept[*name] != **text).map(|(name, _)| name).collect();
    assert!(differing.is_empty(), "{differing:?}: {cure}");
    for name in kept.keys().filter(|name| !name.ends_with(".1")) {
        assert!(kept[name].contains("readings") && !kept[name].contains("carry"), "{name}");
    }
}

/// The package that `cargo deb` makes of the program under test.
fn package(version: Option<&str>, folder: &Path) -> PathBuf {
    let profile = Path::new(BINARY).parent().unwrap();
    let target = profile.parent().unwrap();
    let own = target.join("tools/bin/cargo-deb");
    let mut deb = Command::new(if own.exists() { own } else { "cargo-deb".into() });
    let name = profile.file_name().unwrap().to_str().unwrap();
    deb.current_dir(root()).env("CARGO_TARGET_DIR", target).env("CARGO_NET_OFFLINE", "true");
    deb.args([
        "--package",
        "ridgepost",
        "--no-build",
        "--fast",
        "--profile",
        if name == "debug" { "dev" } else { name },
    ]);
    deb.arg("--output").arg(folder);
    if let Some(version) = version {
        deb.args(["--deb-version", version]);
    }
    let output = deb.output().unwrap_or_else(|error| panic!("cargo-deb (cargo install cargo-deb --locked): {error}"));
    let said = Said::from(output);
    assert!(said.success, "{}\n{}", said.stdout, said.stderr);
    let package = PathBuf::from(said.stdout.lines().last().unwrap_or_default());
    assert!(package.is_file(), "cargo deb names no package: {said:?}");
    package
}

/// The container with the package's life in it.
struct Host {
    container: Container,
    exported: u64,
}

impl Host {
    fn boot() -> Host {
        let cache = Path::new(env!("CARGO_TARGET_TMPDIR")).join("machines");
        Host { container: Container::boot(&cache), exported: 0 }
    }

    /// Puts a package where the container sees it.
    fn offer(&self, version: Option<&str>, name: &str) -> String {
        let folder = tempfile::tempdir().unwrap();
        fs::copy(package(version, folder.path()), self.container.path(name)).unwrap();
        format!("/{name}")
    }

    fn is_active(&self) -> bool {
        self.container.run(&["systemctl", "is-active", UNIT]).stdout == "active"
    }

    fn process(&self) -> String {
        self.container.property(UNIT, "MainPID")
    }

    fn until_status_text(&self, what: &str, fits: impl Fn(&str) -> bool) {
        let mut last = String::new();
        self.container.until(what, || {
            last = self.container.property(UNIT, "StatusText");
            fits(&last).then_some(())
        });
    }

    fn until_listening(&self) {
        self.container.until("an active service", || self.is_active().then_some(()));
        self.until_status_text("a station that listens", |text| text.ends_with("1 stations listen"));
    }

    /// Writes a cell with one station that reads files, and with everything that the unit's hardening must let through.
    fn configure(&self) {
        let folder = "folder = { path = \"/srv/exports\", pattern = \"*.csv\" }";
        let cell = format!(
            "[cell]\nname = \"packed\"\ntime_zone = \"UTC\"\n\n[store]\npath = \"/var/lib/ridgepost/store.db\"\n\n\
             [[station]]\nname = \"stick\"\ninstrument = \"exported\"\ngauge = \"G-1\"\n{folder}\n\n\
             [watch]\nmetrics = {{ listen = \"127.0.0.1:9617\" }}\nheartbeat = {{ file = \"/run/ridgepost/alive\" }}\n"
        );
        self.container.write("/etc/ridgepost/cell.toml", &cell);
        self.container.write("/etc/ridgepost/gauges.toml", "[[gauge]]\nid = \"G-1\"\nkind = \"stylus\"\n");
        self.container.write("/etc/ridgepost/instruments/exported.toml", EXPORTED);
        self.container.must(&["install", "--directory", "--owner", "ridgepost", "/srv/exports"]);
    }

    /// An instrument exports a file; its reading is recorded and the file moved away.
    fn measure(&mut self) {
        self.exported += 1;
        let name = format!("{}.csv", self.exported);
        self.container.write(&format!("/srv/exports/.{name}"), &String::from_utf8(exported(self.exported, 1)).unwrap());
        self.container.must(&["mv", &format!("/srv/exports/.{name}"), &format!("/srv/exports/{name}")]);
        let moved = self.container.path(&format!("/srv/exports/recorded/{name}"));
        self.container.until("the file to be moved away", || moved.exists().then_some(()));
        assert_eq!(self.readings(), self.exported);
    }

    fn readings(&self) -> u64 {
        let said = self.container.must(&["ridgepost", "readings", "--json"]);
        let rows = said.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
        rows.filter(|row| row["kind"] == "reading" && row["quantity"] == "Ra").count() as u64
    }
}

/// One life, because each step begins where the one before it ended.
#[test]
#[ignore = "needs root, debootstrap, systemd-nspawn and cargo-deb"]
fn the_package_installs_runs_upgrades_and_purges() {
    let mut host = Host::boot();
    let (first, later) = (host.offer(None, "first.deb"), host.offer(Some(LATER), "later.deb"));
    purge_of_an_unused_package_leaves_nothing(&host, &first);
    installed_without_a_cell_it_waits(&host, &first);
    files_are_as_the_host_wants_them(&host);
    host.configure();
    host.container.must(&["systemctl", "enable", "--now", UNIT]);
    host.until_listening();
    host.measure();
    it_runs_as_itself_and_may_little(&host);
    faulty_files_change_nothing(&mut host);
    faulty_files_keep_nothing_from_starting(&mut host);
    a_daemon_that_hangs_is_started_again(&mut host);
    an_upgrade_goes_on(&mut host, &later);
    what_was_recorded_stays(&mut host, &later);
    assert_eq!(host.container.run(&["systemctl", "--failed", "--plain", "--no-legend"]).stdout, "");
}

fn purge_of_an_unused_package_leaves_nothing(host: &Host, package: &str) {
    host.container.must(&["dpkg", "--install", package]);
    host.container.must(&["dpkg", "--purge", "ridgepost"]);
    for path in ["/etc/ridgepost", "/var/lib/ridgepost", "/run/ridgepost", "/usr/share/doc/ridgepost"] {
        assert!(!host.container.path(path).exists(), "{path}");
    }
    let left = host.container.must(&["find", "/etc", "/usr", "/var", "-name", "*ridgepost*"]);
    assert_eq!(left, "");
}

fn installed_without_a_cell_it_waits(host: &Host, package: &str) {
    let said = host.container.must(&["dpkg", "--install", package]);
    assert!(said.contains("systemctl enable --now ridgepost"), "{said}");
    assert!(!host.is_active());
    assert_eq!(host.container.run(&["systemctl", "is-enabled", UNIT]).stdout, "disabled");
    assert_eq!(host.container.must(&["dpkg", "--audit"]), "");
    host.container.must(&["apt-get", "check"]);
}

fn files_are_as_the_host_wants_them(host: &Host) {
    let container = &host.container;
    let unit = "/usr/lib/systemd/system/ridgepost.service";
    // It ends with 0 for keys it does not know, so its messages count.
    let verified = container.run(&["systemd-analyze", "verify", "--man=no", unit]);
    assert!(verified.success && verified.stderr.is_empty(), "{verified:?}");
    // The threshold is in tenths.
    container.must(&["systemd-analyze", "security", "--no-pager", "--offline=true", "--threshold=20", unit]);
    assert_eq!(container.property(UNIT, "StartLimitIntervalUSec"), "0");
    assert_eq!(container.property(UNIT, "Type"), "notify");
    assert_eq!(container.property(UNIT, "ExecStartPre"), "");
    let mut devices: Vec<String> = container.property(UNIT, "DeviceAllow").lines().map(ToOwned::to_owned).collect();
    devices.sort();
    assert_eq!(devices, ["char-13 rw", "char-166 rw", "char-180 rw", "char-188 rw", "char-189 rw"]);

    let rules = container.run(&["udevadm", "test", "/sys/class/mem/null"]);
    for name in ["70-ridgepost.rules", "90-ridgepost-braille.rules"] {
        let lines: Vec<&str> = rules.stderr.lines().filter(|line| line.contains(name)).collect();
        assert!(matches!(lines[..], [line] if line.contains("Reading rules file")), "{lines:?}");
    }
    let groups = container.must(&["id", "--groups", "--name", "ridgepost"]);
    assert_eq!(groups, "ridgepost dialout");
    let stat = |path: &str| container.must(&["stat", "--format=%U:%G %a", path]);
    assert_eq!(stat("/etc/ridgepost"), "root:root 755");
    assert_eq!(stat("/var/lib/ridgepost"), "ridgepost:ridgepost 750");
    for command in ["ridgepost", "ridgepost-run", "ridgepost-job"] {
        assert!(container.path(&format!("/usr/share/man/man1/{command}.1.gz")).is_file(), "{command}");
    }
    let completions = ["bash-completion/completions/ridgepost", "zsh/vendor-completions/_ridgepost"];
    for path in completions.into_iter().chain(["fish/vendor_completions.d/ridgepost.fish"]) {
        assert!(container.path(&format!("/usr/share/{path}")).is_file(), "{path}");
    }
    let example = container.run(&["ridgepost", "check", "--cell", "/usr/share/doc/ridgepost/example"]);
    assert!(example.success, "{example:?}");
}

fn it_runs_as_itself_and_may_little(host: &Host) {
    assert_eq!(host.container.property(UNIT, "WatchdogUSec"), "1min 30s");
    let process = host.process();
    let status = host.container.must(&["cat", &format!("/proc/{process}/status")]);
    let line =
        |name: &str| status.lines().find_map(|line| line.strip_prefix(name)).unwrap_or_default().trim().to_owned();
    assert_eq!(line("CapEff:"), "0000000000000000");
    assert_eq!(line("NoNewPrivs:"), "1");
    assert_eq!(line("Seccomp:"), "2");
    let user = host.container.must(&["id", "--user", "ridgepost"]);
    assert!(line("Uid:").split_whitespace().all(|id| id == user), "{status}");
    let stat = |path: &str| host.container.must(&["stat", "--format=%U:%G %a", path]);
    assert_eq!(stat("/run/ridgepost"), "ridgepost:ridgepost 750");
    assert_eq!(stat("/run/ridgepost/control.sock"), "ridgepost:ridgepost 660");
    let ask = "exec 3<>/dev/tcp/127.0.0.1/9617; printf 'GET /metrics HTTP/1.0\\r\\n\\r\\n' >&3; cat <&3";
    host.container.until("metrics on the loopback interface", || {
        let said = host.container.run(&["bash", "-c", ask]);
        said.stdout.starts_with("HTTP/1.0 200").then_some(())
    });
    host.container
        .until("a heartbeat", || host.container.run(&["test", "-s", "/run/ridgepost/alive"]).success.then_some(()));
    assert_eq!(stat("/var/lib/ridgepost/store.db").split(' ').next(), Some("ridgepost:ridgepost"));
}

/// A reload that would bring in a fault fails, says so, and leaves the running plan alone.
fn faulty_files_change_nothing(host: &mut Host) {
    let process = host.process();
    host.container.must(&["systemctl", "reload", UNIT]);
    host.container.write("/etc/ridgepost/jobs/bad.toml", "[job]\nid = 7\n");
    let said = host.container.run(&["systemctl", "reload", UNIT]);
    assert!(!said.success, "a reload of faulty files succeeds: {said:?}");
    host.until_status_text("a status that tells the faults", |text| text.contains("faults in the configuration"));
    assert!(host.is_active());
    assert_eq!(host.process(), process);
    let log = host.container.must(&["journalctl", "--no-pager", "--unit", UNIT]);
    assert!(log.contains("jobs/bad.toml:2:"), "{log}");
    host.measure();
    fs::remove_file(host.container.path("/etc/ridgepost/jobs/bad.toml")).unwrap();
    host.container.must(&["systemctl", "reload", UNIT]);
    host.until_listening();
    host.until_status_text("a status without faults", |text| !text.contains("faults"));
    assert_eq!(host.process(), process);
    host.measure();
}

/// There is no check before the start: the last plan without fault runs.
fn faulty_files_keep_nothing_from_starting(host: &mut Host) {
    let cell = fs::read_to_string(host.container.path("/etc/ridgepost/cell.toml")).unwrap();
    let faulty = cell.replace("instrument = \"exported\"", "instrument = \"nobody knows it\"");
    assert_ne!(faulty, cell);
    host.container.write("/etc/ridgepost/cell.toml", &faulty);
    host.container.must(&["systemctl", "restart", UNIT]);
    host.until_status_text("a status that tells the faults", |text| text.contains("faults in the configuration"));
    host.until_listening();
    host.measure();
    host.container.write("/etc/ridgepost/cell.toml", &cell);
    host.container.must(&["systemctl", "reload", UNIT]);
    host.until_status_text("a status without faults", |text| text == "1 stations listen");
}

/// The unit's own patience of 90 s is shortened, nothing else.
fn a_daemon_that_hangs_is_started_again(host: &mut Host) {
    let drop_in = "/etc/systemd/system/ridgepost.service.d/short.conf";
    host.container.write(drop_in, "[Service]\nWatchdogSec=3\nRestartSec=1\n");
    host.container.must(&["systemctl", "daemon-reload"]);
    host.container.must(&["systemctl", "restart", UNIT]);
    host.until_listening();
    let process = host.process();
    // Longer than the watchdog's patience: a daemon at work is left alone.
    assert!(within(std::time::Duration::from_secs(5), || (host.process() != process).then_some(())).is_none());
    host.container.must(&["systemctl", "kill", "--signal=STOP", UNIT]);
    host.container.until("a new process", || {
        let now = host.process();
        (now != "0" && now != process).then_some(())
    });
    host.until_listening();
    assert_eq!(host.container.property(UNIT, "NRestarts"), "1");
    host.measure();
    fs::remove_file(host.container.path(drop_in)).unwrap();
    host.container.must(&["systemctl", "daemon-reload"]);
}

fn an_upgrade_goes_on(host: &mut Host, package: &str) {
    let process = host.process();
    host.container.must(&["dpkg", "--install", package]);
    assert_eq!(host.container.must(&["dpkg-query", "--show", "--showformat=${Version}", "ridgepost"]), LATER);
    host.until_listening();
    assert_ne!(host.process(), process, "the old program still runs");
    host.measure();
    assert_eq!(host.container.must(&["systemctl", "is-enabled", UNIT]), "enabled");
}

/// Removed, installed again, purged, installed again: the store and the cell are as they were.
fn what_was_recorded_stays(host: &mut Host, package: &str) {
    host.container.must(&["dpkg", "--remove", "ridgepost"]);
    assert!(!host.is_active());
    assert!(!host.container.path("/run/ridgepost").exists());
    host.container.must(&["dpkg", "--install", package]);
    host.until_listening();
    host.measure();

    host.container.must(&["systemctl", "stop", UNIT]);
    let kept = ["/var/lib/ridgepost/store.db", "/etc/ridgepost/cell.toml", "/etc/ridgepost/gauges.toml"];
    let read = |host: &Host| kept.map(|path| fs::read(host.container.path(path)).unwrap());
    let before = read(host);
    let said = host.container.must(&["dpkg", "--purge", "ridgepost"]);
    assert!(said.contains("/var/lib/ridgepost holds what was recorded and stays"), "{said}");
    assert!(read(host) == before, "a purge has changed what was recorded");
    assert!(!host.container.run(&["dpkg-query", "--status", "ridgepost"]).success);
    assert!(!host.container.path("/usr/lib/systemd/system").join(UNIT).exists());
    let wanted = host.container.path("/etc/systemd/system/multi-user.target.wants").join(UNIT);
    assert!(wanted.symlink_metadata().is_err(), "{} is left over", wanted.display());

    host.container.must(&["dpkg", "--install", package]);
    host.until_listening();
    host.measure();
    assert_eq!(host.container.must(&["systemctl", "is-enabled", UNIT]), "enabled");
}
