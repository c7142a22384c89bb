//! Telling receivers: at least once, in order for each subscription, for as long as it takes.

use crate::clinic::{Clinic, interosseous_graft, motor, subscription, text, tinel, with};
use endplate_fhir::Json;
use endplate_followup::DeliveryReport;
use endplate_followup::outbox::RETRY_AFTER_S;
use endplate_followup::ports::{Message, Outcome, Transport};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Mutex;

const DESK: &str = "https://desk.example/hook";
const WARD: &str = "https://ward.example/hook";

/// Receivers that answer as scripted, then accept; and what each was sent, with the answer.
#[derive(Default)]
struct Script {
    answers: Mutex<BTreeMap<String, VecDeque<Outcome>>>,
    sent: Mutex<Vec<(Message, Outcome)>>,
}

impl Script {
    fn answering(endpoint: &str, answers: impl IntoIterator<Item = Outcome>) -> Self {
        let script = Self::default();
        script.answers.lock().unwrap().insert(endpoint.to_owned(), answers.into_iter().collect());
        script
    }

    /// Every message sent to `endpoint` so far, in order.
    fn sent_to(&self, endpoint: &str) -> Vec<Message> {
        let sent = self.sent.lock().unwrap();
        sent.iter()
            .map(|(message, _)| message)
            .filter(|message| message.endpoint == endpoint)
            .cloned()
            .collect()
    }

    /// Those that were taken.
    fn taken_by(&self, endpoint: &str) -> Vec<Message> {
        let sent = self.sent.lock().unwrap();
        let taken = sent
            .iter()
            .filter(|(message, answer)| message.endpoint == endpoint && *answer == Outcome::Accepted);
        taken.map(|(message, _)| message.clone()).collect()
    }
}

#[async_trait::async_trait]
impl Transport for Script {
    async fn send(&self, message: &Message) -> Outcome {
        let scripted = self.answers.lock().unwrap().get_mut(&message.endpoint).and_then(VecDeque::pop_front);
        let answer = scripted.unwrap_or(Outcome::Accepted);
        self.sent.lock().unwrap().push((message.clone(), answer.clone()));
        answer
    }
}

fn refused(status: u16) -> Outcome {
    Outcome::Refused { status, retry_after_s: None }
}

fn unreachable() -> Outcome {
    Outcome::Unreachable { reason: "connection refused".to_owned() }
}

fn numbers(messages: &[Message]) -> Vec<u64> {
    messages.iter().map(|message| message.event.rsplit_once('/').unwrap().1.parse().unwrap()).collect()
}

/// A clinic with the desk subscribed to `criteria` before the first repair arrives.
async fn subscribed(criteria: &str) -> Clinic {
    let clinic = Clinic::open("2026-03-03").await;
    clinic.put(subscription("desk", criteria, DESK, true)).await.unwrap();
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    clinic
}

async fn deliver(clinic: &Clinic, transport: &Script) -> DeliveryReport {
    clinic.endplate.deliver(transport).await.unwrap()
}

#[tokio::test]
async fn each_kind_of_criteria_is_told_of_what_it_asks_for_and_of_nothing_else() {
    let clinic = Clinic::open("2026-03-03").await;
    let kinds =
        ["Task?status=requested", "DetectedIssue?code=front-static", "Communication?", "Flag?status=active"];
    for (k, criteria) in kinds.iter().enumerate() {
        let endpoint = format!("https://{k}.example/");
        clinic
            .put(subscription(&format!("s{k}"), criteria.trim_end_matches('?'), &endpoint, true))
            .await
            .unwrap();
    }
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    clinic.sweep_on("2027-02-01").await;
    clinic.put(motor("m1", "p1", "r1", "extensor-digitorum", "2027-02-01", 0)).await.unwrap();
    clinic.put(motor("m2", "p1", "r1", "extensor-indicis", "2027-02-01", 0)).await.unwrap();
    let transport = Script::default();
    deliver(&clinic, &transport).await;
    for (k, criteria) in kinds.iter().enumerate() {
        let taken = transport.taken_by(&format!("https://{k}.example/"));
        assert!(!taken.is_empty(), "{criteria}");
        let (kind, filter) = criteria.split_once('?').unwrap();
        for message in &taken {
            assert!(message.about.starts_with(&format!("{kind}/")), "{} for {criteria}", message.about);
            let body: Json = serde_json::from_str(message.body.as_ref().unwrap()).unwrap();
            match filter.split_once('=') {
                Some(("status", status)) => assert_eq!(body["status"], status),
                Some(_) => assert_eq!(text(&body, "/code/coding/0/code"), "front-static"),
                None => {}
            }
        }
    }
    let told: BTreeSet<String> =
        transport.taken_by("https://2.example/").into_iter().map(|message| message.about).collect();
    let stored = clinic.all("Communication").await;
    assert_eq!(told, stored.iter().map(|one| format!("Communication/{}", text(one, "/id"))).collect());
}

