//! The normal and log-normal distributions.
//!
//! Through `libm`, so that every machine gives the same bits.

use std::sync::OnceLock;

/// The 90th percentile of the standard normal distribution.
pub const Z90: f64 = 1.281_551_565_544_600_4;

/// Φ(z): the chance that a standard normal variable is at most `z`.
pub fn cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

/// A positive quantity whose logarithm is normal: `ln X ~ N(ln median, log_sd²)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LogNormal {
    /// The median, in the unit of the quantity; above 0.
    pub median: f64,
    /// The standard deviation of the natural logarithm; above 0.
    pub log_sd: f64,
}

impl LogNormal {
    /// The value `z` standard deviations from the median on the logarithmic scale.
    pub fn at(self, z: f64) -> f64 {
        self.median * libm::exp(z * self.log_sd)
    }

    /// Roughly its standard deviation, in its own unit.
    pub fn spread(self) -> f64 {
        self.median * self.log_sd
    }

    /// Made ready for many evaluations.
    pub fn shape(self) -> Shape {
        Shape {
            ln_median: libm::log(self.median),
            inverse_sd: 1.0 / self.log_sd,
            floor: self.at(-TABLE_REACH),
            table: table(),
        }
    }
}

/// A log-normal distribution made ready for many evaluations: a thousand times in one assessment.
#[derive(Clone, Copy, Debug)]
pub struct Shape {
    ln_median: f64,
    inverse_sd: f64,
    /// Below this the distribution function is under 1e-15 and taken as 0: most exams are before the axons arrive.
    floor: f64,
    table: &'static [Point],
}

impl Shape {
    /// The chance that the quantity is at most `x`.
    pub fn cdf(&self, x: f64) -> f64 {
        self.both(x).0
    }

    /// The value `z` standard deviations from the median on the logarithmic scale.
    pub fn at(&self, z: f64) -> f64 {
        libm::exp(self.ln_median + z / self.inverse_sd)
    }

    /// The chance that the logarithm of the quantity is at most `ln_x`.
    #[inline]
    pub fn cdf_at_log(&self, ln_x: f64) -> f64 {
        tabulated(self.table, (ln_x - self.ln_median) * self.inverse_sd).0
    }

    /// The chance that the quantity is at most `x`, and the density there.
    #[inline]
    pub fn both(&self, x: f64) -> (f64, f64) {
        if x <= self.floor {
            return (0.0, 0.0);
        }
        let (below, density) = tabulated(self.table, (libm::log(x) - self.ln_median) * self.inverse_sd);
        (below, density * self.inverse_sd / x)
    }
}

/// Φ and its derivative at one place.
type Point = (f64, f64);

/// The table reaches this many standard deviations to both sides.
const TABLE_REACH: f64 = 8.0;
/// Entries for each standard deviation. Cubic interpolation between them errs by less than 2e-10.
const TABLE_DENSITY: usize = 64;

fn table() -> &'static [Point] {
    static TABLE: OnceLock<Vec<Point>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let peak = 0.5 * std::f64::consts::FRAC_2_SQRT_PI * std::f64::consts::FRAC_1_SQRT_2;
        let entries = 2 * TABLE_REACH as usize * TABLE_DENSITY;
        let z = |i: usize| i as f64 / TABLE_DENSITY as f64 - TABLE_REACH;
        (0..=entries).map(|i| (cdf(z(i)), peak * libm::exp(-0.5 * z(i) * z(i)))).collect()
    })
}

/// Φ(z) and its derivative by cubic Hermite interpolation.
#[inline]
fn tabulated(table: &[Point], z: f64) -> Point {
    let place = (z + TABLE_REACH) * TABLE_DENSITY as f64;
    if place <= 0.0 {
        return (0.0, 0.0);
    }
    let index = place as usize;
    let Some(&[(left, left_slope), (right, right_slope)]) = table.get(index..index + 2) else {
        return (1.0, 0.0);
    };
    let t = place - index as f64;
    let step = 1.0 / TABLE_DENSITY as f64;
    let rise = right - left;
    let (a, b) = (left_slope * step - rise, rise - right_slope * step);
    let value = left + t * (rise + (1.0 - t) * (a * (1.0 - t) + b * t));
    (value, left_slope + t * (right_slope - left_slope))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz and Stegun, Handbook of Mathematical Functions (1964), table 26.1.
    #[test]
    fn cdf_agrees_with_the_handbook_table() {
        for (z, p) in [
            (0.0, 0.5),
            (0.5, 0.691_462_461_3),
            (1.0, 0.841_344_746_1),
            (1.96, 0.975_002_104_9),
            (3.0, 0.998_650_102_0),
        ] {
            assert!((cdf(z) - p).abs() < 1e-9, "Φ({z}) = {}", cdf(z));
            assert!((cdf(-z) - (1.0 - p)).abs() < 1e-9);
        }
        assert!((cdf(Z90) - 0.9).abs() < 1e-15);
    }

    #[test]
    fn the_table_is_as_good_as_the_function() {
        for i in -9000..9000 {
            let z = f64::from(i) / 1000.0 + 0.000_37;
            let (value, slope) = tabulated(table(), z);
            assert!((value - cdf(z)).abs() < 2e-10, "Φ({z}): {value} is not {}", cdf(z));
            let density = (cdf(z + 1e-4) - cdf(z - 1e-4)) / 2e-4;
            assert!((slope - density).abs() < 1e-4);
        }
    }

    #[test]
    fn a_log_normal_has_its_median_and_its_spread() {
        let delay = LogNormal { median: 60.0, log_sd: 0.4 };
        assert!((delay.shape().cdf(60.0) - 0.5).abs() < 1e-12);
        assert!((delay.shape().cdf(delay.at(Z90)) - 0.9).abs() < 1e-9);
        assert_eq!(delay.shape().cdf(-1.0), 0.0);
        assert_eq!(delay.shape().cdf(1e300), 1.0);
    }
}
