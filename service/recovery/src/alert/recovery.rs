//! Alerts about the recovery itself: overdue, static, in doubt, closing.

use super::finding::impossible;
use super::{About, Alert, Answer, Kind, Previous, Severity, Situation, Value, capital, fact};
use crate::assessment::{Assessment, Finding, Sign, TargetAssessment};
use crate::episode::Followed;
use crate::milestone::Milestone;
use crate::repair::Place;
use crate::salvage::{LastUseful, Salvage};
use crate::unit::Probability;

impl Situation<'_> {
    pub(super) fn recovery_overdue(&self, about: &About<'_>) -> Option<Alert> {
        let missing: Vec<_> = about
            .assessment
            .targets
            .iter()
            .filter_map(|target| target.overdue.as_ref().map(|missing| (target, missing)))
            .collect();
        let (target, first) = missing.first()?;
        let others = match missing.len() {
            1 => String::new(),
            n => format!(", nor at {} further target{}", n - 1, if n == 2 { "" } else { "s" }),
        };
        let sentence = format!(
            "{}: {} was expected at {} by {} and was not found on {}{others}; the chance that the front has stopped in or near the repair is {}. {}",
            capital(self.nerve(about.index)),
            first.milestone.display(),
            target.target.place.display(),
            first.expected_by,
            first.looked.on,
            about.assessment.arrest.percent(),
            self.still_possible(about.assessment),
        );
        let mut facts = Vec::new();
        for (target, missing) in &missing {
            facts.push(fact(
                &format!("{} expected by", target.target.place.display()),
                Value::On(missing.expected_by),
            ));
            facts.push(fact(
                &format!("{} looked for", target.target.place.display()),
                Value::On(missing.looked.on),
            ));
        }
        facts.push(fact("chance of arrest", Value::Chance(about.assessment.arrest.0)));
        Some(Alert {
            kind: Kind::RecoveryOverdue,
            severity: Severity::Moderate,
            since: first.looked.on,
            facts,
            findings: missing.iter().map(|(_, missing)| missing.looked.finding.clone()).collect(),
            places: missing.iter().map(|(target, _)| target.target.place.clone()).collect(),
            ..about.alert(sentence)
        })
    }

    pub(super) fn front_static(&self, about: &About<'_>) -> Option<Alert> {
        let alert = &self.protocol.alert;
        let chance = about.assessment.arrest;
        let threshold = if self.stood(Kind::FrontStatic, &about.label) {
            alert.arrest_probability_clear
        } else {
            alert.arrest_probability
        };
        let standstill = about.assessment.standstill.as_ref();
        if chance < threshold && standstill.is_none() {
            return None;
        }
        let followed = self.episode.repairs.get(about.index)?;
        let last = followed.findings.iter().filter(|f| f.on <= self.today).max_by_key(|f| (f.on, &f.id))?;
        let seen = match standstill {
            Some(s) => format!(
                "an advance of {:.0} mm or more was expected, but the Tinel sign was at {:.0} mm on {} and at {:.0} mm on {}",
                alert.static_advance.0, s.from_at.0, s.from.on, s.to_at.0, s.to.on
            ),
            None => format!(
                "{}the findings up to {} fit a front that has stopped",
                awaited(about.assessment),
                last.on
            ),
        };
        let sentence = format!(
            "{}: {seen}; the chance that the front has stopped in or near the repair is {}. {}",
            capital(self.nerve(about.index)),
            chance.percent(),
            self.still_possible(about.assessment),
        );
        let mut facts = vec![
            fact("chance of arrest", Value::Chance(chance.0)),
            fact("chance of arrest before any finding", Value::Chance(about.assessment.arrest_prior.0)),
        ];
        if let Some(s) = standstill {
            facts.push(fact("Tinel sign before", Value::Length(s.from_at)));
            facts.push(fact("Tinel sign now", Value::Length(s.to_at)));
        }
        Some(Alert {
            kind: Kind::FrontStatic,
            severity: Severity::High,
            since: last.on,
            facts,
            findings: recent(followed),
            ..about.alert(sentence)
        })
    }

    pub(super) fn reach_in_doubt(&self, about: &About<'_>) -> Option<Alert> {
        let alert = &self.protocol.alert;
        // Once raised, it is about every muscle for which it would not be cleared, on the day it is raised as on any later one.
        let doubtful: Vec<(&TargetAssessment, f64)> = about
            .assessment
            .targets
            .iter()
            .filter(|target| target.furthest_seen().is_none())
            .filter(|target| target.salvage.iter().any(|last| last.on >= self.today))
            .filter_map(|target| {
                target
                    .in_time
                    .filter(|chance| *chance < alert.in_time_probability_clear)
                    .map(|chance| (target, chance.0))
            })
            .collect();
        let (worst, chance) = *doubtful.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
        if !self.stood(Kind::ReachInDoubt, &about.label) && chance >= alert.in_time_probability.0 {
            return None;
        }
        let limit = worst.limit_on?;
        let sentence = format!(
            "{}: {}; the chance that axons reach {} by {limit} is {}{}. {}",
            capital(self.nerve(about.index)),
            expected_and_found(worst),
            worst.target.place.display(),
            Probability(chance).percent(),
            if doubtful.len() > 1 {
                format!(" ({} muscles are in doubt)", doubtful.len())
            } else {
                String::new()
            },
            self.still_possible(about.assessment),
        );
        let followed = self.episode.repairs.get(about.index)?;
        let latest = followed.findings.iter().map(|finding| finding.on).max();
        Some(Alert {
            kind: Kind::ReachInDoubt,
            severity: Severity::High,
            since: latest.unwrap_or_else(|| followed.repair.growth_starts_on()),
            facts: doubtful
                .iter()
                .map(|(target, chance)| {
                    fact(&format!("{} in time", target.target.place.display()), Value::Chance(*chance))
                })
                .collect(),
            findings: recent(followed),
            places: doubtful.iter().map(|(target, _)| target.target.place.clone()).collect(),
            ..about.alert(sentence)
        })
    }

    pub(super) fn salvage_closing(&self, about: &About<'_>) -> Option<Alert> {
        let before = self.before(Kind::SalvageClosing, &about.label);
        let declined = |target: &&TargetAssessment| {
            before.is_some_and(|previous| previous.declined.covers(&target.target.place))
        };
        let stands = before.is_some_and(|previous| previous.stands);
        let left = |last: &LastUseful| last.on.days_since(self.today);
        let notice = self.protocol.alert.salvage_notice;
        // Findings move the date a little either way. Once raised, it is not taken back for that. It is about every date for which
        // it would be kept, on the day it is raised as on any later one.
        let kept = self.salvage_kept();
        let answered = stands && before.is_some_and(Previous::answered);
        let near = |last: &&LastUseful| left(last) <= kept && (left(last) >= 0 || !answered);
        let mut closing: Vec<(&TargetAssessment, &LastUseful)> = Vec::new();
        let waiting = about.assessment.targets.iter().filter(|target| target.furthest_seen().is_none());
        for target in waiting.filter(|target| !declined(target)) {
            closing.extend(target.salvage.iter().filter(near).map(|last| (target, last)));
        }
        closing.sort_by_key(|(_, last)| last.on);
        // Once raised it stands until it is answered, even when the date has gone by.
        let limit = if stands { kept } else { notice };
        if (!stands || answered) && !closing.iter().any(|(_, last)| (0..=limit).contains(&left(last))) {
            return None;
        }
        let ahead = closing.iter().find(|(_, last)| last.on >= self.today);
        let (target, last) = ahead.or(closing.first())?;
        let when = if last.on >= self.today {
            format!("is useful until {}", last.on)
        } else {
            format!("was useful until {}", last.on)
        };
        let sentence = format!(
            "{}: {}; the chance that axons arrive in time is {}, and a {} {when}. {}",
            capital(self.nerve(about.index)),
            expected_and_found(target),
            target.in_time.map_or("not known".to_owned(), Probability::percent),
            last.salvage.display(),
            self.still_possible(about.assessment),
        );
        let mut places: Vec<Place> = Vec::new();
        for (target, _) in &closing {
            if !places.contains(&target.target.place) {
                places.push(target.target.place.clone());
            }
        }
        let followed = self.episode.repairs.get(about.index)?;
        let was_high = before.is_some_and(|previous| previous.stands && previous.severity == Severity::High);
        let grave = closing.iter().any(|(target, _)| self.is_off_course(followed, target, was_high));
        Some(Alert {
            kind: Kind::SalvageClosing,
            severity: if grave { Severity::High } else { Severity::Moderate },
            places,
            since: last.on.plus(-notice),
            facts: closing
                .iter()
                .map(|(target, last)| {
                    let name = format!(
                        "{} at {} useful until",
                        last.salvage.display(),
                        target.target.place.display()
                    );
                    fact(&name, Value::On(last.on))
                })
                .collect(),
            findings: recent(followed),
            ..about.alert(sentence)
        })
    }

    /// Whether a muscle without a sign is not known to recover as expected: axons will probably be late, the sign is already
    /// late, or nobody has examined the repair lately. A last useful date says little of a muscle whose sign is not due yet and
    /// whose axons will, by a recent examination, probably be in time.
    fn is_off_course(&self, followed: &Followed, target: &TargetAssessment, was: bool) -> bool {
        let alert = &self.protocol.alert;
        let threshold = if was { alert.in_time_probability_clear } else { alert.in_time_probability };
        let late = self.today > target.first_expected.closes_on;
        let lately = self.today.plus(-self.protocol.schedule.spacing_first_year);
        let unexamined = followed.findings.iter().all(|finding| finding.on < lately);
        late || unexamined || target.in_time.is_none_or(|chance| chance < threshold)
    }

    /// Findings that cannot be, unless somebody has confirmed them in so many words.
    pub(super) fn inconsistent(&self, about: &About<'_>, alerts: &mut Vec<Alert>) {
        let Some(followed) = self.episode.repairs.get(about.index) else { return };
        for (finding, against, what) in impossible(followed, self.protocol) {
            if self
                .before(Kind::FindingInconsistent, &finding.id)
                .is_some_and(|previous| previous.answer == Answer::Confirmed)
            {
                continue;
            }
            alerts.push(Alert {
                kind: Kind::FindingInconsistent,
                subject: finding.id.clone(),
                severity: Severity::Moderate,
                since: finding.on,
                facts: vec![fact("found", Value::Text(what.clone()))],
                findings: std::iter::once(finding.id.clone()).chain(against).collect(),
                ..about.alert(format!(
                    "{}: {what}, which is not expected. Correct the finding, or confirm it if it is right.",
                    capital(self.nerve(about.index))
                ))
            });
        }
    }

    fn nerve(&self, index: usize) -> &str {
        self.episode.repairs.get(index).map_or("the repair", |followed| followed.repair.nerve.display())
    }

    /// What can still be done for the muscles without a sign, and until when.
    fn still_possible(&self, assessment: &Assessment) -> String {
        let waiting = || assessment.targets.iter().filter(|target| target.furthest_seen().is_none());
        let until = |salvage: Salvage| {
            let dates = waiting().flat_map(|target| &target.salvage).filter(|last| last.salvage == salvage);
            dates.map(|last| last.on).filter(|on| *on >= self.today).min()
        };
        if waiting().all(|target| target.salvage.is_empty()) {
            return "Skin has no last useful date.".to_owned();
        }
        match (until(Salvage::SecondGraft), until(Salvage::DistalTransfer)) {
            (Some(graft), Some(transfer)) => format!(
                "A second graft would still reach the first of the muscles in time until {graft}, a distal nerve transfer until {transfer}; a tendon transfer has no last date."
            ),
            (Some(graft), None) => format!(
                "A second graft would still reach the first of the muscles in time until {graft}; a tendon transfer has no last date."
            ),
            (None, Some(transfer)) => format!(
                "A distal nerve transfer would still reach the first of the muscles in time until {transfer}; a tendon transfer has no last date."
            ),
            (None, None) => {
                "The last useful dates of a second graft and of a distal nerve transfer have passed; a tendon transfer has no last date."
                    .to_owned()
            }
        }
    }
}

