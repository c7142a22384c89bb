//! What is believed of one repair: a distribution over growth rate, latency and arrest, updated by what was found.
//!
//! Before any finding `ln r ~ N(ln ρ, σ_r²)`, `ln L ~ N(ln λ, σ_L²)`, and with chance `π` the front is arrested at a
//! point spread evenly over the repair. Findings update this exactly, by quadrature over `(r, L)` and the arrest point,
//! never by sampling. The nodes are evenly spaced in standard deviations: for smooth integrands that vanish at both
//! ends this converges faster than any power of the spacing.

mod arrival;
mod evidence;
mod grid;
mod rate;

pub use arrival::Arrival;
pub use evidence::{Evidence, Look, Sequence, Signs, Tinel};
pub use rate::RateBelief;

use crate::growth::Course;
use crate::normal::LogNormal;
use crate::unit::{Days, Mm, MmPerDay, Probability};
use evidence::Group;
use grid::Grid;
use rate::RateCell;

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
/// Less than this is not told from nothing.
const VANISHING: f64 = 1e-200;

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
            (
                Grid::wide(prior.rate, RATE_REACH_SD, rates),
                Grid::wide(prior.latency, LATENCY_REACH_SD, latencies),
            )
        };
        // A first look, and the arrested branch, which learns little about rate and latency, do with half as many each.
        let coarse = wide(nodes.rate / 2, nodes.latency / 2 + 1);
        let weigh = |least: Least| {
            let mut grids = wide(nodes.rate, nodes.latency);
            if !evidence.is_empty() {
                // Findings rule out most of what is possible: a first look finds what is left, which is then covered finely.
                let left = live_branch(prior, evidence, &groups, &coarse, least);
                grids = (
                    coarse.0.around(left.iter().map(|node| node.row), nodes.rate * 3 / 4),
                    coarse.1.around(left.iter().map(|node| node.column), nodes.latency),
                );
            }
            let live = live_branch(prior, evidence, &groups, &grids, least);
            let arrested = arrested_branch(prior, evidence, &groups, &coarse, nodes, least);
            (grids, live, arrested)
        };
        let (mut grids, mut live, mut arrested) = weigh(Least::default());
        if live.iter().map(|node| node.weight).sum::<f64>() < VANISHING {
            // The Tinel distances are so far from any front that a number cannot hold how unlikely that is: they are weighed
            // against the least unlikely instead.
            let least = Least::of(prior, evidence, &coarse);
            (grids, live, arrested) = weigh(least);
            least.level(evidence, &mut live, &mut arrested);
        }
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
            let (fast, slow) =
                (effort / (node.rate.0 * self.half_cell), effort / node.rate.0 * self.half_cell);
            if slow > fast {
                ((travel - fast) / (slow - fast)).clamp(0.0, 1.0)
            } else {
                f64::from(travel >= 0.0)
            }
        };
        let live: f64 = self.live.iter().map(|node| node.weight * share(node)).sum();
        let short_of_arrest = self.arrested.iter().filter(|arrested| position <= arrested.at);
        let arrested: f64 =
            short_of_arrest.map(|arrested| arrested.node.weight * share(&arrested.node)).sum();
        Probability((live + arrested).clamp(0.0, 1.0))
    }

    /// The arrival of axons at `position`, given that the front has not arrested, fine enough for milestones whose delay
    /// spreads over `spread` or more.
    pub fn arrival(&self, position: Mm, spread: Days) -> Arrival {
        let effort = self.course.effort(position).0;
        let pause = self.course.pause(position).0;
        let days = |node: &Node| node.latency.0 + pause + effort / node.rate.0;
        Arrival::binned(self.live.iter().map(|node| (days(node), node.weight)), 0.6 * spread.0)
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

    /// How far the front can go, to the millimetre: the end of the path of the furthest target.
    pub fn end(&self) -> Mm {
        Mm(self.end.0.max(0.0).round())
    }

    /// Where the front, and with it the Tinel sign, should be on `day` if it has not arrested: 10th and 90th percentile, to the
    /// millimetre.
    pub fn front_band(&self, day: Days) -> (Mm, Mm) {
        let [low, high] = self.front_quantiles(day, [0.1, 0.9]);
        (low, high)
    }

    /// The same for any percentiles `p`, each a share between 0 and 1.
    pub fn front_quantiles<const N: usize>(&self, day: Days, p: [f64; N]) -> [Mm; N] {
        let mut at = vec![0.0; self.end.0.max(0.0).ceil() as usize + 1];
        for node in &self.live {
            let front = self.course.front(day, node.rate, node.latency, self.end).0;
            if let Some(weight) = at.get_mut(front.round() as usize) {
                *weight += node.weight;
            }
        }
        let total: f64 = at.iter().sum();
        p.map(|p| {
            let mut below = 0.0;
            let reached = at.iter().position(|weight| {
                below += weight;
                below >= p * total
            });
            Mm(reached.unwrap_or(0) as f64)
        })
    }
}

