//! The scheduler's desk: bookings that do not suit, reviews that moved, the work list.

use crate::clinic::{Clinic, after, appointment, interosseous_graft, keys, motor, state, text, tinel, with};
use endplate_fhir::Json;
use serde_json::json;

const FINGERS: &str = "extensor-digitorum";

async fn grafted() -> Clinic {
    Clinic::with("2026-03-03", interosseous_graft()).await
}

/// A booking on any day is taken; the warning is for those outside the window, and says what they break.
#[tokio::test]
async fn a_booking_outside_the_window_is_taken_and_warned_of() {
    for key in keys(&grafted().await.open_tasks().await) {
        let clinic = grafted().await;
        let task = clinic.task(key).await;
        let (opens, closes) =
            (text(&task, "/restriction/period/start"), text(&task, "/restriction/period/end"));
        let cases = [
            (opens.to_owned(), None),
            (closes.to_owned(), None),
            (after(opens, -1), Some("before")),
            (after(closes, 1), Some("after")),
            (after(closes, 60), Some("after")),
        ];
        for (on, warned) in cases {
            let clinic = grafted().await;
            let written = clinic.put(appointment("a1", "p1", &task, "booked", &on)).await.unwrap();
            let booked = clinic.task(key).await;
            let told = if warned.is_some() { "moved" } else { "booked" };
            assert_eq!(state(&booked), ("accepted", told), "{key} on {on}");
            assert_eq!(text(&booked, "/input/0/valueDate"), on);
            let Some(side) = warned else {
                assert!(written.remarks.is_empty(), "{key} on {on}: {:?}", written.remarks);
                continue;
            };
            let [warning] = written.remarks.as_slice() else { panic!("{key}: {:?}", written.remarks) };
            assert!(!warning.is_error());
            assert_eq!(warning.expression, "Appointment.start");
            let wanted = format!("{side} the window of the review, {opens} to {closes}");
            assert!(warning.text.contains(&wanted), "{key}: {} / {wanted}", warning.text);
            if key.starts_with("decision") && on == after(closes, 60) {
                assert!(warning.text.contains("the last useful date being"), "{}", warning.text);
            }
        }
    }
}

#[tokio::test]
async fn a_booking_on_the_task_itself_is_warned_of_too() {
    let clinic = grafted().await;
    let mut task = clinic.open_tasks().await[0].clone();
    let late = after(text(&task, "/restriction/period/end"), 10);
    task["status"] = json!("accepted");
    task["businessStatus"] = crate::clinic::code("review-state", "booked");
    task["input"] = json!([{ "type": { "text": "preferred date" }, "valueDate": late }]);
    let written = clinic.put(task).await.unwrap();
    assert_eq!(written.remarks.len(), 1, "{:?}", written.remarks);
    assert_eq!(written.remarks[0].expression, "Task.input");
}

/// A review whose window is not the one of the operation alone says so, and why, in the notes of its ServiceRequest.
#[tokio::test]
async fn a_moved_review_says_why() {
    let reason = async |clinic: &Clinic| {
        let requests = clinic.all("ServiceRequest?status=active").await;
        let notes = requests.iter().map(|one| text(one, "/note/0/text").to_owned());
        notes.filter(|note| note.starts_with("Moved from")).collect::<Vec<_>>()
    };
    let clinic = grafted().await;
    assert!(reason(&clinic).await.is_empty(), "nothing moves before anything happened");
    let tasks = clinic.open_tasks().await;
    let closes = text(&tasks[1], "/restriction/period/end").to_owned();
    clinic.put(appointment("a1", "p1", &tasks[1], "booked", &closes)).await.unwrap();
    assert!(reason(&clinic).await.iter().any(|note| note.contains("on another day than planned")));

    let clinic = grafted().await;
    clinic.clock.turn_to("2026-12-10");
    clinic.put(tinel("o1", "p1", "r1", "2026-12-09", 15.0)).await.unwrap();
    clinic.put(motor("m1", "p1", "r1", FINGERS, "2026-12-09", 0)).await.unwrap();
    assert!(reason(&clinic).await.iter().any(|note| note.contains("what was found since")));
}

/// The work list by window, owner, state and clinic, page by page (FHIR R4 search.html).
#[tokio::test]
async fn the_work_list_is_asked_by_window_owner_state_and_clinic() {
    let clinic = grafted().await;
    clinic.put(json!({ "resourceType": "Location", "id": "hand", "name": "hand clinic" })).await.unwrap();
    clinic
        .put(json!({ "resourceType": "Organization", "id": "desk", "name": "booking desk" }))
        .await
        .unwrap();
    let task = clinic.open_tasks().await[0].clone();
    let given = with(&task, "owner", json!({ "reference": "Organization/desk" }));
    clinic.put(with(&given, "location", json!({ "reference": "Location/hand" }))).await.unwrap();
    // What the scheduler said of it stays when the plan is made again.
    clinic.put(appointment("a1", "p1", &task, "booked", "2026-03-16")).await.unwrap();
    let query = "Task?due=le2026-03-31&owner=Organization/desk&business-status=booked&location=Location/hand";
    let found = clinic.all(query).await;
    assert_eq!(keys(&found), keys(std::slice::from_ref(&task)));
    for other in
        ["due=ge2027-01-01", "owner=Organization/other", "business-status=to-book", "location=Location/other"]
    {
        let all: Vec<Json> = clinic.all(&format!("Task?{other}")).await;
        assert!(!keys(&all).contains(&keys(std::slice::from_ref(&task))[0]), "{other}");
    }
    let pairs = |after: Option<String>| {
        let mut pairs = vec![("_count".to_owned(), "2".to_owned()), ("_sort".to_owned(), "due".to_owned())];
        pairs.extend(after.map(|after| ("_after".to_owned(), after)));
        pairs
    };
    let (mut pages, mut seen, mut after) = (0, Vec::new(), None);
    loop {
        let page = clinic.endplate.search("Task", &pairs(after), true).await.unwrap();
        let page = endplate_fhir::json::stored(&page);
        seen.extend(
            page["entry"].as_array().unwrap().iter().map(|entry| text(entry, "/resource/id").to_owned()),
        );
        pages += 1;
        let next = page["link"].as_array().unwrap().iter().find(|link| link["relation"] == "next");
        let Some(url) = next.map(|next| text(next, "/url")) else { break };
        let url: reqwest::Url = url.parse().unwrap();
        after = url.query_pairs().find(|(name, _)| name == "_after").map(|(_, value)| value.into_owned());
    }
    let ordered: Vec<String> =
        clinic.all("Task?_sort=due").await.iter().map(|task| text(task, "/id").to_owned()).collect();
    assert_eq!(seen, ordered);
    assert_eq!(pages, ordered.len().div_ceil(2));
}
