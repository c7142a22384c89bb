//! Bookings, visits and what the scheduler says: the Task follows, and the plan with it.

use crate::clinic::{
    Clinic, after, appointment, code, encounter, interosseous_graft, keys, motor, state, text, tinel, with,
};
use endplate_fhir::Json;
use serde_json::json;
use std::collections::BTreeSet;

const FINGERS: &str = "extensor-digitorum";

async fn grafted() -> Clinic {
    Clinic::with("2026-03-03", interosseous_graft()).await
}

#[tokio::test]
async fn a_visit_that_nobody_booked_closes_the_review_it_fell_into() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2026-04-16");
    clinic.put(tinel("o1", "p1", "r1", "2026-04-16", 5.0)).await.unwrap();
    assert_eq!(state(&clinic.task("baseline-posterior-interosseous").await), ("completed", "attended"));
    assert_eq!(state(&clinic.task("wound-posterior-interosseous").await), ("cancelled", "withdrawn"));
    // Once taken back, the reviews are open again.
    let error = with(&tinel("o1", "p1", "r1", "2026-04-16", 5.0), "status", json!("entered-in-error"));
    clinic.put(error).await.unwrap();
    assert_eq!(state(&clinic.task("baseline-posterior-interosseous").await), ("requested", "to-book"));
    assert_eq!(state(&clinic.task("wound-posterior-interosseous").await), ("requested", "to-book"));
}

#[tokio::test]
async fn a_scheduler_may_say_it_on_the_task_itself() {
    let clinic = grafted().await;
    let mut task = clinic.task("wound-posterior-interosseous").await;
    task["businessStatus"] = code("review-state", "booked");
    task["input"][0]["valueDate"] = json!("2026-03-13");
    task["owner"] = json!({ "display": "Desk 2" });
    task["note"] = json!([{ "text": "by telephone" }]);
    clinic.put(task).await.unwrap();
    let mut task = clinic.task("wound-posterior-interosseous").await;
    assert_eq!((state(&task), text(&task, "/input/0/valueDate")), (("accepted", "booked"), "2026-03-13"));
    assert_eq!((text(&task, "/owner/display"), text(&task, "/note/0/text")), ("Desk 2", "by telephone"));

    task["businessStatus"] = code("review-state", "to-book");
    clinic.put(task).await.unwrap();
    let mut task = clinic.task("wound-posterior-interosseous").await;
    assert_eq!(state(&task), ("requested", "to-book"));

    clinic.clock.turn_to("2026-03-13");
    task["status"] = json!("completed");
    clinic.put(task).await.unwrap();
    let task = clinic.task("wound-posterior-interosseous").await;
    assert_eq!(
        (state(&task), text(&task, "/executionPeriod/end")),
        (("completed", "attended"), "2026-03-13")
    );
    assert_eq!(text(&task, "/owner/display"), "Desk 2");
    assert!(!keys(&clinic.open_tasks().await).contains(&"wound-posterior-interosseous"));
}

/// A scheduler that sends its own Task again, without what this service added to it, says nothing new.
#[tokio::test]
async fn a_task_sent_again_says_nothing_new() {
    let clinic = grafted().await;
    let mut booked = clinic.task("wound-posterior-interosseous").await;
    booked["businessStatus"] = code("review-state", "booked");
    booked["input"][0]["valueDate"] = json!("2026-03-13");
    for _ in 0..3 {
        clinic.put(booked.clone()).await.unwrap();
        let task = clinic.task("wound-posterior-interosseous").await;
        assert_eq!((state(&task), text(&task, "/input/0/valueDate")), (("accepted", "booked"), "2026-03-13"));
    }
    // Another day is another booking.
    booked["input"][0]["valueDate"] = json!("2026-03-16");
    clinic.put(booked.clone()).await.unwrap();
    let task = clinic.task("wound-posterior-interosseous").await;
    assert_eq!((state(&task), text(&task, "/input/0/valueDate")), (("accepted", "booked"), "2026-03-16"));

    booked["status"] = json!("completed");
    for later in ["2026-03-16", "2026-03-17", "2026-06-17"] {
        clinic.clock.turn_to(later);
        clinic.put(booked.clone()).await.unwrap();
        let task = clinic.task("wound-posterior-interosseous").await;
        assert_eq!(
            (state(&task), text(&task, "/executionPeriod/end")),
            (("completed", "attended"), "2026-03-16")
        );
    }
}

/// Looking again at the same facts changes nothing: what follows from a record is complete when the record is accepted.
#[tokio::test]
async fn looking_again_changes_nothing() {
    let clinic = grafted().await;
    let first = clinic.open_tasks().await;
    let records = [
        ("2026-03-16", appointment("a1", "p1", &first[0], "noshow", "2026-03-16")),
        ("2026-04-16", tinel("o1", "p1", "r1", "2026-04-16", 12.0)),
        ("2026-07-14", tinel("o2", "p1", "r1", "2026-07-14", 40.0)),
        ("2026-07-14", motor("o3", "p1", "r1", FINGERS, "2026-07-14", 0)),
        ("2026-10-12", appointment("a3", "p1", &first[3], "fulfilled", "2026-10-12")),
        ("2027-01-11", motor("o4", "p1", "r1", FINGERS, "2027-01-11", 1)),
        ("2027-04-02", motor("o5", "p1", "r1", FINGERS, "2027-04-02", 0)),
    ];
    for (n, (on, record)) in records.into_iter().enumerate() {
        clinic.clock.turn_to(on);
        clinic.put(record).await.unwrap();
        let then = clinic.versions().await;
        // A change of the patient's record that means nothing here makes the service look again.
        let person = with(&interosseous_graft()[0], "language", json!(["de", "en", "fr", "it"][n % 4]));
        clinic.put(person).await.unwrap();
        let mut now = clinic.versions().await;
        now.retain(|reference, version| then.get(reference) != Some(version));
        assert_eq!(now.into_keys().collect::<Vec<_>>(), ["Patient/p1"], "after record {n}");
    }
}

