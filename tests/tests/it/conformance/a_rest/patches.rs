//! Patches: FHIR R4 http.html#patch, fhirpatch.html; RFC 6902; RFC 5789. The published cases of both forms are run in
//! `endplate-fhir`, which applies them.

use super::{DAY, assert_refused, stored, unit_as, versions};
use crate::served::{FHIR_JSON, Reply, Served};
use endplate_fhir::Json;
use serde_json::json;

const POINTER: &str = "application/json-patch+json";

async fn patch(served: &Served, kind: &str, headers: &[(&str, &str)], body: &str) -> Reply {
    let mut request = served.request("PATCH", "/fhir/Organization/u").header("content-type", kind);
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    served.send(request.body(body.to_owned())).await
}

async fn opened() -> Served {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    served
}

// RFC 6902; http.html#patch: the result is held to the rules of an update.
#[tokio::test]
async fn a56_a_json_patch_is_an_update() {
    let served = opened().await;
    let reply = patch(&served, POINTER, &[], r#"[{"op":"test","path":"/name","value":"Hand unit"},{"op":"replace","path":"/name","value":"Nerve unit"}]"#).await;
    assert_eq!((reply.status, reply.header("etag")), (200, "W/\"2\""), "{}", reply.text);
    assert_eq!(served.get("/fhir/Organization/u").await.json()["name"], "Nerve unit");
    for (body, status) in [
        (r#"[{"op":"test","path":"/name","value":"Hand unit"},{"op":"remove","path":"/name"}]"#, 422),
        (r#"[{"op":"replace","path":"/nowhere","value":1}]"#, 422),
        (r#"[{"op":"add","path":"/active","value":"yes"}]"#, 422),
        (r#"[{"op":"add","path":"/colour","value":"red"}]"#, 422),
        (r#"[{"op":"replace","path":"name","value":"x"}]"#, 400),
        (r#"[{"op":"paint","path":"/name"}]"#, 400),
        (r#"{"op":"remove","path":"/name"}"#, 400),
        ("[", 400),
    ] {
        let reply = patch(&served, POINTER, &[], body).await;
        assert_eq!(reply.status, status, "{body}: {}", reply.text);
        assert_eq!(reply.json()["resourceType"], "OperationOutcome");
    }
    assert_eq!(versions(&served).await, 2);
    let absent =
        served.request("PATCH", "/fhir/Organization/none").header("content-type", POINTER).body("[]");
    assert_refused(&served.send(absent).await, 404, "not-found");
}

fn operation(kind: &str, path: &str, more: &[Json]) -> Json {
    let mut parts =
        vec![json!({ "name": "type", "valueCode": kind }), json!({ "name": "path", "valueString": path })];
    parts.extend_from_slice(more);
    json!({ "name": "operation", "part": parts })
}

// fhirpatch.html: operations in order; no match is an error except for delete.
#[tokio::test]
async fn a57_a_fhirpath_patch_is_an_update() {
    let served = opened().await;
    let parameters =
        |operations: &[Json]| json!({ "resourceType": "Parameters", "parameter": operations }).to_string();
    let value = json!({ "name": "value", "valueString": "Nerve unit" });
    let body = parameters(&[
        operation("replace", "Organization.name", std::slice::from_ref(&value)),
        operation("add", "Organization", &[json!({ "name": "name", "valueString": "alias" }), value.clone()]),
        operation("delete", "Organization.telecom", &[]),
    ]);
    let reply = patch(&served, FHIR_JSON, &[], &body).await;
    assert_eq!(reply.status, 200, "{}", reply.text);
    assert_eq!(
        (&reply.json()["name"], &reply.json()["alias"]),
        (&json!("Nerve unit"), &json!(["Nerve unit"]))
    );
    for (operation, status) in [
        (operation("replace", "Organization.telecom[0].value", std::slice::from_ref(&value)), 422),
        (operation("replace", "Organization.active", std::slice::from_ref(&value)), 422),
        (
            operation(
                "add",
                "Organization",
                &[json!({ "name": "name", "valueString": "colour" }), value.clone()],
            ),
            422,
        ),
        (operation("replace", "Patient.name", std::slice::from_ref(&value)), 422),
        (operation("replace", "Organization.partOf.resolve().name", std::slice::from_ref(&value)), 400),
        (operation("paint", "Organization.name", std::slice::from_ref(&value)), 400),
        (json!({ "name": "other" }), 400),
    ] {
        let reply = patch(&served, FHIR_JSON, &[], &parameters(std::slice::from_ref(&operation))).await;
        assert_eq!(reply.status, status, "{operation}: {}", reply.text);
    }
    assert_eq!(versions(&served).await, 2);
}

// RFC 5789 section 2.2.
#[tokio::test]
async fn a58_another_patch_is_415_with_accept_patch() {
    let served = opened().await;
    for kind in
        ["application/xml-patch+xml", "application/merge-patch+json", "text/plain", "application/fhir+xml"]
    {
        let reply = patch(&served, kind, &[], "{}").await;
        assert_refused(&reply, 415, "not-supported");
        assert_eq!(reply.header("accept-patch"), "application/json-patch+json, application/fhir+json");
    }
}

// http.html#patch: If-Match as for an update.
#[tokio::test]
async fn a59_a_stale_patch_is_412() {
    let served = opened().await;
    let body = r#"[{"op":"replace","path":"/name","value":"Nerve unit"}]"#;
    assert_refused(&patch(&served, POINTER, &[("if-match", "W/\"7\"")], body).await, 412, "conflict");
    assert_eq!(patch(&served, POINTER, &[("if-match", "W/\"1\"")], body).await.status, 200);
}

// http.html#patch: a narrative that no longer tells the elements is not safe.
#[tokio::test]
async fn a60_a_narrative_that_is_no_longer_true_goes() {
    let served = Served::open(DAY).await;
    let body = r#"[{"op":"replace","path":"/name","value":"Nerve unit"}]"#;
    for (status, expected) in [("generated", 200), ("extensions", 200), ("additional", 422)] {
        let mut told = unit_as("u", &format!("Hand unit {status}"));
        told["text"] =
            json!({ "status": status, "div": "<div xmlns=\"http://www.w3.org/1999/xhtml\">Hand</div>" });
        assert!(matches!(served.put(&told).await.status, 200 | 201));
        let reply = patch(&served, POINTER, &[], body).await;
        assert_eq!(reply.status, expected, "{}", reply.text);
        assert!(expected != 200 || reply.json().get("text").is_none());
    }
    let both = r#"[{"op":"replace","path":"/name","value":"Nerve unit"},
        {"op":"replace","path":"/text/div","value":"<div xmlns=\"http://www.w3.org/1999/xhtml\">Nerve</div>"}]"#;
    let reply = patch(&served, POINTER, &[], both).await;
    assert_eq!(
        (reply.status, &reply.json()["text"]["status"]),
        (200, &json!("additional")),
        "{}",
        reply.text
    );
}

// http.html#update: what a resource is does not change.
#[tokio::test]
async fn a61_a_patch_cannot_change_what_a_resource_is() {
    let served = opened().await;
    for (path, value) in
        [("/id", "\"v\""), ("/resourceType", "\"Location\""), ("", "{\"resourceType\":\"Location\"}")]
    {
        let body = format!(r#"[{{"op":"replace","path":"{path}","value":{value}}}]"#);
        let status = patch(&served, POINTER, &[], &body).await.status;
        assert!(matches!(status, 400 | 422), "{path}: {status}");
    }
    let body = r#"[{"op":"replace","path":"/meta/versionId","value":"77"},{"op":"add","path":"/active","value":true}]"#;
    let reply = patch(&served, POINTER, &[], body).await;
    assert_eq!((reply.status, &reply.json()["meta"]["versionId"]), (200, &json!("2")));
}
