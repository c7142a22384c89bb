//! What surrounds every request: methods, preferences, media types, outcomes, ids, browsers, addresses.

use super::{DAY, ask, assert_refused, stored, unit, unit_as, versions};
use crate::served::{FHIR_JSON, Reply, Served, config};
use endplate_fhir::Json;
use serde_json::json;

const NONE: Json = Json::Null;

// http.html#head.
#[tokio::test]
async fn a07_head_is_get_without_a_body() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    for path in [
        "/fhir/metadata",
        "/fhir/_history",
        "/fhir/Organization",
        "/fhir/Organization?name=hand",
        "/fhir/Organization/_history",
        "/fhir/Organization/u",
        "/fhir/Organization/u/_history",
        "/fhir/Organization/u/_history/1",
        "/fhir/Organization/none",
        "/fhir/Medication/1",
    ] {
        let (get, head) = (served.get(path).await, ask(&served, "HEAD", path, &[], &NONE).await);
        assert_eq!((head.status, head.text.as_str()), (get.status, ""), "{path}");
        for name in ["content-type", "content-length", "etag", "last-modified", "cache-control"] {
            assert_eq!(head.header(name), get.header(name), "{path} {name}");
        }
    }
}

// capabilitystatement.html: software is what runs, implementation is this installation of it.
#[tokio::test]
async fn i18_the_statement_names_the_build_that_runs_and_where() {
    let served = Served::open(DAY).await;
    let statement = served.get("/fhir/metadata").await.json();
    assert_eq!(statement["kind"], "instance");
    assert_eq!(statement["software"]["version"], env!("CARGO_PKG_VERSION"), "of the workspace");
    let base = format!("http://{}/fhir", served.server.local_addr());
    assert_eq!(statement["implementation"]["url"], base);
    let metrics = served.get("/metrics").await.text;
    let build = format!("version=\"{}\"", env!("CARGO_PKG_VERSION"));
    assert!(metrics.contains(&build), "the numbers name it too");
}

async fn preferring(served: &Served, prefer: &str) -> Reply {
    let body = unit_as("u", &format!("Unit {prefer}"));
    ask(served, "PUT", "/fhir/Organization/u", &[("prefer", prefer)], &body).await
}

// http.html#ops.
#[tokio::test]
async fn a45_return_minimal_is_headers_only() {
    let served = Served::open(DAY).await;
    let reply = preferring(&served, "return=minimal").await;
    assert_eq!((reply.status, reply.text.as_str(), reply.header("etag")), (201, "", "W/\"1\""));
    assert!(!reply.header("location").is_empty());
}

// http.html#ops.
#[tokio::test]
async fn a46_return_representation_is_the_resource_as_stored() {
    let served = Served::open(DAY).await;
    let reply = preferring(&served, "return=representation").await;
    assert_eq!(reply.text, served.get("/fhir/Organization/u").await.text);
}

// http.html#ops.
#[tokio::test]
async fn a47_an_outcome_comes_only_when_it_is_asked_for() {
    let served = Served::open(DAY).await;
    assert_eq!(
        preferring(&served, "return=OperationOutcome").await.json()["resourceType"],
        "OperationOutcome"
    );
    assert_eq!(preferring(&served, "handling=lenient").await.json()["resourceType"], "Organization");
    let wrong =
        ask(&served, "PUT", "/fhir/Organization/u", &[("prefer", "return=minimal")], &unit("x")).await;
    assert_refused(&wrong, 400, "invalid");
}

// RFC 7240 sections 2 and 3.
#[tokio::test]
async fn a48_a_preference_that_counted_is_told() {
    let served = Served::open(DAY).await;
    for (prefer, applied) in [
        ("return=minimal", "return=minimal"),
        ("return=\"representation\"", "return=representation"),
        ("wait=5, return=OperationOutcome", "return=OperationOutcome"),
        ("colour=red", ""),
        ("return=everything", ""),
    ] {
        let reply = preferring(&served, prefer).await;
        assert!(matches!(reply.status, 200 | 201), "{}", reply.text);
        assert_eq!(reply.header("preference-applied"), applied);
        assert!(reply.header("vary").contains("prefer"));
    }
}

