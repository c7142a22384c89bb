//! `$validate`: FHIR R4 OperationDefinition Resource-validate.

use super::{Seeded, clinic, has_errors, mutate, parameter, parameters, refused, resource, stored};
use crate::clinic::{EP, appointment, interosseous_graft, motor, tinel, with};
use crate::served::FHIR_JSON;
use endplate_fhir::Json;
use serde_json::json;
use std::collections::BTreeMap;

// OperationDefinition Resource-validate.
#[tokio::test]
async fn c03_validate_answers_200_whether_or_not_the_resource_is_valid() {
    let served = clinic().await;
    let [_, _, graft] = interosseous_graft();
    let bad = with(&graft, "status", json!("wild"));
    let undated = {
        let mut undated = graft.clone();
        undated.as_object_mut().unwrap().shift_remove("performedDateTime");
        undated
    };
    for path in ["/fhir/Procedure/$validate", "/fhir/Procedure/r1/$validate"] {
        for (body, wrong) in [(&graft, false), (&bad, true), (&undated, true)] {
            for body in [body.clone(), parameters(&[resource(body)])] {
                let reply = served.post(path, &body).await;
                assert_eq!(reply.status, 200, "{}", reply.text);
                assert_eq!(has_errors(&reply.json()), wrong, "{path}: {}", reply.text);
            }
        }
    }
}

// OperationDefinition Resource-validate: a 4xx says that validation could not be done; profile: "it SHALL return an error".
#[tokio::test]
async fn c04_what_cannot_be_validated_is_refused() {
    let served = clinic().await;
    let [who, _, graft] = interosseous_graft();
    let broken =
        served.request("POST", "/fhir/Patient/$validate").header("content-type", FHIR_JSON).body("{");
    refused(&served.send(broken).await, 400, "structure");
    let mode = |mode: &str| parameters(&[resource(&who), parameter("mode", "valueCode", json!(mode))]);
    refused(&served.post("/fhir/Patient/$validate", &mode("wild")).await, 400, "invalid");
    let profile =
        |of: &Json, url: &str| parameters(&[resource(of), parameter("profile", "valueUri", json!(url))]);
    let unknown = profile(&graft, "https://other.example/StructureDefinition/x");
    refused(&served.post("/fhir/Procedure/$validate", &unknown).await, 422, "not-supported");
    for (of, url, wrong) in [
        (&graft, "http://hl7.org/fhir/StructureDefinition/Procedure".to_owned(), false),
        (&graft, "http://hl7.org/fhir/StructureDefinition/Patient".to_owned(), true),
        (&graft, format!("{EP}/StructureDefinition/nerve-repair"), false),
        (
            &with(&graft, "code", json!({ "text": "appendectomy" })),
            format!("{EP}/StructureDefinition/nerve-repair"),
            true,
        ),
    ] {
        let reply = served.post("/fhir/Procedure/$validate", &profile(of, &url)).await;
        assert_eq!((reply.status, has_errors(&reply.json())), (200, wrong), "{url}: {}", reply.text);
    }
    // The same by the address, where the resource is the body.
    let by_query = served.post("/fhir/Procedure/$validate?profile=https://other.example/x", &graft).await;
    refused(&by_query, 422, "not-supported");
}

// OperationDefinition Resource-validate: mode, and that nothing is stored.
#[tokio::test]
async fn c05_each_mode_checks_its_interaction_and_stores_nothing() {
    let served = clinic().await;
    let before = stored(&served).await;
    let [who, _, graft] = interosseous_graft();
    let mode = |mode: &str| parameter("mode", "valueCode", json!(mode));
    for path in ["update", "delete"] {
        let body = parameters(&[resource(&graft), mode(path)]);
        refused(&served.post("/fhir/Procedure/$validate", &body).await, 400, "invalid");
    }
    let other_id = with(&graft, "id", json!("r2"));
    for (body, wrong) in [
        (parameters(&[resource(&graft), mode("update")]), false),
        (parameters(&[resource(&other_id), mode("update")]), true),
        (parameters(&[resource(&other_id), mode("create")]), false),
        (parameters(&[mode("delete")]), true),
    ] {
        let reply = served.post("/fhir/Procedure/r1/$validate", &body).await;
        assert_eq!((reply.status, has_errors(&reply.json())), (200, wrong), "{body}: {}", reply.text);
    }
    refused(&served.post("/fhir/Procedure/$validate", &parameters(&[mode("create")])).await, 400, "required");
    let delete = served.post("/fhir/Procedure/none/$validate", &parameters(&[mode("delete")])).await;
    refused(&delete, 404, "not-found");
    served.post("/fhir/Patient/$validate", &with(&who, "gender", json!("other"))).await.done();
    assert_eq!(stored(&served).await, before);
}

#[tokio::test]
async fn c06_what_validate_calls_right_is_accepted_and_nothing_else() {
    const SEED: u64 = 20_260_302;
    println!("seed {SEED}");
    let mut seeded = Seeded(SEED);
    let [who, what, graft] = interosseous_graft();
    let task = json!({ "focus": { "reference": "Procedure/r1" } });
    let all = [
        with(&who, "gender", json!("female")),
        what,
        graft,
        tinel("t1", "p1", "r1", "2026-03-01", 5.0),
        motor("m1", "p1", "r1", "extensor-digitorum", "2026-03-02", 0),
        appointment("a1", "p1", &task, "booked", "2026-05-05"),
    ];
    let mut verdicts: BTreeMap<bool, usize> = BTreeMap::new();
    for round in 0..12 {
        let served = clinic().await;
        for n in 0..15 {
            let mut sent = all[seeded.below(all.len())].clone();
            let kind = sent["resourceType"].as_str().unwrap().to_owned();
            for _ in 0..seeded.below(3) {
                mutate(&mut sent, &mut seeded);
            }
            let verdict =
                served.post(&format!("/fhir/{kind}/$validate"), &parameters(&[resource(&sent)])).await;
            let created = served.post(&format!("/fhir/{kind}"), &sent).await;
            let right = verdict.status == 200 && !has_errors(&verdict.json());
            let accepted = created.status == 201;
            assert_eq!(right, accepted, "round {round}, {n}: {sent}\n{}\n{}", verdict.text, created.text);
            *verdicts.entry(right).or_default() += 1;
        }
    }
    assert!(verdicts.values().all(|count| *count > 20) && verdicts.len() == 2, "one-sided: {verdicts:?}");
}
