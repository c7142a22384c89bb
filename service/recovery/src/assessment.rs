//! What is believed of one repair, all findings considered, with its reasons.

use crate::anatomy::Kind;
use crate::belief::{Belief, Evidence, Look, Nodes, Prior, RateBelief, Sequence, Signs, Tinel};
use crate::milestone::{Milestone, MotorGrade, Percentiles, SensoryGrade, Window};
use crate::protocol::Protocol;
use crate::repair::{Place, Repair, Target};
use crate::salvage::{self, LastUseful};
use crate::unit::{Date, DateRange, Days, Mm, MmPerDay, Probability};

/// One finding of an examination.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// The caller's name for it; opaque here.
    pub id: String,
    /// The day of the examination; the latest it may be.
    pub on: Date,
    /// What was found.
    pub sign: Sign,
}

/// What was found, and where.
#[derive(Clone, Debug, PartialEq)]
pub enum Sign {
    /// Tinel sign this far distal to the proximal coaptation.
    Tinel(Mm),
    /// Motor grade of a muscle.
    Motor(Place, MotorGrade),
    /// Sensory grade of a territory.
    Sensory(Place, SensoryGrade),
    /// Whether a territory sweats.
    Sudomotor(Place, bool),
    /// Whether needle EMG of a muscle shows reinnervation potentials.
    NascentPotentials(Place, bool),
    /// Pain from 0 to 10; recorded, not part of the model.
    Pain(u8),
}

impl Sign {
    /// Where it was looked for; none for a sign of the nerve as a whole.
    pub fn place(&self) -> Option<&Place> {
        match self {
            Self::Motor(place, _)
            | Self::Sensory(place, _)
            | Self::Sudomotor(place, _)
            | Self::NascentPotentials(place, _) => Some(place),
            Self::Tinel(_) | Self::Pain(_) => None,
        }
    }

    /// Whether it shows `milestone` at its place; `None` if it says nothing about it.
    pub fn shows(&self, milestone: Milestone) -> Option<bool> {
        match self {
            Self::Motor(_, grade) => grade.shows(milestone),
            Self::Sensory(_, grade) => grade.shows(milestone),
            Self::Sudomotor(_, seen) => (milestone == Milestone::SudomotorReturn).then_some(*seen),
            Self::NascentPotentials(_, seen) => (milestone == Milestone::NascentPotentials).then_some(*seen),
            Self::Tinel(_) | Self::Pain(_) => None,
        }
    }
}

/// What is believed of one repair.
#[derive(Clone, Debug)]
pub struct Assessment {
    /// `P(arrest)` before any finding.
    pub arrest_prior: Probability,
    /// `P(arrest)` now.
    pub arrest: Probability,
    /// Growth rate: 10th, 50th and 90th percentile.
    pub rate: [MmPerDay; 3],
    /// Each target still followed by this repair, in the order of the record.
    pub targets: Vec<TargetAssessment>,
    /// Two Tinel signs far apart in time and close in place, if the nerve has them.
    pub standstill: Option<Standstill>,
    /// Where the Tinel sign should be on any day.
    pub belief: Belief,
    /// The same before any finding: what this repair should show.
    pub expected: Belief,
    /// Growth clock.
    pub growth_starts_on: Date,
}

/// What is believed of one target.
#[derive(Clone, Debug, PartialEq)]
pub struct TargetAssessment {
    /// The target as recorded, with its path length and where that comes from.
    pub target: Target,
    /// mm from the proximal coaptation.
    pub position: Mm,
    /// Its milestones in order.
    pub milestones: Vec<MilestoneAssessment>,
    /// Window of the first milestone before any finding: what this repair should show.
    pub first_expected: Window,
    /// The last day on which axons are expected to help; none for skin.
    pub limit_on: Option<Date>,
    /// The chance that axons arrive by then, arrest included; none for skin.
    pub in_time: Option<Probability>,
    /// Until when a salvage would still arrive in time; empty for skin.
    pub salvage: Vec<LastUseful>,
    /// The first examination after the expected window of the first milestone that found no sign, if one did and none has since.
    pub overdue: Option<Missing>,
}

/// One milestone of one target.
#[derive(Clone, Debug, PartialEq)]
pub struct MilestoneAssessment {
    /// Which.
    pub milestone: Milestone,
    /// When it is due, given all findings and that the front has not arrested.
    pub due: Percentiles,
    /// The same in the calendar.
    pub window: Window,
    /// Since when it has been seen at every look; none if not yet.
    pub seen: Option<Sighting>,
    /// The last look, whatever it showed.
    pub looked: Option<Sighting>,
}

/// A finding at a date.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sighting {
    /// When.
    pub on: Date,
    /// Which finding.
    pub finding: String,
}

/// An examination that should have found a sign and did not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// Which sign.
    pub milestone: Milestone,
    /// The last day of its expected window.
    pub expected_by: Date,
    /// The examination.
    pub looked: Sighting,
}

