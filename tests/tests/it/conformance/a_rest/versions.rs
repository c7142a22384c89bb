//! Reading, writing and ending resources, and what is kept of it: FHIR R4 http.html#read to #history.

use super::{DAY, ask, assert_refused, stored, unit, unit_as, versions};
use crate::clinic::{Clinic, injury, interosseous_graft, observation, patient, text, tinel};
use crate::memory::{MemoryStore, Reading};
use crate::served::Served;
use endplate_fhir::Json;
use endplate_followup::Reason;
use serde_json::json;
use std::sync::Arc;

const NONE: Json = Json::Null;

// http.html#read.
#[tokio::test]
async fn a01_a_read_has_tag_and_time() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    let reply = served.get("/fhir/Organization/u").await;
    assert_eq!((reply.status, reply.header("etag")), (200, "W/\"1\""));
    assert!(reply.header("last-modified").ends_with(" GMT"));
    assert_eq!(reply.json()["id"], "u");
}

// http.html#read.
#[tokio::test]
async fn a02_what_never_was_is_404() {
    let served = Served::open(DAY).await;
    assert_refused(&served.get("/fhir/Organization/none").await, 404, "not-found");
}

// http.html#read: 410 for a resource that was deleted.
#[tokio::test]
async fn a03_what_was_deleted_is_410() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    assert_eq!(ask(&served, "DELETE", "/fhir/Organization/u", &[], &NONE).await.status, 204);
    assert_refused(&served.get("/fhir/Organization/u").await, 410, "deleted");
}

// http.html#vread.
#[tokio::test]
async fn a04_versions_are_read_by_their_id() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    stored(&served, "u", "Nerve unit").await;
    ask(&served, "DELETE", "/fhir/Organization/u", &[], &NONE).await;
    for (version, name) in [("1", "Hand unit"), ("2", "Nerve unit")] {
        let reply = served.get(&format!("/fhir/Organization/u/_history/{version}")).await;
        let body = reply.json();
        assert_eq!((reply.status, &body["name"]), (200, &json!(name)));
        assert_eq!(body["meta"]["versionId"], version);
        assert_eq!(reply.header("etag"), format!("W/\"{version}\""));
    }
    assert_refused(&served.get("/fhir/Organization/u/_history/3").await, 410, "deleted");
    for version in ["4", "0", "01", "x", "18446744073709551616"] {
        let reply = served.get(&format!("/fhir/Organization/u/_history/{version}")).await;
        assert_refused(&reply, 404, "not-found");
    }
}

// http.html#concurrency: the tag is weak and holds meta.versionId.
#[tokio::test]
async fn a05_the_tag_is_the_version() {
    let served = Served::open(DAY).await;
    for version in 1..=3 {
        let reply = stored(&served, "u", &format!("Unit {version}")).await;
        let id = reply.json()["meta"]["versionId"].as_str().unwrap().to_owned();
        assert!(endplate_fhir::is_id(&id));
        assert_eq!((id.as_str(), reply.header("etag")), (&*version.to_string(), &*format!("W/\"{id}\"")));
    }
}

// http.html#create: Location is that of the version.
#[tokio::test]
async fn a08_a_create_tells_where() {
    let served = Served::open(DAY).await;
    let reply = served.post("/fhir/Organization", &unit("Hand unit")).await;
    let id = reply.json()["id"].as_str().unwrap().to_owned();
    let base = format!("http://{}/fhir", served.server.local_addr());
    assert_eq!(reply.status, 201);
    assert_eq!(reply.header("location"), format!("{base}/Organization/{id}/_history/1"));
    assert!(!reply.header("etag").is_empty() && !reply.header("last-modified").is_empty());
}

// http.html#create: an id in the body is ignored.
#[tokio::test]
async fn a09_an_id_of_the_client_is_not_taken() {
    let served = Served::open(DAY).await;
    stored(&served, "mine", "Other unit").await;
    let reply = served.post("/fhir/Organization", &unit_as("mine", "Hand unit")).await;
    assert_eq!(reply.status, 201);
    assert_ne!(reply.json()["id"], "mine");
}

// http.html#create and #update.
#[tokio::test]
async fn a10_version_and_time_are_the_services_and_the_rest_of_meta_stays() {
    let served = Served::open(DAY).await;
    let mut sent = unit_as("u", "Hand unit");
    let tag = json!([{ "system": "https://records.example/tags", "code": "t" }]);
    sent["meta"] = json!({ "versionId": "77", "lastUpdated": "1999-01-01T00:00:00Z",
        "profile": ["https://records.example/unit"], "tag": tag, "security": tag });
    let meta = served.put(&sent).await.json()["meta"].clone();
    assert_eq!(meta["versionId"], "1");
    assert!(meta["lastUpdated"].as_str().unwrap().starts_with(DAY));
    assert_eq!(
        (&meta["profile"], &meta["tag"], &meta["security"]),
        (&json!(["https://records.example/unit"]), &tag, &tag)
    );
}

