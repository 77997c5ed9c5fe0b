//! A network share without a network: a file system in user space in front of a folder, the server's side. It can be made
//! to hang as a dead server does: whoever touches it is held in the kernel, where not even SIGKILL reaches.
//!
//! Nothing of a test may touch the mounted side while it hangs. Needs root and `/dev/fuse`.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs::{self, File};
use std::os::unix::fs::{FileExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, SystemTime};

use fuser::{
    Config, Errno, FileAttr, FileHandle, FileType, Filesystem, FopenFlags, Generation, INodeNo, LockOwner, MountOption,
    OpenFlags, RenameFlags, ReplyAttr, ReplyCreate, ReplyData, ReplyDirectory, ReplyEmpty, ReplyEntry, ReplyOpen,
    ReplyStatfs, ReplyWrite, Request, SessionACL, WriteFlags,
};

/// Nothing is remembered by the kernel: every look reaches the server.
const TTL: Duration = Duration::ZERO;

/// A mounted share; gone with this value.
pub struct Share {
    server: PathBuf,
    mounted: PathBuf,
    gate: Arc<Gate>,
    session: Option<fuser::BackgroundSession>,
}

/// Holds everybody up while it is shut.
#[derive(Debug, Default)]
struct Gate {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct State {
    shut: bool,
    held: bool,
}

impl Gate {
    fn pass(&self) {
        let mut state = self.state.lock().unwrap();
        while state.shut {
            state.held = true;
            state = self.changed.wait(state).unwrap();
        }
        state.held = false;
    }

    fn set(&self, shut: bool) {
        self.state.lock().unwrap().shut = shut;
        self.changed.notify_all();
    }
}

impl std::fmt::Debug for Share {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Share").field("mounted", &self.mounted).finish_non_exhaustive()
    }
}

impl Share {
    /// Mounts the folder `server` at `mounted`; both are made where they are not there.
    pub fn mounted(server: &Path, mounted: &Path) -> Share {
        fs::create_dir_all(server).unwrap();
        fs::create_dir_all(mounted).unwrap();
        let gate = Arc::new(Gate::default());
        let tree = Tree { gate: Arc::clone(&gate), nodes: Mutex::new(Nodes::new(server)) };
        let mut config = Config::default();
        config.mount_options = vec![MountOption::FSName("share".into()), MountOption::NoSuid, MountOption::NoDev];
        config.acl = SessionACL::All;
        let session = fuser::spawn_mount(tree, mounted, &config).expect("root may mount by /dev/fuse");
        Share { server: server.to_owned(), mounted: mounted.to_owned(), gate, session: Some(session) }
    }

    /// The server's side of a file: safe to touch at any time, and unheard by whoever watches the mounted side.
    pub fn server(&self) -> &Path {
        &self.server
    }

    /// From now on whoever touches it hangs.
    pub fn hang(&self) {
        self.gate.set(true);
    }

    /// Whether somebody hangs in it.
    pub fn holds_somebody(&self) -> bool {
        self.gate.state.lock().unwrap().held
    }

    /// The server is back.
    pub fn wake(&self) {
        self.gate.set(false);
    }
}

impl Drop for Share {
    fn drop(&mut self) {
        self.wake();
        let _ = std::process::Command::new("umount").arg("--lazy").arg(&self.mounted).status();
        drop(self.session.take());
    }
}

/// Numbers for paths, as the kernel wants them.
#[derive(Debug)]
struct Nodes {
    paths: BTreeMap<u64, PathBuf>,
    next: u64,
}

impl Nodes {
    fn new(root: &Path) -> Nodes {
        Nodes { paths: BTreeMap::from([(1, root.to_owned())]), next: 2 }
    }

    fn number(&mut self, path: &Path) -> u64 {
        if let Some((number, _)) = self.paths.iter().find(|(_, known)| *known == path) {
            return *number;
        }
        self.next += 1;
        self.paths.insert(self.next, path.to_owned());
        self.next
    }

