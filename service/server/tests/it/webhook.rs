//! Notifications, against receivers on this machine.

use crate::harness;
use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, Method, StatusCode, Uri};
use axum::response::IntoResponse;
use axum::response::Response;
use endplate_followup::ports::{Message, Outcome, Transport};
use endplate_server::webhook::Webhook;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::task::JoinHandle;

/// Long enough for a loaded machine; no test waits for it.
const PATIENT: Duration = Duration::from_secs(20);

/// What a receiver was sent.
pub struct Received {
    pub method: Method,
    pub uri: Uri,
    pub headers: HeaderMap,
    pub body: Bytes,
}

type Answer = fn() -> Response;

/// A receiver that tells what it was sent and gives one answer to everything.
pub async fn receiver(answer: Answer) -> (SocketAddr, UnboundedReceiver<Received>) {
    async fn take(
        State((told, answer)): State<(UnboundedSender<Received>, Answer)>,
        method: Method,
        uri: Uri,
        headers: HeaderMap,
        body: Bytes,
    ) -> Response {
        told.send(Received { method, uri, headers, body }).expect("the test listens");
        answer()
    }
    let (told, heard) = unbounded_channel();
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("an address");
    let router = Router::new().fallback(take).with_state((told, answer));
    tokio::spawn(async move { axum::serve(listener, router).await });
    (address, heard)
}

fn message(address: SocketAddr, body: Option<&str>) -> Message {
    Message {
        endpoint: format!("http://{address}/hooks/fhir?key=1"),
        headers: vec!["Authorization: Bearer token".into(), "X-Unit: hand".into()],
        event: "bookings/7".into(),
        about: "Task/review-1".into(),
        body: body.map(str::to_owned),
        content_type: None,
        timeout_s: None,
        trace: None,
    }
}

async fn sent(timeout: Duration, message: &Message) -> Outcome {
    let mut config = harness::config();
    (config.webhook_connect_timeout, config.webhook_timeout) = (timeout, timeout);
    Webhook::new(&config, harness::clock()).expect("a sender").send(message).await
}

// FHIR R4 subscription.html: with a payload the resource is sent as an update to the endpoint as a service base.
#[tokio::test]
async fn a_payload_is_put_at_the_address_of_the_resource() {
    let (address, mut heard) = receiver(|| StatusCode::NO_CONTENT.into_response()).await;
    let outcome = sent(PATIENT, &message(address, Some("{\"resourceType\":\"Task\"}"))).await;
    assert_eq!(outcome, Outcome::Accepted);
    let received = heard.recv().await.expect("received");
    assert_eq!(
        (received.method, received.uri.to_string().as_str()),
        (Method::PUT, "/hooks/fhir/Task/review-1?key=1")
    );
    assert_eq!(received.headers["content-type"], "application/fhir+json");
    assert_eq!(received.headers["authorization"], "Bearer token");
    assert_eq!(received.headers["x-unit"], "hand");
    assert_eq!(received.headers["endplate-event"], "bookings/7");
    assert_eq!(received.body, "{\"resourceType\":\"Task\"}");
}

// FHIR R4 subscription.html: without a payload, a POST with an empty body.
#[tokio::test]
async fn without_a_payload_an_empty_post_tells_of_a_change() {
    let (address, mut heard) = receiver(|| StatusCode::OK.into_response()).await;
    assert_eq!(sent(PATIENT, &message(address, None)).await, Outcome::Accepted);
    let received = heard.recv().await.expect("received");
    assert_eq!((received.method, received.uri.to_string().as_str()), (Method::POST, "/hooks/fhir?key=1"));
    assert_eq!((received.body.len(), received.headers.get("content-type")), (0, None));
    assert_eq!(received.headers["endplate-event"], "bookings/7");
}