/// What was expected first at a place, and what has come of it: `first contraction is expected at … between … and …, and nobody
/// has looked for it yet`.
fn expected_and_found(target: &TargetAssessment) -> String {
    let first = Milestone::first(target.target.place.kind());
    let expected = target.first_expected;
    let looked = target.milestone(first).and_then(|milestone| milestone.looked.as_ref());
    let found = match looked {
        Some(looked) => format!("no sign of it was found on {}", looked.on),
        None => "nobody has looked for it yet".to_owned(),
    };
    format!(
        "{} is expected at {} between {} and {}, and {found}",
        first.display(),
        target.target.place.display(),
        expected.opens_on,
        expected.closes_on
    )
}

/// What was awaited first of all that has not been seen; empty if everything has been.
fn awaited(assessment: &Assessment) -> String {
    let waiting = assessment.targets.iter().filter(|target| target.furthest_seen().is_none());
    let next = waiting.min_by_key(|target| target.first_expected.closes_on);
    next.map_or_else(String::new, |target| {
        format!(
            "{} was expected at {} by {}; ",
            Milestone::first(target.target.place.kind()).display(),
            target.target.place.display(),
            target.first_expected.closes_on
        )
    })
}

/// The findings of the last examination and the Tinel signs before it: what a judgement of the front rests on.
fn recent(followed: &Followed) -> Vec<String> {
    let last = followed.findings.iter().map(|finding| finding.on).max();
    let kept = |finding: &&Finding| Some(finding.on) == last || matches!(finding.sign, Sign::Tinel(_));
    followed.findings.iter().filter(kept).map(|finding| finding.id.clone()).collect()
}
