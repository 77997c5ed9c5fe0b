//! Looks at a write-ahead log that a run left behind, before SQLite does: SQLite takes what is sound at its beginning
//! and goes on over the rest, which is right after a power cut and hides damage to what was committed.
//!
//! Format: <https://www.sqlite.org/fileformat2.html>, section 4.1 to 4.3 (header of 32 bytes, frames of 24 bytes and a
//! page, running checksums).

use std::fs::File;
use std::io::{BufReader, ErrorKind, Read};
use std::path::Path;

/// What the log holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum State {
    /// Nothing, or nothing but sound frames and perhaps one transaction that was cut off.
    Sound,
    /// What was committed can't be read any more, from this frame on (0: the header).
    Damaged(u64),
}

/// Size of a page of our stores, where the header does not tell it.
const PAGE: usize = 4096;

/// Reads a log through; one that is not there is sound.
pub(super) fn look(path: &Path) -> std::io::Result<State> {
    match File::open(path) {
        Ok(file) => scan(BufReader::with_capacity(1 << 16, file)),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(State::Sound),
        Err(error) => Err(error),
    }
}

/// A break in the checksums is what a power cut leaves of the *last* transaction: each COMMIT waits for the disk before
/// the next one is written. Two commits of the same generation behind a break mean that a committed one is broken.
fn scan(mut log: impl Read) -> std::io::Result<State> {
    let mut header = [0; 32];
    let length = read_up_to(&mut log, &mut header)?;
    if length == 0 {
        return Ok(State::Sound);
    }
    if header == [0; 32] {
        return unwritten_header(log);
    }
    let big = match word(&header, 0, true) {
        0x377f_0682 => false,
        0x377f_0683 => true,
        _ => return Ok(State::Damaged(0)),
    };
    let page = word(&header, 8, true) as usize;
    let mut sum = checksum((0, 0), &header[..24], big);
    let stated = (word(&header, 24, true), word(&header, 28, true));
    if length < header.len() || sum != stated || !(512..=65_536).contains(&page) || !page.is_power_of_two() {
        return Ok(State::Damaged(0));
    }
    let salt = (word(&header, 16, true), word(&header, 20, true));
    let mut frame = vec![0; 24 + page];
    let (mut number, mut broken, mut commits_behind) = (0, None, 0);
    while read_up_to(&mut log, &mut frame)? == frame.len() {
        number += 1;
        let of_this_generation = (word(&frame, 8, true), word(&frame, 12, true)) == salt;
        if broken.is_none() {
            sum = checksum(checksum(sum, &frame[..8], big), &frame[24..], big);
            if !of_this_generation || sum != (word(&frame, 16, true), word(&frame, 20, true)) {
                broken = Some(number);
            }
        }
        let commits = word(&frame, 4, true) != 0;
        if let Some(at) = broken
            && of_this_generation
            && commits
        {
            commits_behind += 1;
            if commits_behind == 2 {
                return Ok(State::Damaged(at));
            }
        }
    }
    Ok(State::Sound)
}

/// A power cut may leave a new log without its header; then it holds one transaction at most.
fn unwritten_header(mut log: impl Read) -> std::io::Result<State> {
    let mut frame = [0; 24 + PAGE];
    let mut first = None;
    while read_up_to(&mut log, &mut frame)? == frame.len() {
        let salt = (word(&frame, 8, true), word(&frame, 12, true));
        if word(&frame, 4, true) != 0 && first.replace(salt) == Some(salt) {
            return Ok(State::Damaged(0));
        }
    }
    Ok(State::Sound)
}

fn read_up_to(from: &mut impl Read, buffer: &mut [u8]) -> std::io::Result<usize> {
    let mut length = 0;
    while length < buffer.len() {
        match from.read(&mut buffer[length..]) {
            Ok(0) => break,
            Ok(more) => length += more,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(length)
}

fn word(bytes: &[u8], at: usize, big: bool) -> u32 {
    let mut word = [0; 4];
    word.copy_from_slice(&bytes[at..at + 4]);
    if big { u32::from_be_bytes(word) } else { u32::from_le_bytes(word) }
}

/// Section 4.2: two running sums over pairs of words.
fn checksum((mut s0, mut s1): (u32, u32), bytes: &[u8], big: bool) -> (u32, u32) {
    for pair in bytes.chunks_exact(8) {
        s0 = s0.wrapping_add(word(pair, 0, big)).wrapping_add(s1);
        s1 = s1.wrapping_add(word(pair, 4, big)).wrapping_add(s0);
    }
    (s0, s1)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    const FRAME: usize = 24 + 4096;

    /// A log of SQLite's own making with `commits` transactions of one row.
    fn log(commits: usize) -> Vec<u8> {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("store.db");
        let connection = rusqlite::Connection::open(&store).unwrap();
        connection
            .execute_batch("PRAGMA journal_mode = WAL; PRAGMA wal_autocheckpoint = 0; CREATE TABLE t (a);")
            .unwrap();
        for _ in 1..commits {
            connection.execute("INSERT INTO t VALUES (randomblob(900))", []).unwrap();
        }
        std::fs::read(folder.path().join("store.db-wal")).unwrap()
    }

    fn look(bytes: &[u8]) -> State {
        scan(bytes).unwrap()
    }

    #[test]
    fn what_a_run_leaves_behind_is_sound() {
        let whole = log(9);
        let frames = (whole.len() - 32) / FRAME;
        assert!(frames >= 9);
        assert_eq!(look(&[]), State::Sound);
        assert_eq!(look(&whole), State::Sound);
        for cut in (0..frames).map(|frame| 32 + frame * FRAME + 100) {
            assert_eq!(look(&whole[..cut]), State::Sound, "cut off in the middle of a frame");
        }
        let mut torn = whole.clone();
        torn[32 + (frames - 1) * FRAME + 500] ^= 1;
        assert_eq!(look(&torn), State::Sound, "the last transaction is torn by a power cut");
        let mut new = log(2)[..32 + 2 * FRAME].to_vec();
        new[..32].fill(0);
        assert_eq!(look(&new), State::Sound, "the first transaction of a new log is torn");
    }

    #[test]
    fn damage_to_what_was_committed_is_found() {
        let whole = log(9);
        for at in [0, 9, 30] {
            let mut damaged = whole.clone();
            damaged[at] ^= 1;
            assert_eq!(look(&damaged), State::Damaged(0), "byte {at} of the header");
        }
        for frame in 0..4 {
            for at in [0, 9, 17, 2000] {
                let mut damaged = whole.clone();
                damaged[32 + frame * FRAME + at] ^= 1;
                assert_eq!(look(&damaged), State::Damaged(frame as u64 + 1), "byte {at} of frame {}", frame + 1);
            }
        }
        assert_eq!(look(&[7; 9000]), State::Damaged(0));
        let mut zeroed = whole.clone();
        zeroed[..32].fill(0);
        assert_eq!(look(&zeroed), State::Damaged(0), "a header that was written is gone");
    }
}
