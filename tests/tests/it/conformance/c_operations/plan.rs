//! `$apply` and `$assess`: FHIR R4 OperationDefinition PlanDefinition-apply.

use super::{APPLY, clinic, names, parameter, parameters, refused, resource, stored};
use crate::clinic::{EP, after, interosseous_graft, motor, with};
use crate::served::Served;
use endplate_fhir::{Json, validate};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// What is contained of one type, by id.
fn contained<'a>(plan: &'a Json, kind: &str) -> BTreeMap<&'a str, &'a Json> {
    let all = plan["contained"].as_array().unwrap().iter();
    all.filter(|one| one["resourceType"] == kind).map(|one| (one["id"].as_str().unwrap(), one)).collect()
}

async fn applied(served: &Served, more: &[Json]) -> Json {
    let mut all = vec![parameter("subject", "valueString", json!("Patient/p1"))];
    all.extend(more.iter().cloned());
    let reply = served.post(APPLY, &parameters(&all)).await;
    assert_eq!(reply.status, 200, "{}", reply.text);
    reply.json()
}

// OperationDefinition PlanDefinition-apply: a CarePlan with a single activity, a RequestGroup; R4 domain resource
// invariants dom-2 to dom-5 of what is contained.
#[tokio::test]
async fn c07_apply_gives_a_plan_with_one_request_group() {
    let served = clinic().await;
    let plan = applied(&served, &[]).await;
    assert_eq!(plan["resourceType"], "CarePlan");
    assert!(!validate::resource(&plan).iter().any(endplate_fhir::issue::Issue::is_error));
    assert_eq!(plan["activity"].as_array().unwrap().len(), 1);
    let groups = contained(&plan, "RequestGroup");
    let (id, group) = groups.first_key_value().unwrap();
    assert_eq!((groups.len(), &plan["activity"][0]["reference"]["reference"]), (1, &json!(format!("#{id}"))));
    let requests = contained(&plan, "ServiceRequest");
    let actions: BTreeSet<&str> = group["action"]
        .as_array()
        .unwrap()
        .iter()
        .map(|action| action["resource"]["reference"].as_str().unwrap().trim_start_matches('#'))
        .collect();
    assert!(!actions.is_empty());
    assert_eq!(actions, requests.keys().copied().collect());
    for kind in ["Goal", "RiskAssessment", "Task"] {
        assert!(!contained(&plan, kind).is_empty(), "{kind}");
    }
    // dom-3: each is referred to, or refers to the plan that contains it.
    let whole = plan.to_string();
    for one in plan["contained"].as_array().unwrap() {
        let named = whole.contains(&format!("\"#{}\"", one["id"].as_str().unwrap()));
        assert!(named || one.to_string().contains("\"reference\":\"#\""), "{one}");
        assert!(one.get("contained").is_none() && one["meta"].get("versionId").is_none());
    }
}

#[tokio::test]
async fn c08_apply_takes_one_subject_and_its_own_definition() {
    let served = clinic().await;
    let subject = |to: &str| parameter("subject", "valueString", json!(to));
    let definition = |url: &str| {
        let definition = json!({ "resourceType": "PlanDefinition", "status": "active", "url": url });
        parameter("planDefinition", "resource", definition)
    };
    let ours = format!("{EP}/PlanDefinition/nerve-repair-follow-up");
    let at_type = "/fhir/PlanDefinition/$apply";
    for (path, all, status, code) in [
        (APPLY, vec![], 400, "required"),
        (APPLY, vec![subject("Patient/p1"), subject("Patient/p2")], 422, "not-supported"),
        (APPLY, vec![subject("Patient/p1"), definition(&ours)], 400, "invalid"),
        (APPLY, vec![subject("Group/g")], 422, "value"),
        (APPLY, vec![subject("Patient/none")], 422, "not-found"),
        (at_type, vec![subject("Patient/p1")], 400, "required"),
        (at_type, vec![subject("Patient/p1"), definition("https://other.example/x")], 422, "not-supported"),
        ("/fhir/PlanDefinition/other/$apply", vec![subject("Patient/p1")], 404, "not-found"),
    ] {
        refused(&served.post(path, &parameters(&all)).await, status, code);
    }
    let reply = served.post(at_type, &parameters(&[subject("Patient/p1"), definition(&ours)])).await;
    assert_eq!(reply.json()["resourceType"], "CarePlan");
    // What a write would refuse is refused, at its place among the parameters.
    let [_, _, graft] = interosseous_graft();
    let future = with(&graft, "performedDateTime", json!("2031-01-01"));
    let reply = served.post(APPLY, &parameters(&[subject("Patient/p1"), resource(&future)])).await;
    refused(&reply, 422, "value");
    assert!(reply.text.contains("Parameters.parameter.where(name = 'resource')[0]"), "{}", reply.text);
}

