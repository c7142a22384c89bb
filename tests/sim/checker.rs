//! What must hold after each step of a world. Each checker judges by the design (sections 6 and 7, and the wire contract) and
//! by what was committed, sent and answered; none asks the service.

use crate::chart::{Chart, evidence, implicated};
use crate::clinic::{after, text};
use endplate_fhir::Json;
use endplate_followup::ports::Put;
use jiff::Timestamp;
use jiff::civil::Date;
use std::collections::{BTreeMap, BTreeSet};

/// What is checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Checker {
    /// Nothing that was acknowledged is lost; what was refused or broken off has left nothing, or everything.
    Kept,
    /// Every repair that stands has its plan and its forecast.
    Planned,
    /// No alert before its time.
    InTime,
    /// No alert after its time: what is due has been raised by the end of a sweep.
    Punctual,
    /// No alert twice: neither two of one cause, nor one told twice.
    Once,
    /// Each receiver is told in order, numbers have no gaps, and in the end it has been told everything.
    InOrder,
    /// What comes again comes under the same event and with the same bytes.
    SameEvent,
    /// A sweep that is run again, and a look at what is not due, change nothing.
    Idle,
    /// Of the dead, the discharged and of repairs that were taken over there is no open review, no alert, no message.
    AtRest,
    /// One message a day at most to one recipient about one patient.
    OneADay,
    /// The same world on another store leaves the same bytes.
    Agreed,
}

/// Something that must not be.
#[derive(Clone, Debug)]
pub struct Violation {
    pub checker: Checker,
    pub what: String,
}

/// Fails unless `holds`.
pub fn ensure(checker: Checker, holds: bool, what: impl FnOnce() -> String) -> Result<(), Violation> {
    if holds { Ok(()) } else { Err(Violation { checker, what: what() }) }
}

/// Repairs and their plans, and what must not be left of others.
pub fn plans(chart: &Chart) -> Result<(), Violation> {
    for condition in chart.all("Condition") {
        let name = format!("Condition/{}", text(condition, "/id"));
        let repairs = chart.repairs_of(&name);
        let is_dead = repairs.iter().any(|one| chart.is_dead(text(one, "/subject/reference")));
        let plan = chart.plan_of(&name);
        let is_ended = plan.is_some_and(Chart::is_ended);
        if !repairs.is_empty() && !is_dead && !is_ended {
            let is_active = plan.is_some_and(|plan| plan["status"] == "active");
            ensure(Checker::Planned, is_active, || format!("{name} has a repair and no active plan"))?;
            for (index, repair) in repairs.iter().enumerate() {
                let state = chart.forecast(repair).map(|one| text(one, "/status"));
                let said = || format!("the forecast of Procedure/{} is {state:?}", text(repair, "/id"));
                if Chart::is_followed(&repairs, index) {
                    ensure(Checker::Planned, state == Some("final"), said)?;
                } else {
                    ensure(Checker::AtRest, state != Some("final"), said)?;
                    let of = format!("Procedure/{}", text(repair, "/id"));
                    let about = |issue: &Json| implicated(issue, "Procedure") == Some(&of);
                    let alert = plan.and_then(|plan| chart.standing(plan).find(|issue| about(issue)));
                    ensure(Checker::AtRest, alert.is_none(), || format!("{of} was taken over: {alert:?}"))?;
                }
            }
        } else if let Some(plan) = plan {
            let said = || format!("{name}: {} repairs, dead: {is_dead}: {plan}", repairs.len());
            ensure(Checker::AtRest, plan["status"] != "active", said)?;
            at_rest(chart, plan)?;
        }
    }
    Ok(())
}

fn at_rest(chart: &Chart, plan: &Json) -> Result<(), Violation> {
    let id = text(plan, "/id");
    let task = chart.open_tasks(plan).next();
    ensure(Checker::AtRest, task.is_none(), || format!("CarePlan/{id} is over: {task:?}"))?;
    let issue = chart.standing(plan).next();
    ensure(Checker::AtRest, issue.is_none(), || format!("CarePlan/{id} is over: {issue:?}"))?;
    let flag = chart.all("Flag").find(|flag| flag["identifier"].to_string().contains(id));
    let is_down = flag.is_none_or(|flag| flag["status"] != "active");
    ensure(Checker::AtRest, is_down, || format!("CarePlan/{id} is over: {flag:?}"))
}

