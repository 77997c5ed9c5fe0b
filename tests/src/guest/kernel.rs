//! A stock kernel of the distribution, unpacked and not installed.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::{run, text};

/// Where one kernel lies.
#[derive(Clone, Debug)]
pub struct Kernel {
    /// The folder that `boot` and `lib/modules` are in.
    pub root: PathBuf,
    /// Its release, which names the folder of its modules.
    pub release: String,
}

static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

impl Kernel {
    /// The newest one that the package sources know, kept in `cache`.
    #[track_caller]
    pub fn fetched(cache: &Path) -> Kernel {
        let _one = ONE_AT_A_TIME.lock();
        let root = cache.join("kernel");
        if !root.join("lib/modules").is_dir() {
            let part = cache.join("kernel.part");
            let _ = fs::remove_dir_all(&part);
            fs::create_dir_all(&part).unwrap();
            // The package named after the architecture only depends on the one that holds the kernel.
            let depends = run("apt-cache", &["depends", "linux-image-amd64"]);
            let package = depends.lines().find_map(|line| line.trim().strip_prefix("Depends: ")).expect("a kernel");
            run("sh", &["-c", "cd \"$0\" && apt-get download -qq \"$1\" && dpkg-deb -x *.deb .", text(&part), package]);
            unpack(&part);
            run("depmod", &["-b", text(&part), &only_name_in(&part.join("lib/modules"))]);
            fs::rename(&part, &root).unwrap();
        }
        let release = only_name_in(&root.join("lib/modules"));
        Kernel { root, release }
    }

    /// The image to boot.
    pub fn image(&self) -> PathBuf {
        self.root.join("boot/vmlinux")
    }

    /// The files of these modules and of all they need, in the order in which they must be loaded. Built-in ones have
    /// none.
    pub fn modules(&self, names: &[&str]) -> Vec<PathBuf> {
        let mut files = Vec::new();
        for name in names {
            let shown = run("modprobe", &["-d", text(&self.root), "-S", &self.release, "--show-depends", name]);
            for line in shown.lines() {
                let Some(file) = line.strip_prefix("insmod ") else { continue };
                let file = PathBuf::from(file.split_whitespace().next().expect("a file"));
                if !files.contains(&file) {
                    files.push(file);
                }
            }
        }
        files
    }
}

/// Unpacks the kernel out of the program that would unpack it at every start, which takes an emulated machine seconds.
/// It is a stream of xz that begins somewhere inside; what stands behind it is of no interest.
fn unpack(root: &Path) {
    let release = only_name_in(&root.join("lib/modules"));
    let bytes = fs::read(root.join(format!("boot/vmlinuz-{release}"))).unwrap();
    let mark = b"\xfd7zXZ\0";
    let starts = bytes.windows(mark.len()).enumerate().filter(|(_, window)| window == mark).map(|(at, _)| at);
    for start in starts {
        fs::write(root.join("stream"), &bytes[start..]).unwrap();
        let unpacked = super::output("xz", &["-dc", "--format=xz", "--single-stream", text(&root.join("stream"))]);
        if unpacked.stdout.starts_with(b"\x7fELF") {
            fs::remove_file(root.join("stream")).unwrap();
            fs::write(root.join("boot/vmlinux"), unpacked.stdout).unwrap();
            return;
        }
    }
    panic!("{}: the kernel is not packed by xz", root.display());
}

fn only_name_in(folder: &Path) -> String {
    let names: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names.len(), 1, "{}: {names:?}", folder.display());
    names[0].to_str().unwrap().to_owned()
}
