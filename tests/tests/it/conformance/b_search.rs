//! B: search, as FHIR R4 search.html has it.

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

async fn served() -> Served {
    let served = Served::open("2026-03-02").await;
    for record in records() {
        served.put(&record).await.done();
    }
    served
}

/// The ids of the entries of one mode, sorted.
fn ids(bundle: &Json, mode: &str) -> Vec<String> {
    let entries = bundle["entry"].as_array().into_iter().flatten();
    let of_mode = entries.filter(|entry| entry["search"]["mode"] == mode);
    let mut ids: Vec<String> =
        of_mode.map(|entry| entry["resource"]["id"].as_str().unwrap_or_default().to_owned()).collect();
    ids.sort();
    ids
}

async fn page(served: &Served, query: &str) -> Json {
    let reply = served.get(&format!("/fhir/{query}")).await;
    assert_eq!(reply.status, 200, "{query}: {}", reply.text);
    reply.json()
}

/// Each search finds these ids and no others.
async fn finds(served: &Served, cases: &[(&str, &str)]) {
    for (query, expected) in cases {
        let bundle = page(served, query).await;
        assert_eq!(ids(&bundle, "match").join(" "), *expected, "{query}");
        assert_eq!(ids(&bundle, "outcome"), [""; 0], "{query}: {bundle:#}");
    }
}

/// Each search is refused with 400 and one sentence, whatever the client prefers.
async fn refused(served: &Served, queries: &[&str]) {
    for query in queries {
        let request = served.request("GET", &format!("/fhir/{query}")).header("prefer", "handling=lenient");
        let reply = served.send(request).await;
        assert_eq!(reply.status, 400, "{query}: {}", reply.text);
        assert!(!reply.json()["issue"][0]["details"]["text"].as_str().unwrap().is_empty(), "{query}");
    }
}

fn link<'a>(bundle: &'a Json, relation: &str) -> Option<&'a str> {
    let links = bundle["link"].as_array().into_iter().flatten();
    links.filter(|link| link["relation"] == relation).find_map(|link| link["url"].as_str())
}

