//! Whether a process stays as it is: what it holds is looked at again and again, and the second half of the looks is held
//! against the first. Nothing here knows what the process does.

use std::fs;
use std::path::{Path, PathBuf};

/// What a process holds at one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Look {
    /// Work done so far, in whatever unit the caller counts.
    pub done: u64,
    /// Resident memory that is its own, in KiB (proc(5), `smaps_rollup`: `Anonymous`): pages of files come and go with
    /// what else the machine does.
    pub memory_kib: u64,
    /// Open descriptors.
    pub descriptors: u64,
    /// Threads.
    pub threads: u64,
    /// Bytes of the write-ahead log beside the store.
    pub wal_bytes: u64,
    /// Lines in its log.
    pub log_lines: u64,
}

/// What is looked at.
#[derive(Clone, Debug)]
pub struct Watched {
    /// The process.
    pub process: u32,
    /// The write-ahead log of its store.
    pub wal: PathBuf,
    /// Its log.
    pub log: PathBuf,
}

impl Watched {
    /// Looks at it; `None` where it is gone.
    pub fn look(&self, done: u64) -> Option<Look> {
        let own = PathBuf::from(format!("/proc/{}", self.process));
        let count = |folder: &str| Some(fs::read_dir(own.join(folder)).ok()?.count() as u64);
        let rollup = fs::read_to_string(own.join("smaps_rollup")).ok()?;
        let memory = rollup.lines().find_map(|line| line.strip_prefix("Anonymous:"))?;
        Some(Look {
            done,
            memory_kib: memory.trim().trim_end_matches("kB").trim().parse().ok()?,
            descriptors: count("fd")?,
            threads: count("task")?,
            wal_bytes: fs::metadata(&self.wal).map_or(0, |file| file.len()),
            log_lines: lines(&self.log),
        })
    }
}

/// Heaps that glibc has made for threads of a process beside its main one. On 64 bits each begins at a multiple of 64 MiB,
/// with what is in use of it (glibc, `malloc/arena.c`: `HEAP_MAX_SIZE`).
pub fn heaps_of_threads(process: u32) -> usize {
    const APART: u64 = 64 << 20;
    let maps = fs::read_to_string(format!("/proc/{process}/maps")).unwrap_or_default();
    let is_heap = |line: &&str| {
        let words: Vec<&str> = line.split_whitespace().collect();
        let begins = words.first().and_then(|range| u64::from_str_radix(range.split('-').next()?, 16).ok());
        words.len() == 5 && words[1] == "rw-p" && begins.is_some_and(|begins| begins.is_multiple_of(APART))
    };
    maps.lines().filter(is_heap).count()
}

fn lines(path: &Path) -> u64 {
    fs::read(path).map_or(0, |bytes| bytes.iter().filter(|byte| **byte == b'\n').count() as u64)
}

/// How much more the second half may hold than the first.
#[derive(Clone, Copy, Debug)]
pub struct Tolerance {
    /// What is looked at, in words.
    pub what: &'static str,
    /// Where it stands in a look.
    pub of: fn(&Look) -> u64,
    /// More by so much is no growth.
    pub more: u64,
    /// Nor is more by this part of what it was, in percent.
    pub percent: u64,
}

/// The tolerances of the soak. Memory: caches of the store fill, and a heap that is asked for many sizes settles
/// slowly; what leaks less than 100 bytes a reading is not seen in one day. Descriptors and threads: stations whose cables
/// are out watch for them, so what is open swings; what is open at the least must not rise. The log: it begins anew when
/// it is 8 MiB long, or half as much longer each time that somebody reads in it just then.
pub const TOLERANCES: [Tolerance; 4] = [
    Tolerance { what: "memory (KiB)", of: |look| look.memory_kib, more: 2_048, percent: 10 },
    Tolerance { what: "descriptors", of: |look| look.descriptors, more: 4, percent: 0 },
    Tolerance { what: "threads", of: |look| look.threads, more: 2, percent: 0 },
    Tolerance { what: "write-ahead log (bytes)", of: |look| look.wal_bytes, more: 16 << 20, percent: 0 },
];

/// Lines of the log per so much work may grow by this part, in percent.
const LOG_PERCENT: u64 = 25;