/// A Tinel sign that has not moved.
#[derive(Clone, Debug, PartialEq)]
pub struct Standstill {
    /// The earlier examination.
    pub from: Sighting,
    /// Where it was then.
    pub from_at: Mm,
    /// The later examination.
    pub to: Sighting,
    /// Where it was found then.
    pub to_at: Mm,
}

impl TargetAssessment {
    /// The milestone named, if this target has it.
    pub fn milestone(&self, milestone: Milestone) -> Option<&MilestoneAssessment> {
        self.milestones.iter().find(|m| m.milestone == milestone)
    }

    /// The furthest sign seen so far.
    pub fn furthest_seen(&self) -> Option<(Milestone, &Sighting)> {
        self.milestones.iter().rev().find_map(|m| m.seen.as_ref().map(|seen| (m.milestone, seen)))
    }

    /// Whether its end milestone has been seen.
    pub fn recovered(&self) -> bool {
        let end = Milestone::end(self.target.place.kind());
        self.milestone(end).is_some_and(|m| m.seen.is_some())
    }
}

impl Assessment {
    /// The last day on which this operation would still bring axons to `target` in time in nine of ten, if it takes; none
    /// where no limit applies. For an operation that is being considered: it moves with the day of the injury, not with the
    /// day that is planned.
    pub fn operate_by(
        &self,
        repair: &Repair,
        target: &TargetAssessment,
        protocol: &Protocol,
    ) -> Option<Date> {
        let travel = self.belief.rate().travel_p90(&repair.course(protocol), target.position);
        target.limit_on.map(|limit| limit.plus_floor(Days(-travel.0)))
    }
}

/// Assesses one repair. `followed` says which targets still depend on it (a later operation may have taken some over).
pub fn assess(
    repair: &Repair,
    injured: DateRange,
    findings: &[Finding],
    protocol: &Protocol,
    followed: impl Fn(&Place) -> bool,
) -> Assessment {
    let reader = Reader { repair, injured, protocol, findings: in_order(repair, findings) };
    let prior = reader.prior();
    let evidence = reader.evidence();
    let before = Belief::expected(&prior, Nodes::default());
    let belief = Belief::form(&prior, &evidence, Nodes::default());
    let rate = belief.rate();
    let targets = repair.targets.iter().filter(|target| followed(&target.place));
    Assessment {
        arrest_prior: prior.arrest,
        arrest: belief.arrest(),
        rate: [0.1, 0.5, 0.9].map(|p| rate.quantile(p)),
        targets: targets.map(|target| reader.target(target, &before, &belief, &rate)).collect(),
        standstill: reader.standstill(),
        belief,
        expected: before,
        growth_starts_on: repair.growth_starts_on(),
    }
}

/// The findings since the repair, in order of days.
fn in_order<'a>(repair: &Repair, findings: &'a [Finding]) -> Vec<&'a Finding> {
    let mut since: Vec<&Finding> = findings.iter().filter(|f| f.on >= repair.growth_starts_on()).collect();
    since.sort_by(|a, b| (a.on, &a.id).cmp(&(b.on, &b.id)));
    since
}

struct Reader<'a> {
    repair: &'a Repair,
    injured: DateRange,
    protocol: &'a Protocol,
    findings: Vec<&'a Finding>,
}

