//! When axons arrive at one place, and when each milestone is due there.

use super::evidence::Sequence;
use crate::normal::LogNormal;
use crate::unit::{Days, Mm, Probability};

/// The distribution of an arrival time, gathered in bins narrow against the spread of any milestone.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrival {
    /// Mean day and weight of each bin, in order of days.
    bins: Vec<(f64, f64)>,
}

/// Fewest and most bins of an [`Arrival`].
const BINS: (f64, f64) = (32.0, 256.0);

impl Arrival {
    pub(super) fn binned(nodes: impl Iterator<Item = (f64, f64)> + Clone, width_days: f64) -> Self {
        // The bins cover what is likely evenly; what is not goes into the first and the last.
        let best = nodes.clone().map(|(_, weight)| weight).fold(0.0, f64::max);
        let likely = nodes.clone().filter(|(_, weight)| *weight > best * 1e-4);
        let (low, high) =
            likely.fold((f64::INFINITY, 0.0), |(low, high), (day, _)| (day.min(low), day.max(high)));
        let last = ((high - low) / width_days).clamp(BINS.0, BINS.1).floor();
        let scale = if high > low { last / (high - low) } else { 0.0 };
        let mut bins = vec![(0.0, 0.0); last as usize + 1];
        for (day, weight) in nodes {
            let index = ((day - low) * scale).clamp(0.0, last) as usize;
            if let Some(bin) = bins.get_mut(index) {
                bin.0 += day * weight;
                bin.1 += weight;
            }
        }
        bins.retain(|bin| bin.1 > 0.0);
        for bin in &mut bins {
            bin.0 /= bin.1;
        }
        Self { bins }
    }

    /// Day by which the milestone has happened with chance `p`, for each `p` of `chances`, given the findings about it.
    ///
    /// `delay` is the milestone's own delay after arrival, `own` the findings about this very milestone: they are already
    /// part of the belief, and beyond that they say in which interval between examinations it happened.
    pub fn quantiles<const N: usize>(
        &self,
        delay: LogNormal,
        own: Option<&Sequence>,
        chances: [f64; N],
    ) -> [Days; N] {
        let unobserved = unobserved(delay);
        let due = Due::new(&self.bins, own.unwrap_or(&unobserved));
        chances.map(|p| Days(due.quantile(p)))
    }

    /// The chance that the milestone has happened by `day`: the inverse of [`Arrival::quantiles`].
    pub fn chance_by(&self, delay: LogNormal, own: Option<&Sequence>, day: Days) -> Probability {
        let unobserved = unobserved(delay);
        let due = Due::new(&self.bins, own.unwrap_or(&unobserved));
        Probability(due.gathered_by(day.0) / due.total)
    }
}

/// A milestone nobody has looked for.
fn unobserved(delay: LogNormal) -> Sequence {
    Sequence { position: Mm(0.0), delay: delay.shape(), days: Vec::new(), by_interval: vec![1.0] }
}

/// The distribution of the day of one milestone: arrival plus delay, reweighed interval by interval by what was found.
///
/// With `w` the weight of a bin apart from this milestone's findings, `G(t) = Σ w·P(T ≤ t | arrival)`; in interval `i` the
/// chance grows by `ℓ_i·dG`, where `ℓ_i` is the chance of exactly these findings if the milestone happens there.
struct Due<'a> {
    sequence: &'a Sequence,
    /// Arrival day and weight `w` of each bin.
    bins: Vec<(f64, f64)>,
    /// Of each interval: where it begins, `G` there, and the chance (not normalised) that has gathered before it.
    intervals: Vec<(f64, f64, f64)>,
    total: f64,
}

