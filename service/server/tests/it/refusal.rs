//! Every answer that is not a success is an OperationOutcome that says what to change.

use crate::harness::{Double, Fault, config, expect, request, send, start, start_on, wait};
use serde_json::json;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

#[tokio::test]
async fn addresses_that_are_not_there() {
    let server = start(&config()).await;
    for path in ["/", "/fhir/Task/1/2", "/fhir2/metadata", "/metric", "/fhir/_nonsense", "/fhir/%FF"] {
        expect(request(&server, "GET", path), 404).await;
    }
    for (method, path) in [
        ("POST", "/fhir/$convert"),
        ("POST", "/fhir/Task/$convert"),
        ("GET", "/fhir/Patient/$everything"),
        ("GET", "/fhir/Task/1/$everything"),
    ] {
        let reply = expect(request(&server, method, path), 404).await;
        assert!(reply.problem().contains("not offered"), "{path}: {}", reply.text);
        assert_eq!(reply.json()["issue"][0]["code"], "not-supported");
    }
}

#[tokio::test]
async fn an_unknown_type_is_answered_with_the_known_ones() {
    let server = start(&config()).await;
    let body = json!({ "resourceType": "Medication" });
    for request in [
        request(&server, "GET", "/fhir/Medication"),
        request(&server, "GET", "/fhir/patient/1"),
        send(&server, "POST", "/fhir/Medication", &body),
        send(&server, "PUT", "/fhir/Medication/1", &body),
    ] {
        let text = expect(request, 404).await.problem();
        for kind in endplate_fhir::TYPES {
            assert!(text.contains(kind), "{kind} is not in: {text}");
        }
    }
}

#[tokio::test]
async fn methods_that_are_not_offered() {
    let server = start(&config()).await;
    let body = json!({ "resourceType": "AuditEvent", "id": "1" });
    for (method, path, allow) in [
        ("POST", "/fhir/Task/1", "GET,HEAD,PUT,PATCH,DELETE"),
        ("OPTIONS", "/fhir/Task", "GET,HEAD,POST,PUT,PATCH,DELETE"),
        ("PUT", "/fhir/Task/1/_history/1", "GET,HEAD"),
        ("DELETE", "/fhir/Task/1/_history", "GET,HEAD"),
        ("DELETE", "/fhir/Provenance/1", "GET,HEAD,PUT,PATCH"),
        ("GET", "/fhir/Task/_search", "POST"),
        ("GET", "/fhir/_search", "POST"),
        ("PUT", "/fhir", "GET,HEAD,POST"),
        ("PUT", "/fhir/", "GET,HEAD,POST"),
        ("POST", "/fhir/metadata", "GET,HEAD"),
        ("POST", "/livez", "GET,HEAD"),
        ("OPTIONS", "/readyz", "GET,HEAD"),
        ("POST", "/fhir/AuditEvent", "GET,HEAD"),
        ("PUT", "/fhir/AuditEvent/1", "GET,HEAD"),
        ("DELETE", "/fhir/AuditEvent/1", "GET,HEAD"),
    ] {
        let reply = expect(send(&server, method, path, &body), 405).await;
        assert_eq!(reply.header("allow"), Some(allow), "{method} {path}");
    }
}

#[tokio::test]
async fn clients_that_take_no_json() {
    let server = start(&config()).await;
    for accept in ["application/fhir+xml", "text/html", "application/fhir+json;fhirVersion=5.0"] {
        expect(request(&server, "GET", "/fhir/Task").header("accept", accept), 406).await;
    }
    expect(request(&server, "GET", "/fhir/Task?_format=xml"), 406).await;
    expect(request(&server, "GET", "/fhir/Task?_format=json").header("accept", "text/html"), 200).await;
    expect(request(&server, "GET", "/fhir/Task").header("accept", "text/html, */*;q=0.1"), 200).await;
}

