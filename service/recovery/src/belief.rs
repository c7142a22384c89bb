//! What is believed of one repair: a distribution over growth rate, latency and arrest, updated by what was found.
//!
//! Before any finding `ln r ~ N(ln ρ, σ_r²)`, `ln L ~ N(ln λ, σ_L²)`, and with chance `π` the front is arrested at a
//! point spread evenly over the repair. Findings update this exactly, by quadrature over `(r, L)` and the arrest point,
//! never by sampling. The nodes are evenly spaced in standard deviations: for smooth integrands that vanish at both
//! ends this converges faster than any power of the spacing.

use crate::growth::Course;
use crate::normal::{LogNormal, Shape};
use crate::unit::{Days, Mm, MmPerDay, Probability};

/// How many nodes to use in each direction. Doubling all of them moves no percentile by half a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Nodes {
    /// Over the rate.
    pub rate: usize,
    /// Over the latency.
    pub latency: usize,
    /// Over the arrest point, for each 4 mm; at least 8.
    pub arrest_per_4_mm: usize,
}

impl Default for Nodes {
    fn default() -> Self {
        Self { rate: 43, latency: 9, arrest_per_4_mm: 1 }
    }
}

/// Half the width of the grid over the rate, in standard deviations.
const RATE_REACH_SD: f64 = 4.5;
/// Half the width of the grid over the latency, in standard deviations.
const LATENCY_REACH_SD: f64 = 3.5;
/// The arrested branch learns little about rate and latency: every third rate and every second latency is enough.
const ARREST_STRIDE: (usize, usize) = (3, 2);
/// Nodes this much less likely than the best are left out.
const NEGLIGIBLE: f64 = 1e-8;

/// What is believed before any finding.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Growth rate, mm a day.
    pub rate: LogNormal,
    /// Latency, days.
    pub latency: LogNormal,
    /// The way of the axons.
    pub course: Course,
    /// End of the path of the furthest target.
    pub end: Mm,
    /// Chance of arrest `π`.
    pub arrest: Probability,
    /// An arrested front stops evenly within `[0, this]`.
    pub arrest_spread: Mm,
}

/// Where a Tinel sign was found, and when.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tinel {
    /// Days after the repair.
    pub day: f64,
    /// Distal to the proximal coaptation.
    pub at: Mm,
}

/// Whether a sign was seen, and when.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// Days after the repair.
    pub day: f64,
    /// Whether the sign was seen.
    pub seen: bool,
}

/// All that was found about one milestone of one target, in order of days.
#[derive(Clone, Debug, PartialEq)]
pub struct Signs {
    /// Position of the target, mm from the proximal coaptation.
    pub position: Mm,
    /// Delay of the milestone after arrival.
    pub delay: LogNormal,
    /// The examinations, in order of days.
    pub looks: Vec<Look>,
}

/// All findings of one repair.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// Tinel distances.
    pub tinel: Vec<Tinel>,
    /// Their standard deviation.
    pub tinel_sd: Mm,
    /// Signs, one entry for each milestone of each target that was looked for.
    pub signs: Vec<Signs>,
    /// Chance that a sign is seen that is not there.
    pub false_positive: Probability,
    /// Chance that a sign that is there is not seen.
    pub false_negative: Probability,
}

/// The findings about one milestone, ready to be weighed against any arrival time.
///
/// The milestone happens in one of the `K + 1` intervals between `K` examinations. `by_interval[i]` is the chance of
/// exactly these findings if it happens in interval `i`: absent at the first `i` examinations, present at the rest.
#[derive(Clone, Debug)]
pub struct Sequence {
    position: Mm,
    delay: Shape,
    days: Vec<f64>,
    by_interval: Vec<f64>,
}

impl Sequence {
    /// Prepares the findings about one milestone.
    pub fn new(signs: &Signs, false_positive: Probability, false_negative: Probability) -> Self {
        let chance = |look: &Look, present: bool| match (look.seen, present) {
            (true, true) => 1.0 - false_negative.0,
            (false, true) => false_negative.0,
            (true, false) => false_positive.0,
            (false, false) => 1.0 - false_positive.0,
        };
        let interval = |first_present: usize| {
            signs.looks.iter().enumerate().map(|(k, look)| chance(look, k >= first_present)).product()
        };
        Self {
            position: signs.position,
            delay: signs.delay.shape(),
            days: signs.looks.iter().map(|look| look.day).collect(),
            by_interval: (0..=signs.looks.len()).map(interval).collect(),
        }
    }

