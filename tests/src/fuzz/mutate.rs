//! Changes inputs the way damage, other firmware and mistyping do: bytes, words, lines, numbers and nesting.

use crate::seed::Seeded;

/// Most bytes an input may grow to.
const LONGEST: usize = 20_000;

/// Numbers at the edges of what is counted with.
const NUMBERS: &[&str] = &[
    "0",
    "-0",
    "1",
    "-1",
    "00",
    "9",
    "10",
    "127",
    "128",
    "255",
    "256",
    "32767",
    "32768",
    "65535",
    "65536",
    "99999999",
    "2147483648",
    "4294967295",
    "4294967296",
    "9223372036854775808",
    "18446744073709551616",
    "10000000",
    "10000001",
    "79228162514264337593543950336",
    "0.00000000000000000000000000001",
    "1e308",
    "1e-400",
    "1e999999999",
    "1,5",
    ".",
    "+.5",
    "-",
    "NaN",
    "inf",
    "0x10",
    "1_000",
];

/// Bytes that mean something to somebody.
const BYTES: &[u8] =
    b"\x00\x01\x02\x03\x04\x05\x06\x0a\x0d\x0c\x10\x15\x1a\x1b\x7f\x80\xff,;:=\"'<>&{}[]()\\/ \t.+-09eE#*";

/// `input` with one to a few changes; `others` are inputs of the same kind, `words` what the kind is made of.
pub fn mutated(seeded: &mut Seeded, input: &[u8], others: &[&[u8]], words: &[&str]) -> Vec<u8> {
    let mut bytes = input.to_vec();
    let changes = 1 + seeded.between(0, 3) * seeded.between(0, 1);
    for _ in 0..changes {
        change(seeded, &mut bytes, others, words);
    }
    bytes.truncate(LONGEST);
    bytes
}

fn change(seeded: &mut Seeded, bytes: &mut Vec<u8>, others: &[&[u8]], words: &[&str]) {
    match seeded.between(0, 15) {
        0 => {
            let at = place(seeded, bytes);
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1 << seeded.between(0, 7);
            }
        }
        1 => {
            let (at, byte) = (place(seeded, bytes), any_byte(seeded));
            if let Some(there) = bytes.get_mut(at) {
                *there = byte;
            }
        }
        2 => {
            let (at, byte) = (place(seeded, bytes), any_byte(seeded));
            bytes.insert(at, byte);
        }
        3 => drop(bytes.drain(range(seeded, bytes))),
        4 => {
            let part = bytes[range(seeded, bytes)].to_vec();
            insert(seeded, bytes, &part);
        }
        5 => bytes.truncate(place(seeded, bytes)),
        6 | 7 if !words.is_empty() => {
            let word = *seeded.pick(words);
            insert(seeded, bytes, word.as_bytes());
        }
        8 | 9 => change_number(seeded, bytes),
        10 if !others.is_empty() => {
            let other = *seeded.pick(others);
            let part = other[range(seeded, other)].to_vec();
            insert(seeded, bytes, &part);
        }
        11 => change_lines(seeded, bytes),
        12 => {
            let most = [3, 40, 400][seeded.between(0, 2) as usize];
            let part = bytes[range(seeded, bytes)].iter().copied().take(40).collect::<Vec<_>>();
            let times = seeded.between(2, most) as usize;
            insert(seeded, bytes, &part.repeat(times));
        }
        13 => nest(seeded, bytes),
        14 if !words.is_empty() => {
            let (place, word) = (word_at(seeded, bytes), *seeded.pick(words));
            bytes.splice(place, word.bytes());
        }
        _ => {
            let (from, to) = (range(seeded, bytes), place(seeded, bytes));
            let part: Vec<u8> = bytes.drain(from).collect();
            let to = to.min(bytes.len());
            bytes.splice(to..to, part);
        }
    }
}

fn any_byte(seeded: &mut Seeded) -> u8 {
    if seeded.between(0, 1) == 0 { *seeded.pick(BYTES) } else { seeded.between(0, 255) as u8 }
}

