//! `$everything`, `$meta` and `$lastn`: FHIR R4 OperationDefinitions of these names.

use super::{LOCAL, clinic, names, parameter, parameters, refused};
use crate::clinic::{injury, interosseous_graft, motor, patient, tinel, with};
use crate::served::Served;
use endplate_fhir::{Json, validate};
use serde_json::json;
use std::collections::BTreeSet;

// OperationDefinition Patient-everything.
#[tokio::test]
async fn c11_everything_about_a_patient_by_care_date_record_time_and_page() {
    let served = clinic().await;
    for other in [patient("p2", "1980-01-01"), injury("c2", "p2", "2026-02-01")] {
        served.put(&other).await.done();
    }
    let whole = served.get("/fhir/Patient/p1/$everything").await.json();
    assert_eq!(whole["type"], "searchset");
    assert!(!validate::resource(&whole).iter().any(endplate_fhir::issue::Issue::is_error));
    let all = names(&whole);
    assert_eq!(whole["total"], json!(all.len()));
    for expected in ["Patient/p1", "Condition/c1", "Procedure/r1"] {
        assert!(all.contains(&expected.to_owned()), "{expected}: {all:?}");
    }
    assert!(!all.iter().any(|name| name.ends_with("/p2") || name.ends_with("/c2")));
    // Pages hold each once, in all the same, and only the last has no next.
    let (mut paged, mut next) = (Vec::new(), Some("/fhir/Patient/p1/$everything?_count=7".to_owned()));
    while let Some(path) = next {
        let page = served.get(&path).await.json();
        let here = names(&page);
        assert!((1..=7).contains(&here.len()) && page["total"] == whole["total"]);
        paged.extend(here);
        let links = page["link"].as_array().unwrap().iter();
        let url = links.filter(|link| link["relation"] == "next").find_map(|link| link["url"].as_str());
        next = url.map(|url| url[url.find("/fhir/").unwrap()..].to_owned());
    }
    assert_eq!(paged, all);
    let typed = served.get("/fhir/Patient/p1/$everything?_type=Task,Goal&_type=Patient").await.json();
    let kinds: BTreeSet<_> =
        names(&typed).iter().map(|name| name.split_once('/').unwrap().0.to_owned()).collect();
    assert_eq!(kinds, ["Goal", "Patient", "Task"].map(str::to_owned).into());
    // The operation was on 2 March, the injury on 23 February: dates of care.
    let care = |query: &str| format!("/fhir/Patient/p1/$everything?_type=Procedure,Condition&{query}");
    for (query, expected) in [
        ("start=2026-03-01&end=2026-03-31", vec!["Procedure/r1"]),
        ("end=2026-02-28", vec!["Condition/c1"]),
        ("start=2026-03-03&end=2026-03-04", vec![]),
    ] {
        assert_eq!(names(&served.get(&care(query)).await.json()), expected, "{query}");
    }
    // The record's time: only what was written since.
    served.clock.turn_to("2026-03-05");
    served.put(&tinel("t1", "p1", "r1", "2026-03-04", 3.0)).await.done();
    let recent = served.get("/fhir/Patient/p1/$everything?_since=2026-03-05T00:00:00Z").await.json();
    assert!(
        names(&recent).contains(&"Observation/t1".to_owned())
            && !names(&recent).contains(&"Procedure/r1".to_owned())
    );
    refused(&served.get("/fhir/Patient/none/$everything").await, 404, "not-found");
    refused(&served.get("/fhir/Patient/$everything").await, 404, "not-supported");
    for query in ["start=soon", "_since=2026-03-05", "_count=0", "start=2026-03-02&end=2026-03-01"] {
        refused(&served.get(&format!("/fhir/Patient/p1/$everything?{query}")).await, 400, "invalid");
    }
}

