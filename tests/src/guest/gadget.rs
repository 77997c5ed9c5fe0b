//! A USB instrument without a driver of its own, played inside a guest: one vendor-specific interface with a bulk
//! endpoint each way. It can be plugged in, pulled, stalled and listened to.

use std::fmt::Write;

use super::service::Shell;

/// The script that makes it.
const SCRIPT: &str = include_str!("../../guest/usb-gauge");

/// The switch of its plug: the controller that it hangs on, or none.
const PLUG: &str = "/sys/kernel/config/usb_gadget/gauge/UDC";

/// How it says what a file holds.
const SAY: &str = "dd if=/run/said of=/run/gauge/ep1 bs=64k conv=notrunc 2>&1";

/// bInterfaceClass of whatever is a vendor's own (USB-IF, defined class codes).
const VENDOR_SPECIFIC: u8 = 0xff;

/// Makes the instrument, not plugged in yet.
#[track_caller]
pub fn make(shell: &mut Shell) {
    put(shell, "/run/usb-gauge", SCRIPT.as_bytes());
    put(shell, "/run/descriptors", &descriptors());
    put(shell, "/run/strings", &strings());
    shell.sh("sh -x /run/usb-gauge /run/descriptors /run/strings 2>&1");
}

/// Plugs it in with this serial number, so that the kernel knows it: where the host is busy, a guest's controller may
/// give a device up before it has answered, and then somebody has to pull it and plug it in again.
#[track_caller]
pub fn plug_in(shell: &mut Shell, serial: &str) {
    let number = "/sys/kernel/config/usb_gadget/gauge/strings/0x409/serialnumber";
    let known = format!("grep -qx {serial} /sys/bus/usb/devices/*/serial");
    let look = format!("for look in $(seq 100); do {known} && exit; sleep 0.1; done; exit 1");
    for _ in 0..5 {
        shell.sh(&format!("echo {serial} >{number} && echo dummy_udc.0 >{PLUG}"));
        if shell.tried(&format!("( {look} )")).1 == 0 {
            return;
        }
        pull(shell);
    }
    let kernel = shell.tried("dmesg | tail -n 20").0;
    panic!("the kernel of the guest knows no device {serial}: {kernel}\n{}", shell.machine.last_words());
}

/// Pulls it.
#[track_caller]
pub fn pull(shell: &mut Shell) {
    shell.sh(&format!("echo >{PLUG}"));
}

/// It says something in one transfer, and waits until that is taken.
#[track_caller]
pub fn say(shell: &mut Shell, bytes: &[u8]) {
    put(shell, "/run/said", bytes);
    shell.sh(SAY);
}

/// It says something in one transfer, and is pulled at once when that is taken.
#[track_caller]
pub fn say_last(shell: &mut Shell, bytes: &[u8]) {
    put(shell, "/run/said", bytes);
    shell.sh(&format!("{SAY}; echo >{PLUG}"));
}

/// Its endpoint towards the host refuses: what FunctionFS makes of a read from the wrong end (EBADMSG).
#[track_caller]
pub fn stall(shell: &mut Shell) {
    let (said, status) = shell.tried("dd if=/run/gauge/ep1 bs=1 count=1 2>&1");
    assert!(status != 0 && said.contains("Bad message"), "it does not refuse: {said}");
}

/// Writes a file of the guest.
#[track_caller]
fn put(shell: &mut Shell, path: &str, bytes: &[u8]) {
    let octal = bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "\\{byte:03o}");
        text
    });
    shell.sh(&format!("printf '{octal}' >{path}"));
}

/// An interface and its endpoints for full and for high speed (USB 2.0, 9.6.5 and 9.6.6), behind the head that
/// FunctionFS wants (linux/usb/functionfs.h, descriptors of version 2).
fn descriptors() -> Vec<u8> {
    const MAGIC: u32 = 3;
    const FULL_SPEED: u32 = 1;
    const HIGH_SPEED: u32 = 2;
    const EACH: u32 = 3;
    let speed = |packet: u16| {
        let mut bytes = vec![9, 4, 0, 0, 2, VENDOR_SPECIFIC, 0, 0, 0];
        for address in [0x81, 0x02] {
            const BULK: u8 = 2;
            bytes.extend([7, 5, address, BULK]);
            bytes.extend(packet.to_le_bytes());
            bytes.push(0);
        }
        bytes
    };
    let (full, high) = (speed(64), speed(512));
    let length = u32::try_from(20 + full.len() + high.len()).unwrap();
    let head = [MAGIC, length, FULL_SPEED | HIGH_SPEED, EACH, EACH];
    [head.map(u32::to_le_bytes).concat(), full, high].concat()
}

/// No strings of its own.
fn strings() -> Vec<u8> {
    const MAGIC: u32 = 2;
    [MAGIC, 16, 0, 0].map(u32::to_le_bytes).concat()
}
