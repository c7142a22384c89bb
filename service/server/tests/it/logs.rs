//! Nothing that a client sends gets into a log: names, narrative, queries, header values, tokens, addresses. The real binary is
//! sent them in every place, by requests that succeed and by such that fail, and everything that it logs at the most talkative
//! level is searched. (FHIR R4 security.html#audit; RFC 6750 section 5.3 for tokens, RFC 3986 section 7.5 for addresses.)

use crate::program::{CANARY, Program, serve, status};
use serde_json::{Value as Json, json};
use std::io::{Read, Write};
use std::net::TcpListener;
use std::thread;

fn put(service: &Program, resource: &Json) -> u16 {
    let (kind, id) =
        (resource["resourceType"].as_str().expect("a type"), resource["id"].as_str().expect("an id"));
    let head = format!("PUT /fhir/{kind}/{id} HTTP/1.1\r\ncontent-type: application/fhir+json");
    status(&service.send(&head, &resource.to_string()))
}

/// A receiver that answers once, with this status; and what it was sent.
pub fn receiver(status: u16) -> (String, thread::JoinHandle<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("an address").to_string();
    let once = thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a connection");
        let mut head = vec![0; 65_536];
        let read = stream.read(&mut head).expect("a request");
        let answer =
            format!("HTTP/1.1 {status} {CANARY}\r\ncontent-length: {}\r\n\r\n{CANARY}", CANARY.len());
        let _ = stream.write_all(answer.as_bytes());
        String::from_utf8_lossy(&head[..read]).into_owned()
    });
    (address, once)
}

fn patient(id: &str) -> Json {
    let div = format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{CANARY}</div>");
    json!({
        "resourceType": "Patient", "id": id, "birthDate": "1970-01-01", "text": { "status": "generated", "div": div },
        "name": [{ "family": CANARY, "given": [CANARY] }], "identifier": [{ "system": "urn:x", "value": CANARY }],
        "telecom": [{ "system": "phone", "value": CANARY }],
    })
}