/// What grew from the first half of `looks` to the second, a line each.
pub fn growth(looks: &[Look]) -> Vec<String> {
    let (first, second) = halves(looks);
    if first.len() < 5 {
        return vec![format!("{} looks are too few to tell", looks.len())];
    }
    let mut findings = Vec::new();
    for Tolerance { what, of, more, percent } in TOLERANCES {
        let (before, after) = (usual(first, of), usual(second, of));
        if after > before + more.max(before * percent / 100) {
            findings.push(format!("{what} grew from {before} to {after}"));
        }
    }
    let rate = |half: &[Look]| {
        let (begin, end) = (half[0], half[half.len() - 1]);
        (end.log_lines - begin.log_lines) * 10_000 / (end.done - begin.done).max(1)
    };
    let (before, after) = (rate(first), rate(second));
    if after > before + (before * LOG_PERCENT / 100).max(20) {
        findings.push(format!("lines in the log per 10,000 readings grew from {before} to {after}"));
    }
    findings
}

/// How much more of one thing the second half holds than the first, by its name in [`TOLERANCES`].
pub fn rise(looks: &[Look], named: &str) -> u64 {
    let (first, second) = halves(looks);
    let tolerance = TOLERANCES.iter().find(|tolerance| tolerance.what.starts_with(named));
    tolerance.map_or(0, |tolerance| usual(second, tolerance.of).saturating_sub(usual(first, tolerance.of)))
}

/// The first fifth is left out: a program that has just started fills what it keeps for good.
fn halves(looks: &[Look]) -> (&[Look], &[Look]) {
    let settled = &looks[looks.len() / 5..];
    settled.split_at(settled.len() / 2)
}

/// The lower quartile: a peak is no growth, and a file of ten thousand rows that was just written is a peak; what is kept for
/// good raises what is held at the least.
fn usual(looks: &[Look], of: fn(&Look) -> u64) -> u64 {
    let mut values: Vec<u64> = looks.iter().map(of).collect();
    values.sort_unstable();
    values[values.len() / 4]
}

/// The halves in one line each, for people.
pub fn told(looks: &[Look]) -> String {
    let (first, second) = halves(looks);
    let mut text = String::new();
    for Tolerance { what, of, .. } in TOLERANCES {
        let most = |half: &[Look]| half.iter().map(of).max().unwrap_or(0);
        text.push_str(&format!(
            "{what}: held {} then {}, most {} then {}\n",
            usual(first, of),
            usual(second, of),
            most(first),
            most(second)
        ));
    }
    let course: Vec<u64> =
        looks.iter().step_by(looks.len().div_ceil(20).max(1)).map(|look| look.memory_kib / 1024).collect();
    text.push_str(&format!("memory in the course of it (MiB): {course:?}\n"));
    let lines = looks.last().map_or(0, |look| look.log_lines);
    text + &format!("lines in the log: {lines}\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steady() -> Vec<Look> {
        let look = |at: u64| Look {
            done: at * 100,
            memory_kib: 20_000 + at % 7 * 100,
            descriptors: 40 + at % 5,
            threads: 12 + at % 3,
            wal_bytes: (at % 9) << 17,
            log_lines: at * 8,
        };
        (0..100).map(look).collect()
    }

    #[test]
    fn what_swings_does_not_grow() {
        assert_eq!(growth(&steady()), Vec::<String>::new());
        assert_eq!(growth(&steady()[..10]).len(), 1, "too few looks prove nothing");
    }

    #[test]
    fn what_grows_is_found_each_by_its_name() {
        type Leak = fn(usize, &mut Look);
        let leaks: [(Leak, &str); 5] = [
            (|at, look| look.memory_kib += at as u64 * 200, "memory"),
            (|at, look| look.descriptors += at as u64 / 8, "descriptors"),
            (|at, look| look.threads += at as u64 / 10, "threads"),
            (|at, look| look.wal_bytes += (at as u64) << 19, "write-ahead log"),
            (|at, look| look.log_lines += (at * at / 10) as u64, "lines in the log"),
        ];
        for (leak, named) in leaks {
            let mut looks = steady();
            looks.iter_mut().enumerate().for_each(|(at, look)| leak(at, look));
            let found = growth(&looks);
            assert!(found.len() == 1 && found[0].starts_with(named), "{named}: {found:?}");
        }
    }

    #[test]
    fn this_process_can_be_looked_at() {
        let folder = tempfile::tempdir().unwrap();
        let log = folder.path().join("log");
        fs::write(&log, "a\nb\n").unwrap();
        let watched = Watched { process: std::process::id(), wal: folder.path().join("none"), log };
        let look = watched.look(3).unwrap();
        assert!(look.memory_kib > 0 && look.descriptors > 2 && look.threads > 0, "{look:?}");
        assert_eq!((look.done, look.wal_bytes, look.log_lines), (3, 0, 2));
        assert_eq!(Watched { process: u32::MAX, ..watched }.look(0), None);
    }
}
