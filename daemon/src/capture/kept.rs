//! Open devices that outlive the program: handed to the service manager's store, and taken back by the next start.
//!
//! While nobody has a device open, its driver throws away what arrives. A descriptor that the service manager holds
//! keeps it open over a restart, so bytes that were sent meanwhile wait in the kernel. Without a service manager
//! nothing of this happens, and it is no fault.

use std::collections::BTreeMap;
use std::os::fd::{FromRawFd, OwnedFd};
use std::path::Path;
use std::sync::{Arc, Mutex};

use ridgepost_config::{Station, Stream};
use rustix::event::{PollFd, PollFlags, poll};
use sd_notify::NotifyState;

use super::device::Device;

/// Descriptors that an earlier run left with the service manager, by name.
#[derive(Clone, Debug, Default)]
pub struct Kept(Arc<Mutex<BTreeMap<String, OwnedFd>>>);

impl Kept {
    /// Takes over what the service manager passes to this process. To be called once, early.
    pub fn from_service_manager() -> Self {
        let passed = sd_notify::listen_fds_with_names().map(Iterator::collect::<Vec<_>>).unwrap_or_default();
        #[expect(unsafe_code, reason = "the service manager passes descriptors as numbers")]
        // SAFETY: the protocol of sd_listen_fds(3) makes these descriptors ours alone, and this is called once.
        let owned = passed.into_iter().map(|(fd, name)| (name, unsafe { OwnedFd::from_raw_fd(fd) })).collect();
        Kept(Arc::new(Mutex::new(owned)))
    }

    /// The device of a station, if an earlier run left it open and it is the same device still.
    pub(super) fn take(&self, station: &Station, stream: &Stream) -> Option<Device> {
        let name = name(station, stream);
        let kept = self.0.lock().ok()?.remove(&name)?;
        if stream.node().is_none_or(|node| is_same_device(&kept, node)) && !has_hung_up(&kept) {
            match Device::adopt(stream, kept) {
                Ok(device) => return Some(device),
                Err(error) => {
                    tracing::warn!(code = "not-taken-over", "an open device could not be taken over: {error}")
                }
            }
        }
        release(&name);
        None
    }

    /// Lets go of whatever no station took: its device must not stay locked.
    pub fn release_rest(&self) {
        let Ok(mut rest) = self.0.lock() else { return };
        for name in std::mem::take(&mut *rest).into_keys() {
            release(&name);
        }
    }
}

/// Whether anybody keeps devices open when this program ends.
pub(super) fn outlives() -> bool {
    std::env::var_os("NOTIFY_SOCKET").is_some()
}

/// Leaves a descriptor with the service manager, in place of an older one of the same station.
pub(super) fn keep(station: &Station, stream: &Stream, device: &Device) {
    let name = name(station, stream);
    release(&name);
    if let Some(descriptor) = device.descriptor() {
        let _ = sd_notify::notify_with_fds(&[NotifyState::FdStore, NotifyState::FdName(&name)], &[descriptor]);
    }
}

/// Takes a station's descriptor out of the service manager's store: its device is gone, or nobody wants it.
pub(super) fn forget(station: &Station, stream: &Stream) {
    release(&name(station, stream));
}

fn release(name: &str) {
    let _ = sd_notify::notify(&[NotifyState::FdStoreRemove, NotifyState::FdName(name)]);
}

/// A name that a store of descriptors takes, whatever the station is called.
fn name(station: &Station, stream: &Stream) -> String {
    let whole = format!("{}\n{}", station.name, stream.place());
    format!("port-{}", &crate::store::sha256(whole.as_bytes())[..24])
}

fn is_same_device(kept: &OwnedFd, path: &Path) -> bool {
    match (rustix::fs::fstat(kept), rustix::fs::stat(path)) {
        (Ok(kept), Ok(now)) => (kept.st_rdev, kept.st_ino, kept.st_dev) == (now.st_rdev, now.st_ino, now.st_dev),
        _ => false,
    }
}

fn has_hung_up(kept: &OwnedFd) -> bool {
    let mut polled = [PollFd::new(kept, PollFlags::IN)];
    let at_once = rustix::event::Timespec { tv_sec: 0, tv_nsec: 0 };
    poll(&mut polled, Some(&at_once)).is_err()
        || polled[0].revents().intersects(PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL)
}