#[tokio::test]
async fn events_arrive_in_order_and_once_where_the_receiver_is_well() {
    let clinic = subscribed("Task").await;
    let transport = Script::default();
    let report = deliver(&clinic, &transport).await;
    let taken = transport.taken_by(DESK);
    assert_eq!((report.delivered, report.deferred, report.dropped), (taken.len(), 0, 0));
    assert_eq!(numbers(&taken), (1..=taken.len() as u64).collect::<Vec<_>>());
    assert_eq!(taken.len(), clinic.open_tasks().await.len());
    assert_eq!(deliver(&clinic, &transport).await, DeliveryReport::default());
    assert_eq!(clinic.endplate.next_delivery_at().await.unwrap(), None);
}

/// The waits are those published, whatever the reason; nothing later overtakes; the event keeps its name.
#[tokio::test]
async fn a_receiver_that_fails_is_tried_again_after_the_published_waits() {
    let clinic = subscribed("Task").await;
    let failures = RETRY_AFTER_S.len() + 2;
    let answers = (0..failures).map(|k| if k % 2 == 0 { refused(503) } else { unreachable() });
    let transport = Script::answering(DESK, answers);
    for attempt in 0..failures {
        assert_eq!(deliver(&clinic, &transport).await.deferred, 1);
        let next_at = clinic.endplate.next_delivery_at().await.unwrap().unwrap();
        let wait_ms = next_at.duration_since(clinic.clock.instant()).as_millis();
        let published_ms = i128::from(RETRY_AFTER_S[attempt.min(RETRY_AFTER_S.len() - 1)]) * 1_000;
        assert!((published_ms..=published_ms * 6 / 5).contains(&wait_ms), "{attempt}: {wait_ms}");
        let early_s = i64::try_from((wait_ms - 1) / 1_000).unwrap();
        clinic.clock.turn_on_s(early_s);
        assert_eq!(deliver(&clinic, &transport).await, DeliveryReport::default(), "too early");
        clinic.clock.turn_on_s(1);
    }
    let sent = transport.sent_to(DESK);
    assert_eq!(sent.len(), failures);
    assert!(sent.iter().all(|message| *message == sent[0]), "always the first event, always the same");
    let report = deliver(&clinic, &transport).await;
    let taken = transport.taken_by(DESK);
    assert_eq!((report.delivered, taken[0].event.as_str()), (taken.len(), "desk/1"));
    assert_eq!(numbers(&taken), (1..=taken.len() as u64).collect::<Vec<_>>());
}

/// RFC 9110, section 10.2.3; RFC 6585, section 4.
#[tokio::test]
async fn a_receiver_may_ask_for_more_time() {
    let clinic = subscribed("Task").await;
    let transport = Script::answering(DESK, [Outcome::Refused { status: 429, retry_after_s: Some(90) }]);
    deliver(&clinic, &transport).await;
    clinic.clock.turn_on_s(89);
    assert_eq!(deliver(&clinic, &transport).await, DeliveryReport::default());
    clinic.clock.turn_on_s(1);
    assert!(deliver(&clinic, &transport).await.delivered > 0);
}

#[tokio::test]
async fn a_receiver_that_is_down_does_not_stop_another() {
    let clinic = Clinic::open("2026-03-03").await;
    for (id, endpoint) in [("desk", DESK), ("ward", WARD)] {
        clinic.put(subscription(id, "Task", endpoint, true)).await.unwrap();
    }
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    let transport = Script::answering(DESK, std::iter::repeat_n(unreachable(), 50));
    let report = deliver(&clinic, &transport).await;
    assert_eq!(report.deferred, 1);
    assert_eq!(transport.taken_by(WARD).len(), clinic.open_tasks().await.len());
    assert!(transport.taken_by(DESK).is_empty());
}

