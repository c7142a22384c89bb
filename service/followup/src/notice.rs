//! Alerts -> DetectedIssue, Flag. The messages about them are in [`crate::message`].

use crate::answer;
use crate::document::{
    CAUTION, author, concept, derived, extension_of, identifier, length, percent, reference,
};
use crate::element::{items, text};
use crate::identity;
use crate::intake::Injury;
use crate::object::json;
use crate::plan::{Party, review_id};
use endplate_fhir::Json;
use endplate_fhir::narrative::Narrative;
use endplate_recovery::alert::{Alert, Fact, Kind, Severity, Value};
use endplate_recovery::unit::{Date, Probability};
use jiff::Timestamp;

/// Whom the configuration names for messages.
#[derive(Clone, Copy)]
pub struct Parties<'a> {
    /// Leads the clinic; gets the surgeon's alerts where no surgeon is recorded.
    pub clinic_lead: &'a Party,
    /// Books reviews.
    pub scheduler: &'a Party,
}

/// Id of the DetectedIssue of an alert.
pub fn issue_id(injury: &Injury, alert: &Alert) -> String {
    identity::id("DetectedIssue", &[&injury.key, alert.kind.code(), &alert.subject])
}

/// The DetectedIssue of a standing alert. `stored` is what it was before; what people added to it stays.
pub fn detected_issue(
    injury: &Injury,
    patient: &str,
    alert: &Alert,
    stored: Option<&Json>,
    now: Timestamp,
) -> Json {
    let stands = stored.filter(|issue| text(issue, &["identifiedPeriod", "end"]).is_none());
    let raised = stands.and_then(|issue| text(issue, &["identifiedPeriod", "start"])).map(str::to_owned);
    let raised = raised.unwrap_or_else(|| instant(now));
    // An answer belongs to the time the alert stood; raised anew or graver, it asks anew.
    let before = stands.and_then(|issue| text(issue, &["severity"])).and_then(Severity::from_code);
    let answers: Vec<Json> = stored.map_or_else(Vec::new, |stored| {
        let mut stored = stored.clone();
        answer::settle(&mut stored);
        match before {
            Some(before) if before >= alert.severity => items(&stored, "mitigation").cloned().collect(),
            _ => answer::lasting(&stored),
        }
    });
    let mitigation = if answers.is_empty() { Json::Null } else { Json::Array(answers) };
    let mut implicated = vec![reference(&format!("CarePlan/{}", injury.plan))];
    if let Some(procedure) = alert.repair.and_then(|index| injury.procedures.get(index)) {
        implicated.push(reference(&procedure.reference));
    }
    if let Some(key) = &alert.review {
        implicated.push(reference(&format!("Task/{}", review_id("Task", injury, key))));
    }
    let facts: Vec<Json> =
        answer::about(&alert.places).into_iter().chain(alert.facts.iter().map(fact)).collect();
    let lines: Vec<String> = alert.facts.iter().map(fact_line).collect();
    derived(
        "DetectedIssue",
        &issue_id(injury, alert),
        json!({
            "text": Narrative::titled(alert.kind.display()).paragraph(&alert.sentence).list(&lines).paragraph(CAUTION).build(),
            "extension": if facts.is_empty() { Json::Null } else { Json::Array(facts) },
            "identifier": identifier("alert", &format!("{}/{}/{}", injury.plan, alert.kind.code(), alert.subject)),
            "status": "final",
            "code": concept("alert-kind", alert.kind.code(), alert.kind.display()),
            "severity": alert.severity.code(),
            "patient": reference(patient),
            "identifiedPeriod": { "start": raised },
            "author": author(),
            "implicated": implicated,
            "evidence": evidence(injury, alert),
            "detail": format!("{} {CAUTION}", alert.sentence),
            "mitigation": mitigation,
        }),
    )
}

/// What an alert rests on: the findings, then the forecast they are held against; or the alert that has no answer.
fn evidence(injury: &Injury, alert: &Alert) -> Json {
    let mut all = Vec::new();
    if !alert.findings.is_empty() {
        let details: Vec<Json> = alert.findings.iter().map(|finding| reference(finding)).collect();
        all.push(json!({ "detail": details }));
    }
    let forecast = matches!(
        alert.kind,
        Kind::RecoveryOverdue | Kind::FrontStatic | Kind::ReachInDoubt | Kind::SalvageClosing
    );
    let procedure = alert.repair.and_then(|index| injury.procedures.get(index));
    if let Some(procedure) = procedure.filter(|_| forecast) {
        let id = identity::id("RiskAssessment", &[&injury.key, &procedure.name]);
        all.push(json!({ "detail": [reference(&format!("RiskAssessment/{id}"))] }));
    }
    if let Some((kind, subject)) = &alert.of {
        let id = identity::id("DetectedIssue", &[&injury.key, kind.code(), subject]);
        all.push(json!({ "detail": [reference(&format!("DetectedIssue/{id}"))] }));
    }
    if all.is_empty() { Json::Null } else { Json::Array(all) }
}

