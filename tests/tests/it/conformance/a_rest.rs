//! A. The REST interface: FHIR R4 http.html and RFC 9110.
//!
//! Organizations stand for any resource: they belong to no patient, so that nothing is derived from them.

mod bundles;
mod conditions;
mod frame;
mod patches;
mod twice;
mod versions;

use crate::served::{FHIR_JSON, Reply, Served};
use endplate_fhir::Json;
use serde_json::json;

const DAY: &str = "2026-03-02";
const UNITS: &str = "https://records.example/units";

/// An Organization with a business identifier that is its name.
fn unit(name: &str) -> Json {
    json!({ "resourceType": "Organization", "name": name, "identifier": [{ "system": UNITS, "value": name }] })
}

fn unit_as(id: &str, name: &str) -> Json {
    let mut unit = unit(name);
    unit["id"] = json!(id);
    unit
}

/// Sends a FHIR body, or none, with headers.
async fn ask(served: &Served, method: &str, path: &str, headers: &[(&str, &str)], body: &Json) -> Reply {
    let mut request = served.request(method, path);
    if !body.is_null() {
        request = request.header("content-type", FHIR_JSON).body(body.to_string());
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    served.send(request).await
}

/// Status and code of the first issue.
fn refusal(reply: &Reply) -> (u16, String) {
    let code = reply.json()["issue"][0]["code"].as_str().unwrap_or_default().to_owned();
    (reply.status, code)
}

#[track_caller]
fn assert_refused(reply: &Reply, status: u16, code: &str) {
    assert_eq!(refusal(reply), (status, code.to_owned()), "{}", reply.text);
    assert_eq!(reply.json()["resourceType"], "OperationOutcome");
}

/// Stores a unit under an id.
async fn stored(served: &Served, id: &str, name: &str) -> Reply {
    let reply = served.put(&unit_as(id, name)).await;
    assert!(matches!(reply.status, 200 | 201), "{}", reply.text);
    reply
}

/// How many versions the whole service holds.
async fn versions(served: &Served) -> u64 {
    served.get("/fhir/_history").await.json()["total"].as_u64().unwrap()
}

// FHIR R4 http.html#read and search.html#elements: a part is tagged SUBSETTED, and must not replace the whole.
#[tokio::test]
async fn a54_a_part_of_a_resource_is_tagged_and_not_taken_back() {
    let served = Served::open("2026-03-02").await;
    let task = json!({ "resourceType": "Task", "id": "1", "status": "draft", "intent": "order", "priority": "urgent" });
    served.put(&task).await.done();
    for (query, kept) in [("_summary=true", false), ("_elements=intent", false), ("_summary=data", true)] {
        let reply = served.get(&format!("/fhir/Task/1?{query}")).await;
        let part: Json = reply.json();
        assert_eq!((reply.status, part.get("priority").is_some()), (200, kept), "{query}");
        let tags = part["meta"]["tag"].as_array().unwrap();
        assert!(tags.iter().any(|tag| tag["code"] == "SUBSETTED"), "{query}: {part}");
        let put = served.put(&part).await;
        assert_eq!(put.status, 422, "{}", put.text);
        assert_eq!(put.json()["issue"][0]["expression"][0], "Task.meta.tag");
    }
    let whole = served.get("/fhir/Task/1?_summary=false").await.json();
    assert_eq!((&whole["priority"], whole["meta"].get("tag")), (&"urgent".into(), None));
    assert_eq!(served.get("/fhir/Task/1?_summary=count").await.status, 400);
}
