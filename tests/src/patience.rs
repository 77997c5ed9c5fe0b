//! Waiting for something that happens in another process: look often, give up late, say what was waited for.

use std::thread::sleep;
use std::time::{Duration, Instant};

/// How long anything may take on a slow machine with other tests beside.
pub const LONG: Duration = Duration::from_secs(30);

/// Looks until `look` gives something; stops the test where it doesn't within `LONG`.
#[track_caller]
pub fn until<T>(what: &str, look: impl FnMut() -> Option<T>) -> T {
    within(LONG, look).unwrap_or_else(|| panic!("waited {} s in vain for {what}", LONG.as_secs()))
}

/// Looks until `look` holds; stops the test where it doesn't within `LONG`.
#[track_caller]
pub fn until_true(what: &str, mut look: impl FnMut() -> bool) {
    until(what, || look().then_some(()));
}

/// Looks until `look` gives something, or `limit` has passed.
pub fn within<T>(limit: Duration, mut look: impl FnMut() -> Option<T>) -> Option<T> {
    let end = Instant::now() + limit;
    loop {
        if let Some(found) = look() {
            return Some(found);
        }
        if Instant::now() >= end {
            return None;
        }
        sleep(Duration::from_millis(5));
    }
}