/// No two alerts of one cause.
pub fn causes(chart: &Chart) -> Result<(), Violation> {
    let mut seen: BTreeSet<(String, String)> = BTreeSet::new();
    for plan in chart.all("CarePlan") {
        for issue in chart.standing(plan) {
            let kind = text(issue, "/code/coding/0/code").to_owned();
            let cause = match kind.as_str() {
                // One for a patient who was lost, however many reviews that cost; one for an episode.
                "review-overdue" | "recovered" => implicated(issue, "CarePlan"),
                "review-unbooked" | "review-missed" => implicated(issue, "Task"),
                "finding-inconsistent" => evidence(issue, "Observation").first().copied(),
                "alert-unanswered" => evidence(issue, "DetectedIssue").first().copied(),
                _ => implicated(issue, "Procedure"),
            };
            let cause = cause.unwrap_or_default().to_owned();
            let is_new = seen.insert((kind.clone(), cause.clone()));
            ensure(Checker::Once, is_new && !cause.is_empty(), || format!("two of {kind} about {cause}"))?;
        }
    }
    let doubt = seen.iter().find(|(kind, cause)| {
        kind == "reach-in-doubt" && seen.contains(&("front-static".to_owned(), cause.clone()))
    });
    ensure(Checker::Once, doubt.is_none(), || format!("a front that stands still is told as {doubt:?} too"))
}

/// One message a day.
pub fn messages(chart: &Chart, day_of: impl Fn(Timestamp) -> Date) -> Result<(), Violation> {
    let mut seen = BTreeSet::new();
    for one in chart.all("Communication") {
        let sent: Timestamp = text(one, "/sent").parse().unwrap();
        let key = (text(one, "/subject/reference"), one["recipient"].to_string(), day_of(sent));
        ensure(Checker::OneADay, seen.insert(key.clone()), || format!("two messages: {key:?}"))?;
    }
    Ok(())
}

/// Numbers and dates that an alert rests on, by name.
fn facts(issue: &Json) -> Vec<(&str, &Json)> {
    let all = issue["extension"].as_array().into_iter().flatten();
    all.filter(|one| text(one, "/url").ends_with("/alert-fact"))
        .filter_map(|one| {
            let value =
                one["extension"][1].as_object()?.iter().find(|(name, _)| name.starts_with("value"))?;
            Some((text(one, "/extension/0/valueString"), value.1))
        })
        .collect()
}

/// Whether an alert that was raised on `day` had come to its time (design, section 6; days as strings sort as days do).
pub fn raised(chart: &Chart, issue: &Json, day: Date) -> Result<(), Violation> {
    let kind = text(issue, "/code/coding/0/code");
    let day = day.to_string();
    let task = implicated(issue, "Task").and_then(|task| chart.at(task));
    let edge = |name: &str| task.map_or("", |task| text(task, &format!("/restriction/period/{name}")));
    let dates = |name: &str| -> Vec<&str> {
        let named = facts(issue).into_iter().filter(|(fact, _)| fact.contains(name));
        named.filter_map(|(_, value)| value.as_str()).collect()
    };
    let holds = match kind {
        "review-unbooked" => day >= after(edge("start"), -14),
        "review-overdue" => day > after(edge("end"), 7),
        "review-missed" => {
            let focus = task.map(|task| &task["focus"]);
            let missed =
                |one: &&Json| one["status"] == "noshow" && one["basedOn"].as_array().map(|a| &a[0]) == focus;
            chart.all("Appointment").any(|one| missed(&one))
        }
        "recovery-overdue" => {
            let (by, looked) = (dates("expected by"), dates("looked for"));
            let late = by.iter().zip(&looked).all(|(by, looked)| looked > by && **looked <= *day);
            !by.is_empty() && by.len() == looked.len() && late
        }
        "salvage-closing" => dates("useful until").iter().any(|on| day >= after(on, -60) && **on >= *day),
        "front-static" | "finding-inconsistent" => {
            let of = evidence(issue, "Observation");
            let counts = |one: &Json| {
                one["status"] != "entered-in-error" && text(one, "/effectiveDateTime") <= day.as_str()
            };
            !of.is_empty() && of.iter().all(|one| chart.at(one).is_some_and(counts))
        }
        // Below 50 %, and told rounded.
        "reach-in-doubt" => facts(issue).iter().any(|(_, value)| value.as_f64().is_some_and(|c| c <= 50.0)),
        "alert-unanswered" => {
            let of = evidence(issue, "DetectedIssue").first().copied().unwrap_or_default().to_owned();
            let told = dates("last told");
            let raised = chart.at(&of).is_some_and(|one| one["severity"] == "high");
            raised && told.iter().all(|told| day > after(told, 14)) && !told.is_empty()
        }
        "recovered" => dates("last end milestone").iter().all(|on| **on <= *day),
        _ => false,
    };
    ensure(Checker::InTime, holds, || format!("{kind} on {day}: {issue}, with {task:?}"))
}