    /// The chance of these findings if axons arrive on day `arrival`.
    pub fn likelihood(&self, arrival: f64) -> f64 {
        let mut total = 0.0;
        let mut before = 0.0;
        for (day, weight) in self.days.iter().zip(&self.by_interval) {
            let by_then = self.delay.cdf(day - arrival);
            total += weight * (by_then - before);
            before = by_then;
        }
        total + self.never() * (1.0 - before)
    }

    /// The chance of these findings if the sign is never there.
    pub fn never(&self) -> f64 {
        self.by_interval.last().copied().unwrap_or(1.0)
    }
}

/// One possibility: a rate and a latency, and how likely it is with the front moving on.
#[derive(Clone, Copy, Debug)]
pub struct Node {
    /// Growth rate.
    pub rate: MmPerDay,
    /// Index of `rate` on the grid of rates.
    pub row: usize,
    /// Latency.
    pub latency: Days,
    /// Chance of this possibility, all findings considered.
    pub weight: f64,
}

/// One possibility of an arrested front.
#[derive(Clone, Copy, Debug)]
struct Arrested {
    node: Node,
    /// Where the front stopped.
    at: Mm,
}

/// What is believed of one repair, all findings considered.
#[derive(Clone, Debug)]
pub struct Belief {
    course: Course,
    end: Mm,
    latency: LogNormal,
    /// The grid of rates; neighbours differ by the square of `half_cell`.
    rates: Vec<f64>,
    half_cell: f64,
    live: Vec<Node>,
    arrested: Vec<Arrested>,
}

impl Belief {
    /// Forms the belief from what was expected and what was found.
    pub fn form(prior: &Prior, evidence: &Evidence, nodes: Nodes) -> Self {
        let rates = grid(prior.rate, RATE_REACH_SD, nodes.rate);
        let latencies = grid(prior.latency, LATENCY_REACH_SD, nodes.latency);
        let sequences: Vec<Sequence> = evidence
            .signs
            .iter()
            .map(|signs| Sequence::new(signs, evidence.false_positive, evidence.false_negative))
            .collect();
        let mut live = live_branch(prior, evidence, &sequences, &rates, &latencies);
        let mut arrested = arrested_branch(prior, evidence, &sequences, &rates, &latencies, nodes);
        normalise(&mut live, &mut arrested);
        let spacing = 2.0 * RATE_REACH_SD / (rates.len() - 1).max(1) as f64;
        Self {
            course: prior.course,
            end: prior.end,
            latency: prior.latency,
            rates: rates.iter().map(|(rate, _)| *rate).collect(),
            half_cell: libm::exp(0.5 * spacing * prior.rate.log_sd),
            live,
            arrested,
        }
    }

    /// `P(arrest)`: the chance that the front has stopped in or near the repair.
    pub fn arrest(&self) -> Probability {
        Probability(self.arrested.iter().map(|arrested| arrested.node.weight).sum())
    }

    /// The chance that axons reach `position` by `day`, arrest included.
    pub fn reached_by(&self, position: Mm, day: Days) -> Probability {
        let effort = self.course.effort(position).0;
        let pause = self.course.pause(position).0;
        // Each node stands for a cell of rates; where the cell straddles the limit, the part of it that is in time counts.
        let share = |node: &Node| {
            let travel = day.0 - node.latency.0 - pause;
            let (fast, slow) = (effort / (node.rate.0 * self.half_cell), effort / node.rate.0 * self.half_cell);
            if slow > fast { ((travel - fast) / (slow - fast)).clamp(0.0, 1.0) } else { f64::from(travel >= 0.0) }
        };
        let live: f64 = self.live.iter().map(|node| node.weight * share(node)).sum();
        let short_of_arrest = self.arrested.iter().filter(|arrested| position <= arrested.at);
        let arrested: f64 = short_of_arrest.map(|arrested| arrested.node.weight * share(&arrested.node)).sum();
        Probability((live + arrested).clamp(0.0, 1.0))
    }

