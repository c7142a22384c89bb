//! Two Patient records of one person (FHIR R4 patient.html#linking): the plan follows the record that survives.

use crate::clinic::{Clinic, appointment, interosseous_graft, keys, motor, patient, text, tinel, with};
use crate::memory::{MemoryStore, Reading};
use endplate_fhir::Json;
use endplate_followup::Reason;
use serde_json::json;
use std::collections::BTreeSet;
use std::sync::Arc;

const FINGERS: &str = "extensor-digitorum";

fn linked(patient: &Json, kind: &str, other: &str) -> Json {
    with(patient, "link", json!([{ "other": { "reference": format!("Patient/{other}") }, "type": kind }]))
}

/// The patient `p1` with a graft, and a second record `p2` of the same person.
async fn twice_recorded() -> Clinic {
    let clinic = Clinic::with("2026-03-03", interosseous_graft()).await;
    clinic.put(patient("p2", "1995-05-05")).await.unwrap();
    clinic
}

fn given_up() -> Json {
    linked(&patient("p1", "1995-05-05"), "replaced-by", "p2")
}

fn survivor() -> Json {
    linked(&patient("p2", "1995-05-05"), "replaces", "p1")
}

/// Whose plan, goals, forecasts and open reviews stand, and under which ids.
async fn whose(clinic: &Clinic) -> (BTreeSet<String>, BTreeSet<String>) {
    let (mut people, mut ids) = (BTreeSet::new(), BTreeSet::new());
    for query in ["CarePlan?status=active", "Goal", "RiskAssessment", "ServiceRequest", "Task"] {
        for resource in clinic.all(query).await {
            let subject = if query == "Task" { "/for/reference" } else { "/subject/reference" };
            people.insert(text(&resource, subject).to_owned());
            ids.insert(format!("{query}/{}", text(&resource, "/id")));
        }
    }
    (people, ids)
}

fn only(patient: &str) -> BTreeSet<String> {
    BTreeSet::from([patient.to_owned()])
}

#[tokio::test]
async fn a_merger_moves_the_plan_with_its_ids_whoever_says_so_first() {
    for links in
        [vec![given_up()], vec![survivor()], vec![given_up(), survivor()], vec![survivor(), given_up()]]
    {
        let clinic = twice_recorded().await;
        let booked = clinic.open_tasks().await[0].clone();
        clinic.put(appointment("a1", "p1", &booked, "booked", "2026-03-16")).await.unwrap();
        let (before, ids) = whose(&clinic).await;
        assert_eq!(before, only("Patient/p1"));
        for (n, link) in links.into_iter().enumerate() {
            clinic.put(link).await.unwrap();
            let (now, same) = whose(&clinic).await;
            assert_eq!((now, same), (only("Patient/p2"), ids.clone()), "after message {n}");
        }
        let task = clinic.task(keys(std::slice::from_ref(&booked))[0]).await;
        assert_eq!(task["status"], "accepted", "the booking stays");
        // What still comes under the old name, and what comes under the new one, is about the one plan.
        clinic.clock.turn_to("2026-09-10");
        for patient in ["p1", "p2"] {
            let finding = motor(&format!("m-{patient}"), patient, "r1", FINGERS, "2026-09-10", 0);
            clinic.put(finding).await.unwrap();
        }
        let basis = clinic.assessment("r1").await["basis"].as_array().unwrap().len();
        assert_eq!(basis, 3);
        assert_eq!(whose(&clinic).await.0, only("Patient/p2"));
        assert_eq!(clinic.all("CarePlan").await.len(), 1);
    }
}

/// A finding of the record that is given up arrives just as that is told: it belongs to the one plan there is.
#[tokio::test]
async fn a_merger_that_comes_while_a_finding_is_decided_on_is_noticed() {
    for reading in [Reading::Compartment, Reading::Referred] {
        let store = Arc::new(MemoryStore::default());
        let clinic = Clinic::on(store.clone(), "2026-03-03");
        for resource in interosseous_graft() {
            clinic.put(resource).await.unwrap();
        }
        clinic.put(patient("p2", "1995-05-05")).await.unwrap();
        let other = Clinic::on(store.clone(), "2026-03-03");
        store.before(reading, Box::pin(async move { other.put(survivor()).await.map(drop).unwrap() }));
        let finding = tinel("o1", "p1", "r1", "2026-03-03", 5.0);
        clinic.put(finding).await.unwrap_or_else(|refusal| panic!("{reading:?}: {refusal:?}"));
        assert_eq!(whose(&clinic).await.0, only("Patient/p2"), "{reading:?}");
    }
}

#[tokio::test]
async fn a_merger_taken_back_gives_each_record_its_own_again() {
    let clinic = twice_recorded().await;
    let before = whose(&clinic).await;
    for (link, without) in
        [(given_up(), patient("p1", "1995-05-05")), (survivor(), patient("p2", "1995-05-05"))]
    {
        clinic.put(link).await.unwrap();
        assert_eq!(whose(&clinic).await.0, only("Patient/p2"));
        clinic.put(without).await.unwrap();
        assert_eq!(whose(&clinic).await, before);
    }
    // Afterwards a message about one record does nothing to the other.
    clinic.clock.turn_to("2026-09-10");
    clinic.put(motor("m1", "p1", "r1", FINGERS, "2026-09-10", 0)).await.unwrap();
    assert_eq!(whose(&clinic).await.0, only("Patient/p1"));
}