/// What must stand on `day` once everybody who is due was looked at.
pub fn due(chart: &Chart, day: Date) -> Result<(), Violation> {
    let day = day.to_string();
    for plan in chart.all("CarePlan").filter(|plan| plan["status"] == "active") {
        let kinds = |kind: &str, task: Option<&str>| {
            chart.standing(plan).any(|issue| {
                text(issue, "/code/coding/0/code") == kind
                    && task.is_none_or(|task| implicated(issue, "Task") == Some(task))
            })
        };
        for task in chart.open_tasks(plan) {
            let name = format!("Task/{}", text(task, "/id"));
            let edge = |name: &str| text(task, &format!("/restriction/period/{name}"));
            let state = text(task, "/businessStatus/coding/0/code");
            let is_overdue = day > after(edge("end"), 7);
            let said = |kind: &str| format!("no {kind} on {day}: {task}");
            if is_overdue {
                let kind = "review-overdue";
                ensure(Checker::Punctual, kinds(kind, None), || said(kind))?;
            } else if state == "to-book" && day >= after(edge("start"), -14) {
                let kind = "review-unbooked";
                ensure(Checker::Punctual, kinds(kind, Some(&name)), || said(kind))?;
            } else if state == "missed" {
                let kind = "review-missed";
                ensure(Checker::Punctual, kinds(kind, Some(&name)), || said(kind))?;
            }
        }
    }
    Ok(())
}

/// How often each alert began to speak, and how often whom was told of it.
#[derive(Default)]
pub struct Voice {
    spoke: BTreeMap<String, u64>,
    /// By recipient, alert, and the record that the message is about: records that turn out to be two people's are told of apart.
    told: BTreeMap<(String, String, String), u64>,
}

impl Voice {
    /// Takes in a version; true if it raises an alert.
    pub fn hear(&mut self, chart: &Chart, put: &Put, before: Option<&Json>) -> Result<bool, Violation> {
        let Some(now) = chart.get(&put.stored.kind, &put.stored.id) else { return Ok(false) };
        match put.stored.kind.as_str() {
            "DetectedIssue" => Ok(self.speaks(now, before)),
            "Communication" => self.tells(chart, now, before).map(|()| false),
            _ => Ok(false),
        }
    }

    fn speaks(&mut self, now: &Json, before: Option<&Json>) -> bool {
        let ended = |issue: &Json| issue.pointer("/identifiedPeriod/end").is_some();
        let weight =
            |issue: &Json| ["low", "moderate", "high"].iter().position(|one| issue["severity"] == *one);
        let raised = !ended(now) && before.is_none_or(ended);
        let graver = before.is_some_and(|before| !ended(now) && weight(now) > weight(before));
        // An answer may take the place of another one.
        let answered = before.is_some_and(|before| now["mitigation"] != before["mitigation"]);
        let last = now["mitigation"].as_array().and_then(|all| all.last());
        let snoozed = answered && last.is_some_and(|one| text(one, "/action/coding/0/code") == "snoozed");
        let speaks = self.spoke.entry(format!("DetectedIssue/{}", text(now, "/id"))).or_default();
        *speaks += u64::from(raised || graver) + u64::from(snoozed);
        raised
    }

    fn tells(&mut self, chart: &Chart, now: &Json, before: Option<&Json>) -> Result<(), Violation> {
        let said = |one: &Json| one["payload"].as_array().map_or(0, Vec::len);
        if said(now) == before.map_or(0, said) {
            return Ok(());
        }
        let patient = text(now, "/subject/reference");
        ensure(Checker::AtRest, !chart.is_dead(patient), || format!("a message about the dead: {now}"))?;
        let about = |one: &Json| -> BTreeSet<String> {
            let all = one["about"].as_array().into_iter().flatten();
            all.map(|to| text(to, "/reference").to_owned())
                .filter(|to| to.starts_with("DetectedIssue/"))
                .collect()
        };
        let known = before.map(about).unwrap_or_default();
        for issue in about(now).difference(&known) {
            let told = self
                .told
                .entry((now["recipient"].to_string(), issue.clone(), patient.to_owned()))
                .or_default();
            *told += 1;
            let spoke = self.spoke.get(issue).copied().unwrap_or(0);
            ensure(Checker::Once, *told <= spoke, || {
                format!("{issue} began to speak {spoke} times and was told {told} times: {now}")
            })?;
        }
        Ok(())
    }
}