    fn moved(&mut self, from: &Path, to: &Path) {
        self.paths.retain(|_, path| path != to);
        for path in self.paths.values_mut() {
            if let Ok(rest) = path.strip_prefix(from) {
                *path = if rest.as_os_str().is_empty() { to.to_owned() } else { to.join(rest) };
            }
        }
    }
}

struct Tree {
    gate: Arc<Gate>,
    nodes: Mutex<Nodes>,
}

impl Tree {
    fn path(&self, node: INodeNo) -> Result<PathBuf, Errno> {
        self.gate.pass();
        self.nodes.lock().unwrap().paths.get(&node.0).cloned().ok_or(Errno::ENOENT)
    }

    fn below(&self, parent: INodeNo, name: &OsStr) -> Result<PathBuf, Errno> {
        Ok(self.path(parent)?.join(name))
    }

    fn attributes(&self, path: &Path) -> Result<FileAttr, Errno> {
        let data = fs::symlink_metadata(path)?;
        let time = |s: i64, ns: i64| SystemTime::UNIX_EPOCH + Duration::new(s.max(0) as u64, ns as u32);
        let changed = time(data.ctime(), data.ctime_nsec());
        Ok(FileAttr {
            ino: INodeNo(self.nodes.lock().unwrap().number(path)),
            size: data.size(),
            blocks: data.blocks(),
            atime: time(data.atime(), data.atime_nsec()),
            mtime: time(data.mtime(), data.mtime_nsec()),
            ctime: changed,
            crtime: changed,
            kind: if data.is_dir() { FileType::Directory } else { FileType::RegularFile },
            perm: (data.mode() & 0o7777) as u16,
            nlink: data.nlink() as u32,
            uid: data.uid(),
            gid: data.gid(),
            rdev: 0,
            blksize: 4096,
            flags: 0,
        })
    }

    fn moves(&self, from: (INodeNo, &OsStr), to: (INodeNo, &OsStr), flags: RenameFlags) -> Result<(), Errno> {
        let (from, to) = (self.below(from.0, from.1)?, self.below(to.0, to.1)?);
        if flags.contains(RenameFlags::RENAME_NOREPLACE) && to.exists() {
            return Err(Errno::EEXIST);
        }
        fs::rename(&from, &to)?;
        self.nodes.lock().unwrap().moved(&from, &to);
        Ok(())
    }
}

/// Sends what came of some work, or its error.
macro_rules! answer {
    ($reply:ident, $work:expr, $found:pat => $say:expr) => {
        let answered = || -> Result<_, Errno> { $work };
        match answered() {
            Ok($found) => $say,
            Err(errno) => $reply.error(errno),
        }
    };
}

impl Filesystem for Tree {
    fn lookup(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEntry) {
        answer!(reply, self.attributes(&self.below(parent, name)?), it => reply.entry(&TTL, &it, Generation(0)));
    }

    fn getattr(&self, _: &Request, node: INodeNo, _: Option<FileHandle>, reply: ReplyAttr) {
        answer!(reply, self.attributes(&self.path(node)?), it => reply.attr(&TTL, &it));
    }

    fn setattr(
        &self,
        _: &Request,
        node: INodeNo,
        mode: Option<u32>,
        _: Option<u32>,
        _: Option<u32>,
        size: Option<u64>,
        _: Option<fuser::TimeOrNow>,
        _: Option<fuser::TimeOrNow>,
        _: Option<SystemTime>,
        _: Option<FileHandle>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<fuser::BsdFileFlags>,
        reply: ReplyAttr,
    ) {
        let work = || -> Result<FileAttr, Errno> {
            let path = self.path(node)?;
            if let Some(mode) = mode {
                fs::set_permissions(&path, fs::Permissions::from_mode(mode & 0o7777))?;
            }
            if let Some(size) = size {
                File::options().write(true).open(&path)?.set_len(size)?;
            }
            self.attributes(&path)
        };
        answer!(reply, work(), it => reply.attr(&TTL, &it));
    }

    fn mkdir(&self, _: &Request, parent: INodeNo, name: &OsStr, _: u32, _: u32, reply: ReplyEntry) {
        let work = || -> Result<FileAttr, Errno> {
            let path = self.below(parent, name)?;
            fs::create_dir(&path)?;
            self.attributes(&path)
        };
        answer!(reply, work(), it => reply.entry(&TTL, &it, Generation(0)));
    }

