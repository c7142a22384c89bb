//! B: search, as FHIR R4 search.html has it. How single values are matched is in
//! `b_values`, what comes with the matches, in which order, pages and shape in `b_pages`.

use crate::served::{Reply, Served};
use endplate_fhir::Json;
use serde_json::json;
use std::collections::BTreeSet;

const UCUM: &str = "http://unitsofmeasure.org";

/// Three patients and what is known of them, written so that each parameter tells some apart.
fn records() -> Vec<Json> {
    let to = |reference: &str| json!({ "reference": reference });
    let coded = |system: &str, code: &str| json!({ "system": system, "code": code });
    let mr = json!({ "coding": [coded("http://terminology.hl7.org/CodeSystem/v2-0203", "MR")] });
    let absent = json!([{ "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown" }]);
    let observation = |id: &str, subject: &str, more: Json| {
        let mut one = json!({ "resourceType": "Observation", "id": id, "status": "final",
            "code": { "coding": [coded("urn:o", "w")] }, "subject": to(subject) });
        one.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        one
    };
    vec![
        json!({ "resourceType": "Patient", "id": "ann", "active": true, "gender": "female", "birthDate": "1990",
            "meta": { "tag": [coded("urn:tag", "t1")], "profile": ["https://x.example/P|1"], "security": [coded("urn:s", "R")] },
            "identifier": [{ "type": mr, "system": "urn:mrn", "value": "A-1" }],
            "telecom": [{ "system": "phone", "value": "555" }, { "system": "email", "value": "ann@x.example" }],
            "name": [{ "family": "M\u{fc}ller", "given": ["Ann", "Jos\u{e9}"] }] }),
        json!({ "resourceType": "Patient", "id": "bob", "gender": "male", "birthDate": "1985-06-15", "deceasedBoolean": false,
            "identifier": [{ "system": "urn:mrn", "value": "B,2|x" }, { "value": "A-1" }],
            "name": [{ "family": "Mullins" }] }),
        json!({ "resourceType": "Patient", "id": "cyd", "_birthDate": { "extension": absent },
            "identifier": [{ "system": "urn:other", "value": "A-1" }] }),
        json!({ "resourceType": "Practitioner", "id": "drew", "name": [{ "family": "Heath" }] }),
        json!({ "resourceType": "Practitioner", "id": "ann", "name": [{ "family": "Moor" }] }),
        json!({ "resourceType": "Task", "id": "t1", "status": "requested", "intent": "order", "priority": "urgent",
            "for": to("Patient/ann"), "owner": to("Practitioner/drew"), "authoredOn": "2026-01-10T10:00:00Z",
            "code": { "coding": [coded("urn:c", "x"), coded("urn:d", "y")] },
            "restriction": { "period": { "start": "2026-03-01", "end": "2026-03-10" } } }),
        json!({ "resourceType": "Task", "id": "t2", "status": "accepted", "intent": "order", "for": to("Patient/bob"),
            "owner": to("Practitioner/ann"), "authoredOn": "2026-01-11", "code": { "coding": [coded("urn:d", "x")] },
            "restriction": { "period": { "start": "2026-04-01" } } }),
        json!({ "resourceType": "Task", "id": "t3", "status": "requested", "intent": "plan", "for": to("Patient/ann"),
            "owner": to("Patient/ann"), "partOf": [to("Task/t1")],
            "requester": { "identifier": { "system": "urn:org", "value": "o1" } },
            "executionPeriod": { "start": "2026-02-01", "end": "2026-02-02" },
            "restriction": { "period": { "end": "2026-02-15" } } }),
        observation(
            "o1",
            "Patient/ann",
            json!({ "effectiveDateTime": "2026-02-01T10:00:00+02:00",
            "valueQuantity": { "value": 100, "unit": "milligram", "system": UCUM, "code": "mg" } }),
        ),
        observation(
            "o2",
            "Patient/ann",
            json!({ "effectiveDateTime": "2026-02", "valueQuantity": { "value": 100.2, "unit": "mg" } }),
        ),
        observation(
            "o3",
            "Patient/bob",
            json!({ "effectivePeriod": { "start": "2026-01-01" },
            "valueQuantity": { "value": 102, "system": UCUM, "code": "g" } }),
        ),
        json!({ "resourceType": "RiskAssessment", "id": "r1", "status": "final", "subject": to("Patient/ann"),
            "prediction": [{ "probabilityDecimal": 0.80 }] }),
        json!({ "resourceType": "Flag", "id": "f1", "status": "active", "subject": to("Patient/ann"),
            "code": { "coding": [coded("urn:f", "a")] } }),
        json!({ "resourceType": "Flag", "id": "f2", "status": "inactive", "subject": to("Patient/bob"),
            "code": { "coding": [coded("urn:f", "b")] } }),
        json!({ "resourceType": "CarePlan", "id": "c1", "status": "active", "intent": "plan", "subject": to("Patient/ann"),
            "activity": [{ "reference": to("Task/t1") },
                { "detail": { "status": "scheduled", "scheduledPeriod": { "start": "2026-03-01", "end": "2026-03-02" } } }] }),
        json!({ "resourceType": "Goal", "id": "g1", "lifecycleStatus": "active", "subject": to("Patient/ann"),
            "description": { "text": "Grip" }, "target": [{ "dueDate": "2026-05-01" }] }),
        json!({ "resourceType": "Provenance", "id": "p1", "recorded": "2026-03-02T00:00:00Z",
            "target": [to("Task/t1"), to("CarePlan/c1")], "agent": [{ "who": to("Practitioner/drew") }] }),
        json!({ "resourceType": "ConceptMap", "id": "m1", "url": "https://x.example/a/b", "status": "draft" }),
    ]
}