/// A position, the one behind the last byte included. Headings decide most, so every fourth is near the beginning.
fn place(seeded: &mut Seeded, bytes: &[u8]) -> usize {
    let most = if seeded.between(0, 3) == 0 { bytes.len().min(120) } else { bytes.len() };
    seeded.between(0, most as u64) as usize
}

/// A range, mostly a short one.
fn range(seeded: &mut Seeded, bytes: &[u8]) -> std::ops::Range<usize> {
    let from = place(seeded, bytes);
    let most = if seeded.between(0, 3) == 0 { bytes.len() } else { 16 };
    from..(from + seeded.between(0, most as u64) as usize).min(bytes.len())
}

fn insert(seeded: &mut Seeded, bytes: &mut Vec<u8>, part: &[u8]) {
    let at = place(seeded, bytes);
    bytes.splice(at..at, part.iter().copied().take(LONGEST));
}

/// The stretch of bytes round a random place for which `belongs` holds; empty where none is near.
fn stretch(seeded: &mut Seeded, bytes: &[u8], belongs: fn(u8) -> bool) -> std::ops::Range<usize> {
    let from = place(seeded, bytes);
    let Some(found) = bytes[from..].iter().position(|byte| belongs(*byte)) else { return from..from };
    let from = from + found;
    let begin = bytes[..from].iter().rposition(|byte| !belongs(*byte)).map_or(0, |at| at + 1);
    let end = bytes[from..].iter().position(|byte| !belongs(*byte)).map_or(bytes.len(), |at| from + at);
    begin..end
}

fn word_at(seeded: &mut Seeded, bytes: &[u8]) -> std::ops::Range<usize> {
    stretch(seeded, bytes, |byte| byte.is_ascii_alphanumeric() || byte == b'_')
}

fn change_number(seeded: &mut Seeded, bytes: &mut Vec<u8>) {
    let at = stretch(seeded, bytes, |byte| byte.is_ascii_digit());
    let number = *seeded.pick(NUMBERS);
    bytes.splice(at, number.bytes());
}

/// A line twice, gone, or in another place.
fn change_lines(seeded: &mut Seeded, bytes: &mut Vec<u8>) {
    let mut lines: Vec<Vec<u8>> = bytes.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
    if lines.is_empty() {
        return;
    }
    let at = seeded.between(0, lines.len() as u64 - 1) as usize;
    let to = seeded.between(0, lines.len() as u64 - 1) as usize;
    match seeded.between(0, 2) {
        0 => lines.insert(to, lines[at].clone()),
        1 => drop(lines.remove(at)),
        _ => lines.swap(at, to),
    }
    *bytes = lines.concat();
}

/// Much deeper than anybody means it.
fn nest(seeded: &mut Seeded, bytes: &mut Vec<u8>) {
    let pairs = [("[", "]"), ("{\"a\":", "}"), ("<a>", "</a>"), ("(", ")"), ("\"", "\""), ("[[", "]]"), ("(?:", ")*")];
    let (open, close) = *seeded.pick(&pairs);
    let times = [1, 2, 5, 70, 300, 3_000][seeded.between(0, 5) as usize];
    let inside = range(seeded, bytes);
    let nested = [open.repeat(times).as_bytes(), &bytes[inside.clone()], close.repeat(times).as_bytes()].concat();
    bytes.splice(inside, nested);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_input_can_be_changed_and_stays_bounded() {
        for seed in 0..3_000 {
            let mut seeded = Seeded::new(seed);
            let mut input = b"Ra 0.412\r\nRz 2.87\r\n"[..(seed % 20) as usize].to_vec();
            for _ in 0..10 {
                input = mutated(&mut seeded, &input, &[b"x=1", b""], &["um", ""]);
                assert!(input.len() <= LONGEST);
            }
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_change() {
        let once = |seed| mutated(&mut Seeded::new(seed), b"Ra 0.412\r\n", &[b"Rz"], &["um"]);
        assert!((0..200).all(|seed| once(seed) == once(seed)));
        assert!((0..200).filter(|seed| once(*seed) != b"Ra 0.412\r\n").count() > 150);
    }
}
