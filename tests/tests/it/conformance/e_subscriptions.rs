//! E. Subscriptions: Subscriptions R5 Backport 1.1.0 on R4 (fixtures/subscriptions), and R4 subscription.html. Every receiver is an
//! HTTP server on this machine.

mod asked;
mod plain;
mod secrets;
mod states;
mod told;

use crate::clinic::{EP, interosseous_graft, text};
use crate::hook::{Hook, parameters};
use crate::served::Served;
use endplate_fhir::Json;
use endplate_followup::outbox::RETRY_AFTER_S;
use serde_json::json;

const BACKPORT: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";
const DAY: &str = "2026-03-03";

/// A file of the Backport.
pub fn fixture(name: &str) -> Json {
    let path = format!("{}/../fixtures/subscriptions/{name}.json", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn extension(name: &str, value: &str, of: Json) -> Json {
    json!({ "url": format!("{BACKPORT}/backport-{name}"), value: of })
}

/// A Subscription to a topic whose receiver listens at `endpoint`.
fn topic(id: &str, name: &str, endpoint: &str, content: &str) -> Json {
    json!({
        "resourceType": "Subscription", "id": id, "status": "requested", "reason": "tests",
        "criteria": format!("{EP}/SubscriptionTopic/{name}"),
        "channel": {
            "type": "rest-hook", "endpoint": endpoint, "payload": "application/fhir+json",
            "_payload": { "extension": [extension("payload-content", "valueCode", json!(content))] },
        },
    })
}

/// Narrowed by filters, all of which are met.
fn narrowed(mut subscription: Json, filters: &[&str]) -> Json {
    let all: Vec<Json> =
        filters.iter().map(|filter| extension("filter-criteria", "valueString", json!(filter))).collect();
    if !all.is_empty() {
        subscription["_criteria"] = json!({ "extension": all });
    }
    subscription
}

/// With a further extension on the channel.
fn with_channel(mut subscription: Json, name: &str, value: &str, of: Json) -> Json {
    if subscription["channel"].get("extension").is_none() {
        subscription["channel"]["extension"] = json!([]);
    }
    subscription["channel"]["extension"].as_array_mut().unwrap().push(extension(name, value, of));
    subscription
}

/// A clinic with a Subscription to a topic that is active, and nobody followed yet.
async fn subscribed(subscription: impl FnOnce(&str) -> Json) -> (Served, Hook) {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    served.put(&subscription(&hook.endpoint)).await.done();
    served.deliver().await;
    let taken = hook.taken();
    assert_eq!((taken.len(), taken[0].kind().as_str()), (1, "handshake"));
    (served, hook)
}

/// One repair, and the plan that follows from it.
async fn repaired(served: &Served) {
    for resource in interosseous_graft() {
        served.put(&resource).await.done();
    }
}

/// A note of the desk on the Tasks of the repair, one version each.
async fn noted(served: &Served, note: &str) {
    for mut task in served.all("Task?patient=p1").await {
        task["note"] = json!([{ "text": note }]);
        served.put(&task).await.done();
    }
}

/// The longest wait after so many failures beside the first one: up to a fifth is added to what is scheduled.
fn longest_wait_s(failures: usize) -> i64 {
    RETRY_AFTER_S[failures.min(RETRY_AFTER_S.len() - 1)] * 6 / 5
}

async fn status_of(served: &Served, id: &str) -> String {
    let reply = served.get(&format!("/fhir/Subscription/{id}")).await;
    text(&reply.json(), "/status").to_owned()
}

/// What `$status` says of one Subscription.
async fn asked_status(served: &Served, id: &str) -> Json {
    let reply = served.get(&format!("/fhir/Subscription/{id}/$status")).await;
    assert_eq!(reply.status, 200, "{}", reply.text);
    reply.json()["entry"][0]["resource"].clone()
}

fn raised(status: &Json) -> u64 {
    parameters(status, "events-since-subscription-start")[0].as_str().unwrap().parse().unwrap()
}
