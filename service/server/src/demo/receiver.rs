//! Somebody who listens: a real HTTP server that takes notifications and prints what a person should read.

use crate::fault::Fault;
use axum::Router;
use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::routing::put;
use endplate_fhir::Json;
use endplate_followup::document::CAUTION;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;

/// What has arrived so far.
#[derive(Default)]
pub(super) struct Received {
    /// How many notifications of each type.
    pub counts: BTreeMap<String, usize>,
    /// Names by `Patient/…`.
    pub names: BTreeMap<String, String>,
    /// Lines to be printed.
    pub lines: Vec<String>,
}

/// Starts to listen on a free port of this machine.
pub(super) async fn listen() -> Result<(SocketAddr, Arc<Mutex<Received>>), Fault> {
    let wrong =
        |error: std::io::Error| Fault::Environment(format!("no port for the receiver: {}", error.kind()));
    let received = Arc::new(Mutex::new(Received::default()));
    let listener = TcpListener::bind(("127.0.0.1", 0)).await.map_err(wrong)?;
    let address = listener.local_addr().map_err(wrong)?;
    let router = Router::new().route("/{kind}/{id}", put(take)).with_state(Arc::clone(&received));
    tokio::spawn(async move { axum::serve(listener, router).await });
    Ok((address, received))
}

/// Takes one notification.
async fn take(
    State(received): State<Arc<Mutex<Received>>>,
    Path((kind, _)): Path<(String, String)>,
    body: Bytes,
) -> StatusCode {
    let (Ok(resource), Ok(mut received)) = (serde_json::from_slice::<Json>(&body), received.lock()) else {
        return StatusCode::BAD_REQUEST;
    };
    *received.counts.entry(kind.clone()).or_default() += 1;
    if kind == "Communication" {
        let text = |pointer: &str| resource.pointer(pointer).and_then(Json::as_str).unwrap_or_default();
        let name = received.names.get(text("/subject/reference")).cloned().unwrap_or_default();
        let to = match text("/recipient/0/display") {
            "" => "Surgeon",
            display => display,
        };
        // What a message of the day says last is what is new in it.
        let last = |name: &str, pointer: &str| {
            let all = resource.get(name).and_then(Json::as_array);
            all.and_then(|all| all.last()?.pointer(pointer)?.as_str()).unwrap_or_default()
        };
        let said = last("payload", "/contentString").replace(CAUTION, "");
        let day = text("/sent").get(..10).unwrap_or_default();
        let line = format!(
            "{day}  {name:<8} {to:<12} {:<20} {}",
            last("category", "/coding/0/display"),
            said.trim()
        );
        received.lines.push(line);
    }
    StatusCode::OK
}
