//! A hospital's own codes through stored ConceptMaps: understood, in whatever order map and record arrive.

use crate::clinic::{Clinic, EP, code, interosseous_graft, mm, observation, patient, with};
use endplate_fhir::Json;
use serde_json::json;

const LOCAL: &str = "https://hospital.example/codes";

fn local(code: &str) -> Json {
    json!({ "coding": [{ "system": LOCAL, "code": code }] })
}

/// One map of everything that the graft and its findings are coded with.
fn map(rows: &[(&str, &str, &str)]) -> Json {
    let group = |(target, from, to): &(&str, &str, &str)| {
        json!({ "source": LOCAL, "target": format!("{EP}/CodeSystem/{target}"), "element": [
            { "code": from, "target": [{ "code": to, "equivalence": "equivalent" }] },
        ] })
    };
    json!({ "resourceType": "ConceptMap", "id": "m", "status": "active", "group": rows.iter().map(group).collect::<Vec<_>>() })
}

const ROWS: [(&str, &str, &str); 6] = [
    ("repair-technique", "T1", "autograft"),
    ("nerve", "N1", "posterior-interosseous"),
    ("reinnervation-target", "M1", "extensor-digitorum"),
    ("exam-finding", "F1", "motor-grade"),
    ("motor-grade", "G3", "M3"),
    ("laterality", "L", "left"),
];

/// The graft with every code a local one.
fn graft() -> [Json; 3] {
    let [who, what, mut graft] = interosseous_graft();
    graft["code"] = local("T1");
    graft["bodySite"] = json!([local("N1")]);
    graft["extension"][1]["extension"][0]["valueCodeableConcept"] = local("M1");
    let side = format!("{EP}/StructureDefinition/laterality");
    let side = json!({ "url": side, "valueCodeableConcept": local("L") });
    graft["extension"].as_array_mut().unwrap().push(side);
    [who, what, graft]
}

/// A motor grade of three, locally coded.
fn grade() -> Json {
    let mut grade = observation("m1", "p1", "r1", "x", "2026-09-01", ("valueCodeableConcept", local("G3")));
    grade["code"] = local("F1");
    grade["bodySite"] = local("M1");
    grade
}

/// Goal states by the structure they are about.
async fn achieved(clinic: &Clinic) -> Vec<(String, String)> {
    let goals = clinic.all("Goal").await;
    let text = |goal: &Json, at: &str| goal.pointer(at).and_then(Json::as_str).unwrap_or_default().to_owned();
    let mut all: Vec<_> = goals
        .iter()
        .map(|goal| {
            (text(goal, "/target/0/measure/coding/0/code"), text(goal, "/achievementStatus/coding/0/code"))
        })
        .collect();
    all.sort();
    all
}

#[tokio::test]
async fn a_record_in_local_codes_is_understood_and_kept_as_it_was_sent() {
    let plain = Clinic::with("2026-03-02", interosseous_graft()).await;
    let clinic = Clinic::with("2026-03-02", std::iter::once(map(&ROWS)).chain(graft())).await;
    let windows = [("extensor-digitorum", "first-contraction"), ("extensor-indicis", "first-contraction")];
    for (place, milestone) in windows {
        let there = clinic.window("r1", place, milestone).await;
        assert_eq!(there, plain.window("r1", place, milestone).await, "{place}");
    }
    clinic.clock.turn_to("2026-09-02");
    clinic.put(grade()).await.unwrap();
    let states = achieved(&clinic).await;
    assert!(
        states.iter().any(|(place, state)| place == "extensor-digitorum" && state != "in-progress"),
        "{states:?}"
    );
    for (sent, kind, id) in [(graft()[2].clone(), "Procedure", "r1"), (grade(), "Observation", "m1")] {
        let mut read = clinic.get(kind, id).await;
        read.as_object_mut().unwrap().shift_remove("meta");
        assert_eq!(read, sent);
    }
}

#[tokio::test]
async fn a_map_that_comes_later_has_its_patients_looked_at_again() {
    let clinic = Clinic::with("2026-03-02", graft()).await;
    clinic.put(patient("p2", "1980-01-01")).await.unwrap();
    assert_eq!(clinic.all("CarePlan").await, Vec::<Json>::new());
    clinic.put(map(&ROWS)).await.unwrap();
    let swept = clinic.endplate.sweep(&|_| {}).await.unwrap();
    assert_eq!((swept.patients, swept.changed), (1, 1));
    assert_eq!(clinic.plan().await["status"], "active");
    // Withdrawn, the map is no longer heeded: what rested on it ends.
    clinic.put(with(&map(&ROWS), "status", json!("retired"))).await.unwrap();
    clinic.endplate.sweep(&|_| {}).await.unwrap();
    assert_eq!(clinic.plan().await["status"], "revoked");
    // In force again, it goes on.
    clinic.put(map(&ROWS)).await.unwrap();
    clinic.endplate.sweep(&|_| {}).await.unwrap();
    assert_eq!(clinic.plan().await["status"], "active");
}