pub(super) async fn served() -> Served {
    let served = Served::open("2026-03-02").await;
    for record in records() {
        served.put(&record).await.done();
    }
    served
}

/// The ids of the entries of one mode, sorted.
pub(super) fn ids(bundle: &Json, mode: &str) -> Vec<String> {
    let entries = bundle["entry"].as_array().into_iter().flatten();
    let of_mode = entries.filter(|entry| entry["search"]["mode"] == mode);
    let mut ids: Vec<String> =
        of_mode.map(|entry| entry["resource"]["id"].as_str().unwrap_or_default().to_owned()).collect();
    ids.sort();
    ids
}

pub(super) async fn page(served: &Served, query: &str) -> Json {
    let reply = served.get(&format!("/fhir/{query}")).await;
    assert_eq!(reply.status, 200, "{query}: {}", reply.text);
    reply.json()
}

/// Each search finds these ids and no others.
pub(super) async fn finds(served: &Served, cases: &[(&str, &str)]) {
    for (query, expected) in cases {
        let bundle = page(served, query).await;
        assert_eq!(ids(&bundle, "match").join(" "), *expected, "{query}");
        assert_eq!(ids(&bundle, "outcome"), [""; 0], "{query}: {bundle:#}");
    }
}

/// Each search is refused with 400 and one sentence, whatever the client prefers.
pub(super) async fn refused(served: &Served, queries: &[&str]) {
    for query in queries {
        let request = served.request("GET", &format!("/fhir/{query}")).header("prefer", "handling=lenient");
        let reply = served.send(request).await;
        assert_eq!(reply.status, 400, "{query}: {}", reply.text);
        assert!(!reply.json()["issue"][0]["details"]["text"].as_str().unwrap().is_empty(), "{query}");
    }
}

pub(super) fn link<'a>(bundle: &'a Json, relation: &str) -> Option<&'a str> {
    let links = bundle["link"].as_array().into_iter().flatten();
    links.filter(|link| link["relation"] == relation).find_map(|link| link["url"].as_str())
}

/// What follows `/fhir/` in a link.
pub(super) fn after_base(url: &str) -> &str {
    url.split_once("/fhir/").unwrap().1
}

async fn by_post(served: &Served, path: &str, form: &str) -> Reply {
    let request = served.request("POST", &format!("/fhir/{path}"));
    served
        .send(request.header("content-type", "application/x-www-form-urlencoded").body(form.to_owned()))
        .await
}

// FHIR R4 http.html#search.
#[tokio::test]
async fn b01_get_and_post_find_the_same() {
    let served = served().await;
    let got = page(&served, "Task?status=requested&patient=ann").await;
    for (path, form) in [
        ("Task/_search", "status=requested&patient=ann"),
        ("Task/_search?status=requested", "patient=ann"),
        ("Task/_search?status=requested&patient=ann", ""),
    ] {
        let posted = by_post(&served, path, form).await;
        assert_eq!((posted.status, ids(&posted.json(), "match")), (200, ids(&got, "match")), "{path}");
    }
    let all = by_post(&served, "_search", "_type=Task&_id=t1").await;
    assert_eq!(ids(&all.json(), "match"), ["t1"]);
}