/// The least sum of squares of Tinel distances from the front, of those that are possible; mm².
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Least {
    /// Of a front that moves on.
    live: f64,
    /// Of one that stopped.
    arrested: f64,
}

impl Least {
    /// As a grid sees it.
    fn of(prior: &Prior, evidence: &Evidence, grids: &(Grid, Grid)) -> Self {
        let spread = prior.arrest_spread.0;
        let mut least = Self { live: f64::INFINITY, arrested: f64::INFINITY };
        for &(rate, _) in &grids.0.nodes() {
            for &(latency, _) in &grids.1.nodes() {
                let front = |tinel: &Tinel| {
                    prior.course.front(Days(tinel.day), MmPerDay(rate), Days(latency), prior.end).0
                };
                let fronts: Vec<f64> = evidence.tinel.iter().map(front).collect();
                let stopped = |at: f64| squares(evidence, fronts.iter().map(move |front| front.min(at)));
                least.live = least.live.min(squares(evidence, fronts.iter().copied()));
                let points = (0..8).map(|point| stopped(spread * (f64::from(point) + 0.5) / 8.0));
                least.arrested = points.fold(least.arrested, f64::min);
            }
        }
        least
    }

    /// Makes weights of both branches comparable again that were weighed each against its own least. Neither vanishes: what is
    /// expected of a front that moves on stays defined, however unlikely it is that this one does.
    fn level(self, evidence: &Evidence, live: &mut [Node], arrested: &mut [Arrested]) {
        let least = self.live.min(self.arrested);
        let share = |own: f64| {
            libm::exp(-0.5 * (own - least) / (evidence.tinel_sd.0 * evidence.tinel_sd.0)).max(VANISHING)
        };
        for node in live {
            node.weight *= share(self.live);
        }
        for one in arrested {
            one.node.weight *= share(self.arrested);
        }
    }
}

/// The sum of squares of all Tinel distances from the front when it was at `fronts` on their days, mm².
fn squares(evidence: &Evidence, fronts: impl Iterator<Item = f64>) -> f64 {
    let square = |(tinel, front): (&Tinel, f64)| (tinel.at.0 - front) * (tinel.at.0 - front);
    evidence.tinel.iter().zip(fronts).map(square).sum()
}

/// The chance of all Tinel distances, up to a constant factor that `least` sets, when the front was at `fronts` on their days.
fn tinel_likelihood(evidence: &Evidence, fronts: impl Iterator<Item = f64>, least: f64) -> f64 {
    let squares = squares(evidence, fronts) - least;
    if squares == 0.0 { 1.0 } else { libm::exp(-0.5 * squares / (evidence.tinel_sd.0 * evidence.tinel_sd.0)) }
}

/// All possibilities in which the front moves on, weighed against the findings.
fn live_branch(
    prior: &Prior,
    evidence: &Evidence,
    groups: &[Group],
    grids: &(Grid, Grid),
    least: Least,
) -> Vec<Node> {
    let alive = 1.0 - prior.arrest.0;
    let (rates, latencies) = (grids.0.nodes(), grids.1.nodes());
    let mut nodes = Vec::with_capacity(rates.len() * latencies.len());
    for (row, &(rate, rate_weight)) in rates.iter().enumerate() {
        for (column, &(latency, latency_weight)) in latencies.iter().enumerate() {
            let (rate, latency) = (MmPerDay(rate), Days(latency));
            let front = |tinel: &Tinel| prior.course.front(Days(tinel.day), rate, latency, prior.end).0;
            let found = tinel_likelihood(evidence, evidence.tinel.iter().map(front), least.live);
            nodes.push(Node {
                rate,
                row,
                column,
                latency,
                weight: alive * rate_weight * latency_weight * found,
            });
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
    least: Least,
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
                let stopped = fronts.iter().map(|front| front.min(at));
                let found = tinel_likelihood(evidence, stopped, least.arrested)
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
