//! What was found, ready to be weighed against any arrival time.

use crate::normal::{LogNormal, Shape};
use crate::unit::{Mm, Probability};

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
    pub(super) position: Mm,
    pub(super) delay: Shape,
    pub(super) days: Vec<f64>,
    pub(super) by_interval: Vec<f64>,
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
    pub(super) fn weigh(&self, happened: impl Iterator<Item = f64>) -> f64 {
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
pub(super) struct Group {
    pub(super) position: Mm,
    sequences: Vec<Sequence>,
}

impl Group {
    /// Puts together what shares target and days.
    pub(super) fn of(sequences: Vec<Sequence>) -> Vec<Self> {
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
    pub(super) fn likelihood(&self, arrival: f64, logs: &mut Vec<f64>) -> f64 {
        let days = self.sequences.first().map_or(&[][..], |sequence| &sequence.days);
        logs.clear();
        logs.extend(
            days.iter().map(|day| if *day > arrival { libm::log(day - arrival) } else { f64::NEG_INFINITY }),
        );
        let one = |sequence: &Sequence| sequence.weigh(logs.iter().map(|ln| sequence.delay.cdf_at_log(*ln)));
        self.sequences.iter().map(one).product()
    }

    pub(super) fn never(&self) -> f64 {
        self.sequences.iter().map(Sequence::never).product()
    }
}