// FHIR R4 search.html#3.1.1.6, Bundle.entry.search.
#[tokio::test]
async fn b02_one_entry_for_each_resource_with_url_and_mode() {
    let served = served().await;
    let bundle = page(&served, "Task?_include=Task:part-of&_include=Task:owner&colour=red").await;
    assert_eq!((&bundle["resourceType"], &bundle["type"]), (&"Bundle".into(), &"searchset".into()));
    assert_eq!(ids(&bundle, "match"), ["t1", "t2", "t3"], "t1 is a match, and not included again");
    assert_eq!(ids(&bundle, "include"), ["ann", "ann", "drew"]);
    let entries = bundle["entry"].as_array().unwrap();
    let urls: BTreeSet<&str> = entries.iter().filter_map(|entry| entry["fullUrl"].as_str()).collect();
    assert_eq!(urls.len(), 6);
    for entry in entries.iter().filter(|entry| entry["search"]["mode"] != "outcome") {
        let (kind, id) = (&entry["resource"]["resourceType"], &entry["resource"]["id"]);
        let name = format!("/fhir/{}/{}", kind.as_str().unwrap(), id.as_str().unwrap());
        assert!(entry["fullUrl"].as_str().unwrap().ends_with(&name), "{entry}");
    }
}

// FHIR R4 json.html: an array is never empty.
#[tokio::test]
async fn b03_nothing_found_is_200_without_entries() {
    let bundle = page(&served().await, "Task?status=failed").await;
    assert_eq!((&bundle["total"], bundle.get("entry")), (&0.into(), None));
}

// FHIR R4 search.html#3.1.1.6: the parameters that were actually used, and no others.
#[tokio::test]
async fn b04_self_tells_what_was_heeded() {
    let served = served().await;
    let cases = [
        ("Task?status=requested&colour=red", "Task?status=requested"),
        ("Task?_sort=owner,-due&_count=2&patient=", "Task?_sort=-due&_count=2"),
        ("Task?code=urn%3Ac%7Cx&_include=Task%3Afoo", "Task?code=urn%3Ac%7Cx"),
        ("Task?nothing=1", "Task"),
    ];
    for (asked, told) in cases {
        let bundle = page(&served, asked).await;
        assert_eq!(after_base(link(&bundle, "self").unwrap()), told, "{asked}");
    }
}

// FHIR R4 search.html#errors.
#[tokio::test]
async fn b05_an_unknown_parameter_is_passed_over_and_told() {
    let bundle = page(&served().await, "Task?status=requested&colour=mauve").await;
    assert_eq!((ids(&bundle, "match").len(), ids(&bundle, "outcome").len()), (2, 1));
    let outcome = bundle["entry"].as_array().unwrap().last().unwrap();
    let issue = &outcome["resource"]["issue"][0];
    assert_eq!(
        (&issue["severity"], &outcome["resource"]["resourceType"]),
        (&"warning".into(), &"OperationOutcome".into())
    );
    assert!(issue["details"]["text"].as_str().unwrap().contains("`colour`"), "{issue}");
    assert!(!outcome.to_string().contains("mauve") && bundle["total"] == 2);
}

// FHIR R4 search.html#errors: Prefer handling=strict and lenient.
#[tokio::test]
async fn b06_handling_strict_refuses_what_is_unknown() {
    let served = served().await;
    for query in ["Task?colour=red", "Task?_sort=owner", "Task?_include=Task:foo", "Task?owner.colour=x"] {
        for (handling, status) in [("handling=strict", 400), ("handling=lenient", 200)] {
            let request = served.request("GET", &format!("/fhir/{query}")).header("prefer", handling);
            let reply = served.send(request).await;
            assert_eq!(
                (reply.status, reply.header("preference-applied")),
                (status, if status == 200 { handling } else { "" })
            );
            assert_eq!(
                reply.json()["resourceType"],
                if status == 200 { "Bundle" } else { "OperationOutcome" }
            );
        }
    }
}

// FHIR R4 search.html#3.1.1.4.4: a server shall reject a modifier that it does not support.
#[tokio::test]
async fn b07_a_modifier_that_is_not_offered_is_always_400() {
    let queries = [
        "Task?status:text=x",
        "Task?status:exact=x",
        "Patient?name:not=x",
        "Task?due:exact=2026",
        "Task?code:in=http://x.example/v",
        "RiskAssessment?probability:not=1",
        "Task?_include:recurse=Task:owner",
        "Task?_id:missing=true",
    ];
    refused(&served().await, &queries).await;
}

