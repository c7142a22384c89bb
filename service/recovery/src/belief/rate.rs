//! What is believed of the growth rate, and what it means for a new coaptation.

use super::arrival::solve;
use crate::growth::Course;
use crate::normal::LogNormal;
use crate::unit::{Days, Mm, MmPerDay};

/// Travel times this far apart, in days, are smoothed over by the spread of the latency.
const SMOOTH_DAYS: f64 = 8.0;

/// The posterior of the growth rate.
#[derive(Clone, Debug, PartialEq)]
pub struct RateBelief {
    pub(super) cells: Vec<RateCell>,
    pub(super) latency: LogNormal,
    /// A rate that nine in ten exceed, roughly: where to start looking for slow travel times.
    pub(super) slow: MmPerDay,
}

/// A rate that stands for the cell from `rate / half` to `rate × half`, inside which the chance is even.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct RateCell {
    pub(super) rate: f64,
    pub(super) half: f64,
    pub(super) weight: f64,
}

impl RateBelief {
    fn total(&self) -> f64 {
        self.cells.iter().map(|cell| cell.weight).sum()
    }

    /// The rate below which the truth lies with chance `p`.
    pub fn quantile(&self, p: f64) -> MmPerDay {
        let wanted = p * self.total();
        let distance = |x: f64| {
            let mut sum = (-wanted, 0.0);
            for RateCell { rate, half, weight } in &self.cells {
                let (low, high) = (rate / half, rate * half);
                sum.0 += weight * ((x - low) / (high - low)).clamp(0.0, 1.0);
                if low < x && x < high {
                    sum.1 += weight / (high - low);
                }
            }
            sum
        };
        let ends = self.cells.iter().map(|cell| (cell.rate / cell.half, cell.rate * cell.half));
        let (low, high) = ends.fold((f64::INFINITY, 0.0), |(low, high), (a, b)| (a.min(low), b.max(high)));
        // The unit is a thousandth of a mm a day here, so that a step of a twentieth is small enough to stop at.
        let thousandths = |x: f64| {
            let (value, slope) = distance(x / 1e3);
            (value, slope / 1e3)
        };
        MmPerDay(solve(thousandths, (low * 1e3, high * 1e3), f64::NAN) / 1e3)
    }

    /// Days within which nine of ten fronts of a *new* coaptation would travel to `position` on `course`: this patient's
    /// rate, a fresh latency.
    pub fn travel_p90(&self, course: &Course, position: Mm) -> Days {
        let effort = course.effort(position).0;
        let pause = course.pause(position).0;
        let latency = self.latency.shape();
        let wanted = 0.9 * self.total();
        // Over a long way a cell of rates spreads over weeks; it is cut into parts that the latency smooths over.
        let mut travel: Vec<(f64, f64)> = Vec::with_capacity(self.cells.len());
        for RateCell { rate, half, weight } in &self.cells {
            let days = effort / rate;
            let parts = (days * (half - 1.0 / half) / SMOOTH_DAYS).ceil().clamp(1.0, 8.0);
            let step = (half - 1.0) * 2.0 / parts;
            for part in 0..parts as usize {
                let offset = (part as f64 + 0.5) * step - (half - 1.0);
                travel.push((days * (1.0 + offset), weight / parts));
            }
        }
        let arrived = |day: f64| {
            let mut sum = (-wanted, 0.0);
            for (days, weight) in &travel {
                let (below, density) = latency.both(day - pause - days);
                sum.0 += weight * below;
                sum.1 += weight * density;
            }
            sum
        };
        let slowest = self.cells.iter().map(|cell| cell.rate).fold(f64::INFINITY, f64::min);
        let high = self.latency.at(6.0) + pause + effort / slowest;
        let start = self.latency.median + pause + effort / self.slow.0;
        Days(solve(arrived, (0.0, high), start))
    }
}
