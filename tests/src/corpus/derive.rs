//! From one recording to many: the same bytes in other pieces, with noise, cut, doubled and damaged.

use ridgepost_parsers::Tick;

use super::case::Case;
use super::play::Piece;
use crate::seed::Seeded;

/// Longer than any definition waits for the rest of a message.
const SILENCE_MS: u64 = 3_600_000;

/// Bytes that no silence parts.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stretch {
    /// The bytes.
    pub bytes: Vec<u8>,
}

impl From<&[u8]> for Stretch {
    fn from(bytes: &[u8]) -> Self {
        Stretch { bytes: bytes.to_vec() }
    }
}

impl Stretch {
    /// Each stretch in one piece, with a long silence between them.
    pub fn whole(stretches: &[Stretch]) -> Vec<Piece> {
        Self::cut(stretches, usize::MAX)
    }

    /// Each stretch in pieces of `size` bytes, a millisecond apart.
    pub fn cut(stretches: &[Stretch], size: usize) -> Vec<Piece> {
        Self::cut_by(stretches, || (size, 1))
    }

    /// Each stretch in pieces whose size and pause before the next one (in milliseconds) `next` tells.
    fn cut_by(stretches: &[Stretch], mut next: impl FnMut() -> (usize, u64)) -> Vec<Piece> {
        let mut now = 0;
        let mut pieces = Vec::new();
        for stretch in stretches {
            let mut rest = &stretch.bytes[..];
            while !rest.is_empty() {
                let (size, pause_ms) = next();
                let (piece, behind) = rest.split_at(size.clamp(1, rest.len()));
                pieces.push(Piece { at: Tick(now), bytes: piece.to_vec() });
                now += pause_ms;
                rest = behind;
            }
            now += SILENCE_MS;
        }
        pieces
    }

    /// The first `length` bytes of `stretches`.
    pub fn prefix(stretches: &[Stretch], length: usize) -> Vec<Stretch> {
        let mut left = length;
        let mut kept = Vec::new();
        for stretch in stretches {
            let take = left.min(stretch.bytes.len());
            left -= take;
            if take > 0 {
                kept.push(Stretch::from(&stretch.bytes[..take]));
            }
        }
        kept
    }

    /// `before` and then `after` without a silence between the last of the one and the first of the other.
    pub fn run_on(mut before: Vec<Stretch>, after: &[Stretch]) -> Vec<Stretch> {
        let mut after = after.iter();
        if let (Some(last), Some(first)) = (before.last_mut(), after.clone().next()) {
            last.bytes.extend_from_slice(&first.bytes);
            after.next();
        }
        before.extend(after.cloned());
        before
    }

    /// The same with the byte at `position`, counted through all stretches, replaced.
    pub fn with_byte(stretches: &[Stretch], mut position: usize, byte: u8) -> Vec<Stretch> {
        let mut changed = stretches.to_vec();
        for stretch in &mut changed {
            if let Some(place) = stretch.bytes.get_mut(position) {
                *place = byte;
                break;
            }
            position -= stretch.bytes.len();
        }
        changed
    }
}

/// Pieces of random size with random short pauses.
pub fn cut_at_random(stretches: &[Stretch], seeded: &mut Seeded) -> Vec<Piece> {
    let longest = seeded.between(1, 24);
    Stretch::cut_by(stretches, || (seeded.between(1, longest) as usize, seeded.between(0, 3)))
}

/// What a byte may become on the line: each bit turned, all bits low, all bits high.
pub fn flips(byte: u8) -> Vec<u8> {
    let mut flips: Vec<u8> = (0..8).map(|bit| byte ^ (1 << bit)).chain([0x00, 0xff]).collect();
    flips.retain(|flip| *flip != byte);
    flips.sort_unstable();
    flips.dedup();
    flips
}

/// A recording cut, run together with its own beginning, or with one byte flipped; and whether it was the last.
pub fn damaged(case: &Case, seeded: &mut Seeded) -> (Vec<u8>, bool) {
    let cut = seeded.between(1, case.input.len() as u64 - 1) as usize;
    match seeded.between(0, 2) {
        0 => (case.input[..cut].to_vec(), false),
        1 if !case.runs_together() => ([&case.input[..cut], &case.input].concat(), false),
        _ => {
            let mut bytes = case.input.clone();
            bytes[cut] = *seeded.pick(&flips(bytes[cut]));
            (bytes, true)
        }
    }
}

/// Bytes that mean nothing.
#[derive(Clone, Debug)]
pub struct Noise {
    /// What it is, for messages.
    pub name: &'static str,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// Noise of several kinds. None holds digits, signs or decimal marks: noise that runs on into a number and is
/// itself a number can't be told from one without a check value.
pub fn noises(seeded: &mut Seeded) -> Vec<Noise> {
    let mut from = |name: &'static str, length: u64, allowed: fn(u8) -> bool| {
        let pool: Vec<u8> = (0..=255_u8).filter(|byte| allowed(*byte)).collect();
        Noise { name, bytes: (0..length).map(|_| *seeded.pick(&pool)).collect() }
    };
    let no_number = |byte: u8| !matches!(byte, b'0'..=b'9' | b'+' | b'-' | b'.' | b',');
    vec![
        from("one NUL", 1, |byte| byte == 0),
        from("NULs", 17, |byte| byte == 0),
        from("idle line read as 0xFF", 9, |byte| byte == 0xff),
        from("a loose plug", 23, |byte| matches!(byte, 0x00 | 0x80 | 0xf8 | 0xff)),
        from("wrong speed", 31, |byte| byte >= 0x80),
        from("control characters", 13, |byte| byte < 0x20),
        from("anything", 64, no_number),
        from("letters", 7, |byte| matches!(byte, b'q' | b'x' | b'y' | b'j' | b'#' | b'~')),
        from("more than any message", 100_000, |byte| matches!(byte, 0x55 | 0xaa)),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stretches() -> Vec<Stretch> {
        vec![Stretch::from(&b"abc"[..]), Stretch::from(&b"de"[..])]
    }

    #[test]
    fn pieces_keep_bytes_and_silences() {
        let pieces = Stretch::cut(&stretches(), 2);
        let bytes: Vec<&[u8]> = pieces.iter().map(|piece| &piece.bytes[..]).collect();
        assert_eq!(bytes, [&b"ab"[..], b"c", b"de"]);
        assert!(pieces[2].at.0 - pieces[1].at.0 >= SILENCE_MS);
    }

    #[test]
    fn prefixes_and_run_ons_join_where_they_should() {
        assert_eq!(Stretch::prefix(&stretches(), 4), vec![Stretch::from(&b"abc"[..]), Stretch::from(&b"d"[..])]);
        assert_eq!(Stretch::prefix(&stretches(), 3), vec![Stretch::from(&b"abc"[..])]);
        let joined = Stretch::run_on(vec![Stretch::from(&b"x"[..])], &stretches());
        assert_eq!(joined, vec![Stretch::from(&b"xabc"[..]), Stretch::from(&b"de"[..])]);
        assert_eq!(Stretch::with_byte(&stretches(), 4, b'!')[1].bytes, b"d!");
    }

    #[test]
    fn flips_never_give_the_byte_itself() {
        for byte in 0..=255 {
            assert!(!flips(byte).contains(&byte));
            assert!(flips(byte).len() >= 8);
        }
    }
}
