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
    /// Over every rate that is possible. Where findings have ruled most of them out, three quarters as many cover the rest.
    pub rate: usize,
    /// Over the latency.
    pub latency: usize,
    /// Over the arrest point, for each 4 mm; at least 8.
    pub arrest_per_4_mm: usize,
}

impl Default for Nodes {
    fn default() -> Self {
        Self { rate: 61, latency: 11, arrest_per_4_mm: 1 }
    }
}

/// Half the width of the grid over the rate, in standard deviations.
const RATE_REACH_SD: f64 = 5.5;
/// Half the width of the grid over the latency, in standard deviations.
const LATENCY_REACH_SD: f64 = 3.5;
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

impl Evidence {
    /// Whether nothing was found that the model reads.
    pub fn is_empty(&self) -> bool {
        self.tinel.is_empty() && self.signs.is_empty()
    }
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
        self.weigh(self.days.iter().map(|day| self.delay.cdf(day - arrival)))
    }

    /// `Σ P(interval) · P(findings | interval)`, with the chance that the milestone has happened by each examination.
    fn weigh(&self, happened: impl Iterator<Item = f64>) -> f64 {
        let mut total = 0.0;
        let mut before = 0.0;
        for (by_then, weight) in happened.zip(&self.by_interval) {
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

/// The findings about several milestones of one target that were looked for on the same days.
#[derive(Clone, Debug)]
struct Group {
    position: Mm,
    sequences: Vec<Sequence>,
}

impl Group {
    /// Puts together what shares target and days.
    fn of(sequences: Vec<Sequence>) -> Vec<Self> {
        let mut groups: Vec<Self> = Vec::new();
        for sequence in sequences {
            let same = |group: &&mut Self| {
                group.position == sequence.position
                    && group.sequences.iter().all(|other| other.days == sequence.days)
            };
            match groups.iter_mut().find(same) {
                Some(group) => group.sequences.push(sequence),
                None => groups.push(Self { position: sequence.position, sequences: vec![sequence] }),
            }
        }
        groups
    }

    /// The chance of all these findings if axons arrive on day `arrival`. `logs` is room to work in.
    fn likelihood(&self, arrival: f64, logs: &mut Vec<f64>) -> f64 {
        let days = self.sequences.first().map_or(&[][..], |sequence| &sequence.days);
        logs.clear();
        logs.extend(days.iter().map(|day| if *day > arrival { libm::log(day - arrival) } else { f64::NEG_INFINITY }));
        let one = |sequence: &Sequence| sequence.weigh(logs.iter().map(|ln| sequence.delay.cdf_at_log(*ln)));
        self.sequences.iter().map(one).product()
    }

    fn never(&self) -> f64 {
        self.sequences.iter().map(Sequence::never).product()
    }
}

/// One possibility: a rate and a latency, and how likely it is with the front moving on.
#[derive(Clone, Copy, Debug)]
pub struct Node {
    /// Growth rate.
    pub rate: MmPerDay,
    /// Index of `rate` on the grid of rates.
    pub row: usize,
    /// Index of `latency` on the grid of latencies.
    pub column: usize,
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
    /// The grid of rates of the moving front; neighbours differ by the square of `half_cell`.
    rates: Vec<f64>,
    half_cell: f64,
    /// The same for the arrested front.
    coarse_rates: Vec<f64>,
    coarse_half_cell: f64,
    live: Vec<Node>,
    arrested: Vec<Arrested>,
}

impl Belief {
    /// Forms the belief from what was expected and what was found.
    pub fn form(prior: &Prior, evidence: &Evidence, nodes: Nodes) -> Self {
        let sequences: Vec<Sequence> = evidence
            .signs
            .iter()
            .map(|signs| Sequence::new(signs, evidence.false_positive, evidence.false_negative))
            .collect();
        let groups = Group::of(sequences);
        let wide = |rates, latencies| {
            (Grid::wide(prior.rate, RATE_REACH_SD, rates), Grid::wide(prior.latency, LATENCY_REACH_SD, latencies))
        };
        // A first look, and the arrested branch, which learns little about rate and latency, do with half as many each.
        let coarse = wide(nodes.rate / 2, nodes.latency / 2 + 1);
        let mut grids = wide(nodes.rate, nodes.latency);
        if !evidence.is_empty() {
            // Findings rule out most of what is possible: a first look finds what is left, which is then covered finely.
            let left = live_branch(prior, evidence, &groups, &coarse);
            grids = (
                coarse.0.around(left.iter().map(|node| node.row), nodes.rate * 3 / 4),
                coarse.1.around(left.iter().map(|node| node.column), nodes.latency),
            );
        }
        let mut live = live_branch(prior, evidence, &groups, &grids);
        let mut arrested = arrested_branch(prior, evidence, &groups, &coarse, nodes);
        normalise(&mut live, &mut arrested);
        Self {
            course: prior.course,
            end: prior.end,
            latency: prior.latency,
            rates: grids.0.values(),
            half_cell: libm::exp(0.5 * grids.0.spacing() * prior.rate.log_sd),
            coarse_rates: coarse.0.values(),
            coarse_half_cell: libm::exp(0.5 * coarse.0.spacing() * prior.rate.log_sd),
            live,
            arrested,
        }
    }

    /// What was expected before any finding, of a front that moves on.
    pub fn expected(prior: &Prior, nodes: Nodes) -> Self {
        let certain = Prior { arrest: Probability(0.0), ..*prior };
        let evidence = Evidence {
            tinel: Vec::new(),
            tinel_sd: Mm(1.0),
            signs: Vec::new(),
            false_positive: Probability(0.0),
            false_negative: Probability(0.0),
        };
        Self::form(&certain, &evidence, nodes)
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

    /// The arrival of axons at `position`, given that the front has not arrested, fine enough for milestones whose delay
    /// spreads over `spread` or more.
    pub fn arrival(&self, position: Mm, spread: Days) -> Arrival {
        let effort = self.course.effort(position).0;
        let pause = self.course.pause(position).0;
        let days = |node: &Node| node.latency.0 + pause + effort / node.rate.0;
        Arrival::binned(self.live.iter().map(|node| (days(node), node.weight)), 0.5 * spread.0)
    }

    /// The posterior of the growth rate, arrested possibilities included.
    pub fn rate(&self) -> RateBelief {
        let gather = |rates: &[f64], half_cell: f64, nodes: &mut dyn Iterator<Item = &Node>| {
            let mut cells: Vec<RateCell> =
                rates.iter().map(|rate| RateCell { rate: *rate, half: half_cell, weight: 0.0 }).collect();
            for node in nodes {
                if let Some(cell) = cells.get_mut(node.row) {
                    cell.weight += node.weight;
                }
            }
            cells
        };
        let mut cells = gather(&self.rates, self.half_cell, &mut self.live.iter());
        let arrested = &mut self.arrested.iter().map(|arrested| &arrested.node);
        cells.extend(gather(&self.coarse_rates, self.coarse_half_cell, arrested));
        cells.retain(|cell| cell.weight > NEGLIGIBLE);
        let mut belief = RateBelief { cells, latency: self.latency, slow: MmPerDay(1.0) };
        belief.slow = belief.quantile(0.12);
        belief
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

/// Evenly spaced nodes over a log-normal quantity, in standard deviations of its logarithm.
#[derive(Clone, Debug)]
struct Grid {
    distribution: LogNormal,
    from_sd: f64,
    to_sd: f64,
    count: usize,
}

impl Grid {
    /// Over everything that is possible.
    fn wide(distribution: LogNormal, reach_sd: f64, count: usize) -> Self {
        Self { distribution, from_sd: -reach_sd, to_sd: reach_sd, count: count.max(2) }
    }

    /// `count` nodes over those that are left, and one further to each side.
    fn around(&self, left: impl Iterator<Item = usize>, count: usize) -> Self {
        let (first, last) = left.fold((usize::MAX, 0), |(first, last), i| (i.min(first), i.max(last)));
        if first > last {
            return self.clone();
        }
        let place = |i: usize| self.from_sd + self.spacing() * i as f64;
        Self { from_sd: place(first) - self.spacing(), to_sd: place(last) + self.spacing(), count, ..self.clone() }
    }

    fn spacing(&self) -> f64 {
        (self.to_sd - self.from_sd) / (self.count - 1) as f64
    }

    /// Each node's value and its share of the whole distribution.
    fn nodes(&self) -> Vec<(f64, f64)> {
        let peak = 0.5 * std::f64::consts::FRAC_2_SQRT_PI * std::f64::consts::FRAC_1_SQRT_2;
        let node = |i: usize| {
            let z = self.from_sd + self.spacing() * i as f64;
            (self.distribution.at(z), peak * self.spacing() * libm::exp(-0.5 * z * z))
        };
        (0..self.count).map(node).collect()
    }

    fn values(&self) -> Vec<f64> {
        self.nodes().into_iter().map(|(value, _)| value).collect()
    }
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
    groups: &[Group],
    grids: &(Grid, Grid),
) -> Vec<Node> {
    let alive = 1.0 - prior.arrest.0;
    let (rates, latencies) = (grids.0.nodes(), grids.1.nodes());
    let mut nodes = Vec::with_capacity(rates.len() * latencies.len());
    for (row, &(rate, rate_weight)) in rates.iter().enumerate() {
        for (column, &(latency, latency_weight)) in latencies.iter().enumerate() {
            let (rate, latency) = (MmPerDay(rate), Days(latency));
            let front = |tinel: &Tinel| prior.course.front(Days(tinel.day), rate, latency, prior.end).0;
            let found = tinel_likelihood(evidence, evidence.tinel.iter().map(front));
            nodes.push(Node { rate, row, column, latency, weight: alive * rate_weight * latency_weight * found });
        }
    }
    // Most possibilities are ruled out by the Tinel distances alone; the rest is weighed against the signs.
    prune(&mut nodes);
    let mut logs = Vec::new();
    for node in &mut nodes {
        for group in groups {
            let arrival = prior.course.arrival(group.position, node.rate, node.latency).0;
            node.weight *= group.likelihood(arrival, &mut logs);
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
    groups: &[Group],
    grids: &(Grid, Grid),
    nodes: Nodes,
) -> Vec<Arrested> {
    if prior.arrest.0 <= 0.0 {
        return Vec::new();
    }
    let points = ((prior.arrest_spread.0 / 4.0).ceil() as usize * nodes.arrest_per_4_mm).max(8);
    let (rates, latencies) = (grids.0.nodes(), grids.1.nodes());
    let total = |grid: &[(f64, f64)]| grid.iter().map(|(_, weight)| weight).sum::<f64>();
    let share = prior.arrest.0 / (total(&rates) * total(&latencies) * points as f64);
    let never: f64 = groups.iter().map(Group::never).product();
    let mut arrested = Vec::with_capacity(rates.len() * latencies.len() * points);
    for (row, &(rate, rate_weight)) in rates.iter().enumerate() {
        for (column, &(latency, latency_weight)) in latencies.iter().enumerate() {
            let (rate, latency) = (MmPerDay(rate), Days(latency));
            let front = |tinel: &Tinel| prior.course.front(Days(tinel.day), rate, latency, prior.end).0;
            let fronts: Vec<f64> = evidence.tinel.iter().map(front).collect();
            for point in 0..points {
                let at = prior.arrest_spread.0 * (point as f64 + 0.5) / points as f64;
                let found = tinel_likelihood(evidence, fronts.iter().map(|front| front.min(at)))
                    * signs_likelihood(prior, groups, never, (rate, latency), at);
                let weight = share * rate_weight * latency_weight * found;
                arrested.push(Arrested { node: Node { rate, row, column, latency, weight }, at: Mm(at) });
            }
        }
    }
    arrested
}

/// Chance of all signs when the front stopped `at`: targets short of it behave as ever, the others never show a sign.
fn signs_likelihood(prior: &Prior, groups: &[Group], never: f64, growth: (MmPerDay, Days), at: f64) -> f64 {
    if groups.iter().all(|group| group.position.0 > at) {
        return never;
    }
    let mut logs = Vec::new();
    let one = |group: &Group| {
        if group.position.0 > at {
            group.never()
        } else {
            group.likelihood(prior.course.arrival(group.position, growth.0, growth.1).0, &mut logs)
        }
    };
    groups.iter().map(one).product()
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

/// Fewest and most bins of an [`Arrival`].
const BINS: (f64, f64) = (32.0, 256.0);

impl Arrival {
    fn binned(nodes: impl Iterator<Item = (f64, f64)> + Clone, width_days: f64) -> Self {
        // The bins cover what is likely evenly; what is not goes into the first and the last.
        let best = nodes.clone().map(|(_, weight)| weight).fold(0.0, f64::max);
        let likely = nodes.clone().filter(|(_, weight)| *weight > best * 1e-4);
        let (low, high) = likely.fold((f64::INFINITY, 0.0), |(low, high), (day, _)| (day.min(low), day.max(high)));
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
    pub fn quantiles<const N: usize>(&self, delay: LogNormal, own: Option<&Sequence>, chances: [f64; N]) -> [Days; N] {
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

/// Travel times this far apart, in days, are smoothed over by the spread of the latency.
const SMOOTH_DAYS: f64 = 8.0;

/// The posterior of the growth rate.
#[derive(Clone, Debug, PartialEq)]
pub struct RateBelief {
    cells: Vec<RateCell>,
    latency: LogNormal,
    /// A rate that nine in ten exceed, roughly: where to start looking for slow travel times.
    slow: MmPerDay,
}

/// A rate that stands for the cell from `rate / half` to `rate × half`, inside which the chance is even.
#[derive(Clone, Copy, Debug, PartialEq)]
struct RateCell {
    rate: f64,
    half: f64,
    weight: f64,
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
