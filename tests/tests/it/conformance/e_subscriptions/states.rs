//! Requested, active, in error, off.

use super::{
    DAY, asked_status, longest_wait_s, noted, raised, repaired, status_of, subscribed, topic, with_channel,
};
use crate::clinic::{EP, subscription, text, with};
use crate::hook::{Hook, numbers, parameters};
use crate::served::{Served, config};
use endplate_fhir::Json;
use endplate_followup::outbox::GIVE_UP_AFTER_H;
use endplate_server::boot::open_store;
use endplate_server::config::StoreUrl;
use serde_json::json;

// Backport, channels: requested until the handshake is taken; any error makes it an error.
#[tokio::test]
async fn e09_a_subscription_is_active_when_its_handshake_was_taken() {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    let asked = topic("s", "reviews", &hook.endpoint, "id-only");
    let stored: Json = serde_json::from_str(&served.put(&asked).await.done()).unwrap();
    assert_eq!((&stored["status"], hook.taken().len()), (&json!("requested"), 0));
    served.deliver().await;
    assert_eq!((status_of(&served, "s").await.as_str(), hook.taken().len()), ("active", 1));
    for answer in [500, 404, 302, 429] {
        hook.answer([answer]);
        let asked = topic(&format!("s{answer}"), "reviews", &hook.endpoint, "id-only");
        served.put(&asked).await.done();
        served.deliver().await;
        let stored = served.get(&format!("/fhir/Subscription/s{answer}")).await.json();
        assert_eq!(stored["status"], "error");
        assert!(text(&stored, "/error").contains(&answer.to_string()), "{stored}");
        assert_eq!(
            (hook.taken().len(), served.server.endplate().next_delivery_at().await.unwrap()),
            (1, None)
        );
    }
    // Nobody listens there.
    served.put(&topic("gone", "reviews", "http://127.0.0.1:9/", "id-only")).await.done();
    served.deliver().await;
    assert_eq!(status_of(&served, "gone").await, "error");
}

// R4 Subscription.status: a client sends requested or off. Backport, errors: requested or active asks for a new start.
#[tokio::test]
async fn e10_what_a_client_asks_for_is_not_yet_so() {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    let asked =
        |status: &str| with(&topic("s", "reviews", &hook.endpoint, "id-only"), "status", json!(status));
    served.put(&asked("active")).await.done();
    assert_eq!(status_of(&served, "s").await, "requested");
    let reply = served.put(&asked("error")).await;
    assert_eq!(
        (reply.status, &reply.json()["issue"][0]["expression"][0]),
        (422, &json!("Subscription.status"))
    );
    served.deliver().await;
    assert_eq!(hook.taken().len(), 1);
    // Sent again as it is, it goes on: no new version, no new handshake.
    for status in ["requested", "active"] {
        let again: Json = serde_json::from_str(&served.put(&asked(status)).await.done()).unwrap();
        assert_eq!((text(&again, "/status"), text(&again, "/meta/versionId")), ("active", "2"));
    }
    // Told elsewhere, it shakes hands there first.
    let mut moved = asked("active");
    moved["channel"]["header"] = json!(["X-Unit: hand"]);
    served.put(&moved).await.done();
    assert_eq!(status_of(&served, "s").await, "requested");
    served.deliver().await;
    assert_eq!((status_of(&served, "s").await.as_str(), hook.taken().len()), ("active", 1));
    served.put(&with(&moved, "status", json!("off"))).await.done();
    repaired(&served).await;
    served.deliver().await;
    assert_eq!((status_of(&served, "s").await.as_str(), hook.taken().len()), ("off", 0));
    assert_eq!(raised(&asked_status(&served, "s").await), 0);
}

