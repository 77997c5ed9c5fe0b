//! Random numbers that can be had again: a run prints its seed, and the seed brings the run back.

use std::time::{SystemTime, UNIX_EPOCH};

/// A small generator (the SplitMix64 step: add a constant, mix with two multiplications), good enough to scatter
/// cuts and kills.
#[derive(Clone, Debug)]
pub struct Seeded {
    state: u64,
}

impl Seeded {
    /// The run that belongs to `seed`.
    pub fn new(seed: u64) -> Self {
        Seeded { state: seed }
    }

    /// The seed of `RIDGEPOST_SEED`, else one taken from the clock.
    pub fn seed_of_run() -> u64 {
        let from_clock =
            || SystemTime::now().duration_since(UNIX_EPOCH).map_or(1, |since| since.as_nanos() as u64 % 1_000_000_007);
        std::env::var("RIDGEPOST_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or_else(from_clock)
    }

    /// The next 64 bits.
    pub fn next_bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// A number from `low` to `high`, both included.
    pub fn between(&mut self, low: u64, high: u64) -> u64 {
        low + self.next_bits() % (high - low + 1)
    }

    /// One of `items`.
    pub fn pick<'a, T>(&mut self, items: &'a [T]) -> &'a T {
        &items[self.between(0, items.len() as u64 - 1) as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_brings_the_same_run() {
        let run = |seed| {
            let mut seeded = Seeded::new(seed);
            (0..50).map(|_| seeded.between(3, 9)).collect::<Vec<_>>()
        };
        assert_eq!(run(7), run(7));
        assert_ne!(run(7), run(8));
        assert!(run(7).iter().all(|number| (3..=9).contains(number)));
    }
}
