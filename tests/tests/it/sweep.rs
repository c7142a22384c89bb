//! How a sweep goes through those who are due: side by side, and past one who cannot be looked at.

use crate::clinic::{Clinic, TurnedClock, injury, interosseous_graft, patient, settings, with};
use crate::memory::{MemoryStore, Reading};
use crate::stores;
use endplate_fhir::Json;
use endplate_followup::ports::{Changeset, Clock, Deed, Put, Store, Stored};
use endplate_followup::{Endplate, SweepReport};
use serde_json::json;
use std::num::NonZeroUsize;
use std::sync::Arc;

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

/// A clinic whose sweep looks at so many together, with so many patients.
async fn clinic(store: Arc<dyn Store>, together: usize, patients: usize) -> Clinic {
    let clock = TurnedClock::at("2026-03-03");
    let together = NonZeroUsize::new(together).unwrap();
    let endplate = Endplate::new(store, clock.clone(), settings()).sweeping(together);
    let clinic = Clinic { endplate, clock };
    for resource in (1..=patients).flat_map(records) {
        clinic.put(resource).await.unwrap();
    }
    clinic
}

/// While one patient's records are waited for, the next one's are worked on.
#[tokio::test]
async fn patients_are_looked_at_side_by_side() {
    let store = Arc::new(MemoryStore::default());
    let clinic = clinic(store.clone(), 2, 3).await;
    clinic.clock.turn_to("2027-01-15");
    // One alert each stands since the records came.
    let is_swept = {
        let store = store.clone();
        move |person: &str| {
            let reference = json!({ "reference": format!("Patient/{person}") });
            let is_own = |one: &&Json| one["resourceType"] == "DetectedIssue" && one["patient"] == reference;
            store.all().iter().filter(is_own).count() > 1
        }
    };
    let next = is_swept.clone();
    store.before(
        Reading::Compartment,
        Box::pin(async move {
            for _ in 0..100 {
                if next("p2") {
                    assert_eq!(
                        (next("p1"), next("p3")),
                        (false, false),
                        "the one before is not done, nor has the one after begun"
                    );
                    return;
                }
                tokio::task::yield_now().await;
            }
            panic!("nobody else is looked at");
        }),
    );
    let report = clinic.endplate.sweep(&|_| {}).await.unwrap();
    assert_eq!(report, SweepReport { patients: 3, changed: 3, passed_over: vec![] });
    assert!(["p1", "p2", "p3"].into_iter().all(is_swept));
}

/// A fault that shows in one patient's records alone is that patient's.
#[tokio::test]
async fn a_look_that_panics_holds_up_nobody_else() {
    for together in [1, 3] {
        let store = Arc::new(MemoryStore::default());
        let clinic = clinic(store.clone(), together, 4).await;
        clinic.clock.turn_to("2027-01-15");
        store.before(Reading::Compartment, Box::pin(async { panic!("as a fault of the service would") }));
        let report = clinic.endplate.sweep(&|_| {}).await.unwrap();
        assert_eq!(report, SweepReport { patients: 4, changed: 3, passed_over: vec!["p1".to_owned()] });
        let report = clinic.endplate.sweep(&|_| {}).await.unwrap();
        assert_eq!(report, SweepReport { patients: 1, changed: 1, passed_over: vec![] });
    }
}

/// What a sweep leaves does not depend on how many it looks at together.
#[tokio::test]
async fn a_sweep_leaves_the_same_however_many_it_looks_at_together() {
    let mut left = Vec::new();
    for together in [1, 5] {
        let clinic = clinic(stores::fresh().await, together, 12).await;
        clinic.clock.turn_to("2027-01-15");
        let report = clinic.endplate.sweep(&|_| {}).await.unwrap();
        assert_eq!(report, SweepReport { patients: 12, changed: 12, passed_over: vec![] });
        left.push(clinic.versions().await);
        assert_eq!(clinic.endplate.sweep(&|_| {}).await.unwrap(), SweepReport::default());
    }
    assert_eq!(left[0], left[1]);
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