// http.html#mime-type; RFC 9110 section 12.5.1.
#[tokio::test]
async fn a49_json_is_given_to_whoever_takes_it() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    for (accept, status) in [
        (FHIR_JSON, 200),
        ("application/json", 200),
        ("*/*", 200),
        ("application/*", 200),
        ("application/fhir+xml;q=0.9, application/fhir+json;q=0.1", 200),
        ("application/fhir+json;q=0, application/json;q=0, */*", 406),
        ("application/fhir+xml", 406),
        ("text/html", 406),
        ("application/fhir+json;q=0", 406),
    ] {
        let reply = ask(&served, "GET", "/fhir/Organization/u", &[("accept", accept)], &NONE).await;
        assert_eq!(reply.status, status, "{accept}");
        assert_eq!(reply.header("content-type"), "application/fhir+json;charset=utf-8");
    }
    assert_eq!(served.get("/fhir/Organization/u").await.status, 200);
}

async fn typed(served: &Served, headers: &[(&str, &str)]) -> Reply {
    let mut request = served.request("POST", "/fhir/Organization").body(unit("Hand unit").to_string());
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    served.send(request).await
}

// http.html#mime-type; RFC 9110 section 15.5.16.
#[tokio::test]
async fn a50_bodies_are_fhir_json() {
    let served = Served::open(DAY).await;
    for (kind, status) in
        [(FHIR_JSON, 201), ("application/json", 201), ("text/plain", 415), ("application/fhir+xml", 415)]
    {
        assert_eq!(typed(&served, &[("content-type", kind)]).await.status, status, "{kind}");
    }
    assert_refused(&typed(&served, &[]).await, 415, "not-supported");
    let packed = [("content-type", FHIR_JSON), ("content-encoding", "gzip")];
    assert_refused(&typed(&served, &packed).await, 415, "not-supported");
}

// http.html#version-parameter.
#[tokio::test]
async fn a51_the_release_is_r4() {
    let served = Served::open(DAY).await;
    let (r4, r5) = ("application/fhir+json; fhirVersion=4.0", "application/fhir+json; fhirVersion=5.0");
    for (headers, status) in [
        (vec![("content-type", r4)], 201),
        (vec![("content-type", r4), ("accept", "application/fhir+json; fhirVersion=4.0.1")], 201),
        (vec![("content-type", r5)], 415),
        (vec![("content-type", FHIR_JSON), ("accept", r5)], 406),
        (vec![("content-type", r4), ("accept", r5)], 400),
    ] {
        assert_eq!(typed(&served, &headers).await.status, status, "{headers:?}");
    }
}

// http.html#parameters.
#[tokio::test]
async fn a52_format_goes_before_accept() {
    let served = Served::open(DAY).await;
    for (format, status) in [
        ("json", 200),
        ("application/json", 200),
        ("application/fhir%2Bjson", 200),
        ("application/fhir+json", 200),
        ("xml", 406),
        ("ttl", 406),
    ] {
        let path = format!("/fhir/Organization?_format={format}");
        for accept in ["application/fhir+xml", FHIR_JSON] {
            assert_eq!(
                ask(&served, "GET", &path, &[("accept", accept)], &NONE).await.status,
                status,
                "{path}"
            );
        }
    }
    let request =
        served.request("POST", "/fhir/Organization?_format=json").header("content-type", "text/plain");
    assert_eq!(served.send(request.body("{}")).await.status, 415);
}

// http.html#parameters.
#[tokio::test]
async fn a53_pretty_changes_nothing_but_space() {
    let served = Served::open(DAY).await;
    let sent = r#"{"resourceType":"Organization","id":"u","name":"Hand unit","extension":[{"url":"https://records.example/x","valueDecimal":1.10}]}"#;
    let request = served.request("PUT", "/fhir/Organization/u").header("content-type", FHIR_JSON).body(sent);
    assert_eq!(served.send(request).await.status, 201);
    let plain = served.get("/fhir/Organization/u?_pretty=false").await.text;
    let pretty = served.get("/fhir/Organization/u?_pretty=true").await.text;
    assert!(!plain.contains('\n') && pretty.contains("\n  \"id\"") && pretty.contains("1.10"));
    assert_eq!(serde_json::from_str::<Json>(&pretty).unwrap().to_string(), plain);
}

// http.html#mime-type: UTF-8. RFC 8259 section 8.1: who reads may pass over a byte order mark; it is passed over here.
#[tokio::test]
async fn a55_bodies_are_utf_8() {
    let served = Served::open(DAY).await;
    let latin = [("content-type", "application/fhir+json; charset=iso-8859-1")];
    assert_refused(&typed(&served, &latin).await, 415, "not-supported");
    let utf8 = [("content-type", "application/fhir+json; charset=UTF-8")];
    assert_eq!(typed(&served, &utf8).await.status, 201);
    for (bytes, status) in [
        (&b"\xEF\xBB\xBF{\"resourceType\":\"Organization\",\"name\":\"u\"}"[..], 201),
        (b"{\"resourceType\":\"Organization\",\"name\":\"\xE4\"}", 400),
    ] {
        let request = served.request("POST", "/fhir/Organization").header("content-type", FHIR_JSON);
        assert_eq!(served.send(request.body(bytes)).await.status, status);
    }
}

