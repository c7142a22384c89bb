//! Nothing that a client sends gets into a log: names, narrative, queries, header values, tokens, addresses. The real binary is
//! sent them in every place, by requests that succeed and by such that fail, and everything that it logs at the most talkative
//! level is searched. (FHIR R4 security.html#audit; RFC 6750 section 5.3 for tokens, RFC 3986 section 7.5 for addresses.)

use serde_json::{Value as Json, json};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::Duration;

/// Stands in everything that is sent and may not be logged.
const CANARY: &str = "Canarywren";

/// A service whose log is a file.
struct Service {
    child: Child,
    address: String,
}

impl Service {
    fn start(folder: &Path, format: &str) -> Self {
        Self::start_at(folder, format, "trace")
    }

    fn start_at(folder: &Path, format: &str, level: &str) -> Self {
        let log = std::fs::File::create(folder.join(format)).expect("a log");
        // Port 0 is told in the log; here the address must be known before.
        let port = TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("an address").port();
        let address = format!("127.0.0.1:{port}");
        let child = Command::new(env!("CARGO_BIN_EXE_endplate"))
            .args(["serve", "--listen", &address, "--store", "sqlite::memory:"])
            .env_clear()
            .env("ENDPLATE_LOG", level)
            .env("ENDPLATE_LOG_FORMAT", format)
            .env("ENDPLATE_BODY_LIMIT_BYTES", "20000")
            .current_dir(folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("spawned");
        let service = Self { child, address };
        while TcpStream::connect(&service.address).is_err() {
            thread::yield_now();
        }
        service
    }

    /// Sends a request as it is written; the status of the answer, 0 if there was none.
    fn send(&self, head: &str, body: &str) -> u16 {
        let mut stream = TcpStream::connect(&self.address).expect("connected");
        stream.set_read_timeout(Some(Duration::from_secs(30))).expect("a time limit");
        let length = body.len();
        let request = format!(
            "{head}\r\nhost: {CANARY}.example\r\ncontent-length: {length}\r\nconnection: close\r\n\r\n{body}"
        );
        let _ = stream.write_all(request.as_bytes());
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).get(9..12).and_then(|status| status.parse().ok()).unwrap_or(0)
    }

    fn put(&self, resource: &Json) -> u16 {
        let (kind, id) =
            (resource["resourceType"].as_str().expect("a type"), resource["id"].as_str().expect("an id"));
        self.send(
            &format!("PUT /fhir/{kind}/{id} HTTP/1.1\r\ncontent-type: application/fhir+json"),
            &resource.to_string(),
        )
    }

    /// Asks it to stop, and waits.
    fn stop(mut self) {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &id]).status().expect("kill").success());
        assert!(self.child.wait().expect("ended").success());
    }
}

/// A receiver that answers everybody with 500.
fn receiver() -> (String, thread::JoinHandle<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("an address").to_string();
    let once = thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a connection");
        let mut head = vec![0; 65_536];
        let read = stream.read(&mut head).expect("a request");
        let _ = stream.write_all(b"HTTP/1.1 500 Canarywren\r\ncontent-length: 10\r\n\r\nCanarywren");
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

fn everything_is_sent(service: &Service) {
    let json = "content-type: application/fhir+json";
    let (endpoint, received) = receiver();
    let subscription = json!({
        "resourceType": "Subscription", "id": "s1", "status": "requested", "reason": CANARY, "criteria": "Patient?active=true",
        "channel": { "type": "rest-hook", "payload": "application/fhir+json",
            "endpoint": format!("http://{endpoint}/{CANARY}?token={CANARY}"), "header": [format!("Authorization: Bearer {CANARY}")] },
    });
    assert_eq!(service.put(&subscription), 201);
    let mut told = patient("p1");
    told["active"] = json!(true);
    assert_eq!(service.put(&told), 201);
    // It arrives with its secret; what the receiver says of it stays out of the log too.
    assert!(received.join().expect("received").contains(CANARY));
    let wrong =
        json!({ "resourceType": "Patient", "id": "p2", CANARY: CANARY, "gender": CANARY, "name": CANARY });
    assert_eq!(service.put(&wrong), 422);
    let loose = json!({ "resourceType": "Condition", "id": "c1", "code": { "text": CANARY },
        "subject": { "reference": format!("Patient/{CANARY}"), "display": CANARY } });
    assert_eq!(service.put(&loose), 422);
    let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": [
        { "resource": patient("p3"), "request": { "method": "PUT", "url": "Patient/p3", "ifMatch": CANARY } },
        { "request": { "method": "GET", "url": format!("Patient?name={CANARY}") } },
        { "request": { "method": "GET", "url": format!("Patient/{CANARY}") } },
        { "resource": loose, "request": { "method": "POST", "url": "Condition", "ifNoneExist": format!("code={CANARY}") } } ] });
    assert_eq!(service.send(&format!("POST /fhir HTTP/1.1\r\n{json}"), &bundle.to_string()), 200);
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
        answers.push(service.send(&head, body));
    }
    let long = format!(r#"{{"resourceType":"Patient","name":[{{"text":"{}"}}]}}"#, CANARY.repeat(3_000));
    answers.push(service.send(&format!("POST /fhir/Patient HTTP/1.1\r\n{json}"), &long));
    for status in [200, 400, 404, 405, 406, 413, 414, 415, 422, 431, 501] {
        assert!(answers.contains(&status), "nothing was answered with {status}: {answers:?}");
    }
}