#[tokio::test]
async fn a_refusal_is_told_with_its_status_and_the_time_it_asks_for() {
    let refused = |status, retry_after_s| Outcome::Refused { status, retry_after_s };
    let table: [(Answer, Outcome); 4] = [
        (|| StatusCode::INTERNAL_SERVER_ERROR.into_response(), refused(500, None)),
        (
            || (StatusCode::TOO_MANY_REQUESTS, [("retry-after", "120")]).into_response(),
            refused(429, Some(120)),
        ),
        (
            || {
                let dates = [
                    ("date", "Fri, 31 Dec 1999 23:58:59 GMT"),
                    ("retry-after", "Fri, 31 Dec 1999 23:59:59 GMT"),
                ];
                (StatusCode::SERVICE_UNAVAILABLE, dates).into_response()
            },
            refused(503, Some(60)),
        ),
        (|| StatusCode::GONE.into_response(), refused(410, None)),
    ];
    for (answer, outcome) in table {
        let (address, _heard) = receiver(answer).await;
        assert_eq!(sent(PATIENT, &message(address, Some("{}"))).await, outcome);
    }
}

#[tokio::test]
async fn redirects_are_not_followed() {
    let (address, mut heard) =
        receiver(|| (StatusCode::TEMPORARY_REDIRECT, [("location", "/elsewhere")]).into_response()).await;
    let outcome = sent(PATIENT, &message(address, Some("{}"))).await;
    assert_eq!(outcome, Outcome::Refused { status: 307, retry_after_s: None });
    assert!(heard.recv().await.is_some());
    assert!(heard.try_recv().is_err(), "nothing was sent elsewhere");
}

#[tokio::test]
async fn a_receiver_that_hangs_times_out() {
    // The system takes the connection; nobody ever reads it.
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let message = message(listener.local_addr().expect("an address"), Some("{}"));
    let outcome = sent(Duration::from_millis(100), &message).await;
    assert_eq!(outcome, Outcome::Unreachable { reason: "no answer in time".into() });
}

// Subscriptions R5 Backport 1.1.0, backport-timeout: a Subscription may ask for less time than there is. Otherwise this takes an hour.
#[tokio::test]
async fn a_message_may_have_less_time() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let message = message(listener.local_addr().expect("an address"), Some("{}"));
    let outcome = sent(Duration::from_hours(1), &Message { timeout_s: Some(1), ..message }).await;
    assert_eq!(outcome, Outcome::Unreachable { reason: "no answer in time".into() });
}

#[tokio::test]
async fn a_receiver_that_is_not_there_or_breaks_off_is_told_without_its_address() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("an address");
    let breaking = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.expect("a connection");
        let _ = stream.read(&mut [0; 16]).await;
    });
    let outcome = sent(PATIENT, &message(address, Some("{}"))).await;
    assert_eq!(outcome, Outcome::Unreachable { reason: "the connection broke off".into() });
    breaking.await.expect("ended, and the listener with it");
    let outcome = sent(PATIENT, &message(address, Some("{}"))).await;
    assert_eq!(outcome, Outcome::Unreachable { reason: "no connection could be made".into() });
}

#[tokio::test]
async fn an_endpoint_or_header_that_cannot_be_used_is_told_without_its_value() {
    let good = message("127.0.0.1:9".parse().expect("an address"), Some("{}"));
    for endpoint in ["", "s3cret", "mailto:s3cret@example.org", "ftp://s3cret.example/"] {
        let outcome = sent(PATIENT, &Message { endpoint: endpoint.into(), ..good.clone() }).await;
        assert!(
            matches!(&outcome, Outcome::Unreachable { reason } if !reason.contains("s3cret")),
            "{outcome:?}"
        );
    }
    let outcome = sent(PATIENT, &Message { headers: vec!["Host: s3cret".into()], ..good }).await;
    assert!(matches!(&outcome, Outcome::Unreachable { reason } if reason.contains("channel.header[0]")));
}

#[tokio::test]
async fn an_endless_answer_is_not_read_to_its_end() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("an address");
    // Writes until the other side hangs up.
    let writer: JoinHandle<()> = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.expect("a connection");
        let _ = stream.read(&mut [0; 4096]).await;
        let _ = stream.write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 1000000000000\r\n\r\n").await;
        while stream.write_all(&[b'x'; 4096]).await.is_ok() {}
    });
    assert_eq!(sent(PATIENT, &message(address, None)).await, Outcome::Accepted);
    writer.await.expect("hung up on");
}
