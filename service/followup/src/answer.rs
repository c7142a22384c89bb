//! What people answer to an alert: `DetectedIssue.mitigation`, with a code of `CodeSystem/alert-answer` as its action.
//!
//! | code | besides | what it does |
//! | --- | --- | --- |
//! | `acknowledged` | | ends the waiting |
//! | `snoozed` | extension `snoozed-until` (date), or a `date` yet to come | silent until that day; then it speaks again if it stands |
//! | `declined` | the reason in `action.text`; extensions `target-structure`, else all that the alert is about | what was proposed is not wanted |
//! | `handed-over` | extension `handed-to` (Reference) | messages from then on go to that party, who is asked anew |
//! | `confirmed` | | a finding that cannot be is right all the same |
//!
//! A mitigation without one of these codes acknowledges. The last one says whether an answer is awaited; what was declined and
//! confirmed holds whatever follows.

use crate::code;
use crate::dossier::Dossier;
use crate::element::{coded, extensions, items, range, text, value};
use crate::intake::ours;
use crate::message;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_recovery::alert::{Answer, Declined, Kind, Previous, Severity};
use endplate_recovery::unit::Date;
use serde_json::json;

const CODES: [&str; 5] = ["acknowledged", "confirmed", "declined", "handed-over", "snoozed"];

/// The code of a mitigation; `acknowledged` if it has none of ours.
fn code_of(mitigation: &Json) -> &str {
    mitigation.get("action").and_then(|action| coded(action, "alert-answer")).unwrap_or("acknowledged")
}

/// The day on which a snooze ends.
fn until(mitigation: &Json) -> Option<Date> {
    let said = extensions(mitigation, "snoozed-until").find_map(value).and_then(Json::as_str);
    said.or(text(mitigation, &["date"])).and_then(range).map(|day| day.latest)
}

fn handed_to(mitigation: &Json) -> Option<&Json> {
    extensions(mitigation, "handed-to").find_map(value)
}

/// The keys of the muscles and territories that extensions `target-structure` name.
fn places(element: &Json) -> Vec<String> {
    let key = |place: &Json| {
        coded(place, "reinnervation-target").or_else(|| text(place, &["text"])).map(str::to_owned)
    };
    extensions(element, "target-structure").filter_map(value).filter_map(key).collect()
}

/// Who gets the messages about an alert instead of the surgeon, if it was handed over.
pub fn successor(issue: &Json) -> Option<&Json> {
    items(issue, "mitigation").filter(|one| code_of(one) == "handed-over").filter_map(handed_to).last()
}

/// The day on which a snoozed alert speaks again; none if that was not the last answer.
pub fn quiet_until(issue: &Json) -> Option<Date> {
    let last = items(issue, "mitigation").last()?;
    if code_of(last) == "snoozed" { until(last) } else { None }
}

/// Whoever answers sends the alert as it was when they read it, which may be long ago. How grave it is, and since when it stands, stays as
/// it is: an old copy of it would else have become graver just now, lose the answer, and be told again.
pub fn keep_standing(sent: &mut Json, stored: &Json) {
    let Some(members) = sent.as_object_mut().filter(|_| ours(stored, "alert").is_some()) else { return };
    for name in ["severity", "identifiedPeriod"] {
        match stored.get(name) {
            Some(value) => members.insert(name.to_owned(), value.clone()),
            None => members.remove(name),
        };
    }
}

/// The mitigations of an alert that is raised anew or became graver: it asks anew, but it stays handed over, and a salvage or an
/// early end that is not wanted and a finding that was confirmed stay so.
pub fn lasting(issue: &Json) -> Vec<Json> {
    let kind = issue.get("code").and_then(|code| coded(code, "alert-kind")).and_then(Kind::from_code);
    let lasts = |one: &&Json| match code_of(one) {
        "handed-over" => true,
        "declined" => matches!(kind, Some(Kind::SalvageClosing | Kind::Recovered)),
        "confirmed" => kind == Some(Kind::FindingInconsistent),
        _ => false,
    };
    items(issue, "mitigation").filter(lasts).cloned().collect()
}

/// A decline that names no muscles is about those that the alert named when it came; that is written down, since the alert may
/// later be about others.
pub fn settle(issue: &mut Json) {
    let about: Vec<Json> = extensions(issue, "target-structure").cloned().collect();
    if about.is_empty() {
        return;
    }
    for mitigation in issue.get_mut("mitigation").and_then(Json::as_array_mut).into_iter().flatten() {
        if code_of(mitigation) != "declined" || !places(mitigation).is_empty() {
            continue;
        }
        let mut all: Vec<Json> = items(mitigation, "extension").cloned().collect();
        all.extend(about.iter().cloned());
        if let Some(members) = mitigation.as_object_mut() {
            members.insert("extension".to_owned(), Json::Array(all));
        }
    }
}