    /// The arrival of axons at `position`, given that the front has not arrested.
    pub fn arrival(&self, position: Mm) -> Arrival {
        let effort = self.course.effort(position).0;
        let pause = self.course.pause(position).0;
        let days = |node: &Node| node.latency.0 + pause + effort / node.rate.0;
        Arrival::binned(self.live.iter().map(|node| (days(node), node.weight)))
    }

    /// The posterior of the growth rate, arrested possibilities included.
    pub fn rate(&self) -> RateBelief {
        let mut weights: Vec<(f64, f64)> = self.rates.iter().map(|rate| (*rate, 0.0)).collect();
        for node in self.live.iter().chain(self.arrested.iter().map(|arrested| &arrested.node)) {
            if let Some(row) = weights.get_mut(node.row) {
                row.1 += node.weight;
            }
        }
        weights.retain(|row| row.1 > NEGLIGIBLE);
        RateBelief { weights, half_cell: self.half_cell, latency: self.latency }
    }

    /// Where the front, and with it the Tinel sign, should be on `day` if it has not arrested: 10th and 90th percentile.
    pub fn front_band(&self, day: Days) -> (Mm, Mm) {
        let front = |node: &Node| self.course.front(day, node.rate, node.latency, self.end).0;
        let mut fronts: Vec<(f64, f64)> = self.live.iter().map(|node| (front(node), node.weight)).collect();
        fronts.sort_by(|a, b| a.0.total_cmp(&b.0));
        let total: f64 = fronts.iter().map(|(_, weight)| weight).sum();
        let quantile = |p: f64| {
            let mut below = 0.0;
            let reached = fronts.iter().find(|(_, weight)| {
                below += weight;
                below >= p * total
            });
            Mm(reached.map_or(0.0, |(mm, _)| *mm))
        };
        (quantile(0.1), quantile(0.9))
    }
}

/// Values and normalised weights of a log-normal quantity on evenly spaced standard deviations.
fn grid(distribution: LogNormal, reach_sd: f64, count: usize) -> Vec<(f64, f64)> {
    let count = count.max(2);
    let z = |i: usize| reach_sd * (2.0 * i as f64 / (count - 1) as f64 - 1.0);
    let weight = |z: f64| libm::exp(-0.5 * z * z);
    let total: f64 = (0..count).map(|i| weight(z(i))).sum();
    (0..count).map(|i| (distribution.at(z(i)), weight(z(i)) / total)).collect()
}

/// The chance of all Tinel distances, up to a constant factor, when the front was at `fronts` on their days.
fn tinel_likelihood(evidence: &Evidence, fronts: impl Iterator<Item = f64>) -> f64 {
    let squares: f64 = evidence.tinel.iter().zip(fronts).map(|(tinel, front)| (tinel.at.0 - front) * (tinel.at.0 - front)).sum();
    if squares == 0.0 { 1.0 } else { libm::exp(-0.5 * squares / (evidence.tinel_sd.0 * evidence.tinel_sd.0)) }
}

/// All possibilities in which the front moves on, weighed against the findings.
fn live_branch(
    prior: &Prior,
    evidence: &Evidence,
    sequences: &[Sequence],
    rates: &[(f64, f64)],
    latencies: &[(f64, f64)],
) -> Vec<Node> {
    let alive = 1.0 - prior.arrest.0;
    let mut nodes = Vec::with_capacity(rates.len() * latencies.len());
    for (row, &(rate, rate_weight)) in rates.iter().enumerate() {
        for &(latency, latency_weight) in latencies {
            let (rate, latency) = (MmPerDay(rate), Days(latency));
            let front = |tinel: &Tinel| prior.course.front(Days(tinel.day), rate, latency, prior.end).0;
            let found = tinel_likelihood(evidence, evidence.tinel.iter().map(front));
            nodes.push(Node { rate, row, latency, weight: alive * rate_weight * latency_weight * found });
        }
    }
    // Most possibilities are ruled out by the Tinel distances alone; the rest is weighed against the signs.
    prune(&mut nodes);
    for node in &mut nodes {
        for sequence in sequences {
            let arrival = prior.course.arrival(sequence.position, node.rate, node.latency).0;
            node.weight *= sequence.likelihood(arrival);
        }
    }
    prune(&mut nodes);
    nodes
}

