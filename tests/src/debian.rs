//! The smallest Debian with a service manager, as a tree of files: containers and guests are copied from it.
//!
//! Needs root and `debootstrap`.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;

/// The release: the oldest one that is supported.
const RELEASE: &str = "bookworm";
/// What is in it beside the essential packages: a service manager, and what a guest needs for its devices, its network
/// and its sticks.
const PACKAGES: &str = "systemd,systemd-sysv,udev,dbus,kmod,iproute2,dosfstools";

static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

/// The tree, made once and kept in `cache`. It is never changed: whoever wants to takes a copy.
#[track_caller]
pub fn tree(cache: &Path) -> PathBuf {
    let _one = ONE_AT_A_TIME.lock();
    let tree = cache.join(format!("debian-{RELEASE}"));
    if tree.is_dir() {
        return tree;
    }
    fs::create_dir_all(cache).unwrap();
    let unfinished = tempfile::tempdir_in(cache).unwrap();
    let include = format!("--include={PACKAGES}");
    let mut command = Command::new("debootstrap");
    command.args(["--variant=minbase", &include, RELEASE]).arg(unfinished.path());
    let output = command.output().unwrap_or_else(|error| panic!("debootstrap: {error}; .ci/run names the packages"));
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));
    // The folder was made for one user; a system is for all.
    fs::set_permissions(unfinished.path(), PermissionsExt::from_mode(0o755)).unwrap();
    fs::rename(unfinished.keep(), &tree).unwrap();
    tree
}