/// An alert of this plan as it was, and what came back.
pub fn previous(issue: &Json, plan: &str, dossier: &Dossier, today: Date) -> Option<Previous> {
    let value = ours(issue, "alert")?;
    let (kind, subject) = value.strip_prefix(plan)?.strip_prefix('/')?.split_once('/')?;
    let raised_on = text(issue, &["identifiedPeriod", "start"]).and_then(range)?.earliest;
    let to = successor(issue);
    let told = message::told(issue, dossier).filter(|one| to.is_none_or(|to| message::is_to(one, to)));
    let asked_on = told.filter_map(message::day).max();
    let received = message::told(issue, dossier)
        .filter(|one| to.is_none_or(|to| message::is_to(one, to)))
        .any(|one| message::was_received(one, issue));
    let silent = if received { Answer::Received } else { Answer::None };
    let quiet_until = quiet_until(issue);
    let asked_on = asked_on.unwrap_or(raised_on).max(quiet_until.unwrap_or(raised_on));
    Some(Previous {
        kind: Kind::from_code(kind)?,
        subject: subject.to_owned(),
        severity: text(issue, &["severity"]).and_then(Severity::from_code).unwrap_or(Severity::Moderate),
        stands: text(issue, &["identifiedPeriod", "end"]).is_none(),
        raised_on,
        asked_on,
        answer: answer(issue, silent, today),
        quiet_until,
        declined: declined(issue),
    })
}

fn answer(issue: &Json, silent: Answer, today: Date) -> Answer {
    let about = places(issue);
    let declines = |one: &Json| {
        let of = places(one);
        code_of(one) == "declined"
            && (of.is_empty() || about.is_empty() || of.iter().any(|key| about.contains(key)))
    };
    if items(issue, "mitigation").any(|one| code_of(one) == "confirmed") {
        return Answer::Confirmed;
    }
    if items(issue, "mitigation").any(declines) {
        return Answer::Declined;
    }
    let last = items(issue, "mitigation").last();
    match last.map(code_of) {
        None | Some("handed-over" | "declined") => silent,
        Some("snoozed") if last.and_then(until).is_none_or(|until| today >= until) => silent,
        Some(_) => Answer::Given,
    }
}

fn declined(issue: &Json) -> Declined {
    let named = !places(issue).is_empty();
    let mut keys = Vec::new();
    for mitigation in items(issue, "mitigation").filter(|one| code_of(one) == "declined") {
        match places(mitigation) {
            all if !all.is_empty() => keys.extend(all),
            _ if named => keys.extend(places(issue)),
            _ => return Declined::Everywhere,
        }
    }
    if keys.is_empty() { Declined::Nowhere } else { Declined::At(keys) }
}

/// What is wrong with the answers of a DetectedIssue of this service that `before` does not hold; `today` is the clinic's date.
pub fn issues(resource: &Json, before: Option<&Json>, today: Date) -> Vec<Issue> {
    if text(resource, &["resourceType"]) != Some("DetectedIssue") || ours(resource, "alert").is_none() {
        return Vec::new();
    }
    let is_old = |one: &Json| before.is_some_and(|before| items(before, "mitigation").any(|old| old == one));
    let mut all = Vec::new();
    for (index, mitigation) in items(resource, "mitigation").enumerate().filter(|(_, one)| !is_old(one)) {
        let mut wrong = |member: &str, kind: Code, text: &str| {
            all.push(Issue::error(kind, format!("DetectedIssue.mitigation[{index}].{member}"), text));
        };
        match code_of(mitigation) {
            "declined" if reason(mitigation).is_none() => {
                wrong("action.text", Code::Required, "Send the reason for declining in action.text.");
            }
            "snoozed" if until(mitigation).is_none_or(|until| until <= today) => wrong(
                "extension",
                Code::Value,
                "Send the day on which the alert may speak again in the extension snoozed-until, as a date after today.",
            ),
            "handed-over" if !handed_to(mitigation).is_some_and(is_party) => wrong(
                "extension",
                Code::Required,
                "Send the colleague in the extension handed-to, as a reference to a Practitioner or PractitionerRole.",
            ),
            code if CODES.contains(&code) => {}
            _ => wrong(
                "action",
                Code::CodeInvalid,
                "Send acknowledged, confirmed, declined, handed-over or snoozed of CodeSystem alert-answer.",
            ),
        }
    }
    all
}

/// Why something was declined.
fn reason(mitigation: &Json) -> Option<&str> {
    text(mitigation, &["action", "text"]).filter(|text| !text.trim().is_empty())
}

fn is_party(reference: &Json) -> bool {
    text(reference, &["reference"])
        .is_some_and(|to| to.contains("Practitioner/") || to.contains("PractitionerRole/"))
}

/// The extensions that say which muscles and territories an alert is about.
pub fn about(places: &[endplate_recovery::repair::Place]) -> Vec<Json> {
    let one = |place| json!({ "url": code::structure("target-structure"), "valueCodeableConcept": crate::document::place(place) });
    places.iter().map(one).collect()
}

/// Whether the moment `at` is not before `start`; a date counts to its end.
pub(crate) fn is_since(at: &str, start: &str) -> bool {
    match (at.parse::<jiff::Timestamp>(), start.parse::<jiff::Timestamp>()) {
        (Ok(at), Ok(start)) => at >= start,
        _ => range(at).zip(range(start)).is_some_and(|(at, start)| at.latest >= start.earliest),
    }
}
