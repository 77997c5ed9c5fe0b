//! The guest with a service manager: the distribution's smallest system, the packaged unit and rules, and a shell for
//! the host.

use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::archive::Archive;
use super::disk::Disk;
use super::kernel::Kernel;
use super::machine::{Build, Machine, PATIENCE};
use super::{run, text};
use crate::{debian, instruments};

/// Modules that the guest loads by itself when it sees the device, those that play a device, and the file systems of
/// shares and sticks.
const MODULES: &[&str] = &[
    "xhci-pci",
    "usbhid",
    "hid-generic",
    "evdev",
    "usbserial",
    "ftdi_sio",
    "dummy_hcd",
    "usb_f_fs",
    "usb-storage",
    "sd_mod",
    "vfat",
    "nls_cp437",
    "nls_ascii",
    "virtio_net",
    "cifs",
    "nls_utf8",
    "cmac",
    "hmac",
    "md5",
    "sha256_generic",
    "sha512_generic",
    "ccm",
    "gcm",
    "ghash_generic",
    "ctr",
    "ecb",
    "aes_generic",
    "virtio_console",
    "virtio_blk",
    "ext4",
];

/// Units that a guest of minutes has no use for.
const MASKED: &[&str] = &[
    "proc-sys-fs-binfmt_misc.automount",
    "apt-daily.timer",
    "apt-daily-upgrade.timer",
    "dpkg-db-backup.timer",
    "e2scrub_all.timer",
    "e2scrub_reap.service",
    "fstrim.timer",
    "getty.target",
    "serial-getty@ttyS0.service",
    "systemd-logind.service",
    "systemd-timesyncd.service",
    "systemd-random-seed.service",
    "systemd-update-utmp.service",
    "dev-hugepages.mount",
    "sys-kernel-debug.mount",
    "sys-kernel-tracing.mount",
    "dev-mqueue.mount",
    "modprobe@drm.service",
    "modprobe@efi_pstore.service",
];

/// The unit of the host's shell, and what it runs.
const SHELL_UNIT: &str = include_str!("../../guest/shell.service");
const SHELL: &str = include_str!("../../guest/shell");

static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

/// The parts of the guest.
#[derive(Debug)]
pub struct Guest {
    kernel: Kernel,
    initial: PathBuf,
    root: PathBuf,
    parts: Disk,
    folder: tempfile::TempDir,
}

impl Guest {
    /// A guest with the daemon at `binary`, the files of `systemd/` and a cell that `cell_toml` describes.
    pub fn new(binary: &str, cache: &Path, cell_toml: &str) -> Guest {
        let kernel = Kernel::fetched(cache);
        let root = root_disk(cache, &kernel);
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let mut archive = Archive::default();
        archive.file("init", include_bytes!("../../guest/service-init"), 0o755);
        archive.copy("bin/busybox", Path::new("/bin/busybox"));
        let first = ["virtio_pci", "virtio_blk", "ext4", "crc32c_generic"];
        for (number, module) in kernel.modules(&first).iter().enumerate() {
            archive.copy(&format!("modules/{number:02}.ko"), module);
        }
        let initial = at("initial");
        fs::write(&initial, archive.finish()).unwrap();
        let parts = at("parts");
        for folder in ["cell/jobs", "cell/instruments"] {
            fs::create_dir_all(parts.join(folder)).unwrap();
        }
        run("strip", &["-o", text(&parts.join("ridgepost")), binary]);
        let units = Path::new(env!("CARGO_MANIFEST_DIR")).join("../systemd");
        run("cp", &["-r", text(&units), text(&parts.join("systemd"))]);
        let write = |name: &str, content: &str| fs::write(parts.join(name), content).unwrap();
        write("setup", include_str!("../../guest/service-setup"));
        write("cell/cell.toml", cell_toml);
        let gauges = ["G-1", "G-2", "G-3"].map(|gauge| format!("[[gauge]]\nid = \"{gauge}\"\nkind = \"stylus\"\n\n"));
        write("cell/gauges.toml", &gauges.concat());
        write("cell/instruments/counted.toml", instruments::COUNTED);
        write("cell/instruments/exported.toml", instruments::EXPORTED);
        let parts = Disk::of(&at("parts.disk"), &parts, 96);
        Guest { kernel, initial, root, parts, folder }
    }

    /// A place for files of the test.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Switches a machine on, with more options of QEMU, and waits for its shell. What it changes on its disks is
    /// forgotten with it.
    pub fn started(&self, options: Vec<String>) -> Shell {
        let drive = |path: &Path| format!("file={},if=virtio,format=raw,snapshot=on", text(path));
        let build = Build::new(&self.kernel, &self.initial)
            .with(["-drive", &drive(&self.root), "-drive", &drive(&self.parts.path)].map(str::to_owned).to_vec())
            .with(options);
        let mut machine = Machine::up(&build);
        let console = machine.connect("shell");
        console.set_read_timeout(Some(PATIENCE)).unwrap();
        machine.until_told("up");
        let answers = BufReader::new(console.try_clone().unwrap());
        Shell { machine, console, answers, asked: 0 }
    }
}

