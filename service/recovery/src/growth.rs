//! Travel time of the regenerating front along one repaired nerve.
//!
//! `x` is measured from the proximal coaptation. With a graft of length `g`, a growth rate `r` and a latency `L`,
//! axons reach `x` after
//!
//! ```text
//! A(x) = L + min(x, g) / (r·φ) + [g > 0 and x > g]·δ + max(x − g, 0) / (r·ψ)
//! ```
//!
//! `φ` slows (or not) the growth inside the graft, `δ` is the pause at the distal coaptation, `ψ` the factor beyond it.

use crate::unit::{Days, Mm, MmPerDay};

/// The way that axons of one repair take, without the speed at which they take it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// Graft length `g`; 0 for a direct coaptation.
    pub gap: Mm,
    /// Rate factor `φ` inside the graft.
    pub graft_factor: f64,
    /// Pause `δ` at the distal coaptation of a graft.
    pub second_coaptation: Days,
    /// Rate factor `ψ` beyond the repair.
    pub beyond_factor: f64,
}

impl Course {
    /// A direct coaptation: one junction, growth at the plain rate.
    pub const DIRECT: Self =
        Self { gap: Mm(0.0), graft_factor: 1.0, second_coaptation: Days(0.0), beyond_factor: 1.0 };

    /// Millimetres of plain nerve that take as long to grow through as the way to `x`: `min(x, g)/φ + max(x − g, 0)/ψ`.
    pub fn effort(&self, x: Mm) -> Mm {
        let inside = x.0.min(self.gap.0) / self.graft_factor;
        let beyond = (x.0 - self.gap.0).max(0.0) / self.beyond_factor;
        Mm(inside + beyond)
    }

    /// Time spent at the distal coaptation on the way to `x`: `δ`, or nothing.
    pub fn pause(&self, x: Mm) -> Days {
        if self.gap.0 > 0.0 && x.0 > self.gap.0 { self.second_coaptation } else { Days(0.0) }
    }

    /// Travel time `A(x)` at a given rate and latency.
    pub fn arrival(&self, x: Mm, rate: MmPerDay, latency: Days) -> Days {
        Days(latency.0 + self.pause(x).0 + self.effort(x).0 / rate.0)
    }

    /// Where the front is on `day` after the repair: the inverse of [`Course::arrival`], never beyond `end`.
    pub fn front(&self, day: Days, rate: MmPerDay, latency: Days, end: Mm) -> Mm {
        let growing = day.0 - latency.0;
        if growing <= 0.0 {
            return Mm(0.0);
        }
        let inside = growing * rate.0 * self.graft_factor;
        if inside <= self.gap.0 {
            return Mm(inside.min(end.0));
        }
        let through = self.gap.0 / (rate.0 * self.graft_factor) + self.pause(Mm(f64::INFINITY)).0;
        let beyond = (growing - through).max(0.0) * rate.0 * self.beyond_factor;
        Mm((self.gap.0 + beyond).min(end.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GRAFT: Course =
        Course { gap: Mm(30.0), graft_factor: 0.85, second_coaptation: Days(14.0), beyond_factor: 1.0 };

    /// The hand check of design section 4.1: 28 + 30/(1.3·0.85) + 14 + 60/1.3 days.
    #[test]
    fn arrival_is_the_sum_of_its_parts() {
        let days = GRAFT.arrival(Mm(90.0), MmPerDay(1.3), Days(28.0)).0;
        assert!((days - (28.0 + 30.0 / 1.105 + 14.0 + 60.0 / 1.3)).abs() < 1e-12);
    }

    /// Hand checks H1 and H2 of the clinical reference: 30 days and 1.0 mm/day, then 0.83 (an inch a month).
    #[test]
    fn published_hand_checks() {
        for (mm, rate, days) in
            [(137.0, 1.0, 167.0), (340.0, 1.0, 370.0), (83.0, 1.0, 113.0), (310.0, 1.0, 340.0)]
                .into_iter()
                .chain([
                    (137.0, 25.4 / 30.44, 194.0),
                    (340.0, 25.4 / 30.44, 437.0),
                    (310.0, 25.4 / 30.44, 401.0),
                ])
        {
            let arrival = Course::DIRECT.arrival(Mm(mm), MmPerDay(rate), Days(30.0)).0;
            assert!((arrival - days).abs() < 1.0, "{mm} mm at {rate}: {arrival}, not {days}");
        }
    }

    #[test]
    fn front_is_the_inverse_of_arrival() {
        let (rate, latency, end) = (MmPerDay(1.1), Days(25.0), Mm(130.0));
        for course in [Course::DIRECT, GRAFT] {
            for step in 0..=130 {
                let x = Mm(f64::from(step));
                let there = course.front(course.arrival(x, rate, latency), rate, latency, end);
                assert!((there.0 - x.0).abs() < 1e-9, "{x:?} became {there:?}");
            }
            assert_eq!(course.front(Days(10.0), rate, latency, end), Mm(0.0));
            assert_eq!(course.front(Days(9e9), rate, latency, end), end);
        }
        // While axons wait at the second coaptation the front stands at the end of the graft.
        let waiting = 25.0 + 30.0 / (1.1 * 0.85) + 7.0;
        assert_eq!(GRAFT.front(Days(waiting), rate, latency, end), Mm(30.0));
    }
}