// http.html#create.
#[tokio::test]
async fn a11_another_type_than_the_address_says_is_400() {
    let served = Served::open(DAY).await;
    assert_refused(&served.post("/fhir/Patient", &unit("Hand unit")).await, 400, "invalid");
}

// http.html#create: 404 for a type that is not supported; http.html#root: types are told apart by case.
#[tokio::test]
async fn a12_types_that_are_not_here_are_404() {
    let served = Served::open(DAY).await;
    for path in [
        "/fhir/Medication",
        "/fhir/Medicaton/1",
        "/fhir/patient",
        "/fhir/patient/1",
        "/fhir/Medication/_history",
    ] {
        assert_refused(&served.get(path).await, 404, "not-supported");
    }
    let medication = json!({ "resourceType": "Medication" });
    assert_refused(&served.post("/fhir/Medication", &medication).await, 404, "not-supported");
}

// http.html#create.
#[tokio::test]
async fn a13_what_is_no_resource_is_400() {
    let served = Served::open(DAY).await;
    let request =
        served.request("POST", "/fhir/Organization").header("content-type", "application/fhir+json");
    let reply = served.send(request.body("{\"resourceType\":\"Organization\",\"name\":\"\"}")).await;
    assert_eq!(reply.status, 400);
    assert_eq!(reply.json()["issue"][0]["expression"], json!(["Organization.name"]));
    assert_eq!(versions(&served).await, 0);
}

// http.html#create: the rule of this service is 400 for what cannot be read, 422 for what breaks a rule.
#[tokio::test]
async fn a14_what_breaks_a_rule_is_422() {
    let served = Served::open(DAY).await;
    let mut repair = interosseous_graft()[2].clone();
    repair["status"] = json!("mended");
    let reply = served.put(&repair).await;
    assert_eq!(reply.status, 422, "{}", reply.text);
    assert_eq!(versions(&served).await, 0);
}

// http.html#update.
#[tokio::test]
async fn a15_an_update_is_200_and_the_next_version() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    let reply = served.put(&unit_as("u", "Nerve unit")).await;
    assert_eq!((reply.status, reply.header("etag")), (200, "W/\"2\""));
    assert!(!reply.header("last-modified").is_empty());
}

// http.html#update.
#[tokio::test]
async fn a16_an_update_names_the_same_id_twice() {
    let served = Served::open(DAY).await;
    for body in [unit("Hand unit"), unit_as("other", "Hand unit")] {
        assert_refused(&ask(&served, "PUT", "/fhir/Organization/u", &[], &body).await, 400, "invalid");
    }
}

// http.html#upsert.
#[tokio::test]
async fn a17_an_update_creates_what_is_not_there() {
    let served = Served::open(DAY).await;
    let reply = stored(&served, "u", "Hand unit").await;
    assert_eq!(reply.status, 201);
    assert!(reply.header("location").ends_with("/Organization/u/_history/1"));
    let statement = served.get("/fhir/metadata").await.json();
    let resources = statement["rest"][0]["resource"].as_array().unwrap();
    let organization = resources.iter().find(|one| one["type"] == "Organization").unwrap();
    assert_eq!(organization["updateCreate"], true);
}

// http.html#update: 201 where a deleted resource is brought back.
#[tokio::test]
async fn a19_an_update_revives_and_versions_go_on() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    ask(&served, "DELETE", "/fhir/Organization/u", &[], &NONE).await;
    let reply = served.put(&unit_as("u", "Hand unit")).await;
    assert_eq!((reply.status, reply.header("etag")), (201, "W/\"3\""));
    assert_eq!(served.get("/fhir/Organization/u").await.status, 200);
    assert_eq!(served.all("Organization?name=hand").await.len(), 1);
}

// R4 is silent; the CapabilityStatement says what holds here.
#[tokio::test]
async fn a26_the_same_content_makes_no_version() {
    let served = Served::open(DAY).await;
    let first = stored(&served, "u", "Hand unit").await.json();
    let mut reordered = json!({ "id": "u" });
    reordered.as_object_mut().unwrap().extend(unit("Hand unit").as_object().unwrap().clone());
    for body in [&first, &reordered] {
        let reply = served.put(body).await;
        assert_eq!((reply.status, reply.header("etag")), (200, "W/\"1\""));
    }
    let statement = served.get("/fhir/metadata").await.text;
    assert!(statement.contains("update with the same content makes no new version"));
}