// Backport, extension backport-heartbeat-period: after so long a silence; no event is counted.
#[tokio::test]
async fn e12_a_heartbeat_follows_silence() {
    let (served, hook) = subscribed(|endpoint| {
        with_channel(
            topic("s", "reviews", endpoint, "empty"),
            "heartbeat-period",
            "valueUnsignedInt",
            &json!(600),
        )
    })
    .await;
    let kinds = || hook.taken().iter().map(crate::hook::Request::kind).collect::<Vec<_>>();
    served.clock.turn_on_s(599);
    served.deliver().await;
    assert_eq!(kinds(), Vec::<String>::new());
    served.clock.turn_on_s(1);
    served.deliver().await;
    let beats = hook.taken();
    assert_eq!((beats.len(), beats[0].kind().as_str()), (1, "heartbeat"));
    assert_eq!(beats[0].status("events-since-subscription-start"), ["0"]);
    assert_eq!((beats[0].numbers(), beats[0].header("endplate-event")), (vec![], ""));
    assert_eq!(beats[0].json()["entry"].as_array().unwrap().len(), 1);
    // An event is a sign of life too.
    served.clock.turn_on_s(300);
    repaired(&served).await;
    served.deliver().await;
    assert!(kinds().iter().all(|kind| kind == "event-notification"));
    served.clock.turn_on_s(599);
    served.deliver().await;
    assert_eq!(kinds(), Vec::<String>::new());
    // A heartbeat that is not taken changes nothing.
    hook.answer([500]);
    served.clock.turn_on_s(1);
    served.deliver().await;
    let beats = hook.taken();
    let total = raised(&asked_status(&served, "s").await);
    assert_eq!(
        (beats.len(), beats[0].status("events-since-subscription-start")),
        (1, vec![json!(total.to_string())])
    );
    assert_eq!((status_of(&served, "s").await.as_str(), total > 0), ("active", true));
    let next = served.server.endplate().next_delivery_at().await.unwrap().unwrap();
    assert_eq!(next.duration_since(served.clock.instant()).as_secs(), 600);
}

/// Lets the published waits pass until the receiver is given up; how many attempts that took.
async fn given_up(served: &Served, hook: &Hook, id: &str) -> usize {
    hook.answer(std::iter::repeat_n(503, 200));
    for attempt in 0..200 {
        served.deliver().await;
        if status_of(served, id).await == "error" {
            return attempt + 1;
        }
        served.clock.turn_on_s(longest_wait_s(attempt));
    }
    panic!("never given up")
}

// Backport, errors: the counter goes on, $status is answered, the service never makes it active again by itself.
#[tokio::test]
async fn e23_a_receiver_that_takes_nothing_for_two_weeks_is_an_error() {
    let (served, hook) = subscribed(|endpoint| topic("s", "reviews", endpoint, "id-only")).await;
    repaired(&served).await;
    let begun = served.clock.instant();
    let attempts = given_up(&served, &hook, "s").await;
    assert_eq!(hook.taken().len(), attempts);
    let waited = served.clock.instant().duration_since(begun);
    assert!((GIVE_UP_AFTER_H..=GIVE_UP_AFTER_H + 5).contains(&waited.as_hours()), "{waited}");
    let stored = served.get("/fhir/Subscription/s").await.json();
    assert!(text(&stored, "/error").contains("503"), "{stored}");
    let before = asked_status(&served, "s").await;
    assert_eq!(parameters(&before, "status"), ["error"]);
    assert_eq!(parameters(&before, "error")[0]["text"], stored["error"]);
    noted(&served, "by telephone").await;
    let after = asked_status(&served, "s").await;
    assert!(raised(&after) > raised(&before), "{after}");
    for _ in 0..48 {
        served.clock.turn_on_s(3_600);
        served.deliver().await;
    }
    assert_eq!((status_of(&served, "s").await.as_str(), hook.taken().len()), ("error", 0));
}

