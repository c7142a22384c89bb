//! Batches and transactions: FHIR R4 http.html#transaction, #brules, #trules, #transaction-response; bundle.html.

use super::{DAY, UNITS, ask, assert_refused, stored, unit, unit_as, versions};
use crate::clinic::{text, with};
use crate::served::{Reply, Served};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use endplate_fhir::Json;
use serde_json::json;

fn bundle(kind: &str, entries: &[Json]) -> Json {
    json!({ "resourceType": "Bundle", "type": kind, "entry": entries })
}

fn entry(method: &str, url: &str, resource: Option<Json>) -> Json {
    let mut entry = json!({ "request": { "method": method, "url": url } });
    if let Some(resource) = resource {
        entry["resource"] = resource;
    }
    entry
}

fn labelled(label: &str, entry: &Json) -> Json {
    with(entry, "fullUrl", json!(format!("urn:uuid:{label}")))
}

const A: &str = "11111111-1111-4111-8111-111111111111";
const B: &str = "22222222-2222-4222-8222-222222222222";

async fn send(served: &Served, kind: &str, entries: &[Json]) -> Reply {
    served.post("/fhir", &bundle(kind, entries)).await
}

fn statuses(reply: &Reply) -> Vec<String> {
    assert_eq!(reply.status, 200, "{}", reply.text);
    let reply = reply.json();
    assert_eq!(endplate_fhir::validate::resource(&reply), []);
    let entries = reply["entry"].as_array().unwrap();
    entries.iter().map(|entry| text(entry, "/response/status")[..3].to_owned()).collect()
}

// http.html#brules.
#[tokio::test]
async fn a62_entries_of_a_batch_stand_for_themselves() {
    let served = Served::open(DAY).await;
    stored(&served, "old", "Old unit").await;
    let other = with(&unit("Part"), "partOf", json!({ "reference": format!("urn:uuid:{A}") }));
    let reply = send(
        &served,
        "batch",
        &[
            labelled(A, &entry("POST", "Organization", Some(unit("Hand unit")))),
            entry("POST", "Organization", Some(other)),
            entry("PUT", "Organization/n", Some(unit_as("n", "Nerve unit"))),
            entry("GET", "Organization/none", None),
            entry("GET", "Organization?name=old", None),
            entry("GET", "Organization/old/_history/1", None),
            entry("DELETE", "Organization/old", None),
            entry("GET", "Organization/old", None),
            entry("GET", "Medication/1", None),
            entry("PUT", "Organization/n", Some(with(&unit_as("n", "x"), "colour", json!(1)))),
        ],
    )
    .await;
    let expected = ["201", "400", "201", "404", "200", "200", "204", "410", "400", "422"];
    assert_eq!(statuses(&reply), expected, "{}", reply.text);
    let reply = reply.json();
    assert_eq!(reply["type"], "batch-response");
    assert_eq!(reply["entry"][4]["resource"]["total"], 1);
    let places = |at: usize| reply["entry"][at]["response"]["outcome"]["issue"][0]["expression"][0].clone();
    assert_eq!(places(1), "Bundle.entry[1].resource.partOf.reference");
    assert!(places(9).as_str().unwrap().starts_with("Bundle.entry[9].resource"));
    // Though every entry fails, the batch itself is done.
    assert_eq!(statuses(&send(&served, "batch", &[entry("GET", "Organization/none", None)]).await), ["404"]);
}

