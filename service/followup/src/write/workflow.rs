//! What may become of a Task and of a CarePlan: the states a client may move them between.
//!
//! R4 calls its diagram of Task states typical and leaves the choice to the service (FHIR R4 task.html, request.html); this is
//! the choice, and `documentation` tells it in the CapabilityStatement.

use crate::capacity;
use crate::element::{coded, text};
use crate::intake::{modifier, ours};
use crate::preview::is_derived;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use std::fmt::Write as _;

type Moves = &'static [(&'static str, &'static [&'static str])];

/// From which state of a Task to which. The end may be told without the steps before it; `on-hold` goes back to any open state.
const TASK: Moves = &[
    ("draft", &["requested", "on-hold", "cancelled", "entered-in-error"]),
    (
        "requested",
        &[
            "received",
            "accepted",
            "rejected",
            "on-hold",
            "completed",
            "failed",
            "cancelled",
            "entered-in-error",
        ],
    ),
    (
        "received",
        &["accepted", "rejected", "on-hold", "completed", "failed", "cancelled", "entered-in-error"],
    ),
    (
        "accepted",
        &[
            "requested",
            "ready",
            "in-progress",
            "on-hold",
            "completed",
            "failed",
            "cancelled",
            "entered-in-error",
        ],
    ),
    ("ready", &["in-progress", "on-hold", "completed", "failed", "cancelled", "entered-in-error"]),
    ("in-progress", &["ready", "on-hold", "completed", "failed", "cancelled", "entered-in-error"]),
    (
        "on-hold",
        &[
            "requested",
            "received",
            "accepted",
            "ready",
            "in-progress",
            "failed",
            "cancelled",
            "entered-in-error",
        ],
    ),
    ("rejected", &[]),
    ("completed", &[]),
    ("failed", &[]),
    ("cancelled", &[]),
    ("entered-in-error", &[]),
];

/// From which state of a CarePlan of others to which.
const CARE_PLAN: Moves = &[
    ("draft", &["active", "on-hold", "revoked", "entered-in-error", "unknown"]),
    ("active", &["on-hold", "completed", "revoked", "entered-in-error", "unknown"]),
    ("on-hold", &["active", "completed", "revoked", "entered-in-error", "unknown"]),
    ("unknown", &["draft", "active", "on-hold", "completed", "revoked", "entered-in-error"]),
    ("completed", &["entered-in-error"]),
    ("revoked", &["entered-in-error"]),
    ("entered-in-error", &[]),
];

/// The same for the plans of this service: a clinician ends them, and may take them up again.
const OWN_CARE_PLAN: Moves = &[
    ("active", &["completed", "revoked"]),
    ("completed", &["active", "revoked"]),
    ("revoked", &["active", "completed"]),
];

/// States of a Task that need a reason.
const NEEDS_REASON: [&str; 4] = ["on-hold", "rejected", "cancelled", "failed"];

/// What the CapabilityStatement says of the states of a type.
pub fn documentation(kind: &str) -> Option<String> {
    let (moves, more) = match kind {
        "Task" => (
            TASK,
            "intent never changes. on-hold, rejected, cancelled and failed need a statusReason. On the Tasks of this service \
             lastModified is the service's, accepted means booked, and a correction of the records (a finding taken back, an \
             Appointment cancelled) opens a review again; lateness is no state: a DetectedIssue tells of it. A suspended Task \
             suspends no other.",
        ),
        "CarePlan" => (
            CARE_PLAN,
            "intent never changes. The plans of this service are active until a clinician sets completed or revoked, and active \
             again when a clinician says so; the service itself completes none, even when every goal is achieved.",
        ),
        _ => return None,
    };
    let mut all = "States: ".to_owned();
    for (from, to) in moves {
        let to = if to.is_empty() { "none (final)".to_owned() } else { to.join(", ") };
        let _ = write!(all, "{from} to {to}; ");
    }
    Some(format!("{} {more}", all.trim_end_matches("; ").to_owned() + "."))
}

