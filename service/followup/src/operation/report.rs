//! `PlanDefinition/nerve-repair-follow-up/$unit-report`: what a unit did in a period, as a summary MeasureReport. Counts only:
//! no patient, no reference, no date of one patient.

mod told;

use super::apply::PLAN_DEFINITION;
use super::{Inputs, cannot, missing};
use crate::Endplate;
use crate::dossier::Dossier;
use crate::element::{coded, day, items, period, text, timing};
use crate::grant::{RECORDS, Right};
use crate::intake::{self, Injury};
use crate::kept;
use crate::preview::is_derived;
use crate::refusal::Refusal;
use endplate_fhir::issue::Code;
use endplate_fhir::{Json, reference as references};
use endplate_recovery::anatomy::Kind;
use endplate_recovery::assessment::Assessment;
use endplate_recovery::milestone::Milestone;
use endplate_recovery::protocol::Protocol;
use endplate_recovery::repair::Repair;
use endplate_recovery::unit::Date;
use std::collections::{BTreeMap, BTreeSet};

/// How many of how many.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Share {
    hits: usize,
    of: usize,
}

impl Share {
    fn count(&mut self, hit: bool) {
        self.hits += usize::from(hit);
        self.of += 1;
    }
}

/// What was counted.
#[derive(Debug, Default)]
struct Tally {
    /// Reviews whose window closed in the period.
    due: usize,
    /// Of these, attended.
    attended: usize,
    /// Of these, not attended and marked as missed.
    missed: usize,
    /// For each `front-static` raised in the period, days since the front was first found where it then still was.
    stall_to_alert: Vec<f64>,
    /// Muscles of repairs whose outcome was due in the period, by technique and nerve: with M3 or better.
    motor: BTreeMap<(String, String), Share>,
    /// The same of skin, with S3+ or better.
    sensory: BTreeMap<(String, String), Share>,
    /// Why repairs arrested, as said by second repairs done in the period.
    causes: BTreeMap<String, usize>,
    /// First signs seen in the period that came before, in and after the window expected of them on the day of the repair.
    early: usize,
    inside: usize,
    late: usize,
    /// Days from repair to each of these signs over the median expected.
    ratios: Vec<f64>,
}

/// The days of a report.
#[derive(Clone, Copy)]
struct Span {
    start: Date,
    end: Date,
}

impl Span {
    fn holds(self, on: Date) -> bool {
        self.start <= on && on <= self.end
    }
}

impl Endplate {
    /// Reports on a period. Inputs: `start` and `end`, dates, both inclusive.
    ///
    /// # Errors
    /// Another PlanDefinition; a date that is missing or none; an end before the start, or after today.
    pub async fn unit_report(&self, id: &str, inputs: &Inputs) -> Result<Json, Refusal> {
        self.permit_all(Right::Search, &[&RECORDS[..], &["CarePlan", "DetectedIssue", "Task"]].concat())?;
        inputs.only(&["start", "end"])?;
        if id != PLAN_DEFINITION {
            return Err(Refusal::not_found());
        }
        let start = inputs.day("start")?.ok_or_else(|| missing("start"))?;
        let end = inputs.day("end")?.ok_or_else(|| missing("end"))?;
        let span = Span { start: day(start), end: day(end) };
        if end < start {
            return Err(cannot(Code::Value, "The end is before the start; send them the other way round."));
        }
        if end > self.clock.today() {
            return Err(cannot(
                Code::Value,
                "The period has not ended; send an end that is not after today.",
            ));
        }
        let mut patients = BTreeSet::new();
        let base = &self.settings.base;
        self.each("CarePlan", &mut |plan| {
            if is_derived(&plan) {
                patients.extend(references::patient_of(&plan, base));
            }
        })
        .await?;
        let maps = self.maps().await?.1;
        let mut tally = Tally::default();
        for patient in &patients {
            let (survivor, mut dossier) = self.person(patient).await?;
            dossier.translate(&maps);
            let kept = self.kept(&dossier).await?;
            let intake = intake::read(&dossier, &survivor, day(self.clock.today()), base);
            tally.records(&dossier, span);
            for injury in &intake.injuries {
                let plan = dossier.get("CarePlan", &injury.plan).map(|entry| &entry.resource);
                let protocol = plan.and_then(kept::version_of).and_then(|version| kept.get(version));
                tally.injury(injury, protocol.map_or(&self.settings.protocol, |kept| kept), span);
            }
        }
        Ok(told::report(&tally, span, self))
    }
}