// FHIR R4 search.html#errors: values that cannot be read are refused; what nothing has finds nothing.
#[tokio::test]
async fn b08_a_value_of_the_wrong_form_is_400_and_an_unknown_one_finds_nothing() {
    let served = served().await;
    let queries = [
        "Task?due=23%20May%202009",
        "Task?due=2026-02-30",
        "Task?_count=abc",
        "Task?_count=-1",
        "RiskAssessment?probability=much",
        "Observation?value-quantity=1|2",
        "Task?code=a|b|c",
        "Task?_total=maybe",
        "Task?_summary=maybe",
        "Task?status:missing=maybe",
    ];
    refused(&served, &queries).await;
    finds(&served, &[("Task?status=nonsense", ""), ("Task?patient=nobody", ""), ("Task?code=urn:z|q", "")])
        .await;
}

// FHIR R4 search.html#errors.
#[tokio::test]
async fn b09_an_empty_value_is_passed_over() {
    let served = served().await;
    finds(
        &served,
        &[
            ("Task?status=", "t1 t2 t3"),
            ("Task?status=&patient=bob", "t2"),
            ("Patient?name:exact=", "ann bob cyd"),
        ],
    )
    .await;
}

// FHIR R4 search.html#3.1.1.4.15.
#[tokio::test]
async fn b31_chains_each_for_itself() {
    let served = served().await;
    let cases = [
        ("Task?patient.identifier=urn:mrn|A-1", "t1 t3"),
        ("Task?subject:Patient.family=mull", "t1 t2 t3"),
        ("Task?owner:Practitioner.name=heath", "t1"),
        ("Task?part-of.patient.gender=female", "t3"),
        ("Task?part-of.owner:Practitioner.name=heath", "t3"),
        ("Task?patient.gender=female&patient.identifier=urn:mrn|B\\,2\\|x", ""),
        ("Task?patient.gender:not=female", "t2"),
        ("Observation?patient.birthdate=lt1986", "o3"),
    ];
    finds(&served, &cases).await;
    let queries = [
        "Task?owner.name=heath",
        "Task?owner:Task.status=x",
        "Task?patient.name:text=x",
        "Task?part-of.part-of.part-of.part-of.status=x",
    ];
    refused(&served, &queries).await;
    // A Subscription is about a resource alone, at any time: it can have none of these.
    for criteria in ["Task?patient.gender=male", "Patient?_has:Task:patient:status=x", "Task?due=ap2026"] {
        let subscription = json!({ "resourceType": "Subscription", "id": "s", "status": "requested", "reason": "x",
            "criteria": criteria, "channel": { "type": "rest-hook", "endpoint": "http://127.0.0.1:9/inbox" } });
        let reply = served.put(&subscription).await;
        assert_eq!(
            (reply.status, &reply.json()["issue"][0]["expression"][0]),
            (422, &"Subscription.criteria".into()),
            "{criteria}"
        );
    }
}

// FHIR R4 search.html#3.1.1.4.16.
#[tokio::test]
async fn b32_has_finds_what_is_referred_to() {
    let served = served().await;
    let cases = [
        ("Patient?_has:Observation:patient:code=w", "ann bob"),
        ("Patient?_has:Observation:patient:value-quantity=gt101", "bob"),
        ("Patient?_has:Task:patient:_has:Task:part-of:status=requested", "ann"),
        ("Practitioner?_has:Task:owner:patient.gender=male", "ann"),
        ("Patient?_has:Task:patient:status=accepted&_has:Observation:patient:code=w", "bob"),
        ("Task?_has:Provenance:target:agent=drew", "t1"),
    ];
    finds(&served, &cases).await;
    let queries = [
        "Patient?_has:Observation:code=w",
        "Patient?_has:Observation:patient:colour=w",
        "Patient?_has:Nothing:patient:code=w",
    ];
    refused(&served, &queries).await;
}

