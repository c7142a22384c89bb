//! Headers and bodies of what succeeds.

use crate::harness::{config, expect, request, send, start};
use serde_json::{Value as Json, json};

fn organisation(name: &str) -> Json {
    json!({ "resourceType": "Organization", "name": name,
        "identifier": [{ "system": "https://records.example/units", "value": "hand" }] })
}

// FHIR R4 http.html#create, #read, #update; RFC 9110 section 5.6.7 for the form of Last-Modified.
#[tokio::test]
async fn a_create_an_update_and_a_read_tell_the_version() {
    let server = start(&config()).await;
    let base = format!("http://{}/fhir", server.local_addr());
    let created = expect(send(&server, "POST", "/fhir/Organization", &organisation("Hand unit")), 201).await;
    let id = created.json()["id"].as_str().expect("an id").to_owned();
    assert_eq!(created.header("location"), Some(format!("{base}/Organization/{id}/_history/1").as_str()));
    assert_eq!(created.header("content-type"), Some("application/fhir+json;charset=utf-8"));
    assert_eq!(created.header("etag"), Some("W/\"1\""));
    assert_eq!(created.header("last-modified"), Some("Mon, 05 Jan 2026 09:00:00 GMT"));
    assert_eq!(created.json()["meta"]["versionId"], "1");

    let path = format!("/fhir/Organization/{id}");
    let mut changed = organisation("Hand and nerve unit");
    changed["id"] = json!(id);
    let stale = send(&server, "PUT", &path, &changed).header("if-match", "W/\"7\"");
    assert!(expect(stale, 412).await.problem().contains("W/\"1\""));
    let updated = expect(send(&server, "PUT", &path, &changed).header("if-match", "W/\"1\""), 200).await;
    assert_eq!((updated.header("etag"), updated.header("location")), (Some("W/\"2\""), None));
    let again = expect(send(&server, "PUT", &path, &changed), 200).await;
    assert_eq!(again.header("etag"), Some("W/\"2\""), "the same content is no new version");

    let read = expect(request(&server, "GET", &path), 200).await;
    assert_eq!(
        (read.header("etag"), read.json()["name"].as_str()),
        (Some("W/\"2\""), Some("Hand and nerve unit"))
    );
    let head = expect(request(&server, "HEAD", &path), 200).await;
    assert_eq!((head.header("etag"), head.text.as_str()), (Some("W/\"2\""), ""));
    server.shutdown().await;
}

#[tokio::test]
async fn an_update_creates_what_is_not_there() {
    let server = start(&config()).await;
    let mut unit = organisation("Hand unit");
    unit["id"] = json!("hand");
    let created = expect(send(&server, "PUT", "/fhir/Organization/hand", &unit), 201).await;
    assert!(
        created
            .header("location")
            .is_some_and(|location| location.ends_with("/Organization/hand/_history/1"))
    );
}

// FHIR R4 http.html#ccreate.
#[tokio::test]
async fn a_conditional_create_happens_once() {
    let server = start(&config()).await;
    let conditional = || {
        send(&server, "POST", "/fhir/Organization", &organisation("Hand unit"))
            .header("if-none-exist", "identifier=https://records.example/units|hand")
    };
    let first = expect(conditional(), 201).await;
    let second = expect(conditional(), 200).await;
    assert_eq!(first.json()["id"], second.json()["id"]);
    assert_eq!(
        (second.header("etag"), second.header("location")),
        (Some("W/\"1\""), first.header("location"))
    );
}

// FHIR R4 http.html#ops; RFC 7240 section 3 for Preference-Applied.
#[tokio::test]
async fn the_body_of_a_write_is_as_preferred() {
    let server = start(&config()).await;
    let mut unit = organisation("Hand unit");
    unit["id"] = json!("hand");
    let put = |prefer: &str| send(&server, "PUT", "/fhir/Organization/hand", &unit).header("prefer", prefer);
    let minimal = expect(put("return=minimal"), 201).await;
    assert_eq!((minimal.text.as_str(), minimal.header("preference-applied")), ("", Some("return=minimal")));
    assert!(minimal.header("location").is_some() && minimal.header("etag").is_some());
    let whole = expect(put("return=representation"), 200).await;
    assert_eq!(whole.json()["resourceType"], "Organization");
    let outcome = expect(put("return=OperationOutcome"), 200).await;
    assert_eq!(outcome.json()["resourceType"], "OperationOutcome");
    assert_eq!(outcome.header("preference-applied"), Some("return=OperationOutcome"));
    assert_eq!(expect(put("return=everything"), 200).await.header("preference-applied"), None);
}

