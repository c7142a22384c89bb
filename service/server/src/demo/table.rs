//! The table a surgeon would want: every target with what was expected, what was seen, and until when something can be done.

use endplate_fhir::Json;
use std::collections::BTreeMap;

/// Everything of one patient that the table shows, as read from the service.
pub(super) struct Folder {
    pub name: &'static str,
    /// Window of the first sign of each target as it was expected after the operation, by repair and target.
    pub expected: BTreeMap<(String, String), String>,
    pub assessments: Vec<Json>,
    pub tasks: Vec<Json>,
    pub issues: Vec<Json>,
    pub plans: Vec<Json>,
}

/// A text inside a resource.
pub(super) fn text<'a>(value: &'a Json, pointer: &str) -> &'a str {
    value.pointer(pointer).and_then(Json::as_str).unwrap_or_default()
}

/// The target of a prediction, by name.
fn target(prediction: &Json) -> String {
    let extension = list(prediction, "extension").find(|e| text(e, "/url").ends_with("target-structure"));
    let concept = extension.map_or(&Json::Null, |extension| &extension["valueCodeableConcept"]);
    let name = match text(concept, "/coding/0/display") {
        "" => text(concept, "/text"),
        display => display,
    };
    // What the muscle does stands in brackets behind its name; the table has no room for it.
    name.split(['(', ',']).next().unwrap_or(name).trim().to_owned()
}

fn list<'a>(value: &'a Json, name: &str) -> impl Iterator<Item = &'a Json> + use<'a> {
    value.get(name).and_then(Json::as_array).into_iter().flatten()
}

/// Whether a milestone is the first one that an examination without instruments can show.
fn is_first(prediction: &Json) -> bool {
    matches!(text(prediction, "/outcome/coding/0/code"), "first-contraction" | "sudomotor-return")
}

/// Windows of the first signs of one assessment, by repair and target.
pub(super) fn first_windows(assessment: &Json) -> impl Iterator<Item = ((String, String), String)> {
    let repair = text(assessment, "/basis/0/reference").to_owned();
    list(assessment, "prediction").filter(|prediction| is_first(prediction)).map(move |prediction| {
        let window =
            format!("{} to {}", text(prediction, "/whenPeriod/start"), text(prediction, "/whenPeriod/end"));
        ((repair.clone(), target(prediction)), window)
    })
}

/// The rows of one patient: one for each target, then the alerts.
pub(super) fn rows(folder: &Folder) -> Vec<String> {
    let next = folder.tasks.iter().filter(|task| matches!(text(task, "/status"), "requested" | "accepted"));
    let next = next.map(|task| text(task, "/restriction/period/start")).min().unwrap_or("none").to_owned();
    let mut rows = Vec::new();
    for assessment in &folder.assessments {
        let over = text(assessment, "/status") == "cancelled";
        let mut targets: Vec<String> = list(assessment, "prediction").map(target).collect();
        targets.dedup();
        for target in targets {
            rows.push(row(folder, assessment, &target, (over, &next)));
        }
    }
    for plan in folder.plans.iter().filter(|plan| text(plan, "/status") != "active") {
        rows.push(format!("{:<9}plan {}", folder.name, text(plan, "/status")));
    }
    let alerts: Vec<String> = alerts(folder);
    if !alerts.is_empty() {
        rows.push(format!("{:<9}alerts: {}", "", alerts.join(", ")));
    }
    rows
}

/// The heading of the table.
pub(super) fn heading() -> String {
    format!(
        "{:<9}{:<34}{:<26}{:<38}{:<12}{:<12}{}",
        "patient", "target", "first sign expected", "seen", "state", "next review", "transfer useful until"
    )
}

fn row(folder: &Folder, assessment: &Json, name: &str, (over, next): (bool, &str)) -> String {
    let predictions: Vec<&Json> =
        list(assessment, "prediction").filter(|prediction| target(prediction) == name).collect();
    let seen = predictions.iter().rev().find_map(|prediction| {
        let on = text(prediction, "/rationale").split("seen on ").nth(1)?;
        let sign = text(prediction, "/outcome/coding/0/code").replace('-', " ");
        Some(format!("{sign} {on}"))
    });
    let last =
        predictions.last().is_some_and(|prediction| text(prediction, "/rationale").contains("seen on"));
    let state = match (over, last, &seen) {
        (true, _, _) => "taken over",
        (_, true, _) => "recovered",
        (_, _, Some(_)) => "recovering",
        _ if stands(folder, "front-static") => "stalled",
        _ if stands(folder, "review-overdue") => "not seen",
        _ if stands(folder, "recovery-overdue") => "overdue",
        _ => "awaited",
    };
    let key = (text(assessment, "/basis/0/reference").to_owned(), name.to_owned());
    let expected = folder.expected.get(&key).map_or("", String::as_str);
    format!(
        "{:<9}{:<34}{:<26}{:<38}{:<12}{:<12}{}",
        folder.name,
        name,
        expected,
        seen.unwrap_or_else(|| "none".to_owned()),
        state,
        if over { "" } else { next },
        if over { "" } else { last_useful(assessment, name) }
    )
}

/// Whether an alert of a kind stands.
fn stands(folder: &Folder, kind: &str) -> bool {
    let of_kind = |issue: &&Json| text(issue, "/code/coding/0/code") == kind;
    folder.issues.iter().filter(of_kind).any(|issue| issue.pointer("/identifiedPeriod/end").is_none())
}

/// The last useful date of a distal transfer to a target.
fn last_useful<'a>(assessment: &'a Json, name: &str) -> &'a str {
    for extension in list(assessment, "extension").filter(|e| text(e, "/url").ends_with("last-useful-date")) {
        let part = |part: &str| list(extension, "extension").find(move |e| text(e, "/url") == part);
        let transfer = part("salvage").is_some_and(|part| text(part, "/valueCode") == "distal-transfer");
        let structure = part("structure").map_or("", |part| {
            let concept = &part["valueCodeableConcept"];
            if text(concept, "/text").is_empty() {
                text(concept, "/coding/0/display")
            } else {
                text(concept, "/text")
            }
        });
        if transfer && structure.split(['(', ',']).next().map(str::trim) == Some(name) {
            return part("date").map_or("", |part| text(part, "/valueDate"));
        }
    }
    "no limit"
}

/// Every alert about the nerve with the day on which it was raised; those about bookings only as a number.
fn alerts(folder: &Folder) -> Vec<String> {
    let mut alerts: Vec<(String, String)> = Vec::new();
    let mut bookings = 0;
    for issue in &folder.issues {
        let kind = text(issue, "/code/coding/0/code");
        if kind == "review-unbooked" {
            bookings += 1;
        } else {
            let raised = text(issue, "/identifiedPeriod/start").get(..10).unwrap_or_default();
            alerts.push((raised.to_owned(), format!("{kind} {raised}")));
        }
    }
    alerts.sort();
    let mut alerts: Vec<String> = alerts.into_iter().map(|(_, text)| text).collect();
    if bookings > 0 {
        alerts.push(format!("{bookings} × review-unbooked"));
    }
    alerts
}
