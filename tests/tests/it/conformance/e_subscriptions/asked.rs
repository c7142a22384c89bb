//! What can be subscribed to, and what is refused.

use super::{BACKPORT, DAY, extension, fixture, narrowed, repaired, subscribed, topic, with_channel};
use crate::clinic::EP;
use crate::hook::Hook;
use crate::served::Served;
use endplate_fhir::Json;
use serde_json::json;
use std::collections::BTreeSet;

// Backport, CapabilityStatement backport-subscription-server-r4: read, $status, a channel and a content are what a server needs.
#[tokio::test]
async fn e01_the_least_that_a_server_offers() {
    let (served, _hook) = subscribed(|endpoint| topic("s", "plans", endpoint, "id-only")).await;
    assert_eq!(served.get("/fhir/Subscription/s").await.status, 200);
    let found = served.get("/fhir/Subscription/$status").await.json();
    assert_eq!((&found["type"], &found["total"]), (&json!("searchset"), &json!(1)));
    let url = served.all("Subscription?url=").await;
    assert_eq!(url.len(), 1);
}

#[tokio::test]
async fn e02_the_backport_is_declared() {
    let served = Served::open(DAY).await;
    let statement = served.get("/fhir/metadata").await.json();
    let server = fixture("CapabilityStatement-backport-subscription-server-r4");
    assert!(statement["instantiates"].as_array().unwrap().contains(&server["url"]));
    let ours = resource(&statement);
    let theirs = &server["rest"][0]["resource"][0];
    for profile in theirs["supportedProfile"].as_array().unwrap() {
        assert!(ours["supportedProfile"].as_array().unwrap().contains(profile), "{profile}");
    }
    for (list, key) in [("interaction", "code"), ("searchParam", "name")] {
        for asked in theirs[list].as_array().unwrap() {
            assert!(ours[list].as_array().unwrap().iter().any(|one| one[key] == asked[key]), "{asked}");
        }
    }
}

fn resource(statement: &Json) -> Json {
    let all = statement["rest"][0]["resource"].as_array().unwrap();
    all.iter().find(|one| one["type"] == "Subscription").unwrap().clone()
}

// Backport, extension capabilitystatement-subscriptiontopic-canonical: one for each topic; each can be subscribed to.
#[tokio::test]
async fn e03_topics_are_discovered_in_the_statement() {
    let served = Served::open(DAY).await;
    let ours = resource(&served.get("/fhir/metadata").await.json());
    let url = format!("{BACKPORT}/capabilitystatement-subscriptiontopic-canonical");
    let mut topics = BTreeSet::new();
    for one in ours["extension"].as_array().unwrap() {
        assert_eq!(one["url"], url.as_str());
        topics.insert(one["valueCanonical"].as_str().unwrap().to_owned());
    }
    let expected = ["alerts", "plans", "reviews"].map(|name| format!("{EP}/SubscriptionTopic/{name}"));
    assert_eq!(topics, BTreeSet::from(expected));
    for (at, url) in topics.iter().enumerate() {
        let mut subscription = topic(&format!("s{at}"), "", "http://127.0.0.1:9/", "empty");
        subscription["criteria"] = json!(url);
        served.put(&subscription).await.done();
    }
}

/// Whom the service tells of what, by the filters: the types of what arrived.
async fn kinds(name: &str, filters: &[&str]) -> BTreeSet<String> {
    let (served, hook) =
        subscribed(|endpoint| narrowed(topic("s", name, endpoint, "full-resource"), filters)).await;
    repaired(&served).await;
    served.turn_to("2027-02-01").await;
    let bundles = hook.taken();
    let focus = bundles.iter().map(|one| one.json()["entry"][1]["resource"].clone());
    focus.map(|one| one["resourceType"].as_str().unwrap().to_owned()).collect()
}