// OperationDefinition Patient-everything: "Servers should consider returning appropriate Provenance"; compartmentdefinition-
// patient.html leaves Task out.
#[tokio::test]
async fn c12_everything_holds_tasks_provenance_and_what_is_referred_to() {
    let served = Served::open("2026-03-02").await;
    let surgeon = json!({ "resourceType": "Practitioner", "id": "s1", "name": [{ "family": "Aksoy" }] });
    served.put(&surgeon).await.done();
    let [who, what, graft] = interosseous_graft();
    let graft = with(&graft, "performer", json!([{ "actor": { "reference": "Practitioner/s1" } }]));
    for resource in [who, what, graft] {
        served.put(&resource).await.done();
    }
    let whole = served.get("/fhir/Patient/p1/$everything").await.json();
    let all: BTreeSet<String> = names(&whole).into_iter().collect();
    for kind in ["CarePlan", "Task", "ServiceRequest", "Goal", "RiskAssessment", "Provenance"] {
        for found in served.all(kind).await {
            let name = format!("{kind}/{}", found["id"].as_str().unwrap());
            assert!(all.contains(&name), "{name}");
        }
    }
    assert!(all.contains("Practitioner/s1") && all.contains("Device/endplate"));
    let mode = |name: &str| {
        let entries = whole["entry"].as_array().unwrap().iter();
        let found = entries.filter(|entry| entry["fullUrl"].as_str().unwrap().ends_with(name));
        found.map(|entry| entry["search"]["mode"].as_str().unwrap()).next().unwrap()
    };
    assert_eq!((mode("Patient/p1"), mode("Practitioner/s1")), ("match", "include"));
}

// OperationDefinitions Resource-meta, Resource-meta-add, Resource-meta-delete.
#[tokio::test]
async fn c13_meta_is_read_and_its_sets_are_changed() {
    let served = clinic().await;
    let tag = |code: &str, display: &str| json!({ "system": LOCAL, "code": code, "display": display });
    let meta = |tags: Vec<Json>| parameters(&[parameter("meta", "valueMeta", json!({ "tag": tags }))]);
    let act = async |name: &str, body: &Json| {
        let reply = served.post(&format!("/fhir/Condition/c1/${name}"), body).await;
        assert_eq!(reply.status, 200, "{}", reply.text);
        let codes = reply.json()["parameter"][0]["valueMeta"]["tag"].clone();
        let codes: Vec<String> = codes
            .as_array()
            .into_iter()
            .flatten()
            .map(|tag| tag["code"].as_str().unwrap().to_owned())
            .collect();
        codes
    };
    assert_eq!(act("meta-add", &meta(vec![tag("a", "one"), tag("b", "two")])).await, ["a", "b"]);
    assert_eq!(act("meta-add", &meta(vec![tag("a", "another display")])).await, ["a", "b"]);
    assert_eq!(act("meta-delete", &meta(vec![tag("a", "three"), tag("never", "four")])).await, ["b"]);
    let read = served.get("/fhir/Condition/c1").await.json();
    assert_eq!(read["meta"]["tag"], json!([tag("b", "two")]));
    let told = served.get("/fhir/Condition/c1/$meta").await.json();
    assert_eq!(told["parameter"][0]["valueMeta"], read["meta"]);
    // "Systems are not obligated to implement the operation at this level (and should return a 4xx error)".
    for path in ["/fhir/$meta", "/fhir/Condition/$meta"] {
        refused(&served.get(path).await, 404, "not-supported");
    }
    let plan = served.all("CarePlan").await.remove(0);
    let path = format!("/fhir/CarePlan/{}/$meta-add", plan["id"].as_str().unwrap());
    refused(&served.post(&path, &meta(vec![tag("a", "one")])).await, 422, "business-rule");
}

// OperationDefinition Observation-lastn.
#[tokio::test]
async fn c14_the_last_observations_of_each_code() {
    let served = clinic().await;
    served.clock.turn_to("2026-09-01");
    for (n, on) in ["2026-04-01", "2026-05-01", "2026-06-01"].iter().enumerate() {
        served.put(&motor(&format!("m{n}"), "p1", "r1", "extensor-digitorum", on, 0)).await.done();
        served.put(&tinel(&format!("t{n}"), "p1", "r1", on, 20.0)).await.done();
    }
    served.put(&tinel("t9", "p1", "r1", "2026-06-01", 21.0)).await.done();
    for (query, expected) in [
        // A tie with the last: both.
        ("code=tinel-distance,motor-grade", vec!["m2", "t2", "t9"]),
        ("code=motor-grade&max=2", vec!["m2", "m1"]),
        ("code=motor-grade&date=lt2026-05-15", vec!["m1"]),
        ("code=pain-score", vec![]),
    ] {
        let found = served.get(&format!("/fhir/Observation/$lastn?patient=Patient/p1&{query}")).await.json();
        assert_eq!(found["type"], "searchset");
        let ids: Vec<String> =
            names(&found).iter().map(|name| name["Observation/".len()..].to_owned()).collect();
        assert_eq!(ids, expected, "{query}");
    }
    for query in ["code=motor-grade", "patient=p1", "patient=p1&code=x&max=0", "patient=p1&code=x&colour=red"]
    {
        assert_eq!(served.get(&format!("/fhir/Observation/$lastn?{query}")).await.status, 400, "{query}");
    }
}