#[tokio::test]
async fn a_transaction_is_answered_entry_by_entry_and_its_resources_are_found() {
    let server = start(&config()).await;
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        { "resource": organisation("Hand unit"), "request": { "method": "POST", "url": "Organization" } },
    ] });
    let reply = expect(send(&server, "POST", "/fhir", &bundle), 200).await.json();
    assert_eq!(
        (&reply["type"], &reply["entry"][0]["response"]["etag"]),
        (&json!("transaction-response"), &json!("W/\"1\""))
    );
    let found = expect(request(&server, "GET", "/fhir/Organization?name=hand"), 200).await.json();
    assert_eq!((&found["type"], &found["total"]), (&json!("searchset"), &json!(1)));
    let form = request(&server, "POST", "/fhir/Organization/_search?_format=json")
        .header("content-type", "application/x-www-form-urlencoded")
        .body("name=hand&_count=5");
    let by_post = expect(form, 200).await.json();
    assert_eq!(by_post["entry"], found["entry"]);
    let batch = json!({ "resourceType": "Bundle", "type": "batch" });
    let reply = expect(send(&server, "POST", "/fhir", &batch), 200).await.json();
    assert_eq!(reply, json!({ "resourceType": "Bundle", "type": "batch-response" }));
}

#[tokio::test]
async fn a_request_keeps_its_id_or_gets_one() {
    let server = start(&config()).await;
    let named = expect(request(&server, "GET", "/livez").header("x-request-id", "scheduler-7"), 200).await;
    assert_eq!(named.header("x-request-id"), Some("scheduler-7"));
    let odd = expect(request(&server, "GET", "/livez").header("x-request-id", "a b\tc"), 200).await;
    let next = expect(request(&server, "GET", "/livez"), 200).await;
    assert!(odd.header("x-request-id") != next.header("x-request-id"));
    assert!(odd.header("x-request-id").is_some_and(endplate_fhir::is_id));
}

// The statement and the service are compared both ways: whatever it names answers, whatever it leaves out does not.
#[tokio::test]
async fn the_statement_says_what_the_service_does() {
    let server = start(&config()).await;
    let statement = expect(request(&server, "GET", "/fhir/metadata"), 200).await.json();
    assert_eq!(statement["implementation"]["url"], format!("http://{}/fhir", server.local_addr()));
    assert_eq!(statement["fhirVersion"], "4.0.1");
    let rest = &statement["rest"][0];
    let whole = json!([{ "code": "transaction" }, { "code": "batch" }, { "code": "search-system" },
        { "code": "history-system" }]);
    assert_eq!(rest["interaction"], whole);
    expect(request(&server, "GET", "/fhir/_history"), 200).await;
    for resource in rest["resource"].as_array().expect("resources") {
        let kind = resource["type"].as_str().expect("a type");
        let codes: Vec<&str> = resource["interaction"]
            .as_array()
            .expect("codes")
            .iter()
            .filter_map(|one| one["code"].as_str())
            .collect();
        let body = json!({ "resourceType": kind, "id": "1" });
        for (code, method, path) in [
            ("read", "GET", format!("/fhir/{kind}/1")),
            ("search-type", "GET", format!("/fhir/{kind}")),
            ("create", "POST", format!("/fhir/{kind}")),
            ("update", "PUT", format!("/fhir/{kind}/1")),
            ("delete", "DELETE", format!("/fhir/{kind}/1")),
            ("patch", "PATCH", format!("/fhir/{kind}/1")),
            ("vread", "GET", format!("/fhir/{kind}/1/_history/1")),
            ("history-instance", "GET", format!("/fhir/{kind}/1/_history")),
            ("history-type", "GET", format!("/fhir/{kind}/_history")),
        ] {
            let reply = send(&server, method, &path, &body).send().await.expect("an answer");
            let status = reply.status();
            let text = reply.text().await.expect("a body");
            let is_unknown = text.contains("not offered") || text.contains("not stored here");
            let offered = status != 405 && (status.is_success() || !is_unknown);
            assert_eq!(offered, codes.contains(&code), "{code} of {kind}: {status} {text}");
        }
        for param in resource["searchParam"].as_array().expect("parameters") {
            let name = param["name"].as_str().expect("a name");
            let value = match param["type"].as_str() {
                Some("date") => "2026-01-05",
                Some("reference") => "Patient/1",
                Some("number" | "quantity") => "1",
                _ => "x",
            };
            let strict = request(&server, "GET", &format!("/fhir/{kind}?{name}={value}"));
            expect(strict.header("prefer", "handling=strict"), 200).await;
        }
    }
}
