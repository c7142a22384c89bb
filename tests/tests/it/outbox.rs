//! The outbox at work: receivers that hang, dead letters, what is sent again, and what the engineer sees.

use crate::clinic::{Clinic, TurnedClock, interosseous_graft, subscription, text};
use crate::served::{Served, config};
use async_trait::async_trait;
use endplate_followup::outbox::{BREAKER_FAILURES, Breaker, breaker};
use endplate_followup::ports::{Message, Outcome, Receiver, Replay, Transport};
use endplate_server::boot::{self, Parts};
use endplate_server::config::StoreUrl;
use endplate_server::outbox as command;
use endplate_store::SqliteStore;
use serde_json::json;
use std::sync::{Arc, Mutex};
use tokio::sync::{Semaphore, watch};

const DESK: &str = "https://desk.example/hook?key=s3cret";
const WARD: &str = "https://ward.example/hook";

/// Accepts, but for one receiver that says nothing until it is let go.
struct Hanging {
    gate: Semaphore,
    hung: watch::Sender<usize>,
    ward: watch::Sender<Vec<String>>,
}

#[async_trait]
impl Transport for Hanging {
    async fn send(&self, message: &Message) -> Outcome {
        if message.endpoint == DESK {
            self.hung.send_modify(|count| *count += 1);
            self.gate.acquire().await.unwrap().forget();
            return Outcome::Unreachable { reason: "no answer in time".to_owned() };
        }
        self.ward.send_modify(|events| events.push(message.event.clone()));
        Outcome::Accepted
    }
}

/// While one receiver says nothing at all, another is told of everything that is written meanwhile, and the silent one is
/// asked one thing only.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_receiver_that_hangs_delays_nobody() {
    let transport = Arc::new(Hanging {
        gate: Semaphore::new(0),
        hung: watch::Sender::new(0),
        ward: watch::Sender::new(Vec::new()),
    });
    let store = Arc::new(SqliteStore::open("sqlite::memory:").await.unwrap());
    let parts =
        Parts { store, clock: TurnedClock::at("2026-03-03"), transport: transport.clone(), workers: true };
    let server = boot::start(&config(), parts).await.unwrap();
    let put = async |resource: endplate_fhir::Json| {
        let address = format!(
            "http://{}/fhir/{}/{}",
            server.local_addr(),
            text(&resource, "/resourceType"),
            text(&resource, "/id")
        );
        let client = reqwest::Client::builder().no_proxy().tls_certs_only([]).build().unwrap();
        let request =
            client.put(address).header("content-type", "application/fhir+json").body(resource.to_string());
        assert_eq!(request.send().await.unwrap().status(), 201);
    };
    _ = rustls::crypto::ring::default_provider().install_default();
    for (id, endpoint) in [("desk", DESK), ("ward", WARD)] {
        put(subscription(id, "Organization", endpoint, true)).await;
    }
    put(json!({ "resourceType": "Organization", "id": "o1", "name": "o1" })).await;
    transport.hung.subscribe().wait_for(|hung| *hung == 1).await.unwrap();
    for n in 2..=300 {
        put(json!({ "resourceType": "Organization", "id": format!("o{n}"), "name": format!("o{n}") })).await;
        if n % 60 == 0 {
            transport.ward.subscribe().wait_for(|events| events.len() == n).await.unwrap();
        }
    }
    let events = transport.ward.borrow().clone();
    assert_eq!(events, (1..=300).map(|n| format!("ward/{n}")).collect::<Vec<_>>());
    assert_eq!(*transport.hung.borrow(), 1);
    transport.gate.add_permits(1);
    assert!(server.shutdown().await, "the attempt in progress was finished");
    assert_eq!(*transport.hung.borrow(), 1, "nothing more was begun");
}

/// Answers as it is told to, and keeps what was sent.
#[derive(Default)]
struct Answering {
    answer: Mutex<Option<Outcome>>,
    sent: Mutex<Vec<(Message, bool)>>,
}