/// One JSON object a line, each with its time and level; what belongs to a request has the ids of request and trace.
fn every_line_is_an_event(log: &str) {
    let mut answered = 0;
    for line in log.lines() {
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
    assert!(answered > 25, "{log}");
}

/// Whoever logs no more than what goes wrong can tell all the same which request it was.
#[test]
fn i11_a_quiet_log_has_the_ids_of_what_went_wrong() {
    let folder = tempfile::tempdir().expect("a folder");
    let service = Service::start_at(folder.path(), "json", "warn");
    let (endpoint, received) = receiver();
    let subscription = json!({
        "resourceType": "Subscription", "id": "s1", "status": "requested", "reason": "x", "criteria": "Patient?active=true",
        "channel": { "type": "rest-hook", "endpoint": format!("http://{endpoint}/") },
    });
    assert_eq!(service.put(&subscription), 201);
    const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
    let patient = r#"{"resourceType":"Patient","id":"p1","active":true}"#;
    let head = format!(
        "PUT /fhir/Patient/p1 HTTP/1.1\r\ncontent-type: application/fhir+json\r\ntraceparent: 00-{TRACE}-00f067aa0ba902b7-01"
    );
    assert_eq!(service.send(&head, patient), 201);
    assert!(received.join().expect("received").contains(&format!("traceparent: 00-{TRACE}-")));
    service.stop();
    let log = std::fs::read_to_string(folder.path().join("json")).expect("a log");
    let events: Vec<Json> = log.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    // The write that caused it is named by its trace.
    let failed =
        events.iter().find(|event| event["message"] == "a notification was not taken").expect("a line");
    assert_eq!(failed["trace.id"], TRACE, "{failed}");
    assert!(events.iter().all(|event| event["message"] != "answered"), "{log}");
}

#[test]
fn h11_nothing_that_is_sent_is_logged() {
    for format in ["text", "json"] {
        let folder = tempfile::tempdir().expect("a folder");
        let service = Service::start(folder.path(), format);
        everything_is_sent(&service);
        service.stop();
        let log = std::fs::read_to_string(folder.path().join(format)).expect("a log");
        // It is the log of all that: each request has a line.
        assert!(log.matches("answered").count() > 25, "{log}");
        // Names in any case, and in base64 and percent encoding, which hide nothing.
        let found: Vec<&str> =
            log.lines().filter(|line| line.to_lowercase().contains("canarywren")).collect();
        assert!(found.is_empty(), "{format}: {found:#?}");
        let encoded = ["Q2FuYXJ5d3Jlb", "NhbmFyeXdyZW", "DYW5hcnl3cmVu"];
        assert!(encoded.iter().all(|part| !log.contains(part)), "{format}: the log holds base64 of it");
        if format == "json" {
            every_line_is_an_event(&log);
        }
    }
}
