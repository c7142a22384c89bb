//! Start, work on its own, and the end.

use crate::harness::{Double, Fault, Nowhere, clock, config, expect, request, send, start, start_on, wait};
use crate::webhook::receiver;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use endplate_server::boot::{self, BootError, Parts};
use serde_json::{Value as Json, json};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::net::TcpStream;

fn unit() -> Json {
    json!({ "resourceType": "Organization", "id": "hand", "name": "Hand unit" })
}

#[tokio::test]
async fn a_port_that_is_taken_is_named() {
    let first = start(&config()).await;
    let mut config = config();
    config.listen = first.local_addr();
    let parts = Parts {
        store: Double::new(Fault::None),
        clock: clock(),
        transport: Arc::new(Nowhere),
        workers: false,
    };
    let error = boot::start(&config, parts).await.err().expect("refused");
    assert!(matches!(&error, BootError::Listen { .. }) && error.to_string().contains("--listen"), "{error}");
}

#[tokio::test]
async fn a_write_is_finished_though_nobody_waits_for_it_any_more() {
    let mut config = config();
    config.request_timeout = Duration::from_millis(50);
    let store = Double::new(Fault::None);
    let server = start_on(&config, store.clone()).await;
    let reply = expect(send(&server, "PUT", "/fhir/Organization/hand", &unit()), 503).await;
    assert!(reply.header("retry-after").is_some());
    assert_eq!(store.commits.load(Ordering::SeqCst), 0);
    store.gate.add_permits(1);
    wait(&store.ended).await;
    assert_eq!(store.commits.load(Ordering::SeqCst), 1);
}

#[tokio::test]
async fn the_end_waits_for_requests_and_lets_no_new_one_in() {
    let store = Double::new(Fault::None);
    let server = start_on(&config(), store.clone()).await;
    let address = server.local_addr();
    let put = send(&server, "PUT", "/fhir/Organization/hand", &unit());
    let put = tokio::spawn(async move { expect(put, 201).await });
    wait(&store.begun).await;
    let end = tokio::spawn(server.shutdown());
    // The listener is closed while the request is still in progress.
    while TcpStream::connect(address).await.is_ok() {
        tokio::task::yield_now().await;
    }
    assert!(!end.is_finished());
    store.gate.add_permits(1);
    put.await.expect("answered");
    assert!(end.await.expect("ended"), "all was finished");
}

#[tokio::test]
async fn the_end_does_not_wait_for_ever() {
    let mut config = config();
    config.drain_timeout = Duration::from_millis(50);
    let store = Double::new(Fault::None);
    let server = start_on(&config, store.clone()).await;
    let put = send(&server, "PUT", "/fhir/Organization/hand", &unit());
    let put = tokio::spawn(put.send());
    wait(&store.begun).await;
    assert!(!server.shutdown().await, "it was cut off");
    put.abort();
}

#[tokio::test]
async fn it_sweeps_at_the_start_and_its_workers_end_with_it() {
    let store = Double::new(Fault::None);
    let parts = Parts { store: store.clone(), clock: clock(), transport: Arc::new(Nowhere), workers: true };
    let server = boot::start(&config(), parts).await.expect("started");
    wait(&store.swept).await;
    expect(request(&server, "GET", "/readyz"), 200).await;
    assert!(server.shutdown().await);
}

// From the write to the subscriber's door, through the outbox, with nobody asking.
#[tokio::test]
async fn a_write_reaches_its_subscriber() {
    let (address, mut heard) = receiver(|| StatusCode::OK.into_response()).await;
    let parts = Parts::of(&config(), clock()).await.expect("parts");
    let server = boot::start(&config(), parts).await.expect("started");
    let subscription = json!({ "resourceType": "Subscription", "id": "units", "status": "requested",
        "reason": "To keep the directory", "criteria": "Organization?name=hand",
        "channel": { "type": "rest-hook", "endpoint": format!("http://{address}/fhir"),
            "payload": "application/fhir+json", "header": ["Authorization: Bearer token"] } });
    expect(send(&server, "PUT", "/fhir/Subscription/units", &subscription), 201).await;
    expect(send(&server, "PUT", "/fhir/Organization/hand", &unit()), 201).await;
    let received = heard.recv().await.expect("received");
    assert_eq!(received.uri.path(), "/fhir/Organization/hand");
    assert_eq!(received.headers["endplate-event"], "units/1");
    assert_eq!(serde_json::from_slice::<Json>(&received.body).expect("JSON")["name"], "Hand unit");
    assert!(server.shutdown().await);
}

/// The conformance checklist, G14, and CDS Hooks 2.0: a service that cannot answer in time says so; the client's screen never
/// hangs. The store never answers, and two seconds pass on a clock that the test turns.
#[tokio::test]
async fn cards_of_a_store_that_does_not_answer_are_given_up_after_two_seconds() {
    let store = Double::new(Fault::Silent);
    let server = start_on(&config(), store.clone()).await;
    let hook = json!({ "hook": "patient-view", "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",
        "context": { "userId": "Practitioner/example", "patientId": "p1" } });
    let call =
        request(&server, "POST", "/cds-services/repair-state").header("content-type", "application/json");
    let answer = tokio::spawn(call.body(hook.to_string()).send());
    wait(&store.asked).await;
    // From here on time passes only as told. A runtime that has nothing to do would move its clock on to the next deadline,
    // whichever that is: so it is kept busy while the answer may come.
    tokio::time::pause();
    let answered = async || {
        for _ in 0..20_000 {
            tokio::task::yield_now().await;
        }
        answer.is_finished()
    };
    tokio::time::advance(Duration::from_secs(1)).await;
    assert!(!answered().await, "it is given time");
    // A timer rings within a millisecond of its time.
    tokio::time::advance(Duration::from_millis(1_001)).await;
    assert!(answered().await, "it is given two seconds and no more");
    let response = answer.await.expect("not cut off").expect("an answer");
    assert_eq!(response.status(), StatusCode::SERVICE_UNAVAILABLE);
    let problem: Json = response.json().await.expect("a problem document");
    assert!(problem["detail"].as_str().expect("a text").contains("not ready in time"), "{problem}");
}
