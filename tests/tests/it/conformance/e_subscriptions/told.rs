//! What notifications say, and in which order they come.

use super::{
    DAY, asked_status, fixture, longest_wait_s, noted, raised, repaired, status_of, subscribed, topic,
    with_channel,
};
use crate::clinic::{EP, text};
use crate::emitted::votes;
use crate::hook::{Hook, Request, numbers, parameters};
use crate::served::Served;
use endplate_fhir::Json;
use endplate_fhir::validate;
use endplate_followup::ports::Replay;
use reqwest::Method;
use serde_json::json;
use std::collections::BTreeSet;

/// How Parameters break the profile backport-subscription-status-r4: its slices by name, with their numbers and types.
pub fn breaches(status: &Json) -> Vec<String> {
    let profile = fixture("StructureDefinition-backport-subscription-status-r4");
    let rules = profile["differential"]["element"].as_array().unwrap();
    let rule = |id: &str| rules.iter().find(|rule| rule["id"] == id);
    let mut all = Vec::new();
    if !status["meta"]["profile"].as_array().is_some_and(|claimed| claimed.contains(&profile["url"])) {
        all.push("the profile is not claimed".to_owned());
    }
    for one in rules {
        let id = one["id"].as_str().unwrap();
        let Some(slice) = id.rsplit('.').next().filter(|last| last.contains(':')) else { continue };
        let name = rule(&format!("{id}.name")).unwrap()["fixedString"].as_str().unwrap();
        let holders = if slice.starts_with("part:") {
            parameters(status, "notification-event")
        } else {
            vec![status["parameter"].clone()]
        };
        for holder in holders {
            let found: Vec<&Json> =
                holder.as_array().unwrap().iter().filter(|one| one["name"] == name).collect();
            let max = one["max"].as_str().and_then(|max| max.parse().ok()).unwrap_or(usize::MAX);
            if (found.len() as u64) < one["min"].as_u64().unwrap_or(0) || found.len() > max {
                all.push(format!("{name} is there {} times", found.len()));
            }
            let kind = rule(&format!("{id}.value[x]")).and_then(|value| value["type"][0]["code"].as_str());
            let Some((first, rest)) = kind.map(|kind| kind.split_at(1)) else { continue };
            let member = format!("value{}{rest}", first.to_uppercase());
            all.extend(
                found
                    .iter()
                    .filter(|one| one.get(&member).is_none())
                    .map(|_| format!("{name} is no {member}")),
            );
        }
    }
    // Slicing is open, but nothing else is known to any receiver.
    let known = rules.iter().filter_map(|rule| rule["fixedString"].as_str()).collect::<BTreeSet<_>>();
    let unknown = status["parameter"].as_array().unwrap().iter().filter_map(|one| one["name"].as_str());
    all.extend(unknown.filter(|name| !known.contains(name)).map(|name| format!("{name} is unknown")));
    all
}

/// How a notification breaks the rules for its Bundle: the profile's own invariant, the requests that it wants, and R4.
fn bundle_breaches(bundle: &Json, base: &str) -> Vec<String> {
    let mut all = breaches(&bundle["entry"][0]["resource"]);
    let first = &bundle["entry"][0];
    let subscription =
        parameters(&first["resource"], "subscription")[0]["reference"].as_str().unwrap().to_owned();
    if bundle["type"] != "history" || first["resource"]["resourceType"] != "Parameters" {
        all.push("it is no history that begins with Parameters".to_owned());
    }
    if first["request"] != json!({ "method": "GET", "url": format!("{subscription}/$status") })
        || first["response"]["status"] != "200"
    {
        all.push("its first request is not for $status".to_owned());
    }
    if !subscription.starts_with(base) {
        all.push(format!("{subscription} is elsewhere"));
    }
    all.extend(
        validate::resource(bundle).into_iter().map(|issue| format!("{}: {}", issue.expression, issue.text)),
    );
    all
}

// The check itself, against the Backport's own examples.
#[test]
fn e14_the_published_examples_keep_to_the_profile() {
    for name in ["empty", "error", "full-resource", "handshake", "heartbeat", "id-only", "multi-resource"] {
        let example = fixture(&format!("Bundle-r4-notification-{name}"));
        assert_eq!(bundle_breaches(&example, "https://example.org/fhir"), Vec::<String>::new(), "{name}");
    }
    assert_eq!(breaches(&fixture("Parameters-r4-notification-status")), Vec::<String>::new());
    let mut number = fixture("Bundle-r4-notification-id-only");
    let wrong = json!({ "name": "event-number", "valueInteger": 2 });
    number["entry"][0]["resource"]["parameter"][5]["part"][0] = wrong;
    assert_eq!(bundle_breaches(&number, "https://example.org/fhir").len(), 1);
    number["entry"][0]["resource"]["parameter"].as_array_mut().unwrap().remove(2);
    assert_eq!(bundle_breaches(&number, "https://example.org/fhir").len(), 2);
}

