//! H. Data integrity: FHIR R4 json.html, datatypes.html, narrative.html, security.html. And what an OperationOutcome holds.

use crate::clinic::{EP, injury, patient};
use crate::served::{FHIR_JSON, Reply, Served};
use endplate_fhir::Json;
use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Sends a text as it stands.
async fn text(served: &Served, kind: &str, body: impl Into<reqwest::Body>) -> Reply {
    let request = served.request("POST", &format!("/fhir/{kind}"));
    served.send(request.header("content-type", FHIR_JSON).body(body)).await
}

/// The places and keys of an outcome's issues.
fn places(reply: &Reply) -> Vec<(String, String)> {
    let outcome = reply.json();
    assert_eq!(outcome["resourceType"], "OperationOutcome", "{}", reply.text);
    let issues = outcome["issue"].as_array().unwrap();
    let text = |value: &Json| value.as_str().unwrap_or_default().to_owned();
    issues
        .iter()
        .map(|one| (text(&one["expression"][0]), text(&one["details"]["coding"][0]["code"])))
        .collect()
}

/// Each body is refused with the status, at the place and with the key; nothing of it is stored.
async fn refused(kind: &str, cases: &[(&str, u16, &str, &str)]) {
    let served = Served::open("2026-03-02").await;
    for (body, status, at, key) in cases {
        let reply = text(&served, kind, (*body).to_owned()).await;
        assert_eq!(reply.status, *status, "{body}: {}", reply.text);
        let wanted = ((*at).to_owned(), (*key).to_owned());
        assert!(places(&reply).contains(&wanted), "{body}: {}", reply.text);
    }
    assert_eq!(served.all(kind).await, Vec::<Json>::new());
}

