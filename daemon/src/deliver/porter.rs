//! Carries files to a share in a process of its own, because a dead share holds whoever touches it (see
//! [`aside`](crate::aside)).

use std::path::{Path, PathBuf};

use ridgepost_config::CsvSink;
use serde::{Deserialize, Serialize};

use super::{Undelivered, drop};
use crate::aside::{Aside, serve};

/// The hidden command that makes this program a porter.
pub const COMMAND: &str = "carry";

/// What a porter is asked to place; the bytes follow.
#[derive(Debug, Serialize, Deserialize)]
struct Load {
    folder: std::path::PathBuf,
    marker: Option<String>,
    name: String,
    /// Whether it takes the place of a file of that name.
    #[serde(default)]
    over: bool,
}

/// What became of it.
#[derive(Debug, Serialize, Deserialize)]
enum Carried {
    Placed,
    Later(String),
    Never(String),
}

/// The way to a porter, who is hired when there is something to carry.
pub struct Porter(Aside);

impl Porter {
    /// A porter for somebody, as a stop names it: `sink mes`.
    pub fn new(who: &str) -> Self {
        Porter(Aside::new(COMMAND, who))
    }

    /// Places a file as [`drop::place`] does, in another process and with a limit on time.
    pub fn place(&mut self, sink: &CsvSink, name: &str, bytes: &[u8]) -> Result<(), Undelivered> {
        let (folder, marker) = (sink.folder.clone(), sink.marker.clone());
        self.send(&Load { folder, marker, name: name.to_owned(), over: false }, bytes)
    }

    /// Places a file as [`drop::replace`] does, in another process and with a limit on time.
    pub fn replace(&mut self, folder: &Path, name: &str, bytes: &[u8]) -> Result<(), Undelivered> {
        let (folder, name) = (folder.to_owned(), name.to_owned());
        self.send(&Load { folder, marker: None, name, over: true }, bytes)
    }

    fn send(&mut self, load: &Load, bytes: &[u8]) -> Result<(), Undelivered> {
        match self.0.ask(load, bytes) {
            Ok((Carried::Placed, _)) => Ok(()),
            Ok((Carried::Later(why), _)) => Err(Undelivered::Later(why)),
            Ok((Carried::Never(why), _)) => Err(Undelivered::Never(why)),
            Err(why) => Err(Undelivered::Later(format!("{}: {why}", load.folder.display()))),
        }
    }
}

/// The other side: carries what comes in on stdin until it ends.
pub fn carry() -> std::io::Result<()> {
    serve(|load: Load, bytes, _| {
        let placed = match load.over {
            true => drop::replace(&load.folder, &load.name, &bytes, true),
            false => drop::place(&load.folder, load.marker.as_deref(), &load.name, &bytes),
        };
        let carried = match placed {
            Ok(()) => Carried::Placed,
            Err(Undelivered::Later(why)) => Carried::Later(why),
            Err(Undelivered::Never(why)) => Carried::Never(why),
        };
        (carried, Vec::new())
    })
}

/// Whether a folder lies on a file system that can hang: a network share, or one that another program serves. Told
/// by the mount table alone, because looking at the folder may hang already.
pub fn may_hang(folder: &Path) -> bool {
    let table = std::fs::read_to_string("/proc/self/mountinfo").unwrap_or_default();
    kind_of_mount(&table, folder).is_some_and(hangs)
}

/// The mount points inside a folder where touching anything may hang.
pub fn may_hang_below(folder: &Path) -> Vec<PathBuf> {
    let table = std::fs::read_to_string("/proc/self/mountinfo").unwrap_or_default();
    let below = mounts(&table).filter(|(point, kind)| hangs(kind) && point.starts_with(folder) && point != folder);
    below.map(|(point, _)| point).collect()
}

fn hangs(kind: &str) -> bool {
    let network = ["nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "ncpfs", "glusterfs"];
    network.contains(&kind) || kind == "fuse" || kind == "autofs" || kind.starts_with("fuse.")
}

/// The file system type of the mount that holds a path.
fn kind_of_mount<'t>(table: &'t str, path: &Path) -> Option<&'t str> {
    let holding = mounts(table).filter(|(point, _)| path.starts_with(point));
    // Of mounts on one point the last one covers the others.
    holding.max_by_key(|(point, _)| point.as_os_str().len()).map(|(_, kind)| kind)
}

/// Mount points and their file systems' types (proc_pid_mountinfo(5): fields 5 and the first after ` - `).
fn mounts(table: &str) -> impl Iterator<Item = (PathBuf, &str)> {
    table.lines().filter_map(|line| {
        let (mount, source) = line.split_once(" - ")?;
        let point = mount.split(' ').nth(4)?.replace("\\040", " ").replace("\\011", "\t").replace("\\134", "\\");
        Some((PathBuf::from(point), source.split(' ').next()?))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const TABLE: &str = "\
22 1 254:0 / / rw,relatime - ext4 /dev/vda rw\n\
30 22 0:40 / /mnt/mes rw,relatime shared:1 - cifs //server/mes rw\n\
31 22 0:41 / /mnt/my\\040share rw - fuse.sshfs host: rw\n\
32 22 0:42 / /run rw - tmpfs tmpfs rw\n\
33 30 0:43 / /mnt/mes rw - nfs4 server:/mes rw\n";

    #[test]
    fn the_mount_table_says_what_can_hang() {
        for (path, kind) in [
            ("/mnt/mes/in", "nfs4"),
            ("/mnt/mesh", "ext4"),
            ("/mnt/my share/x", "fuse.sshfs"),
            ("/run/x", "tmpfs"),
            ("/srv", "ext4"),
        ] {
            assert_eq!(kind_of_mount(TABLE, Path::new(path)), Some(kind), "{path}");
        }
        assert_eq!(kind_of_mount("", Path::new("/srv")), None);
    }
}