/// Leaves out what cannot matter.
fn prune(nodes: &mut Vec<Node>) {
    let best = nodes.iter().map(|node| node.weight).fold(0.0, f64::max);
    nodes.retain(|node| node.weight > best * NEGLIGIBLE);
}

/// All possibilities in which the front stopped, on a coarser grid.
fn arrested_branch(
    prior: &Prior,
    evidence: &Evidence,
    sequences: &[Sequence],
    rates: &[(f64, f64)],
    latencies: &[(f64, f64)],
    nodes: Nodes,
) -> Vec<Arrested> {
    let points = ((prior.arrest_spread.0 / 4.0).ceil() as usize * nodes.arrest_per_4_mm).max(8);
    let coarse = |grid: &[(f64, f64)], stride: usize| -> Vec<(usize, (f64, f64))> {
        // Starts so that it ends as far from the edge as it began: a lopsided choice would shift the rate.
        let start = (0..stride).find(|start| (grid.len() + 2 * stride - 1 - 2 * start) % stride == 0).unwrap_or(0);
        grid.iter().copied().enumerate().skip(start).step_by(stride).collect()
    };
    let (rates, latencies) = (coarse(rates, ARREST_STRIDE.0), coarse(latencies, ARREST_STRIDE.1));
    let total = |grid: &[(usize, (f64, f64))]| grid.iter().map(|(_, (_, weight))| weight).sum::<f64>();
    let share = prior.arrest.0 / (total(&rates) * total(&latencies) * points as f64);
    let never: f64 = sequences.iter().map(Sequence::never).product();
    let mut arrested = Vec::with_capacity(rates.len() * latencies.len() * points);
    for &(row, (rate, rate_weight)) in &rates {
        for &(_, (latency, latency_weight)) in &latencies {
            let (rate, latency) = (MmPerDay(rate), Days(latency));
            let front = |tinel: &Tinel| prior.course.front(Days(tinel.day), rate, latency, prior.end).0;
            let fronts: Vec<f64> = evidence.tinel.iter().map(front).collect();
            for point in 0..points {
                let at = prior.arrest_spread.0 * (point as f64 + 0.5) / points as f64;
                let found = tinel_likelihood(evidence, fronts.iter().map(|front| front.min(at)))
                    * signs_likelihood(prior, sequences, never, (rate, latency), at);
                let weight = share * rate_weight * latency_weight * found;
                arrested.push(Arrested { node: Node { rate, row, latency, weight }, at: Mm(at) });
            }
        }
    }
    arrested
}

/// Chance of all signs when the front stopped `at`: targets short of it behave as ever, the others never show a sign.
fn signs_likelihood(prior: &Prior, sequences: &[Sequence], never: f64, growth: (MmPerDay, Days), at: f64) -> f64 {
    if sequences.iter().all(|sequence| sequence.position.0 > at) {
        return never;
    }
    let one = |sequence: &Sequence| {
        if sequence.position.0 > at {
            sequence.never()
        } else {
            sequence.likelihood(prior.course.arrival(sequence.position, growth.0, growth.1).0)
        }
    };
    sequences.iter().map(one).product()
}

/// Makes all weights add up to 1.
fn normalise(live: &mut [Node], arrested: &mut [Arrested]) {
    let all: f64 = live.iter().map(|node| node.weight).sum::<f64>()
        + arrested.iter().map(|arrested| arrested.node.weight).sum::<f64>();
    for node in live.iter_mut().chain(arrested.iter_mut().map(|arrested| &mut arrested.node)) {
        node.weight /= all;
    }
}

/// The distribution of an arrival time, gathered in bins narrow against the spread of any milestone.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrival {
    /// Mean day and weight of each bin, in order of days.
    bins: Vec<(f64, f64)>,
}