// http.html#trules.
#[tokio::test]
async fn a63_one_refused_entry_undoes_all() {
    let served = Served::open(DAY).await;
    stored(&served, "old", "Old unit").await;
    let before = served.get("/fhir/_history").await.text;
    let good = || {
        vec![
            entry("POST", "Organization", Some(unit("Hand unit"))),
            entry("DELETE", "Organization/old", None),
        ]
    };
    let broken = [
        entry("PUT", "Organization/n", Some(with(&unit_as("n", "x"), "active", json!("yes")))),
        entry(
            "PUT",
            "Organization/n",
            Some(with(&unit_as("n", "x"), "partOf", json!({ "reference": "Organization/old" }))),
        ),
        entry("GET", "Organization/none", None),
        entry("PATCH", "Organization/none", Some(json!({ "resourceType": "Parameters" }))),
        entry("DELETE", "Provenance/x", None),
        json!({ "request": { "method": "PUT", "url": "Organization/n", "ifMatch": "W/\"7\"" }, "resource": unit_as("n", "x") }),
    ];
    for one in broken {
        let mut entries = good();
        entries.insert(1, one.clone());
        let reply = send(&served, "transaction", &entries).await;
        assert!((400..500).contains(&reply.status), "{one}: {}", reply.text);
        let outcome = reply.json();
        assert_eq!(outcome["resourceType"], "OperationOutcome");
        assert!(text(&outcome, "/issue/0/expression/0").starts_with("Bundle.entry[1]."), "{outcome}");
        assert_eq!(served.get("/fhir/_history").await.text, before, "{one}");
    }
}

