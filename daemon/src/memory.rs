//! Keeps the program small for years. Reading a configuration, its schemas and patterns touches most of the program once;
//! then it listens. The kernel would take these pages back only when it is short of memory, and the cell's PC may be a small
//! one.
//!
//! The C library on its own gives threads heaps of their own, up to eight for each processor, and keeps in each of them what
//! was freed there. Cables that are pulled, folders that go away and people who look start threads for a moment all day long:
//! every heap grows to the most that ever stood in it, and the program to twice what it holds. So there are two heaps here,
//! and not one, because the thread that reads the ports and the one that writes would wait for each other at every piece of
//! memory.

/// Bytes from which on a piece of memory is mapped for itself and given back when it is freed. The C library begins with this
/// and raises it to up to 32 MiB with the first large piece that is freed (mallopt(3)); from then on large files would leave
/// holes in the heap.
#[cfg(target_env = "gnu")]
const LARGE: libc::c_int = 128 * 1024;

/// Two heaps for all threads, and large pieces outside of them. To be called before there are threads.
#[cfg(target_env = "gnu")]
#[expect(unsafe_code, reason = "the C library is told so by a call of its own")]
pub fn keep_small() {
    for (what, value) in [(libc::M_ARENA_MAX, 2), (libc::M_MMAP_THRESHOLD, LARGE), (libc::M_TRIM_THRESHOLD, LARGE)] {
        // SAFETY: mallopt(3) takes two numbers and may be called at any time.
        let done = unsafe { libc::mallopt(what, value) };
        if done == 0 {
            tracing::debug!(code = "memory", "the C library does not take option {what} of its heap");
        }
    }
}

/// Other C libraries have one heap.
#[cfg(not(target_env = "gnu"))]
pub fn keep_small() {}

/// Gives free memory and the pages of the program's code back; code that is needed again comes back page by page from the
/// kernel's cache or the file.
pub fn settle() {
    give_back_heap();
    for (start, length) in code() {
        give_back(start, length);
    }
}

/// Where the program's own code and constants are mapped and never written, so that the file holds every byte of them.
fn code() -> Vec<(usize, usize)> {
    let maps = std::fs::read_to_string("/proc/self/maps").unwrap_or_default();
    let Ok(program) = std::env::current_exe() else { return Vec::new() };
    maps.lines().filter_map(|line| mapped(line, &program.to_string_lossy())).collect()
}

/// Start and length of a mapping of `program`'s code (proc(5), `/proc/pid/maps`: range, rights, offset, device, inode, path).
fn mapped(line: &str, program: &str) -> Option<(usize, usize)> {
    let (range, rest) = line.split_once(' ')?;
    let (rights, rest) = rest.split_once(' ')?;
    let (offset, rest) = rest.split_once(' ')?;
    let path = rest.splitn(3, ' ').nth(2)?.trim_start();
    let (start, end) = range.split_once('-')?;
    let (start, end) = (usize::from_str_radix(start, 16).ok()?, usize::from_str_radix(end, 16).ok()?);
    // The file's beginning holds constants. Other constants were filled in when the program was loaded: the file does not
    // hold those.
    let as_in_the_file = rights == "r-xp" || (rights == "r--p" && usize::from_str_radix(offset, 16) == Ok(0));
    (as_in_the_file && path == program && start < end).then(|| (start, end - start))
}

#[expect(unsafe_code, reason = "no safe call gives pages back to the kernel")]
fn give_back(start: usize, length: usize) {
    // SAFETY: the range is one whole mapping of this program's file, private, not writable and never written to. Dropped pages are
    // read anew from that file, with the same bytes, when they are touched the next time.
    let done =
        unsafe { rustix::mm::madvise(start as *mut core::ffi::c_void, length, rustix::mm::Advice::LinuxDontNeed) };
    if let Err(error) = done {
        tracing::debug!(code = "memory", "code could not be given back: {error}");
    }
}

#[cfg(target_env = "gnu")]
#[expect(unsafe_code, reason = "the C library gives free memory back only when it is asked to")]
fn give_back_heap() {
    // SAFETY: malloc_trim(3) may be called at any time by any thread; it touches nothing that is in use.
    unsafe {
        libc::malloc_trim(0);
    }
}

#[cfg(not(target_env = "gnu"))]
fn give_back_heap() {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_program_s_own_code_is_given_back() {
        let line = |rights: &str, path: &str| format!("55d0a000-55d0c000 {rights} 002fb000 fe:00 10317537      {path}");
        let program = "/usr/bin/ridge post";
        assert_eq!(mapped(&line("r-xp", program), program), Some((0x55d0_a000, 0x2000)));
        for other in
            [line("r--p", program), line("rw-p", program), line("rwxp", program), line("r-xp", "/lib/libc.so.6")]
        {
            assert_eq!(mapped(&other, program), None, "{other}");
        }
        let beginning = line("r--p", program).replace("002fb000", "00000000");
        assert_eq!(mapped(&beginning, program), Some((0x55d0_a000, 0x2000)));
        assert_eq!(mapped("7ffc-7ffd r-xp 00000000 00:00 0", program), None);
    }

    #[test]
    fn code_runs_on_after_it_was_given_back() {
        assert!(!code().is_empty());
        settle();
        only_the_program_s_own_code_is_given_back();
    }
}
