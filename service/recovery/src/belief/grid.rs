//! The nodes of the quadrature in one direction.

use crate::normal::LogNormal;

/// Evenly spaced nodes over a log-normal quantity, in standard deviations of its logarithm.
#[derive(Clone, Debug)]
pub(super) struct Grid {
    distribution: LogNormal,
    from_sd: f64,
    to_sd: f64,
    count: usize,
}

impl Grid {
    /// Over everything that is possible.
    pub(super) fn wide(distribution: LogNormal, reach_sd: f64, count: usize) -> Self {
        Self { distribution, from_sd: -reach_sd, to_sd: reach_sd, count: count.max(2) }
    }

    /// `count` nodes over those that are left, and one further to each side.
    pub(super) fn around(&self, left: impl Iterator<Item = usize>, count: usize) -> Self {
        let (first, last) = left.fold((usize::MAX, 0), |(first, last), i| (i.min(first), i.max(last)));
        if first > last {
            return self.clone();
        }
        let place = |i: usize| self.from_sd + self.spacing() * i as f64;
        Self {
            from_sd: place(first) - self.spacing(),
            to_sd: place(last) + self.spacing(),
            count,
            ..self.clone()
        }
    }

    pub(super) fn spacing(&self) -> f64 {
        (self.to_sd - self.from_sd) / (self.count - 1) as f64
    }

    /// Each node's value and its share of the whole distribution.
    pub(super) fn nodes(&self) -> Vec<(f64, f64)> {
        let peak = 0.5 * std::f64::consts::FRAC_2_SQRT_PI * std::f64::consts::FRAC_1_SQRT_2;
        let node = |i: usize| {
            let z = self.from_sd + self.spacing() * i as f64;
            (self.distribution.at(z), peak * self.spacing() * libm::exp(-0.5 * z * z))
        };
        (0..self.count).map(node).collect()
    }

    pub(super) fn values(&self) -> Vec<f64> {
        self.nodes().into_iter().map(|(value, _)| value).collect()
    }
}