impl<'a> Due<'a> {
    fn new(bins: &[(f64, f64)], sequence: &'a Sequence) -> Self {
        let days = sequence.days.len();
        // G at each examination, and the weight of each bin apart from this milestone's findings.
        let mut g = vec![0.0; days];
        let mut happened = vec![0.0; days];
        let mut apart = Vec::with_capacity(bins.len());
        for &(arrival, weight) in bins {
            for (by_then, day) in happened.iter_mut().zip(&sequence.days) {
                *by_then = sequence.delay.cdf(day - arrival);
            }
            let weight = weight / sequence.weigh(happened.iter().copied()).max(f64::MIN_POSITIVE);
            for (sum, by_then) in g.iter_mut().zip(&happened) {
                *sum += weight * by_then;
            }
            apart.push((arrival, weight));
        }
        let mut intervals = vec![(0.0, 0.0, 0.0)];
        let (mut before, mut gathered) = (0.0, 0.0);
        for ((day, found), g) in sequence.days.iter().zip(&sequence.by_interval).zip(g) {
            gathered += found * (g - before);
            before = g;
            intervals.push((*day, g, gathered));
        }
        let all: f64 = apart.iter().map(|bin| bin.1).sum();
        Self { sequence, bins: apart, intervals, total: gathered + sequence.never() * (all - before) }
    }

    /// `G(t)` and its slope.
    fn g(&self, t: f64) -> (f64, f64) {
        let mut sum = (0.0, 0.0);
        for (arrival, weight) in &self.bins {
            let (below, density) = self.sequence.delay.both(t - arrival);
            sum.0 += weight * below;
            sum.1 += weight * density;
        }
        sum
    }

    /// The chance, not normalised, that the milestone has happened by day `t`.
    fn gathered_by(&self, t: f64) -> f64 {
        let index = self.intervals.partition_point(|(begins, ..)| *begins <= t).max(1) - 1;
        let Some(&(_, g, gathered)) = self.intervals.get(index) else { return 0.0 };
        gathered + self.sequence.by_interval.get(index).copied().unwrap_or(1.0) * (self.g(t).0 - g)
    }

    fn quantile(&self, p: f64) -> f64 {
        let wanted = p * self.total;
        let index = self.intervals.partition_point(|(_, _, gathered)| *gathered <= wanted).max(1) - 1;
        let Some(&(begins, g, gathered)) = self.intervals.get(index) else { return 0.0 };
        let found = self.sequence.by_interval.get(index).copied().unwrap_or(1.0);
        let end = self.bins.last().map_or(0.0, |bin| bin.0) + self.sequence.delay.at(6.0);
        let ends = self.intervals.get(index + 1).map_or(end, |next| next.0);
        let target = g + (wanted - gathered) / found;
        let distance = |t| {
            let (below, density) = self.g(t);
            (below - target, density)
        };
        solve(distance, (begins, ends), self.guess(p))
    }

    /// Where a quantile would be if arrival were normal and independent of the delay: a place to start.
    fn guess(&self, p: f64) -> f64 {
        let all: f64 = self.bins.iter().map(|bin| bin.1).sum();
        let mean = self.bins.iter().map(|bin| bin.0 * bin.1).sum::<f64>() / all;
        let variance = self.bins.iter().map(|bin| (bin.0 - mean) * (bin.0 - mean) * bin.1).sum::<f64>() / all;
        // The logistic curve is near enough to the normal one.
        let z = libm::log(p / (1.0 - p)) / 1.702;
        let (median, at_z) = (self.sequence.delay.at(0.0), self.sequence.delay.at(z));
        let spread = (z * z * variance + (at_z - median) * (at_z - median)).sqrt();
        mean + median + spread.copysign(z)
    }
}

/// Where the increasing function `f`, given with its slope, crosses zero between `low` and `high`, to about a thousandth.
///
/// Newton's steps, and bisection wherever a step would leave the bracket. The error shrinks with the square of the step: after
/// one of a twentieth of a day it is far below a thousandth.
pub(super) fn solve(f: impl Fn(f64) -> (f64, f64), (low, high): (f64, f64), start: f64) -> f64 {
    let (mut low, mut high) = (low, high.max(low));
    let mut x = if start > low && start < high { start } else { 0.5 * (low + high) };
    for _ in 0..60 {
        let (value, slope) = f(x);
        if value < 0.0 {
            low = x;
        } else {
            high = x;
        }
        let step = value / slope;
        let newton = x - step;
        let inside = newton > low && newton < high;
        let next = if inside { newton } else { 0.5 * (low + high) };
        if high - low < 1e-3 {
            return next;
        }
        if inside && step.abs() < 0.05 {
            return next;
        }
        x = next;
    }
    x
}
