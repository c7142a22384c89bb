//! Messages about alerts: Communication, one a day at most to one recipient about one patient; what comes later on the same day
//! is added to it.

use crate::answer::{self, is_since};
use crate::document::{CAUTION, author, concept, derived, identifier, reference};
use crate::dossier::Dossier;
use crate::element::{items, range, reference_of, text};
use crate::identity;
use crate::intake::{Injury, ours};
use crate::notice::{Parties, instant, issue_id};
use crate::plan::review_id;
use endplate_fhir::Json;
use endplate_recovery::alert::{Alert, Audience, Severity};
use endplate_recovery::unit::Date;
use jiff::Timestamp;
use serde_json::json;
use std::collections::BTreeMap;

/// Something to be told to somebody about one alert.
#[derive(Clone, Debug)]
pub struct Word {
    /// The plan that the alert belongs to.
    plan: String,
    /// To whom.
    to: Json,
    /// The alert, its plan, its review.
    about: Vec<Json>,
    /// Its kind.
    category: Json,
    /// What is said.
    sentence: String,
    /// Whether it is of high severity.
    urgent: bool,
}

impl Word {
    /// Whether it is told to this party.
    pub fn is_to(&self, party: &Json) -> bool {
        name(&self.to) == name(party)
    }
}

/// What must be told of an alert that stands, to each recipient: when it is raised, becomes graver, speaks again after a snooze,
/// or somebody else is to hear of it from now on. `stored` is what it was before.
pub fn words(
    injury: &Injury,
    alert: &Alert,
    stored: Option<&Json>,
    dossier: &Dossier,
    parties: Parties<'_>,
) -> Vec<Word> {
    let stood = stored.filter(|issue| text(issue, &["identifiedPeriod", "end"]).is_none());
    let before = stood.and_then(|issue| text(issue, &["severity"])).and_then(Severity::from_code);
    let graver = before.is_none_or(|before| before < alert.severity);
    let knows = |to: &Json| stood.is_some_and(|issue| told(issue, dossier).any(|message| is_to(message, to)));
    let mut all = Vec::new();
    for to in recipients(injury, alert, stored, parties) {
        if graver || !knows(&to) {
            all.push(word(injury, alert, to));
        }
    }
    all
}

fn word(injury: &Injury, alert: &Alert, to: Json) -> Word {
    let issue = reference(&format!("DetectedIssue/{}", issue_id(injury, alert)));
    let mut about = vec![issue, reference(&format!("CarePlan/{}", injury.plan))];
    if let Some(key) = &alert.review {
        about.push(reference(&format!("Task/{}", review_id("Task", injury, key))));
    }
    Word {
        plan: injury.plan.clone(),
        to,
        about,
        category: concept("alert-kind", alert.kind.code(), alert.kind.display()),
        sentence: format!("{} {CAUTION}", alert.sentence),
        urgent: alert.severity == Severity::High,
    }
}

/// Who is meant. Whoever it was handed over to takes the place of those who should act on it.
fn recipients(injury: &Injury, alert: &Alert, stored: Option<&Json>, parties: Parties<'_>) -> Vec<Json> {
    let audience = alert.kind.audience();
    let acting = if audience.contains(&Audience::Surgeon) {
        Some(Audience::Surgeon)
    } else {
        audience.first().copied()
    };
    let successor = stored.and_then(answer::successor);
    let mut all: Vec<Json> = Vec::new();
    for one in audience {
        let meant = match (one, successor) {
            (one, Some(to)) if Some(*one) == acting => vec![to.clone()],
            (Audience::Scheduler, _) => vec![parties.scheduler.reference()],
            (Audience::ClinicLead, _) => vec![parties.clinic_lead.reference()],
            (Audience::Surgeon, _) => surgeons(injury, alert, parties),
        };
        for to in meant {
            if !all.iter().any(|other| name(other) == name(&to)) {
                all.push(to);
            }
        }
    }
    all
}

/// The surgeons of the repair concerned, of all repairs where none is; the lead where no surgeon is recorded.
fn surgeons(injury: &Injury, alert: &Alert, parties: Parties<'_>) -> Vec<Json> {
    let all = injury.procedures.iter().enumerate().filter(|(i, _)| alert.repair.is_none_or(|of| of == *i));
    let mut surgeons: Vec<Json> = all.flat_map(|(_, procedure)| &procedure.performers).cloned().collect();
    if surgeons.is_empty() {
        surgeons.push(parties.clinic_lead.reference());
    }
    surgeons
}

