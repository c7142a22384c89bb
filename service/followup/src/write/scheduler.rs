//! What a scheduler says on a Task.

use crate::capacity;
use crate::element::{self, coded, text};
use crate::intake::ours;
use crate::{account, document};
use endplate_fhir::Json;
use endplate_recovery::unit::Date;
use serde_json::json;

/// A scheduler who sets the state of a Task says something of the world; that is kept apart from what is derived, and stays
/// until something else is said. A Task that shows what is stored says nothing new.
pub(super) fn note(task: &mut Json, stored: &Json, today: Date) {
    if ours(stored, "task").is_none() {
        return;
    }
    let (said, on) = if capacity::is_booked(stored) || !is_moved(task) { shown(task) } else { (None, None) };
    let (before, day) = shown(stored);
    let new = said != before || (on.is_some() && on != day);
    let kept = element::extensions(stored, "scheduler-said").next().cloned();
    let note = match said {
        Some(said @ ("booked" | "attended" | "to-book")) if new => {
            let on = on.map_or(today.to_string(), |on| on.chars().take(10).collect());
            let parts = vec![("state", "Code", json!(said)), ("date", "Date", json!(on))];
            Some(document::extension_of("scheduler-said", parts))
        }
        _ => kept,
    };
    let url = crate::code::structure("scheduler-said");
    let others = element::items(task, "extension").filter(|one| text(one, &["url"]) != Some(&url)).cloned();
    let all: Vec<Json> = others.chain(note).collect();
    if let Some(members) = task.as_object_mut() {
        if all.is_empty() {
            members.shift_remove("extension");
        } else {
            members.insert("extension".to_owned(), Json::Array(all));
        }
    }
    // Day and narrative are the service's, whatever was sent.
    set_modified(task, today);
    *task = account::told(std::mem::take(task));
}

/// The service keeps `lastModified`: the day of the change, never before `authoredOn` (FHIR R4 Task, inv-1). To the day, as
/// `authoredOn` is, so that the two can be compared.
pub(crate) fn set_modified(task: &mut Json, today: Date) {
    let today = today.to_string();
    let authored = text(task, &["authoredOn"]).and_then(|on| on.get(..10)).unwrap_or_default();
    let modified = if authored > today.as_str() { authored.to_owned() } else { today };
    if let Some(members) = task.as_object_mut() {
        members.insert("lastModified".to_owned(), json!(modified));
    }
}

/// Whether a Task says that its window and its booking have come apart, which only the service can say of a booked one.
fn is_moved(task: &Json) -> bool {
    task.get("businessStatus").and_then(|state| coded(state, "review-state")) == Some("moved")
}

/// The state that a Task shows, and the day of the booking or of the visit.
fn shown(task: &Json) -> (Option<&str>, Option<&str>) {
    let state = match text(task, &["status"]) {
        Some("completed") => Some("attended"),
        _ if capacity::is_booked(task) => Some("booked"),
        _ => task.get("businessStatus").and_then(|state| coded(state, "review-state")),
    };
    let on = match state {
        Some("booked") => element::items(task, "input").find_map(|input| text(input, &["valueDate"])),
        Some("attended") => {
            text(task, &["executionPeriod", "end"]).or(text(task, &["executionPeriod", "start"]))
        }
        _ => None,
    };
    (state, on)
}