// Backport, backport-filter-criteria: several are met together; a name, a modifier, a type.
#[tokio::test]
async fn e04_filters_narrow_a_topic() {
    let set = |all: &[&str]| all.iter().map(|one| (*one).to_owned()).collect::<BTreeSet<_>>();
    assert_eq!(kinds("reviews", &[]).await, set(&["ServiceRequest", "Task"]));
    assert_eq!(
        kinds("reviews", &["patient=Patient/p1", "Task?patient=Patient/p2"]).await,
        set(&["ServiceRequest"])
    );
    assert_eq!(kinds("reviews", &["patient=Patient/p2"]).await, set(&[]));
    assert_eq!(kinds("plans", &["Goal.patient=Patient/p2"]).await, set(&["CarePlan", "RiskAssessment"]));
    let alerts = kinds("alerts", &[]).await;
    assert!(alerts.is_superset(&set(&["Communication", "DetectedIssue"])), "{alerts:?}");
    assert_eq!(
        kinds("alerts", &["kind=review-overdue", "DetectedIssue.kind:not=review-overdue"]).await,
        set(&["Communication"])
    );
    assert_eq!(kinds("alerts", &["kind=recovered"]).await, set(&[]));
}

/// Each Subscription with the element that is refused.
fn unknown() -> Vec<(Json, &'static str)> {
    let good = || topic("s", "reviews", "http://127.0.0.1:9/", "id-only");
    let set = |pointer: &str, value: Json| {
        let mut one = good();
        *one.pointer_mut(pointer).unwrap() = value;
        one
    };
    let filtered = |filter: &str| narrowed(good(), &["patient=Patient/p1", filter]);
    let mut pigeon = good();
    pigeon["channel"]["_type"] = json!({ "extension": [extension("channel-type", "valueCoding", json!({ "system": "https://x.example", "code": "pigeon" }))] });
    let second = "Subscription.criteria.extension[1]";
    vec![
        (set("/criteria", json!(format!("{EP}/SubscriptionTopic/weather"))), "Subscription.criteria"),
        (set("/criteria", json!("https://other.example/SubscriptionTopic/reviews")), "Subscription.criteria"),
        (filtered("colour=red"), second),
        (filtered("kind=pain"), second),
        (filtered("ServiceRequest?owner=Practitioner/1"), second),
        (filtered("Flag?patient=Patient/p1"), second),
        (filtered("patient:near=Patient/p1"), second),
        (filtered("patient.name=x"), second),
        (filtered("patient"), second),
        (set("/channel/type", json!("websocket")), "Subscription.channel.type"),
        (pigeon, "Subscription.channel.type.extension[0]"),
        (set("/channel/payload", json!("application/fhir+xml")), "Subscription.channel.payload"),
        (set("/channel/_payload/extension/0/valueCode", json!("everything")), "Subscription.channel.payload"),
    ]
}

#[tokio::test]
async fn e05_what_is_not_known_is_refused_by_its_place() {
    let served = Served::open(DAY).await;
    for (subscription, place) in unknown() {
        let reply = served.put(&subscription).await;
        assert_eq!(
            (reply.status, &reply.json()["issue"][0]["expression"][0]),
            (422, &json!(place)),
            "{}",
            reply.text
        );
        assert_eq!(served.get("/fhir/Subscription/s").await.status, 404);
    }
}

// Backport, profile backport-subscription: payload 1..1 with backport-payload-content 1..1.
#[tokio::test]
async fn e06_a_payload_says_its_format_and_how_much() {
    let served = Served::open(DAY).await;
    for content in ["empty", "id-only", "full-resource"] {
        let asked = topic("s", "reviews", "http://127.0.0.1:9/", content);
        let stored: Json = serde_json::from_str(&served.put(&asked).await.done()).unwrap();
        assert_eq!(stored["channel"]["_payload"], asked["channel"]["_payload"], "not lowered in silence");
    }
    for member in ["payload", "_payload"] {
        let mut asked = topic("t", "reviews", "http://127.0.0.1:9/", "empty");
        asked["channel"].as_object_mut().unwrap().remove(member);
        let reply = served.put(&asked).await;
        assert_eq!(reply.status, 422, "{member}: {}", reply.text);
        assert_eq!(reply.json()["issue"][0]["expression"][0], "Subscription.channel.payload");
    }
}