/// Every notification of one repair with `content`, the handshake first.
async fn notifications(name: &str, content: &str) -> (Served, Vec<Request>) {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    served.put(&topic("s", name, &hook.endpoint, content)).await.done();
    served.deliver().await;
    repaired(&served).await;
    served.deliver().await;
    noted(&served, "by telephone").await;
    served.deliver().await;
    let taken = hook.taken();
    assert!(taken.len() >= 5, "{}", taken.len());
    (served, taken)
}

fn base(served: &Served) -> String {
    format!("http://{}/fhir", served.server.local_addr())
}

// Backport, Bundle-r4-notification-handshake.
#[tokio::test]
async fn e11_a_handshake_says_requested_and_counts_nothing() {
    let (served, taken) = notifications("reviews", "id-only").await;
    let (ours, theirs) = (taken[0].json(), fixture("Bundle-r4-notification-handshake"));
    assert_eq!(bundle_breaches(&ours, &base(&served)), Vec::<String>::new());
    let said = |bundle: &Json| {
        let status = &bundle["entry"][0]["resource"];
        let names = ["status", "type", "events-since-subscription-start"];
        (bundle["entry"].as_array().unwrap().len(), names.map(|name| parameters(status, name)))
    };
    assert_eq!(said(&ours), said(&theirs));
}

// Backport, profile backport-subscription-notification-r4; R4 bdl-3 and bdl-4 of histories. Two libraries from PyPI agree.
#[tokio::test]
async fn e13_notifications_are_histories_that_begin_with_the_status() {
    let mut all = Vec::new();
    for (name, content) in [("reviews", "full-resource"), ("plans", "id-only"), ("reviews", "empty")] {
        let (served, taken) = notifications(name, content).await;
        for one in &taken {
            assert_eq!(bundle_breaches(&one.json(), &base(&served)), Vec::<String>::new());
        }
        all.extend(taken.iter().map(Request::json));
        all.push(served.get("/fhir/Subscription/s/$events").await.json());
        assert_eq!(bundle_breaches(all.last().unwrap(), &base(&served)), Vec::<String>::new());
    }
    let votes = votes(&all);
    assert!(votes[0].ends_with(", 0 rejected"), "{}", votes.join("\n"));
}

// Backport, payloads: no reference, no other entry, no topic.
#[tokio::test]
async fn e15_empty_says_that_something_happened() {
    let (_served, taken) = notifications("reviews", "empty").await;
    for one in &taken[1..] {
        assert_eq!(one.json()["entry"].as_array().unwrap().len(), 1);
        assert_eq!((one.status("topic"), one.numbers().len()), (vec![], 1));
        for name in ["Task", "ServiceRequest", "Patient", "SubscriptionTopic"] {
            assert!(!one.body.contains(name), "{name}: {}", one.body);
        }
    }
}

// Backport, payloads: the focus is named and not sent.
#[tokio::test]
async fn e16_id_only_names_the_resource() {
    let (served, taken) = notifications("reviews", "id-only").await;
    for one in &taken[1..] {
        let event = &one.status("notification-event")[0];
        let focus = parameters(event, "focus")[0]["reference"].as_str().unwrap().to_owned();
        let path = focus.strip_prefix(&base(&served)).unwrap();
        assert_eq!(served.get(&format!("/fhir{path}")).await.status, 200, "{focus}");
        assert_eq!(one.json()["entry"].as_array().unwrap().len(), 1);
        assert_eq!(one.status("topic"), [format!("{EP}/SubscriptionTopic/reviews")]);
    }
}

// Backport, payloads: the focus is sent as it was when it happened.
#[tokio::test]
async fn e17_full_resource_sends_the_version_that_raised_the_event() {
    let (served, taken) = notifications("reviews", "full-resource").await;
    let mut versions = BTreeSet::new();
    for one in &taken[1..] {
        let bundle = one.json();
        let entry = &bundle["entry"][1];
        let (id, kind) = (text(&entry["resource"], "/id"), text(&entry["resource"], "/resourceType"));
        let version = text(&entry["resource"], "/meta/versionId");
        let path = format!("/fhir/{kind}/{id}/_history/{version}");
        assert_eq!(served.get(&path).await.json(), entry["resource"]);
        let event = &one.status("notification-event")[0];
        assert_eq!(parameters(event, "focus")[0]["reference"], entry["fullUrl"]);
        let made = version == "1";
        assert_eq!(
            (text(entry, "/request/method") == "POST", text(entry, "/response/status") == "201"),
            (made, made)
        );
        assert!(versions.insert(path), "one event for each version");
    }
    assert!(versions.iter().any(|path| path.ends_with("/2")), "{versions:?}");
}

