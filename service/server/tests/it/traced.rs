//! Traces (W3C Trace Context, Recommendation of 23 November 2021): taken over, begun where none is sent, and passed on to
//! subscribers.

use crate::harness::{clock, config, expect, request, send, start};
use crate::webhook::receiver;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use endplate_server::boot::{self, Parts};
use serde_json::json;
use std::sync::Arc;

/// The example of section 3.2.2.3.
const PARENT: &str = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
const ID: &str = "4bf92f3577b34da6a3ce929d0e0e4736";

/// The trace that the first issue of a refusal names.
fn told(outcome: &serde_json::Value) -> &str {
    let said = outcome["issue"][0]["diagnostics"].as_str().expect("diagnostics");
    said.strip_prefix("trace ").expect("a trace")
}

#[tokio::test]
async fn i10_a_refusal_names_the_trace_and_a_broken_parent_begins_a_new_one() {
    let server = start(&config()).await;
    let asked = || request(&server, "GET", "/fhir/Task/none");
    let known = expect(asked().header("traceparent", PARENT), 404).await.json();
    assert_eq!(told(&known), ID);
    let mut seen = vec![ID.to_owned()];
    for broken in
        ["", "00-4bf92f3577b34da6a3ce929d0e0e4736", "ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"]
    {
        let new = expect(asked().header("traceparent", broken), 404).await.json();
        seen.push(told(&new).to_owned());
    }
    seen.push(told(&expect(asked(), 404).await.json()).to_owned());
    let twice = asked().header("traceparent", PARENT).header("traceparent", PARENT);
    seen.push(told(&expect(twice, 404).await.json()).to_owned());
    assert!(seen.iter().all(|id| id.len() == 32 && id.bytes().all(|digit| digit.is_ascii_hexdigit())));
    let count = seen.len();
    seen.sort();
    seen.dedup();
    assert_eq!(seen.len(), count, "every request that sends no trace has one of its own");
    // Where a place in the body is told, it stands.
    let torn =
        request(&server, "POST", "/fhir/Task").header("content-type", "application/fhir+json").body("{");
    let torn = expect(torn, 400).await.json();
    assert!(
        torn["issue"][0]["diagnostics"].as_str().is_some_and(|said| said.starts_with("line 1")),
        "{torn}"
    );
}

#[tokio::test]
async fn i10_the_trace_of_a_write_goes_with_what_it_causes() {
    let (address, mut heard) = receiver(|| StatusCode::OK.into_response()).await;
    let parts = Parts::of(&config(), clock()).await.expect("parts");
    let server = boot::start(&config(), parts).await.expect("started");
    let subscription = json!({ "resourceType": "Subscription", "id": "units", "status": "requested",
        "reason": "To keep the directory", "criteria": "Organization?name=hand",
        "channel": { "type": "rest-hook", "endpoint": format!("http://{address}/fhir"), "payload": "application/fhir+json" } });
    expect(send(&server, "PUT", "/fhir/Subscription/units", &subscription), 201).await;
    let unit = |id: &str| json!({ "resourceType": "Organization", "id": id, "name": "Hand unit" });
    let put = |id: &str| send(&server, "PUT", &format!("/fhir/Organization/{id}"), &unit(id));
    let traced = put("one")
        .header("traceparent", PARENT)
        .header("tracestate", "congo=t61rcWkgMzE, rojo=00f067aa0ba902b7");
    expect(traced, 201).await;
    let first = heard.recv().await.expect("received");
    let parent = first.headers["traceparent"].to_str().expect("ASCII").to_owned();
    let parts: Vec<&str> = parent.split('-').collect();
    // Section 3.4: the same trace and flags, another parent; the state as it was.
    assert_eq!((parts[0], parts[1], parts[3]), ("00", ID, "01"));
    assert!(parts[2].len() == 16 && parts[2] != "00f067aa0ba902b7");
    assert_eq!(first.headers["tracestate"], "congo=t61rcWkgMzE,rojo=00f067aa0ba902b7");
    expect(put("two"), 201).await;
    let second = heard.recv().await.expect("received");
    let other = second.headers["traceparent"].to_str().expect("ASCII");
    assert!(other.split('-').nth(1).is_some_and(|id| id.len() == 32 && id != ID), "{other}");
    assert!(second.headers.get("tracestate").is_none());
    assert!(server.shutdown().await);
}

#[tokio::test]
async fn i10_a_trace_outlives_the_process_that_began_it() {
    let (address, mut heard) = receiver(|| StatusCode::OK.into_response()).await;
    let first = Parts { workers: false, ..Parts::of(&config(), clock()).await.expect("parts") };
    let store = Arc::clone(&first.store);
    let server = boot::start(&config(), first).await.expect("started");
    let subscription = json!({ "resourceType": "Subscription", "id": "units", "status": "requested",
        "reason": "To keep the directory", "criteria": "Organization?name=hand",
        "channel": { "type": "rest-hook", "endpoint": format!("http://{address}/fhir"), "payload": "application/fhir+json" } });
    expect(send(&server, "PUT", "/fhir/Subscription/units", &subscription), 201).await;
    let unit = json!({ "resourceType": "Organization", "id": "one", "name": "Hand unit" });
    let put = send(&server, "PUT", "/fhir/Organization/one", &unit).header("traceparent", PARENT);
    expect(put, 201).await;
    assert!(server.shutdown().await);
    // What it left to be told is told by another one, on the same store.
    let second = Parts { store, ..Parts::of(&config(), clock()).await.expect("parts") };
    let server = boot::start(&config(), second).await.expect("started");
    let told = heard.recv().await.expect("received");
    let parent = told.headers["traceparent"].to_str().expect("ASCII");
    assert_eq!(parent.split('-').nth(1), Some(ID), "{parent}");
    assert!(server.shutdown().await);
}