fn everything_is_sent(service: &Program) {
    let json = "content-type: application/fhir+json";
    let (endpoint, received) = receiver(500);
    let subscription = json!({
        "resourceType": "Subscription", "id": "s1", "status": "requested", "reason": CANARY, "criteria": "Patient?active=true",
        "channel": { "type": "rest-hook", "payload": "application/fhir+json",
            "endpoint": format!("http://{endpoint}/{CANARY}?token={CANARY}"), "header": [format!("Authorization: Bearer {CANARY}")] },
    });
    assert_eq!(put(service, &subscription), 201);
    let mut told = patient("p1");
    told["active"] = json!(true);
    assert_eq!(put(service, &told), 201);
    // It arrives with its secret; what the receiver says of it stays out of the log too.
    assert!(received.join().expect("received").contains(CANARY));
    let wrong =
        json!({ "resourceType": "Patient", "id": "p2", CANARY: CANARY, "gender": CANARY, "name": CANARY });
    assert_eq!(put(service, &wrong), 422);
    let loose = json!({ "resourceType": "Condition", "id": "c1", "code": { "text": CANARY },
        "subject": { "reference": format!("Patient/{CANARY}"), "display": CANARY } });
    assert_eq!(put(service, &loose), 422);
    let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": [
        { "resource": patient("p3"), "request": { "method": "PUT", "url": "Patient/p3", "ifMatch": CANARY } },
        { "request": { "method": "GET", "url": format!("Patient?name={CANARY}") } },
        { "request": { "method": "GET", "url": format!("Patient/{CANARY}") } },
        { "resource": loose, "request": { "method": "POST", "url": "Condition", "ifNoneExist": format!("code={CANARY}") } } ] });
    let reply = service.send(&format!("POST /fhir HTTP/1.1\r\n{json}"), &bundle.to_string());
    assert_eq!(status(&reply), 200);
    let patch = json!([{ "op": "replace", "path": format!("/{CANARY}"), "value": CANARY }]).to_string();
    let hook =
        json!({ "hook": CANARY, "hookInstance": CANARY, "fhirAuthorization": { "access_token": CANARY },
        "context": { "userId": CANARY, "patientId": CANARY } })
        .to_string();
    let secret = format!(
        "authorization: Bearer {CANARY}\r\ncookie: a={CANARY}\r\nx-request-id: a {CANARY}\r\nx-correlation-id: {CANARY}\r\n\
         traceparent: {CANARY}\r\ntracestate: canarywren={CANARY}"
    );
    let mut answers = Vec::new();
    for (head, body) in [
        (format!("GET /fhir/Patient?name={CANARY}&_sort=name HTTP/1.1\r\n{secret}"), ""),
        (format!("GET /fhir/Patient?{CANARY}:exact=1 HTTP/1.1\r\nprefer: {CANARY}, handling=strict"), ""),
        (format!("GET /fhir/Patient?birthdate={CANARY} HTTP/1.1"), ""),
        (format!("GET /fhir/Patient/{CANARY} HTTP/1.1\r\nif-none-match: {CANARY}"), ""),
        (format!("GET /fhir/{CANARY}/1 HTTP/1.1\r\naccept: text/{CANARY}"), ""),
        (format!("GET /{CANARY} HTTP/1.1"), ""),
        (format!("{CANARY} /fhir/Patient HTTP/1.1"), ""),
        (format!("GET /fhir/Patient/p1/${CANARY} HTTP/1.1"), ""),
        (format!("GET /fhir/Patient/p1/$everything?start={CANARY} HTTP/1.1"), ""),
        (
            "POST /fhir/Patient/_search HTTP/1.1\r\ncontent-type: application/x-www-form-urlencoded"
                .to_owned(),
            "name=Canarywren",
        ),
        (
            format!("POST /fhir/Patient HTTP/1.1\r\n{json}\r\nif-none-exist: identifier=urn:x|{CANARY}"),
            r#"{"resourceType":"Patient"}"#,
        ),
        (
            format!("POST /fhir/Patient HTTP/1.1\r\n{json}"),
            r#"{"resourceType":"Patient","name":[{"family":"Canarywren",}]}"#,
        ),
        (format!("POST /fhir/Patient HTTP/1.1\r\ncontent-type: text/{CANARY}"), "Canarywren"),
        (
            "PATCH /fhir/Patient/p1 HTTP/1.1\r\ncontent-type: application/json-patch+json".to_owned(),
            patch.as_str(),
        ),
        (format!("DELETE /fhir/Patient?identifier={CANARY} HTTP/1.1"), ""),
        (
            "POST /cds-services/repair-state HTTP/1.1\r\ncontent-type: application/json".to_owned(),
            hook.as_str(),
        ),
        (
            "POST /cds-services/repair-state/feedback HTTP/1.1\r\ncontent-type: application/json".to_owned(),
            hook.as_str(),
        ),
        (
            format!("POST /fhir/{CANARY}/$validate HTTP/1.1\r\n{json}"),
            r#"{"resourceType":"Patient","id":"Canarywren!"}"#,
        ),
        (format!("GET /fhir/Patient?_after={CANARY} HTTP/1.1\r\norigin: https://{CANARY}.example"), ""),
        (format!("GET /fhir/Patient?x={} HTTP/1.1", CANARY.repeat(2_000)), ""),
        (format!("GET /fhir/Patient HTTP/1.1\r\nx-long: {}", CANARY.repeat(4_000)), ""),
        (format!("GET /fhir/Patient HTTP/1.1\r\nx-longer: {}", CANARY.repeat(40_000)), ""),
        (format!("DELETE /fhir/metadata?a={CANARY} HTTP/1.1"), ""),
        (format!("GET /fhir/{CANARY} HTTP/9.9"), ""),
    ] {
        answers.push(status(&service.send(&head, body)));
    }
    let long = format!(r#"{{"resourceType":"Patient","name":[{{"text":"{}"}}]}}"#, CANARY.repeat(3_000));
    answers.push(status(&service.send(&format!("POST /fhir/Patient HTTP/1.1\r\n{json}"), &long)));
    for status in [200, 400, 404, 405, 406, 413, 414, 415, 422, 431, 501] {
        assert!(answers.contains(&status), "nothing was answered with {status}: {answers:?}");
    }
}

