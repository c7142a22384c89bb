//! Subscriptions by search: R4 subscription.html.

use super::{DAY, noted, repaired};
use crate::clinic::{subscription, text, with};
use crate::hook::Hook;
use crate::served::Served;
use reqwest::Method;
use serde_json::json;

async fn told(criteria: &str, payload: bool) -> (Served, Hook) {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    served.put(&subscription("s", criteria, &hook.endpoint, payload)).await.done();
    repaired(&served).await;
    served.deliver().await;
    (served, hook)
}

// R4 subscription.html: the criteria are a search without a slash before; nothing is told of what no longer meets them, nor of
// deletions.
#[tokio::test]
async fn e28_criteria_are_held_against_the_new_version() {
    let (served, hook) = told("Task?status=requested", true).await;
    let taken = hook.taken();
    let tasks = served.all("Task?status=requested").await;
    assert_eq!(taken.len(), tasks.len());
    assert!(taken.iter().all(|one| one.json()["status"] == "requested"));
    let mut task = with(&tasks[0], "status", json!("on-hold"));
    task["statusReason"] = json!({ "text": "away" });
    served.put(&task).await.done();
    served.deliver().await;
    assert_eq!(hook.taken().len(), 0, "it left the criteria");
    // A resource that nothing rests on can be deleted.
    served.put(&subscription("t", "Organization", &hook.endpoint, true)).await.done();
    served.put(&json!({ "resourceType": "Organization", "id": "unit", "name": "Hand unit" })).await.done();
    assert_eq!(served.send(served.request("DELETE", "/fhir/Organization/unit")).await.status, 204);
    served.deliver().await;
    let taken = hook.taken();
    assert_eq!((taken.len(), taken[0].method.clone()), (1, Method::PUT), "of its making, not of its end");
    assert_eq!(
        served.put(&subscription("u", "/Task?status=requested", &hook.endpoint, true)).await.status,
        422
    );
}

#[tokio::test]
async fn e29_without_a_payload_a_post_has_no_body() {
    let (served, hook) = told("Task", false).await;
    let taken = hook.taken();
    assert_eq!(taken.len(), served.all("Task").await.len());
    assert!(taken.iter().all(|one| one.method == Method::POST && one.path == "/hook" && one.body.is_empty()));
}

#[tokio::test]
async fn e30_with_a_payload_the_resource_is_put_at_its_address() {
    let (_served, hook) = told("Task", true).await;
    let taken = hook.taken();
    assert!(!taken.is_empty());
    for one in taken {
        let task = one.json();
        assert_eq!(
            (one.method.clone(), one.path.as_str()),
            (Method::PUT, format!("/hook/Task/{}", text(&task, "/id")).as_str())
        );
        assert_eq!(one.header("content-type"), "application/fhir+json");
    }
}

// A receiver that writes back what it was told ends nowhere: the same content makes no version, and so no event.
#[tokio::test]
async fn e32_what_is_written_back_tells_nobody_anything() {
    let (served, hook) = told("Task", true).await;
    let versions = served.get("/fhir/_history").await.json()["total"].clone();
    for one in hook.taken() {
        served.put(&one.json()).await.done();
    }
    served.deliver().await;
    assert_eq!((hook.taken().len(), &served.get("/fhir/_history").await.json()["total"]), (0, &versions));
    noted(&served, "the check can fail").await;
    served.deliver().await;
    assert!(!hook.taken().is_empty());
}
