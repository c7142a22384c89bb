//! H. What would keep the service busy, and a clock that is set.

use crate::clinic::{interosseous_graft, patient};
use crate::served::{FHIR_JSON, Served};
use serde_json::json;

/// Answers that are a refusal which says what to change, or a success.
async fn answered(served: &Served, name: &str, request: reqwest::RequestBuilder) {
    let reply = served.send(request).await;
    assert!(
        matches!(reply.status, 200 | 400 | 413 | 414 | 422),
        "{name}: {} {:.300}",
        reply.status,
        reply.text
    );
}

// OWASP, regular expression denial of service: near misses of patterns that backtrack. FHIR R4 datatypes.html gives the patterns.
#[tokio::test]
async fn h29_patterns_paths_and_searches_are_bounded() {
    let served = Served::open("2026-03-02").await;
    served.put(&patient("p1", "1970-01-01")).await.done();
    let near_misses = [
        ("valueBase64Binary", "AAAA".repeat(200_000) + "*"),
        ("valueOid", format!("urn:oid:1{}x", ".1".repeat(200_000))),
        ("valueCode", format!("{}  b", "a b ".repeat(200_000))),
        ("valueDecimal", "1".repeat(400_000)),
        ("valueDateTime", "2026-01-01T00:00:00.".to_owned() + &"0".repeat(400_000)),
        ("valueUri", "a".repeat(400_000) + " "),
    ];
    for (member, value) in near_misses {
        let body =
            format!(r#"{{"resourceType":"Patient","extension":[{{"url":"a:b","{member}":"{value}"}}]}}"#);
        let request = served.request("POST", "/fhir/Patient").header("content-type", FHIR_JSON).body(body);
        let reply = served.send(request).await;
        assert_eq!(reply.status, 422, "{member}: {:.300}", reply.text);
    }
    // FHIRPath comes from clients in patches alone, and only as a path of names and positions.
    let patch = |path: String| {
        let part = |name: &str, kind: &str, value: &str| json!({ "name": name, kind: value });
        let operation = [
            part("type", "valueCode", "replace"),
            part("path", "valueString", &path),
            part("value", "valueString", "x"),
        ];
        json!({ "resourceType": "Parameters", "parameter": [{ "name": "operation", "part": operation }] })
    };
    for path in [
        "(".repeat(100_000),
        format!("Patient{}", ".name".repeat(100_000)),
        "Patient.repeat(name)".to_owned(),
    ] {
        let request = served.request("PATCH", "/fhir/Patient/p1").header("content-type", FHIR_JSON);
        let reply = served.send(request.body(patch(path).to_string())).await;
        assert!(matches!(reply.status, 400 | 422), "{} {:.300}", reply.status, reply.text);
    }
    let form = |body: String| {
        let request = served.request("POST", "/fhir/Patient/_search");
        request.header("content-type", "application/x-www-form-urlencoded").body(body)
    };
    for (name, body) in [
        ("wildcards", format!("name:contains={}", "%25_".repeat(100_000))),
        ("many values", format!("_id={}", vec!["a"; 100_000].join(","))),
        ("many parameters", vec!["_id=a"; 50_000].join("&")),
        ("many includes", vec!["_include=Patient:organization"; 50_000].join("&")),
        ("many orders", format!("_sort={}", vec!["name"; 50_000].join(","))),
        ("a long chain", format!("organization{}=a", ".partof".repeat(10_000))),
        ("a deep _has", format!("{}_id=a", "_has:Task:patient:".repeat(10_000))),
        ("a long number", format!("_count={}", "9".repeat(100_000))),
    ] {
        answered(&served, name, form(body)).await;
    }
    assert_eq!(served.get("/readyz").await.status, 200);
}

// NTP and the machine set the clock; the service must bear that it is set. Timers run on the monotonic clock (tokio::time).
#[tokio::test]
async fn h32_a_clock_that_is_set_raises_nothing() {
    let served = Served::open("2026-09-10").await;
    for resource in interosseous_graft() {
        served.put(&resource).await.done();
    }
    let standing = async || json!([served.all("DetectedIssue").await, served.all("Task").await]);
    let before = standing().await;
    for seconds in [3_600, -7_200, 3_600] {
        served.clock.turn_on_s(seconds);
        served.server.endplate().sweep(&|_| {}).await.unwrap();
        assert_eq!(standing().await, before, "after {seconds} seconds");
    }
}