impl Answering {
    fn is(&self, answer: Outcome) {
        *self.answer.lock().unwrap() = Some(answer);
    }

    /// Events sent so far, in order; those that were taken, or all.
    fn events(&self, taken: bool) -> Vec<String> {
        let sent = self.sent.lock().unwrap();
        sent.iter()
            .filter(|(_, was_taken)| *was_taken || !taken)
            .map(|(message, _)| message.event.clone())
            .collect()
    }

    fn forget(&self) {
        self.sent.lock().unwrap().clear();
    }
}

#[async_trait]
impl Transport for Answering {
    async fn send(&self, message: &Message) -> Outcome {
        let answer = self.answer.lock().unwrap().clone().unwrap_or(Outcome::Accepted);
        self.sent.lock().unwrap().push((message.clone(), answer == Outcome::Accepted));
        answer
    }
}

fn refused(status: u16) -> Outcome {
    Outcome::Refused { status, retry_after_s: None }
}

/// A clinic with the desk told of every Task, and how many there are.
async fn subscribed() -> (Clinic, usize) {
    let clinic = Clinic::open("2026-03-03").await;
    clinic.put(subscription("desk", "Task", DESK, true)).await.unwrap();
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    let count = clinic.open_tasks().await.len();
    assert!(count > BREAKER_FAILURES as usize + 1, "enough events for the test");
    (clinic, count)
}

async fn standing(clinic: &Clinic) -> Receiver {
    clinic.endplate.receivers(None, 9).await.unwrap().remove(0)
}

fn named(numbers: impl IntoIterator<Item = usize>) -> Vec<String> {
    numbers.into_iter().map(|number| format!("desk/{number}")).collect()
}

/// RFC 9110, section 15.5.21: 422 is about the content. Each event is refused once, until the breaker is open; then one at a
/// time is asked. All of them are kept, and come again under the same ids when somebody says so.
#[tokio::test]
async fn what_is_refused_for_good_is_kept_and_sent_again_when_asked_for() {
    let (clinic, count) = subscribed().await;
    let transport = Answering::default();
    transport.is(refused(422));
    let report = clinic.endplate.deliver(&transport).await.unwrap();
    let limit = BREAKER_FAILURES as usize;
    assert_eq!((report.parked, report.delivered, report.deferred), (limit, 0, 0));
    assert_eq!(transport.events(false), named(1..=limit));
    let now = clinic.clock.instant();
    assert_eq!(breaker(&standing(&clinic).await, now), Breaker::Open);
    let due = clinic.endplate.next_delivery_at().await.unwrap().unwrap();
    clinic.clock.turn_on_s(due.duration_since(now).as_secs() + 1);
    assert_eq!(breaker(&standing(&clinic).await, clinic.clock.instant()), Breaker::HalfOpen);
    // One probe, which is taken: the rest follows at once.
    transport.forget();
    transport.is(Outcome::Accepted);
    assert_eq!(clinic.endplate.deliver(&transport).await.unwrap().delivered, count - limit);
    assert_eq!(transport.events(true), named(limit + 1..=count));
    let receiver = standing(&clinic).await;
    assert_eq!(
        (breaker(&receiver, now), receiver.waiting, receiver.dead),
        (Breaker::Closed, 0, limit as u64)
    );

    transport.forget();
    let dead = Replay { dead: true, receiver: Some("desk".into()), ..Replay::default() };
    assert_eq!(clinic.endplate.replay(&dead).await.unwrap(), limit as u64);
    clinic.endplate.deliver(&transport).await.unwrap();
    assert_eq!(transport.events(true), named(1..=limit));
    // Everything once more, whatever became of it: the same ids, the same bodies.
    transport.forget();
    let all = Replay { since: Some(now), ..Replay::default() };
    assert_eq!(clinic.endplate.replay(&all).await.unwrap(), count as u64);
    clinic.endplate.deliver(&transport).await.unwrap();
    assert_eq!(transport.events(true), named(1..=count));
    assert_eq!(clinic.endplate.replay(&dead).await.unwrap(), 0);
}