// FHIR R4 http.html#vsearch, CompartmentDefinition patient.
#[tokio::test]
async fn b44_search_within_a_patients_compartment() {
    let served = served().await;
    let cases = [
        ("Patient/ann/Observation", "o1 o2"),
        ("Patient/ann/Observation?value-quantity=100.2", "o2"),
        ("Patient/bob/Observation", "o3"),
        ("Patient/ann/Flag", "f1"),
        ("Patient/ann/*", "c1 f1 g1 o1 o2 r1 t1 t3"),
        ("Patient/bob/*", "f2 o3 t2"),
        ("?_type=Task,Flag", "f1 f2 t1 t2 t3"),
        ("?_id=ann", "ann ann"),
        ("?_tag=t1", "ann"),
    ];
    finds(&served, &cases).await;
    let mut paged = Vec::new();
    let mut next = Some("Patient/ann/*?_count=3".to_owned());
    while let Some(path) = next {
        let bundle = page(&served, &path).await;
        assert_eq!(bundle["total"], 8);
        paged.extend(ids(&bundle, "match"));
        next = link(&bundle, "next").map(|url| after_base(url).to_owned());
    }
    paged.sort();
    assert_eq!(paged.join(" "), "c1 f1 g1 o1 o2 r1 t1 t3");
    for path in [
        "Patient/ann/Practitioner",
        "Patient/ann/Nothing",
        "Patient/nobody/Observation",
        "Practitioner/drew/Task",
    ] {
        assert_eq!(served.get(&format!("/fhir/{path}")).await.status, 404, "{path}");
    }
    refused(
        &served,
        &["?_after=x", "?_after=Nothing!", "?status=active", "Patient/ann/*?status=final", "?_type=Nothing"],
    )
    .await;
}

// CompartmentDefinition patient has no Task; it is offered here, and the statement says that this is an extension.
#[tokio::test]
async fn b45_tasks_of_a_patient_by_parameter_and_as_declared_extension() {
    let served = served().await;
    finds(&served, &[("Task?patient=ann", "t1 t3"), ("Patient/ann/Task", "t1 t3")]).await;
    let statement = page(&served, "metadata").await;
    assert!(statement["rest"][0]["documentation"].as_str().unwrap().contains("Task in the compartment"));
}

// FHIR R4 Task search: `period` is executionPeriod; the due window has a parameter of this service.
#[tokio::test]
async fn b46_due_is_a_parameter_of_its_own() {
    let served = served().await;
    finds(&served, &[("Task?due=2026-03", "t1"), ("Task?period=2026-03", ""), ("Task?period=2026-02", "t3")])
        .await;
    let statement = page(&served, "metadata").await;
    let task = statement["rest"][0]["resource"]
        .as_array()
        .unwrap()
        .iter()
        .find(|one| one["type"] == "Task")
        .unwrap();
    let due = task["searchParam"].as_array().unwrap().iter().find(|one| one["name"] == "due").unwrap();
    assert_eq!((&due["type"], due["documentation"].is_string()), (&"date".into(), true));
}

// FHIR R4 Flag search has neither status nor code; both are parameters of this service.
#[tokio::test]
async fn b47_flags_by_status_and_code() {
    finds(
        &served().await,
        &[("Flag?status=active", "f1"), ("Flag?code=urn:f|b", "f2"), ("Flag?status:not=active", "f2")],
    )
    .await;
}

// FHIR R4 CarePlan search: activity-date is of activity.detail alone; an activity by reference is found through its Task.
#[tokio::test]
async fn b48_activities_by_detail_or_through_their_task() {
    let cases = [
        ("CarePlan?activity-date=2026-03", "c1"),
        ("CarePlan?activity-date=2026-05", ""),
        ("CarePlan?activity-reference=Task/t1", "c1"),
        ("CarePlan?activity-reference:Task.due=le2026-03-31", "c1"),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 Provenance search: `patient` is a Patient as target; of other resources by `target`.
#[tokio::test]
async fn b49_provenance_by_target() {
    let cases = [
        ("Provenance?target=CarePlan/c1", "p1"),
        ("Provenance?patient=ann", ""),
        ("Provenance?target:Task.patient=ann", "p1"),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 Goal search: target-date is of dueDate alone.
#[tokio::test]
async fn b50_goals_by_due_date() {
    finds(&served().await, &[("Goal?target-date=le2026-05-01", "g1"), ("Goal?target-date=gt2026-05-01", "")])
        .await;
}

// FHIR R4 search.html#3.1.1.7.
#[tokio::test]
async fn b51_a_named_query_is_refused() {
    refused(&served().await, &["Task?_query=overdue"]).await;
}
