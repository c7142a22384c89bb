//! Numbers drawn from a seed: the same on every machine, and nothing in them but the seed.

/// A stream of numbers: SplitMix64 (Steele, Lea, Flood 2014, "Fast splittable pseudorandom number generators").
#[derive(Clone, Debug)]
pub struct Dice(u64);

impl Dice {
    /// The stream of this name: to draw once more from one moves no other.
    pub fn of(seed: u64, name: &str) -> Self {
        let mut dice = Self(seed);
        for byte in name.bytes() {
            dice.0 = dice.roll() ^ u64::from(byte);
        }
        dice
    }

    /// Any number.
    pub fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From `low` to `high`, both included.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        low + (self.roll() % (high - low + 1).unsigned_abs()).cast_signed()
    }

    /// True so many times in a thousand.
    pub fn happens(&mut self, per_mille: u64) -> bool {
        self.roll() % 1_000 < per_mille
    }

    /// One of these.
    pub fn pick<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[(self.roll() % all.len() as u64) as usize]
    }
}