impl Tally {
    /// What stands in the records: reviews, alerts, causes.
    fn records(&mut self, dossier: &Dossier, span: Span) {
        for task in dossier.all("Task").filter(|task| is_derived(task)) {
            let closes = task.pointer("/restriction/period").and_then(period).map(|window| window.latest);
            let withdrawn = text(task, &["status"]) == Some("cancelled");
            if withdrawn || !closes.is_some_and(|closes| span.holds(closes)) {
                continue;
            }
            let state = task.get("businessStatus").and_then(|state| coded(state, "review-state"));
            self.due += 1;
            self.attended += usize::from(text(task, &["status"]) == Some("completed"));
            self.missed += usize::from(state == Some("missed"));
        }
        for issue in dossier.all("DetectedIssue").filter(|issue| is_derived(issue)) {
            let is_static =
                issue.get("code").and_then(|code| coded(code, "alert-kind")) == Some("front-static");
            let raised = issue.get("identifiedPeriod").and_then(period).map(|raised| raised.earliest);
            let Some(raised) = raised.filter(|raised| is_static && span.holds(*raised)) else { continue };
            let found = items(issue, "evidence")
                .flat_map(|evidence| items(evidence, "detail"))
                .filter_map(|detail| dossier.resolve(text(detail, &["reference"])?))
                .filter_map(|finding| timing(finding, "effective"))
                .map(|on| on.latest);
            if let Some(first) = found.min() {
                self.stall_to_alert.push(f64::from(raised.days_since(first)));
            }
        }
        for procedure in dossier.all("Procedure").filter(|one| intake::repair::is_done(one)) {
            let on = timing(procedure, "performed").map(|on| on.latest);
            if on.is_some_and(|on| span.holds(on)) {
                let causes = items(procedure, "reasonCode").filter_map(|code| coded(code, "arrest-cause"));
                for cause in causes.filter(|cause| told::CAUSES.contains(cause)) {
                    *self.causes.entry(cause.to_owned()).or_default() += 1;
                }
            }
        }
    }

    /// What the model makes of one injury: outcomes and first signs.
    fn injury(&mut self, injury: &Injury, protocol: &Protocol, span: Span) {
        let outlook = injury.episode.outlook(protocol);
        for (followed, assessment) in injury.episode.repairs.iter().zip(&outlook.assessments) {
            if let Some(assessment) = assessment {
                let repair = &followed.repair;
                let due = repair.growth_starts_on().plus(protocol.schedule.outcome[1]);
                if span.holds(due) {
                    self.outcomes(repair, assessment);
                }
                self.first_signs(assessment, span);
            }
        }
    }

    fn outcomes(&mut self, repair: &Repair, assessment: &Assessment) {
        let nerve = match &repair.nerve {
            endplate_recovery::repair::RepairedNerve::Known(nerve) => nerve.display(),
            // What a record calls it may say more than a count should.
            endplate_recovery::repair::RepairedNerve::Named(_) => "a nerve outside the table",
        };
        let key = (repair.technique.display().to_owned(), nerve.to_owned());
        for target in &assessment.targets {
            let (all, wanted) = match target.target.place.kind() {
                Kind::Muscle => (&mut self.motor, Milestone::Antigravity),
                Kind::Skin => (&mut self.sensory, Milestone::UsefulSensation),
            };
            let reached = target.milestone(wanted).is_some_and(|m| m.seen.is_some());
            all.entry(key.clone()).or_default().count(reached);
        }
    }

    fn first_signs(&mut self, assessment: &Assessment, span: Span) {
        for target in &assessment.targets {
            let first = target.milestone(Milestone::first(target.target.place.kind()));
            let seen = first.and_then(|m| m.seen.as_ref()).map(|seen| seen.on);
            let Some(on) = seen.filter(|on| span.holds(*on)) else { continue };
            let expected = target.first_expected;
            if on < expected.opens_on {
                self.early += 1;
            } else if on > expected.closes_on {
                self.late += 1;
            } else {
                self.inside += 1;
            }
            let since = |day: Date| f64::from(day.days_since(assessment.growth_starts_on));
            self.ratios.push(since(on) / since(expected.median_on).max(1.0));
        }
    }
}
