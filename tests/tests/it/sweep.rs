//! What a sweep does when one of those whom it looks at cannot be looked at.

use crate::clinic::{TurnedClock, injury, interosseous_graft, patient, settings, with};
use crate::stores;
use endplate_fhir::Json;
use endplate_followup::ports::{Changeset, Clock, Deed, Put, Store, Stored};
use endplate_followup::{Endplate, SweepReport};
use serde_json::json;

/// The records of a patient who has the interosseous graft.
fn records(number: usize) -> [Json; 3] {
    let [_, _, operation] = interosseous_graft();
    let (person, wound) = (format!("p{number}"), format!("c{number}"));
    let operation = with(&operation, "id", json!(format!("r{number}")));
    let operation = with(&operation, "subject", json!({ "reference": format!("Patient/{person}") }));
    let reason = json!([{ "reference": format!("Condition/{wound}") }]);
    let operation = with(&operation, "reasonReference", reason);
    [patient(&person, "1995-05-05"), injury(&wound, &person, "2026-02-23"), operation]
}

/// What is in the store and could not have come in through the door, as after a fault of an earlier release.
async fn spoil(store: &dyn Store, clock: &TurnedClock, id: &str, member: &str, value: Json) {
    let stored = store.latest("Procedure", id).await.unwrap().unwrap().stored;
    let body = with(&serde_json::from_str(&stored.body).unwrap(), member, value).to_string();
    let stored = Stored { version: stored.version + 1, at: clock.now(), body, ..stored };
    let put = Put { stored, deed: Deed::Updated, patient: Some("p1".to_owned()), rows: Vec::new() };
    store.commit(Changeset { at: Some(clock.now()), puts: vec![put], ..Changeset::default() }).await.unwrap();
}

#[tokio::test]
async fn a_patient_for_whom_nothing_can_be_derived_holds_up_nobody_else() {
    let store = stores::fresh().await;
    let clock = TurnedClock::at("2026-03-03");
    let endplate = Endplate::new(store.clone(), clock.clone(), settings()).as_instance("one".to_owned());
    let put = async |resource: Json| {
        let name = |member: &str| resource[member].as_str().unwrap().to_owned();
        endplate.update(&name("resourceType"), &name("id"), resource, None).await.unwrap();
    };
    for resource in (1..=3).flat_map(records) {
        put(resource).await;
    }
    // The surgeon to whom an alert would be addressed is nobody.
    let nobody = json!([{ "actor": { "reference": 5 } }]);
    spoil(store.as_ref(), &clock, "r1", "performer", nobody).await;

    let overdue = async || {
        let pairs = [("code".to_owned(), "review-overdue".to_owned())];
        let found: Json =
            serde_json::from_str(&endplate.search("DetectedIssue", &pairs, true).await.unwrap()).unwrap();
        let patient = |entry: &Json| entry["resource"]["patient"]["reference"].to_string();
        let mut all: Vec<_> = found["entry"].as_array().into_iter().flatten().map(patient).collect();
        all.sort();
        all
    };
    clock.turn_to("2027-01-15");
    let report = endplate.sweep_alone().await.unwrap();
    assert_eq!(report, Some(SweepReport { patients: 3, changed: 2, passed_over: vec!["p1".to_owned()] }));
    assert_eq!(overdue().await, [r#""Patient/p2""#, r#""Patient/p3""#]);
    // It stays due, and whoever sweeps next is told again.
    let report = endplate.sweep(&|_| {}).await.unwrap();
    assert_eq!(report, SweepReport { patients: 1, changed: 0, passed_over: vec!["p1".to_owned()] });
    let other = Endplate::new(store.clone(), clock.clone(), settings()).as_instance("other".to_owned());
    assert_eq!(other.sweep_alone().await.unwrap().map(|report| report.passed_over.len()), Some(1));
    // Somebody sends the record anew.
    let [.., operation] = records(1);
    put(operation).await;
    assert_eq!(overdue().await.len(), 3);
    assert_eq!(endplate.sweep(&|_| {}).await.unwrap(), SweepReport::default());
}
