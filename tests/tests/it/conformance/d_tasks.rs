//! D, Tasks: what a Task says, and the states it may go through. Sources are pages of FHIR R4.

use super::d_modelling::{grafted, list, references, refused};
use crate::clinic::{Clinic, after, appointment, state, text, tinel, with};
use crate::served::Served;
use endplate_fhir::Json;
use serde_json::json;

/// The first open Task with a status and, where one is asked for, a reason.
async fn said(clinic: &Clinic, id: &str, status: &str) -> Json {
    let mut task = clinic.get("Task", id).await;
    task["status"] = json!(status);
    if matches!(status, "on-hold" | "rejected" | "cancelled" | "failed") {
        task["statusReason"] = json!({ "text": "the ward is closed" });
    }
    task
}

/// FHIR R4 task-definitions.html#Task.intent: an order; what it is does not change.
#[tokio::test]
async fn d13_the_intent_of_a_task_never_changes() {
    let clinic = grafted().await;
    let task = clinic.open_tasks().await[0].clone();
    assert_eq!(task["intent"], "order");
    let said = refused(&clinic, with(&task, "intent", json!("plan")), "Task.intent").await;
    assert!(said.contains("never changes"), "{said}");
    let mut own = json!({ "resourceType": "Task", "id": "t", "status": "requested", "intent": "order" });
    clinic.put(own.clone()).await.unwrap();
    refused(&clinic, with(&own, "intent", json!("proposal")), "Task.intent").await;
    own.as_object_mut().unwrap().remove("intent");
    clinic.put(own).await.unwrap_err();
}

/// FHIR R4 task-definitions.html: `restriction.period` is when it is asked for, `executionPeriod` when it was done.
#[tokio::test]
async fn d14_a_task_is_due_at_the_end_of_its_restriction() {
    let clinic = grafted().await;
    let tasks = clinic.open_tasks().await;
    for task in &tasks {
        let (from, to) = (text(task, "/restriction/period/start"), text(task, "/restriction/period/end"));
        assert!(!from.is_empty() && from < to, "{task}");
        assert!(task.get("executionPeriod").is_none());
    }
    clinic.clock.turn_to("2026-03-16");
    clinic.put(appointment("a1", "p1", &tasks[0], "fulfilled", "2026-03-16")).await.unwrap();
    let done = clinic.get("Task", text(&tasks[0], "/id")).await;
    assert_eq!(done["executionPeriod"], json!({ "start": "2026-03-16", "end": "2026-03-16" }));
    assert_eq!(done["restriction"], tasks[0]["restriction"]);
}

/// FHIR R4 task.html: whom it is for, what is acted on, on what authority, who asks, who does.
#[tokio::test]
async fn d15_a_task_says_for_whom_on_what_and_by_whom() {
    let clinic = grafted().await;
    let plan = format!("CarePlan/{}", text(&clinic.plan().await, "/id"));
    for task in clinic.open_tasks().await {
        assert_eq!(text(&task, "/for/reference"), "Patient/p1");
        assert!(text(&task, "/focus/reference").starts_with("ServiceRequest/"));
        assert_eq!(references(&task, "/basedOn"), [plan.as_str()]);
        assert_eq!(text(&task, "/requester/reference"), "Device/endplate");
        assert_eq!(text(&task, "/owner/display"), "Booking desk");
    }
    let device = clinic.get("Device", "endplate").await;
    assert!(!text(&device, "/version/0/value").is_empty());
}

/// FHIR R4 task-definitions.html#Task.reasonReference, input and output: each slot has its type.
#[tokio::test]
async fn d16_a_task_names_its_repair_and_types_its_slots() {
    let clinic = grafted().await;
    for task in clinic.open_tasks().await {
        assert_eq!(text(&task, "/reasonReference/reference"), "Procedure/r1");
        let (from, to) = (text(&task, "/restriction/period/start"), text(&task, "/restriction/period/end"));
        for input in list(&task, "/input") {
            assert!(!text(input, "/type/text").is_empty());
            assert!((from..=to).contains(&text(input, "/valueDate")), "{task}");
        }
    }
}

