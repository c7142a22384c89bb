//! Spans as a collector gets them (OpenTelemetry Protocol 1.x, JSON encoding: ids in hexadecimal, members in lowerCamelCase): from
//! the request through derivation and commit to the delivery, in the trace that the client began.

use crate::webhook::{Received, receiver};
use axum::http::StatusCode;
use axum::response::IntoResponse;
use serde_json::{Value as Json, json};
use std::collections::BTreeMap;
use std::process::{Command, Stdio};
use tokio::sync::mpsc::UnboundedReceiver;

/// W3C Trace Context, section 3.2.2.3.
const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
const CALLER: &str = "00f067aa0ba902b7";
/// Stands in what is sent and in no span.
const CANARY: &str = "Canarywren";

fn spans(batches: &[Json]) -> Vec<Json> {
    let items = |of: &Json, name: &str| of[name].as_array().cloned().unwrap_or_default();
    let resources = batches.iter().flat_map(|batch| items(batch, "resourceSpans"));
    resources
        .flat_map(|resource| items(&resource, "scopeSpans"))
        .flat_map(|scope| items(&scope, "spans"))
        .collect()
}

fn text<'a>(span: &'a Json, name: &str) -> &'a str {
    span[name].as_str().unwrap_or_default()
}

/// What was received until the other side has ended.
fn all(heard: &mut UnboundedReceiver<Received>) -> Vec<Received> {
    std::iter::from_fn(|| heard.try_recv().ok()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn i10_a_collector_sees_a_write_through_to_its_delivery() {
    let (collector, mut collected) = receiver(|| (StatusCode::OK, "{}").into_response()).await;
    let (subscriber, mut heard) = receiver(|| StatusCode::OK.into_response()).await;
    let folder = tempfile::tempdir().expect("a folder");
    let port = std::net::TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("an address");
    let mut child = Command::new(env!("CARGO_BIN_EXE_endplate"))
        .args(["serve", "--listen", &port.to_string(), "--store", "sqlite::memory:"])
        .env_clear()
        .env("ENDPLATE_TRACES_ENDPOINT", format!("http://{collector}/v1/traces"))
        .env("ENDPLATE_LOG", "off")
        .current_dir(folder.path())
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("spawned");
    while tokio::net::TcpStream::connect(port).await.is_err() {
        tokio::task::yield_now().await;
    }
    let _ = rustls::crypto::ring::default_provider().install_default();
    let client = reqwest::Client::builder().no_proxy().build().expect("a client");
    let send = async |path: &str, method: reqwest::Method, body: String| {
        let request = client.request(method, format!("http://{port}/fhir{path}"));
        let request = request.header("content-type", "application/fhir+json").body(body);
        let parent = format!("00-{TRACE}-{CALLER}-01");
        request
            .header("traceparent", parent)
            .header("tracestate", "congo=t61rcWkgMzE")
            .send()
            .await
            .expect("an answer")
    };
    let subscription = json!({ "resourceType": "Subscription", "id": "plans", "status": "requested", "reason": "x",
        "criteria": "CarePlan?status=active", "channel": { "type": "rest-hook", "endpoint": format!("http://{subscriber}/") } });
    let stored = send("/Subscription/plans", reqwest::Method::PUT, subscription.to_string()).await;
    assert_eq!(stored.status(), 201);
    let record = include_str!("../../../../fixtures/clinic/01-alder.json").replace("Alder", CANARY);
    assert!(record.contains(CANARY));
    assert_eq!(send("", reqwest::Method::POST, record).await.status(), 200);
    let told = heard.recv().await.expect("told");
    // What waits to be sent to the collector is sent before the end.
    let id = child.id().to_string();
    assert!(Command::new("kill").args(["-TERM", &id]).status().expect("kill").success());
    let ended = tokio::task::spawn_blocking(move || child.wait()).await.expect("waited").expect("ended");
    assert!(ended.success());

    let posts = all(&mut collected);
    assert!(posts.iter().all(|post| post.uri.path() == "/v1/traces" && post.headers["content-type"] == "application/json"));
    let batches: Vec<Json> =
        posts.iter().map(|post| serde_json::from_slice(&post.body).expect("JSON")).collect();
    let whole = serde_json::to_string(&batches).expect("text");
    assert!(!whole.contains(CANARY) && whole.contains("\"endplate\""), "{whole}");
    let spans = spans(&batches);
    let by_id: BTreeMap<&str, &Json> = spans.iter().map(|span| (text(span, "spanId"), span)).collect();
    let named = |name: &str| -> Vec<&Json> {
        spans.iter().filter(|span| span["name"] == name && span["traceId"] == TRACE).collect()
    };
    // The request is below whoever called, with what the semantic conventions of HTTP have for a server.
    let is_transaction =
        |span: &&&Json| span["attributes"].to_string().contains(r#"{"stringValue":"/fhir"}"#);
    let requests = named("request");
    assert_eq!(requests.len(), 2, "{whole}");
    assert!(
        requests
            .iter()
            .all(|span| text(span, "parentSpanId") == CALLER && span["traceState"] == "congo=t61rcWkgMzE")
    );
    let request = requests.iter().find(is_transaction).expect("the transaction");
    let attributes = request["attributes"].to_string();
    for part in
        [r#"{"key":"http.request.method","value":{"stringValue":"POST"}}"#, r#""http.response.status_code""#]
    {
        assert!(attributes.contains(part), "{attributes}");
    }
    // Everything that was done for it is below it.
    for name in ["decide", "derive", "commit"] {
        let below = named(name).into_iter().filter(|span| {
            let mut above = false;
            let mut at = text(span, "parentSpanId");
            while let Some(span) = by_id.get(at) {
                above |= text(span, "spanId") == text(request, "spanId");
                at = text(span, "parentSpanId");
            }
            above
        });
        assert!(below.count() > 0, "no {name} below the request: {whole}");
    }
    // The delivery is part of the same trace, linked with the run of the outbox, and is what the subscriber was told of.
    let delivery = named("delivery").into_iter().next().expect("a delivery");
    let parent = told.headers["traceparent"].to_str().expect("ASCII");
    assert_eq!(parent, format!("00-{TRACE}-{}-01", text(delivery, "spanId")));
    assert_eq!(told.headers["tracestate"], "congo=t61rcWkgMzE");
    let cause = by_id.get(text(delivery, "parentSpanId")).expect("its cause");
    assert_eq!(text(cause, "spanId"), text(request, "spanId"));
    let run = delivery["links"][0]["spanId"].as_str().and_then(|id| by_id.get(id)).expect("a link");
    assert_eq!(run["name"], "outbox");
}
