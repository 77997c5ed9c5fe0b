//! Questions to the kernel's drivers that no crate here asks: about input devices, and about errors of serial lines.
//!
//! Source: linux/input.h (EVIOC...), linux/serial.h (TIOCGICOUNT). Through the C library, so that tests can answer in the kernel's place.

use std::io;
use std::os::fd::{AsRawFd, BorrowedFd};

use rustix::ioctl::opcode;

/// Bytes that hold a bit for each key code (KEY_CNT is 768).
const KEY_BYTES: usize = 96;
/// Bytes that hold a bit for each lamp (LED_CNT is 16), and the bit of caps lock.
const LED_BYTES: usize = 2;
const LED_CAPS_LOCK: u8 = 1 << 1;

/// The version of the input interface; an error for anything that is no input device.
pub(super) fn input_version(device: BorrowedFd<'_>) -> io::Result<i32> {
    let mut version = 0_i32;
    ask(device, opcode::read::<i32>(b'E', 0x01), &mut version)?;
    Ok(version)
}

/// Takes an input device: from now on nobody else gets its events. Ends when the last one closes it.
pub(super) fn grab(device: BorrowedFd<'_>) -> io::Result<()> {
    #[expect(unsafe_code, reason = "a call without a safe form in the crates at hand")]
    // SAFETY: EVIOCGRAB takes its argument as a number and touches no memory of this process.
    let answer = unsafe { libc::ioctl(device.as_raw_fd(), opcode::write::<i32>(b'E', 0x90) as libc::Ioctl, 1_usize) };
    if answer < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}

/// Which keys are down, one bit a code.
pub(super) fn keys_down(device: BorrowedFd<'_>) -> io::Result<[u8; KEY_BYTES]> {
    let mut keys = [0; KEY_BYTES];
    ask(device, opcode::read::<[u8; KEY_BYTES]>(b'E', 0x18), &mut keys)?;
    Ok(keys)
}

/// Whether the lamp of caps lock is on.
pub(super) fn caps_lamp(device: BorrowedFd<'_>) -> io::Result<bool> {
    let mut lamps = [0_u8; LED_BYTES];
    ask(device, opcode::read::<[u8; LED_BYTES]>(b'E', 0x19), &mut lamps)?;
    Ok(lamps[0] & LED_CAPS_LOCK != 0)
}

/// What a serial driver counts of a line since it has it (`serial_icounter_struct`).
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct LineCounts {
    /// Changes of CTS, DSR, RI and DCD; bytes received and sent.
    pub(super) others: [i32; 6],
    /// Bytes whose stop bit was none.
    pub(super) frame: i32,
    /// Bytes that the adapter had no room for.
    pub(super) overrun: i32,
    /// Bytes whose parity was wrong.
    pub(super) parity: i32,
    /// Breaks.
    pub(super) breaks: i32,
    /// Bytes that the kernel had no room for.
    pub(super) buffer_overrun: i32,
    pub(super) reserved: [i32; 9],
}

/// What a serial driver has counted; an error where it does not count, as a pseudo-terminal does not.
pub(super) fn line_counts(device: BorrowedFd<'_>) -> io::Result<LineCounts> {
    let mut counts = LineCounts::default();
    ask(device, libc::TIOCGICOUNT as u32, &mut counts)?;
    Ok(counts)
}

/// Asks a driver for something that it writes into `answer`. The request must be one whose answer has that size.
fn ask<T: Copy>(device: BorrowedFd<'_>, request: u32, answer: &mut T) -> io::Result<()> {
    #[expect(unsafe_code, reason = "a call without a safe form in the crates at hand")]
    // SAFETY: each request above writes at most as many bytes as its type has, any bits are a value of these types, and
    // the answer outlives the call.
    let done = unsafe { libc::ioctl(device.as_raw_fd(), request as libc::Ioctl, std::ptr::from_mut(answer)) };
    if done < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Requests as linux/input.h of x86 gives them when it is compiled (from memory).
    #[test]
    fn requests_are_those_of_the_kernel() {
        assert_eq!(opcode::read::<i32>(b'E', 0x01), 0x8004_4501);
        assert_eq!(opcode::write::<i32>(b'E', 0x90), 0x4004_4590);
        assert_eq!(opcode::read::<[u8; KEY_BYTES]>(b'E', 0x18), 0x8060_4518);
        assert_eq!(opcode::read::<[u8; LED_BYTES]>(b'E', 0x19), 0x8002_4519);
        assert_eq!(size_of::<LineCounts>(), 80);
    }
}