/// FHIR R4 task.html, "Task state machine": typical there, published and enforced here.
#[tokio::test]
async fn d17_a_task_goes_only_where_its_states_lead() {
    let clinic = grafted().await;
    let path = [
        "draft",
        "requested",
        "received",
        "accepted",
        "ready",
        "on-hold",
        "ready",
        "in-progress",
        "on-hold",
        "in-progress",
        "completed",
    ];
    let task = |status: &str| {
        let reason = json!({ "text": "the ward is closed" });
        let task = json!({ "resourceType": "Task", "id": "t", "status": status, "intent": "order" });
        if status == "on-hold" { with(&task, "statusReason", reason) } else { task }
    };
    for status in path {
        clinic.put(task(status)).await.unwrap();
        assert_eq!(clinic.get("Task", "t").await["status"], status);
    }
    let jumps =
        [("draft", "completed"), ("requested", "draft"), ("in-progress", "rejected"), ("ready", "received")];
    for (n, (from, to)) in jumps.into_iter().enumerate() {
        let named = |status: &str| {
            let task = with(&task(status), "id", json!(format!("t{n}")));
            with(&task, "statusReason", json!({ "text": "a reason" }))
        };
        clinic.put(named(from)).await.unwrap();
        let said = refused(&clinic, named(to), "Task.status").await;
        assert!(said.starts_with(&format!("From {from}")) && said.contains("one of"), "{said}");
    }
    // The table is published.
    let statement = Served::open("2026-03-03").await.get("/fhir/metadata").await.json();
    let of = |kind: &str| {
        let all = statement["rest"][0]["resource"].as_array().unwrap();
        all.iter().find(|one| one["type"] == kind).unwrap()["documentation"].as_str().unwrap().to_owned()
    };
    assert!(of("Task").contains("draft to requested, on-hold, cancelled, entered-in-error;"));
    assert!(of("Task").contains("completed to none (final)"), "{}", of("Task"));
    assert!(of("CarePlan").contains("intent never changes"));
    // A review that is put on hold, received or rejected by its scheduler stays so while the plan still asks for it.
    let ids: Vec<String> =
        clinic.open_tasks().await.iter().map(|task| text(task, "/id").to_owned()).collect();
    for (id, status) in ids.iter().zip(["on-hold", "received", "rejected", "cancelled"]) {
        clinic.put(said(&clinic, id, status).await).await.unwrap();
        let before = clinic.get("Task", id).await;
        assert_eq!(state(&before), (status, "to-book"));
        clinic.put(tinel("o1", "p1", "r1", "2026-03-03", 0.0)).await.unwrap();
        assert_eq!(clinic.get("Task", id).await["status"], status);
    }
    // On hold, it goes back to the state it left.
    let mut held = said(&clinic, &ids[0], "requested").await;
    held.as_object_mut().unwrap().remove("statusReason");
    clinic.put(held).await.unwrap();
    assert_eq!(state(&clinic.get("Task", &ids[0]).await), ("requested", "to-book"));
    // A booking takes up again what was held or called off.
    for (n, id) in [(2, &ids[2]), (3, &ids[3])] {
        let task = clinic.get("Task", id).await;
        let on = text(&task, "/restriction/period/end");
        clinic.put(appointment(&format!("a{n}"), "p1", &task, "booked", on)).await.unwrap();
        let task = clinic.get("Task", id).await;
        assert_eq!((state(&task), task.get("statusReason")), (("accepted", "booked"), None));
    }
    // Booked, it may be held, and says so until it is not; it is not called off while it is booked.
    clinic.put(said(&clinic, &ids[2], "on-hold").await).await.unwrap();
    assert_eq!(state(&clinic.get("Task", &ids[2]).await), ("on-hold", "booked"));
    let text = refused(&clinic, said(&clinic, &ids[3], "cancelled").await, "Task.status").await;
    assert!(text.contains("cancel the Appointment"), "{text}");
    // Accepted means booked.
    let said = refused(&clinic, said(&clinic, &ids[1], "accepted").await, "Task.status").await;
    assert!(said.contains("businessStatus booked"), "{said}");
}

/// FHIR R4 task.html: the ends of the diagram. Only a correction of the records opens a review again.
#[tokio::test]
async fn d18_an_ended_task_stays_ended() {
    let clinic = grafted().await;
    for status in ["completed", "failed", "rejected", "cancelled", "entered-in-error"] {
        let task = json!({ "resourceType": "Task", "id": status, "status": status, "intent": "order",
            "statusReason": { "text": "a reason" } });
        clinic.put(task.clone()).await.unwrap();
        for again in ["requested", "in-progress"] {
            let said = refused(&clinic, with(&task, "status", json!(again)), "Task.status").await;
            assert!(said.contains("new resource"), "{said}");
        }
    }
    let first = clinic.open_tasks().await[0].clone();
    let finding = tinel("o1", "p1", "r1", "2026-03-16", 0.0);
    clinic.clock.turn_to("2026-03-16");
    clinic.put(finding.clone()).await.unwrap();
    let done = clinic.get("Task", text(&first, "/id")).await;
    assert_eq!(done["status"], "completed");
    refused(&clinic, with(&done, "status", json!("requested")), "Task.status").await;
    // The documented correction: the finding that closed it is taken back.
    clinic.put(with(&finding, "status", json!("entered-in-error"))).await.unwrap();
    assert_eq!(clinic.get("Task", text(&first, "/id")).await["status"], "requested");
}

