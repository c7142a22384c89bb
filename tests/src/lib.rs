//! What tests and benchmarks of several crates share: a PostgreSQL server of their own, stores of earlier releases, the median.

pub mod postgres;
pub mod release;

/// The value in the middle; of an even number the upper one.
///
/// # Panics
/// There is none.
pub fn median(values: impl IntoIterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = values.into_iter().collect();
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}