/// After the configured time the Subscription is in error, and whatever waits is kept until somebody asks for it again.
#[tokio::test]
async fn what_waited_too_long_is_kept_until_it_is_asked_for() {
    let (clinic, count) = subscribed().await;
    let transport = Answering::default();
    transport.is(Outcome::Unreachable { reason: "no connection could be made".to_owned() });
    let day_s = 86_400;
    for _ in 0..13 {
        let report = clinic.endplate.deliver(&transport).await.unwrap();
        assert_eq!((report.deferred, report.parked), (1, 0));
        clinic.clock.turn_on_s(day_s);
    }
    let mut task = clinic.open_tasks().await[0].clone();
    task["note"] = json!([{ "text": "by telephone" }]);
    clinic.put(task).await.unwrap();
    clinic.clock.turn_on_s(day_s + 1);
    let report = clinic.endplate.deliver(&transport).await.unwrap();
    assert_eq!((report.deferred, report.parked), (1, 0));
    let receiver = standing(&clinic).await;
    assert_eq!((receiver.dead, receiver.waiting), (0, count as u64 + 1));
    let mut subscription = clinic.get("Subscription", "desk").await;
    assert_eq!(text(&subscription, "/status"), "error");
    assert!(text(&subscription, "/error").starts_with("No notification was taken for 336 hours"));
    // Nobody is asked while it is in error.
    transport.forget();
    transport.is(Outcome::Accepted);
    clinic.clock.turn_on_s(day_s);
    clinic.endplate.deliver(&transport).await.unwrap();
    assert_eq!(transport.events(true), named([]));
    subscription["status"] = json!("requested");
    clinic.put(subscription).await.unwrap();
    clinic.endplate.deliver(&transport).await.unwrap();
    assert_eq!(transport.events(true), named(1..=count + 1));
}

/// Takes so many messages, then is not to be reached.
struct TakesSome(Mutex<usize>);

#[async_trait]
impl Transport for TakesSome {
    async fn send(&self, _: &Message) -> Outcome {
        let mut left = self.0.lock().unwrap();
        if *left == 0 {
            return Outcome::Unreachable { reason: "no connection could be made".to_owned() };
        }
        *left -= 1;
        Outcome::Accepted
    }
}

/// A receiver that has been away for a fortnight and comes back took something: one mishap more is no error of its Subscription,
/// however old what waits is. Found by the simulated world.
#[tokio::test]
async fn a_receiver_that_took_something_lately_is_not_given_up() {
    let (clinic, count) = subscribed().await;
    clinic.clock.turn_on_s(13 * 86_400);
    assert_eq!(clinic.endplate.deliver(&TakesSome(Mutex::new(0))).await.unwrap().deferred, 1);
    clinic.clock.turn_on_s(2 * 86_400);
    let is_active = async || text(&clinic.get("Subscription", "desk").await, "/status") == "active";
    let report = clinic.endplate.deliver(&TakesSome(Mutex::new(2))).await.unwrap();
    assert_eq!((report.delivered, report.deferred), (2, 1));
    assert!(is_active().await);
    clinic.clock.turn_on_s(60);
    assert_eq!(clinic.endplate.deliver(&TakesSome(Mutex::new(count))).await.unwrap().delivered, count - 2);
    // Nor is one that is asked again for what is old.
    let all = Replay { since: Some(jiff::Timestamp::UNIX_EPOCH), ..Replay::default() };
    assert_eq!(clinic.endplate.replay(&all).await.unwrap(), count as u64);
    assert_eq!(clinic.endplate.deliver(&TakesSome(Mutex::new(0))).await.unwrap().deferred, 1);
    assert!(is_active().await);
}

/// Nobody answers, and while that is found out somebody writes the Subscription anew.
struct WrittenMeanwhile<'a>(&'a Clinic);