/// One JSON object a line, each with its time and level; what belongs to a request has the ids of request and trace.
fn every_line_is_an_event(log: &[String]) {
    let mut answered = 0;
    for line in log {
        let event: Json = serde_json::from_str(line).unwrap_or_else(|_| panic!("no JSON: {line}"));
        assert!(event["timestamp"].is_string() && event["level"].is_string(), "{line}");
        if event["message"] == "answered" {
            answered += 1;
            let ids = &event["span"];
            assert!(ids["request.id"].as_str().is_some_and(|id| !id.is_empty()), "{line}");
            let trace = ids["trace.id"].as_str().expect("a trace");
            assert!(trace.len() == 32 && trace.bytes().all(|byte| byte.is_ascii_hexdigit()), "{line}");
        }
    }
    assert!(answered > 25, "{log:#?}");
}

/// Whoever logs no more than what goes wrong can tell all the same which request it was.
#[test]
fn i11_a_quiet_log_has_the_ids_of_what_went_wrong() {
    const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = serve(folder.path());
    // Where it listens is said at this level by one module.
    command.env("ENDPLATE_LOG", "warn,endplate_server::boot=info").env("ENDPLATE_LOG_FORMAT", "json");
    let service = Program::start(&mut command);
    let (endpoint, received) = receiver(500);
    let subscription = json!({
        "resourceType": "Subscription", "id": "s1", "status": "requested", "reason": "x", "criteria": "Patient?active=true",
        "channel": { "type": "rest-hook", "endpoint": format!("http://{endpoint}/") },
    });
    assert_eq!(put(&service, &subscription), 201);
    let patient = r#"{"resourceType":"Patient","id":"p1","active":true}"#;
    let head = format!(
        "PUT /fhir/Patient/p1 HTTP/1.1\r\ncontent-type: application/fhir+json\r\ntraceparent: 00-{TRACE}-00f067aa0ba902b7-01"
    );
    assert_eq!(status(&service.send(&head, patient)), 201);
    assert!(received.join().expect("received").contains(&format!("traceparent: 00-{TRACE}-")));
    let log = service.stop();
    let events: Vec<Json> = log.iter().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    // The write that caused it is named by its trace.
    let failed =
        events.iter().find(|event| event["message"] == "a notification was not taken").expect("a line");
    assert_eq!(failed["trace.id"], TRACE, "{failed}");
    assert!(events.iter().all(|event| event["message"] != "answered"), "{log:#?}");
}

#[test]
fn h11_nothing_that_is_sent_is_logged() {
    for format in ["text", "json"] {
        let folder = tempfile::tempdir().expect("a folder");
        let mut command = serve(folder.path());
        command.env("ENDPLATE_LOG", "trace").env("ENDPLATE_LOG_FORMAT", format);
        let service = Program::start(command.env("ENDPLATE_BODY_LIMIT_BYTES", "20000"));
        everything_is_sent(&service);
        // A plain id of a request is there, so that its lines are found.
        service.send("GET /fhir/Patient/p1 HTTP/1.1\r\nx-request-id: my-request", "");
        // That none of it is there, `Program` looks at, here as in every test.
        let log = service.stop();
        assert!(log.iter().filter(|line| line.contains("answered")).count() > 25, "{log:#?}");
        assert!(log.iter().any(|line| line.contains("my-request") && line.contains("/fhir/{kind}/{id}")));
        if format == "json" {
            every_line_is_an_event(&log);
        }
    }
}
