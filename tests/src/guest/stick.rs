//! A memory stick of a guest: a USB disk with the file system that sticks have, plugged in, slowed down and pulled.

use std::fs::File;
use std::path::{Path, PathBuf};

use serde_json::json;

use super::machine::{Machine, PATIENCE};
use super::{run, text};
use crate::patience::within;

/// Its label, by which the guest finds it.
pub const LABEL: &str = "STICK";

/// Bytes that it holds: enough for the file system of sticks (FAT, 32 bits).
const BYTES: u64 = 64 << 20;

/// A stick.
#[derive(Debug)]
pub struct Stick {
    image: PathBuf,
}

impl Stick {
    /// An empty one, whose image lies at `image`.
    #[track_caller]
    pub fn new(image: &Path) -> Stick {
        File::create(image).unwrap().set_len(BYTES).unwrap();
        run("mkfs.vfat", &["-F", "32", "-n", LABEL, text(image)]);
        Stick { image: image.to_owned() }
    }

    /// QEMU's options for a machine that it can be plugged into.
    pub fn options(&self) -> Vec<String> {
        let file = format!("driver=file,node-name=stick-file,filename={}", text(&self.image));
        let slow = "driver=throttle,node-name=stick,throttle-group=pace,file=stick-raw";
        let options = ["-device", "qemu-xhci,id=usb", "-object", "throttle-group,id=pace", "-blockdev", &file]
            .into_iter()
            .chain(["-blockdev", "driver=raw,node-name=stick-raw,file=stick-file", "-blockdev", slow]);
        options.map(str::to_owned).collect()
    }

    /// Plugs it in.
    #[track_caller]
    pub fn plug_in(&self, machine: &Machine) {
        let device = json!({ "driver": "usb-storage", "id": "stick", "bus": "usb.0", "drive": "stick",
                             "removable": true });
        // What was under way when it was pulled may hold the image for a moment longer.
        let plugged = within(PATIENCE, || match machine.tried("device_add", &device) {
            Ok(_) => Some(()),
            Err(why) if why.contains("Permission conflict") => None,
            Err(why) => panic!("{why}"),
        });
        assert!(plugged.is_some(), "the image is in use still");
    }

    /// Pulls it: whatever the guest has not written to it by now is lost.
    #[track_caller]
    pub fn pull(&self, machine: &Machine) {
        machine.command("device_del", &json!({ "id": "stick" }));
    }

    /// From now on it reads and writes so many bytes a second; as fast as it can with 0.
    #[track_caller]
    pub fn pace(&self, machine: &Machine, bytes: u64) {
        let limits = json!({ "path": "/objects/pace", "property": "limits", "value": { "bps-total": bytes } });
        machine.command("qom-set", &limits);
    }
}
