//! Counts what the calling thread asks of the allocator, so that a test can hold memory against the size of its input.
//!
//! A test binary that measures declares `#[global_allocator] static COUNTING: Counting = Counting;`.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

/// More than any input may hold at once, in bytes; beyond it the allocator refuses, and the process ends with the size.
const REFUSED_BEYOND: isize = 2 << 30;

thread_local! {
    static LIVE: Cell<isize> = const { Cell::new(0) };
    static PEAK: Cell<isize> = const { Cell::new(0) };
    static MADE: Cell<u64> = const { Cell::new(0) };
}

/// The system's allocator, with an account per thread.
pub struct Counting;

/// What one piece of work took.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Spent {
    /// Most bytes held at once, beyond those held before.
    pub peak: usize,
    /// Bytes still held when it was done, by what it gave back and by what was made for later.
    pub kept: usize,
    /// How often memory was asked for.
    pub allocations: u64,
}

/// Does `work` and tells what it took of the memory. Everything is 0 where the binary does not declare [`Counting`].
pub fn measured<T>(work: impl FnOnce() -> T) -> (T, Spent) {
    let (live, made) = (LIVE.get(), MADE.get());
    PEAK.set(live);
    let done = work();
    let peak = usize::try_from(PEAK.get() - live).unwrap_or(0);
    let kept = usize::try_from(LIVE.get() - live).unwrap_or(0);
    (done, Spent { peak, kept, allocations: MADE.get() - made })
}

/// Notes `more` bytes (less than 0: given back). Says whether they may be had. A thread that is ending has no account.
fn note(more: isize) -> bool {
    let now = LIVE.try_with(|live| {
        let now = live.get() + more;
        live.set(now);
        now
    });
    let Ok(now) = now else { return true };
    let _ = PEAK.try_with(|peak| peak.set(peak.get().max(now)));
    now < REFUSED_BEYOND
}

fn note_asked() {
    let _ = MADE.try_with(|made| made.set(made.get() + 1));
}

fn size(bytes: usize) -> isize {
    isize::try_from(bytes).unwrap_or(isize::MAX)
}

#[expect(unsafe_code, reason = "an allocator is an unsafe trait; every call goes on to the system's own, unchanged")]
// SAFETY: layouts and pointers are handed on as they come; the account itself takes no memory.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        note_asked();
        if !note(size(layout.size())) {
            note(-size(layout.size()));
            return std::ptr::null_mut();
        }
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        note(-size(layout.size()));
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, new_size: usize) -> *mut u8 {
        note_asked();
        let more = size(new_size).saturating_sub(size(layout.size()));
        if !note(more) {
            note(-more);
            return std::ptr::null_mut();
        }
        unsafe { System.realloc(pointer, layout, new_size) }
    }
}