// http.html#delete.
#[tokio::test]
async fn a37_a_deletion_is_204_as_often_as_it_is_sent() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    for (id, tag) in [("u", "W/\"2\""), ("u", "W/\"2\""), ("never", "")] {
        let reply = ask(&served, "DELETE", &format!("/fhir/Organization/{id}"), &[], &NONE).await;
        assert_eq!((reply.status, reply.text.as_str(), reply.header("etag")), (204, "", tag), "{id}");
    }
    assert_eq!(served.get("/fhir/Organization/u").await.status, 410);
    // A patient to whom nothing refers goes like anything else.
    assert_eq!(served.put(&patient("p", "1980-01-01")).await.status, 201);
    assert_eq!(ask(&served, "DELETE", "/fhir/Patient/p", &[], &NONE).await.status, 204);
    assert_eq!(served.get("/fhir/Patient/p").await.status, 410);
    assert_eq!(served.all("Organization").await, Vec::<Json>::new());
    let outcome = [("prefer", "return=OperationOutcome")];
    let told = ask(&served, "DELETE", "/fhir/Organization/u", &outcome, &NONE).await;
    assert_eq!((told.status, &told.json()["resourceType"]), (200, &json!("OperationOutcome")));
}

/// Somebody deletes what a finding refers to, after that was looked at and before the finding is stored.
#[tokio::test]
async fn nothing_is_stored_that_refers_to_what_was_deleted_meanwhile() {
    let store = Arc::new(MemoryStore::default());
    let clinic = Clinic::on(store.clone(), DAY);
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    clinic.put(json!({ "resourceType": "Practitioner", "id": "a" })).await.unwrap();
    let (endplate, delete) =
        (clinic.endplate.clone(), json!({ "method": "DELETE", "url": "Practitioner/a" }));
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [{ "request": delete }] });
    store.before(
        Reading::Compartment,
        Box::pin(async move { endplate.transaction(bundle).await.map(drop).unwrap() }),
    );
    let mut finding = tinel("o1", "p1", "r1", DAY, 5.0);
    finding["performer"] = json!([{ "reference": "Practitioner/a" }]);
    let refusal = clinic.put(finding).await.unwrap_err();
    assert_eq!(refusal.reason, Reason::Unprocessable);
    assert!(refusal.to_text().contains("leads to nothing here"), "{}", refusal.to_text());
    assert!(clinic.endplate.read("Observation", "o1").await.is_err());
}

// http.html#delete: 405 by type, 409 for what must stay.
#[tokio::test]
async fn a38_what_must_stay_is_not_deleted() {
    let served = Served::open(DAY).await;
    for resource in interosseous_graft() {
        assert_eq!(served.put(&resource).await.status, 201);
    }
    let before = versions(&served).await;
    for kind in ["AuditEvent", "Provenance"] {
        let reply = ask(&served, "DELETE", &format!("/fhir/{kind}/x"), &[], &NONE).await;
        assert_refused(&reply, 405, "not-supported");
        assert!(reply.header("allow").starts_with("GET,HEAD"));
    }
    // The Task is derived; the Patient is referred to by everything, the Procedure by its RiskAssessment.
    let task = served.all("Task").await[0]["id"].as_str().unwrap().to_owned();
    let [patient, _, repair] = interosseous_graft();
    let (patient, repair) = (text(&patient, "/id").to_owned(), text(&repair, "/id").to_owned());
    for (path, says) in [
        (format!("/fhir/Task/{task}"), "derived"),
        (format!("/fhir/Patient/{patient}"), "still refers to"),
        (format!("/fhir/Procedure/{repair}"), "entered-in-error"),
    ] {
        let reply = ask(&served, "DELETE", &path, &[], &NONE).await;
        assert_eq!(reply.status, 409, "{}", reply.text);
        assert!(reply.text.contains(says), "{}", reply.text);
    }
    assert_eq!(versions(&served).await, before, "nothing was written");
    // A referrer outside every patient's record counts too.
    stored(&served, "whole", "Hospital").await;
    let mut part = unit_as("part", "Hand unit");
    part["partOf"] = json!({ "reference": "Organization/whole" });
    assert_eq!(served.put(&part).await.status, 201);
    let reply = ask(&served, "DELETE", "/fhir/Organization/whole", &[], &NONE).await;
    assert_refused(&reply, 409, "conflict");
    assert!(reply.text.contains("Organization/part"));
    // An Observation to which nothing refers goes, and the plan is derived without it.
    let on = observation("o", &patient, &repair, "pain-score", DAY, ("valueInteger", json!(4)));
    assert_eq!(served.put(&on).await.status, 201);
    assert_eq!(ask(&served, "DELETE", "/fhir/Observation/o", &[], &NONE).await.status, 204);
    assert!(
        !served.all("RiskAssessment").await.iter().any(|one| one.to_string().contains("Observation/o\""))
    );
}