#[tokio::test]
async fn bodies_that_are_not_fhir_json() {
    let server = start(&config()).await;
    for content_type in ["text/plain", "application/fhir+xml", "application/json;charset=latin1"] {
        expect(request(&server, "POST", "/fhir/Task").header("content-type", content_type).body("{}"), 415)
            .await;
    }
    expect(request(&server, "POST", "/fhir").body("{}"), 415).await;
    expect(send(&server, "POST", "/fhir/Task/_search", &json!({})), 415).await;
    let zipped = send(&server, "POST", "/fhir/Task", &json!({})).header("content-encoding", "gzip");
    expect(zipped, 415).await;
}

#[tokio::test]
async fn broken_json_is_told_by_line_and_column() {
    let server = start(&config()).await;
    let text = "{\n  \"resourceType\": \"Task\",\n  \"status\": draft\n}";
    let request = send(&server, "POST", "/fhir/Task", &json!({})).body(text);
    let reply = expect(request, 400).await;
    let place = reply.json()["issue"][0]["diagnostics"].as_str().expect("a place").to_owned();
    assert!(place.starts_with("line 3, column "), "{place}");
}

#[tokio::test]
async fn ten_thousand_arrays_in_one_another_are_refused() {
    let server = start(&config()).await;
    let text = format!("{{\"a\":{}{}}}", "[".repeat(10_000), "]".repeat(10_000));
    expect(send(&server, "POST", "/fhir/Task", &json!({})).body(text), 400).await;
}

#[tokio::test]
async fn parameters_that_nobody_heeds_are_refused() {
    let server = start(&config()).await;
    expect(request(&server, "GET", "/fhir/Task?colour=red").header("prefer", "handling=strict"), 400).await;
    expect(request(&server, "GET", "/fhir/Task?status:colour=red"), 400).await;
    expect(request(&server, "GET", "/fhir/Task/1?colour=red"), 400).await;
    expect(send(&server, "POST", "/fhir/Task?status=draft", &json!({})), 400).await;
    let task = json!({ "resourceType": "Task", "id": "1", "status": "draft", "intent": "order" });
    expect(send(&server, "PUT", "/fhir/Task/1", &task).header("if-none-match", "W/\"1\""), 400).await;
    expect(request(&server, "GET", "/fhir/Task/no_such_id"), 400).await;
    expect(send(&server, "PUT", "/fhir/Task/2", &task), 400).await;
}

#[tokio::test]
async fn a_body_over_the_limit_is_refused_before_it_is_sent() {
    let mut config = config();
    config.body_limit_bytes = 4096;
    let server = start(&config).await;
    // Only the head is sent: the answer comes all the same.
    let head = "POST /fhir/Task HTTP/1.1\r\nhost: test\r\ncontent-type: application/json\r\ncontent-length: 4097\r\n\r\n";
    let answer = converse(&server, head.as_bytes()).await;
    assert!(answer.starts_with("HTTP/1.1 413 ") && answer.contains("4096 bytes"), "{answer}");
    let fits = format!("{{\"resourceType\":\"Task\"{}}}", " ".repeat(4096 - 24));
    expect(send(&server, "POST", "/fhir/Task", &json!({})).body(fits), 422).await;
}

#[tokio::test]
async fn a_body_over_the_limit_is_refused_while_it_streams() {
    let mut config = config();
    config.body_limit_bytes = 4096;
    let server = start(&config).await;
    // Five chunks of 1,024 bytes and no end.
    let chunk = format!("400\r\n{}\r\n", " ".repeat(1024));
    let head = "POST /fhir/Task HTTP/1.1\r\nhost: test\r\ncontent-type: application/json\r\n\
                transfer-encoding: chunked\r\n\r\n";
    let sent = head.to_owned() + &chunk.repeat(5);
    let answer = converse(&server, sent.as_bytes()).await;
    assert!(answer.starts_with("HTTP/1.1 413 ") && answer.contains("4096 bytes"), "{answer}");
}