// Backport, components and errors: from 1, without gaps, whatever was delivered; as many in one as backport-max-count says.
#[tokio::test]
async fn e18_events_are_numbered_without_gaps_and_told_together() {
    let (served, hook) = subscribed(|endpoint| {
        with_channel(topic("s", "reviews", endpoint, "id-only"), "max-count", "valuePositiveInt", &json!(3))
    })
    .await;
    repaired(&served).await;
    hook.answer([503]);
    served.deliver().await;
    let first = hook.taken();
    assert_eq!((first.len(), first[0].numbers()), (1, vec![1, 2, 3]));
    // What happens meanwhile does not join what was tried.
    noted(&served, "meanwhile").await;
    let total = raised(&asked_status(&served, "s").await);
    served.clock.turn_on_s(longest_wait_s(0));
    served.deliver().await;
    let taken = hook.taken();
    assert_eq!(taken[0].body, first[0].body, "told again, word for word");
    let told: Vec<u64> = taken.iter().flat_map(Request::numbers).collect();
    assert_eq!(told, (1..=total).collect::<Vec<_>>());
    assert!(taken.iter().all(|one| one.numbers().len() <= 3) && taken.len() < told.len());
    for one in &taken {
        let numbers = one.numbers();
        let last = numbers.last().unwrap().to_string();
        assert_eq!(one.status("events-since-subscription-start"), [json!(last)]);
    }
}

#[tokio::test]
async fn e18_what_is_asked_for_again_brings_nothing_along_that_was_taken() {
    let (served, hook) = subscribed(|endpoint| {
        with_channel(topic("s", "reviews", endpoint, "id-only"), "max-count", "valuePositiveInt", &json!(20))
    })
    .await;
    repaired(&served).await;
    let total = raised(&asked_status(&served, "s").await);
    assert_eq!(served.deliver().await.delivered as u64, total, "events, not messages");
    noted(&served, "refused").await;
    let refused = total + 1..=raised(&asked_status(&served, "s").await);
    hook.answer([422]);
    served.deliver().await;
    noted(&served, "taken").await;
    served.clock.turn_on_s(longest_wait_s(0));
    served.deliver().await;
    hook.taken();
    let dead = Replay { receiver: Some("s".to_owned()), dead: true, ..Replay::default() };
    assert_eq!(served.server.endplate().replay(&dead).await.unwrap(), refused.clone().count() as u64);
    served.deliver().await;
    let told: Vec<u64> = hook.taken().iter().flat_map(Request::numbers).collect();
    assert_eq!(told, refused.collect::<Vec<_>>());
}

// Backport, channels: POST, the format and the headers that were asked for; success is 2xx, and redirects are not followed.
#[tokio::test]
async fn e20_notifications_are_posted_as_asked_for() {
    let (served, hook) = subscribed(|endpoint| {
        let mut one = topic("s", "reviews", endpoint, "id-only");
        one["channel"]["header"] = json!(["Authorization: Bearer t", "X-Unit: hand"]);
        with_channel(one, "timeout", "valueUnsignedInt", &json!(5))
    })
    .await;
    repaired(&served).await;
    let other = Hook::open().await;
    hook.answer_with(307, "location", &other.endpoint);
    served.deliver().await;
    assert_eq!((hook.taken().len(), other.taken().len()), (1, 0));
    served.clock.turn_on_s(longest_wait_s(0));
    hook.answer([202, 204, 201]);
    served.deliver().await;
    let taken = hook.taken();
    assert_eq!(taken.len() as u64, raised(&asked_status(&served, "s").await));
    for (at, one) in taken.iter().enumerate() {
        assert_eq!((one.method.clone(), one.path.as_str()), (Method::POST, "/hook"));
        let headers = ["content-type", "authorization", "x-unit"].map(|name| one.header(name));
        assert_eq!(headers, ["application/fhir+json", "Bearer t", "hand"]);
        assert_eq!(one.header("endplate-event"), format!("s/{}", at + 1));
    }
}