// http.html#delete and #history.
#[tokio::test]
async fn a39_a_deletion_keeps_the_history() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    ask(&served, "DELETE", "/fhir/Organization/u", &[], &NONE).await;
    let history = served.get("/fhir/Organization/u/_history").await.json();
    let entries = history["entry"].as_array().unwrap();
    assert_eq!(entries.len(), 2);
    assert_eq!(entries[0]["request"], json!({ "method": "DELETE", "url": "Organization/u" }));
    assert!(entries[0].get("resource").is_none());
    assert_eq!(entries[1]["resource"]["name"], "Hand unit");
}

// http.html#history; Bundle invariants bdl-3 and bdl-4.
#[tokio::test]
async fn a40_histories_are_newest_first_with_request_and_response() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    stored(&served, "u", "Nerve unit").await;
    served.put(&patient("p", "1980-01-01")).await;
    ask(&served, "DELETE", "/fhir/Organization/u", &[], &NONE).await;
    for (path, methods) in [
        ("/fhir/Organization/u/_history", &["DELETE", "PUT", "POST"][..]),
        ("/fhir/Organization/_history", &["DELETE", "PUT", "POST"]),
        ("/fhir/Patient/_history", &["POST"]),
        ("/fhir/_history", &["DELETE", "POST", "PUT", "POST"]),
    ] {
        let history = served.get(path).await.json();
        assert_eq!(endplate_fhir::validate::resource(&history), [], "{path}");
        assert_eq!((&history["type"], &history["total"]), (&json!("history"), &json!(methods.len())));
        let entries = history["entry"].as_array().unwrap();
        let found: Vec<&str> = entries.iter().map(|entry| text(entry, "/request/method")).collect();
        assert_eq!(found, methods, "{path}");
        for entry in entries {
            let status = text(entry, "/response/status");
            assert!(
                !text(entry, "/response/etag").is_empty()
                    && !text(entry, "/response/lastModified").is_empty()
            );
            assert_eq!(entry.get("resource").is_some(), !status.starts_with("204"), "{status}");
        }
    }
    assert_refused(&served.get("/fhir/Organization/none/_history").await, 404, "not-found");
}

// http.html#history: _since, _at, _count; Bundle paging.
#[tokio::test]
async fn a41_a_history_takes_its_parameters_once_and_comes_in_pages() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Unit 1").await;
    served.clock.turn_to("2026-03-05");
    for n in 2..=5 {
        stored(&served, "u", &format!("Unit {n}")).await;
    }
    let total = async |path: &str| served.get(path).await.json()["total"].as_u64().unwrap();
    assert_eq!(total("/fhir/Organization/u/_history?_since=2026-03-04T00:00:00Z").await, 4);
    assert_eq!(total("/fhir/_history?_since=2026-03-09T00:00:00%2B01:00").await, 0);
    assert_eq!(total("/fhir/Organization/_history?_at=2026-03-03").await, 1);
    let mut names = Vec::new();
    let mut path = "/fhir/Organization/u/_history?_count=2".to_owned();
    loop {
        let page = served.get(&path).await.json();
        let entries = page["entry"].as_array().unwrap();
        assert!((1..=2).contains(&entries.len()));
        names.extend(entries.iter().map(|entry| text(entry, "/resource/name").to_owned()));
        let next = page["link"].as_array().unwrap().iter().find(|link| link["relation"] == "next");
        let Some(next) = next else { break };
        path = text(next, "/url").split_once("/fhir").map(|(_, rest)| format!("/fhir{rest}")).unwrap();
    }
    assert_eq!(names, ["Unit 5", "Unit 4", "Unit 3", "Unit 2", "Unit 1"]);
    for query in [
        "_since=2026-03-04",
        "_since=ge2026-03-04T00:00:00Z",
        "_since=2026-03-04T00:00:00",
        "_at=gt2026-03-04",
        "_at=soon",
        "_count=-1",
        "_count=0",
        "_count=1&_count=2",
        "_sort=_lastUpdated",
        "name=x",
        "_after=x",
    ] {
        let reply = served.get(&format!("/fhir/Organization/u/_history?{query}")).await;
        assert_eq!(reply.status, 400, "{query}: {}", reply.text);
    }
}

// capabilitystatement.html, referencePolicy `enforced`.
#[tokio::test]
async fn a86_a_reference_to_nothing_is_422() {
    let served = Served::open(DAY).await;
    let reply = served.put(&injury("c", "nobody", "2026-03-01")).await;
    assert_refused(&reply, 422, "not-found");
    let statement = served.get("/fhir/metadata").await.json();
    let policies = statement.pointer("/rest/0/resource/0/referencePolicy").unwrap();
    assert!(policies.as_array().unwrap().contains(&json!("enforced")));
}