// http.html#capabilities: no access is asked for, and the tag changes with the content.
#[tokio::test]
async fn a43_the_capabilities_are_told_to_anybody() {
    let served = Served::open(DAY).await;
    for query in ["", "?mode=full", "?mode=normative"] {
        let reply = served.get(&format!("/fhir/metadata{query}")).await;
        assert_eq!(
            (reply.status, &reply.json()["resourceType"]),
            (200, &json!("CapabilityStatement")),
            "{query}"
        );
    }
    let tag = served.get("/fhir/metadata").await.header("etag").to_owned();
    assert!(tag.starts_with("W/\""), "{tag}");
    let again = ask(&served, "GET", "/fhir/metadata", &[("if-none-match", &tag)], &NONE).await;
    assert_eq!((again.status, again.text.as_str()), (304, ""));
    // Another service, at another address, says something else.
    assert_ne!(Served::open(DAY).await.get("/fhir/metadata").await.header("etag"), tag);
    let terms = served.get("/fhir/metadata?mode=terminology").await;
    assert_eq!(terms.json()["resourceType"], "TerminologyCapabilities");
    assert_ne!(terms.header("etag"), tag);
}

// capabilitystatement.html; that it is what the router does is compared both ways with the crate that serves.
#[tokio::test]
async fn a44_the_statement_has_what_r4_asks_of_an_instance() {
    let served = Served::open(DAY).await;
    let statement = served.get("/fhir/metadata").await.json();
    assert_eq!(endplate_fhir::validate::resource(&statement), []);
    let said = |name: &str| statement[name].clone();
    assert_eq!((said("fhirVersion"), said("kind")), (json!("4.0.1"), json!("instance")));
    assert_eq!(said("patchFormat"), json!(["application/json-patch+json", "application/fhir+json"]));
    assert!(said("format").as_array().unwrap().contains(&json!("application/fhir+json")));
    assert_eq!(said("implementation")["url"], format!("http://{}/fhir", served.server.local_addr()));
    for resource in statement["rest"][0]["resource"].as_array().unwrap() {
        let kind = resource["type"].as_str().unwrap();
        let names = ["interaction", "versioning", "searchParam"];
        assert!(names.iter().all(|name| !resource[*name].is_null()), "{kind}");
        if endplate_fhir::TYPES.contains(&kind) {
            let names = [
                "readHistory",
                "updateCreate",
                "conditionalCreate",
                "conditionalRead",
                "conditionalUpdate",
                "conditionalDelete",
                "searchRevInclude",
                "operation",
            ];
            assert!(names.iter().all(|name| !resource[*name].is_null()), "{kind}");
        }
    }
}

// OperationOutcome.issue.location: `http.` and the name of a parameter.
#[tokio::test]
async fn a79_a_wrong_parameter_is_named_as_a_location() {
    let served = Served::open(DAY).await;
    let reply = served.get("/fhir/Organization/_history?_count=many").await;
    assert_refused(&reply, 400, "value");
    assert_eq!(reply.json()["issue"][0]["location"], json!(["http._count"]));
    assert!(reply.json()["issue"][0].get("expression").is_none());
}

// http.html#custom.
#[tokio::test]
async fn a80_requests_keep_their_ids() {
    let served = Served::open(DAY).await;
    let taken = ask(&served, "GET", "/fhir/metadata", &[("x-request-id", "scheduler-7")], &NONE).await;
    assert_eq!((taken.header("x-request-id"), taken.header("x-correlation-id")), ("scheduler-7", ""));
    let odd = ask(&served, "GET", "/fhir/metadata", &[("x-request-id", "scheduler/7 b")], &NONE).await;
    assert!(endplate_fhir::is_id(odd.header("x-request-id")));
    assert_eq!(odd.header("x-correlation-id"), "scheduler/7 b");
    let own = served.get("/fhir/none").await;
    assert!(endplate_fhir::is_id(own.header("x-request-id")) && own.header("x-correlation-id").is_empty());
}