// RFC 9110 section 10.2.3 and 15.5.11; the same number and the same body each time.
#[tokio::test]
async fn e21_a_retry_is_the_same_message() {
    let (served, hook) = subscribed(|endpoint| topic("s", "reviews", endpoint, "full-resource")).await;
    repaired(&served).await;
    hook.answer([500]);
    served.deliver().await;
    noted(&served, "meanwhile").await;
    served.clock.turn_on_s(longest_wait_s(0));
    hook.answer_with(429, "retry-after", "90");
    served.deliver().await;
    served.clock.turn_on_s(89);
    assert_eq!(served.deliver().await.delivered, 0);
    served.clock.turn_on_s(1);
    hook.answer([410]);
    served.deliver().await;
    let taken = hook.taken();
    assert_eq!(taken.len(), 3);
    assert!(taken.iter().all(|one| one.body == taken[0].body && one.header("endplate-event") == "s/1"));
    assert_eq!(status_of(&served, "s").await, "off");
    assert_eq!(served.server.endplate().next_delivery_at().await.unwrap(), None);
}

// At least once and in order for each Subscription; one that is down holds up no other.
#[tokio::test]
async fn e22_subscriptions_do_not_wait_for_each_other() {
    let (served, down) = subscribed(|endpoint| topic("down", "reviews", endpoint, "id-only")).await;
    let up = Hook::open().await;
    served.put(&topic("up", "reviews", &up.endpoint, "id-only")).await.done();
    served.deliver().await;
    up.taken();
    down.answer(std::iter::repeat_n(500, 50));
    repaired(&served).await;
    served.deliver().await;
    let told = up.taken();
    let keys: Vec<String> = told.iter().map(|one| one.header("endplate-event").to_owned()).collect();
    let expected: Vec<String> = (1..=keys.len()).map(|number| format!("up/{number}")).collect();
    assert_eq!((keys, down.taken().len()), (expected, 1));
}

// A label on a record is told as any change of it, never as its end.
#[tokio::test]
async fn e25_a_label_is_told_as_a_change() {
    let (served, hook) = subscribed(|endpoint| topic("s", "plans", endpoint, "full-resource")).await;
    repaired(&served).await;
    served.deliver().await;
    hook.taken();
    let label = json!({ "system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "R" });
    let meta = json!({ "resourceType": "Parameters", "parameter": [{ "name": "meta", "valueMeta": { "security": [label] } }] });
    assert_eq!(served.post("/fhir/Procedure/r1/$meta-add", &meta).await.status, 200);
    served.deliver().await;
    let taken = hook.taken();
    assert!(!taken.is_empty());
    for one in taken {
        let bundle = one.json();
        assert_eq!(text(&bundle, "/entry/1/request/method"), "PUT");
        assert_eq!(text(&bundle, "/entry/1/resource/meta/security/0/code"), "R");
    }
}

// Backport, operation backport-subscription-events: numbers are texts, both ends are included, content is a hint.
#[tokio::test]
async fn c18_events_are_told_again_on_request() {
    let (served, hook) = subscribed(|endpoint| topic("s", "reviews", endpoint, "id-only")).await;
    repaired(&served).await;
    hook.answer([500]);
    served.deliver().await;
    let total = raised(&asked_status(&served, "s").await);
    let ask = async |query: &str| served.get(&format!("/fhir/Subscription/s/$events{query}")).await;
    let told = async |query: &str| numbers(&ask(query).await.json()["entry"][0]["resource"]);
    assert_eq!(told("").await, (1..=total).collect::<Vec<_>>());
    assert_eq!(told("?eventsSinceNumber=2&eventsUntilNumber=3").await, [2, 3]);
    assert_eq!(told("?eventsSinceNumber=999").await, Vec::<u64>::new());
    let bundle = ask("?eventsSinceNumber=2&eventsUntilNumber=2&content=full-resource").await.json();
    assert_eq!(
        (text(&bundle, "/type"), bundle["entry"].as_array().unwrap().len()),
        ("history", 1),
        "no more than it has"
    );
    let status = &bundle["entry"][0]["resource"];
    assert_eq!(parameters(status, "type"), ["query-event"]);
    assert_eq!(parameters(status, "events-since-subscription-start"), [json!(total.to_string())]);
    let event = parameters(status, "notification-event");
    assert_eq!(parameters(&event[0], "focus").len(), 1);
    let empty = ask("?content=empty").await.json();
    assert!(
        parameters(&parameters(&empty["entry"][0]["resource"], "notification-event")[0], "focus").is_empty()
    );
    for wrong in ["?eventsSinceNumber=first", "?eventsUntilNumber=-1", "?content=all", "?since=1"] {
        assert_eq!(ask(wrong).await.status, 400, "{wrong}");
    }
    let posted = json!({ "resourceType": "Parameters", "parameter": [{ "name": "eventsUntilNumber", "valueString": "1" }] });
    let reply = served.post("/fhir/Subscription/s/$events", &posted).await.json();
    assert_eq!(numbers(&reply["entry"][0]["resource"]), [1]);
    assert_eq!(served.get("/fhir/Subscription/nobody/$events").await.status, 404);
}