// http.html#trules: DELETE, POST, PUT and PATCH, GET, whatever the order of the entries.
#[tokio::test]
async fn a64_the_order_of_entries_does_not_matter() {
    let patch = json!({ "resourceType": "Binary", "contentType": "application/json-patch+json",
        "data": STANDARD.encode(r#"[{"op":"add","path":"/active","value":true}]"#) });
    let entries = [
        entry("GET", "Organization/put", None),
        entry("PATCH", "Organization/patched", Some(patch)),
        entry(
            "PUT",
            "Organization/put",
            Some(with(
                &unit_as("put", "Put unit"),
                "partOf",
                json!({ "reference": format!("urn:uuid:{A}") }),
            )),
        ),
        labelled(A, &entry("POST", "Organization", Some(unit("Old unit")))),
        labelled(B, &entry("POST", "Organization", Some(with(&unit("Old unit"), "active", json!(true))))),
        entry("DELETE", "Organization?name=old", None),
    ];
    let mut results = Vec::new();
    for shift in 0..entries.len() {
        let mut order: Vec<usize> = (0..entries.len()).collect();
        order.rotate_left(shift);
        if shift % 2 == 1 {
            order.reverse();
        }
        let served = Served::open(DAY).await;
        stored(&served, "old", "Old unit").await;
        stored(&served, "patched", "Patched unit").await;
        let permuted: Vec<Json> = order.iter().map(|at| entries[*at].clone()).collect();
        let reply = send(&served, "transaction", &permuted).await;
        let found = statuses(&reply);
        let mut by_entry = vec![String::new(); entries.len()];
        order.iter().zip(found).for_each(|(at, status)| by_entry[*at] = status);
        assert_eq!(by_entry, ["200", "200", "201", "201", "201", "204"], "{order:?}");
        let mut all = served.all("Organization").await;
        all.sort_by_key(|one| text(one, "/id").to_owned());
        results.push(all);
    }
    assert_eq!(results[0].len(), 4);
    assert!(results.iter().all(|one| *one == results[0]));
}

// http.html#trules: identities that overlap, also where conditions led there, fail the whole.
#[tokio::test]
async fn a65_two_writes_of_one_resource_are_refused() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    let put = || entry("PUT", "Organization/u", Some(unit_as("u", "Nerve unit")));
    let conditional = || entry("PUT", "Organization?name=hand", Some(unit("Nerve unit")));
    for entries in [
        [put(), put()],
        [put(), conditional()],
        [entry("DELETE", "Organization/u", None), put()],
        [entry("DELETE", "Organization?name=hand", None), put()],
        [
            entry("POST", "Organization", Some(unit("Third unit"))),
            entry("PUT", "Organization?name=third", Some(unit("Third unit"))),
        ],
    ] {
        let reply = send(&served, "transaction", &entries).await;
        assert_refused(&reply, 422, "duplicate");
        assert!(reply.text.contains("Entries 0 and 1"), "{}", reply.text);
    }
}

// R4 is silent: two creates with one condition are refused rather than made twice.
#[tokio::test]
async fn a66_one_condition_twice_is_refused() {
    let served = Served::open(DAY).await;
    let mut one = entry("POST", "Organization", Some(unit("Hand unit")));
    one["request"]["ifNoneExist"] = json!("name=hand");
    let reply = send(&served, "transaction", &[one.clone(), one]).await;
    assert_refused(&reply, 422, "duplicate");
    assert_eq!(versions(&served).await, 0);
}

// http.html#trules: references, uri, url, oid and uuid elements and links of narrative; canonical is not touched.
#[tokio::test]
async fn a67_names_of_entries_become_addresses() {
    let served = Served::open(DAY).await;
    let urn = format!("urn:uuid:{A}");
    let div = format!(
        "<div xmlns=\"http://www.w3.org/1999/xhtml\"><a href=\"{urn}\">a</a><a href=\"{urn}#top\">b</a><p>{urn}</p></div>"
    );
    let mut part = unit_as("part", "Part");
    part["text"] = json!({ "status": "additional", "div": div });
    part["meta"] = json!({ "profile": [urn] });
    part["identifier"][0]["system"] = json!(urn);
    part["identifier"][0]["value"] = json!(urn);
    part["partOf"] = json!({ "reference": urn });
    part["extension"] = json!([
        { "url": "https://records.example/a", "valueUrl": urn },
        { "url": "https://records.example/b", "valueUuid": urn },
        { "url": "https://records.example/c", "valueCanonical": urn },
        { "url": "https://records.example/d", "valueReference": { "reference": format!("{urn}#x") } },
        { "url": "https://records.example/e", "valueString": urn },
    ]);
    let entries = [
        entry("PUT", "Organization/part", Some(part)),
        labelled(A, &entry("POST", "Organization", Some(unit("Whole")))),
    ];
    let reply = send(&served, "transaction", &entries).await;
    assert_eq!(statuses(&reply), ["201", "201"]);
    let whole =
        text(&reply.json(), "/entry/1/response/location").split("/_history").next().unwrap().to_owned();
    let part = served.get("/fhir/Organization/part").await.json();
    for (pointer, expected) in [
        ("/partOf/reference", whole.clone()),
        ("/identifier/0/system", whole.clone()),
        ("/identifier/0/value", urn.clone()),
        ("/extension/0/valueUrl", whole.clone()),
        ("/extension/1/valueUuid", whole.clone()),
        ("/extension/2/valueCanonical", urn.clone()),
        ("/extension/3/valueReference/reference", format!("{whole}#x")),
        ("/extension/4/valueString", urn.clone()),
        ("/meta/profile/0", urn.clone()),
    ] {
        assert_eq!(text(&part, pointer), expected, "{pointer}");
    }
    let div = text(&part, "/text/div");
    assert!(
        div.contains(&format!("href=\"{whole}\"")) && div.contains(&format!("href=\"{whole}#top\"")),
        "{div}"
    );
    assert!(div.contains(&format!("<p>{urn}</p>")));
}

// http.html#trules.
#[tokio::test]
async fn a68_references_in_a_circle_resolve() {
    let served = Served::open(DAY).await;
    let part_of = |name: &str, label: &str| {
        with(&unit(name), "partOf", json!({ "reference": format!("urn:uuid:{label}") }))
    };
    let entries = [
        labelled(A, &entry("POST", "Organization", Some(part_of("Unit A", B)))),
        labelled(B, &entry("POST", "Organization", Some(part_of("Unit B", A)))),
    ];
    assert_eq!(statuses(&send(&served, "transaction", &entries).await), ["201", "201"]);
    let all = served.all("Organization").await;
    for (one, other) in [(&all[0], &all[1]), (&all[1], &all[0])] {
        assert_eq!(text(one, "/partOf/reference"), format!("Organization/{}", text(other, "/id")));
    }
}

// http.html#trules; Bundle invariant bdl-8.
#[tokio::test]
async fn a69_a_full_url_is_a_label() {
    let served = Served::open(DAY).await;
    let far = "https://elsewhere.example/fhir/Organization/u";
    let put = with(&entry("PUT", "Organization/u", Some(unit_as("u", "Hand unit"))), "fullUrl", json!(far));
    let part = with(&unit("Part"), "partOf", json!({ "reference": far }));
    let reply = send(&served, "transaction", &[put.clone(), entry("POST", "Organization", Some(part))]).await;
    assert_eq!(statuses(&reply), ["201", "201"]);
    assert_eq!(served.all("Organization?partof=Organization/u").await.len(), 1);
    let versioned = with(&put, "fullUrl", json!(format!("{far}/_history/1")));
    assert_refused(&send(&served, "transaction", &[versioned]).await, 400, "invariant");
}

fn about(condition: &str) -> Json {
    with(&unit("Part"), "partOf", json!({ "reference": condition }))
}

// http.html#trules: conditional references.
#[tokio::test]
async fn a70_a_conditional_reference_leads_to_the_one() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    stored(&served, "a", "Nerve unit A").await;
    stored(&served, "b", "Nerve unit B").await;
    let condition = format!("Organization?identifier={UNITS}|Hand unit");
    let reply = send(&served, "transaction", &[entry("POST", "Organization", Some(about(&condition)))]).await;
    assert_eq!(statuses(&reply), ["201"]);
    assert_eq!(served.all("Organization?partof=Organization/u").await.len(), 1);
    for wrong in ["Organization?name=nobody", "Organization?name=nerve"] {
        let reply = send(&served, "transaction", &[entry("POST", "Organization", Some(about(wrong)))]).await;
        assert_eq!(reply.status, 422, "{}", reply.text);
        assert_eq!(text(&reply.json(), "/issue/0/expression/0"), "Bundle.entry[0].resource.partOf.reference");
    }
    assert_refused(&served.post("/fhir/Organization", &about(&condition)).await, 400, "invalid");
}

// http.html#trules resolves conditional references after the writes.
#[tokio::test]
async fn a71_a_conditional_reference_finds_what_comes_with_it() {
    let served = Served::open(DAY).await;
    let entries = [
        entry("POST", "Organization", Some(about("Organization?name=whole"))),
        entry("POST", "Organization", Some(unit("Whole"))),
    ];
    assert_eq!(statuses(&send(&served, "transaction", &entries).await), ["201", "201"]);
    let whole = served.all("Organization?name=whole").await[0].clone();
    let part = served.all("Organization?name=part").await[0].clone();
    assert_eq!(text(&part, "/partOf/reference"), format!("Organization/{}", text(&whole, "/id")));
}

// http.html#transaction-response and #ops.
#[tokio::test]
async fn a72_each_entry_is_answered_in_its_place() {
    let entries = [
        entry("GET", "Organization/u", None),
        entry("POST", "Organization", Some(unit("Hand unit"))),
        entry("PUT", "Organization/u", Some(unit_as("u", "Nerve unit"))),
    ];
    for (prefer, resources, outcomes) in
        [("return=minimal", 0, 0), ("return=representation", 2, 0), ("return=OperationOutcome", 0, 2)]
    {
        let served = Served::open(DAY).await;
        let reply =
            ask(&served, "POST", "/fhir", &[("prefer", prefer)], &bundle("transaction", &entries)).await;
        assert_eq!(statuses(&reply), ["200", "201", "201"]);
        assert_eq!(reply.header("preference-applied"), prefer);
        let reply = reply.json();
        assert_eq!(reply["type"], "transaction-response");
        let entries = reply["entry"].as_array().unwrap();
        assert_eq!(entries[0]["resource"]["name"], "Nerve unit", "a read sees what was written");
        let written = &entries[1..];
        for one in written {
            assert!(text(one, "/response/location").contains("/_history/1"));
            assert!(
                !text(one, "/response/etag").is_empty() && !text(one, "/response/lastModified").is_empty()
            );
        }
        let with = |pointer: &str| written.iter().filter(|one| one.pointer(pointer).is_some()).count();
        assert_eq!((with("/resource"), with("/response/outcome")), (resources, outcomes), "{prefer}");
    }
}

// Bundle.entry.request: its conditions are those of the headers.
#[tokio::test]
async fn a73_conditions_of_an_entry_are_heeded() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    let conditional = |mut entry: Json, name: &str, value: &str| {
        entry["request"][name] = json!(value);
        entry
    };
    let put = || entry("PUT", "Organization/u", Some(unit_as("u", "Nerve unit")));
    let get = || entry("GET", "Organization/u", None);
    let table = [
        (conditional(get(), "ifNoneMatch", "W/\"1\""), "304"),
        (conditional(get(), "ifModifiedSince", "2026-03-09T00:00:00Z"), "304"),
        (conditional(get(), "ifModifiedSince", "2026-01-01T00:00:00Z"), "200"),
        (conditional(put(), "ifMatch", "W/\"7\""), "412"),
        (conditional(put(), "ifNoneMatch", "*"), "412"),
        (conditional(entry("DELETE", "Organization/u", None), "ifMatch", "W/\"7\""), "412"),
        (
            conditional(entry("POST", "Organization", Some(unit("Hand unit"))), "ifNoneExist", "name=hand"),
            "200",
        ),
        (conditional(put(), "ifMatch", "W/\"1\""), "200"),
    ];
    for (one, status) in table {
        let reply = send(&served, "batch", std::slice::from_ref(&one)).await;
        assert_eq!(statuses(&reply), [status], "{one}");
    }
}