#[tokio::test]
async fn what_waits_survives_the_process() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.db");
    let transport = Script::answering(DESK, [unreachable()]);
    {
        let clinic = Clinic::on_file("2026-03-03", &file).await;
        clinic.put(subscription("desk", "Task", DESK, true)).await.unwrap();
        for resource in interosseous_graft() {
            clinic.put(resource).await.unwrap();
        }
        assert_eq!(deliver(&clinic, &transport).await.deferred, 1);
    }
    let clinic = Clinic::on_file("2026-03-04", &file).await;
    let report = deliver(&clinic, &transport).await;
    assert_eq!(report.delivered, clinic.open_tasks().await.len());
    let sent = transport.sent_to(DESK);
    assert_eq!(sent[0], sent[1], "the same event, byte for byte");
    assert_eq!(numbers(&transport.taken_by(DESK)), (1..=report.delivered as u64).collect::<Vec<_>>());
}

#[tokio::test]
async fn a_subscription_turned_off_is_told_nothing_more() {
    let clinic = subscribed("Task").await;
    let transport = Script::answering(DESK, [refused(500)]);
    deliver(&clinic, &transport).await;
    let current = clinic.get("Subscription", "desk").await;
    clinic.put(with(&current, "status", json!("off"))).await.unwrap();
    clinic.clock.turn_on_s(RETRY_AFTER_S[0] * 6 / 5);
    let report = deliver(&clinic, &transport).await;
    assert_eq!((report.delivered, report.dropped), (0, clinic.open_tasks().await.len()));
    assert_eq!(transport.sent_to(DESK).len(), 1);
    clinic.put(tinel("o1", "p1", "r1", "2026-03-03", 0.0)).await.unwrap();
    assert_eq!(deliver(&clinic, &transport).await, DeliveryReport::default());
}

#[tokio::test]
async fn a_bare_subscription_gets_a_signal_and_no_record() {
    let clinic = Clinic::open("2026-03-03").await;
    let mut bare = subscription("bare", "Task", WARD, false);
    bare["channel"]["header"] = json!(["X-Key: 7"]);
    for resource in [bare, subscription("full", "Task", DESK, true)].into_iter().chain(interosseous_graft()) {
        clinic.put(resource).await.unwrap();
    }
    let transport = Script::default();
    deliver(&clinic, &transport).await;
    let (bare, full) = (transport.taken_by(WARD), transport.taken_by(DESK));
    assert_eq!(bare.len(), full.len());
    assert!(bare.iter().all(|message| message.body.is_none() && message.headers == ["X-Key: 7"]));
    for message in &full {
        let body: Json = serde_json::from_str(message.body.as_ref().unwrap()).unwrap();
        assert_eq!(format!("Task/{}", text(&body, "/id")), message.about);
    }
}

/// An event carries the version that raised it, even if the resource has moved on since.
#[tokio::test]
async fn an_event_carries_the_version_that_raised_it() {
    let clinic = subscribed("Task").await;
    let mut task = clinic.task("wound-posterior-interosseous").await;
    task["note"] = json!([{ "text": "by telephone" }]);
    clinic.put(task.clone()).await.unwrap();
    let transport = Script::default();
    deliver(&clinic, &transport).await;
    let about = format!("Task/{}", text(&task, "/id"));
    let versions: Vec<String> = transport
        .taken_by(DESK)
        .iter()
        .filter(|message| message.about == about)
        .map(|message| serde_json::from_str::<Json>(message.body.as_ref().unwrap()).unwrap())
        .map(|body| text(&body, "/meta/versionId").to_owned())
        .collect();
    assert_eq!(versions, ["1", "2"]);
}

/// Whatever receivers do, everything arrives in the end, in order, and a write sent twice tells nobody twice.
#[tokio::test]
async fn nothing_is_lost_and_nothing_is_raised_twice() {
    let clinic = subscribed("Task").await;
    let answers = (0..40).map(|k| match k % 4 {
        0 => refused(500),
        1 => unreachable(),
        2 => Outcome::Refused { status: 429, retry_after_s: Some(60) },
        _ => Outcome::Accepted,
    });
    let transport = Script::answering(DESK, answers);
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    let count = clinic.open_tasks().await.len();
    while let Some(at) = clinic.endplate.next_delivery_at().await.unwrap() {
        deliver(&clinic, &transport).await;
        let wait = at.duration_since(clinic.clock.instant()).as_secs().max(0) + 1;
        clinic.clock.turn_on_s(wait);
    }
    assert_eq!(numbers(&transport.taken_by(DESK)), (1..=count as u64).collect::<Vec<_>>());
}