// Backport, errors: a client asks for a new start; what it missed it gets, here by itself and through $events.
#[tokio::test]
async fn e24_an_error_ends_when_the_client_says_so() {
    let (served, hook) = subscribed(|endpoint| topic("s", "reviews", endpoint, "id-only")).await;
    repaired(&served).await;
    given_up(&served, &hook, "s").await;
    hook.taken();
    let stored = served.get("/fhir/Subscription/s").await.json();
    // What is read in error may be sent so, and stays so.
    served.put(&with(&stored, "reason", json!("tests, continued"))).await.done();
    assert_eq!(status_of(&served, "s").await, "error");
    let hook = Hook::open().await;
    let mut asked = with(&stored, "status", json!("requested"));
    asked["channel"]["endpoint"] = json!(hook.endpoint);
    let asked: Json = serde_json::from_str(&served.put(&asked).await.done()).unwrap();
    assert_eq!((text(&asked, "/status"), asked.get("error")), ("requested", None));
    let missed = raised(&asked_status(&served, "s").await);
    let events = served.get("/fhir/Subscription/s/$events").await.json();
    assert_eq!(numbers(&events["entry"][0]["resource"]), (1..=missed).collect::<Vec<_>>());
    served.deliver().await;
    let taken = hook.taken();
    assert_eq!(
        (taken[0].kind().as_str(), taken[0].status("events-since-subscription-start")),
        ("handshake", vec![json!(missed.to_string())])
    );
    let told: Vec<u64> = taken[1..].iter().flat_map(crate::hook::Request::numbers).collect();
    assert_eq!(told, (1..=missed).collect::<Vec<_>>(), "nothing is lost");
    assert_eq!(status_of(&served, "s").await, "active");
}

// R4 Subscription.end: when it is over, it is off.
#[tokio::test]
async fn e27_a_subscription_that_is_over_is_off() {
    let (served, hook) = (Served::open(DAY).await, Hook::open().await);
    let end = json!("2026-03-04T00:00:00Z");
    for one in
        [topic("t", "reviews", &hook.endpoint, "id-only"), subscription("p", "Task", &hook.endpoint, true)]
    {
        served.put(&with(&one, "end", end.clone())).await.done();
    }
    served.deliver().await;
    served.clock.turn_to("2026-03-04");
    // Raised after the end and before anybody looked.
    repaired(&served).await;
    hook.taken();
    served.deliver().await;
    for id in ["t", "p"] {
        assert_eq!((status_of(&served, id).await.as_str(), hook.taken().len()), ("off", 0));
    }
    let read = served.get("/fhir/Subscription/t").await;
    assert_eq!(read.status, 200, "it is deleted by whoever made it");
}

/// Handshakes and outages of many receivers refuse no write and wait for none: whoever is told stays the same.
#[tokio::test]
async fn what_the_service_finds_out_of_a_receiver_is_no_reason_to_decide_anew_unless_it_is_off() {
    let (store, hook) = (crate::stores::fresh().await, Hook::open().await);
    let served = Served::on(DAY, store.clone(), &config()).await;
    served.put(&topic("s", "reviews", &hook.endpoint, "id-only")).await.done();
    let counter = async || store.generation("Subscription").await.unwrap();
    let before = counter().await;
    served.deliver().await;
    assert_eq!((status_of(&served, "s").await.as_str(), counter().await), ("active", before));
    repaired(&served).await;
    hook.answer([410]);
    served.deliver().await;
    assert_eq!((status_of(&served, "s").await.as_str(), counter().await), ("off", before + 1));
    hook.taken();
    noted(&served, "nobody hears of it").await;
    served.deliver().await;
    assert_eq!(hook.taken().len(), 0);
}

// RFC 9110 section 15.5.11; the counter does not begin anew.
#[tokio::test]
async fn a_receiver_that_is_gone_turns_a_subscription_off() {
    for content in ["id-only", "plain"] {
        let (served, hook) = (Served::open(DAY).await, Hook::open().await);
        let one = match content {
            "plain" => subscription("s", "Task", &hook.endpoint, true),
            content => topic("s", "reviews", &hook.endpoint, content),
        };
        served.put(&one).await.done();
        served.deliver().await;
        hook.taken();
        repaired(&served).await;
        hook.answer([410]);
        served.deliver().await;
        assert_eq!((status_of(&served, "s").await.as_str(), hook.taken().len()), ("off", 1), "{content}");
        assert_eq!(served.server.endplate().next_delivery_at().await.unwrap(), None);
        let counted = raised(&asked_status(&served, "s").await);
        served.put(&with(&one, "status", json!("requested"))).await.done();
        served.deliver().await;
        noted(&served, "back again").await;
        assert!(raised(&asked_status(&served, "s").await) > counted);
    }
}