// http.html#trules.
#[tokio::test]
async fn a74_nothing_is_done_by_a_transaction_of_nothing() {
    let served = Served::open(DAY).await;
    let reply = served.post("/fhir", &json!({ "resourceType": "Bundle", "type": "transaction" })).await;
    assert_eq!(reply.status, 200);
    assert_eq!(reply.json(), json!({ "resourceType": "Bundle", "type": "transaction-response" }));
}

// Bundle invariant bdl-3.
#[tokio::test]
async fn a75_an_entry_says_what_is_to_be_done() {
    let served = Served::open(DAY).await;
    for (one, place) in [
        (json!({ "resource": unit("Hand unit") }), "request.method"),
        (entry("POST", "Organization", None), "resource"),
        (entry("PUT", "Organization/u", None), "resource"),
        (entry("LOCK", "Organization/u", None), "request.method"),
    ] {
        let reply = send(&served, "transaction", std::slice::from_ref(&one)).await;
        assert_eq!(reply.status, 400, "{one}: {}", reply.text);
        assert!(reply.text.contains(&format!("Bundle.entry[0].{place}")), "{}", reply.text);
    }
}

// http.html#other-bundles.
#[tokio::test]
async fn a76_other_bundles_are_not_taken() {
    let served = Served::open(DAY).await;
    for kind in ["history", "collection", "document", "message", "searchset"] {
        let reply = served.post("/fhir", &json!({ "resourceType": "Bundle", "type": kind })).await;
        assert_refused(&reply, 422, "not-supported");
        assert!(reply.text.contains("transaction or batch"));
    }
    assert_eq!(send(&served, "parcel", &[]).await.status, 400);
}

// RFC 9110 section 15.5.14; the limit is stated.
#[tokio::test]
async fn a77_a_bundle_beyond_the_limit_is_413() {
    let served = Served::open(DAY).await;
    let limit = endplate_followup::write::ENTRIES_MAX;
    let many = vec![entry("GET", "Organization/u", None); limit + 1];
    for kind in ["transaction", "batch"] {
        let reply = send(&served, kind, &many).await;
        assert_refused(&reply, 413, "too-long");
        assert!(reply.text.contains(&limit.to_string()));
    }
    assert!(served.get("/fhir/metadata").await.text.contains(&format!("Bundles of up to {limit} entries")));
}