#[tokio::test]
async fn a_body_that_does_not_arrive_times_out() {
    let mut config = config();
    config.request_timeout = Duration::from_millis(50);
    let server = start(&config).await;
    let head = "POST /fhir/Task HTTP/1.1\r\nhost: test\r\ncontent-type: application/json\r\ncontent-length: 9\r\n\r\n{";
    let answer = converse(&server, head.as_bytes()).await;
    assert!(answer.starts_with("HTTP/1.1 408 ") && answer.contains("OperationOutcome"), "{answer}");
}

// RFC 9110 section 15.5.9 lets a server close a connection whose request does not come.
#[tokio::test]
async fn a_client_that_is_slow_with_its_head_is_cut_off() {
    let mut config = config();
    config.request_timeout = Duration::from_millis(50);
    let server = start(&config).await;
    for begun in ["", "GET /fhir/Task HTTP/1.1\r\nhost: te"] {
        let mut stream = TcpStream::connect(server.local_addr()).await.expect("connected");
        stream.write_all(begun.as_bytes()).await.expect("sent");
        // It ends, though the client would go on: without a limit this waits for ever.
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer).await;
        assert!(!answer.starts_with(b"HTTP/1.1 2"), "{}", String::from_utf8_lossy(&answer));
    }
    expect(request(&server, "GET", "/livez"), 200).await;
}

// RFC 9110 sections 15.6.4 and 10.2.3: 503 with Retry-After.
#[tokio::test]
async fn more_requests_than_are_served_at_once_are_503() {
    let mut config = config();
    config.requests_max = 1;
    let store = Double::new(Fault::None);
    let server = start_on(&config, store.clone()).await;
    let task = json!({ "resourceType": "Task", "id": "1", "status": "draft", "intent": "order" });
    let first = tokio::spawn(send(&server, "PUT", "/fhir/Task/1", &task).send());
    wait(&store.begun).await;
    let reply = expect(request(&server, "GET", "/fhir/Task"), 503).await;
    assert!(reply.header("retry-after").is_some() && reply.text.contains("in progress"), "{}", reply.text);
    // Whoever watches the service learns that it lives.
    expect(request(&server, "GET", "/livez"), 200).await;
    store.gate.add_permits(1);
    assert_eq!(first.await.expect("sent").expect("an answer").status(), 201);
    expect(request(&server, "GET", "/fhir/Task"), 200).await;
}

/// Sends bytes as they are and reads until the answer's outcome is complete.
async fn converse(server: &endplate_server::boot::Server, bytes: &[u8]) -> String {
    let mut stream = TcpStream::connect(server.local_addr()).await.expect("connected");
    stream.write_all(bytes).await.expect("sent");
    let mut answer = Vec::new();
    let mut part = [0; 4096];
    loop {
        let read = stream.read(&mut part).await.expect("an answer");
        answer.extend_from_slice(&part[..read]);
        let text = String::from_utf8_lossy(&answer);
        if read == 0 || text.ends_with("}]}") {
            return text.into_owned();
        }
    }
}

#[tokio::test]
async fn a_store_that_cannot_be_used_is_503_and_shows_no_cause() {
    let server = start_on(&config(), Double::new(Fault::Unreachable)).await;
    for path in ["/fhir/Task", "/fhir/Task/1", "/readyz"] {
        let reply = expect(request(&server, "GET", path), 503).await;
        assert!(reply.header("retry-after").is_some());
        assert!(!reply.text.contains("secret"), "{}", reply.text);
    }
    expect(request(&server, "GET", "/livez"), 200).await;
}

#[tokio::test]
async fn a_panic_is_500_and_the_service_goes_on() {
    let server = start_on(&config(), Double::new(Fault::Panicking)).await;
    let task = json!({ "resourceType": "Task", "id": "1", "status": "draft", "intent": "order" });
    for request in [request(&server, "GET", "/fhir/Task/1"), send(&server, "PUT", "/fhir/Task/1", &task)] {
        let reply = expect(request, 500).await;
        assert!(!reply.text.contains("secret"), "{}", reply.text);
    }
    expect(request(&server, "GET", "/livez"), 200).await;
}