/// What is wrong with a change of a Task or CarePlan, against what is stored.
pub(super) fn change(resource: &Json, stored: Option<&Json>) -> Vec<Issue> {
    let kind = text(resource, &["resourceType"]).unwrap_or_default();
    let mut issues = Vec::new();
    // What people add to a derived resource is acted upon, so it must be understood.
    if stored.is_some_and(is_derived) {
        issues.extend(modifier::issues(resource));
    }
    match kind {
        "Task" => {
            let own = stored.is_some_and(|stored| ours(stored, "task").is_some());
            issues.extend(reason(resource, stored));
            if let Some(stored) = &stored {
                issues.extend(moved(kind, resource, stored, TASK));
                issues.extend(own.then(|| review(resource, stored)).flatten());
            }
        }
        "CarePlan" => {
            if let Some(stored) = &stored {
                let own = ours(stored, "plan").is_some();
                issues.extend(moved(kind, resource, stored, if own { OWN_CARE_PLAN } else { CARE_PLAN }));
            }
        }
        _ => return issues,
    }
    let intent = |resource: &Json| text(resource, &["intent"]).map(str::to_owned);
    if stored.is_some_and(|stored| intent(stored) != intent(resource)) {
        let text = "The intent of a request never changes: send the stored intent, or make a new resource.";
        issues.push(Issue::error(Code::BusinessRule, format!("{kind}.intent"), text));
    }
    issues
}

/// A step that the table does not know, with those it does.
fn moved(kind: &str, resource: &Json, stored: &Json, moves: Moves) -> Option<Issue> {
    let (to, from) = (text(resource, &["status"])?, text(stored, &["status"])?);
    if to == from {
        return None;
    }
    let (name, allowed) = moves.iter().find(|(name, _)| *name == from)?;
    if allowed.contains(&to) {
        return None;
    }
    let text = if allowed.is_empty() {
        format!("A {kind} that is {name} stays so: record what happened since in a new resource.")
    } else {
        format!("From {name} a {kind} goes to one of {}: send one of them.", allowed.join(", "))
    };
    Some(Issue::error(Code::BusinessRule, format!("{kind}.status"), text))
}

fn reason(task: &Json, stored: Option<&Json>) -> Option<Issue> {
    let status = text(task, &["status"])?;
    let new = stored.is_none_or(|stored| text(stored, &["status"]) != Some(status));
    if !new || !NEEDS_REASON.contains(&status) || task.get("statusReason").is_some() {
        return None;
    }
    let text = "Say why in statusReason: on-hold, rejected, cancelled and failed need a reason.";
    Some(Issue::error(Code::Required, "Task.statusReason", text))
}

/// What the Task of a review may not say, because the records say otherwise.
fn review(task: &Json, stored: &Json) -> Option<Issue> {
    let (to, from) = (text(task, &["status"])?, text(stored, &["status"])?);
    if to == from {
        return None;
    }
    let booked = capacity::is_booked(task);
    let text = match to {
        "accepted" | "ready" | "in-progress" if !booked => {
            "A review is accepted when it is booked: send businessStatus booked with the day in input, or an Appointment based on its ServiceRequest."
        }
        "rejected" | "failed" | "cancelled" if booked => {
            "This review is booked: cancel the Appointment, or send businessStatus to-book, before it is called off."
        }
        "entered-in-error" => {
            "A review follows from the records: retract the record that is wrong, and the review is withdrawn."
        }
        _ => return None,
    };
    Some(Issue::error(Code::BusinessRule, "Task.status", text))
}

/// The state that people gave the Task of a review and that does not contradict `derived`, the state it would have else.
pub(crate) fn keeps(stored: &Json, derived: &str) -> bool {
    let said = text(stored, &["status"]).unwrap_or_default();
    let state = stored.get("businessStatus").and_then(|state| coded(state, "review-state"));
    match derived {
        "requested" => {
            matches!(said, "received" | "on-hold" | "rejected" | "failed")
                || (said == "cancelled" && state != Some("withdrawn"))
        }
        // A review held before it was booked is held no longer once it is.
        "accepted" => {
            matches!(said, "ready" | "in-progress") || (said == "on-hold" && capacity::is_booked(stored))
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // FHIR R4 task.html, TaskStatus: every state has its row, and no row leads to a state that is none.
    #[test]
    fn the_tables_are_closed() {
        for moves in [TASK, CARE_PLAN, OWN_CARE_PLAN] {
            let states: Vec<&str> = moves.iter().map(|(from, _)| *from).collect();
            for (from, to) in moves {
                assert!(to.iter().all(|to| states.contains(to) && to != from), "{from} to {to:?}");
            }
        }
        assert_eq!(TASK.len(), 12);
    }
}