// What is asked for and what waits is kept by the store: another process goes on with the next number.
#[tokio::test]
async fn e19_numbers_outlive_the_process() {
    let folder = tempfile::tempdir().unwrap();
    let file = StoreUrl::Sqlite(folder.path().join("store.db"));
    let hook = Hook::open().await;
    let mut told = Vec::new();
    for (day, note) in [(DAY, "one"), ("2026-03-04", "two")] {
        let served = Served::on(day, open_store(&file).await.unwrap(), &config()).await;
        if told.is_empty() {
            served.put(&topic("s", "reviews", &hook.endpoint, "id-only")).await.done();
            served.deliver().await;
            hook.taken();
            repaired(&served).await;
        } else {
            noted(&served, note).await;
        }
        served.deliver().await;
        told.extend(hook.taken().iter().flat_map(crate::hook::Request::numbers));
        noted(&served, &format!("{note}, undelivered")).await;
        assert!(served.server.shutdown().await);
    }
    assert!(told.len() > 8, "{told:?}");
    assert_eq!(told, (1..=told.len() as u64).collect::<Vec<_>>());
}

// A write rests on who listens: what another process has stored meanwhile is found out by the commit.
#[tokio::test]
async fn a_subscription_that_another_process_stored_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let file = StoreUrl::Sqlite(folder.path().join("store.db"));
    let one = Served::on(DAY, open_store(&file).await.unwrap(), &config()).await;
    let other = Served::on(DAY, open_store(&file).await.unwrap(), &config()).await;
    for served in [&one, &other] {
        served.put(&crate::clinic::patient("p0", "1980-01-01")).await.done();
    }
    let hook = Hook::open().await;
    other.put(&topic("s", "reviews", &hook.endpoint, "id-only")).await.done();
    repaired(&one).await;
    let told = raised(&asked_status(&other, "s").await);
    assert!(told > 0);
    one.deliver().await;
    let numbers: Vec<u64> = hook.taken().iter().flat_map(crate::hook::Request::numbers).collect();
    assert_eq!(numbers, (1..=told).collect::<Vec<_>>());
    // And one that it has turned off is told nothing more.
    other.put(&with(&topic("s", "reviews", &hook.endpoint, "id-only"), "status", json!("off"))).await.done();
    noted(&one, "nobody listens").await;
    assert_eq!(raised(&asked_status(&other, "s").await), told);
}

// Backport, operation backport-subscription-status.
#[tokio::test]
async fn c17_status_tells_of_one_of_some_and_of_all() {
    let (served, hook) = subscribed(|endpoint| topic("a", "reviews", endpoint, "id-only")).await;
    hook.answer([500]);
    served.put(&topic("b", "alerts", &hook.endpoint, "empty")).await.done();
    served.deliver().await;
    served.put(&subscription("c", "Task", &hook.endpoint, true)).await.done();
    let ids = async |query: &str| {
        let bundle = served.get(&format!("/fhir/Subscription/$status{query}")).await.json();
        assert_eq!(endplate_fhir::validate::resource(&bundle), []);
        let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
        let of = |one: &Json| {
            parameters(&one["resource"], "subscription")[0]["reference"].as_str().unwrap().to_owned()
        };
        entries.iter().map(|one| of(one).rsplit('/').next().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(ids("").await, ["a", "b", "c"]);
    assert_eq!(ids("?status=error&status=off").await, ["b"]);
    assert_eq!(ids("?id=a&id=c").await, ["a", "c"]);
    assert_eq!(ids("?id=a&status=error").await, Vec::<String>::new());
    let posted = json!({ "resourceType": "Parameters", "parameter": [{ "name": "id", "valueId": "b" }] });
    let reply = served.post("/fhir/Subscription/$status", &posted).await.json();
    assert_eq!((&reply["type"], &reply["total"]), (&json!("searchset"), &json!(1)));
    let one = asked_status(&served, "a").await;
    assert_eq!(parameters(&one, "type"), ["query-status"]);
    assert_eq!(parameters(&one, "topic"), [format!("{EP}/SubscriptionTopic/reviews")]);
    assert_eq!(super::told::breaches(&one), Vec::<String>::new());
    assert_eq!(served.get("/fhir/Subscription/nobody/$status").await.status, 404);
    assert_eq!(served.get("/fhir/Subscription/$status?colour=red").await.status, 400);
}
