//! Errors of a serial line, as its driver counts them: bytes that were lost, or that came with a wrong parity or stop bit.
//!
//! Nothing in the bytes shows them: a digit that is missing leaves a number. What follows from them is for the session.

use std::os::fd::BorrowedFd;

use serde::{Deserialize, Serialize};

use super::kernel::{self, LineCounts};

/// How many errors there were, by kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineErrors {
    /// Bytes that were lost, because nobody had room for them.
    pub overruns: u64,
    /// Bytes without a stop bit: another speed, another number of bits, a bad contact.
    pub framing: u64,
    /// Bytes with a wrong parity.
    pub parity: u64,
}

impl LineErrors {
    /// Errors of every kind.
    pub fn total(self) -> u64 {
        self.overruns.saturating_add(self.framing).saturating_add(self.parity)
    }

    /// Adds those of another stretch of time.
    #[must_use]
    pub fn and(self, more: LineErrors) -> LineErrors {
        LineErrors {
            overruns: self.overruns.saturating_add(more.overruns),
            framing: self.framing.saturating_add(more.framing),
            parity: self.parity.saturating_add(more.parity),
        }
    }
}

/// What was counted when it was looked last.
#[derive(Debug)]
pub(super) struct Errors {
    seen: LineCounts,
    /// Errors were new and bytes were still to be read: these may have them as well.
    linger: bool,
}

impl Errors {
    /// From now on; `None` where the driver does not count.
    pub(super) fn counted(device: BorrowedFd<'_>) -> Option<Errors> {
        kernel::line_counts(device).ok().map(|seen| Errors { seen, linger: false })
    }

    /// What is new since the last look, and whether the bytes that were read before it may have errors.
    pub(super) fn look(&mut self, device: BorrowedFd<'_>) -> (LineErrors, bool) {
        let Ok(counts) = kernel::line_counts(device) else { return (LineErrors::default(), false) };
        // Asked after the counters: who counted for bytes that came since then is asked again with the next ones.
        let is_more = rustix::io::ioctl_fionread(device).is_ok_and(|unread| unread > 0);
        self.step(counts, is_more)
    }

    fn step(&mut self, counts: LineCounts, is_more: bool) -> (LineErrors, bool) {
        let seen = std::mem::replace(&mut self.seen, counts);
        // The kernel's counters go round.
        let since = |now: i32, before: i32| u64::from(now.wrapping_sub(before).cast_unsigned());
        let new = LineErrors {
            overruns: since(counts.overrun, seen.overrun) + since(counts.buffer_overrun, seen.buffer_overrun),
            framing: since(counts.frame, seen.frame),
            parity: since(counts.parity, seen.parity),
        };
        let is_new = new.total() > 0;
        let lingered = std::mem::replace(&mut self.linger, is_new && is_more);
        (new, is_new || lingered)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Counters as a driver may show them, one look after the other: overrun, of the kernel's buffer, frame, parity; whether
    /// bytes are unread; what is new, and whether it concerns what was read.
    #[test]
    fn errors_are_those_since_the_last_look() {
        let counts = |[overrun, buffer_overrun, frame, parity]: [i32; 4]| LineCounts {
            overrun,
            buffer_overrun,
            frame,
            parity,
            ..LineCounts::default()
        };
        let mut errors = Errors { seen: counts([7, 0, i32::MAX, 2]), linger: false };
        for (now, is_more, [overruns, framing, parity], concerned) in [
            ([7, 0, i32::MAX, 2], true, [0, 0, 0], false),
            ([8, 3, i32::MAX, 2], false, [4, 0, 0], true),
            ([8, 3, i32::MAX, 2], false, [0, 0, 0], false),
            ([8, 3, i32::MIN + 1, 2], true, [0, 2, 0], true),
            ([8, 3, i32::MIN + 1, 2], true, [0, 0, 0], true),
            ([8, 3, i32::MIN + 1, 2], true, [0, 0, 0], false),
            ([8, 3, i32::MIN + 1, 5], false, [0, 0, 3], true),
        ] {
            let expected = (LineErrors { overruns, framing, parity }, concerned);
            assert_eq!(errors.step(counts(now), is_more), expected, "{now:?}");
        }
    }
}
