//! What a Subscription holds that nobody may read again.

use super::{DAY, repaired, topic};
use crate::clinic::{subscription, text};
use crate::hook::Hook;
use crate::served::{FHIR_JSON, Served};
use endplate_fhir::Json;
use serde_json::json;

const SECRET: &str = "s3cret-7f3a";

// Backport, safety and security: a Subscription is no place to store secrets. Header values go to the endpoint and nowhere else.
#[tokio::test]
async fn e26_header_values_are_never_shown() {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    let mut asked = topic("s", "reviews", &hook.endpoint, "id-only");
    asked["channel"]["header"] = json!([format!("Authorization: Bearer {SECRET}"), "X-Unit: hand"]);
    let created = served.put(&asked).await.done();
    // Somebody who wants to be told of Subscriptions.
    served.put(&subscription("nosy", "Subscription", &hook.endpoint, true)).await.done();
    served.deliver().await;
    let again = json!({ "resourceType": "Bundle", "type": "batch", "entry": [
        { "request": { "method": "GET", "url": "Subscription/s" } },
        { "request": { "method": "GET", "url": "Subscription?_id=s" } },
    ] });
    let mut shown = vec![created, served.post("/fhir", &again).await.text];
    for path in [
        "Subscription/s",
        "Subscription/s?_elements=channel",
        "Subscription/s/_history/1",
        "Subscription/s/_history",
        "Subscription/_history",
        "_history",
        "Subscription",
        "?_type=Subscription",
        "Subscription/s/$status",
        "Subscription/s/$events",
    ] {
        let reply = served.get(&format!("/fhir/{path}")).await;
        assert_eq!(reply.status, 200, "{path}");
        shown.push(reply.text);
    }
    for text in &shown {
        assert!(!text.contains(SECRET), "{text}");
    }
    assert!(shown[2].contains("Authorization: ***") && shown[2].contains("X-Unit: ***"), "{}", shown[2]);
    let taken = hook.taken();
    let told: Vec<_> = taken.iter().filter(|one| one.path.ends_with("/Subscription/s")).collect();
    assert!(!told.is_empty() && taken.iter().all(|one| !one.body.contains(SECRET)));
    let handshake = taken.iter().find(|one| one.path == "/hook").unwrap();
    assert_eq!(handshake.header("authorization"), format!("Bearer {SECRET}"));

    // Sent back as it is shown, the value stays; a patch cannot carry it to where it is shown.
    let mut read: Json = served.get("/fhir/Subscription/s").await.json();
    read["reason"] = json!("tests, continued");
    served.put(&read).await.done();
    let patch = |patch: Json| {
        let request = served.request("PATCH", "/fhir/Subscription/s");
        served.send(request.header("content-type", "application/json-patch+json").body(patch.to_string()))
    };
    let copied =
        patch(json!([{ "op": "copy", "from": "/channel/header/0", "path": "/reason" }])).await.done();
    assert!(!copied.contains(SECRET) && copied.contains("\"reason\":\"Authorization: ***\""), "{copied}");
    let guessed = json!([{ "op": "test", "path": "/channel/header/0", "value": format!("Authorization: Bearer {SECRET}") }]);
    assert_eq!(patch(guessed).await.status, 422);
    assert_eq!(super::status_of(&served, "s").await, "active");
    repaired(&served).await;
    served.deliver().await;
    let told = hook.taken();
    let told: Vec<_> = told.iter().filter(|one| one.path == "/hook").collect();
    assert!(!told.is_empty());
    assert!(told.iter().all(|one| one.header("authorization") == format!("Bearer {SECRET}")));

    // There is no value behind a mask that was never sent.
    let mut unknown = topic("u", "reviews", &hook.endpoint, "id-only");
    unknown["channel"]["header"] = json!(["Authorization: ***"]);
    let reply = served
        .send(
            served
                .request("POST", "/fhir/Subscription")
                .header("content-type", FHIR_JSON)
                .body(unknown.to_string()),
        )
        .await;
    assert_eq!(
        (reply.status, text(&reply.json(), "/issue/0/expression/0")),
        (422, "Subscription.channel.header[0]")
    );
}