// OperationDefinition PlanDefinition-apply; StructureDefinition RequestGroup: what an action points at is an option.
#[tokio::test]
async fn c09_apply_stores_nothing_and_gives_dates_and_options() {
    let served = Served::open("2026-03-02").await;
    let sent: Vec<Json> = interosseous_graft().iter().map(resource).collect();
    let plan = applied(&served, &sent).await;
    assert_eq!(stored(&served).await, BTreeMap::new());
    for (_, request) in contained(&plan, "ServiceRequest") {
        assert_eq!(request["intent"], "option");
        assert!(request["occurrencePeriod"]["start"].as_str().unwrap() >= "2026-03-02");
    }
    for (_, group) in contained(&plan, "RequestGroup") {
        assert!(
            group["action"]
                .as_array()
                .unwrap()
                .iter()
                .all(|action| action["timingPeriod"]["end"].is_string())
        );
    }
    // A muscle that has recovered asks for nothing more: its actions are gone.
    let grade = |id: &str, muscle: &str| motor(id, "p1", "r1", muscle, "2027-06-01", 5);
    let recovered = [grade("m1", "extensor-digitorum"), grade("m2", "extensor-indicis")];
    let mut more: Vec<Json> = sent.clone();
    more.extend(recovered.iter().map(resource));
    more.push(parameter("asOf", "valueDate", json!("2027-06-02")));
    let later = applied(&served, &more).await;
    let count = |plan: &Json| contained(plan, "ServiceRequest").len();
    assert!(count(&later) < count(&plan), "{} {}", count(&later), count(&plan));
}

#[tokio::test]
async fn c10_apply_and_the_automatic_path_plan_the_same() {
    let empty = Served::open("2026-03-02").await;
    let sent: Vec<Json> = interosseous_graft().iter().map(resource).collect();
    let told = clinic().await;
    let plans = [applied(&empty, &sent).await, applied(&told, &[]).await, applied(&told, &sent).await];
    let members = [
        (
            "ServiceRequest",
            &["identifier", "occurrencePeriod", "orderDetail", "note", "patientInstruction"][..],
        ),
        ("Task", &["identifier", "restriction", "input", "description"]),
        ("Goal", &["identifier", "target"]),
        ("RiskAssessment", &["identifier", "prediction", "extension"]),
    ];
    for (kind, members) in members {
        let shown = |one: &Json| -> (String, Vec<Json>) {
            (one["id"].as_str().unwrap().to_owned(), members.iter().map(|name| one[*name].clone()).collect())
        };
        let automatic: BTreeMap<_, _> = told.all(kind).await.iter().map(shown).collect();
        assert!(!automatic.is_empty());
        for plan in &plans {
            let applied: BTreeMap<_, _> = contained(plan, kind).into_values().map(shown).collect();
            assert_eq!(applied, automatic, "{kind}");
        }
    }
}

#[tokio::test]
async fn a_stored_plan_is_assessed_on_another_day() {
    let served = clinic().await;
    let plan = served.all("CarePlan").await.remove(0);
    let path = format!("/fhir/CarePlan/{}/$assess", plan["id"].as_str().unwrap());
    let before = stored(&served).await;
    let today = served.get(&path).await.json();
    assert_eq!((&today["resourceType"], &today["type"]), (&json!("Bundle"), &json!("collection")));
    let mut kept = Vec::new();
    for kind in endplate_followup::preview::DERIVED {
        kept.extend(
            served.all(kind).await.iter().map(|one| format!("{kind}/{}", one["id"].as_str().unwrap())),
        );
    }
    let is_plan = |name: &String| kept.contains(name);
    assert!(
        names(&today).iter().all(is_plan) && names(&today).len() == kept.len(),
        "{kept:?} {:?}",
        names(&today)
    );
    // The same as `endplate plan` prints for the same records.
    let empty = Served::open("2026-03-02").await;
    let preview = empty.server.endplate().preview(interosseous_graft().to_vec()).await.unwrap();
    assert_eq!(names(&today), names(&preview));
    // Nobody has come for a year and a half: reviews are overdue then, though not now.
    let later = served.get(&format!("{path}?asOf={}", after("2026-03-02", 540))).await.json();
    let alerts =
        |bundle: &Json| names(bundle).iter().filter(|name| name.starts_with("DetectedIssue/")).count();
    assert!(alerts(&today) < alerts(&later), "{:?}", names(&later));
    let posted = parameters(&[parameter("asOf", "valueDate", json!(after("2026-03-02", 540)))]);
    assert_eq!(served.post(&path, &posted).await.json(), later);
    assert_eq!(stored(&served).await, before);
    // When that day comes, what was foretold stands.
    served.turn_to(&after("2026-03-02", 540)).await;
    let found: BTreeSet<String> =
        served.all("DetectedIssue").await.iter().map(|one| one["id"].as_str().unwrap().to_owned()).collect();
    let foretold: BTreeSet<String> = names(&later)
        .iter()
        .filter_map(|name| name.strip_prefix("DetectedIssue/"))
        .map(str::to_owned)
        .collect();
    assert_eq!(found, foretold);
    refused(&served.get("/fhir/CarePlan/none/$assess").await, 404, "not-found");
    refused(&served.get(&format!("{path}?asOf=soon")).await, 400, "invalid");
    let own = json!({ "resourceType": "CarePlan", "id": "own", "status": "active", "intent": "plan",
        "subject": { "reference": "Patient/p1" } });
    served.put(&own).await.done();
    refused(&served.get("/fhir/CarePlan/own/$assess").await, 422, "business-rule");
}