/// What was told under the other record was told of somebody else: it is told again at once, and not at the next look. Found by the
/// simulated world.
#[tokio::test]
async fn a_merger_taken_back_leaves_nothing_to_be_told_later() {
    let clinic = twice_recorded().await;
    clinic.put(given_up()).await.unwrap();
    clinic.sweep_on("2026-03-30").await;
    let about =
        async |patient: &str| clinic.all(&format!("Communication?subject=Patient/{patient}")).await.len();
    assert!(about("p2").await > 0, "a review is overdue");
    clinic.clock.turn_to("2026-04-01");
    let before = about("p1").await;
    clinic.put(patient("p1", "1995-05-05")).await.unwrap();
    assert!(about("p1").await > before);
    let then = clinic.versions().await;
    clinic.put(with(&patient("p1", "1995-05-05"), "language", json!("de"))).await.unwrap();
    let mut now = clinic.versions().await;
    now.retain(|reference, version| then.get(reference) != Some(version));
    assert_eq!(now.into_keys().collect::<Vec<_>>(), ["Patient/p1"]);
}

#[tokio::test]
async fn whoever_of_the_two_died_ends_the_plan() {
    for dead in
        [with(&given_up(), "deceasedBoolean", json!(true)), with(&survivor(), "deceasedBoolean", json!(true))]
    {
        let clinic = twice_recorded().await;
        clinic.put(dead).await.unwrap();
        assert!(clinic.open_tasks().await.is_empty());
        assert_eq!(clinic.plan().await["status"], "revoked");
    }
}

#[tokio::test]
async fn records_that_replace_each_other_are_refused() {
    let clinic = twice_recorded().await;
    clinic.put(given_up()).await.unwrap();
    let circle = linked(&patient("p2", "1995-05-05"), "replaced-by", "p1");
    let refusal = clinic.put(circle).await.unwrap_err();
    assert_eq!(refusal.reason, Reason::Unprocessable);
    assert_eq!(refusal.issues[0].expression, "Patient.link");
}

#[tokio::test]
async fn a_repair_given_to_another_injury_or_patient_leaves_no_plan_behind() {
    // Recorded without its Condition at first: the plan of the operation date ends when the Condition is named.
    let [person, condition, operation] = interosseous_graft();
    let mut bare = operation.clone();
    bare.as_object_mut().unwrap().remove("reasonReference");
    let clinic = Clinic::with("2026-03-03", [person, condition, bare.clone()]).await;
    let first = text(&clinic.plan().await, "/id").to_owned();
    clinic.put(operation.clone()).await.unwrap();
    let active = clinic.all("CarePlan?status=active").await;
    assert_eq!(active.len(), 1);
    assert_ne!(text(&active[0], "/id"), first);
    let tasks = clinic.open_tasks().await;
    let plan = format!("CarePlan/{}", text(&active[0], "/id"));
    assert!(tasks.iter().all(|task| text(task, "/basedOn/0/reference") == plan), "{:?}", keys(&tasks));

    // Recorded for the wrong patient: the plan goes with it.
    let clinic =
        Clinic::with("2026-03-03", [patient("p1", "1995-05-05"), patient("p2", "1980-01-01"), bare.clone()])
            .await;
    clinic.put(with(&bare, "subject", json!({ "reference": "Patient/p2" }))).await.unwrap();
    let active = clinic.all("CarePlan?status=active").await;
    assert_eq!(active.len(), 1);
    assert_eq!(text(&active[0], "/subject/reference"), "Patient/p2");
    assert!(clinic.open_tasks().await.iter().all(|task| text(task, "/for/reference") == "Patient/p2"));
}

/// One injury recorded for two people who were not merged: the second is refused and told what to do, and taken once they are.
#[tokio::test]
async fn one_injury_of_two_people_is_refused_until_they_are_merged() {
    let identified = |mut one: Json| {
        one["identifier"] = json!([{ "system": "urn:example:record", "value": "injury-7" }]);
        one
    };
    let [person, condition, operation] = interosseous_graft();
    let clinic = Clinic::with("2026-03-03", [person, identified(condition.clone()), operation.clone()]).await;
    clinic.put(patient("p2", "1995-05-05")).await.unwrap();
    let of_other = |one: &Json, id: &str| {
        with(&with(one, "id", json!(id)), "subject", json!({ "reference": "Patient/p2" }))
    };
    clinic.put(identified(of_other(&condition, "c2"))).await.unwrap();
    let again =
        with(&of_other(&operation, "r2"), "reasonReference", json!([{ "reference": "Condition/c2" }]));
    let refusal = clinic.put(again.clone()).await.unwrap_err();
    assert_eq!(refusal.reason, Reason::Unprocessable);
    assert!(refusal.issues[0].text.contains("Patient.link"));
    clinic.put(survivor()).await.unwrap();
    clinic.put(again).await.unwrap();
    assert_eq!(clinic.all("CarePlan").await.len(), 1);
}