/// The same facts give the same plan in whatever order they arrive.
#[tokio::test]
async fn the_order_of_arrival_does_not_matter() {
    let first = grafted().await.open_tasks().await;
    let records = [
        appointment("a1", "p1", &first[0], "noshow", "2026-03-16"),
        encounter("e1", "p1", &first[1], "finished", "2026-04-16"),
        tinel("o1", "p1", "r1", "2026-05-11", 12.0),
        tinel("o2", "p1", "r1", "2026-07-06", 40.0),
        motor("o3", "p1", "r1", FINGERS, "2026-07-06", 0),
        appointment("a2", "p1", &first[2], "booked", "2026-07-14"),
        appointment("a3", "p1", &first[3], "booked", "2026-10-12"),
    ];
    let mut plans = BTreeSet::new();
    // Every record comes first once, and last once, in one direction and the other.
    for turn in 0..2 * records.len() {
        let mut order = records.to_vec();
        order.rotate_left(turn / 2);
        if turn % 2 == 1 {
            order.reverse();
        }
        let clinic = grafted().await;
        clinic.clock.turn_to("2026-07-10");
        for record in order {
            clinic.put(record).await.unwrap();
        }
        let open = clinic.open_tasks().await;
        let open: Vec<Json> = open
            .iter()
            .map(|task| json!([task["id"], task["status"], task["restriction"], task["input"]]))
            .collect();
        let assessment = clinic.assessment("r1").await;
        plans.insert(
            json!([open, assessment["id"], assessment["prediction"], assessment["extension"]]).to_string(),
        );
    }
    assert_eq!(plans.len(), 1, "{plans:#?}");
}

/// A patient who is booked, comes and recovers as expected: nobody is told of a stalled front, a late sign or a lost patient.
#[tokio::test]
async fn a_patient_who_recovers_as_expected_alarms_nobody() {
    let clinic = grafted().await;
    let muscles = [FINGERS, "extensor-indicis"];
    let mut first = Vec::new();
    for muscle in muscles {
        first.push(clinic.window("r1", muscle, "first-contraction").await[1].to_string());
    }
    // M1 at the median, M3 two months and M4 eight months later.
    let grade = |first: &str, on: &str| {
        [0, 60, 240]
            .iter()
            .zip([1, 2, 1])
            .map(|(days, more)| u8::from(*on >= *after(first, *days)) * more)
            .sum()
    };
    let mut visits = 0;
    for day in (1..730).map(|days| after("2026-03-03", days)) {
        clinic.sweep_on(&day).await;
        for task in clinic.open_tasks().await {
            let (id, on) = (text(&task, "/id"), text(&task, "/input/0/valueDate"));
            if state(&task).1 == "to-book"
                && text(&task, "/restriction/period/start") <= after(&day, 20).as_str()
            {
                clinic.put(appointment(id, "p1", &task, "booked", on)).await.unwrap();
            } else if state(&task).1 == "booked" && on == day {
                visits += 1;
                clinic.put(appointment(id, "p1", &task, "fulfilled", on)).await.unwrap();
                for (muscle, first) in muscles.iter().zip(&first) {
                    let finding =
                        motor(&format!("{muscle}-{visits}"), "p1", "r1", muscle, on, grade(first, on));
                    clinic.put(finding).await.unwrap();
                }
            }
        }
    }
    for kind in [
        "front-static",
        "reach-in-doubt",
        "recovery-overdue",
        "finding-inconsistent",
        "review-overdue",
        "review-missed",
    ] {
        assert!(clinic.issues(kind).await.is_empty(), "{kind}");
    }
    assert!(clinic.stands("recovered").await);
    assert!((7..=10).contains(&visits), "{visits} visits in two years");
}

/// A patient who comes before a booked review: the visit closes no review that is still to come, neither then nor when somebody
/// looks again. Found by the simulated world.
#[tokio::test]
async fn a_visit_before_a_booked_review_closes_the_one_that_was_due_and_no_other() {
    let clinic = grafted().await;
    let first = clinic.open_tasks().await;
    // The baseline is booked for the end of its window and the patient comes at its beginning; the wound was never seen.
    let (opens, closes): (String, String) = ["start", "end"]
        .map(|edge| text(&first[1], &format!("/restriction/period/{edge}")).to_owned())
        .into();
    clinic.put(appointment("a1", "p1", &first[1], "booked", &closes)).await.unwrap();
    let on = after(&opens, 1);
    clinic.clock.turn_to(&on);
    clinic.put(tinel("o1", "p1", "r1", &on, 5.0)).await.unwrap();
    let then = clinic.versions().await;
    clinic.put(with(&interosseous_graft()[0], "language", json!("de"))).await.unwrap();
    let mut now = clinic.versions().await;
    now.retain(|reference, version| then.get(reference) != Some(version));
    assert_eq!(now.into_keys().collect::<Vec<_>>(), ["Patient/p1"]);
    assert_eq!(state(&clinic.task("baseline-posterior-interosseous").await).0, "accepted");
    assert_eq!(state(&clinic.task("wound-posterior-interosseous").await), ("completed", "attended"));
}