/// What was sent comes back in the answer, on reading and in a search with the same characters.
async fn survives(kind: &str, part: &str) {
    let served = Served::open("2026-03-02").await;
    let body = match kind {
        "Observation" => {
            format!(r#"{{"resourceType":"Observation","status":"final","code":{{"text":"x"}},{part}}}"#)
        }
        _ => format!(r#"{{"resourceType":"{kind}",{part}}}"#),
    };
    let created = text(&served, kind, body.clone()).await;
    assert_eq!(created.status, 201, "{body}: {}", created.text);
    let id = created.json()["id"].as_str().unwrap().to_owned();
    let again = format!(r#"{{"id":"{id}",{}"#, body.strip_prefix('{').unwrap());
    let put =
        served.request("PUT", &format!("/fhir/{kind}/{id}")).header("content-type", FHIR_JSON).body(again);
    let replies = [
        created,
        served.get(&format!("/fhir/{kind}/{id}")).await,
        served.get(&format!("/fhir/{kind}")).await,
        served.send(put).await,
    ];
    for reply in replies {
        assert!(reply.text.contains(part), "{part} became {}", reply.text);
        // The same content again is no new version.
        assert!(!reply.text.contains(r#""versionId":"2""#), "{}", reply.text);
    }
}

// FHIR R4 operationoutcome.html: severity and code are mandatory, details.text is for people, expression a simple FHIRPath;
// location is deprecated.
#[tokio::test]
async fn a78_an_outcome_says_what_where_and_what_to_send() {
    let served = Served::open("2026-03-02").await;
    let entry = json!({
        "resource": { "resourceType": "Patient", "gender": "unknown-value", "name": [{ "family": 5 }], "birthDate": "1970-02-30" },
        "request": { "method": "POST", "url": "Patient" }
    });
    let good = json!({ "resource": { "resourceType": "Patient" }, "request": { "method": "POST", "url": "Patient" } });
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [good, entry] });
    let reply = served.post("/fhir", &bundle).await;
    assert_eq!(reply.status, 422, "{}", reply.text);
    let places: Vec<String> = places(&reply).into_iter().map(|(at, _)| at).collect();
    for at in ["gender", "name[0].family", "birthDate"] {
        assert!(places.contains(&format!("Bundle.entry[1].resource.{at}")), "{places:?}");
    }
    for issue in reply.json()["issue"].as_array().unwrap() {
        assert_eq!(issue["severity"], "error");
        assert!(["code-invalid", "value", "structure"].contains(&issue["code"].as_str().unwrap()), "{issue}");
        let sentence = issue["details"]["text"].as_str().unwrap();
        assert!(sentence.ends_with('.') && !sentence.contains('\n') && sentence.len() < 200, "{sentence}");
        assert_eq!(issue["details"]["coding"][0]["system"], format!("{EP}/CodeSystem/issue"));
        assert!(issue["location"].is_null(), "{issue}");
        // W3C Trace Context: 16 bytes in hexadecimal.
        let trace = issue["diagnostics"].as_str().and_then(|text| text.strip_prefix("trace ")).unwrap();
        assert!(trace.len() == 32 && trace.bytes().all(|b| b.is_ascii_hexdigit()), "{issue}");
    }
    // Neither a value of the payload nor anything of the program.
    for secret in ["unknown-value", "1970-02-30", "schema", "src/", "panicked"] {
        assert!(!reply.text.contains(secret), "{secret}: {}", reply.text);
    }
}

// FHIR R4 OperationOutcome.issue.location: "For HTTP errors, will be http. + the parameter name".
#[tokio::test]
async fn a79_a_bad_parameter_is_named_as_http_and_its_name() {
    let served = Served::open("2026-03-02").await;
    let reply = served.get("/fhir/Task?_lastUpdated=yesterday").await;
    assert_eq!(reply.status, 400, "{}", reply.text);
    let issue = &reply.json()["issue"][0];
    assert_eq!(issue["location"], json!(["http._lastUpdated"]), "{issue}");
    assert!(issue["expression"].is_null(), "{issue}");
}

// RFC 9110 sections 15.5.14 and 15.5.15; FHIR R4 datatypes.html#string: at most 1024*1024 characters.
#[tokio::test]
async fn h16_sizes_and_depths_are_bounded() {
    let nested = format!(r#"{{"resourceType":"Patient","a":{}1{}}}"#, "[".repeat(100), "]".repeat(100));
    let long = |length: usize| {
        format!(r#"{{"resourceType":"Patient","name":[{{"text":"{}"}}]}}"#, "é".repeat(length))
    };
    let served = Served::open("2026-03-02").await;
    let reply = text(&served, "Patient", nested).await;
    assert_eq!(reply.status, 400, "{}", reply.text);
    let reply = text(&served, "Patient", long(1024 * 1024 + 1)).await;
    assert_eq!((reply.status, places(&reply)), (422, vec![("Patient.name[0].text".into(), "length".into())]));
    assert_eq!(text(&served, "Patient", long(1024 * 1024)).await.status, 201);
    let reply = text(&served, "Patient", vec![b' '; 6 * 1024 * 1024]).await;
    assert_eq!(reply.status, 413, "{}", reply.text);
    let mut socket = TcpStream::connect(served.server.local_addr()).await.unwrap();
    let line = format!("GET /fhir/Task?_id={} HTTP/1.1\r\nhost: x\r\n\r\n", "a".repeat(100_000));
    socket.write_all(line.as_bytes()).await.unwrap();
    let mut answer = [0; 12];
    socket.read_exact(&mut answer).await.unwrap();
    assert_eq!(&answer, b"HTTP/1.1 414");
    let heavy = served.request("GET", "/fhir/Task").header("x-heavy", "a".repeat(1_000_000));
    let reply = served.send(heavy).await;
    assert_eq!(reply.status, 431);
    // What is read at all is refused with a sentence.
    let reply = served.get(&format!("/fhir/Task?_id={}", "a".repeat(20_000))).await;
    assert!(reply.status == 414 && reply.text.contains("_search"), "{} {}", reply.status, reply.text);
    let heavy = served.request("GET", "/fhir/Task").header("x-heavy", "a".repeat(40_000));
    let reply = served.send(heavy).await;
    assert!(
        reply.status == 431 && reply.text.contains("OperationOutcome"),
        "{} {}",
        reply.status,
        reply.text
    );
    let names = |count: usize| {
        format!(r#"{{"resourceType":"Patient","name":[{}]}}"#, vec![r#"{"text":"x"}"#; count].join(","))
    };
    let reply = text(&served, "Patient", names(10_001)).await;
    assert!(reply.status == 400 && reply.text.contains("10000"), "{} {}", reply.status, reply.text);
    assert_eq!(text(&served, "Patient", names(10_000)).await.status, 201);
}

// RFC 9110 section 15.5.16: a coding that is not taken is 415; nothing is unpacked, so nothing can burst.
#[tokio::test]
async fn h17_packed_bodies_are_refused_unread() {
    let served = Served::open("2026-03-02").await;
    for coding in ["gzip", "deflate", "br", "zstd", "gzip, gzip"] {
        let request = served.request("POST", "/fhir/Patient").header("content-type", FHIR_JSON);
        let reply = served.send(request.header("content-encoding", coding).body("{}")).await;
        assert_eq!(reply.status, 415, "{coding}: {}", reply.text);
    }
}

// FHIR R4 json.html: "property names SHALL be unique".
#[tokio::test]
async fn h18_a_property_given_twice_is_refused_where_it_is_second() {
    refused(
        "Patient",
        &[
            (
                r#"{"resourceType":"Patient","active":true,"active":true}"#,
                400,
                "Patient.active",
                "duplicate-property",
            ),
            (
                r#"{"resourceType":"Patient","name":[{"family":"A"},{"family":"B","family":"C"}]}"#,
                400,
                "Patient.name[1].family",
                "duplicate-property",
            ),
            (
                r#"{"resourceType":"Patient","contact":[{"name":{"text":"a","text":"b"}}]}"#,
                400,
                "Patient.contact[0].name.text",
                "duplicate-property",
            ),
        ],
    )
    .await;
}

// RFC 8259; FHIR R4 json.html: nothing is empty, null stands only in arrays of primitives, arrays pair by position.
#[tokio::test]
async fn h19_json_is_strict() {
    refused(
        "Patient",
        &[
            (r#"{"resourceType":"Patient" /* a */}"#, 400, "Patient", "json"),
            (r#"{"resourceType":"Patient","active":true,}"#, 400, "Patient", "json"),
            (r#"{"resourceType":"Patient","active":NaN}"#, 400, "Patient.active", "json"),
            (r#"{"resourceType":"Patient","name":[{}]}"#, 400, "Patient.name[0]", "empty"),
            (r#"{"resourceType":"Patient","name":[]}"#, 400, "Patient.name", "empty"),
            (r#"{"resourceType":"Patient","name":[{"family":""}]}"#, 400, "Patient.name[0].family", "empty"),
            (r#"{"resourceType":"Patient","active":null}"#, 400, "Patient.active", "null"),
            (r#"{"resourceType":"Patient","name":[null]}"#, 422, "Patient.name[0]", "null"),
            (r#"{"resourceType":"Patient","name":[{"given":["A",null]}]}"#, 422, "Patient.name[0].given[1]", "null"),
            (
                r#"{"resourceType":"Patient","name":[{"given":["A","B"],"_given":[{"extension":[{"url":"a:b","valueCode":"c"}]}]}]}"#,
                422,
                "Patient.name[0].given",
                "twins",
            ),
        ],
    )
    .await;
    // RFC 8259 section 8.1: a reader may pass over a byte order mark; this one does.
    let served = Served::open("2026-03-02").await;
    assert_eq!(text(&served, "Patient", "\u{feff}{\"resourceType\":\"Patient\"}").await.status, 201);
}

// FHIR R4 datatypes.html#decimal: precision has to be preserved.
#[tokio::test]
async fn h20_decimals_keep_their_text() {
    for digits in [
        "1.00",
        "1.0",
        "1",
        "1e2",
        "1E+2",
        "1.50e-3",
        "-0.0",
        "0.10000000000000000000000000001",
        "12345678901234567890123",
    ] {
        survives("Observation", &format!(r#""valueQuantity":{{"value":{digits}}}"#)).await;
    }
}

// FHIR R4 datatypes.html#integer: 32 bits; positiveInt from 1, unsignedInt from 0; no point, no exponent, no quotes.
#[tokio::test]
async fn h21_integers_have_32_bits() {
    let value = |number: &str| {
        format!(
            r#"{{"resourceType":"Observation","status":"final","code":{{"text":"x"}},"valueInteger":{number}}}"#
        )
    };
    let bad: Vec<String> = ["2147483648", "-2147483649", "1.0", "1e3", "\"3\""].map(value).to_vec();
    let cases: Vec<_> = bad
        .iter()
        .map(|body| {
            (
                body.as_str(),
                422,
                "Observation.value",
                if body.contains("\"3\"") { "json-type" } else { "integer" },
            )
        })
        .collect();
    refused("Observation", &cases).await;
    for number in ["2147483647", "-2147483648", "0"] {
        survives("Observation", &format!(r#""valueInteger":{number}"#)).await;
    }
    let count = r#"{"resourceType":"Observation","status":"final","code":{"text":"x"},"effectiveTiming":{"repeat":{"count":0}}}"#;
    refused("Observation", &[(count, 422, "Observation.effective.repeat.count", "integer")]).await;
}

// FHIR R4 datatypes.html#id.
#[tokio::test]
async fn h22_ids_are_short_and_plain() {
    let served = Served::open("2026-03-02").await;
    let long = "a".repeat(65);
    for id in [long.as_str(), "a_b", "a%20b", "%2e%2e%2fetc", "a%00b"] {
        let request = served.request("PUT", &format!("/fhir/Patient/{id}")).header("content-type", FHIR_JSON);
        let reply = served.send(request.body(r#"{"resourceType":"Patient","id":"a"}"#)).await;
        assert!(matches!(reply.status, 400 | 404), "{id}: {} {}", reply.status, reply.text);
    }
    served.put(&json!({ "resourceType": "Patient", "id": "Ab-1." })).await.done();
    assert_eq!(served.get("/fhir/Patient/ab-1.").await.status, 404);
    assert_eq!(served.get("/fhir/Patient/Ab-1.").await.status, 200);
}

// FHIR R4 datatypes.html#date and #dateTime; the calendar beyond the pattern.
#[tokio::test]
async fn h23_dates_exist() {
    let dated = |date: &str| {
        format!(
            r#"{{"resourceType":"Observation","status":"final","code":{{"text":"x"}},"effectiveDateTime":"{date}"}}"#
        )
    };
    for date in [
        "2026",
        "2026-03",
        "2026-03-02",
        "2024-02-29",
        "2026-03-02T10:00:00Z",
        "2026-03-02T10:00:60+14:00",
        "2026-03-02T10:00:00.123456-11:30",
    ] {
        survives("Observation", &format!(r#""effectiveDateTime":"{date}""#)).await;
    }
    let bad = [
        "0000",
        "26",
        "2026-3",
        "2026-02-30",
        "2025-02-29",
        "2026-13",
        "2026-03-02T10:00",
        "2026-03-02T10:00Z",
        "2026-03-02T10:00:00",
        "2026-03-02T24:00:00Z",
        "2026-03-02T10:00:00+14:01",
        "2026-03-02 10:00:00Z",
        "2026-03-02T10:00:00Z\\n",
    ]
    .map(dated);
    let served = Served::open("2026-03-02").await;
    for body in bad {
        let reply = text(&served, "Observation", body.clone()).await;
        assert_eq!(reply.status, 422, "{body}: {}", reply.text);
        assert_eq!(places(&reply)[0].0, "Observation.effective", "{body}");
    }
}

// FHIR R4 datatypes.html#instant: to the second at least, with a zone.
#[tokio::test]
async fn h24_instants_are_whole_and_keep_their_fraction() {
    for issued in ["2026-03-02T10:00:00Z", "2026-03-02T10:00:00.1234567+01:00"] {
        survives("Observation", &format!(r#""issued":"{issued}""#)).await;
    }
    for issued in ["2026-03-02", "2026-03-02T10:00Z", "2026-03-02T10:00:00"] {
        let body = format!(
            r#"{{"resourceType":"Observation","status":"final","code":{{"text":"x"}},"issued":"{issued}"}}"#
        );
        refused("Observation", &[(&body, 422, "Observation.issued", "form")]).await;
    }
}

// FHIR R4 datatypes.html#code, #uuid, #oid, #base64Binary.
#[tokio::test]
async fn h25_other_primitives_have_their_form() {
    let with = |value: &str| format!(r#"{{"resourceType":"Patient","extension":[{{"url":"a:b",{value}}}]}}"#);
    let at = "Patient.extension[0].value";
    let bad = [
        (with(r#""valueCode":" a""#), "form"),
        (with(r#""valueCode":"a  b""#), "form"),
        (with(r#""valueCode":"a\nb""#), "form"),
        (with(r#""valueUuid":"urn:uuid:C757873D-EC9A-4326-A141-556F43239520""#), "form"),
        (with(r#""valueOid":"urn:oid:3.1""#), "form"),
        (with(r#""valueUri":"a b""#), "form"),
        (with(r#""valueBase64Binary":"SGVsbG8""#), "base64"),
    ];
    let cases: Vec<_> = bad.iter().map(|(body, key)| (body.as_str(), 422, at, *key)).collect();
    refused("Patient", &cases).await;
    let served = Served::open("2026-03-02").await;
    // A megabyte of base64 is decided at once, whatever the pattern: it is not matched by one that backtracks.
    let long = with(&format!(r#""valueBase64Binary":"{}*""#, "SGVs".repeat(250_000)));
    assert_eq!(text(&served, "Patient", long).await.status, 422);
    for good in [
        r#""valueCode":"a b""#,
        r#""valueUuid":"urn:uuid:c757873d-ec9a-4326-a141-556f43239520""#,
        r#""valueBase64Binary":"SGVs\nbG8=""#,
    ] {
        assert_eq!(text(&served, "Patient", with(good)).await.status, 201, "{good}");
    }
}

// RFC 8259 section 8; FHIR R4 datatypes.html#string: no control characters but tab and line ends.
#[tokio::test]
async fn h26_text_is_unicode_without_control_characters() {
    let named = |name: &str| format!(r#"{{"resourceType":"Patient","name":[{{"text":"{name}"}}]}}"#);
    let served = Served::open("2026-03-02").await;
    for name in ["a\\ud800b", "a\\udc00", "a\\u0000b", "a\\u0007b", "a\\u001bb", "a\u{0}b"] {
        let reply = text(&served, "Patient", named(name)).await;
        assert_eq!(reply.status, 400, "{name}: {}", reply.text);
    }
    let reply =
        text(&served, "Patient", b"{\"resourceType\":\"Patient\",\"name\":[{\"text\":\"a\xff\"}]}".to_vec())
            .await;
    assert_eq!(reply.status, 400, "{}", reply.text);
    // Composed and decomposed stay what they are; nothing is normalised.
    for name in ["\u{e9}", "e\u{301}", "\u{1f9b4}", "a\\tb"] {
        survives("Patient", &format!(r#""name":[{{"text":"{name}"}}]"#)).await;
    }
    // What turns the direction of text does not get into a narrative of ours (Unicode UAX 9).
    served.put(&patient("p", "1970-01-01")).await.done();
    served.put(&injury("c", "p", "2026-02-23")).await.done();
    let mut repair = crate::clinic::repair("r", "p", "c", "direct-coaptation", "median", "2026-03-02", &[]);
    repair["bodySite"] = json!([{ "text": "nerve \u{202e}name" }]);
    let structure = json!({ "url": "structure", "valueCodeableConcept": { "text": "muscle \u{2066}name" } });
    let length = json!({ "url": "path-length", "valueQuantity": crate::clinic::mm(80.0) });
    repair["extension"] =
        json!([{ "url": format!("{EP}/StructureDefinition/target"), "extension": [structure, length] }]);
    served.put(&repair).await.done();
    let plans = served.all("CarePlan").await;
    let div = plans[0]["text"]["div"].as_str().unwrap();
    assert!(div.contains("muscle name") && !div.contains(['\u{202e}', '\u{2066}']), "{div}");
}

// FHIR R4 narrative.html and security.html#narrative: no active content; it is refused, not silently changed.
#[tokio::test]
async fn h27_narrative_that_could_run_is_refused() {
    let served = Served::open("2026-03-02").await;
    let told =
        |div: &str| json!({ "resourceType": "Patient", "text": { "status": "generated", "div": div } });
    let root = |inner: &str| format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{inner}</div>");
    for inner in [
        "<script>x</script>",
        "<style>x</style>",
        "<iframe>x</iframe>",
        "<form>x</form>",
        "<object>x</object>",
        "<p onclick=\"x\">y</p>",
        "<a href=\"javascript:x\">y</a>",
        "<a href=\"data:text/html,x\">y</a>",
        "<img src=\"data:text/html,x\" alt=\"y\"/>z",
        "<p>&x;</p><p",
        "<embed/>x",
    ] {
        let reply = served.post("/fhir/Patient", &told(&root(inner))).await;
        assert_eq!(
            (reply.status, places(&reply)),
            (422, vec![("Patient.text.div".into(), "txt-1".into())]),
            "{inner}"
        );
    }
    for whole in [
        "<div>x</div>",
        "<p xmlns=\"http://www.w3.org/1999/xhtml\">x</p>",
        "<!DOCTYPE div [<!ENTITY x \"y\">]><div xmlns=\"http://www.w3.org/1999/xhtml\">&x;</div>",
    ] {
        let reply = served.post("/fhir/Patient", &told(whole)).await;
        assert_eq!(reply.status, 422, "{whole}: {}", reply.text);
    }
    assert_eq!(served.all("Patient").await, Vec::<Json>::new());
    for inner in [
        "<p>1 &lt; 2</p>",
        "<img src=\"data:image/png;base64,AAAA\" alt=\"x\"/>",
        "<a href=\"https://x.example\">x</a>",
    ] {
        served.post("/fhir/Patient", &told(&root(inner))).await.done();
    }
}

// FHIR R4 security.html: an answer must not be taken for a page.
#[tokio::test]
async fn h28_answers_are_json_and_not_sniffed() {
    let served = Served::open("2026-03-02").await;
    served.put(&patient("p", "1970-01-01")).await.done();
    for path in [
        "/fhir/Patient/p",
        "/fhir/Patient",
        "/fhir/metadata",
        "/fhir/Nothing",
        "/fhir/Patient/none",
        "/nowhere",
    ] {
        let reply = served.send(served.request("GET", path).header("accept", "text/html, */*")).await;
        let kind = reply.header("content-type");
        assert!(kind.starts_with("application/fhir+json"), "{path}: {kind}");
        assert_eq!(reply.header("x-content-type-options"), "nosniff", "{path}");
    }
}
