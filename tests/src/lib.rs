//! What tests and benchmarks of several crates share: a PostgreSQL server of their own, stores of earlier releases, the median, noise.

pub mod postgres;
pub mod release;

/// A text of so many characters that packing makes hardly smaller: 28 letters and signs in no order, none of which JSON escapes, as the seed has it.
pub fn noise(seed: u64, characters: usize) -> String {
    let mut dice = seed;
    let mut next = || {
        dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        char::from(b'@' + (dice >> 58) as u8 % 28)
    };
    (0..characters).map(|_| next()).collect()
}

/// The value in the middle; of an even number the upper one.
///
/// # Panics
/// There is none.
pub fn median(values: impl IntoIterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = values.into_iter().collect();
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}
