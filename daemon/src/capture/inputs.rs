//! Which input devices type, as the kernel tells everybody: none is opened for it, so no permission is needed.
//!
//! Files and their meaning: drivers/input/input.c of the kernel (`name`, `uniq`,
//! `id/...`, `capabilities/key`). Codes of keys: linux/input-event-codes.h.

use std::fs;
use std::path::{Path, PathBuf};

/// Where the kernel lists input devices.
pub const KERNEL: &str = "/sys/class/input";

/// Codes of the keys 1 to 0 and of enter: what has all of them can type a number and end it.
const DIGITS_AND_ENTER: u64 = 0b11_1111_1111 << 2 | 1 << 28;

/// A device that types.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Typing {
    /// The node it is opened by.
    pub node: PathBuf,
    /// What it calls itself.
    pub name: Option<String>,
    /// Vendor and product id in hexadecimal digits, as the kernel writes them.
    pub id: (String, String),
    /// Its serial number, where the kernel tells it.
    pub serial: Option<String>,
}

impl Typing {
    /// Vendor, product and serial number as people write them.
    pub fn identity(&self) -> String {
        let serial = self.serial.as_ref().map(|serial| format!(":{serial}")).unwrap_or_default();
        format!("{}:{}{serial}", self.id.0, self.id.1)
    }

    /// What lets the service open it: a rule that keeps desktops away as well.
    pub fn cure(&self) -> String {
        format!(
            "as root, if it is no keyboard that people type on: write SUBSYSTEM==\"input\", KERNEL==\"event*\", \
             ATTRS{{id/vendor}}==\"{}\", ATTRS{{id/product}}==\"{}\", GROUP=\"dialout\", MODE=\"0660\", \
             ENV{{LIBINPUT_IGNORE_DEVICE}}=\"1\" into /etc/udev/rules.d/71-ridgepost-keyboard.rules, then `udevadm control \
             --reload`, and plug it in again",
            self.id.0, self.id.1
        )
    }
}

/// Every device below `root` that types, in the order of their nodes. What can't be read is left out.
pub fn typing(root: &Path) -> Vec<Typing> {
    let mut found: Vec<Typing> = fs::read_dir(root)
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| device(entry.file_name().to_str()?, &entry.path().join("device")))
        .collect();
    found.sort_by_key(|device| (device.node.as_os_str().len(), device.node.clone()));
    found
}

fn device(name: &str, folder: &Path) -> Option<Typing> {
    name.strip_prefix("event")?.parse::<u32>().ok()?;
    let text = |file: &str| {
        let text = fs::read_to_string(folder.join(file)).ok()?;
        Some(text.trim().to_owned()).filter(|text| !text.is_empty())
    };
    // Words of the kernel's size, the lowest last.
    let keys = u64::from_str_radix(text("capabilities/key")?.split(' ').next_back()?, 16).ok()?;
    (keys & DIGITS_AND_ENTER == DIGITS_AND_ENTER).then(|| Typing {
        node: Path::new("/dev/input").join(name),
        name: text("name"),
        id: (text("id/vendor").unwrap_or_default(), text("id/product").unwrap_or_default()),
        serial: text("uniq"),
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    /// Files as a kernel shows them: a keyboard of QEMU (its words of keys from memory), the same as a 32-bit kernel writes
    /// it, a power button, a mouse.
    #[test]
    fn what_types_is_told_from_what_only_has_buttons() {
        let root = tempfile::tempdir().unwrap();
        for (name, keys, uniq) in [
            ("event10", "1000000000007 ff9f207ac14057ff febeffdfffefffff fffffffffffffffe", "A 7"),
            ("event2", "10000 7 ff9f207a c14057ff febeffdf ffefffff ffffffff fffffffe", ""),
            ("event0", "10000000000000 0", ""),
            ("event1", "1f0000 0 0 0 0", ""),
            ("mouse0", "fffffffffffffffe", ""),
        ] {
            let folder = root.path().join(name).join("device");
            fs::create_dir_all(folder.join("capabilities")).unwrap();
            fs::create_dir_all(folder.join("id")).unwrap();
            fs::write(folder.join("capabilities/key"), format!("{keys}\n")).unwrap();
            fs::write(folder.join("id/vendor"), "1209\n").unwrap();
            fs::write(folder.join("id/product"), "0003\n").unwrap();
            fs::write(folder.join("uniq"), format!("{uniq}\n")).unwrap();
        }
        let found = typing(root.path());
        let nodes: Vec<_> = found.iter().map(|device| device.node.display().to_string()).collect();
        assert_eq!(nodes, ["/dev/input/event2", "/dev/input/event10"]);
        assert_eq!(found[1].identity(), "1209:0003:A 7");
        assert_eq!((found[0].identity(), &found[0].name), ("1209:0003".into(), &None));
        assert!(found[0].cure().contains("ATTRS{id/vendor}==\"1209\", ATTRS{id/product}==\"0003\", GROUP=\"dialout\""));
    }
}