    fn unlink(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        answer!(reply, Ok(fs::remove_file(self.below(parent, name)?)?), () => reply.ok());
    }

    fn rename(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        new_parent: INodeNo,
        new_name: &OsStr,
        flags: RenameFlags,
        reply: ReplyEmpty,
    ) {
        answer!(reply, self.moves((parent, name), (new_parent, new_name), flags), () => reply.ok());
    }

    fn open(&self, _: &Request, node: INodeNo, flags: OpenFlags, reply: ReplyOpen) {
        let work = || -> Result<(), Errno> {
            let path = self.path(node)?;
            if flags.0 & 0o1000 != 0 {
                File::options().write(true).open(&path)?.set_len(0)?;
            }
            Ok(())
        };
        answer!(reply, work(), () => reply.opened(FileHandle(0), FopenFlags::empty()));
    }

    fn create(&self, _: &Request, parent: INodeNo, name: &OsStr, _: u32, _: u32, _: i32, reply: ReplyCreate) {
        let work = || -> Result<FileAttr, Errno> {
            let path = self.below(parent, name)?;
            File::create(&path)?;
            self.attributes(&path)
        };
        answer!(reply, work(), it => reply.created(&TTL, &it, Generation(0), FileHandle(0), FopenFlags::empty()));
    }

    fn read(
        &self,
        _: &Request,
        node: INodeNo,
        _: FileHandle,
        offset: u64,
        size: u32,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyData,
    ) {
        let work = || -> Result<Vec<u8>, Errno> {
            let file = File::open(self.path(node)?)?;
            let mut bytes = vec![0; size as usize];
            let mut length = 0;
            while length < bytes.len() {
                match file.read_at(&mut bytes[length..], offset + length as u64)? {
                    0 => break,
                    count => length += count,
                }
            }
            bytes.truncate(length);
            Ok(bytes)
        };
        answer!(reply, work(), bytes => reply.data(&bytes));
    }

    fn write(
        &self,
        _: &Request,
        node: INodeNo,
        _: FileHandle,
        offset: u64,
        data: &[u8],
        _: WriteFlags,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyWrite,
    ) {
        let work = || -> Result<(), Errno> {
            let file = File::options().write(true).open(self.path(node)?)?;
            Ok(file.write_all_at(data, offset)?)
        };
        answer!(reply, work(), () => reply.written(data.len() as u32));
    }

    fn flush(&self, _: &Request, _: INodeNo, _: FileHandle, _: LockOwner, reply: ReplyEmpty) {
        self.gate.pass();
        reply.ok();
    }

    fn fsync(&self, _: &Request, _: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        self.gate.pass();
        reply.ok();
    }

    fn fsyncdir(&self, _: &Request, _: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        self.gate.pass();
        reply.ok();
    }

    fn readdir(&self, _: &Request, node: INodeNo, _: FileHandle, offset: u64, mut reply: ReplyDirectory) {
        let work = || -> Result<Vec<(PathBuf, String)>, Errno> {
            let path = self.path(node)?;
            let mut entries = vec![(path.clone(), ".".to_owned()), (path.clone(), "..".to_owned())];
            for entry in fs::read_dir(&path)?.flatten() {
                entries.push((entry.path(), entry.file_name().to_string_lossy().into_owned()));
            }
            entries[2..].sort();
            Ok(entries)
        };
        answer!(reply, work(), entries => {
            for (at, (path, name)) in entries.into_iter().enumerate().skip(offset as usize) {
                let Ok(it) = self.attributes(&path) else { continue };
                if reply.add(it.ino, at as u64 + 1, it.kind, name) {
                    break;
                }
            }
            reply.ok();
        });
    }

    fn statfs(&self, _: &Request, _: INodeNo, reply: ReplyStatfs) {
        self.gate.pass();
        reply.statfs(1 << 20, 1 << 20, 1 << 20, 1 << 20, 1 << 20, 4096, 255, 4096);
    }
}
