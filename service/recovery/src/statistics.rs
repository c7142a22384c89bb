//! Counts of a unit's own results, and how little a few of them say.

/// z of a two-sided interval of 95 %.
const Z95: f64 = 1.959_963_984_540_054;

/// The 95 % interval of a share by Wilson's score method: holds its level also for few cases and for shares near 0 and 1.
/// None of no cases. E. B. Wilson 1927, J Am Stat Assoc 22:209.
pub fn wilson(hits: usize, of: usize) -> Option<(f64, f64)> {
    if of == 0 {
        return None;
    }
    let (n, share, z2) = (of as f64, hits.min(of) as f64 / of as f64, Z95 * Z95);
    let middle = share + z2 / (2.0 * n);
    let half = Z95 * libm::sqrt(share * (1.0 - share) / n + z2 / (4.0 * n * n));
    let scale = 1.0 + z2 / n;
    Some((((middle - half) / scale).max(0.0), ((middle + half) / scale).min(1.0)))
}

/// The median; of an even number the mean of the two in the middle; none of none.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    let upper = *sorted.get(half)?;
    if sorted.len() % 2 == 1 { Some(upper) } else { Some(f64::midpoint(*sorted.get(half - 1)?, upper)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    // R. G. Newcombe 1998, Stat Med 17:857, table I, method 3 (score method): 81 of 263, 15 of 148, 0 of 20, 1 of 29.
    #[test]
    fn wilson_intervals_are_the_published_ones() {
        for (hits, of, low, high) in [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ] {
            let (found_low, found_high) = wilson(hits, of).unwrap();
            assert!((found_low - low).abs() < 6e-5 && (found_high - high).abs() < 6e-5, "{hits} of {of}");
        }
        assert_eq!(wilson(0, 0), None);
    }

    #[test]
    fn the_median_is_in_the_middle() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median(&[]), None);
    }
}