/// What follows `/fhir/` in a link.
fn after_base(url: &str) -> &str {
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

// FHIR R4 search.html#3.1.1.4.1: _id, exact and case-sensitive.
#[tokio::test]
async fn b11_id_is_exact() {
    finds(
        &served().await,
        &[("Task?_id=t1", "t1"), ("Task?_id=T1", ""), ("Task?_id=t", ""), ("Task?_id=t1,t3", "t1 t3")],
    )
    .await;
}

// FHIR R4 search.html#3.1.1.4.17, composing queries.
#[tokio::test]
async fn b12_commas_are_or_and_repeats_are_and() {
    let cases = [
        ("Task?status=requested,accepted", "t1 t2 t3"),
        ("Task?code=x&code=y", "t1"),
        ("Task?code=x,y&status=accepted", "t2"),
        ("Task?code=urn:c|x,urn:d|x&status=requested,accepted", "t1 t2"),
        ("Task?status=requested&status=accepted", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#escaping.
#[tokio::test]
async fn b13_escaped_separators_are_part_of_the_value() {
    let cases = [
        (r"Patient?identifier=B\,2\|x", "bob"),
        ("Patient?identifier=urn:mrn|B%5C%2C2%5C%7Cx", "bob"),
        (r"Patient?identifier=B\,2\|x,urn:other|A-1", "bob cyd"),
    ];
    let served = served().await;
    finds(&served, &cases).await;
    refused(&served, &["Patient?identifier=a|B,2|x|y"]).await;
}

// FHIR R4 search.html#3.1.1.4.7: a + in a URL is a space; a colon may be escaped.
#[tokio::test]
async fn b14_a_plus_must_be_escaped_and_a_colon_may_be() {
    let served = served().await;
    let cases = [
        ("Observation?date=2026-02-01T10:00:00%2B02:00", "o1"),
        ("Observation?date=2026-02-01T10%3A00%3A00%2B02%3A00", "o1"),
        ("Observation?date=2026-02-01T08:00:00Z", "o1"),
        ("Task?patient%3APatient=ann", "t1 t3"),
    ];
    finds(&served, &cases).await;
    refused(&served, &["Observation?date=2026-02-01T10:00:00+02:00"]).await;
}

// FHIR R4 search.html#3.1.1.4.10, the forms of a token.
#[tokio::test]
async fn b15_tokens_in_each_form() {
    let served = served().await;
    let cases = [
        ("Patient?identifier=A-1", "ann bob cyd"),
        ("Patient?identifier=urn:mrn|A-1", "ann"),
        ("Patient?identifier=|A-1", "bob"),
        ("Patient?identifier=urn:mrn|", "ann bob"),
        ("Task?code=y", "t1"),
        ("Task?status=http://hl7.org/fhir/task-status|requested", "t1 t3"),
        ("Task?status=http://hl7.org/fhir/request-status|requested", ""),
        ("Patient?active=true", "ann"),
        ("Patient?telecom=555", "ann"),
        ("Patient?phone=555", "ann"),
        ("Patient?email=555", ""),
        ("Patient?email=ann@x.example", "ann"),
        ("Patient?deceased=false", "ann bob cyd"),
    ];
    finds(&served, &cases).await;
    let queries =
        ["Patient?active=x|true", "Patient?telecom=phone|555", "ConceptMap?url=x|y", "Patient?identifier=|"];
    refused(&served, &queries).await;
}

// FHIR R4 search.html#3.1.1.4.10: matches are literal. A code system that ignores case is not known here, so case counts.
#[tokio::test]
async fn b16_tokens_are_case_sensitive() {
    let cases = [
        ("Task?status=Requested", ""),
        ("Patient?identifier=a-1", ""),
        ("Observation?value-quantity=100||MG", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.10: :not is the complement of the set.
#[tokio::test]
async fn b17_not_includes_what_has_no_value() {
    let cases = [
        ("Task?priority:not=urgent", "t2 t3"),
        ("Task?code:not=x", "t3"),
        ("Task?status:not=requested,accepted", ""),
        ("Patient?gender:not=male", "ann cyd"),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.10, :of-type: system, code and value, all three.
#[tokio::test]
async fn b18_of_type_is_offered_and_the_terminology_modifiers_are_not() {
    let served = served().await;
    let mr = "http://terminology.hl7.org/CodeSystem/v2-0203|MR";
    finds(
        &served,
        &[
            (&format!("Patient?identifier:of-type={mr}|A-1"), "ann"),
            (&format!("Patient?identifier:of-type={mr}|B"), ""),
        ],
    )
    .await;
    let parts = format!("Patient?identifier:of-type={mr}");
    let queries = [
        parts.as_str(),
        "Patient?identifier:of-type=|MR|A-1",
        "Patient?identifier:otype=a|b|c",
        "Task?code:text=x",
        "Task?code:not-in=x",
        "Task?code:above=x",
        "Task?code:below=x",
        "Task?code:of-type=a|b|c",
    ];
    refused(&served, &queries).await;
}

// FHIR R4 search.html#3.1.1.4.8.
#[tokio::test]
async fn b19_strings_by_beginning_without_case_and_accents() {
    let cases = [
        ("Patient?family=mull", "ann bob"),
        ("Patient?family=M%C3%9CLL", "ann bob"),
        ("Patient?name=jose", "ann"),
        ("Patient?given=nn", ""),
        ("Patient?given:contains=NN", "ann"),
        ("Patient?family:exact=M%C3%BCller", "ann"),
        ("Patient?family:exact=Muller", ""),
        ("Patient?family:exact=m%C3%BCller", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.9.
#[tokio::test]
async fn b20_uris_exactly_above_and_below() {
    let cases = [
        ("ConceptMap?url=https://x.example/a/b", "m1"),
        ("ConceptMap?url=https://x.example/a", ""),
        ("ConceptMap?url=https://x.example/A/b", ""),
        ("ConceptMap?url:below=https://x.example/a", "m1"),
        ("ConceptMap?url:below=https://x.example/a/b/c", ""),
        ("ConceptMap?url:above=https://x.example/a/b/c", "m1"),
        ("Patient?_profile=https://x.example/P|1", "ann"),
        ("Patient?_profile=https://x.example/P", "ann"),
        ("Patient?_profile=https://x.example/P|2", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.12: the forms of a reference; an id alone that means two is refused.
#[tokio::test]
async fn b21_references_in_each_form() {
    let served = served().await;
    let own = format!("http://{}/fhir", served.server.local_addr());
    let absolute = format!("Task?patient={own}/Patient/ann");
    let cases = [
        ("Task?patient=ann", "t1 t3"),
        ("Task?subject=ann", "t1 t3"),
        ("Task?patient=Patient/ann", "t1 t3"),
        (&absolute, "t1 t3"),
        ("Task?owner=drew", "t1"),
        ("Task?owner=Practitioner/ann", "t2"),
        ("Task?owner=https://elsewhere.example/fhir/Practitioner/drew", ""),
    ];
    finds(&served, &cases).await;
    refused(&served, &["Task?owner=ann", "Task?owner=not an id"]).await;
}

// FHIR R4 search.html#3.1.1.4.12: type and identifier.
#[tokio::test]
async fn b22_references_by_type_and_by_identifier() {
    let served = served().await;
    let cases = [
        ("Task?owner:Practitioner=ann", "t2"),
        ("Task?owner:Patient=ann", "t3"),
        ("Task?requester:identifier=urn:org|o1", "t3"),
        ("Task?requester:identifier=o1", "t3"),
        ("Task?requester:identifier=urn:org|o2", ""),
        ("Task?patient:identifier=o1", ""),
    ];
    finds(&served, &cases).await;
    refused(&served, &["Task?owner:Patient=Practitioner/ann", "Task?requester:identifier.name=x"]).await;
}

// FHIR R4 search.html#3.1.1.4.7: what a date of each precision means.
#[tokio::test]
async fn b23_dates_are_as_precise_as_they_are_written() {
    let served = served().await;
    let cases = [
        ("Observation?date=2026", "o1 o2"),
        ("Observation?date=2026-02", "o1 o2"),
        ("Observation?date=2026-02-01", "o1"),
        ("Observation?date=2026-02-01T08:00Z", "o1"),
        ("Observation?date=2026-02-01T08:00:00Z", "o1"),
        ("Observation?date=2026-02-01T08:00:00.000Z", ""),
        ("Observation?date=2026-02-01T08:01Z", ""),
    ];
    finds(&served, &cases).await;
    refused(
        &served,
        &["Observation?date=2026-2-1", "Observation?date=2026-02-01T08", "Observation?date=02-2026"],
    )
    .await;
}

// FHIR R4 search.html#3.1.1.4.5, each prefix against a day, a month, and a period without an end. "ap" is a tenth of the time
// between then and now, which is 2026-03-02 here.
#[tokio::test]
async fn b24_every_prefix_of_a_date() {
    let cases = [
        ("Observation?date=eq2026-02-01", "o1"),
        ("Observation?date=ne2026-02-01", "o2 o3"),
        ("Observation?date=gt2026-02-01", "o2 o3"),
        ("Observation?date=lt2026-02-01", "o3"),
        ("Observation?date=ge2026-02-01", "o1 o2 o3"),
        ("Observation?date=le2026-02-01", "o1 o3"),
        ("Observation?date=sa2026-01-31", "o1 o2"),
        ("Observation?date=eb2026-03-01", "o1 o2"),
        ("Observation?date=ap2026-02-03", "o1 o2 o3"),
        ("Observation?date=ap2026-02-10", "o2 o3"),
        ("Task?due=gt2030", "t2"),
        ("Task?due=lt2000", "t3"),
        ("Task?due=sa2026-03-15", "t2"),
        ("Task?due=eb2026-02-20", "t3"),
        ("Task?due=le2026-03-02", "t1 t3"),
        ("Task?due=ge2026-03-05&due=le2026-03-05", "t1"),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.5: of the two readings of "gt" with a day, the one after the day ends.
#[tokio::test]
async fn b25_gt_of_a_day_is_after_that_day_ends() {
    let cases = [
        ("Patient?birthdate=gt1985-06-15", "ann"),
        ("Patient?birthdate=gt1985-06-14", "ann bob"),
        ("Patient?birthdate=lt1985-06-15", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.7: an instant is a moment, a date a day, an open end reaches for ever.
#[tokio::test]
async fn b26_instants_days_and_open_ends() {
    let cases = [
        ("Task?authored-on=2026-01-10", "t1"),
        ("Task?authored-on=2026-01-11", "t2"),
        ("Task?authored-on=2026-01-11T10:00:00Z", ""),
        ("Task?authored-on=ge2026-01-11T10:00:00Z", "t2"),
        ("Task?due=gt2999", "t2"),
        ("Task?due=eq2026-02", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.7: a day without a zone is not shifted; where no zone is said, UTC is meant.
#[tokio::test]
async fn b27_days_are_not_shifted_and_utc_is_meant() {
    let served = served().await;
    let cases = [
        ("Patient?birthdate=1985-06-15", "bob"),
        ("Observation?date=2026-02-01T08:00:00", "o1"),
        ("Observation?date=2026-02-01T10:00:00", ""),
    ];
    finds(&served, &cases).await;
    let statement = page(&served, "metadata").await;
    assert!(statement["rest"][0]["documentation"].as_str().unwrap().contains("UTC"));
}

// FHIR R4 search.html#3.1.1.4.6: its own examples of precision, and comparison without.
#[tokio::test]
async fn b28_numbers_to_the_precision_written() {
    let cases = [
        ("Observation?value-quantity=100", "o1 o2"),
        ("Observation?value-quantity=100.00", "o1"),
        ("Observation?value-quantity=1e2", "o1 o2 o3"),
        ("Observation?value-quantity=gt100", "o2 o3"),
        ("Observation?value-quantity=ge100", "o1 o2 o3"),
        ("Observation?value-quantity=le100", "o1"),
        ("Observation?value-quantity=lt100", ""),
        ("Observation?value-quantity=sa100", "o2 o3"),
        ("Observation?value-quantity=eb101", "o1 o2"),
        ("Observation?value-quantity=ne100", "o3"),
        ("Observation?value-quantity=ap110", "o1 o2 o3"),
        ("RiskAssessment?probability=0.8", "r1"),
        ("RiskAssessment?probability=gt0.8", ""),
        ("RiskAssessment?probability=ge0.8", "r1"),
        ("RiskAssessment?probability=lt1", "r1"),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.11: number, system and code; units are not converted, and the statement says so.
#[tokio::test]
async fn b29_quantities_with_and_without_unit() {
    let served = served().await;
    let cases = [
        ("Observation?value-quantity=100|http://unitsofmeasure.org|mg", "o1"),
        ("Observation?value-quantity=100||mg", "o1 o2"),
        ("Observation?value-quantity=100||milligram", "o1"),
        ("Observation?value-quantity=gt1|http://unitsofmeasure.org|g", "o3"),
        ("Observation?value-quantity=0.1|http://unitsofmeasure.org|g", ""),
        ("Observation?combo-value-quantity=102", "o3"),
    ];
    finds(&served, &cases).await;
    let statement = page(&served, "metadata").await;
    assert!(statement["rest"][0]["documentation"].as_str().unwrap().contains("not converted"));
}

// FHIR R4 search.html#3.1.1.4.4, :missing.
#[tokio::test]
async fn b30_missing_also_where_there_are_only_extensions() {
    let cases = [
        ("Patient?birthdate:missing=true", "cyd"),
        ("Patient?birthdate:missing=false", "ann bob"),
        ("Task?code:missing=true", "t3"),
        ("Task?patient:missing=false", "t1 t2 t3"),
        ("Task?requester:missing=false", "t3"),
        ("Patient?email:missing=false", "ann"),
        ("Patient?name:missing=true", "cyd"),
        ("Observation?value-quantity:missing=true", ""),
        ("Task?_lastUpdated:missing=true", ""),
    ];
    finds(&served().await, &cases).await;
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

// FHIR R4 search.html#3.1.1.5.4.
#[tokio::test]
async fn b33_includes_and_reverse_includes() {
    let served = served().await;
    let cases = [
        ("Task?_id=t2&_include=Task:patient", "bob"),
        ("Task?_id=t1&_include=Task:patient&_include=Task:owner", "ann drew"),
        ("Task?_id=t1,t3&_include=Task:owner:Patient", "ann"),
        ("Task?_id=t3&_include=Task:part-of", "t1"),
        ("Task?_id=t3&_include=Task:part-of&_include:iterate=Task:owner", "ann drew t1"),
        ("Task?_id=t3&_include=Task:requester", ""),
        ("Task?_id=t1&_include=Task:*", "ann drew"),
        ("Task?_id=t1&_revinclude=Provenance:target", "p1"),
        ("Patient?_id=bob&_revinclude=Task:patient&_revinclude=Observation:subject", "o3 t2"),
        ("Patient?_id=ann&_revinclude=Task:patient&_revinclude:iterate=Provenance:target", "p1 t1 t3"),
        ("CarePlan?_revinclude=Provenance:target:Task", ""),
    ];
    for (query, expected) in cases {
        let bundle = page(&served, query).await;
        assert_eq!(ids(&bundle, "include").join(" "), expected, "{query}");
        assert_eq!(bundle["total"], ids(&bundle, "match").len(), "{query}");
    }
    refused(&served, &["Task?_include=Task", "Task?_include=Task:owner:Patient:x"]).await;
}

// FHIR R4 search.html#3.1.1.5.7: each page has what belongs to its matches.
#[tokio::test]
async fn b34_includes_come_with_the_page_of_their_match() {
    let served = served().await;
    let first = page(&served, "Task?_count=1&_sort=_id&_include=Task:patient").await;
    let mut pages = vec![first];
    while let Some(next) = link(pages.last().unwrap(), "next") {
        let next = page(&served, after_base(next)).await;
        pages.push(next);
    }
    let seen: Vec<String> = pages
        .iter()
        .map(|page| format!("{}+{}", ids(page, "match").concat(), ids(page, "include").concat()))
        .collect();
    assert_eq!(seen, ["t1+ann", "t2+bob", "t3+ann"]);
}

async fn in_order(served: &Served, query: &str) -> String {
    let found = served.all(query).await;
    found.iter().map(|resource| resource["id"].as_str().unwrap()).collect::<Vec<_>>().join(" ")
}

// FHIR R4 search.html#sort; a resource without the value comes last, whichever way.
#[tokio::test]
async fn b35_sorted_by_several_keys_in_a_total_order() {
    let served = served().await;
    let cases = [
        ("Task?_sort=due", "t3 t1 t2"),
        ("Task?_sort=-due", "t2 t1 t3"),
        ("Task?_sort=status,-authored-on", "t2 t1 t3"),
        ("Task?_sort=-status,_id", "t1 t3 t2"),
        ("Task?_sort=priority", "t1 t2 t3"),
        ("Patient?_sort=family", "ann bob cyd"),
        ("Patient?_sort=-family", "bob ann cyd"),
        ("Patient?_sort=birthdate", "bob ann cyd"),
        ("Observation?_sort=-value-quantity", "o3 o2 o1"),
        ("Task?_sort=-_id", "t3 t2 t1"),
        ("Task?_sort=_lastUpdated", "t1 t2 t3"),
    ];
    for (query, expected) in cases {
        assert_eq!(in_order(&served, query).await, expected, "{query}");
        assert_eq!(
            in_order(&served, &format!("{query}&_count=1")).await,
            expected,
            "{query} in pages of one"
        );
    }
    let ignored = page(&served, "Task?_sort=owner").await;
    assert_eq!((ids(&ignored, "outcome").len(), after_base(link(&ignored, "self").unwrap())), (1, "Task"));
}

// FHIR R4 search.html#3.1.1.5.3.
#[tokio::test]
async fn b36_a_page_has_at_most_count_matches() {
    let served = served().await;
    let two = page(&served, "Task?_count=2&_include=Task:patient&colour=red").await;
    assert_eq!((ids(&two, "match").len(), ids(&two, "include").len(), ids(&two, "outcome").len()), (2, 2, 1));
    assert!(link(&two, "next").unwrap().contains("_count=2"));
    for query in ["Task?_count=0", "Task?_summary=count"] {
        let none = page(&served, query).await;
        assert_eq!((&none["total"], none.get("entry")), (&3.into(), None), "{query}");
        assert_eq!((link(&none, "next"), link(&none, "first")), (None, None), "{query}");
    }
    assert_eq!(ids(&page(&served, "Task?_count=100000").await, "match").len(), 3);
}

// FHIR R4 http.html#paging; RFC 8288 names the relations.
#[tokio::test]
async fn b37_links_lead_through_the_pages_and_end() {
    let served = served().await;
    let first = page(&served, "Task?_count=2&_sort=-due").await;
    assert!(link(&first, "self").is_some() && link(&first, "first").is_some());
    let last = page(&served, after_base(link(&first, "next").unwrap())).await;
    assert_eq!((ids(&last, "match").concat(), link(&last, "next")), ("t3".to_owned(), None));
    assert_eq!(link(&last, "first"), link(&first, "first"));
    let again = page(&served, after_base(link(&last, "first").unwrap())).await;
    assert_eq!(ids(&again, "match"), ids(&first, "match"));
    let exact = page(&served, "Task?_count=3").await;
    assert_eq!((ids(&exact, "match").len(), link(&exact, "next")), (3, None), "no empty page at the end");
}

// A policy: pages go on after the last resource seen, so rows written meanwhile neither repeat nor push out others; a place
// does not expire, and one that was not given is 400.
#[tokio::test]
async fn b38_pages_are_stable_while_others_write() {
    let served = served().await;
    let task = |id: &str, due: &str| {
        json!({ "resourceType": "Task", "id": id, "status": "requested", "intent": "order",
            "restriction": { "period": { "start": due, "end": due } } })
    };
    for n in 0..9 {
        served.put(&task(&format!("n{n}"), &format!("2026-06-0{}", 1 + n % 3))).await.done();
    }
    let mut bundle = page(&served, "Task?_count=2&_sort=due&due=gt2026-06-01,2026-06-01").await;
    let mut seen: Vec<String> = Vec::new();
    for turn in 0.. {
        seen.extend(ids(&bundle, "match"));
        for (id, due) in [("a", "2026-06-01"), ("z", "2026-06-03")] {
            served.put(&task(&format!("{id}{turn}"), due)).await.done();
        }
        match link(&bundle, "next") {
            Some(next) if turn < 20 => bundle = page(&served, after_base(next)).await,
            _ => break,
        }
    }
    let once: BTreeSet<&String> = seen.iter().collect();
    assert_eq!(once.len(), seen.len(), "{seen:?}");
    assert!((0..9).all(|n| once.contains(&format!("n{n}"))), "{seen:?}");
    refused(&served, &["Task?_after=nonsense_", "Task?_after=i5~t1", "Task?_sort=due&_after=t1"]).await;
}

// FHIR R4 search.html#3.1.1.5.2; Bundle invariant bdl-1.
#[tokio::test]
async fn b39_the_total_counts_matches_over_all_pages() {
    let served = served().await;
    let paged = page(&served, "Task?_count=1&_include=Task:patient").await;
    assert_eq!(paged["total"], 3);
    let second = page(&served, after_base(link(&paged, "next").unwrap())).await;
    assert_eq!(second["total"], 3);
    for query in ["Task?_total=accurate", "Task?_total=estimate"] {
        assert_eq!(page(&served, query).await["total"], 3, "{query}");
    }
    assert_eq!(page(&served, "Task?_total=none").await.get("total"), None);
}

// FHIR R4 search.html#3.1.1.4.1, _lastUpdated: a client that asks for what is new since the last instant misses nothing that
// shares it with "ge", and repeats nothing older.
#[tokio::test]
async fn b40_last_updated_is_a_date() {
    let served = served().await;
    let at = page(&served, "Task/t3").await["meta"]["lastUpdated"].as_str().unwrap().replace('+', "%2B");
    served.clock.turn_to("2026-03-05");
    let task = json!({ "resourceType": "Task", "id": "t4", "status": "draft", "intent": "order" });
    served.put(&task).await.done();
    let since = format!("Task?_lastUpdated=gt{at}");
    let from = format!("Task?_lastUpdated=ge{at}");
    let cases = [
        (since.as_str(), "t4"),
        (&from, "t1 t2 t3 t4"),
        ("Task?_lastUpdated=2026-03-02", "t1 t2 t3"),
        ("Task?_lastUpdated=gt2026-03-05", ""),
        ("Task?_lastUpdated=eb2026-03-05", "t1 t2 t3"),
    ];
    finds(&served, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.1: each is applied, never passed over.
#[tokio::test]
async fn b41_tag_profile_and_security_are_applied() {
    let cases = [
        ("Patient?_tag=urn:tag|t1", "ann"),
        ("Patient?_tag=other", ""),
        ("Patient?_tag:not=t1", "bob cyd"),
        ("Patient?_security=urn:s|R", "ann"),
        ("Patient?_security=urn:s|V", ""),
        ("Patient?_profile:below=https://x.example", "ann"),
        ("Patient?_source:missing=true", "ann bob cyd"),
    ];
    finds(&served().await, &cases).await;
}

fn members(resource: &Json) -> Vec<&str> {
    resource.as_object().unwrap().keys().map(String::as_str).collect()
}

fn is_tagged(resource: &Json) -> bool {
    let tags = resource["meta"]["tag"].as_array().into_iter().flatten();
    tags.into_iter().any(|tag| {
        tag["system"] == "http://terminology.hl7.org/CodeSystem/v3-ObservationValue"
            && tag["code"] == "SUBSETTED"
    })
}

// FHIR R4 search.html#elements: what was asked, what is mandatory, and the tag.
#[tokio::test]
async fn b42_elements_with_what_is_mandatory() {
    let served = served().await;
    let bundle = page(&served, "Task?_id=t1&_elements=restriction,code&_include=Task:patient").await;
    let task = &bundle["entry"][0]["resource"];
    let mut names = members(task);
    names.sort_unstable();
    assert_eq!(names, ["code", "id", "intent", "meta", "resourceType", "restriction", "status"]);
    assert!(is_tagged(task) && link(&bundle, "self").unwrap().contains("_elements=restriction%2Ccode"));
}

// FHIR R4 search.html#3.1.1.5.8.
#[tokio::test]
async fn b43_summaries() {
    let served = served().await;
    let resource = async |query: &str| page(&served, query).await["entry"][0]["resource"].clone();
    let summary = resource("Task?_id=t1&_summary=true").await;
    assert!(is_tagged(&summary) && summary.get("priority").is_none() && summary.get("owner").is_some());
    let text = resource("Task?_id=t1&_summary=text").await;
    assert_eq!(members(&text), ["resourceType", "id", "meta", "status", "intent"], "{text}");
    let data = resource("Task?_id=t1&_summary=data").await;
    assert!(is_tagged(&data) && data.get("priority").is_some() && data.get("text").is_none());
    assert!(!is_tagged(&resource("Task?_id=t1&_summary=false").await));
    refused(&served, &["Task?_summary=text&_include=Task:patient", "Task?_summary=x"]).await;
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
    refused(&served, &["?status=active", "Patient/ann/*?status=final", "?_type=Nothing"]).await;
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