impl Reader<'_> {
    fn prior(&self) -> Prior {
        Prior {
            rate: self.repair.rate(self.protocol),
            latency: self.protocol.growth.latency,
            course: self.repair.course(self.protocol),
            end: self.repair.end(),
            arrest: self.repair.arrest(self.protocol),
            arrest_spread: self.repair.arrest_spread(self.protocol),
        }
    }

    fn day(&self, on: Date) -> f64 {
        f64::from(on.days_since(self.repair.growth_starts_on()))
    }

    fn evidence(&self) -> Evidence {
        let tinel = |finding: &&Finding| match finding.sign {
            Sign::Tinel(at) => Some(Tinel { day: self.day(finding.on), at }),
            _ => None,
        };
        let mut signs = Vec::new();
        for target in &self.repair.targets {
            for &milestone in Milestone::of(target.place.kind()) {
                signs.extend(self.signs(target, milestone));
            }
        }
        Evidence {
            tinel: self.findings.iter().filter_map(tinel).collect(),
            tinel_sd: self.repair.tinel_sd(self.protocol),
            signs,
            false_positive: self.protocol.evidence.false_positive,
            false_negative: self.protocol.evidence.false_negative,
        }
    }

    /// Each look for `milestone` at `target`: the finding, and whether it showed the sign.
    fn looks(
        &self,
        target: &Target,
        milestone: Milestone,
    ) -> impl DoubleEndedIterator<Item = (&Finding, bool)> {
        self.findings.iter().filter_map(move |finding| {
            let here = finding.sign.place() == Some(&target.place);
            finding.sign.shows(milestone).filter(|_| here).map(|seen| (*finding, seen))
        })
    }

    /// All looks for `milestone` at `target`; none if nobody looked.
    fn signs(&self, target: &Target, milestone: Milestone) -> Option<Signs> {
        let look = |(finding, seen): (&Finding, bool)| Look { day: self.day(finding.on), seen };
        let looks: Vec<Look> = self.looks(target, milestone).map(look).collect();
        (!looks.is_empty()).then(|| Signs {
            position: self.repair.position(target),
            delay: self.protocol.delay(milestone),
            looks,
        })
    }

    fn target(
        &self,
        target: &Target,
        before: &Belief,
        belief: &Belief,
        rate: &RateBelief,
    ) -> TargetAssessment {
        let position = self.repair.position(target);
        let start = self.repair.growth_starts_on();
        let kind = target.place.kind();
        let sharpest = Milestone::of(kind)
            .iter()
            .map(|m| self.protocol.delay(*m).spread())
            .fold(f64::INFINITY, f64::min);
        let arrival = belief.arrival(position, Days(sharpest));
        let evidence = &self.protocol.evidence;
        let milestone = |&milestone: &Milestone| {
            let own = self
                .signs(target, milestone)
                .map(|signs| Sequence::new(&signs, evidence.false_positive, evidence.false_negative));
            let [p10, p50, p90] =
                arrival.quantiles(self.protocol.delay(milestone), own.as_ref(), [0.1, 0.5, 0.9]);
            let due = Percentiles { p10, p50, p90 };
            let (seen, looked) = self.sightings(target, milestone);
            MilestoneAssessment { milestone, due, window: due.window(start), seen, looked }
        };
        let milestones: Vec<MilestoneAssessment> = Milestone::of(kind).iter().map(milestone).collect();
        let first = self.protocol.delay(Milestone::first(kind));
        // In the same bins as above: without findings, what was expected is to the day what is published.
        let [p10, p50, p90] =
            before.arrival(position, Days(sharpest)).quantiles(first, None, [0.1, 0.5, 0.9]);
        let first_expected = Percentiles { p10, p50, p90 }.window(start);
        let limit = self.repair.limit(&target.place, self.protocol);
        let limit_on = limit.map(|limit| self.injured.earliest.plus_floor(limit));
        let in_time = limit_on.map(|on| belief.reached_by(position, Days(self.day(on))));
        let last = |limit| {
            salvage::last_useful(self.repair, target, (self.injured.earliest, limit), rate, self.protocol)
                .to_vec()
        };
        TargetAssessment {
            overdue: missing(kind, &milestones, first_expected.closes_on),
            target: target.clone(),
            position,
            milestones,
            first_expected,
            limit_on,
            in_time,
            salvage: limit.map_or_else(Vec::new, last),
        }
    }

    /// Since when the sign has been there at every look, and the last look.
    fn sightings(&self, target: &Target, milestone: Milestone) -> (Option<Sighting>, Option<Sighting>) {
        let sighting = |finding: &Finding| Sighting { on: finding.on, finding: finding.id.clone() };
        let since = self.looks(target, milestone).rev().take_while(|(_, seen)| *seen).last();
        let last = self.looks(target, milestone).next_back();
        (since.map(|(finding, _)| sighting(finding)), last.map(|(finding, _)| sighting(finding)))
    }

    /// The last Tinel sign against the nearest one at least `static_over` days earlier, if it has hardly moved and is short
    /// of the end of the nerve. Not asked of a nerve without sensory fibres, where the sign wanders by itself.
    fn standstill(&self) -> Option<Standstill> {
        let (evidence, alert) = (&self.protocol.evidence, &self.protocol.alert);
        let sd = self.repair.tinel_sd(self.protocol);
        if sd == evidence.tinel_sd_motor_only {
            return None;
        }
        let tinel = |finding: &&&Finding| matches!(finding.sign, Sign::Tinel(_));
        let at = |finding: &Finding| if let Sign::Tinel(at) = finding.sign { at } else { Mm(0.0) };
        let to = self.findings.iter().rev().find(tinel)?;
        let from = self
            .findings
            .iter()
            .rev()
            .filter(tinel)
            .find(|finding| to.on.days_since(finding.on) >= alert.static_over)?;
        let short = at(to).0 + evidence.tinel_beyond_end_sd * sd.0 < self.repair.end().0;
        let stood = at(to).0 - at(from).0 < alert.static_advance.0;
        let sighting = |finding: &Finding| Sighting { on: finding.on, finding: finding.id.clone() };
        (short && stood).then(|| Standstill {
            from: sighting(from),
            from_at: at(from),
            to: sighting(to),
            to_at: at(to),
        })
    }
}

/// The last look for a first sign after its expected window, if it found nothing and no other sign has been seen there.
fn missing(kind: Kind, milestones: &[MilestoneAssessment], expected_by: Date) -> Option<Missing> {
    if milestones.iter().any(|m| m.seen.is_some()) {
        return None;
    }
    let first = milestones.iter().find(|m| m.milestone == Milestone::first(kind))?;
    let looked = first.looked.clone().filter(|looked| looked.on > expected_by)?;
    Some(Missing { milestone: first.milestone, expected_by, looked })
}