#[tokio::test]
async fn map_and_record_may_come_in_one_transaction() {
    let clinic = Clinic::open("2026-03-02").await;
    let entry = |resource: &Json| {
        let url =
            format!("{}/{}", resource["resourceType"].as_str().unwrap(), resource["id"].as_str().unwrap());
        json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
    };
    let entries: Vec<Json> = graft().iter().chain([&map(&ROWS)]).map(entry).collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    clinic.endplate.transaction(bundle).await.unwrap();
    assert_eq!(clinic.plan().await["status"], "active");
}

#[tokio::test]
async fn what_a_translated_record_lacks_is_refused_as_for_any_other() {
    let clinic = Clinic::with("2026-03-02", [map(&ROWS)]).await;
    let [who, what, mut graft] = graft();
    for resource in [who, what] {
        clinic.put(resource).await.unwrap();
    }
    graft["extension"].as_array_mut().unwrap().remove(0);
    let refusal = clinic.put(graft.clone()).await.unwrap_err();
    assert!(refusal.issues.iter().any(|issue| issue.expression.contains("gap-length")), "{refusal}");
    graft.as_object_mut().unwrap().shift_remove("subject");
    let refusal = clinic.put(graft).await.unwrap_err();
    assert!(refusal.issues.iter().any(|issue| issue.expression == "Procedure.subject"), "{refusal}");
}

#[tokio::test]
async fn what_a_map_says_in_vain_is_told() {
    let clinic = Clinic::open("2026-03-02").await;
    let mut map = map(&[("nerve", "N1", "radial"), ("nerve", "N2", "radiall"), ("nerve", "N3", "median")]);
    map["group"][2]["element"][0]["target"][0]["equivalence"] = json!("narrower");
    map["group"][2]["element"][0]["target"][0]["comment"] = json!("a part of it");
    let told = |written: endplate_followup::Written| -> Vec<String> {
        written.remarks.into_iter().map(|issue| issue.expression).collect()
    };
    let places = ["group[1].element[0].target[0].code", "group[2].element[0].target[0].equivalence"];
    let places: Vec<String> = places.iter().map(|place| format!("ConceptMap.{place}")).collect();
    assert_eq!(told(clinic.put(map.clone()).await.unwrap()), places);
    let draft = told(clinic.put(with(&map, "status", json!("draft"))).await.unwrap());
    assert_eq!(draft.first().map(String::as_str), Some("ConceptMap.status"));
}

/// Twenty maps and twenty records at once: every record whose code is mapped in the end has its plan after a sweep.
#[tokio::test]
async fn maps_and_records_at_the_same_time_leave_nobody_out() {
    let clinic = Clinic::open("2026-03-02").await;
    let of = |n: usize| {
        let id = |kind: &str| format!("{kind}{n}");
        let mut graft = graft()[2].clone();
        graft["id"] = json!(id("r"));
        graft["code"] = local(&id("T"));
        graft["bodySite"] = json!([code("nerve", "posterior-interosseous")]);
        graft["extension"][1]["extension"][0]["valueCodeableConcept"] =
            code("reinnervation-target", "extensor-digitorum");
        graft["extension"][0]["valueQuantity"] = mm(30.0);
        graft["extension"].as_array_mut().unwrap().truncate(2);
        graft["subject"] = json!({ "reference": format!("Patient/p{n}") });
        graft.as_object_mut().unwrap().shift_remove("reasonReference");
        let rows = [("repair-technique", id("T"), "autograft")];
        let rows: Vec<(&str, &str, &str)> =
            rows.iter().map(|(to, from, code)| (*to, from.as_str(), *code)).collect();
        (patient(&id("p"), "1990-01-01"), graft, with(&map(&rows), "id", json!(id("m"))))
    };
    let all: Vec<_> = (0..20).map(of).collect();
    for (who, ..) in &all {
        clinic.put(who.clone()).await.unwrap();
    }
    let clinic = std::sync::Arc::new(clinic);
    let mut running = tokio::task::JoinSet::new();
    for (_, graft, map) in all {
        for resource in [graft, map] {
            let clinic = std::sync::Arc::clone(&clinic);
            running.spawn(async move { clinic.put(resource).await.map(|_| ()) });
        }
    }
    while let Some(done) = running.join_next().await {
        done.unwrap().unwrap();
    }
    clinic.endplate.sweep(&|_| {}).await.unwrap();
    assert_eq!(clinic.all("CarePlan").await.len(), 20);
}
