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

/// What one answer holds and one request may bring has its bound, as README's limits have it. FHIR R4 search.html#count: a
/// server may give less than was asked for; what is left out is on the next page, or said.
#[tokio::test(flavor = "multi_thread")]
async fn h16_answers_and_bundles_are_bounded() {
    let served = Served::open("2026-03-02").await;
    let unit = |number: usize| {
        let part_of = json!({ "reference": "Organization/u0" });
        let mut unit = json!({ "resourceType": "Organization", "id": format!("u{number}"), "name": "Unit" });
        if number > 0 {
            unit["partOf"] = part_of;
        }
        json!({ "resource": unit, "request": { "method": "PUT", "url": format!("Organization/u{number}") } })
    };
    let send = async |numbers: std::ops::Range<usize>| {
        let entries: Vec<_> = numbers.map(unit).collect();
        served
            .post("/fhir", &json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries }))
            .await
    };
    let many = send(0..501).await;
    assert!(many.status == 413 && many.text.contains("500"), "{} {:.300}", many.status, many.text);
    assert_eq!(
        served.get("/fhir/Organization?_summary=count").await.json()["total"],
        0,
        "nothing was stored"
    );
    for numbers in [0..500, 500..1_000, 1_000..1_003] {
        send(numbers).await.done();
    }
    let entries = |bundle: &endplate_fhir::Json, mode: &str| {
        let all = bundle["entry"].as_array().unwrap();
        all.iter().filter(|entry| entry["search"]["mode"] == mode).count()
    };
    let page = served.get("/fhir/Organization?_count=100000").await.json();
    assert_eq!((&page["total"], entries(&page, "match")), (&json!(1_003), 500));
    assert!(page["link"].as_array().unwrap().iter().any(|link| link["relation"] == "next"));
    assert_eq!(served.all("Organization?_count=100000").await.len(), 1_003, "the links lead to all of them");
    let page = served.get("/fhir/Organization?_id=u0&_revinclude=Organization:partof").await.json();
    assert_eq!(
        (entries(&page, "match"), entries(&page, "include"), entries(&page, "outcome")),
        (1, 1_000, 1)
    );
    assert!(page.to_string().contains("at most 1000 resources"));
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