/// FHIR R4 task-definitions.html#Task.businessStatus: lateness is told by a DetectedIssue; the Task has not failed.
#[tokio::test]
async fn d19_lateness_is_no_state_of_a_task() {
    let clinic = grafted().await;
    let first = clinic.open_tasks().await[0].clone();
    let late = after(text(&first, "/restriction/period/end"), 10);
    clinic.sweep_on(&late).await;
    assert!(clinic.stands("review-overdue").await);
    let task = clinic.get("Task", text(&first, "/id")).await;
    assert_eq!(state(&task), ("requested", "to-book"));
    assert!(
        clinic.standing("review-overdue").await[0]["implicated"].to_string().contains(text(&task, "/id"))
    );
}

/// FHIR R4 Task, inv-1: `lastModified` is not before `authoredOn`; and the service keeps it, whatever a client's clock says.
#[tokio::test]
async fn d20_last_modified_is_the_services() {
    let clinic = grafted().await;
    let mut task = clinic.open_tasks().await[0].clone();
    assert_eq!((&task["authoredOn"], &task["lastModified"]), (&json!("2026-03-03"), &json!("2026-03-03")));
    clinic.clock.turn_to("2026-03-05");
    task["note"] = json!([{ "text": "rang twice" }]);
    task["lastModified"] = json!("2031-01-01T00:00:00Z");
    clinic.put(task.clone()).await.unwrap();
    let stored = clinic.get("Task", text(&task, "/id")).await;
    assert_eq!((text(&stored, "/lastModified"), text(&stored, "/note/0/text")), ("2026-03-05", "rang twice"));
    // Another time is no change.
    task["lastModified"] = json!("2026-03-04T00:00:00Z");
    clinic.clock.turn_to("2026-03-06");
    assert_eq!(clinic.put(task).await.unwrap().version, 2);
}

/// FHIR R4 task-definitions.html#Task.statusReason: why it is held, declined or ended; nothing of a state that is over.
#[tokio::test]
async fn d21_a_task_that_stops_says_why() {
    let clinic = grafted().await;
    let id = text(&clinic.open_tasks().await[0], "/id").to_owned();
    for status in ["on-hold", "rejected", "cancelled", "failed"] {
        let mut task = said(&clinic, &id, status).await;
        task.as_object_mut().unwrap().remove("statusReason");
        let text = refused(&clinic, task, "Task.statusReason").await;
        assert!(text.contains("statusReason"), "{text}");
    }
    clinic.put(said(&clinic, &id, "on-hold").await).await.unwrap();
    assert_eq!(text(&clinic.get("Task", &id).await, "/statusReason/text"), "the ward is closed");
    clinic.put(said(&clinic, &id, "requested").await).await.unwrap();
    assert!(clinic.get("Task", &id).await.get("statusReason").is_none());
}

/// RFC 5545 sections 3.1, 3.6.1, 3.8.7: a stable UID, a SEQUENCE that grows, DTSTAMP in UTC, days as VALUE=DATE, no DUE and no
/// DURATION. `calendar.rs` has the feeds read by an independent library.
#[tokio::test]
async fn d53_reviews_are_a_calendar() {
    let clinic = grafted().await;
    let task = clinic.task("wound-posterior-interosseous").await;
    let event = async || {
        let feed = clinic.endplate.patient_calendar("p1").await.unwrap();
        assert!(feed.split("\r\n").all(|line| line.len() <= 75 && !line.contains('\n')));
        let feed = feed.replace("\r\n ", "");
        let all = feed.split("BEGIN:VEVENT\r\n").find(|one| one.contains(text(&task, "/id")));
        all.unwrap().lines().map(str::to_owned).collect::<Vec<_>>()
    };
    let value = |event: &[String], name: &str| {
        let line =
            event.iter().find(|line| line.starts_with(name)).unwrap_or_else(|| panic!("{name}: {event:?}"));
        line[name.len()..].to_owned()
    };
    let first = event().await;
    assert_eq!(value(&first, "DTSTART;VALUE=DATE:"), text(&task, "/input/0/valueDate").replace('-', ""));
    assert_eq!(value(&first, "DTSTAMP:"), "20260303T120000Z");
    assert!(!first.iter().any(|line| line.starts_with("DUE") || line.starts_with("DURATION")));
    clinic.put(appointment("a1", "p1", &task, "booked", "2026-03-13")).await.unwrap();
    let second = event().await;
    assert_eq!(value(&second, "UID:"), value(&first, "UID:"));
    assert_eq!(value(&second, "DTSTART:"), "20260313T090000Z");
    let sequence = |event: &[String]| value(event, "SEQUENCE:").parse::<u64>().unwrap();
    assert!(sequence(&second) > sequence(&first));
}
