//! Hospital record servers that put names into everything they answer: into records, OperationOutcomes, addresses, headers,
//! tokens and refusals of tokens. None of it gets into the log, while the service reads there and writes there and all of it goes
//! wrong; whoever runs the service asks, while it runs, and is told the server's own words.
//!
//! FHIR R4 http.html and security.html#audit; RFC 6749 section 5.2 and RFC 6750 section 5.3 for tokens.

use crate::program::{CANARY, Program, serve};
use axum::Router;
use axum::extract::{Request, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde_json::{Value as Json, json};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;

/// Servers that give nothing and take nothing, each by its way to fail, and whether they want a token.
const FAILING: [(&str, bool); 11] = [
    ("no-discovery", true),
    ("other-algorithms", true),
    ("token-elsewhere", true),
    ("token-refused", true),
    ("token-garbled", true),
    ("failing", false),
    ("forbidden", false),
    ("moved", false),
    ("no-bundle", false),
    ("no-json", false),
    ("page-elsewhere", false),
];

/// How often each address was asked for.
type Asked = Arc<Mutex<BTreeMap<String, usize>>>;

#[derive(Clone)]
struct Ward {
    address: SocketAddr,
    asked: Asked,
}

fn outcome() -> Json {
    json!({ "resourceType": "OperationOutcome", "id": CANARY, "issue": [{ "severity": "error", "code": "processing",
        "details": { "text": format!("{CANARY} is not taken."), "coding": [{ "system": "urn:x", "code": CANARY }] },
        "diagnostics": CANARY, "expression": [format!("Patient.where(name='{CANARY}')")] }] })
}

fn bundle(resources: &[Json], next: Option<&str>) -> Json {
    let entries: Vec<Json> = resources.iter().map(|resource| json!({ "resource": resource })).collect();
    let links: Vec<Json> = next.iter().map(|next| json!({ "relation": "next", "url": next })).collect();
    json!({ "resourceType": "Bundle", "type": "searchset", "id": CANARY, "entry": entries, "link": links })
}

fn patient(id: &str) -> Json {
    let div = format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{CANARY}</div>");
    json!({
        "resourceType": "Patient", "id": id, "birthDate": "1970-01-01", "text": { "status": "generated", "div": div },
        "meta": { "versionId": CANARY, "lastUpdated": "2026-01-01T00:00:00Z" },
        "name": [{ "family": CANARY, "given": [CANARY] }], "identifier": [{ "system": "urn:x", "value": CANARY }],
    })
}

/// A repair of the one patient who is understood.
fn repair() -> Json {
    let ep = "https://endplate.example/fhir";
    json!({ "resourceType": "Procedure", "id": CANARY, "status": "completed", "note": [{ "text": CANARY }],
        "meta": { "versionId": "1", "lastUpdated": "2026-01-01T00:00:00Z" },
        "subject": { "reference": format!("Patient/{CANARY}"), "display": CANARY }, "performedDateTime": "2026-01-05",
        "code": { "coding": [{ "system": format!("{ep}/CodeSystem/repair-technique"), "code": "direct-coaptation" }] },
        "bodySite": [{ "coding": [{ "system": format!("{ep}/CodeSystem/nerve"), "code": "median" }] }],
        "extension": [{ "url": format!("{ep}/StructureDefinition/target"), "extension": [
            { "url": "structure", "valueCodeableConcept": { "text": "abductor pollicis brevis" } },
            { "url": "path-length", "valueQuantity":
                { "value": 90, "unit": "mm", "system": "http://unitsofmeasure.org", "code": "mm" } } ] }] })
}

async fn answer(State(ward): State<Ward>, request: Request) -> Response {
    let (method, path) = (request.method().to_string(), request.uri().path().to_owned());
    let nth = {
        let mut asked = ward.asked.lock().expect("no panic");
        let count = asked.entry(format!("{method} {path}")).or_default();
        *count += 1;
        *count
    };
    let here = format!("http://{}", ward.address);
    let parts: Vec<&str> = path.split('/').skip(1).collect();
    let fhir = |status: u16, body: &Json| {
        let status = StatusCode::from_u16(status).expect("a status");
        let headers = [
            ("content-type", "application/fhir+json"),
            ("etag", "W/\"Canarywren\""),
            ("warning", "199 - \"Canarywren\""),
            ("x-request-id", CANARY),
        ];
        (status, headers, body.to_string()).into_response()
    };
    match (method.as_str(), parts.as_slice()) {
        ("GET", ["no-discovery", _, ".well-known", _]) => fhir(500, &outcome()),
        ("GET", [name, _, ".well-known", _]) => {
            let algorithm = if *name == "other-algorithms" { "CANARYWREN" } else { "ES384" };
            let root = if *name == "token-elsewhere" { format!("http://{CANARY}.example") } else { here };
            fhir(
                200,
                &json!({ "token_endpoint": format!("{root}/{name}/token?for={CANARY}"), "issuer": CANARY,
                "token_endpoint_auth_signing_alg_values_supported": [algorithm] }),
            )
        }
        ("POST", ["token-refused", "token"]) => fhir(
            400,
            &json!({ "error": CANARY.to_lowercase(), "error_description": CANARY, "error_uri": CANARY }),
        ),
        ("POST", ["token-garbled", "token"]) => {
            fhir(200, &json!({ "access_token": format!("{CANARY}\n"), "token_type": "Bearer" }))
        }
        ("POST", [_, "token"]) => fhir(
            200,
            &json!({ "access_token": format!("{CANARY}.{nth}"), "token_type": "Bearer", "expires_in": 300,
                "scope": CANARY }),
        ),
        ("GET", ["moved", ..]) => {
            (StatusCode::FOUND, [("location", format!("http://{CANARY}.example/?name={CANARY}"))])
                .into_response()
        }
        ("GET", ["no-bundle", ..]) => fhir(200, &patient("p")),
        ("GET", ["no-json", ..]) => (StatusCode::OK, CANARY.repeat(100)).into_response(),
        ("GET", ["page-elsewhere", ..]) => {
            fhir(200, &bundle(&[], Some(&format!("https://{CANARY}.example/fhir?name={CANARY}"))))
        }
        // The first token is said to be none.
        ("GET", ["main", "fhir", _])
            if request.headers()["authorization"] == format!("Bearer {CANARY}.1") =>
        {
            fhir(401, &outcome())
        }
        ("GET", ["main", "fhir", "Patient"])
            if request.uri().query().is_some_and(|query| query.contains("page=2")) =>
        {
            let mut wrong = patient(&format!("{CANARY}-2"));
            wrong["gender"] = json!(CANARY);
            wrong[CANARY] = json!(CANARY);
            fhir(200, &bundle(&[wrong], None))
        }
        ("GET", ["main", "fhir", "Patient"]) => {
            let next = format!("{here}/main/fhir/Patient?page=2&name={CANARY}");
            fhir(200, &bundle(&[patient(CANARY)], Some(&next)))
        }
        ("GET", ["main", "fhir", "Procedure"]) => fhir(200, &bundle(&[repair()], None)),
        // Of "main": what stands there now, after a write was told that it has moved, may not be said.
        ("GET", ["forbidden", ..] | ["main", "fhir", "CarePlan"]) => fhir(403, &outcome()),
        ("GET", ["main", ..]) => fhir(404, &outcome()),
        ("PUT", ["main", "fhir", "ServiceRequest"]) if nth == 1 => {
            let mut response =
                fhir(201, &json!({ "resourceType": "ServiceRequest", "id": format!("{CANARY}-1") }));
            let location = format!("{here}/main/fhir/ServiceRequest/{CANARY}-1/_history/{CANARY}");
            response.headers_mut().insert("location", location.parse().expect("a header"));
            response
        }
        ("PUT", ["main", "fhir", "ServiceRequest"]) => fhir(422, &outcome()),
        ("PUT", ["main", "fhir", "CarePlan"]) => fhir(412, &outcome()),
        // "failing", and what "main" is sent beside.
        _ => fhir(500, &outcome()),
    }
}

async fn ward() -> Ward {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let ward = Ward { address: listener.local_addr().expect("an address"), asked: Asked::default() };
    let router = Router::new().fallback(answer).with_state(ward.clone());
    tokio::spawn(async move { axum::serve(listener, router).await });
    ward
}

/// The settings of a service beside all of them. Only the first reading counts.
fn settings(ward: &Ward) -> String {
    let table = |name: &str, is_closed: bool, more: &str| {
        let auth = if is_closed {
            "auth = \"smart\"\nclient_id = \"endplate\"\n[[record.key]]\nfile = \"key.pem\"\n"
        } else {
            ""
        };
        let base = format!("http://{}/{name}/fhir", ward.address);
        format!(
            "[[record]]\nname = \"{name}\"\nbase_url = \"{base}\"\nread_every_s = 86400\n{more}\n{auth}\n"
        )
    };
    let failing = FAILING
        .iter()
        .map(|(name, is_closed)| table(name, *is_closed, "read = [\"Patient\"]\nwrite = [\"Task\"]"));
    let more = "read = [\"Patient\", \"Procedure\"]\nwrite = [\"ServiceRequest\", \"CarePlan\", \"Task\"]";
    failing.chain([table("main", true, more)]).collect()
}

fn endplate(folder: &Path, arguments: &[&str]) -> (String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_endplate"))
        .args(arguments)
        .args(["--config", "site.toml", "--store", "sqlite:store.db"])
        .current_dir(folder)
        .env("ENDPLATE_LOG", "trace")
        .output()
        .expect("run");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (text(output.stdout), text(output.stderr))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn h11_nothing_that_a_record_server_says_is_logged_and_whoever_asks_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let ward = ward().await;
    let key = Command::new("openssl")
        .args(["genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-384", "-out", "key.pem"])
        .current_dir(folder.path())
        .output()
        .expect("openssl");
    assert!(key.status.success(), "{}", String::from_utf8_lossy(&key.stderr));
    std::fs::write(folder.path().join("site.toml"), settings(&ward)).expect("written");
    let mut command = serve(folder.path());
    let service = Program::start(command.env("ENDPLATE_LOG", "trace").env("ENDPLATE_CONFIG", "site.toml"));

    // Every one of them was read and written to, and of what was derived "main" took one thing, refused another, refused a third
    // after a second look, and did not take the fourth.
    for (name, _) in FAILING {
        service.said(&format!("not read to its end: endplate record tells why record=\"{name}\""), 1);
        service.said(&format!("receiver=\"record/{name}\" event.number=1"), 1);
    }
    service.said("a record server was read record=\"main\" taken.count=2 refused.count=1", 1);
    service.said("a notification was not taken receiver=\"record/main\"", 1);
    let parked = service.said("a notification is a dead letter receiver=\"record/main\"", 2);
    assert!(parked.contains("as the record server says"), "{parked}");
    // It is in the store once this is said.
    service.said("notifications sent receiver=\"record/main\"", 1);

    // It runs, and is asked: each dead letter with the server's own words, and each record that was put aside.
    let (listing, log) = endplate(folder.path(), &["record"]);
    for (kind, status) in [("ServiceRequest", 422), ("CarePlan", 403)] {
        let told = listing.lines().any(|line| {
            line.contains("refused")
                && line.contains(kind)
                && line.contains(&format!("answered {status}: "))
                && line.contains(&format!("{CANARY} is not taken."))
        });
        assert!(told, "{kind}: {listing}");
    }
    assert!(listing.contains("put aside") && listing.contains(&format!("Patient/{CANARY}-2")), "{listing}");
    let (outbox, more) = endplate(folder.path(), &["outbox"]);
    let row = outbox.lines().find(|line| line.starts_with("record/main")).expect("a row");
    assert!(row.contains("the receiver answered 500"), "{outbox}");
    assert!(!(log + &more).to_lowercase().contains(&CANARY.to_lowercase()));
    // That none of it is in its own log, `Program` looks at.
    service.stop();
    let asked = ward.asked.lock().expect("no panic").clone();
    assert!(asked.keys().any(|what| what == "POST /main/token"), "{asked:?}");
}