/// A running guest and the shell in it.
#[derive(Debug)]
pub struct Shell {
    /// The machine; it tells what the daemon says.
    pub machine: Machine,
    console: UnixStream,
    answers: BufReader<UnixStream>,
    asked: u32,
}

impl Shell {
    /// What a command of the guest's shell says, and its status.
    #[track_caller]
    pub fn tried(&mut self, command: &str) -> (String, i32) {
        self.asked += 1;
        let mark = format!("answered-{}:", self.asked);
        // Put together by the guest, so that the question itself is never taken for the answer.
        let message =
            format!("{{ {command}\n}} </dev/null; status=$?; echo; echo 'answered''-{}:'$status\n", self.asked);
        self.console.write_all(message.as_bytes()).unwrap();
        let mut said = String::new();
        loop {
            let mut line = String::new();
            let read = self.answers.read_line(&mut line);
            assert!(matches!(read, Ok(1..)), "{command}: {read:?}: {said}\n{}", self.machine.last_words());
            if let Some(status) = line.trim_end().strip_prefix(&mark) {
                let said = said.strip_suffix('\n').unwrap_or(&said).trim_end().to_owned();
                return (said, status.parse().unwrap());
            }
            said.push_str(&line);
        }
    }

    /// What a command says that must succeed.
    #[track_caller]
    pub fn sh(&mut self, command: &str) -> String {
        let (said, status) = self.tried(command);
        assert_eq!(status, 0, "{command}: {said}\n{}", self.machine.last_words());
        said
    }

    /// Installs the daemon and its cell.
    #[track_caller]
    pub fn prepare(&mut self) {
        self.sh("sh -x /parts/setup /parts/cell 2>&1");
    }

    /// Installs the daemon and starts its unit.
    #[track_caller]
    pub fn install(&mut self) {
        self.prepare();
        self.sh("systemctl start ridgepost 2>&1");
    }

    /// A file of the guest, copied to the host.
    #[track_caller]
    pub fn fetch(&mut self, from: &str, to: &Path) {
        let lines = self.sh(&format!("od -An -v -tx1 -w32 {from}"));
        let byte =
            |text: &str| u8::from_str_radix(text, 16).unwrap_or_else(|_| panic!("{from}: {text:?} in {lines:.400}"));
        let bytes: Vec<u8> = lines.split_whitespace().map(byte).collect();
        fs::write(to, bytes).unwrap();
    }
}

/// The root disk, kept in `cache`.
fn root_disk(cache: &Path, kernel: &Kernel) -> PathBuf {
    let _one = ONE_AT_A_TIME.lock();
    // Named after all that makes it what it is, so that it is made anew when something of that changes.
    let mut made_of = DefaultHasher::new();
    (MODULES, MASKED, SHELL_UNIT, SHELL).hash(&mut made_of);
    let disk = cache.join(format!("root-{}-{:016x}.disk", kernel.release, made_of.finish()));
    if disk.is_file() {
        return disk;
    }
    let tree = cache.join("root.part");
    let _ = fs::remove_dir_all(&tree);
    run("cp", &["--archive", text(&debian::tree(cache)), text(&tree)]);
    furnish(&tree, kernel);
    let part = cache.join("root.disk.part");
    Disk::of(&part, &tree, 700);
    fs::rename(&part, &disk).unwrap();
    let _ = fs::remove_dir_all(&tree);
    disk
}

/// Adds modules and the shell, and takes away what slows the start.
fn furnish(tree: &Path, kernel: &Kernel) {
    for folder in ["var/cache/apt/archives", "var/lib/apt/lists", "usr/share/doc", "usr/share/locale", "usr/share/man"]
    {
        let _ = fs::remove_dir_all(tree.join(folder));
    }
    let modules = PathBuf::from("lib/modules").join(&kernel.release);
    let _ = fs::remove_dir_all(tree.join(&modules));
    fs::create_dir_all(tree.join(&modules)).unwrap();
    for name in ["modules.builtin", "modules.builtin.modinfo", "modules.order"] {
        fs::copy(kernel.root.join(&modules).join(name), tree.join(&modules).join(name)).unwrap();
    }
    for file in kernel.modules(MODULES) {
        let to = tree.join(file.strip_prefix(&kernel.root).unwrap());
        fs::create_dir_all(to.parent().unwrap()).unwrap();
        fs::copy(&file, to).unwrap();
    }
    run("depmod", &["-b", text(tree), &kernel.release]);
    fs::write(tree.join("etc/hostname"), "guest\n").unwrap();
    fs::write(tree.join("etc/machine-id"), "").unwrap();
    fs::write(tree.join("etc/fstab"), "/dev/vda / ext4 defaults 0 1\n").unwrap();
    let units = tree.join("etc/systemd/system");
    for unit in MASKED {
        let link = units.join(unit);
        let _ = fs::remove_file(&link);
        std::os::unix::fs::symlink("/dev/null", link).unwrap();
    }
    fs::write(units.join("shell.service"), SHELL_UNIT).unwrap();
    fs::write(tree.join("etc/shell"), SHELL).unwrap();
    fs::create_dir_all(units.join("sysinit.target.wants")).unwrap();
    let wanted = units.join("sysinit.target.wants/shell.service");
    let _ = fs::remove_file(&wanted);
    std::os::unix::fs::symlink("../shell.service", wanted).unwrap();
}