/// Bins of an [`Arrival`].
const BINS: usize = 48;

impl Arrival {
    fn binned(nodes: impl Iterator<Item = (f64, f64)> + Clone) -> Self {
        let (low, high) =
            nodes.clone().fold((f64::INFINITY, 0.0), |(low, high), (day, _)| (day.min(low), day.max(high)));
        let scale = if high > low { (BINS - 1) as f64 / (high - low) } else { 0.0 };
        let mut bins = vec![(0.0, 0.0); BINS];
        for (day, weight) in nodes {
            if let Some(bin) = bins.get_mut(((day - low) * scale) as usize) {
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
    pub fn quantiles<const N: usize>(&self, delay: LogNormal, own: Option<&Sequence>, chances: [f64; N]) -> [Days; N] {
        let unobserved = Sequence { position: Mm(0.0), delay: delay.shape(), days: Vec::new(), by_interval: vec![1.0] };
        let due = Due::new(&self.bins, own.unwrap_or(&unobserved));
        chances.map(|p| Days(due.quantile(p)))
    }
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
        let apart = |&(day, weight): &(f64, f64)| (day, weight / sequence.likelihood(day).max(f64::MIN_POSITIVE));
        let bins: Vec<(f64, f64)> = bins.iter().map(apart).collect();
        let mut due = Self { sequence, bins, intervals: vec![(0.0, 0.0, 0.0)], total: 0.0 };
        let (mut g_before, mut gathered) = (0.0, 0.0);
        for (day, found) in sequence.days.iter().zip(&sequence.by_interval) {
            let g = due.g(*day).0;
            gathered += found * (g - g_before);
            g_before = g;
            due.intervals.push((*day, g, gathered));
        }
        let all: f64 = due.bins.iter().map(|bin| bin.1).sum();
        due.total = gathered + sequence.never() * (all - g_before);
        due
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
fn solve(f: impl Fn(f64) -> (f64, f64), (low, high): (f64, f64), start: f64) -> f64 {
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
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if high - low < 1e-3 {
            return next;
        }
        if (next - x).abs() < 0.05 && next == newton {
            return next;
        }
        x = next;
    }
    x
}

/// The posterior of the growth rate.
#[derive(Clone, Debug, PartialEq)]
pub struct RateBelief {
    /// Rates in order, each with its weight.
    weights: Vec<(f64, f64)>,
    half_cell: f64,
    latency: LogNormal,
}

impl RateBelief {
    /// The rate below which the truth lies with chance `p`.
    pub fn quantile(&self, p: f64) -> MmPerDay {
        // Each rate stands for the cell around it; inside the cell the chance grows evenly.
        let wanted = p * self.weights.iter().map(|(_, weight)| weight).sum::<f64>();
        let mut below = 0.0;
        for (rate, weight) in &self.weights {
            if below + weight >= wanted {
                let (low, high) = (rate / self.half_cell, rate * self.half_cell);
                return MmPerDay(low + (high - low) * (wanted - below) / weight);
            }
            below += weight;
        }
        MmPerDay(self.weights.last().map_or(0.0, |(rate, _)| *rate))
    }

    /// Days within which nine of ten fronts of a *new* coaptation would travel to `position` on `course`: this patient's
    /// rate, a fresh latency.
    pub fn travel_p90(&self, course: &Course, position: Mm) -> Days {
        let effort = course.effort(position).0;
        let pause = course.pause(position).0;
        let latency = self.latency.shape();
        let all: f64 = self.weights.iter().map(|(_, weight)| weight).sum();
        let arrived = |day: f64| {
            let mut sum = (-0.9 * all, 0.0);
            for (rate, weight) in &self.weights {
                let (below, density) = latency.both(day - pause - effort / rate);
                sum.0 += weight * below;
                sum.1 += weight * density;
            }
            sum
        };
        let slowest = self.weights.first().map_or(1.0, |w| w.0);
        let high = self.latency.at(6.0) + pause + effort / slowest;
        let start = self.latency.median + pause + effort / self.quantile(0.12).0;
        Days(solve(arrived, (0.0, high), start))
    }
}