// RFC 9110 sections 15.5.6 and 15.6.2.
#[tokio::test]
async fn a81_methods_are_405_with_allow_or_501() {
    let served = Served::open(DAY).await;
    for (method, path, allow) in [
        ("POST", "/fhir/Organization/u", "GET,HEAD,PUT,PATCH,DELETE"),
        ("PUT", "/fhir/metadata", "GET,HEAD"),
        ("DELETE", "/fhir", "GET,HEAD,POST"),
        ("TRACE", "/fhir/Organization/u", "GET,HEAD,PUT,PATCH,DELETE"),
        ("OPTIONS", "/fhir/Organization", "GET,HEAD,POST,PUT,PATCH,DELETE"),
        ("PATCH", "/fhir/Organization/u/_history/1", "GET,HEAD"),
    ] {
        let reply = ask(&served, method, path, &[], &NONE).await;
        assert_refused(&reply, 405, "not-supported");
        assert_eq!(reply.header("allow"), allow, "{method} {path}");
    }
    for method in ["LOCK", "BREW"] {
        assert_refused(&ask(&served, method, "/fhir/Organization/u", &[], &NONE).await, 501, "not-supported");
    }
}

// http.html#security; the Fetch standard, CORS protocol.
#[tokio::test]
async fn a82_browsers_of_configured_origins_only() {
    let mut config = config();
    config.cors_origins = vec!["https://board.example".to_owned()];
    let open = Served::open_as(&config, DAY).await;
    let preflight = async |served: &Served, origin: &str| {
        let headers = [("origin", origin), ("access-control-request-method", "PUT")];
        ask(served, "OPTIONS", "/fhir/Organization/u", &headers, &NONE).await
    };
    let allowed = preflight(&open, "https://board.example").await;
    assert_eq!(allowed.status, 200);
    assert_eq!(allowed.header("access-control-allow-origin"), "https://board.example");
    assert!(allowed.header("access-control-allow-methods").contains("PUT"));
    assert_eq!(allowed.header("access-control-allow-credentials"), "");
    let other = preflight(&open, "https://other.example").await;
    assert_eq!(other.header("access-control-allow-origin"), "");
    let read = ask(&open, "GET", "/fhir/metadata", &[("origin", "https://board.example")], &NONE).await;
    assert_eq!(read.header("access-control-allow-origin"), "https://board.example");
    for name in ["etag", "location", "content-location", "x-request-id", "retry-after"] {
        assert!(read.header("access-control-expose-headers").contains(name), "{name}");
    }
    let closed = Served::open(DAY).await;
    let reply = preflight(&closed, "https://board.example").await;
    assert_eq!((reply.status, reply.header("access-control-allow-origin")), (405, ""));
}

// async.html leaves it to the server; here the preference is passed over, as RFC 7240 section 2 allows.
#[tokio::test]
async fn a83_respond_async_is_passed_over() {
    let served = Served::open(DAY).await;
    let reply = preferring(&served, "respond-async").await;
    assert_eq!(
        (reply.status, reply.header("preference-applied"), reply.header("content-location")),
        (201, "", "")
    );
    assert!(served.get("/fhir/metadata").await.text.contains("respond-async is passed over"));
}

// RFC 9110 section 6.6.1; RFC 9111 section 5.2.2.5.
#[tokio::test]
async fn a84_answers_are_dated_and_not_kept() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    for path in ["/fhir/Organization/u", "/fhir/Organization", "/fhir/Organization/none", "/fhir/metadata"] {
        let reply = served.get(path).await;
        assert!(reply.header("date").ends_with(" GMT"));
        assert_eq!(reply.header("cache-control"), "no-store");
        assert!(reply.header("vary").contains("authorization") && reply.header("vary").contains("accept"));
    }
}

// http.html#root: a slash at the end and percent-encoding name nothing else.
#[tokio::test]
async fn a85_one_address_however_it_is_written() {
    let served = Served::open(DAY).await;
    stored(&served, "u-1", "Hand unit").await;
    let plain = served.get("/fhir/Organization/u-1").await.text;
    for path in [
        "/fhir/Organization/u-1/",
        "/fhir/Organization/u%2D1",
        "/fhir/%4Frganization/u-1",
        "/fhir/Organization/u-1?_format=json",
    ] {
        assert_eq!(served.get(path).await.text, plain, "{path}");
    }
    assert_eq!(served.get("/fhir/Organization/").await.json()["total"], 1);
    assert_eq!(served.get("/fhir/metadata/").await.status, 200);
    let reply = ask(&served, "PUT", "/fhir/Organization/u-1/", &[], &unit_as("u-1", "Nerve unit")).await;
    assert_eq!((reply.status, versions(&served).await), (200, 2));
}