#[async_trait]
impl Transport for WrittenMeanwhile<'_> {
    async fn send(&self, _: &Message) -> Outcome {
        let mut subscription = self.0.get("Subscription", "desk").await;
        subscription["reason"] = json!("asked for again");
        self.0.put(subscription).await.unwrap();
        Outcome::Unreachable { reason: "no connection could be made".to_owned() }
    }
}

/// What was found out of a Subscription is not about one that was written meanwhile: it goes on, and nothing of it is held.
#[tokio::test]
async fn a_subscription_that_is_written_during_its_last_attempt_goes_on() {
    let (clinic, count) = subscribed().await;
    clinic.clock.turn_on_s(15 * 86_400);
    let report = clinic.endplate.deliver(&WrittenMeanwhile(&clinic)).await.unwrap();
    assert_eq!((report.deferred, report.parked, report.dropped), (1, 0, 0));
    assert_eq!(text(&clinic.get("Subscription", "desk").await, "/status"), "active");
    let transport = Answering::default();
    transport.is(Outcome::Accepted);
    clinic.clock.turn_on_s(60);
    clinic.endplate.deliver(&transport).await.unwrap();
    assert_eq!(transport.events(true), named(1..=count));
}

/// Far more receivers than the store has connections: none holds what another waits for.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn more_receivers_than_the_store_has_connections_are_all_served() {
    let clinic = Clinic::open("2026-03-03").await;
    for n in 0..60 {
        clinic.put(subscription(&format!("s{n}"), "Task", WARD, true)).await.unwrap();
    }
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    let count = clinic.open_tasks().await.len();
    let transport = Answering::default();
    for _ in 0..5 {
        assert_eq!(clinic.endplate.deliver(&transport).await.unwrap().delivered, 60 * count);
        let all = Replay { since: Some(clinic.clock.instant()), ..Replay::default() };
        assert_eq!(clinic.endplate.replay(&all).await.unwrap(), 60 * count as u64);
    }
}

/// `endplate outbox` and `endplate replay` beside a service that runs: no address, no header, no payload.
#[tokio::test]
async fn the_engineer_sees_how_receivers_stand_and_sends_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = config();
    config.store = StoreUrl::Sqlite(folder.path().join("store.db"));
    // The command starts the log of the whole program.
    config.log = "off".to_owned();
    let served = Served::open_as(&config, "2026-03-03").await;
    served.put(&subscription("desk", "Task", DESK, true)).await.done();
    for resource in interosseous_graft() {
        served.put(&resource).await.done();
    }
    let transport = Answering::default();
    let deliver = async || served.server.endplate().deliver(&transport).await.unwrap();
    transport.is(refused(503));
    deliver().await;
    let count = served.all("Task").await.len();
    let lines = async || {
        let list = command::list(&config).await.unwrap();
        for secret in ["s3cret", "desk.example", "p1", "interosseous", "Task/"] {
            assert!(!list.contains(secret), "{list}");
        }
        list.lines()
            .map(|line| line.split_whitespace().map(str::to_owned).collect::<Vec<_>>())
            .collect::<Vec<_>>()
    };
    let [head, desk] = <[Vec<String>; 2]>::try_from(lines().await).unwrap();
    assert_eq!(head[..2], ["receiver", "waiting"]);
    let wanted = ["desk", &count.to_string(), "2026-03-03T12:00:00Z", "closed", "1"];
    assert_eq!(desk[..5], wanted);
    assert!(desk[5].starts_with("2026-03-03T12:00:0") && desk[6] == "0");
    assert_eq!(desk[8..].join(" "), "deferred: the receiver answered 503");

    served.clock.turn_on_s(10);
    transport.is(Outcome::Accepted);
    deliver().await;
    let said =
        command::replay(&config, Some("desk".into()), Some("2026-03-03T00:00:00Z"), false).await.unwrap();
    assert!(said.starts_with(&format!("events to be sent again {count};")), "{said}");
    transport.forget();
    deliver().await;
    assert_eq!(transport.events(true), named(1..=count));
    assert!(command::replay(&config, None, Some("yesterday"), false).await.is_err());
    assert_eq!(lines().await[1][1], "0");
}
