//! What a chart shows, in words.

use super::{Facts, expected};
use crate::plan::next_sign;
use endplate_recovery::assessment::{Assessment, Finding, Sign, TargetAssessment};
use endplate_recovery::milestone::Milestone;
use endplate_recovery::repair::Repair;
use endplate_recovery::unit::{Mm, Probability};

/// What was done: `left radial nerve, autograft of 40 mm`.
pub fn repair(repair: &Repair) -> String {
    let side = repair.side.map_or(String::new(), |side| format!("{} ", side.code()));
    let gap = if repair.gap.0 > 0.0 { format!(", gap {:.0} mm", repair.gap.0) } else { String::new() };
    format!("{side}{}, {}{gap}", repair.nerve.display(), repair.technique.display())
}

/// What a chart is called.
pub fn title(of: &Repair) -> String {
    format!("Recovery chart: {}", repair(of))
}

/// The short name of a milestone, for a margin.
pub fn short(milestone: Milestone) -> &'static str {
    match milestone {
        Milestone::NascentPotentials => "EMG",
        Milestone::FirstContraction => "M1",
        Milestone::Antigravity => "M3",
        Milestone::Strong => "M4",
        Milestone::SudomotorReturn => "sweat",
        Milestone::ProtectiveSensation => "S2-S3",
        Milestone::UsefulSensation => "S3+",
    }
}

/// Rate and chance of arrest.
pub fn belief(assessment: &Assessment) -> String {
    let [low, median, high] = assessment.rate.map(|rate| rate.0);
    let (before, now) = (assessment.arrest_prior.percent(), assessment.arrest.percent());
    format!(
        "Chance that the front has stopped: {now} (before any finding {before}). Growth rate {median:.1} mm a day ({low:.1} to {high:.1})."
    )
}

/// The whole chart. It rests on facts only, not on the day on which it is told.
pub fn description(facts: &Facts<'_>) -> String {
    let mut all = vec![conclusion(facts.repair, facts.findings, facts.assessment), next_review(facts)];
    all.retain(|sentence| !sentence.is_empty());
    all.join(" ")
}

/// What was done, found and is expected of a repair; nothing of reviews.
pub fn conclusion(done: &Repair, findings: &[Finding], assessment: &Assessment) -> String {
    let mut all = vec![
        format!("Recovery after {}, operated {}.", repair(done), assessment.growth_starts_on),
        tinel(findings, assessment),
        belief(assessment),
    ];
    if let Some(still) = &assessment.standstill {
        all.push(format!(
            "The Tinel sign has hardly moved: {:.0} mm on {}, {:.0} mm on {}.",
            still.from_at.0, still.from.on, still.to_at.0, still.to.on
        ));
    }
    all.extend(assessment.targets.iter().map(|target| {
        let mut parts = vec![seen(target, Milestone::display)];
        parts.extend(next_sign(target).map(|next| {
            let window = next.window;
            format!("{} expected {} to {}", next.milestone.display(), window.opens_on, window.closes_on)
        }));
        parts.extend(chances(target));
        parts.extend(salvage(target));
        format!("{}: {}.", target.target.place.display(), parts.join("; "))
    }));
    all.join(" ")
}

/// The last Tinel sign against what was expected of it.
fn tinel(findings: &[Finding], assessment: &Assessment) -> String {
    let at = |sign: &Sign| if let Sign::Tinel(at) = sign { Some(*at) } else { None };
    let last = findings.iter().filter_map(|f| at(&f.sign).map(|at| (f.on, &f.id, at)));
    let last = last.filter(|(on, ..)| *on >= assessment.growth_starts_on);
    let Some((on, _, Mm(mm))) = last.max_by_key(|(on, id, _)| (*on, *id)) else {
        return "No Tinel sign is recorded yet.".to_owned();
    };
    let [low, _, high] = expected(assessment, on);
    format!("Tinel sign at {mm:.0} mm on {on}; expected {:.0} to {:.0} mm.", low.0, high.0)
}

/// The furthest sign seen at a target, or what is missing there; `name` says how signs are called.
pub fn seen(target: &TargetAssessment, name: fn(Milestone) -> &'static str) -> String {
    match (target.furthest_seen(), &target.overdue) {
        (Some((milestone, sighting)), _) => format!("{} seen since {}", name(milestone), sighting.on),
        (None, Some(missing)) => format!(
            "{} expected by {}, not found on {}",
            name(missing.milestone),
            missing.expected_by,
            missing.looked.on
        ),
        (None, None) => "no sign seen yet".to_owned(),
    }
}

/// The chance to arrive in time; none for skin.
pub fn chances(target: &TargetAssessment) -> Option<String> {
    let limit = target.limit_on?;
    target.in_time.map(|chance: Probability| format!("in time (by {limit}) {}", chance.percent()))
}

/// The last useful dates; none for skin and for a muscle that has recovered.
pub fn salvage(target: &TargetAssessment) -> Option<String> {
    let dates: Vec<String> =
        target.salvage.iter().map(|last| format!("{} until {}", last.salvage.display(), last.on)).collect();
    (!dates.is_empty() && !target.recovered()).then(|| dates.join(", "))
}

/// When the patient is to be seen next; empty if no review is to come.
pub fn next_review(facts: &Facts<'_>) -> String {
    facts.reviews.first().map_or(String::new(), |review| {
        let state = if review.booked { "booked" } else { "to book" };
        format!("Next review {} ({state}), between {} and {}.", review.on, review.opens_on, review.closes_on)
    })
}