// Backport, contexts and value types of the extensions.
#[tokio::test]
async fn e07_extensions_stand_on_their_own_elements() {
    let served = Served::open(DAY).await;
    let good = || topic("s", "reviews", "http://127.0.0.1:9/", "id-only");
    let all = with_channel(good(), "heartbeat-period", "valueUnsignedInt", json!(60));
    let all = with_channel(all, "timeout", "valueUnsignedInt", json!(5));
    let all = with_channel(all, "max-count", "valuePositiveInt", json!(20));
    let stored: Json = serde_json::from_str(&served.put(&all).await.done()).unwrap();
    assert_eq!(stored["channel"]["extension"], all["channel"]["extension"]);
    let mut elsewhere = good();
    elsewhere["extension"] = json!([extension("max-count", "valuePositiveInt", json!(2))]);
    let twice = with_channel(all.clone(), "timeout", "valueUnsignedInt", json!(6));
    for (wrong, place) in [
        (elsewhere, "Subscription.extension[0]"),
        (twice, "Subscription.channel.extension[3]"),
        (with_channel(good(), "timeout", "valueString", json!("5")), "Subscription.channel.extension[0]"),
        (with_channel(good(), "timeout", "valueUnsignedInt", json!(0)), "Subscription.channel.extension[0]"),
        (
            with_channel(good(), "heartbeat-period", "valueUnsignedInt", json!(1)),
            "Subscription.channel.extension[0]",
        ),
        (with_channel(good(), "patience", "valueUnsignedInt", json!(1)), "Subscription.channel.extension[0]"),
    ] {
        let reply = served.put(&wrong).await;
        assert_eq!(
            (reply.status, &reply.json()["issue"][0]["expression"][0]),
            (422, &json!(place)),
            "{}",
            reply.text
        );
    }
}

// R4 http.html#version-parameter, and Backport: a server looks for fhirVersion in the format.
#[tokio::test]
async fn e08_the_version_in_the_format_is_heeded() {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    let as_of = |format: &str| {
        let mut one = topic("s", "reviews", &hook.endpoint, "empty");
        one["channel"]["payload"] = json!(format);
        one
    };
    for format in
        ["application/fhir+json; fhirVersion=5.0", "application/fhir+json;fhirVersion=4.3", "text/plain"]
    {
        assert_eq!(served.put(&as_of(format)).await.status, 422, "{format}");
    }
    served.put(&as_of("application/fhir+json; fhirVersion=4.0")).await.done();
    served.deliver().await;
    assert_eq!(hook.taken()[0].header("content-type"), "application/fhir+json; fhirVersion=4.0");
}

// A canonical is a topic, a search is plain R4, anything else is nothing (R4 Subscription.criteria; Backport E04).
#[tokio::test]
async fn e31_the_criteria_say_which_kind_it_is() {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    served.put(&topic("t", "reviews", &hook.endpoint, "empty")).await.done();
    served
        .put(&crate::clinic::subscription("p", "Task?owner=https://x.example/1", &hook.endpoint, true))
        .await
        .done();
    assert_eq!(super::status_of(&served, "t").await, "requested");
    assert_eq!(super::status_of(&served, "p").await, "active");
    for criteria in
        ["urn:oid:1.2.3", "/Task?status=requested", "tasks", "https://x.example/Task?status=requested"]
    {
        let reply = served.put(&crate::clinic::subscription("x", criteria, &hook.endpoint, true)).await;
        assert_eq!(reply.status, 422, "{criteria}: {}", reply.text);
    }
    let mixed = with_channel(
        crate::clinic::subscription("x", "Task", &hook.endpoint, true),
        "max-count",
        "valuePositiveInt",
        json!(2),
    );
    let reply = served.put(&mixed).await;
    assert_eq!(
        (reply.status, &reply.json()["issue"][0]["expression"][0]),
        (422, &json!("Subscription.channel.extension[0]"))
    );
}
