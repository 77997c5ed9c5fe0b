//! Small file systems: in memory, or on a disk that is a file and can be pulled out.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A small file system of its own under a folder; gone with this.
pub struct Small(PathBuf);

impl Small {
    pub fn mounted(path: &Path) -> Small {
        fs::create_dir_all(path).unwrap();
        run("mount", &["-t", "tmpfs", "-o", "size=64m", "tmpfs", path.to_str().unwrap()]);
        Small(path.to_owned())
    }

    /// With a disk of its own, which is a file and can be pulled out.
    pub fn on_image(path: &Path, image: &Path) -> Small {
        fs::create_dir_all(path).unwrap();
        fs::File::create(image).unwrap().set_len(64 * 1024 * 1024).unwrap();
        run("mkfs.ext4", &["-q", "-F", image.to_str().unwrap()]);
        let small = Small(path.to_owned());
        small.plug_in(image);
        small
    }

    pub fn plug_in(&self, image: &Path) {
        run("mount", &["-o", "loop", image.to_str().unwrap(), self.0.to_str().unwrap()]);
    }

    /// The disk is gone: from now on every call on its files fails, and what was not synced never reaches it. The
    /// kernel's own call for this (`EXT4_IOC_SHUTDOWN`, here without a flush of the journal), from memory.
    #[expect(unsafe_code, reason = "no kept crate offers this call; it only reads one number of ours")]
    pub fn pull_out(&self) {
        const SHUTDOWN: rustix::ioctl::Opcode = rustix::ioctl::opcode::read::<u32>(b'X', 125);
        const WITHOUT_FLUSH: u32 = 2;
        let root = fs::File::open(&self.0).unwrap();
        // SAFETY: the call takes a pointer to a u32 and keeps nothing of it.
        unsafe { rustix::ioctl::ioctl(&root, rustix::ioctl::Setter::<SHUTDOWN, u32>::new(WITHOUT_FLUSH)) }.unwrap();
    }

    /// Unmounted and mounted again, as whoever plugs it in again does.
    pub fn plug_in_again(&self, image: &Path) {
        run("umount", &[self.0.to_str().unwrap()]);
        self.plug_in(image);
    }

    pub fn remount(&self, how: &str) {
        run("mount", &["-o", &format!("remount,{how}"), self.0.to_str().unwrap()]);
    }

    /// Takes all the room there is, down to the last page.
    pub fn fill(&self) -> PathBuf {
        let ballast = self.0.join("ballast");
        let mut file = fs::File::create(&ballast).unwrap();
        for size in [64 * 1024, 4096, 512] {
            while std::io::Write::write_all(&mut file, &vec![0; size]).is_ok() {}
        }
        ballast
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

fn run(program: &str, arguments: &[&str]) {
    let status = Command::new(program).args(arguments).status().unwrap();
    assert!(status.success(), "{program} {arguments:?}: {status}");
}