/// An instant as FHIR writes it, in whole seconds and UTC.
pub fn instant(at: Timestamp) -> String {
    at.strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// A number an alert rests on, as data.
fn fact(fact: &Fact) -> Json {
    let (kind, value) = match &fact.value {
        Value::On(date) => ("Date", json!(date.to_string())),
        Value::Chance(chance) => ("Decimal", percent(Probability(*chance))),
        Value::Length(mm) => ("Quantity", length(*mm)),
        Value::Text(text) => ("String", json!(text.as_str())),
    };
    extension_of("alert-fact", vec![("name", "String", json!(fact.name.as_str())), ("value", kind, value)])
}

/// The same for people.
fn fact_line(fact: &Fact) -> String {
    let value = match &fact.value {
        Value::On(date) => date.to_string(),
        Value::Chance(chance) => Probability(*chance).percent(),
        Value::Length(mm) => format!("{:.0} mm", mm.0),
        Value::Text(text) => text.clone(),
    };
    format!("{}: {value}", fact.name)
}

/// The banner on the chart: active while one of these alerts, those that are not silent, is of high severity. None if there never was one.
pub fn flag(
    injury: &Injury,
    patient: &str,
    alerts: &[&Alert],
    stored: Option<&Json>,
    today: Date,
) -> Option<Json> {
    let grave: Vec<&Alert> =
        alerts.iter().copied().filter(|alert| alert.severity == Severity::High).collect();
    let active = stored.filter(|flag| text(flag, &["status"]) == Some("active"));
    if grave.is_empty() {
        return active.map(|flag| ended_flag(flag, today));
    }
    let start =
        active.and_then(|flag| text(flag, &["period", "start"])).map_or(today.to_string(), str::to_owned);
    let names: Vec<&str> = grave.iter().map(|alert| alert.kind.display()).collect();
    let mut extensions: Vec<Json> = grave
        .iter()
        .map(|alert| {
            json!({
                "url": "http://hl7.org/fhir/StructureDefinition/flag-detail",
                "valueReference": reference(&format!("DetectedIssue/{}", issue_id(injury, alert))),
            })
        })
        .collect();
    extensions.push(json!({
        "url": "http://hl7.org/fhir/StructureDefinition/flag-priority",
        "valueCodeableConcept": { "coding": [{ "system": "http://hl7.org/fhir/flag-priority-code", "code": "PH", "display": "High priority" }] },
    }));
    Some(derived(
        "Flag",
        &identity::id("Flag", &[&injury.key]),
        json!({
            "extension": extensions,
            "identifier": identifier("flag", &injury.plan),
            "status": "active",
            "category": [{ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/flag-category", "code": "clinical", "display": "Clinical" }] }],
            "code": { "text": format!("Nerve repair: {}", names.join(", ")) },
            "subject": reference(patient),
            "period": { "start": start },
            "author": author(),
        }),
    ))
}

/// A flag that no longer stands.
pub fn ended_flag(flag: &Json, today: Date) -> Json {
    let mut flag = flag.clone();
    let start = text(&flag, &["period", "start"]).map_or(today.to_string(), str::to_owned);
    if let Some(members) = flag.as_object_mut() {
        members.insert("status".to_owned(), json!("inactive"));
        // A clock that was set back ends nothing before it began (R4 per-1).
        let end = today.to_string().max(start.clone());
        members.insert("period".to_owned(), json!({ "start": start, "end": end }));
    }
    flag
}

/// An alert that no longer stands.
pub fn ended_issue(issue: &Json, now: Timestamp) -> Json {
    let mut issue = issue.clone();
    answer::settle(&mut issue);
    if let Some(period) = issue.get_mut("identifiedPeriod").and_then(Json::as_object_mut) {
        let start = period.get("start").and_then(Json::as_str).unwrap_or_default().to_owned();
        period.entry("end").or_insert_with(|| json!(instant(now).max(start)));
    }
    issue
}