/// What tells one party from another.
fn name(party: &Json) -> &str {
    text(party, &["reference"]).or(text(party, &["display"])).unwrap_or_default()
}

/// Whether a message went to this party.
pub fn is_to(message: &Json, party: &Json) -> bool {
    items(message, "recipient").any(|one| name(one) == name(party))
}

/// The messages about an alert since it last began to speak: since it was raised, or since its snooze was over.
pub fn told<'a>(issue: &'a Json, dossier: &'a Dossier) -> impl Iterator<Item = &'a Json> {
    let name = reference_of(issue);
    let raised = text(issue, &["identifiedPeriod", "start"]).unwrap_or_default();
    let until = answer::quiet_until(issue);
    dossier.all("Communication").filter(move |message| {
        let since = text(message, &["sent"]).is_some_and(|sent| is_since(sent, raised));
        let after = until.is_none_or(|until| day(message).is_some_and(|day| day >= until));
        let about = items(message, "about").any(|about| text(about, &["reference"]) == Some(&name));
        about && since && after
    })
}

/// Whether somebody has received this message, after what it says of the alert was in it.
pub fn was_received(message: &Json, issue: &Json) -> bool {
    let raised = text(issue, &["identifiedPeriod", "start"]).unwrap_or_default();
    text(message, &["received"]).is_some_and(|received| is_since(received, raised))
}

/// The clinic's date of a message.
pub fn day(message: &Json) -> Option<Date> {
    let named = ours(message, "message").and_then(|value| value.split('/').nth(1).and_then(range));
    named.or_else(|| text(message, &["sent"]).and_then(range)).map(|day| day.latest)
}

/// The plans whose alerts a message is about.
pub fn plans(message: &Json) -> impl Iterator<Item = &str> {
    let system = crate::code::identifier("message");
    items(message, "identifier")
        .filter(move |one| text(one, &["system"]) == Some(&system))
        .filter_map(|one| text(one, &["value"])?.split('/').next())
}

/// The Communications of today that say all `words`, with what they said before.
pub fn messages(
    words: Vec<Word>,
    patient: &str,
    dossier: &Dossier,
    now: Timestamp,
    today: Date,
) -> Vec<Json> {
    let mut all: BTreeMap<String, Json> = BTreeMap::new();
    for word in words {
        let day = today.to_string();
        let id = identity::id("Communication", &[patient, name(&word.to), &day]);
        let before = || dossier.get("Communication", &id).map(|entry| entry.resource.clone());
        let so_far = all.remove(&id).or_else(before);
        let message = match so_far {
            Some(message) => added(message, &word, &day, now),
            None => first(&word, &id, patient, &day, now),
        };
        all.insert(id, message);
    }
    all.into_values().collect()
}

fn first(word: &Word, id: &str, patient: &str, day: &str, now: Timestamp) -> Json {
    derived(
        "Communication",
        id,
        json!({
            "identifier": identifier("message", &format!("{}/{day}/{id}", word.plan)),
            "status": "completed",
            "category": [word.category],
            "priority": if word.urgent { "urgent" } else { "routine" },
            "subject": reference(patient),
            "about": word.about,
            "sent": instant(now),
            "recipient": [word.to],
            "sender": author(),
            "payload": [{ "contentString": word.sentence }],
        }),
    )
}

/// A message of today with one thing more to say.
fn added(mut message: Json, word: &Word, day: &str, now: Timestamp) -> Json {
    let id = text(&message, &["id"]).unwrap_or_default().to_owned();
    // The same may be said of another alert, or again of one that was raised again on that day: then it is sent once more.
    push(&mut message, "payload", json!({ "contentString": word.sentence }));
    push(&mut message, "category", word.category.clone());
    for one in &word.about {
        push(&mut message, "about", one.clone());
    }
    for one in identifier("message", &format!("{}/{day}/{id}", word.plan)).as_array().into_iter().flatten() {
        push(&mut message, "identifier", one.clone());
    }
    if let Some(members) = message.as_object_mut() {
        members.insert("sent".to_owned(), json!(instant(now)));
        if word.urgent {
            members.insert("priority".to_owned(), json!("urgent"));
        }
    }
    message
}

/// Adds an item to an array unless it is there.
fn push(message: &mut Json, name: &str, item: Json) {
    if let Some(all) = message.get_mut(name).and_then(Json::as_array_mut)
        && !all.contains(&item)
    {
        all.push(item);
    }
}
